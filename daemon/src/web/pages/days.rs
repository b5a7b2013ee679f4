//! Coming days: when lots will be eyed and hatch, side by side, so that tank, truck and people can
//! be ready.

use crate::web::answer::{self, Coming};
use crate::web::components;
use crate::web::view::View;
use crate::web::words;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightjar_calc::time::{Day, Timestamp};

/// Days shown ahead, at most.
const AHEAD: i64 = 28;

/// The page.
pub async fn show(view: View) -> Response {
    let coming = answer::coming(view.rack(), &view.snap, true);
    let body = html! {
        h1 { "Coming days" }
        @if coming.is_empty() { p.quiet { "No dates yet: no jar holds eggs whose sum is known." } }
        @else {
            (calendar(&view, &coming))
            section aria-labelledby="h-list" { h2 #h-list { "One by one" } (agenda(&view, &coming)) }
            (care(&view))
        }
    };
    components::page(&view, "Coming days", &body).into_response()
}

/// Lots down, days across; a bar for each window with its likely day marked.
fn calendar(view: &View, coming: &[Coming]) -> Markup {
    let zone = view.zone();
    let today = zone.day_of(view.now.utc);
    let last =
        coming.iter().map(|c| zone.day_of(c.between.map_or(c.likely, |(_, b)| b))).max().unwrap_or(today);
    let days = (last.days_since(today) + 2).clamp(7, AHEAD);
    let mut lots: Vec<&str> = coming.iter().map(|c| c.lot.as_str()).collect();
    lots.sort_unstable();
    lots.dedup();
    let (left, width, row, head) = (4.0, 720.0, 60.0, 48.0);
    let day_width = (width - left) / days as f64;
    let start = today.start(zone);
    let x = |at: Timestamp| (left + at.since(start).days() * day_width).clamp(left, width);
    let height = head + row * lots.len() as f64;
    html! {
        svg.calendar viewBox=(format!("0 0 {width} {height}")) role="img" aria-label="Windows of the coming stages by lot; the same is listed below" {
            @for i in 0..days {
                @let day = today.plus(i);
                @let at = left + i as f64 * day_width;
                rect.day.rest[is_weekend(day)] x=(format!("{at:.1}")) y="0" width=(format!("{day_width:.1}")) height=(height) {}
                @if day_width > 30.0 || i % 2 == 0 {
                    text x=(format!("{:.1}", at + day_width / 2.0)) y="19" text-anchor="middle" { (day.date().format("%a")) }
                    text x=(format!("{:.1}", at + day_width / 2.0)) y="40" text-anchor="middle" { (day.date().format("%-d")) }
                }
            }
            @for (i, lot) in lots.iter().enumerate() {
                @let y = head + row * i as f64;
                path.rule d=(format!("M{left} {y:.1}H{width}")) {}
                text.lot x=(left + 4.0) y=(format!("{:.1}", y + 18.0)) { (lot) }
                @for item in coming.iter().filter(|c| c.lot == *lot) {
                    @let (a, b) = item.between.unwrap_or((item.likely, item.likely));
                    @let lane = y + if item.stage == "hatch_peak" { 40.0 } else { 24.0 };
                    rect.(format!("win {}", item.stage)) x=(format!("{:.1}", x(a))) y=(format!("{lane:.1}")) width=(format!("{:.1}", (x(b) - x(a)).max(4.0))) height="12" rx="3" {
                        title { (item_words(view, item)) }
                    }
                    path.likely d=(format!("M{:.1} {:.1}v16", x(item.likely), lane - 2.0)) {}
                }
            }
            @let now = x(view.now.utc);
            path.now d=(format!("M{now:.1} {head}V{height}")) {}
        }
        p.legend {
            span.key.eyed {} "eye-up " span.key.hatch_start {} "first hatch " span.key.hatch_peak {} "peak hatch " span.key.hatch_end {} "end of hatch. The upright line in a bar is the likely moment."
        }
    }
}

fn is_weekend(day: Day) -> bool {
    use chrono::Datelike;
    matches!(day.date().weekday(), chrono::Weekday::Sat | chrono::Weekday::Sun)
}

fn item_words(view: &View, item: &Coming) -> String {
    let range =
        item.between.map_or_else(String::new, |(a, b)| format!(", {}", words::range(view.zone(), a, b)));
    format!(
        "{} of lot {}: {}{range}",
        words::stage(item.stage),
        item.lot,
        words::date(view.zone(), item.likely)
    )
}

fn agenda(view: &View, coming: &[Coming]) -> Markup {
    html! {
        ol.agenda {
            @for item in coming {
                li {
                    p.line {
                        b { (words::day(view.zone(), view.now.utc, item.likely)) } " " (view.ago(item.likely)) " – "
                        (words::stage(item.stage)) " of lot " span.nb { (item.lot) }
                    }
                    p.quiet {
                        @if let Some((a, b)) = item.between { "interval " (words::range(view.zone(), a, b)) " · " }
                        "jars " @for (i, jar) in item.jars.iter().enumerate() { @if i > 0 { ", " } a href=(format!("/jar/{jar}")) { (jar) } }
                    }
                    @if let Some(hint) = what_to_have(item.stage) { p { (hint) } }
                }
            }
        }
    }
}

fn what_to_have(stage: &str) -> Option<&'static str> {
    match stage {
        "eyed" => Some("Take an eye-up sample; look at the plan for treatments."),
        "hatch_start" => Some("Tank, screens and overflow ready. No more treatments from here."),
        "hatch_peak" => Some("Truck, people and the receiving water ready."),
        _ => None,
    }
}

fn care(view: &View) -> Markup {
    let low =
        view.snap.jars.iter().filter_map(|j| j.progress.as_ref()).filter(|p| p.confidence == "low").count();
    html! {
        @if low > 0 { p.caution { "Dates of low confidence in " (words::count(low, "jar")) ": little is published for the species, or little was measured. Look at the eggs." } }
        p.small { "Moving and stocking fish needs the permits and health checks of the place." }
    }
}
