//! The calendar: lots down, days across, and under them what each day needs.

use super::Lot;
use crate::web::view::View;
use crate::web::words::{self, days::calendar as said};
use maud::{Markup, html};
use nightjar_calc::plan::{DayNeeds, Habits, LotDates, Resource, calendar};
use nightjar_calc::time::{Day, Timestamp};

/// Days shown ahead on a wide screen, at most.
const AHEAD: i64 = 28;
/// Days shown on a phone.
const AHEAD_PHONE: i64 = 10;
/// As `said::RESOURCES` names them.
const RESOURCES: [Resource; 3] = [Resource::People, Resource::Tank, Resource::Truck];

/// What one width of screen needs.
struct Frame {
    class: &'static str,
    days: i64,
    width: f64,
    /// Height of a lot.
    row: f64,
    head: f64,
    /// Height of a row of needs.
    need: f64,
    left: f64,
}

fn booked(view: &View, lots: &[Lot]) -> Vec<DayNeeds> {
    let dates: Vec<LotDates> = lots.iter().filter_map(|l| l.dates.clone()).collect();
    let today = view.zone().day_of(view.now.utc);
    let mut days = calendar(&dates, view.zone(), &Habits::default());
    days.retain(|d| d.day >= today);
    days
}

/// Both widths; the stylesheet shows the one that fits.
pub fn draw(view: &View, lots: &[Lot]) -> Markup {
    let zone = view.zone();
    let today = zone.day_of(view.now.utc);
    let needs = booked(view, lots);
    let last = lots
        .iter()
        .flat_map(|l| &l.coming)
        .map(|c| zone.day_of(c.between.map_or(c.likely, |(_, b)| b)))
        .chain(needs.last().map(|d| d.day))
        .max()
        .unwrap_or(today);
    let days = (last.days_since(today) + 1).clamp(7, AHEAD);
    let wide =
        Frame { class: "wide-only", days, width: 960.0, row: 58.0, head: 46.0, need: 28.0, left: 84.0 };
    let phone = Frame {
        class: "phone-only",
        days: days.min(AHEAD_PHONE),
        width: 360.0,
        row: 58.0,
        head: 42.0,
        need: 28.0,
        left: 72.0,
    };
    html! {
        (one(view, lots, &needs, &wide))
        (one(view, lots, &needs, &phone))
        p.legend {
            @for stage in ["eyed", "hatch_start", "hatch_peak", "hatch_end"] {
                span.nb { span.key.(stage) {} " " (words::stage(stage)) } " "
            }
            span.nb { span.key.treat {} " " (said::LAST_DAY) }
        }
        p.small { (said::READ) }
    }
}

fn one(view: &View, lots: &[Lot], needs: &[DayNeeds], frame: &Frame) -> Markup {
    let zone = view.zone();
    let today = zone.day_of(view.now.utc);
    let day_width = (frame.width - frame.left) / frame.days as f64;
    let start = today.start(zone);
    let x = |at: Timestamp| (frame.left + at.since(start).days() * day_width).clamp(frame.left, frame.width);
    let below = frame.head + frame.row * lots.len() as f64;
    let height = below + frame.need * RESOURCES.len() as f64 + 4.0;
    html! {
        svg.calendar.(frame.class) viewBox=(format!("0 0 {} {height}", frame.width)) role="img" aria-label=(said::TITLE) {
            @for i in 0..frame.days { (day_column(today.plus(i), frame.left + i as f64 * day_width, day_width, height)) }
            @for (i, lot) in lots.iter().enumerate() {
                @let y = frame.head + frame.row * i as f64;
                path.rule d=(format!("M0 {y:.1}H{}", frame.width)) {}
                text.lot x="4" y=(format!("{:.1}", y + 16.0)) { (lot.name) }
                @for item in &lot.coming { (bar(view, item, &x, y)) }
                @if let Some(last) = lot.last_treatment().filter(|t| *t >= view.now.utc && x(*t) < frame.width) {
                    path.treat d=(format!("M{:.1} {:.1}v26m-5 -26h10", x(last), y + 24.0)) { title { (said::last_day(&lot.name)) } }
                }
            }
            @for (i, (resource, name)) in RESOURCES.iter().zip(said::RESOURCES).enumerate() {
                @let y = below + frame.need * i as f64;
                path.rule d=(format!("M0 {y:.1}H{}", frame.width)) {}
                text x="4" y=(format!("{:.1}", y + 19.0)) { (name) }
                @for day in needs.iter().filter(|d| d.day.days_since(today) < frame.days) {
                    @let at = frame.left + (day.day.days_since(today) as f64 + 0.5) * day_width;
                    (need(day, *resource, at, y + 19.0))
                }
            }
            @let now = x(view.now.utc);
            path.now d=(format!("M{now:.1} {}V{below}", frame.head)) {}
        }
    }
}

fn day_column(day: Day, at: f64, width: f64, height: f64) -> Markup {
    use chrono::Datelike;
    let rest = matches!(day.date().weekday(), chrono::Weekday::Sat | chrono::Weekday::Sun);
    let letters = if width > 34.0 { 3 } else { 2 };
    html! {
        rect.day.rest[rest] x=(format!("{at:.1}")) y="0" width=(format!("{width:.1}")) height=(height) {}
        text x=(format!("{:.1}", at + width / 2.0)) y="17" text-anchor="middle" { (words::weekday(day.date()).chars().take(letters).collect::<String>()) }
        text x=(format!("{:.1}", at + width / 2.0)) y="36" text-anchor="middle" { (day.date().format("%-d")) }
    }
}

fn bar(view: &View, item: &crate::web::answer::Coming, x: &dyn Fn(Timestamp) -> f64, y: f64) -> Markup {
    let (a, b) = item.between.unwrap_or((item.likely, item.likely));
    let lane = y + if item.stage == "hatch_peak" { 39.0 } else { 23.0 };
    html! {
        rect.(format!("win {}", item.stage)) x=(format!("{:.1}", x(a))) y=(format!("{lane:.1}")) width=(format!("{:.1}", (x(b) - x(a)).max(4.0))) height="12" rx="3" {
            title { (said::bar(words::stage(item.stage), &item.lot, &words::date(view.zone(), item.likely), &words::range(view.zone(), a, b))) }
        }
        path.likely d=(format!("M{:.1} {:.1}v16", x(item.likely), lane - 2.0)) {}
    }
}

fn need(day: &DayNeeds, resource: Resource, x: f64, y: f64) -> Markup {
    let likely = day.likely_lots(resource);
    let all = day.bookings.iter().filter(|b| b.resource == resource).count();
    html! {
        @if likely > 0 { text.need x=(format!("{x:.1}")) y=(format!("{y:.1}")) text-anchor="middle" { (likely) } }
        @else if all > 0 { text.need.maybe x=(format!("{x:.1}")) y=(format!("{y:.1}")) text-anchor="middle" { "(" (all) ")" } }
    }
}

/// The same as a table.
pub fn needs(view: &View, lots: &[Lot]) -> Markup {
    let days = booked(view, lots);
    let cell = |day: &DayNeeds, resource: Resource| {
        let names = |likely: bool| {
            let lots: Vec<&str> = day
                .bookings
                .iter()
                .filter(|b| b.resource == resource && b.likely == likely)
                .map(|b| b.lot.as_str())
                .collect();
            lots.join(", ")
        };
        let (sure, maybe) = (names(true), names(false));
        html! {
            @if sure.is_empty() && maybe.is_empty() { span.quiet { "–" } }
            (sure)
            @if !maybe.is_empty() { span.quiet { @if !sure.is_empty() { " " } "(" (maybe) ")" } }
        }
    };
    html! {
        @if days.is_empty() { p.quiet { (said::NO_NEEDS) } }
        @else {
            details.needs-list { summary { (said::NEEDS) }
            table.needs {
                thead { tr { th scope="col" { (said::DAY) } @for name in said::RESOURCES { th scope="col" { (name) } } } }
                tbody {
                    @for day in days.iter().take(21) {
                        tr {
                            th scope="row" { (words::day(view.zone(), view.now.utc, day.day.start(view.zone()))) }
                            @for resource in RESOURCES { td { (cell(day, resource)) } }
                        }
                    }
                }
            }
            p.small { (said::RULES) }
            }
        }
    }
}
