//! Nightly copies of the database on a second medium, and everything as CSV.
//!
//! The copy is made while the station works, checked, and only then takes its name; seven are kept.
//! A night that was missed is made up for.

pub mod csv;

use crate::clock::{Clock, Uptime};
use crate::rack::Rack;
use crate::store::{BackupReport, StoreError, StoreHandle};
use nightjar_calc::time::{Span, Timestamp, Zone};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// Copies kept.
pub const KEEP: usize = 7;
/// Local minute of day: quiet, and clear of the hour that a change of daylight time skips or
/// repeats.
const AT_MINUTE: u16 = 3 * 60 + 40;
/// Wait after a copy that failed.
const AGAIN: Span = Span::from_hours(1);
/// A copy younger than this is new enough at a start.
const NEW_ENOUGH: Span = Span::from_hours(25);
/// Quiet time after a start before a missed copy is made up for.
const SETTLE: Span = Span::from_minutes(5);

/// How the copies are.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BackupHealth {
    /// When the last one was finished in this run, where, and what is in it.
    pub last: Option<(Timestamp, PathBuf, BackupReport)>,
    /// Since when they fail, and why.
    pub failing: Option<(Timestamp, String)>,
}

/// The part of a copy's name that tells when it was made: sorts by time.
#[must_use]
pub fn stamp(at: Timestamp) -> String {
    at.to_chrono().format("%Y%m%dT%H%M%SZ").to_string()
}

/// The moment in the name of a copy.
#[must_use]
pub fn stamp_of(path: &Path) -> Option<Timestamp> {
    let stem = path.file_stem()?.to_str()?;
    let (_, stamp) = stem.rsplit_once('-')?;
    let at = chrono::NaiveDateTime::parse_from_str(stamp, "%Y%m%dT%H%M%SZ").ok()?;
    Some(Timestamp::from_ms(at.and_utc().timestamp_millis()))
}

/// The newest copy in a folder.
///
/// # Errors
/// When the folder cannot be read.
pub fn newest(folder: &Path) -> std::io::Result<Option<PathBuf>> {
    let mut newest: Option<PathBuf> = None;
    for file in std::fs::read_dir(folder)? {
        let path = file?.path();
        let is_copy =
            path.extension().is_some_and(|extension| extension == "db") && stamp_of(&path).is_some();
        if is_copy && newest.as_ref().is_none_or(|other| stamp_of(&path) > stamp_of(other)) {
            newest = Some(path);
        }
    }
    Ok(newest)
}

/// The next moment at which a copy is due.
fn next_night(zone: Zone, now: Timestamp) -> Timestamp {
    let local = zone.local(now);
    let on = |date: chrono::NaiveDate| {
        let at =
            date.and_hms_opt(u32::from(AT_MINUTE / 60), u32::from(AT_MINUTE % 60), 0).unwrap_or_default();
        zone.instant_or_next(at)
    };
    let today = on(local.date());
    if today > now { today } else { local.date().succ_opt().map_or(now + Span::from_hours(24), on) }
}

/// Makes a copy each night until told to stop.
pub async fn run(
    folder: PathBuf,
    rack: Arc<Rack>,
    store: StoreHandle,
    clock: Arc<dyn Clock>,
    health: watch::Sender<BackupHealth>,
    stop: CancellationToken,
) {
    let mut due = first_due(&folder, rack.zone, &*clock);
    loop {
        tokio::select! {
            biased;
            () = stop.cancelled() => return,
            () = clock.sleep_until(due) => {}
        }
        let began = clock.now();
        // A copy under way at the stop is left behind as a partial file, and replaced next time.
        let made = tokio::select! {
            biased;
            () = stop.cancelled() => return,
            made = store.backup(folder.clone(), stamp(began.utc), KEEP) => made,
        };
        let now = clock.now();
        due = match note(&health, made, now.utc) {
            true => now.up.after(next_night(rack.zone, now.utc).since(now.utc)),
            false => now.up.after(AGAIN),
        };
    }
}

fn first_due(folder: &Path, zone: Zone, clock: &dyn Clock) -> Uptime {
    let now = clock.now();
    let young = newest(folder).ok().flatten().and_then(|path| stamp_of(&path));
    match young {
        Some(at) if now.utc.since(at) < NEW_ENOUGH => now.up.after(next_night(zone, now.utc).since(now.utc)),
        _ => now.up.after(SETTLE),
    }
}

fn note(
    health: &watch::Sender<BackupHealth>,
    made: Result<(PathBuf, BackupReport), StoreError>,
    at: Timestamp,
) -> bool {
    match made {
        Ok((path, report)) => {
            tracing::info!(copy = %path.display(), bytes = report.bytes, readings = report.readings, "nightly copy");
            health.send_replace(BackupHealth { last: Some((at, path, report)), failing: None });
            true
        }
        Err(error) => {
            let why = error.to_string();
            health.send_modify(|health| match &mut health.failing {
                Some((_, said)) => *said = why,
                None => {
                    tracing::error!(why, "the nightly copy failed; tried again every hour");
                    health.failing = Some((at, why));
                }
            });
            false
        }
    }
}
