//! What the water did: daily means of past springs, and the record of this one up to a moment.

use crate::time::{Day, Span, Timestamp, Zone};
use std::collections::BTreeMap;

/// Lowest and highest daily mean taken for water, °C. Loggers write `-9999`, `7999` and the like
/// for a bad reading; a probe out of the water in the sun reads above any hatchery's supply.
const PLAUSIBLE_C: std::ops::RangeInclusive<f64> = -3.0..=40.0;

/// Hours of the day that must hold a reading before its mean counts as the mean of the day.
/// With three quarters measured, a daily wave of 4 °C biases the mean by 0.6 °C at most.
const HOURS_FOR_A_DAY: usize = 18;

/// Daily mean water temperatures, any number of years, gaps allowed.
///
/// ```
/// use nightjar_calc::outlook::DailyMeans;
/// use nightjar_calc::time::Day;
///
/// let mut past = DailyMeans::default();
/// let day = Day::parse("2025-04-20").unwrap();
/// assert!(past.insert(day, 8.4));
/// assert!(!past.insert(day.plus(1), -9999.0)); // a logger's mark for "no reading"
/// assert_eq!(past.get(day.plus(1)), None);
/// ```
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DailyMeans {
    days: BTreeMap<Day, f64>,
}

impl DailyMeans {
    /// Adds or replaces the mean of one day, °C. Says whether it was taken: a value that cannot be
    /// water (a logger's sentinel, not a number) is left out.
    pub fn insert(&mut self, day: Day, celsius: f64) -> bool {
        let plausible = PLAUSIBLE_C.contains(&celsius);
        if plausible {
            self.days.insert(day, celsius);
        }
        plausible
    }

    /// Means of readings of any spacing and order. Each hour counts once however many readings it
    /// holds, and a day needs 18 of its hours; the rest stay gaps.
    #[must_use]
    pub fn from_readings(zone: Zone, readings: impl IntoIterator<Item = (Timestamp, f64)>) -> Self {
        let mut means = Self::default();
        for (day, hours) in hourly(zone, readings) {
            if hours.len() >= HOURS_FOR_A_DAY {
                means.insert(day, mean(hours.values()));
            }
        }
        means
    }

    /// Mean of a day, °C.
    #[must_use]
    pub fn get(&self, day: Day) -> Option<f64> {
        self.days.get(&day).copied()
    }

    /// All days in order, °C.
    pub fn iter(&self) -> impl Iterator<Item = (Day, f64)> + '_ {
        self.days.iter().map(|(day, celsius)| (*day, *celsius))
    }

    /// Calendar years with at least one day.
    #[must_use]
    pub fn years(&self) -> Vec<i32> {
        let mut years: Vec<i32> = self.days.keys().map(|day| day.year()).collect();
        years.dedup();
        years
    }

    /// The days before `end` only.
    #[must_use]
    pub fn before(&self, end: Day) -> Self {
        Self { days: self.days.range(..end).map(|(day, celsius)| (*day, *celsius)).collect() }
    }

    /// The days from `start` up to `end`, `end` not included.
    #[must_use]
    pub fn between(&self, start: Day, end: Day) -> Self {
        if start >= end {
            return Self::default();
        }
        Self { days: self.days.range(start..end).map(|(day, celsius)| (*day, *celsius)).collect() }
    }

    /// The last day before `end` that holds a mean, °C.
    #[must_use]
    pub fn last_before(&self, end: Day) -> Option<(Day, f64)> {
        self.days.range(..end).next_back().map(|(day, celsius)| (*day, *celsius))
    }

    /// Without the days from `start` up to `end`, `end` not included.
    #[must_use]
    pub fn without(&self, start: Day, end: Day) -> Self {
        let kept = self.days.iter().filter(|(day, _)| **day < start || **day >= end);
        Self { days: kept.map(|(day, celsius)| (*day, *celsius)).collect() }
    }

    /// How many days hold a mean.
    #[must_use]
    pub fn len(&self) -> usize {
        self.days.len()
    }

    /// Whether no day holds a mean.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.days.is_empty()
    }
}

/// This season's water up to a moment: complete days, and what today promises so far.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recent {
    means: DailyMeans,
    today: Option<(Day, f64)>,
}

impl Recent {
    /// From daily means. Those of the day of issue and later are ignored by the outlook, because
    /// such a day was not complete then.
    #[must_use]
    pub fn from_days(means: DailyMeans) -> Self {
        Self { means, today: None }
    }

    /// From readings of any spacing; those after `issued_at` are not used.
    ///
    /// The unfinished day is judged by its change against the same hours of the day before:
    /// `T̂ = T₋₁ + (mean over measured hours h of T(h) − T₋₁(h))`, °C, so that a morning does not
    /// pass for a cold day. It needs three such hours.
    #[must_use]
    pub fn from_readings(
        zone: Zone,
        readings: impl IntoIterator<Item = (Timestamp, f64)>,
        issued_at: Timestamp,
    ) -> Self {
        let today = zone.day_of(issued_at);
        let used = readings.into_iter().filter(|(at, _)| *at <= issued_at);
        let mut days = hourly(zone, used);
        let so_far = days.remove(&today).unwrap_or_default();
        let yesterday = days.get(&today.plus(-1)).filter(|hours| hours.len() >= HOURS_FOR_A_DAY);
        let estimate = yesterday.and_then(|before| {
            let change: Vec<f64> =
                so_far.iter().filter_map(|(hour, now)| before.get(hour).map(|then| now - then)).collect();
            (change.len() >= 3).then(|| mean(before.values()) + mean(change.iter()))
        });
        let mut means = DailyMeans::default();
        for (day, hours) in days {
            if hours.len() >= HOURS_FOR_A_DAY {
                means.insert(day, mean(hours.values()));
            }
        }
        Self { means, today: estimate.map(|celsius| (today, celsius)) }
    }

    /// Mean of a complete day before `issue_day`, °C.
    pub(super) fn complete(&self, day: Day, issue_day: Day) -> Option<f64> {
        if day < issue_day { self.means.get(day) } else { None }
    }

    /// What the day of issue is expected to average, from its hours so far, °C.
    pub(super) fn expected(&self, issue_day: Day) -> Option<f64> {
        self.today.and_then(|(day, celsius)| (day == issue_day).then_some(celsius))
    }
}

/// Mean of each hour since local midnight, for each day.
fn hourly(
    zone: Zone,
    readings: impl IntoIterator<Item = (Timestamp, f64)>,
) -> BTreeMap<Day, BTreeMap<i64, f64>> {
    let mut sums: BTreeMap<Day, BTreeMap<i64, (f64, f64)>> = BTreeMap::new();
    // Readings mostly come in order: the day of the last one is kept, as the zone is slow to ask.
    let mut current: Option<(Day, Timestamp, Timestamp)> = None;
    for (at, celsius) in readings {
        if !PLAUSIBLE_C.contains(&celsius) {
            continue;
        }
        let (day, start) = match current {
            Some((day, start, end)) if at >= start && at < end => (day, start),
            Some(_) | None => {
                let day = zone.day_of(at);
                let start = day.start(zone);
                current = Some((day, start, day.end(zone)));
                (day, start)
            }
        };
        let hour = at.since(start).ms().div_euclid(Span::from_minutes(60).ms());
        let (sum, n) = sums.entry(day).or_default().entry(hour).or_default();
        *sum += celsius;
        *n += 1.0;
    }
    sums.into_iter()
        .map(|(day, hours)| (day, hours.into_iter().map(|(hour, (sum, n))| (hour, sum / n)).collect()))
        .collect()
}

fn mean<'a>(values: impl Iterator<Item = &'a f64>) -> f64 {
    let (sum, n) = values.fold((0.0, 0.0), |(sum, n), value| (sum + value, n + 1.0));
    sum / n
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hours: f64) -> Timestamp {
        Day::parse("2026-04-18").unwrap().start(Zone::UTC) + Span::from_days(hours / 24.0)
    }

    #[test]
    fn a_burst_of_readings_does_not_outweigh_the_quiet_hours() {
        let hourly = (0..24).map(|h| (at(f64::from(h)), if h == 12 { 20.0 } else { 8.0 }));
        let burst = (0..50).map(|i| (at(12.0 + f64::from(i) / 60.0), 20.0));
        let means = DailyMeans::from_readings(Zone::UTC, hourly.chain(burst));
        assert!((means.get(Day::parse("2026-04-18").unwrap()).unwrap() - 8.5).abs() < 1e-9);
    }

    #[test]
    fn half_a_day_is_a_gap_and_sentinels_are_no_water() {
        let half = (0..12).map(|h| (at(f64::from(h)), 8.0));
        assert!(DailyMeans::from_readings(Zone::UTC, half).is_empty());
        let sentinels = (0..24).map(|h| (at(f64::from(h)), if h % 2 == 0 { -9999.0 } else { 7999.0 }));
        assert!(DailyMeans::from_readings(Zone::UTC, sentinels).is_empty());
    }

    /// A daily wave of ±3 °C; the second day 1 °C warmer. Six cold hours of it must be read as
    /// "one degree warmer", not as "two degrees colder".
    #[test]
    fn a_morning_does_not_pass_for_a_cold_day() {
        let wave = |h: f64| 10.0 - 3.0 * (h / 24.0 * std::f64::consts::TAU).cos() + (h / 24.0).floor();
        let readings = (0..48).map(|h| (at(f64::from(h)), wave(f64::from(h))));
        let recent = Recent::from_readings(Zone::UTC, readings, at(30.0));
        let expected = recent.expected(Day::parse("2026-04-19").unwrap()).unwrap();
        assert!((expected - 11.0).abs() < 1e-9, "{expected}");
    }
}
