//! The way to hatch as a picture: thermal units as they grew, and from the present on the fan in
//! which eye-up and hatch are expected. Pure.
//!
//! What has been is counted back from the present sum by the readings shown, so that the line ends
//! where the number stands. How high a coming stage is drawn assumes water as in the last day; when
//! it comes, and between when, is what the outlook says.

use super::backend::Series;
use super::pen::Pen;
use super::words::{self, drawings};
use crate::snapshot::ProgressView;
use maud::{Markup, html};
use nightjar_calc::time::{Span, Timestamp, Zone};
use std::fmt::Write as _;

const WIDTH: f64 = 480.0;
const HEIGHT: f64 = 270.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 18.0;
const BOTTOM: f64 = 30.0;

/// One point of the sum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// When.
    pub at: Timestamp,
    /// Thermal units, °C·days.
    pub c_days: f64,
    /// True when no reading lies between this point and the one before it.
    pub after_gap: bool,
}

/// The sum back in time from its present value, oldest first, by the trapezoid rule over the
/// readings; water below 0 °C counts nothing. Begins at fertilization.
pub fn sum_back(series: &Series, fertilized: Timestamp, now: Timestamp, c_days: f64) -> Vec<Point> {
    let mut points = vec![Point { at: now, c_days, after_gap: false }];
    let (mut later, mut value, mut sum) = (now, None::<f64>, c_days);
    for bucket in series.buckets.iter().rev().filter(|b| b.last_at > fertilized && b.first_at <= now) {
        for (at, here) in [(bucket.last_at, bucket.last), (bucket.first_at, bucket.first)] {
            let at = at.min(later).max(fertilized);
            let mean = f64::midpoint(here.max(0.0), value.unwrap_or(here).max(0.0));
            sum = (sum - mean * later.since(at).days()).max(0.0);
            let gap = series.gaps.iter().any(|g| g.stretch.from < later && g.stretch.to > at);
            if let Some(last) = points.last_mut() {
                last.after_gap = gap;
            }
            points.push(Point { at, c_days: sum, after_gap: false });
            (later, value) = (at, Some(here));
        }
    }
    if later > fertilized {
        if let Some(last) = points.last_mut() {
            last.after_gap = true;
        }
        points.push(Point { at: fertilized, c_days: 0.0, after_gap: false });
    }
    points.reverse();
    points
}

/// Mean water of the last day of the readings, °C.
pub fn recent_c(series: &Series) -> Option<f64> {
    let end = series.buckets.last()?.last_at;
    let recent: Vec<f64> = series
        .buckets
        .iter()
        .filter(|b| end.since(b.first_at) <= Span::from_hours(24))
        .map(|b| f64::midpoint(b.first, b.last))
        .collect();
    Some(recent.iter().sum::<f64>() / recent.len() as f64)
}

struct Scale {
    from: Timestamp,
    days: f64,
    most: f64,
}

impl Scale {
    fn x(&self, at: Timestamp) -> f64 {
        LEFT + (at.since(self.from).days() / self.days).clamp(0.0, 1.0) * (WIDTH - LEFT - RIGHT)
    }
    fn y(&self, c_days: f64) -> f64 {
        HEIGHT - BOTTOM - (c_days / self.most).clamp(0.0, 1.0) * (HEIGHT - TOP - BOTTOM)
    }
}

/// A coming stage in the picture.
struct Ahead {
    name: &'static str,
    level: f64,
    earliest: Timestamp,
    likely: Timestamp,
    latest: Timestamp,
}

/// Draws it.
pub fn draw(progress: &ProgressView, series: &Series, now: Timestamp, zone: Zone) -> Markup {
    let water = recent_c(series).unwrap_or(0.0).max(0.0);
    let ahead: Vec<Ahead> = progress
        .stages
        .iter()
        .filter(|s| s.at.is_none())
        .filter_map(|s| {
            let likely = s.likely?;
            Some(Ahead {
                name: words::stage(s.stage),
                level: progress.c_days + water * likely.since(now).days().max(0.0),
                earliest: s.earliest.unwrap_or(likely),
                likely,
                latest: s.latest.unwrap_or(likely),
            })
        })
        .collect();
    let end = ahead.iter().map(|a| a.latest).max().unwrap_or(now).max(now);
    let most = ahead.iter().map(|a| a.level).fold(progress.c_days, f64::max).max(1.0) * 1.12;
    let from = progress.fertilized_at;
    let scale = Scale { from, days: end.since(from).days().max(0.5), most };
    let past = sum_back(series, from, now, progress.c_days);
    html! {
        svg.chart.fan viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) role="img" aria-label=(in_words(progress, &ahead, zone)) {
            (grid(&scale, zone, end))
            (fan(&scale, progress.c_days, now, &ahead))
            @for (dashed, path) in lines(&scale, &past) { path.line.dashed[dashed] d=(path) {} }
            @for stage in progress.stages.iter().filter(|s| s.at.is_some()) {
                @if let Some(at) = stage.at { (reached(&scale, &past, words::stage(stage.stage), at)) }
            }
            path.now d=(format!("M{0:.1} {TOP}V{1:.1}", scale.x(now), HEIGHT - BOTTOM)) {}
            text.now x=(format!("{:.1}", scale.x(now) - 4.0)) y=(format!("{:.1}", HEIGHT - BOTTOM - 6.0)) text-anchor="end" { (drawings::NOW) }
        }
    }
}

fn in_words(progress: &ProgressView, ahead: &[Ahead], zone: Zone) -> String {
    let mut text = drawings::fan::sum(progress.c_days);
    for stage in ahead {
        let between = words::range(zone, stage.earliest, stage.latest);
        text.push_str(&drawings::fan::stage(stage.name, &words::date(zone, stage.likely), &between));
    }
    text
}

fn grid(scale: &Scale, zone: Zone, end: Timestamp) -> Markup {
    let step =
        [10.0, 20.0, 50.0, 100.0, 200.0, 500.0].into_iter().find(|s| scale.most / s <= 6.0).unwrap_or(1000.0);
    let first = zone.day_of(scale.from);
    let days = zone.day_of(end).days_since(first);
    let every = (days / 4).max(1);
    html! {
        g.grid {
            text x="4" y="14" { "°C·d" }
            @for i in 0..12_i32 {
                @let value = step * f64::from(i);
                @if value <= scale.most {
                    line x1=(LEFT) x2=(WIDTH - RIGHT) y1=(format!("{:.1}", scale.y(value))) y2=(format!("{:.1}", scale.y(value))) {}
                    text x=(LEFT - 6.0) y=(format!("{:.1}", scale.y(value) + 4.0)) text-anchor="end" { (format!("{value:.0}")) }
                }
            }
            @for n in 0..=days / every {
                @let day = first.plus(n * every);
                @let at = day.start(zone).max(scale.from);
                text x=(format!("{:.1}", scale.x(at))) y=(format!("{:.1}", HEIGHT - 10.0)) text-anchor=(if n == 0 { "start" } else { "middle" }) { (words::short_date(day.date())) }
            }
        }
    }
}

/// The fan itself, then each stage with its interval.
fn fan(scale: &Scale, c_days: f64, now: Timestamp, ahead: &[Ahead]) -> Markup {
    let (x, y) = (scale.x(now), scale.y(c_days));
    let mut early = String::new();
    let mut late = String::new();
    for stage in ahead {
        let _written = write!(early, "L{:.1} {:.1}", scale.x(stage.earliest), scale.y(stage.level));
        late.insert_str(0, &format!("L{:.1} {:.1}", scale.x(stage.latest), scale.y(stage.level)));
    }
    let likely = ahead
        .iter()
        .fold(String::new(), |path, s| format!("{path}L{:.1} {:.1}", scale.x(s.likely), scale.y(s.level)));
    html! {
        @if !ahead.is_empty() {
            path.spread-fan d=(format!("M{x:.1} {y:.1}{early}{late}Z")) {}
            path.line.dashed d=(format!("M{x:.1} {y:.1}{likely}")) {}
            @for (i, stage) in ahead.iter().enumerate() {
                @let (a, b, level) = (scale.x(stage.earliest), scale.x(stage.latest), scale.y(stage.level));
                path.window d=(format!("M{a:.1} {level:.1}H{b:.1}M{a:.1} {0:.1}v8M{b:.1} {0:.1}v8", level - 4.0)) {}
                circle.likely cx=(format!("{:.1}", scale.x(stage.likely))) cy=(format!("{level:.1}")) r="4" {}
                // Names stand left of their interval, the last one above: none lies on another.
                @if i + 1 == ahead.len() {
                    text.band x=(format!("{:.1}", b)) y=(format!("{:.1}", level - 8.0)) text-anchor="end" { (stage.name) }
                } @else {
                    text.band x=(format!("{:.1}", a - 6.0)) y=(format!("{:.1}", level + 4.0)) text-anchor="end" { (stage.name) }
                }
            }
        }
    }
}

/// Runs of the line: true for those without readings. Points that could not be told apart are left out.
fn lines(scale: &Scale, points: &[Point]) -> Vec<(bool, String)> {
    let mut runs: Vec<(bool, Pen)> = Vec::new();
    let mut drawn = f64::NEG_INFINITY;
    for (i, pair) in points.windows(2).enumerate() {
        let dashed = pair[1].after_gap;
        let (x, y) = (scale.x(pair[1].at), scale.y(pair[1].c_days));
        let goes_on = points.get(i + 2).is_some_and(|next| next.after_gap == dashed);
        match runs.last_mut() {
            Some((kind, _)) if *kind == dashed && goes_on && x - drawn < 1.0 => continue,
            Some((kind, pen)) if *kind == dashed => pen.line(x, y),
            Some(_) | None => {
                let mut pen = Pen::default();
                pen.start(scale.x(pair[0].at), scale.y(pair[0].c_days));
                pen.line(x, y);
                runs.push((dashed, pen));
            }
        }
        drawn = x;
    }
    runs.into_iter().map(|(dashed, pen)| (dashed, pen.done())).collect()
}

fn reached(scale: &Scale, past: &[Point], name: &str, at: Timestamp) -> Markup {
    let sum = past.iter().rev().find(|p| p.at <= at).map_or(0.0, |p| p.c_days);
    let (x, y) = (scale.x(at), scale.y(sum));
    html! {
        circle.reached cx=(format!("{x:.1}")) cy=(format!("{y:.1}")) r="4" {}
        text.band x=(format!("{:.1}", x - 7.0)) y=(format!("{:.1}", y - 5.0)) text-anchor="end" { (name) }
    }
}

#[cfg(test)]
mod tests {
    use super::super::backend::{Bucket, Gap, Stretch};
    use super::*;

    fn bucket(at: Timestamp, value: f64) -> Bucket {
        Bucket {
            first_at: at,
            last_at: at + Span::from_minutes(59),
            first: value,
            last: value,
            min: value,
            max: value,
            doubtful: 0,
            samples: 60,
        }
    }

    /// By hand: 10 °C for five days is 50 °C·days, 10 a day.
    #[test]
    fn ten_degrees_for_five_days_count_back_to_nothing() {
        let now = Timestamp::parse("2026-04-25T00:00:00Z").unwrap();
        let from = now - Span::from_days(5.0);
        let buckets = (0..120).map(|h| bucket(from + Span::from_hours(h), 10.0)).collect();
        let series = Series { buckets, gaps: vec![] };
        let points = sum_back(&series, from, now, 50.0);
        assert!(points[0].c_days.abs() < 0.01, "{:?}", points[0]);
        let half = points.iter().find(|p| p.at >= from + Span::from_days(2.5)).unwrap();
        assert!((half.c_days - 25.0).abs() < 0.5, "{half:?}");
        assert!(points.windows(2).all(|w| w[0].at <= w[1].at && w[0].c_days <= w[1].c_days + 1e-9));
    }

    #[test]
    fn time_without_readings_is_marked() {
        let now = Timestamp::parse("2026-04-25T00:00:00Z").unwrap();
        let from = now - Span::from_days(2.0);
        let hole = Stretch { from: from + Span::from_hours(12), to: from + Span::from_hours(20) };
        let buckets =
            (0..48).filter(|h| !(12..20).contains(h)).map(|h| bucket(from + Span::from_hours(h), 8.0));
        let series = Series { buckets: buckets.collect(), gaps: vec![Gap { stretch: hole, bridged: true }] };
        let points = sum_back(&series, from, now, 16.0);
        assert!(points.iter().any(|p| p.after_gap));
        let scale = Scale { from, days: 2.0, most: 20.0 };
        assert!(lines(&scale, &points).iter().any(|(dashed, _)| *dashed));
    }

    #[test]
    fn eggs_before_the_first_reading_begin_at_nothing() {
        let now = Timestamp::parse("2026-04-25T00:00:00Z").unwrap();
        let from = now - Span::from_days(3.0);
        let points = sum_back(&Series::default(), from, now, 30.0);
        assert_eq!(points.len(), 2);
        assert!(points[0].c_days.abs() < 1e-9 && points[1].after_gap);
    }
}
