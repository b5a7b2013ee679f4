//! Outlooks issued after the fact: each past season forecast from the others, then compared with
//! what happened.
//!
//! The measure is what the crew asks for: the day on which a sum of thermal units (base 0 °C) is
//! reached. A forecast is issued at midnight after the day on which a share of the sum was reached,
//! from complete days only, and sees nothing later of its own season.

use super::borrowed::WaterKind;
use super::climate::Climate;
use super::history::{DailyMeans, Recent};
use crate::time::{Day, Zone};

/// Longest gap bridged by a straight line in the record that is compared with, days. Cases with
/// longer ones are left out.
const LONGEST_GAP: i64 = 3;
/// Days searched for the sum.
const FARTHEST: usize = 150;
/// Days of the own season handed to an outlook.
const SEASON_DAYS: i64 = 120;
/// Days tried first.
const FIRST_TRY: usize = 40;

/// What to hindcast.
#[derive(Clone, Debug, PartialEq)]
pub struct Question {
    /// Sums to reach, °C·day.
    pub targets: Vec<f64>,
    /// Month and day of the start, in each year.
    pub starts: Vec<(u32, u32)>,
    /// Shares of the sum at which to issue, 0 to below 1.
    pub shares: Vec<f64>,
}

impl Default for Question {
    /// The sums and dates of a spring spawner: 110, 140 and 170 °C·day from 8, 15 and 22 April,
    /// issued at 0, 25, 50 and 75 %.
    fn default() -> Self {
        Self {
            targets: vec![110.0, 140.0, 170.0],
            starts: vec![(4, 8), (4, 15), (4, 22)],
            shares: vec![0.0, 0.25, 0.5, 0.75],
        }
    }
}

/// One outlook and what became of it. Times are days after the issue.
#[derive(Clone, Debug, PartialEq)]
pub struct Case {
    /// First day of the sum.
    pub start: Day,
    /// The sum, °C·day.
    pub target: f64,
    /// Share of the sum at issue, as asked.
    pub share: f64,
    /// Issued at the midnight this day begins.
    pub issued_on: Day,
    /// Past springs it rested on.
    pub springs: usize,
    /// When the sum was reached.
    pub actual: f64,
    /// The outlook: 10 %, 50 % and 90 % of its continuations had reached the sum by then.
    pub low: f64,
    /// Middle of the outlook.
    pub median: f64,
    /// Late end of the outlook.
    pub high: f64,
    /// Three plain rules for comparison: hold the last three-day mean; add the mean curve's change
    /// to it; let its departure from the mean curve decay over twelve days.
    pub plain: [f64; 3],
}

/// Hindcasts every season of a record from its other seasons; a record of one season is forecast
/// with the borrowed curve of its kind. `alone` forecasts all of them so, as for a new station.
#[must_use]
pub fn hindcast(record: &DailyMeans, kind: Option<WaterKind>, question: &Question, alone: bool) -> Vec<Case> {
    let mut cases = Vec::new();
    for year in record.years() {
        for (month, day) in &question.starts {
            let Some(start) = Day::from_ymd(year, *month, *day) else { continue };
            let others = record.without(start.plus(-180), start.plus(180));
            let history = if alone { DailyMeans::default() } else { others };
            season(record, &history, kind, question, start, &mut cases);
        }
    }
    cases
}

/// All cases of one start. Midnights are those of UTC throughout: only whole days are counted.
fn season(
    record: &DailyMeans,
    history: &DailyMeans,
    kind: Option<WaterKind>,
    question: &Question,
    start: Day,
    cases: &mut Vec<Case>,
) {
    let (sums, complete) = sums(record, start);
    let mut climate = None;
    for target in &question.targets {
        let Some(reached) = crossing(&sums, *target) else { continue };
        if complete < reached {
            continue;
        }
        for share in &question.shares {
            let Some(issue) = sums.iter().position(|sum| *sum >= share * target) else { continue };
            let issued_on = start.plus(i64::try_from(issue).unwrap_or(0));
            let left = target - sums[issue];
            let at_issue = f64::from(u32::try_from(issue).unwrap_or(0));
            if left <= 0.0 || record.last_before(issued_on).is_none() {
                continue;
            }
            let climate = climate.get_or_insert_with(|| Climate::fit(history, kind, start));
            let recent = Recent::from_days(record.between(issued_on.plus(-SEASON_DAYS), issued_on));
            let Some([low, median, high]) = ask(climate, &recent, issued_on, left) else { continue };
            cases.push(Case {
                start,
                target: *target,
                share: *share,
                issued_on,
                springs: climate.springs(),
                actual: reached - at_issue,
                low,
                median,
                high,
                plain: plain_rules(climate, record, issued_on, left),
            });
        }
    }
}

/// 10, 50 and 90 % of the days until `left` °C·day more are gathered. Most sums are reached within
/// weeks; the first days of a longer outlook are the same, so a short one is tried first.
fn ask(climate: &Climate, recent: &Recent, issued_on: Day, left: f64) -> Option<[f64; 3]> {
    let mut answer = None;
    for count in [FIRST_TRY, FARTHEST] {
        let outlook = climate.outlook(recent, issued_on.start(Zone::UTC), Zone::UTC, count, None).ok()?;
        let paths = &outlook.futures.paths;
        answer = Some(quantiles(paths, left));
        if paths.iter().all(|path| path.iter().map(|c| c.max(0.0)).sum::<f64>() >= left) {
            break;
        }
    }
    answer
}

/// Running sum of `max(T, 0)` at each midnight from the start on, and how many days it can be
/// trusted: up to the first gap too long to bridge.
fn sums(record: &DailyMeans, start: Day) -> (Vec<f64>, f64) {
    let mut sums = vec![0.0];
    let mut sum = 0.0;
    let mut complete = 0.0;
    let mut day = start;
    for _ in 0..FARTHEST {
        let Some(mean) = record.get(day).or_else(|| bridged(record, day)) else { break };
        sum += mean.max(0.0);
        sums.push(sum);
        complete += 1.0;
        day = day.plus(1);
    }
    (sums, complete)
}

/// A missing day from its neighbours, when they are near.
fn bridged(record: &DailyMeans, day: Day) -> Option<f64> {
    let near = |direction: i64| {
        (1..=LONGEST_GAP).find_map(|n| record.get(day.plus(direction * n)).map(|mean| (n, mean)))
    };
    let ((before, a), (after, b)) = near(-1).zip(near(1))?;
    if before + after > LONGEST_GAP + 1 {
        return None;
    }
    let days = |n: i64| f64::from(i32::try_from(n).unwrap_or(1));
    Some(a + (b - a) * days(before) / days(before + after))
}

/// When a running sum crosses `target`, days, by straight lines within days.
fn crossing(sums: &[f64], target: f64) -> Option<f64> {
    let after = sums.iter().position(|sum| *sum >= target)?;
    let Some(before) = after.checked_sub(1) else { return Some(0.0) };
    let within = (target - sums[before]) / (sums[after] - sums[before]);
    Some(f64::from(u32::try_from(before).ok()?) + within)
}

/// Days until a path has gathered `target` °C·day above 0 °C; the path's length when it does not.
///
/// ```
/// use nightjar_calc::outlook::days_to_reach;
///
/// assert!((days_to_reach(&[8.0, 10.0, 12.0], 13.0) - 1.5).abs() < 1e-12);
/// ```
#[must_use]
pub fn days_to_reach(path: &[f64], target: f64) -> f64 {
    let mut left = target;
    let mut days = 0.0;
    for celsius in path {
        let gained = celsius.max(0.0);
        if gained >= left && gained > 0.0 {
            return days + left.max(0.0) / gained;
        }
        left -= gained;
        days += 1.0;
    }
    days
}

/// 10, 50 and 90 % of the paths' days, with straight lines between them.
fn quantiles(paths: &[Vec<f64>], target: f64) -> [f64; 3] {
    let mut days: Vec<f64> = paths.iter().map(|path| days_to_reach(path, target)).collect();
    days.sort_by(f64::total_cmp);
    let n = days.len();
    let tenth = |numerator: usize| {
        let position = numerator * (n - 1);
        let (below, tenths) = (position / 10, f64::from(u32::try_from(position % 10).unwrap_or(0)) / 10.0);
        days[below] + tenths * (days[(below + 1).min(n - 1)] - days[below])
    };
    [tenth(1), tenth(5), tenth(9)]
}

fn plain_rules(climate: &Climate, record: &DailyMeans, issued_on: Day, left: f64) -> [f64; 3] {
    const MEMORY_DAYS: f64 = 12.0;
    let known: Vec<(f64, Option<f64>)> = (1..=3)
        .map(|n| issued_on.plus(-n))
        .filter_map(|day| record.get(day).map(|mean| (mean, climate.usual(day))))
        .collect();
    let latest = record.last_before(issued_on).map_or(0.0, |(_, mean)| mean);
    let n = known.iter().fold(0.0, |n, _| n + 1.0);
    let last = if n > 0.0 { known.iter().map(|(mean, _)| mean).sum::<f64>() / n } else { latest };
    let usual_then =
        if n > 0.0 { known.iter().map(|(_, usual)| usual.unwrap_or(0.0)).sum::<f64>() / n } else { 0.0 };
    let hold = vec![last; FARTHEST];
    let mut plus = Vec::with_capacity(FARTHEST);
    let mut decaying = Vec::with_capacity(FARTHEST);
    let mut kept = 1.0;
    let mut day = issued_on;
    for _ in 0..FARTHEST {
        kept *= (-1.0 / MEMORY_DAYS).exp();
        match climate.usual(day) {
            Some(usual) => {
                plus.push(last + usual - usual_then);
                decaying.push(usual + kept * (last - usual_then));
            }
            None => {
                plus.push(last);
                decaying.push(last);
            }
        }
        day = day.plus(1);
    }
    [hold, plus, decaying].map(|path| days_to_reach(&path, left))
}
