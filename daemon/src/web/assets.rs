//! The few files the page is made of besides HTML: one stylesheet, one script, one icon. Compiled
//! in, named by their content, kept by the browser for a year.

use super::words::script::last_known;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use maud::html;
use sha2::{Digest, Sha256};
use std::sync::LazyLock;

const STYLE: &str = include_str!("style.css");
/// One file, so that a page needs one request for both.
const SCRIPT: &str = concat!(include_str!("live.js"), include_str!("kept.js"));
const ICON: &str = include_str!("icon.svg");
/// Served under a fixed name: browsers ask for it again by themselves.
const WORKER: &str = include_str!("worker.js");

/// One file with the path it is served under.
pub struct Asset {
    /// `/a/style-….css`.
    pub path: String,
    body: &'static str,
    kind: &'static str,
}

fn asset(name: &str, extension: &str, body: &'static str, kind: &'static str) -> Asset {
    let hash = URL_SAFE_NO_PAD.encode(&Sha256::digest(body.as_bytes())[..9]);
    Asset { path: format!("/a/{name}-{hash}.{extension}"), body, kind }
}

/// The stylesheet.
pub static STYLESHEET: LazyLock<Asset> =
    LazyLock::new(|| asset("style", "css", STYLE, "text/css; charset=utf-8"));
/// The script.
pub static LIVE: LazyLock<Asset> =
    LazyLock::new(|| asset("live", "js", SCRIPT, "text/javascript; charset=utf-8"));
/// The icon inside the page, which saves a request.
pub static ICON_URI: LazyLock<String> =
    LazyLock::new(|| format!("data:image/svg+xml;base64,{}", STANDARD.encode(ICON)));

/// Serves a file whose name holds its hash.
pub fn by_name(file: &str) -> Option<Response> {
    [&*STYLESHEET, &*LIVE].into_iter().find(|asset| asset.path.strip_prefix("/a/") == Some(file)).map(
        |asset| {
            let headers =
                [(CONTENT_TYPE, asset.kind), (CACHE_CONTROL, "public, max-age=31536000, immutable")];
            (headers, asset.body).into_response()
        },
    )
}

/// The icon as a file, for the home screen.
pub fn icon() -> Response {
    ([(CONTENT_TYPE, "image/svg+xml"), (CACHE_CONTROL, "public, max-age=86400")], ICON).into_response()
}

/// The script that keeps the last known state when the network is gone.
pub fn worker() -> Response {
    // They stand in markup there.
    let safe = |words: &str| html! { (words) }.into_string();
    let words = serde_json::json!({
        "noNetwork": safe(last_known::NO_NETWORK),
        "neverSeen": safe(last_known::NEVER_SEEN),
        "toRack": safe(last_known::TO_RACK),
        "from": safe(last_known::FROM),
    });
    let body = WORKER.replace("{style}", &STYLESHEET.path).replace("{script}", &LIVE.path);
    let body = body.replace("{words}", &words.to_string());
    ([(CONTENT_TYPE, "text/javascript; charset=utf-8"), (CACHE_CONTROL, "no-cache")], body).into_response()
}

/// What a phone wants to know to put the page on its home screen.
pub fn manifest(station: &str) -> Response {
    let body = serde_json::json!({
        "name": format!("Nightjar {station}"),
        "short_name": "Nightjar",
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#101a1c",
        "theme_color": "#101a1c",
        "icons": [{"src": "/icon.svg", "sizes": "any", "type": "image/svg+xml", "purpose": "any"}],
    });
    ([(CONTENT_TYPE, "application/manifest+json"), (CACHE_CONTROL, "no-cache")], body.to_string())
        .into_response()
}

#[cfg(test)]
mod tests {
    use super::STYLE;
    use std::collections::BTreeMap;

    /// Variables of the block that begins with `opening`.
    fn colours(opening: &str) -> BTreeMap<String, [f64; 3]> {
        let at = STYLE.find(opening).unwrap_or_else(|| panic!("{opening} not found"));
        let block = &STYLE[at + opening.len()..];
        let block = &block[..block.find('}').unwrap()];
        block
            .split(';')
            .filter_map(|rule| {
                let (name, value) = rule.split_once(':')?;
                let hex = value.trim().strip_prefix('#')?;
                let channel = |i| f64::from(u8::from_str_radix(&hex[i..i + 2], 16).unwrap()) / 255.0;
                (hex.len() == 6).then(|| (name.trim().to_owned(), [channel(0), channel(2), channel(4)]))
            })
            .collect()
    }

    fn linear(channel: f64) -> f64 {
        if channel <= 0.040_45 { channel / 12.92 } else { ((channel + 0.055) / 1.055).powf(2.4) }
    }

    /// Relative luminance and contrast ratio as defined in WCAG 2.2 (the constants are quoted from
    /// memory of the recommendation).
    fn contrast(a: [f64; 3], b: [f64; 3]) -> f64 {
        let light = |c: [f64; 3]| 0.2126 * linear(c[0]) + 0.7152 * linear(c[1]) + 0.0722 * linear(c[2]);
        let (a, b) = (light(a), light(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    const DARK: &str = ":root {";
    const LIGHT: &str = ":root[data-theme=\"light\"] {";
    const LIGHT_BY_SYSTEM: &str = ":root:not([data-theme=\"dark\"]) {";

    #[test]
    fn text_is_readable_at_night_and_by_day() {
        for theme in [DARK, LIGHT] {
            let c = colours(theme);
            for (text, least) in [
                ("--ink", 7.0),
                ("--p1", 7.0),
                ("--p2", 7.0),
                ("--well", 7.0),
                ("--soft", 7.0),
                ("--link", 7.0),
                ("--pause", 7.0),
            ] {
                for ground in ["--ground", "--card"] {
                    let ratio = contrast(c[text], c[ground]);
                    assert!(ratio >= least, "{theme} {text} on {ground}: {ratio:.2}");
                }
            }
            assert!(contrast(c["--button-ink"], c["--button"]) >= 7.0, "{theme} button");
            // WCAG 2.2, 1.4.11: parts of controls need 3 to 1.
            assert!(
                contrast(c["--edge"], c["--card"]) >= 3.0,
                "{theme} edge {}",
                contrast(c["--edge"], c["--card"])
            );
        }
    }

    #[test]
    fn the_light_theme_is_the_same_by_choice_and_by_system() {
        assert_eq!(colours(LIGHT), colours(LIGHT_BY_SYSTEM));
        assert_eq!(
            colours(LIGHT).keys().collect::<Vec<_>>(),
            colours(DARK).keys().collect::<Vec<_>>(),
            "both themes set the same colours"
        );
    }

    /// The matrices for complete dichromacy in linear RGB are those of Machado, Oliveira and
    /// Fernandes 2009 (severity 1.0), quoted from memory; distances are CIE 1976 in L*a*b* (D65).
    #[test]
    fn the_three_states_stay_apart_for_colour_blind_eyes() {
        const PROTAN: [[f64; 3]; 3] = [
            [0.152_286, 1.052_583, -0.204_868],
            [0.114_503, 0.786_281, 0.099_216],
            [-0.003_882, -0.048_116, 1.051_998],
        ];
        const DEUTAN: [[f64; 3]; 3] = [
            [0.367_322, 0.860_646, -0.227_968],
            [0.280_085, 0.672_501, 0.047_413],
            [-0.011_820, 0.042_940, 0.968_881],
        ];
        const TRITAN: [[f64; 3]; 3] = [
            [1.255_528, -0.076_749, -0.178_779],
            [-0.078_411, 0.930_809, 0.147_602],
            [0.004_733, 0.691_367, 0.303_900],
        ];
        const NONE: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        let lab = |rgb: [f64; 3], m: [[f64; 3]; 3]| {
            let l = rgb.map(linear);
            let s = m.map(|row| (row[0] * l[0] + row[1] * l[1] + row[2] * l[2]).clamp(0.0, 1.0));
            let x = (0.4124 * s[0] + 0.3576 * s[1] + 0.1805 * s[2]) / 0.9505;
            let y = 0.2126 * s[0] + 0.7152 * s[1] + 0.0722 * s[2];
            let z = (0.0193 * s[0] + 0.1192 * s[1] + 0.9505 * s[2]) / 1.089;
            let f = |t: f64| if t > 0.008_856 { t.cbrt() } else { 7.787 * t + 16.0 / 116.0 };
            [116.0 * f(y) - 16.0, 500.0 * (f(x) - f(y)), 200.0 * (f(y) - f(z))]
        };
        for theme in [DARK, LIGHT] {
            let c = colours(theme);
            for (eyes, matrix) in [("all", NONE), ("protan", PROTAN), ("deutan", DEUTAN), ("tritan", TRITAN)]
            {
                for (a, b) in [("--p1", "--p2"), ("--p1", "--well"), ("--p2", "--well")] {
                    let (p, q) = (lab(c[a], matrix), lab(c[b], matrix));
                    let distance = p.iter().zip(q).map(|(x, y)| (x - y).powi(2)).sum::<f64>().sqrt();
                    assert!(distance >= 10.0, "{theme} {eyes}: {a} and {b} are {distance:.1} apart");
                }
            }
        }
    }
}
