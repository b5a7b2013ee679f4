//! Values that cannot be a water temperature, judged without a past.

use super::{Quality, Reason, Settings};

/// A code is compared after rounding to this many °C, since some loggers send it as text.
const SAME: f64 = 0.005;

pub(super) fn judge(raw: Option<f64>, settings: &Settings) -> (Quality, Reason) {
    let Some(value) = raw else { return (Quality::Bad, Reason::Missing) };
    if !value.is_finite() {
        return (Quality::Bad, Reason::Sentinel);
    }
    if (settings.low..=settings.high).contains(&value) {
        return (Quality::Good, Reason::None);
    }
    let code = settings.sentinels.iter().any(|s| (s - value).abs() < SAME) || repeated_nines(value.abs());
    (Quality::Bad, if code { Reason::Sentinel } else { Reason::Range })
}

/// 99, 999, 9999 and so on, also with nines or zeros behind the point (−99.99, 99.90).
fn repeated_nines(magnitude: f64) -> bool {
    let text = format!("{magnitude:.2}");
    let (whole, part) = text.split_once('.').unwrap_or((&text, ""));
    whole.len() >= 2 && whole.bytes().all(|b| b == b'9') && part.bytes().all(|b| b == b'9' || b == b'0')
}
