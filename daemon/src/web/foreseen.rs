//! What was foreseen for a jar day by day, against what happened, as a picture: to the right the day an
//! outlook was issued, upward the day it named. Pure.
//!
//! A good season looks like level rows whose bars grow short and hold the line of what happened.

use super::pen::Pen;
use super::words::{self, drawings};
use crate::progress::followed::{Followed, Foreseen, Happened};
use maud::{Markup, html};
use nightjar_calc::time::{Day, Span, Timestamp, Zone};

const WIDTH: f64 = 480.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 60.0;
const RIGHT: f64 = 112.0;
const TOP: f64 = 16.0;
const BOTTOM: f64 = 30.0;
/// Outlooks a picture needs: one is no row.
const LEAST: usize = 2;
/// Space between the words of two stages.
const LINE: f64 = 15.0;

struct Scale {
    issued: (Timestamp, f64),
    named: (Timestamp, f64),
}

impl Scale {
    fn x(&self, at: Timestamp) -> f64 {
        LEFT + (at.since(self.issued.0).days() / self.issued.1).clamp(0.0, 1.0) * (WIDTH - LEFT - RIGHT)
    }
    fn y(&self, at: Timestamp) -> f64 {
        let share = (at.since(self.named.0).days() / self.named.1).clamp(0.0, 1.0);
        HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)
    }
}

/// One stage through all outlooks.
struct Row<'a> {
    stage: &'a str,
    said: Vec<(Timestamp, &'a Foreseen)>,
    came: Option<Happened>,
}

/// The picture; nothing while there are fewer than two outlooks.
pub fn draw(followed: &Followed, zone: Zone) -> Option<Markup> {
    let (first, last) = (followed.outlooks.first()?.at, followed.outlooks.last()?.at);
    let rows = rows(followed);
    if followed.outlooks.len() < LEAST || rows.is_empty() {
        return None;
    }
    let named = || {
        rows.iter().flat_map(|row| {
            let said = row.said.iter().flat_map(|(_, f)| [f.earliest, Some(f.likely), f.latest]);
            said.flatten().chain(row.came.map(|h| h.at))
        })
    };
    let low = named().min()?;
    let days = named().max()?.since(low).days().max(1.0);
    let scale = Scale {
        issued: (first, last.since(first).days().max(1.0)),
        named: (low - Span::from_days(days * 0.04), days * 1.08),
    };
    Some(html! {
        svg.chart.foreseen viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) role="img" aria-label=(in_words(&rows, zone)) {
            (grid(&scale, zone))
            @for (row, y) in rows.iter().zip(places(&scale, &rows)) { (stage(&scale, row, y)) }
        }
    })
}

fn rows(followed: &Followed) -> Vec<Row<'_>> {
    let mut rows: Vec<Row<'_>> = Vec::new();
    for issued in &followed.outlooks {
        for foreseen in &issued.stages {
            let at = rows.iter().position(|row| row.stage == foreseen.stage).unwrap_or_else(|| {
                let came = followed.happened.get(&foreseen.stage).copied();
                rows.push(Row { stage: &foreseen.stage, said: Vec::new(), came });
                rows.len() - 1
            });
            rows[at].said.push((issued.at, foreseen));
        }
    }
    rows
}

fn in_words(rows: &[Row<'_>], zone: Zone) -> String {
    let mut text = String::from(drawings::foreseen::TITLE);
    for row in rows {
        let (Some((first, early)), Some((last, late))) = (row.said.first(), row.said.last()) else {
            continue;
        };
        let day = |at: Timestamp| words::date(zone, at);
        let (early, first) = (day(early.likely), day(*first));
        let (late, last) = (day(late.likely), day(*last));
        let stage = words::stage(row.stage);
        text.push_str(&drawings::foreseen::stage(stage, [&early, &first], [&late, &last]));
        if let Some(came) = row.came {
            text.push_str(&drawings::foreseen::came(&day(came.at)));
        }
    }
    text
}

/// Heights of the names, beside their rows and never on each other.
fn places(scale: &Scale, rows: &[Row<'_>]) -> Vec<f64> {
    let mut last = f64::INFINITY;
    rows.iter()
        .map(|row| {
            let wanted = row.came.map(|h| h.at).or(row.said.last().map(|(_, f)| f.likely));
            last = wanted.map_or(last, |at| scale.y(at)).min(last - LINE);
            last
        })
        .collect()
}

fn grid(scale: &Scale, zone: Zone) -> Markup {
    let days = |(from, length): (Timestamp, f64), most: i64| -> Vec<Day> {
        let first = zone.day_of(from).plus(1);
        let count = zone.day_of(from + Span::from_days(length)).days_since(first).max(0);
        let every = count / most + 1;
        (0..=count / every).map(|n| first.plus(n * every)).collect()
    };
    html! {
        g.grid {
            @for day in days(scale.named, 6) {
                @let y = format!("{:.1}", scale.y(day.start(zone)));
                line x1=(LEFT) x2=(WIDTH - RIGHT) y1=(y) y2=(y) {}
                text x=(LEFT - 6.0) y=(format!("{:.1}", scale.y(day.start(zone)) + 4.0)) text-anchor="end" { (words::short_date(day.date())) }
            }
            @for day in days(scale.issued, 4) {
                text x=(format!("{:.1}", scale.x(day.start(zone)))) y=(format!("{:.1}", HEIGHT - 10.0)) text-anchor="middle" { (words::short_date(day.date())) }
            }
        }
    }
}

fn stage(scale: &Scale, row: &Row<'_>, name_y: f64) -> Markup {
    let (mut bars, mut likely) = (Pen::default(), Pen::default());
    for (at, foreseen) in &row.said {
        let x = scale.x(*at);
        if let (Some(a), Some(b)) = (foreseen.earliest, foreseen.latest) {
            bars.start(x, scale.y(a));
            bars.upright(scale.y(b));
        }
        likely.line(x, scale.y(foreseen.likely));
    }
    html! {
        path.interval d=(bars.done()) {}
        path.line d=(likely.done()) {}
        @if let Some(came) = row.came {
            path.came.unseen[!came.seen] d=(format!("M{LEFT} {:.1}H{}", scale.y(came.at), WIDTH - RIGHT)) {}
        }
        text.band x=(WIDTH - RIGHT + 6.0) y=(format!("{:.1}", name_y + 4.0)) { (words::stage(row.stage)) }
    }
}

#[cfg(test)]
mod tests {
    use super::super::pen::tests::places as points;
    use super::*;
    use crate::progress::followed::Issued;

    fn day(n: f64) -> Timestamp {
        Timestamp::parse("2026-04-16T00:00:00Z").unwrap() + Span::from_days(n)
    }

    /// Five outlooks of a hatch on day 20: foreseen a day late at first, right at the end.
    fn followed(count: u8) -> Followed {
        let outlooks = (0..count).map(|n| {
            let off = 1.0 - f64::from(n) / 4.0;
            let foreseen = Foreseen {
                stage: "hatch_start".into(),
                earliest: Some(day(18.0 + f64::from(n) / 4.0)),
                likely: day(20.0 + off),
                latest: Some(day(22.0 + off)),
            };
            Issued { at: day(f64::from(n)), development: 0.1, stages: vec![foreseen] }
        });
        let happened = [("hatch_start".to_owned(), Happened { at: day(20.0), seen: true })];
        Followed { lot: "L".into(), jar: "J".into(), outlooks: outlooks.collect(), happened: happened.into() }
    }

    #[test]
    fn the_last_outlook_meets_the_line_of_what_happened() {
        let drawn = draw(&followed(5), Zone::UTC).unwrap().into_string();
        let path = |class: &str| {
            let rest = drawn.split(&format!("class=\"{class}\" d=\"")).nth(1).unwrap();
            rest[..rest.find('"').unwrap()].to_owned()
        };
        let likely = points(&path("line"));
        assert_eq!(likely.len(), 5);
        let came: f64 = path("came").split([' ', 'H']).nth(1).unwrap().parse().unwrap();
        assert!((likely[4].1 - came).abs() < 0.2, "{likely:?} {came}");
        // A day late is drawn higher, and the picture spans 18 to 23 days with 4 % above and below.
        let a_day = (HEIGHT - TOP - BOTTOM) / (5.0 * 1.08);
        assert!((came - likely[0].1 - a_day).abs() < 0.2, "{likely:?} {came}");
        assert_eq!(points(&path("interval")).len(), 10);
        assert!(drawn.contains("came 6 May") || drawn.contains("came Wed 6 May"), "{drawn}");
    }

    #[test]
    fn one_outlook_is_no_picture() {
        assert!(draw(&followed(1), Zone::UTC).is_none());
        assert!(draw(&followed(0), Zone::UTC).is_none());
    }

    #[test]
    fn names_of_stages_on_one_day_do_not_lie_on_each_other() {
        let mut season = followed(3);
        for issued in &mut season.outlooks {
            let mut second = issued.stages[0].clone();
            second.stage = "hatch_peak".into();
            issued.stages.push(second);
        }
        let rows = rows(&season);
        let scale = Scale { issued: (day(0.0), 2.0), named: (day(17.0), 8.0) };
        let places = places(&scale, &rows);
        assert!(places[0] - places[1] >= LINE, "{places:?}");
    }
}
