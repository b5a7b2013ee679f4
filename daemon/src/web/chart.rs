//! Line charts as SVG: pure, from reduced series to markup.
//!
//! Minimum and maximum of each slice are drawn, so that a spike stays a spike; gaps are gaps;
//! bridged stretches are hatched and say so; limits are lines with their words. Nothing is told
//! by colour alone. The time axis is in local time and knows days of 23 and 25 hours.

use super::backend::{Series, Stretch};
use super::pen::Pen;
use super::words::{self, drawings};
use maud::{Markup, html};
use nightjar_calc::time::{Timestamp, Zone};

/// What to draw.
pub struct Chart<'a> {
    /// Unique on the page; used to tie title and description to the picture.
    pub id: &'a str,
    /// Heading for those who listen to the page.
    pub title: String,
    /// What the chart shows, in a sentence.
    pub description: String,
    /// Unit of the values.
    pub unit: &'a str,
    /// Time shown.
    pub span: Stretch,
    /// Local time.
    pub zone: Zone,
    /// The line.
    pub series: &'a Series,
    /// From inside to shown values.
    pub convert: &'a dyn Fn(f64) -> f64,
    /// Limits as lines.
    pub limits: Vec<Limit>,
    /// Stages as bands along the bottom.
    pub bands: Vec<Band>,
    /// Smallest height of the value axis in shown units, so that noise does not look like drama.
    pub least_range: f64,
    /// Moments worth a mark: entries, alarms.
    pub marks: Vec<Mark>,
}

/// A limit.
pub struct Limit {
    /// Where, before conversion.
    pub value: f64,
    /// Its name.
    pub label: &'static str,
    /// True for the outer ones.
    pub outer: bool,
}

/// A stretch with a name.
pub struct Band {
    /// When.
    pub stretch: Stretch,
    /// Its name.
    pub label: String,
}

/// A moment with a name.
pub struct Mark {
    /// When.
    pub at: Timestamp,
    /// Its name.
    pub label: String,
}

const WIDTH: f64 = 480.0;
const HEIGHT: f64 = 270.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 20.0;
const BOTTOM: f64 = 44.0;
/// Samples further apart than three slices are not joined even when no gap is named.
const SLICES_JOINED: i64 = 3;
/// Most slices a chart of this width can show.
pub const SLICES: usize = 220;

struct Scale {
    from_ms: f64,
    ms: f64,
    low: f64,
    high: f64,
}

impl Scale {
    fn x(&self, at: Timestamp) -> f64 {
        let share = (at.ms() as f64 - self.from_ms) / self.ms;
        LEFT + share.clamp(0.0, 1.0) * (WIDTH - LEFT - RIGHT)
    }
    fn y(&self, value: f64) -> f64 {
        let share = (value - self.low) / (self.high - self.low);
        HEIGHT - BOTTOM - share.clamp(0.0, 1.0) * (HEIGHT - TOP - BOTTOM)
    }
}

impl Chart<'_> {
    /// Draws it.
    pub fn draw(&self) -> Markup {
        let scale = self.scale();
        let (title, description) = (format!("{}-t", self.id), format!("{}-d", self.id));
        html! {
            svg.chart viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) role="img" aria-labelledby=(format!("{title} {description}"))
                data-from=(self.span.from.ms()) data-to=(self.span.to.ms()) data-low=(format!("{:.3}", scale.low)) data-high=(format!("{:.3}", scale.high)) data-unit=(self.unit) data-zone=(self.zone)
                data-plot=(format!("{LEFT} {} {TOP} {} {WIDTH}", WIDTH - RIGHT, HEIGHT - BOTTOM)) {
                title id=(title) { (self.title) }
                desc id=(description) { (self.description) }
                (self.grid(&scale))
                (self.bands(&scale))
                (self.gaps(&scale))
                @if self.series.buckets.is_empty() {
                    text.empty x=(tidy(WIDTH / 2.0)) y=(tidy(HEIGHT / 2.0)) text-anchor="middle" { (drawings::NO_READINGS) }
                } @else {
                    path.spread d=(self.spread(&scale)) {}
                    path.line d=(self.line(&scale)) {}
                    (self.doubts(&scale))
                }
                (self.limits(&scale))
                (self.marks(&scale))
            }
        }
    }

    fn scale(&self) -> Scale {
        let convert = self.convert;
        let mut low = f64::INFINITY;
        let mut high = f64::NEG_INFINITY;
        for bucket in &self.series.buckets {
            low = low.min(convert(bucket.min));
            high = high.max(convert(bucket.max));
        }
        if !(low.is_finite() && high.is_finite()) {
            (low, high) = (0.0, self.least_range);
        }
        let (data_low, data_high) = (low, high);
        // Limits are shown when they are near what happened; a far one would flatten the line.
        let reach = (data_high - data_low).max(self.least_range);
        for limit in &self.limits {
            let at = convert(limit.value);
            if at >= data_low - reach && at <= data_high + reach {
                low = low.min(at);
                high = high.max(at);
            }
        }
        let missing = self.least_range - (high - low);
        if missing > 0.0 {
            low -= missing / 2.0;
            high += missing / 2.0;
        }
        let room = (high - low) * 0.06;
        let not_below = if data_low >= 0.0 { 0.0_f64.min(low) } else { f64::NEG_INFINITY };
        Scale {
            from_ms: self.span.from.ms() as f64,
            ms: (self.span.to.since(self.span.from).ms() as f64).max(1.0),
            low: (low - room).max(not_below),
            high: high + room,
        }
    }

    fn grid(&self, scale: &Scale) -> Markup {
        let step = nice_step((scale.high - scale.low) / 4.0);
        let first = (scale.low / step).ceil() * step;
        let values: Vec<f64> =
            (0..12).map(|i| first + f64::from(i) * step).take_while(|v| *v <= scale.high).collect();
        let decimals = if step < 0.1 { 2 } else { usize::from(step < 1.0) };
        let ticks = time_ticks(self.zone, self.span);
        html! {
            g.grid {
                @for value in &values {
                    line x1=(tidy(LEFT)) x2=(tidy(WIDTH - RIGHT)) y1=(tidy(scale.y(*value))) y2=(tidy(scale.y(*value))) {}
                    text x=(tidy(LEFT - 6.0)) y=(tidy(scale.y(*value) + 4.0)) text-anchor="end" { (format!("{value:.decimals$}")) }
                }
                text x="4" y="13" { (self.unit) }
                @for tick in &ticks {
                    line.tick x1=(tidy(scale.x(tick.at))) x2=(tidy(scale.x(tick.at))) y1=(tidy(TOP)) y2=(tidy(HEIGHT - BOTTOM + 4.0)) {}
                    @let x = scale.x(tick.at);
                    // The last label would run out of the drawing.
                    text x=(tidy(x.min(WIDTH - 2.0))) y=(tidy(HEIGHT - BOTTOM + 18.0)) text-anchor=(if x > WIDTH - 30.0 { "end" } else { "middle" }) { (tick.label) }
                }
            }
        }
    }

    fn bands(&self, scale: &Scale) -> Markup {
        let y = HEIGHT - 20.0;
        html! {
            @for (i, band) in self.bands.iter().enumerate() {
                @let (a, b) = (scale.x(band.stretch.from), scale.x(band.stretch.to));
                @if b - a > 1.0 {
                    rect.band.odd[i % 2 == 1] x=(tidy(a)) y=(tidy(y)) width=(tidy(b - a)) height="18" {}
                    @if b - a > 7.0 * band.label.len() as f64 {
                        text.band x=(tidy((a + b) / 2.0)) y=(tidy(y + 13.0)) text-anchor="middle" { (band.label) }
                    }
                }
            }
        }
    }

    fn gaps(&self, scale: &Scale) -> Markup {
        html! {
            @for gap in &self.series.gaps {
                @let (a, b) = (scale.x(gap.stretch.from), scale.x(gap.stretch.to));
                @if b - a > 0.8 {
                    rect.gap.bridged[gap.bridged] x=(tidy(a)) y=(tidy(TOP)) width=(tidy(b - a)) height=(tidy(HEIGHT - TOP - BOTTOM)) {
                        title { (if gap.bridged { drawings::BRIDGED } else { drawings::NOT_COUNTED }) }
                    }
                    @if b - a > 60.0 {
                        text.gap x=(tidy((a + b) / 2.0)) y=(tidy(TOP + 14.0)) text-anchor="middle" {
                            (if gap.bridged { drawings::BRIDGED } else { drawings::NO_DATA })
                        }
                    }
                }
            }
        }
    }

    /// Runs of buckets without a gap between them.
    fn runs(&self) -> Vec<&[super::backend::Bucket]> {
        let slice = self.span.to.since(self.span.from).ms() / i64::try_from(SLICES).unwrap_or(1).max(1);
        let far = slice.saturating_mul(SLICES_JOINED).max(60_000);
        self.series
            .buckets
            .chunk_by(|a, b| {
                let apart = b.first_at.since(a.last_at).ms();
                let named = self
                    .series
                    .gaps
                    .iter()
                    .any(|gap| gap.stretch.from >= a.last_at && gap.stretch.to <= b.first_at);
                apart <= far && !named
            })
            .collect()
    }

    fn line(&self, scale: &Scale) -> String {
        let mut pen = Pen::default();
        for run in self.runs() {
            for (i, bucket) in run.iter().enumerate() {
                let (x1, y1) = (scale.x(bucket.first_at), scale.y((self.convert)(bucket.first)));
                let (x2, y2) = (scale.x(bucket.last_at), scale.y((self.convert)(bucket.last)));
                if i == 0 {
                    pen.start(x1, y1);
                } else {
                    pen.line(x1, y1);
                }
                // A narrow slice needs no second point: its spread is drawn beside.
                if x2 - x1 > 4.0 || run.len() == 1 {
                    pen.line(x2.max(x1 + 0.6), y2);
                }
            }
        }
        pen.done()
    }

    /// One stroke per slice from minimum to maximum, where they differ visibly.
    fn spread(&self, scale: &Scale) -> String {
        let mut pen = Pen::default();
        for bucket in &self.series.buckets {
            let (low, high) = (scale.y((self.convert)(bucket.min)), scale.y((self.convert)(bucket.max)));
            if low - high > 0.8 {
                pen.start(f64::midpoint(scale.x(bucket.first_at), scale.x(bucket.last_at)), low);
                pen.upright(high);
            }
        }
        pen.done()
    }

    fn doubts(&self, scale: &Scale) -> Markup {
        let mut pen = Pen::default();
        for bucket in self.series.buckets.iter().filter(|b| b.doubtful > 0) {
            let x = f64::midpoint(scale.x(bucket.first_at), scale.x(bucket.last_at));
            pen.start(x, HEIGHT - BOTTOM - 5.0);
            pen.upright(HEIGHT - BOTTOM);
        }
        let path = pen.done();
        html! { @if !path.is_empty() { path.doubt d=(path) { title { (drawings::IN_DOUBT) } } } }
    }

    fn limits(&self, scale: &Scale) -> Markup {
        html! {
            @for limit in &self.limits {
                @let value = (self.convert)(limit.value);
                @if value >= scale.low && value <= scale.high {
                    @let y = scale.y(value);
                    line.limit.outer[limit.outer] x1=(tidy(LEFT)) x2=(tidy(WIDTH - RIGHT)) y1=(tidy(y)) y2=(tidy(y)) {}
                    text.limit x=(tidy(WIDTH - RIGHT - 4.0)) y=(tidy(if y < TOP + 14.0 { y + 13.0 } else { y - 4.0 })) text-anchor="end" {
                        (limit.label) " " (words::plain((value * 10.0).round() / 10.0))
                    }
                }
            }
        }
    }

    fn marks(&self, scale: &Scale) -> Markup {
        html! {
            @for mark in self.marks.iter().filter(|m| m.at >= self.span.from && m.at <= self.span.to) {
                @let x = scale.x(mark.at);
                path.mark d=(format!("M{x:.1} {:.1}l4 -7h-8z", TOP + 7.0)) { title { (mark.label) } }
            }
        }
    }
}

struct Tick {
    at: Timestamp,
    label: String,
}

/// Local midnights, or full hours when the span is short; at most about seven.
fn time_ticks(zone: Zone, span: Stretch) -> Vec<Tick> {
    let length = span.to.since(span.from);
    let (first_day, last_day) = (zone.day_of(span.from), zone.day_of(span.to));
    let days = last_day.days_since(first_day);
    let mut ticks = Vec::new();
    if length.days() > 2.5 {
        let step = (days / 5).max(1);
        let mut day = first_day;
        while day <= last_day {
            ticks.push(Tick { at: day.start(zone), label: words::short_date(day.date()) });
            day = day.plus(step);
        }
    } else {
        let step: i64 = if length.hours() > 30.0 {
            12
        } else if length.hours() > 13.0 {
            6
        } else {
            2
        };
        for offset in 0..=days {
            let day = first_day.plus(offset);
            for hour in (0..24).step_by(usize::try_from(step).unwrap_or(6)) {
                let Some(local) = day.date().and_hms_opt(hour, 0, 0) else { continue };
                let at = zone.instant_or_next(local);
                let label =
                    if hour == 0 { words::short_date(day.date()) } else { local.format("%H:%M").to_string() };
                ticks.push(Tick { at, label });
            }
        }
    }
    ticks.retain(|tick| tick.at >= span.from && tick.at <= span.to);
    ticks
}

/// 1, 2 or 5 times a power of ten, at least `least`.
fn nice_step(least: f64) -> f64 {
    let power = 10_f64.powf(least.max(1e-6).log10().floor());
    let factor = [1.0, 2.0, 5.0, 10.0].into_iter().find(|f| f * power >= least * 0.999_999);
    factor.unwrap_or(10.0) * power
}

fn tidy(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map(str::to_owned).unwrap_or(text)
}

#[cfg(test)]
mod tests {
    use super::super::backend::{Bucket, Gap};
    use super::super::pen::tests::places;
    use super::*;
    use nightjar_calc::time::Span;

    fn at(text: &str) -> Timestamp {
        Timestamp::parse(text).unwrap()
    }
    fn chicago() -> Zone {
        Zone::named("America/Chicago").unwrap()
    }
    fn flat(at: Timestamp, value: f64) -> Bucket {
        Bucket {
            first_at: at,
            last_at: at + Span::from_minutes(5),
            first: value,
            last: value,
            min: value,
            max: value,
            doubtful: 0,
            samples: 30,
        }
    }
    fn chart<'a>(series: &'a Series, span: Stretch, convert: &'a dyn Fn(f64) -> f64) -> Chart<'a> {
        Chart {
            id: "t",
            title: "Temperature of jar <b>".into(),
            description: "two hours".into(),
            unit: "°C",
            span,
            zone: chicago(),
            series,
            convert,
            limits: vec![Limit { value: 13.0, label: "high", outer: false }],
            bands: vec![Band { stretch: span, label: "green".into() }],
            least_range: 2.0,
            marks: vec![Mark { at: span.from + Span::from_minutes(30), label: "siphon".into() }],
        }
    }
    fn two_hours() -> Stretch {
        Stretch { from: at("2026-04-25T02:00:00-05:00"), to: at("2026-04-25T04:00:00-05:00") }
    }

    #[test]
    fn a_chart_with_a_spike_a_gap_and_a_limit() {
        let span = two_hours();
        let mut series = Series::default();
        for minute in (0..120).step_by(6).filter(|m| !(42..84).contains(m)) {
            let mut bucket = flat(span.from + Span::from_minutes(minute), 11.0 + minute as f64 / 120.0);
            if minute == 30 {
                bucket.max = 14.5;
                bucket.doubtful = 1;
            }
            series.buckets.push(bucket);
        }
        series.gaps.push(Gap {
            stretch: Stretch {
                from: span.from + Span::from_minutes(41),
                to: span.from + Span::from_minutes(84),
            },
            bridged: true,
        });
        let drawn = chart(&series, span, &|v| v).draw().into_string();
        // 41 to 84 minutes of 120 on a plot from 46 to 468: 46 + 422 · 41/120 and 422 · 43/120.
        assert!(drawn.contains("class=\"gap bridged\" x=\"190.2\""), "{drawn}");
        assert!(drawn.contains("width=\"151.2\""), "{drawn}");
        for part in [
            ">bridged<",
            ">high 13<",
            ">green<",
            "<title>siphon</title>",
            "readings in doubt",
            "class=\"limit\"",
        ] {
            assert!(drawn.contains(part), "{part} not in {drawn}");
        }
    }

    #[test]
    fn a_spike_inside_a_slice_stays_visible() {
        let span = two_hours();
        let mut spiky = flat(span.from, 11.0);
        spiky.max = 15.0;
        let series =
            Series { buckets: vec![spiky, flat(span.from + Span::from_minutes(6), 11.0)], gaps: vec![] };
        let convert = |v| v;
        let chart = chart(&series, span, &convert);
        let path = chart.spread(&chart.scale());
        let high = chart.scale().y(15.0);
        assert!(places(&path).iter().any(|(_, y)| (y - high).abs() < 0.1), "{path}");
    }

    #[test]
    fn a_line_is_not_drawn_across_a_gap() {
        let span = two_hours();
        let series = Series {
            buckets: vec![flat(span.from, 11.0), flat(span.from + Span::from_minutes(90), 11.0)],
            gaps: vec![],
        };
        let convert = |v| v;
        let chart = chart(&series, span, &convert);
        assert_eq!(chart.line(&chart.scale()).matches(['M', 'm']).count(), 2);
    }

    #[test]
    fn no_reading_is_said_and_never_drawn_as_zero() {
        let series = Series::default();
        let drawn = chart(&series, two_hours(), &|v| v).draw().into_string();
        assert!(drawn.contains("no readings in this time"));
        assert!(!drawn.contains("class=\"line\""));
    }

    #[test]
    fn names_are_escaped() {
        let series = Series::default();
        assert!(chart(&series, two_hours(), &|v| v).draw().into_string().contains("jar &lt;b&gt;"));
    }

    /// United States: clocks go forward on 8 March 2026 and back on 1 November 2026 (second
    /// Sunday of March, first Sunday of November; Energy Policy Act of 2005).
    #[test]
    fn ticks_are_local_midnights_on_days_of_23_and_25_hours() {
        for (from, to, hours) in [
            ("2026-03-07T00:00:00-06:00", "2026-03-10T00:00:00-05:00", [24, 23, 24]),
            ("2026-10-31T00:00:00-05:00", "2026-11-03T00:00:00-06:00", [24, 25, 24]),
        ] {
            let ticks = time_ticks(chicago(), Stretch { from: at(from), to: at(to) });
            let apart: Vec<i64> = ticks.windows(2).map(|w| w[1].at.since(w[0].at).ms() / 3_600_000).collect();
            assert_eq!(apart, hours, "{from}");
            assert!(ticks.iter().all(|t| chicago().local(t.at).format("%H:%M").to_string() == "00:00"));
        }
    }

    #[test]
    fn a_season_has_few_ticks_and_steps_are_round() {
        let span = Stretch { from: at("2026-04-01T00:00:00Z"), to: at("2026-06-01T00:00:00Z") };
        let ticks = time_ticks(chicago(), span);
        assert!((4..=7).contains(&ticks.len()), "{}", ticks.len());
        for (least, step) in [(0.3, 0.5), (1.0, 1.0), (1.1, 2.0), (6.0, 10.0), (0.02, 0.02)] {
            assert!((nice_step(least) - step).abs() < 1e-9, "{least}");
        }
    }
}
