//! One sensor: its last day, how much it wavers and the deadband that would cover it, and every
//! check and move on record.

use super::{correction, of, place, value};
use crate::logbook::Act;
use crate::rack::{Measure, Sensor};
use crate::reading::SensorIx;
use crate::web::backend::{Booked, Bucket, EntryFilter, Series, Stretch};
use crate::web::chart::Chart;
use crate::web::components::{self, say};
use crate::web::pages::{logbook, sign_in};
use crate::web::units::{Quantity, Units};
use crate::web::view::View;
use crate::web::words::sensors::{self as table, one as said};
use crate::web::{past, words};
use axum::extract::Path;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightjar_calc::time::Span;

/// Slices of a quarter of an hour in a day.
const QUARTERS: usize = 96;
/// Fewer quarters than this say nothing about how a sensor wavers.
const QUARTERS_NEEDED: usize = 24;
/// Checks and moves shown.
const CHECKS: usize = 400;

/// The page.
pub async fn show(view: View, Path(id): Path<String>) -> Response {
    let Some(at) = view.rack().sensors.iter().position(|s| s.id.as_str() == id) else {
        return sign_in::not_found(&view, said::NO_SUCH);
    };
    let sensor = &view.rack().sensors[at];
    let ix = SensorIx(u16::try_from(at).unwrap_or(u16::MAX));
    let day = Stretch { from: view.now.utc - Span::from_hours(24), to: view.now.utc };
    let series = past::series(&view, ix, day, QUARTERS).await;
    let mut checks = Vec::new();
    for kind in ["calibration", "probe_move"] {
        let filter = EntryFilter { kind: Some(kind.into()), limit: CHECKS, ..EntryFilter::default() };
        checks.extend(past::entries(&view, filter).await.unwrap_or_default());
    }
    checks.retain(|b| about(&b.entry.act) == Some(sensor.id.as_str()));
    checks.sort_by_key(|b| std::cmp::Reverse(b.entry.happened_at));
    let body = html! {
        nav.beside { a.button href="/sensors" { (table::BACK) } }
        h1 { (said::title(sensor.id.as_str())) }
        (facts(&view, sensor, at))
        section aria-labelledby="h-day" {
            h2 #h-day { (said::LAST_DAY) }
            @match &series {
                Err(error) => { p.problem { (error) } }
                Ok(series) => {
                    @if let Some(quantity) = quantity(sensor) {
                        figure { (picture(&view, sensor, series, quantity, day)) }
                        (wavering(view.units, quantity, series))
                    } @else { p.quiet { (said::NOTHING_TO_DRAW) } }
                }
            }
        }
        section aria-labelledby="h-checks" { h2 #h-checks { (said::CHECKS) } (history(&view, &checks)) }
    };
    components::page(&view, &said::title(sensor.id.as_str()), &body).into_response()
}

fn about(act: &Act) -> Option<&str> {
    if let Act::Calibration(check) = act {
        return Some(check.sensor.as_str());
    }
    if let Act::ProbeMove(moved) = act {
        return Some(moved.sensor.as_str());
    }
    None
}

fn quantity(sensor: &Sensor) -> Option<Quantity> {
    match sensor.measure {
        Measure::Temperature => Some(Quantity::Temperature),
        Measure::Flow => Some(Quantity::Flow),
        Measure::Mains | Measure::Battery => None,
    }
}

fn facts(view: &View, sensor: &Sensor, at: usize) -> Markup {
    let now = view.snap.sensors.get(at);
    html! {
        dl.facts {
            div { dt { (table::NOW) } dd { (value(view, sensor, now.and_then(|n| n.latest.as_ref()))) } }
            div { dt { (table::HEARD) } dd { @match now.and_then(|n| n.latest) { Some(l) => { (view.ago(l.at)) } None => { span.none { (table::NEVER) } } } } }
            div { dt { (table::WHERE) } dd { (place(view, sensor)) } }
            div { dt { (said::BAD) } dd { @match now { Some(n) => (of(n)), None => "–" } } }
            div { dt { (said::CORRECTION) } dd { (correction(sensor)) } }
            div { dt { (said::BELIEVED) } dd { (say(said::AND, &[("low", html! { (signed(sensor.range.0)) }), ("high", html! { (signed(sensor.range.1)) })])) @if let Some(quantity) = quantity(sensor) { "\u{202f}" (Units::default().name(quantity)) } } }
            div { dt { (said::EXPECTED) } dd { (words::plain(sensor.interval.ms() as f64 / 1_000.0)) " s" } }
        }
    }
}

/// A number with a minus that stands as wide as a plus.
fn signed(value: f64) -> String {
    words::plain(value).replace('-', "−")
}

fn picture(view: &View, sensor: &Sensor, series: &Series, quantity: Quantity, span: Stretch) -> Markup {
    let units = view.units;
    Chart {
        id: "cs",
        title: said::title(sensor.id.as_str()),
        description: words::range(view.zone(), span.from, span.to),
        unit: units.name(quantity),
        span,
        zone: view.zone(),
        series,
        convert: &|value| units.show(quantity, value),
        limits: Vec::new(),
        bands: Vec::new(),
        least_range: units.show(quantity, 1.0) - units.show(quantity, 0.0),
        marks: Vec::new(),
    }
    .draw()
}

/// How far the readings of a quarter of an hour lie apart, in nine quarters of ten; good ones only.
pub fn spread(buckets: &[Bucket]) -> Option<f64> {
    let mut apart: Vec<f64> =
        buckets.iter().filter(|b| b.doubtful == 0 && b.samples > 1).map(|b| b.max - b.min).collect();
    if apart.len() < QUARTERS_NEEDED {
        return None;
    }
    apart.sort_by(f64::total_cmp);
    apart.get(apart.len() * 9 / 10).copied()
}

/// A deadband that this wavering does not cross: as wide as the spread, in steps people can set.
pub fn deadband(spread: f64, quantity: Quantity) -> f64 {
    let step = if quantity == Quantity::Temperature { 0.1 } else { 0.05 };
    ((spread / step - 1e-9).ceil() * step).max(step)
}

fn wavering(units: Units, quantity: Quantity, series: &Series) -> Markup {
    let difference = |value: f64| {
        let shown = units.show(quantity, value) - units.show(quantity, 0.0);
        format!("{shown:.2}\u{202f}{}", units.name(quantity))
    };
    html! {
        @match spread(&series.buckets) {
            Some(spread) => {
                div {
                    (say(said::WAVERS, &[
                        ("spread", html! { b { (difference(spread)) } }),
                        ("deadband", html! { b { (difference(deadband(spread, quantity))) } }),
                    ]))
                    details.source { summary aria-label=(said::WAVERS_WHY) { "?" }
                        p { (say(said::WAVERS_SOURCE, &[("command", html! { code { "nightjar replay" } })])) }
                    }
                }
            }
            None => { p.quiet { (said::TOO_FEW) } }
        }
    }
}

fn history(view: &View, checks: &[Booked]) -> Markup {
    html! {
        @if checks.is_empty() { p.quiet { (said::NO_CHECKS) } }
        @else { (logbook::list(view, checks)) }
        p { a.button href="/logbook?kind=calibration#new" { (said::ENTER) } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightjar_calc::time::Timestamp;

    fn quarter(spread: f64, doubtful: u32) -> Bucket {
        let at = Timestamp::from_ms(0);
        Bucket {
            first_at: at,
            last_at: at,
            first: 11.0,
            last: 11.0,
            min: 11.0,
            max: 11.0 + spread,
            doubtful,
            samples: 9,
        }
    }

    #[test]
    fn the_deadband_covers_nine_quarters_of_ten_and_no_doubtful_one() {
        let mut quarters: Vec<Bucket> = (0..96).map(|i| quarter(0.01 * f64::from(i % 10), 0)).collect();
        quarters.push(quarter(5.0, 1));
        let spread = spread(&quarters).unwrap();
        assert!((spread - 0.08).abs() < 0.011, "{spread}");
        assert!((deadband(spread, Quantity::Temperature) - 0.1).abs() < 1e-9);
        assert!((deadband(0.12, Quantity::Flow) - 0.15).abs() < 1e-9);
        assert!((deadband(0.0, Quantity::Temperature) - 0.1).abs() < 1e-9, "never none");
    }

    #[test]
    fn a_short_record_says_nothing() {
        assert_eq!(spread(&[quarter(0.1, 0); 23]), None);
    }
}
