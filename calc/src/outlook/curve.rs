//! The seasonal curve of a station from its past springs.
//!
//! Days are counted from an anchor date, so that a window may lie anywhere in the year and cross
//! the new year: index `i` is the day `i − BEFORE` days after the anchor.

use super::borrowed::WaterKind;
use super::departure::Measure;
use super::history::DailyMeans;
use crate::time::Day;

/// Days of the window before the anchor.
pub(super) const BEFORE: usize = 100;
/// Length of the window, days.
pub(super) const WINDOW: usize = BEFORE + 261;
/// The part of the window whose past springs are judged: 40 days before the anchor to 100 after.
/// Winter has other laws (ice), late summer is of no concern.
pub(super) const SEASON: std::ops::Range<usize> = BEFORE - 40..BEFORE + 101;
/// Days a past spring must have in the season to be counted.
const DAYS_FOR_A_SPRING: usize = 20;
/// Standard deviation of the bell curve that weighs neighbouring days, days. From hindcasts on
/// nine waters: 12 to 22 days do equally well, less follows the weather of single springs.
const SMOOTHING_DAYS: f64 = 16.0;
/// Past springs a borrowed shape is worth.
const BORROWED_SPRINGS: f64 = 0.3;
/// Days of departure a year must show before half of it counts as the year's level.
const DAYS_FOR_A_LEVEL: f64 = 30.0;

/// One spring in the window, °C; `NaN` is a gap.
pub(super) type Spring = Vec<f64>;

/// The anchor's calendar date in another year.
fn anchor_in(anchor: Day, years: i32) -> Option<Day> {
    use chrono::Datelike;
    let date = anchor.date();
    let year = date.year() + years;
    Day::from_ymd(year, date.month(), date.day()).or_else(|| Day::from_ymd(year, 2, 28))
}

/// First day of the window around an anchor.
pub(super) fn window_start(anchor: Day) -> Day {
    anchor.plus(-i64::try_from(BEFORE).unwrap_or(0))
}

/// The past springs with enough days, each laid into the window; never the anchor's own year.
pub(super) fn springs(history: &DailyMeans, anchor: Day) -> Vec<Spring> {
    let mut springs = Vec::new();
    let Some((first, last)) = history.iter().next().zip(history.iter().last()) else { return springs };
    let own = anchor.year();
    for year in first.0.year() - 1..=last.0.year() + 1 {
        let Some(start) = anchor_in(anchor, year - own).filter(|_| year != own).map(window_start) else {
            continue;
        };
        let mut day = start;
        let mut spring = Vec::with_capacity(WINDOW);
        for _ in 0..WINDOW {
            spring.push(history.get(day).unwrap_or(f64::NAN));
            day = day.plus(1);
        }
        if spring[SEASON].iter().filter(|c| c.is_finite()).count() >= DAYS_FOR_A_SPRING {
            springs.push(spring);
        }
    }
    springs
}

/// Mean over springs of each day, `NaN` where none has it.
pub(super) fn mean_of_days(springs: &[&Spring], value: impl Fn(usize, f64) -> f64) -> Spring {
    (0..WINDOW)
        .map(|i| {
            let (sum, n) = springs
                .iter()
                .enumerate()
                .filter(|(_, spring)| spring[i].is_finite())
                .fold((0.0, 0.0), |(sum, n), (year, spring)| (sum + value(year, spring[i]), n + 1.0));
            if n > 0.0 { sum / n } else { f64::NAN }
        })
        .collect()
}

/// The seasonal curve of some springs on a measure, on every day of the window.
///
/// What is smoothed (local straight lines under a bell curve of 16 days) is the difference `D`
/// between the mean of the springs and the borrowed curve of the kind laid through their level:
/// the borrowed shape bridges gaps and carries on beyond the record. Each spring first gives up its
/// own level, so that a spring that begins late leaves no step. Of the smoothed difference, the
/// level counts in full and the shape by `n / (n + 0.3)` for `n` springs.
pub(super) fn seasonal(springs: &[&Spring], measure: Measure, kind: WaterKind, first: Day) -> Vec<f64> {
    let plain = mean_of_days(springs, |_, celsius| celsius);
    let borrowed = kind.curve(first, WINDOW);
    let offset = mean(SEASON.map(|i| plain[i] - borrowed[i]));
    let base: Vec<f64> = borrowed.iter().map(|b| measure.of(b + offset)).collect();
    let bell = bell();
    let mut levels = vec![0.0; springs.len()];
    let mut smoothed = Vec::new();
    for _ in 0..2 {
        let mut difference = mean_of_days(springs, |year, celsius| measure.of(celsius) - levels[year]);
        for (d, b) in difference.iter_mut().zip(&base) {
            *d -= b;
        }
        smoothed = smooth(&difference, &bell);
        for (level, spring) in levels.iter_mut().zip(springs) {
            let rest = |i: usize| measure.of(spring[i]) - base[i] - smoothed[i];
            let seen: Vec<f64> = SEASON.filter(|i| spring[*i].is_finite()).map(rest).collect();
            let n = seen.iter().fold(0.0, |n, _| n + 1.0);
            *level = seen.iter().sum::<f64>() / (n + DAYS_FOR_A_LEVEL);
        }
        let common = mean(levels.iter().copied());
        levels.iter_mut().for_each(|level| *level -= common);
    }
    let n = springs.iter().fold(0.0, |n, _| n + 1.0);
    let trust = n / (n + BORROWED_SPRINGS);
    let level = mean(SEASON.filter(|i| plain[*i].is_finite()).map(|i| smoothed[i]));
    smoothed.iter().zip(&base).map(|(d, b)| b + level + trust * (d - level)).collect()
}

/// Weights by distance, out to three standard deviations.
fn bell() -> Vec<f64> {
    (0..=48u8).map(|lag| (-0.5 * (f64::from(lag) / SMOOTHING_DAYS).powi(2)).exp()).collect()
}

/// Local straight lines; beyond the first and last value, and inside gaps too wide to see across,
/// the nearest smoothed value.
fn smooth(values: &[f64], bell: &[f64]) -> Vec<f64> {
    let known: Vec<bool> = values.iter().map(|v| v.is_finite()).collect();
    let first = known.iter().position(|k| *k).unwrap_or(0);
    let last = known.iter().rposition(|k| *k).unwrap_or(0);
    let mut smoothed = vec![f64::NAN; values.len()];
    for i in first..=last {
        let low = i.saturating_sub(bell.len() - 1);
        let high = (i + bell.len()).min(values.len());
        let (mut s0, mut s1, mut s2, mut t0, mut t1) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let mut lag = if low < i { -(f64::from(u32::try_from(i - low).unwrap_or(0))) } else { 0.0 };
        for j in low..high {
            if known[j] {
                let w = bell[i.abs_diff(j)];
                s0 += w;
                s1 += w * lag;
                s2 += w * lag * lag;
                t0 += w * values[j];
                t1 += w * lag * values[j];
            }
            lag += 1.0;
        }
        let determinant = s0 * s2 - s1 * s1;
        if determinant > 1e-3 * s0 * s0 {
            smoothed[i] = (s2 * t0 - s1 * t1) / determinant;
        } else if s0 > 0.0 {
            smoothed[i] = t0 / s0;
        }
    }
    fill_nearest(&mut smoothed);
    smoothed
}

fn fill_nearest(values: &mut [f64]) {
    let mut latest = values.iter().copied().find(|v| v.is_finite()).unwrap_or(0.0);
    for value in values.iter_mut() {
        if value.is_finite() {
            latest = *value;
        } else {
            *value = latest;
        }
    }
}

/// Mean of the finite values, 0 without any.
pub(super) fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) =
        values.filter(|v| v.is_finite()).fold((0.0, 0.0), |(sum, n), value| (sum + value, n + 1.0));
    if n > 0.0 { sum / n } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn history(celsius: impl Fn(i32, u32) -> Option<f64>) -> DailyMeans {
        let mut means = DailyMeans::default();
        for year in 2020..=2023 {
            let mut day = Day::from_ymd(year, 1, 1).unwrap();
            while day.year() == year {
                if let Some(c) = celsius(year, day.of_year()) {
                    means.insert(day, c);
                }
                day = day.plus(1);
            }
        }
        means
    }

    fn anchor() -> Day {
        Day::parse("2024-04-15").unwrap()
    }

    fn curve_of(means: &DailyMeans) -> Vec<f64> {
        let springs = springs(means, anchor());
        let all: Vec<&Spring> = springs.iter().collect();
        seasonal(&all, Measure::Plain, WaterKind::LakeFed, window_start(anchor()))
    }

    /// Local straight lines and a level in full keep a station that warms a little faster than its
    /// kind as it is, but for the share lent by the borrowed shape: `4 / 4.3` of 0.05 °C a day.
    #[test]
    fn a_spring_steeper_than_its_kind_gives_a_steeper_curve() {
        let kind = |year| WaterKind::LakeFed.curve(window_start(Day::from_ymd(year, 4, 15).unwrap()), WINDOW);
        let means = history(|year, day| {
            let date = Day::from_ymd(year, 1, 1).unwrap().plus(i64::from(day) - 1);
            let index = date.days_since(window_start(Day::from_ymd(year, 4, 15).unwrap()));
            let index = usize::try_from(index).ok()?;
            (index < WINDOW).then(|| kind(year)[index] + 0.05 * f64::from(day))
        });
        let curve = curve_of(&means);
        let own = kind(2024);
        let excess = ((curve[BEFORE + 50] - own[BEFORE + 50]) - (curve[BEFORE] - own[BEFORE])) / 50.0;
        assert!((excess - 0.05 * 4.0 / 4.3).abs() < 5e-4, "{excess}");
    }

    #[test]
    fn a_spring_that_begins_late_and_warm_leaves_no_step() {
        let line = |year: i32, day: u32| {
            let warm = if year == 2023 { 4.0 } else { 0.0 };
            (year != 2023 || day >= 105).then(|| 0.1 * f64::from(day) + warm)
        };
        let curve = curve_of(&history(line));
        let step = curve[BEFORE + 20] - curve[BEFORE - 20];
        assert!((step - 4.0).abs() < 0.7, "{step}");
    }

    #[test]
    fn the_own_year_is_no_history() {
        let means = history(|_, day| Some(f64::from(day) * 0.05));
        assert_eq!(springs(&means, Day::parse("2022-04-15").unwrap()).len(), 3);
        assert_eq!(springs(&means, anchor()).len(), 4);
    }
}
