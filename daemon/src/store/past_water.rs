//! Past springs of the station's water: daily means taken over from files, and those it measured
//! itself.

use super::error::StoreError;
use super::read::Reader;
use super::schema;
use crate::ids::SensorId;
use crate::rack::Rack;
use nightjar_calc::outlook::DailyMeans;
use nightjar_calc::time::{Day, Span, Timestamp, Zone};
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};
use std::collections::BTreeMap;
use std::path::Path;

/// Years of own readings that are looked back on: more springs hardly narrow an outlook.
const YEARS_BACK: i64 = 12;
/// Means that differ by less are the same, °C.
const SAME_C: f64 = 1e-6;

/// What an import did, or would do.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PastImport {
    /// Days that were not there.
    pub added: usize,
    /// Days that were there with the same mean.
    pub same: usize,
    /// Days whose mean is another one now.
    pub replaced: usize,
    /// Days that are there with another mean, °C: there and given. Nothing is written then.
    pub conflicts: Vec<(Day, f64, f64)>,
    /// Days in the database afterwards.
    pub total: usize,
}

/// How to import.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ImportRules {
    /// A day that is there already takes the new mean.
    pub replace: bool,
    /// Only tell what would be done.
    pub dry_run: bool,
}

/// Writes daily means into the database file, all or nothing; a repeat changes nothing. Safe beside a
/// running program: one short transaction.
///
/// # Errors
/// When the file cannot be opened or written, or was written by a newer program.
pub fn import_past_water(
    path: &Path,
    days: &[(Day, f64, String)],
    rules: ImportRules,
) -> Result<PastImport, StoreError> {
    if rules.dry_run && !path.exists() {
        return Ok(PastImport { added: days.len(), total: days.len(), ..PastImport::default() });
    }
    let mut db = if rules.dry_run { schema::open_reader(path)? } else { schema::open_writer(path, None)? };
    if rules.dry_run {
        let there = imported(&db)?;
        return Ok(compare(&there, days, rules.replace));
    }
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let report = compare(&imported(&tx)?, days, rules.replace);
    if report.conflicts.is_empty() {
        write(&tx, days)?;
        tx.commit()?;
    }
    Ok(report)
}

fn compare(there: &DailyMeans, days: &[(Day, f64, String)], replace: bool) -> PastImport {
    let mut report = PastImport::default();
    for (day, celsius, _) in days {
        match there.get(*day) {
            None => report.added += 1,
            Some(known) if (known - celsius).abs() < SAME_C => report.same += 1,
            Some(_) if replace => report.replaced += 1,
            Some(known) => report.conflicts.push((*day, known, *celsius)),
        }
    }
    report.total = there.len() + if report.conflicts.is_empty() { report.added } else { 0 };
    report
}

fn write(tx: &Transaction<'_>, days: &[(Day, f64, String)]) -> Result<(), StoreError> {
    let mut put = tx.prepare_cached(
        "INSERT INTO past_water (day, mean_c, origin) VALUES (?1, ?2, ?3)
         ON CONFLICT (day) DO UPDATE SET mean_c = excluded.mean_c, origin = excluded.origin
         WHERE abs(mean_c - excluded.mean_c) >= ?4",
    )?;
    for (day, celsius, origin) in days {
        put.execute(params![number(*day), celsius, origin, SAME_C])?;
    }
    Ok(())
}

fn epoch() -> Day {
    Zone::UTC.day_of(Timestamp::from_ms(0))
}

fn number(day: Day) -> i64 {
    day.days_since(epoch())
}

/// Daily means that were imported. None in a file of before there was a place for them.
pub(super) fn imported(db: &Connection) -> Result<DailyMeans, StoreError> {
    let mut means = DailyMeans::default();
    let known: Option<i64> = db
        .query_row("SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = 'past_water'", [], |row| {
            row.get(0)
        })
        .optional()?;
    if known.is_none() {
        return Ok(means);
    }
    let mut statement = db.prepare_cached("SELECT day, mean_c FROM past_water ORDER BY day")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        means.insert(epoch().plus(row.get(0)?), row.get(1)?);
    }
    Ok(means)
}

/// Past springs up to, not including, the local day `end`: what the station measured at its headers,
/// and what was imported for days it did not measure.
///
/// # Errors
/// When the store cannot be read, or a stored hour is damaged.
pub fn past_springs(look: &Reader<'_>, rack: &Rack, end: Day) -> Result<DailyMeans, StoreError> {
    let mut springs = look.imported_water()?.before(end);
    let (from, to) = (end.plus(-366 * YEARS_BACK).start(rack.zone), end.start(rack.zone));
    let mut hours: BTreeMap<Timestamp, f64> = BTreeMap::new();
    for sensor in thermometers(rack) {
        for bar in look.chart(sensor, from, to, Span::from_hours(1))? {
            if bar.used > 0 && bar.start + Span::from_hours(1) <= to {
                hours.entry(bar.start + Span::from_minutes(30)).or_insert(bar.mean);
            }
        }
    }
    for (day, celsius) in DailyMeans::from_readings(rack.zone, hours).iter() {
        springs.insert(day, celsius);
    }
    Ok(springs)
}

/// Probes of the headers, or of its jars where a header has none; best first.
fn thermometers(rack: &Rack) -> Vec<&SensorId> {
    let mut found = Vec::new();
    for (at, header) in rack.headers.iter().enumerate() {
        let of_jars = rack.jars.iter().filter(|jar| usize::from(jar.header.0) == at);
        let first = header.temperature.or_else(|| of_jars.filter_map(|jar| jar.temperature).next());
        found.extend(first.map(|ix| &rack.sensor(ix).id));
    }
    found
}
