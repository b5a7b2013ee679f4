//! Crash points: the station works under load with every write and sync of its database traced; then
//! the disk is rebuilt as a power cut after any one call would have left it. What was rebuilt must be
//! sound, hold everything that had been acknowledged by then, and be a state that existed.
//!
//! A state is what the database's own shell makes of all tables (`.sha3sum`). With `synchronous =
//! FULL` a power cut can leave two: that of the last synced commit, or that of a commit whose sync
//! had not returned.

use super::broker::{Marker, OwnBroker};
use super::chance::Chance;
use super::feed::{Board, Feed};
use super::inspect;
use super::keeper::{self, Keeper};
use super::receiver::Receiver;
use super::script::Script;
use super::station::{self, Peers, Water};
use super::trace::{Damage, Trace, base};
use super::{say, shim};
use crate::daemon::Daemon;
use crate::pace;
use crate::programs;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// What to do.
#[derive(Clone, Copy, Debug)]
pub struct CrashLimits {
    /// Crash points to rebuild.
    pub points: u64,
    /// How long the station works while it is traced.
    pub work: Duration,
    /// Decides moments and damage.
    pub seed: u64,
}

/// What a run came to.
#[derive(Clone, Debug, Default)]
pub struct Totals {
    /// Calls in the traces.
    pub calls: u64,
    /// Syncs among them.
    pub syncs: u64,
    /// States the database was in.
    pub states: u64,
    /// Crash points rebuilt, by what was done to the disk.
    pub points: BTreeMap<String, u64>,
    /// Points at which the last commit was not yet synced and survived.
    pub ahead: u64,
    /// Everything that was not as promised.
    pub faults: Vec<String>,
}

/// One stretch of work, with what was acknowledged when.
struct Stretch {
    trace: Trace,
    /// Bytes of the trace by which each reading and each entry was acknowledged.
    readings: Vec<(u64, String)>,
    entries: Vec<(u64, String)>,
}

/// Traces the station at work and rebuilds crash points.
///
/// # Errors
/// When the peers cannot be set up.
pub fn run(limits: &CrashLimits, folder: &Path) -> Result<Totals, String> {
    let mut totals = Totals::default();
    let mut chance = Chance::new(limits.seed, 2);
    let stretches = work(limits, folder)?;
    for stretch in &stretches {
        totals.calls += stretch.trace.steps() as u64;
        totals.syncs += stretch.trace.syncs() as u64;
    }
    let all: u64 = totals.calls.max(1);
    for (number, stretch) in stretches.iter().enumerate() {
        // As many of each stretch as it has calls of all.
        let share = (limits.points * stretch.trace.steps() as u64).div_ceil(all);
        say(format_args!(
            "stretch {}: {} calls, {} syncs, {} readings and {} entries acknowledged; {share} crash points",
            number + 1,
            stretch.trace.steps(),
            stretch.trace.syncs(),
            stretch.readings.len(),
            stretch.entries.len(),
        ));
        rebuild(stretch, share, &folder.join("rebuilt"), &mut chance, &mut totals)?;
    }
    Ok(totals)
}

/// The station at work: begun on an empty folder; killed and begun again; stopped and begun again,
/// so that the log is taken over, removed and made anew.
fn work(limits: &CrashLimits, folder: &Path) -> Result<Vec<Stretch>, String> {
    let words = |error: std::io::Error| error.to_string();
    let library = shim::build(folder)?;
    let data = folder.join("data");
    std::fs::create_dir_all(&data).map_err(words)?;
    let trace_file = folder.join("trace");
    let length_of = trace_file.clone();
    let marker: Marker = Arc::new(move || std::fs::metadata(&length_of).map_or(0, |file| file.len()));
    let board = Board::new().map_err(|error| format!("no pseudo-terminal: {error}"))?;
    let broker = Arc::new(OwnBroker::start(Arc::clone(&marker)).map_err(words)?);
    let receiver = Arc::new(Receiver::start().map_err(words)?);
    let page = programs::free_port();
    let peers = Peers { page, broker: broker.port, receiver: receiver.port, board: &board.path, data: &data };
    let configuration = station::configuration(folder, &peers).map_err(words)?;
    let mut begin_from = base(&data).map_err(words)?;
    let mut daemon =
        Daemon::start_with(folder, &configuration, page, shim::tracing(&library, &data, &trace_file));
    keeper::pour_in(page)?;
    let water = Arc::<Water>::default();
    let _feed = Feed::start(Arc::clone(&broker), board, Arc::clone(&water));
    let _script = Script::start(water, receiver, limits.seed);
    let ask = Arc::clone(&marker);
    let keeper = Keeper::start(page, Duration::from_millis(60), Box::new(move || ask()));
    let (mut stretches, mut entries_before) = (Vec::new(), 0);
    for part in 0..3 {
        pace::pause(limits.work / 3);
        if part == 1 {
            // Its last words are traced as well: the checkpoint of a clean end.
            daemon.stop();
        } else {
            daemon.kill();
        }
        // Answers still in the buffers were given before the end; a moment, and they are read.
        pace::pause(Duration::from_millis(300));
        let bytes = std::fs::read(&trace_file).map_err(words)?;
        let trace = Trace::read(std::mem::take(&mut begin_from), &bytes)?;
        let readings = broker.take_safe().into_iter().map(|safe| (safe.mark, safe.key)).collect();
        let entries: Vec<(u64, String)> = {
            let written = keeper.written();
            let new = written.safe.iter().skip(entries_before);
            new.map(|(id, mark)| (*mark, id.clone())).collect()
        };
        entries_before += entries.len();
        stretches.push(Stretch { trace, readings, entries });
        if part < 2 {
            begin_from = base(&data).map_err(words)?;
            std::fs::remove_file(&trace_file).map_err(words)?;
            daemon.run();
        }
    }
    Ok(stretches)
}

fn rebuild(
    stretch: &Stretch,
    points: u64,
    folder: &Path,
    chance: &mut Chance,
    totals: &mut Totals,
) -> Result<(), String> {
    let words = |error: std::io::Error| error.to_string();
    std::fs::create_dir_all(folder).map_err(words)?;
    let each = Damage::ALL.len() as u64;
    let mut moments: Vec<usize> =
        (0..points.div_ceil(each)).map(|_| 1 + chance.position(stretch.trace.steps())).collect();
    moments.sort_unstable();
    let mut disk = stretch.trace.begin();
    let (mut at, mut done) = (0, 0);
    // The state at the last sync of the log, and after which call that was.
    let mut synced: Option<(usize, String)> = None;
    for moment in moments {
        let sync = stretch.trace.last_sync(moment);
        if synced.as_ref().is_none_or(|(known, _)| *known != sync) {
            if sync > at {
                stretch.trace.advance(&mut disk, at, sync);
                at = sync;
            }
            let mut there = disk.clone();
            if sync < at {
                there = stretch.trace.begin();
                stretch.trace.advance(&mut there, 0, sync);
            }
            there.write(folder, Damage::None, chance).map_err(words)?;
            synced = Some((sync, state(folder)?.1));
            totals.states += 1;
        }
        stretch.trace.advance(&mut disk, at, moment);
        at = moment;
        disk.write(folder, Damage::None, chance).map_err(words)?;
        let ahead = state(folder)?.1;
        for damage in Damage::ALL {
            if done == points {
                break;
            }
            done += 1;
            *totals.points.entry(format!("{damage:?}").to_lowercase()).or_default() += 1;
            disk.write(folder, damage, chance).map_err(words)?;
            let allowed = [synced.as_ref().map_or("", |(_, state)| state.as_str()), ahead.as_str()];
            match judge(stretch, moment, folder, allowed) {
                Ok(newer) => totals.ahead += u64::from(newer),
                Err(why) => {
                    let kept = keep(folder, totals.faults.len());
                    let fault =
                        format!("after call {moment}, {damage:?}: {why} (kept in {})", kept.display());
                    say(format_args!("      FAULT  {fault}"));
                    totals.faults.push(fault);
                }
            }
        }
    }
    Ok(())
}

/// Whether a rebuilt database is what it may be. True when it is ahead of the last sync.
fn judge(stretch: &Stretch, moment: usize, folder: &Path, allowed: [&str; 2]) -> Result<bool, String> {
    let known = stretch.trace.bytes_after(moment);
    let owed = |all: &[(u64, String)]| -> Vec<String> {
        all.iter().filter(|(mark, _)| *mark <= known).map(|(_, key)| key.clone()).collect()
    };
    let (readings, entries) = (owed(&stretch.readings), owed(&stretch.entries));
    // The product looks first, at the files as the power cut left them.
    if !readings.is_empty() {
        let found = inspect::readings(folder, None)?;
        if let Some(lost) = readings.iter().find(|key| !found.contains(*key)) {
            return Err(format!("the acknowledged reading {lost} is lost"));
        }
    }
    let (integrity, state) = state(folder)?;
    if integrity != "ok" {
        return Err(format!("integrity: {integrity}"));
    }
    if !entries.is_empty() {
        let found = inspect::ask(folder, &["SELECT id FROM entry;"])?;
        let found: std::collections::BTreeSet<&str> = found.lines().collect();
        if let Some(lost) = entries.iter().find(|id| !found.contains(id.as_str())) {
            return Err(format!("the acknowledged entry {lost} is lost"));
        }
    }
    if !allowed.contains(&state.as_str()) {
        return Err("it is in a state that never existed, or in one older than the last sync".to_owned());
    }
    Ok(allowed[0] != allowed[1] && state == allowed[1])
}

/// What `PRAGMA integrity_check` says, and the sum over all tables.
fn state(folder: &Path) -> Result<(String, String), String> {
    let text = inspect::ask(folder, &["PRAGMA integrity_check;", ".sha3sum"])?;
    let (integrity, sum) = text.trim_end().rsplit_once('\n').unwrap_or((text.trim_end(), ""));
    Ok((integrity.to_owned(), sum.to_owned()))
}

/// Keeps what did not pass for a person to look at.
fn keep(folder: &Path, number: usize) -> PathBuf {
    let kept = std::env::temp_dir().join(format!("nightjar-crash-{}-{number}", std::process::id()));
    // Where it cannot be kept, the seed finds it again.
    drop(inspect::copy(folder, &kept));
    kept
}

impl std::fmt::Display for Totals {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let points: Vec<String> = self.points.iter().map(|(damage, n)| format!("{n} {damage}")).collect();
        write!(
            f,
            "{} crash points ({}) in {} calls with {} syncs, {} states; {} kept a commit that was not yet \
             synced; {} faults",
            self.points.values().sum::<u64>(),
            points.join(", "),
            self.calls,
            self.syncs,
            self.states,
            self.ahead,
            self.faults.len(),
        )
    }
}
