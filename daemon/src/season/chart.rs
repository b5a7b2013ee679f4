//! Drawings of the report: what became of the eggs by lot, and the water by day.

use super::Material;
use crate::web::words;
use maud::{Markup, html};
use nightjar_calc::ledger::Level;
use std::collections::BTreeMap;

const WIDTH: f64 = 720.0;
const LEFT: f64 = 150.0;

/// Bars by lot: eggs in, alive by the better estimate, fry counted, stocked.
pub(super) fn lots(material: &Material<'_>) -> Markup {
    let lots = material.books.ledger().report(Level::Lot);
    let most = lots.values().map(|line| line.eggs_in.value).fold(1.0, f64::max);
    let bar = |value: f64| value / most * (WIDTH - LEFT - 90.0);
    let row = 64.0;
    let height = row * lots.len() as f64 + 8.0;
    html! {
        svg.lots viewBox=(format!("0 0 {WIDTH} {height}")) role="img" aria-label="Eggs in, alive, fry counted and stocked by lot; the numbers are in the table below" {
            @for (i, (name, line)) in lots.iter().enumerate() {
                @let y = row * i as f64 + 6.0;
                @let alive = line.alive_by_eye_up.map_or(line.alive_by_siphon.value, |alive| alive.likely);
                text x="0" y=(y + 30.0) font-size="14" fill="currentColor" { (name.chars().take(18).collect::<String>()) }
                @for (n, (label, value, shade)) in [
                    ("in", line.eggs_in.value, "0.25"),
                    ("alive", alive, "0.5"),
                    ("fry", line.fry_out.map_or(0.0, |fry| fry.value), "0.75"),
                    ("stocked", line.stocked.get(), "1"),
                ].into_iter().enumerate() {
                    @let top = y + 13.0 * n as f64;
                    rect x=(LEFT) y=(format!("{top:.0}")) width=(format!("{:.1}", bar(value))) height="11" fill="currentColor" fill-opacity=(shade) {}
                    text x=(format!("{:.1}", LEFT + bar(value) + 4.0)) y=(format!("{:.0}", top + 10.0)) font-size="11" fill="currentColor" { (label) " " (words::grouped(value)) }
                }
            }
        }
    }
}

/// Lines of the daily means, one for each place.
pub(super) fn days(material: &Material<'_>) -> Markup {
    let (Some(first), Some(last)) =
        (material.days.iter().map(|d| d.day).min(), material.days.iter().map(|d| d.day).max())
    else {
        return html! {};
    };
    let span = last.days_since(first).max(1) as f64;
    let low = material.days.iter().map(|d| d.mean_c).fold(f64::INFINITY, f64::min).floor();
    let high = material.days.iter().map(|d| d.mean_c).fold(f64::NEG_INFINITY, f64::max).ceil().max(low + 1.0);
    let (top, bottom) = (12.0, 208.0);
    let x = |day: nightjar_calc::time::Day| 40.0 + day.days_since(first) as f64 / span * (WIDTH - 60.0);
    let y = |value: f64| bottom - (value - low) / (high - low) * (bottom - top);
    let mut places: BTreeMap<&str, String> = BTreeMap::new();
    for day in material.days {
        let path = places.entry(&day.place).or_default();
        path.push_str(if path.is_empty() { "M" } else { "L" });
        path.push_str(&format!("{:.1} {:.1}", x(day.day), y(day.mean_c)));
    }
    html! {
        svg.days viewBox=(format!("0 0 {WIDTH} 240")) role="img" aria-label="Daily mean temperatures; the numbers are in the table of daily temperatures" {
            @for value in [low, f64::midpoint(low, high), high] {
                path d=(format!("M40 {:.1}H{}", y(value), WIDTH - 20.0)) stroke="currentColor" stroke-opacity="0.25" fill="none" {}
                text x="0" y=(format!("{:.1}", y(value) + 4.0)) font-size="12" fill="currentColor" { (words::plain(value)) " °C" }
            }
            @for path in places.values() { path d=(path) stroke="currentColor" stroke-width="1.5" fill="none" {} }
            text x="40" y="230" font-size="12" fill="currentColor" { (first.date().to_string()) }
            text x=(WIDTH - 20.0) y="230" font-size="12" text-anchor="end" fill="currentColor" { (last.date().to_string()) }
        }
    }
}
