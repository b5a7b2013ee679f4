//! What the water did and will do, from the files given.

use super::moments::Moments;
use crate::cli::failure::Failure;
use crate::cli::temperatures::{Temperatures, Values};
use nightjar_calc::outlook::{Climate, DailyMeans, Futures, NoOutlook, Recent, Schedule, WaterKind};
use nightjar_calc::quantity::Impossible;
use nightjar_calc::stages::hold_last_days;
use nightjar_calc::thermal::{DegreesAboveZero, PER_C_DAY, Record, Rules, Sample, Tallied, typical_interval};
use nightjar_calc::time::{Day, Span, Timestamp, Zone};

/// Days ahead that are asked for.
const DAYS_AHEAD: usize = 200;
/// Days before the moment of issue that belong to this season and are never history.
const OWN_SEASON_DAYS: i64 = 100;
/// Spacing from which readings count as taken by hand.
const BY_HAND: Span = Span::from_hours(3);
/// Share of a day that must be covered for its mean.
const COVERED: f64 = 0.75;

/// The record of this season up to the moment of issue.
pub struct Season {
    /// For sums.
    pub record: Record,
    /// For the outlook.
    pub recent: Recent,
    /// Stretch at the end whose daily mean is not complete yet and was held from the day before.
    pub held: Span,
    /// Number of values used.
    pub used: usize,
}

/// Last moment a file covers.
pub fn last_moment(file: &Temperatures, zone: Zone) -> Option<Timestamp> {
    match &file.values {
        Values::Readings(readings) => readings.iter().map(|(at, _)| *at).max(),
        Values::Daily(days) => days.iter().map(|(day, _)| day.end(zone)).max(),
    }
}

fn data(error: Impossible) -> Failure {
    Failure::data(error)
}

/// The record up to `as_of`; nothing later is used.
pub fn season(file: &Temperatures, zone: Zone, as_of: Timestamp) -> Result<Season, Failure> {
    match &file.values {
        Values::Readings(readings) => {
            let used: Vec<(Timestamp, f64)> =
                readings.iter().filter(|(at, _)| *at <= as_of).copied().collect();
            let (record, rare) = record_of(&used)?;
            let recent = if rare {
                Recent::from_days(means_of(&record, zone))
            } else {
                Recent::from_readings(zone, used.iter().copied(), as_of)
            };
            Ok(Season { record, recent, held: Span::ZERO, used: used.len() })
        }
        Values::Daily(all) => {
            let mut days: Vec<(Day, f64)> =
                all.iter().filter(|(day, _)| day.end(zone) <= as_of).copied().collect();
            let used = days.len();
            let recent = Recent::from_days(means(&days));
            // The mean of the day of issue is known only when that day is over; until then yesterday's holds.
            let today = zone.day_of(as_of);
            let yesterday =
                days.iter().filter(|(day, _)| *day == today.plus(-1)).map(|d| d.1).reduce(f64::min);
            let mut held = Span::ZERO;
            if let Some(celsius) = yesterday {
                days.push((today, celsius));
                held = as_of.since(today.start(zone));
            }
            let rules = Rules::for_interval(Span::from_days(1.0));
            let record = Record::from_daily(&days, zone, &rules).map_err(data)?;
            Ok(Season { record, recent, held, used })
        }
    }
}

/// Record of readings, and whether they are too rare for hourly means.
fn record_of(readings: &[(Timestamp, f64)]) -> Result<(Record, bool), Failure> {
    let samples: Vec<Sample> =
        readings.iter().map(|(at, c)| Sample::new(*at, *c)).collect::<Result<_, _>>().map_err(data)?;
    let interval = typical_interval(&samples).unwrap_or(Span::from_secs(10));
    let by_hand = (BY_HAND..Span::from_hours(20)).contains(&interval);
    let rules = if by_hand { Rules::for_hand_readings() } else { Rules::for_interval(interval) };
    Ok((Record::from_samples(&samples, &rules), interval > Span::from_hours(1)))
}

/// Means of the days a record covers by three quarters.
fn means_of(record: &Record, zone: Zone) -> DailyMeans {
    let mut means = DailyMeans::default();
    let Some((first, last)) = record.bounds() else { return means };
    let sums = record.under(&DegreesAboveZero);
    let mut day = zone.day_of(first);
    while day.start(zone) < last {
        let tally = sums.tally(day.start(zone), day.end(zone));
        let counted = (tally.measured + tally.bridged).days();
        if counted >= COVERED * day.length(zone).days() {
            means.insert(day, tally.sum as f64 / PER_C_DAY as f64 / counted);
        }
        day = day.plus(1);
    }
    means
}

fn means(days: &[(Day, f64)]) -> DailyMeans {
    let mut means = DailyMeans::default();
    for (day, celsius) in days {
        means.insert(*day, *celsius);
    }
    means
}

/// Daily means of a file; days covered by less than three quarters are left out.
pub fn daily_means(file: &Temperatures, zone: Zone) -> Result<DailyMeans, Failure> {
    match &file.values {
        Values::Daily(days) => Ok(means(days)),
        Values::Readings(readings) => {
            let (record, rare) = record_of(readings)?;
            Ok(if rare {
                means_of(&record, zone)
            } else {
                DailyMeans::from_readings(zone, readings.iter().copied())
            })
        }
    }
}

/// Past springs from all files: only days before this season and before the moment of issue. Also says how many
/// days were left out as not past.
pub fn history(
    files: &[Temperatures],
    zone: Zone,
    start: Timestamp,
    as_of: Timestamp,
) -> Result<(DailyMeans, usize), Failure> {
    let own = zone.day_of(as_of).plus(-OWN_SEASON_DAYS);
    let cut = own.min(zone.day_of(start));
    let mut all = DailyMeans::default();
    let mut left_out = 0;
    for file in files {
        let found = daily_means(file, zone)?;
        for (day, celsius) in found.iter() {
            if day < cut {
                all.insert(day, celsius);
            } else {
                left_out += 1;
            }
        }
    }
    Ok((all, left_out))
}

/// Planned temperatures by day; several of a day count as their mean.
pub fn plan(file: &Temperatures, zone: Zone) -> Schedule {
    let by_day: Vec<(Day, f64)> = match &file.values {
        Values::Daily(days) => days.clone(),
        Values::Readings(readings) => readings.iter().map(|(at, c)| (zone.day_of(*at), *c)).collect(),
    };
    let mut sums: std::collections::BTreeMap<Day, (f64, f64)> = std::collections::BTreeMap::new();
    for (day, celsius) in by_day {
        let entry = sums.entry(day).or_default();
        *entry = (entry.0 + celsius, entry.1 + 1.0);
    }
    let mut schedule = Schedule::default();
    for (day, (sum, n)) in sums {
        schedule.set(day, sum / n);
    }
    schedule
}

/// The continuations, the number of springs behind them and what to know.
pub struct Ahead {
    /// Equally likely.
    pub futures: Futures,
    /// Past springs used.
    pub springs: usize,
    /// From the outlook.
    pub warnings: Vec<String>,
}

/// Issues the outlook.
pub fn ahead(
    season: &Season,
    history: &DailyMeans,
    kind: Option<WaterKind>,
    plan: Option<&Schedule>,
    moments: &Moments,
    as_of: Timestamp,
) -> Result<Ahead, Failure> {
    let climate = Climate::fit(history, kind, moments.zone.day_of(as_of));
    let ask = |days| climate.outlook(&season.recent, as_of, moments.zone, days, plan);
    let issued = match ask(DAYS_AHEAD) {
        Err(NoOutlook::Days { most, .. }) => ask(most),
        other => other,
    };
    match issued {
        Ok(outlook) => Ok(Ahead {
            springs: outlook.diagnostics.springs,
            warnings: outlook.diagnostics.warnings,
            futures: outlook.futures,
        }),
        Err(error) => match hold_last_days(&season.record, as_of, DAYS_AHEAD) {
            Some(futures) => Ok(Ahead {
                futures,
                springs: 0,
                warnings: vec!["not one whole day is on record: the mean so far is held".to_owned()],
            }),
            None => Err(Failure::data(error)),
        },
    }
}
