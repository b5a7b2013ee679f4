//! Cards to print and stick on the jars: jar, lot, day, and a code that opens the jar's page.

use crate::web::components::{self, say};
use crate::web::view::View;
use crate::web::words::{self, cards as said, jar as jar_page};
use axum::http::HeaderMap;
use axum::http::header::HOST;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use qrcode::{Color, EcLevel, QrCode};

/// Light border a reader needs around the code, in modules (ISO/IEC 18004).
const QUIET: usize = 4;

/// The page.
pub async fn show(view: View, headers: HeaderMap) -> Response {
    // The name this page was reached by; it has been checked to be one of this machine's.
    let host = headers.get(HOST).and_then(|host| host.to_str().ok()).unwrap_or("localhost").to_owned();
    let scheme = if view.site.backend.access.secure { "https" } else { "http" };
    let body = html! {
        h1 { (said::TITLE) }
        p.quiet.no-print { (say(said::PRINT, &[("address", html! { (scheme) "://" (host) })])) }
        div.cards {
            @for (_, jar, now) in view.jars() {
                @if let Some(now) = now.filter(|now| now.lot.is_some()) {
                    section.card {
                        h2 { (jar_page::title(jar.id.as_str())) }
                        p { (say(said::LOT, &[("lot", html! { b { (now.lot.as_deref().unwrap_or_default()) } })])) }
                        p { (now.species.as_deref().unwrap_or_default().replace('_', " ")) }
                        @if let Some(at) = now.loaded_at { p { (say(said::SINCE, &[("day", html! { (words::date(view.zone(), at)) })])) } }
                        (code(&format!("{scheme}://{host}/jar/{}", jar.id)))
                    }
                }
            }
        }
    };
    components::page(&view, said::TITLE, &body).into_response()
}

/// A QR code as a drawing; nothing when the text is too long for one.
pub fn code(text: &str) -> Markup {
    let Ok(code) = QrCode::with_error_correction_level(text, EcLevel::M) else { return html! {} };
    let width = code.width();
    let mut path = String::new();
    for (i, module) in code.to_colors().into_iter().enumerate() {
        if module == Color::Dark {
            path.push_str(&format!("M{} {}h1v1h-1z", i % width + QUIET, i / width + QUIET));
        }
    }
    let side = width + 2 * QUIET;
    html! {
        svg.code viewBox=(format!("0 0 {side} {side}")) width="120" height="120" role="img" aria-label=(said::code(text)) shape-rendering="crispEdges" {
            rect width=(side) height=(side) fill="#fff" {}
            path d=(path) fill="#000" {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO/IEC 18004: version 2 has 25 modules a side, and a finder of 7 by 7 in three corners.
    #[test]
    fn a_code_has_its_three_finders() {
        let code = QrCode::with_error_correction_level("http://10.0.0.7:8080/jar/J01", EcLevel::M).unwrap();
        let (width, colors) = (code.width(), code.to_colors());
        assert_eq!((width - 17) % 4, 0);
        let dark = |x: usize, y: usize| colors[y * width + x] == Color::Dark;
        for (x, y) in [(0, 0), (width - 7, 0), (0, width - 7)] {
            for i in 0..7 {
                assert!(dark(x + i, y) && dark(x + i, y + 6) && dark(x, y + i) && dark(x + 6, y + i));
            }
        }
    }
}
