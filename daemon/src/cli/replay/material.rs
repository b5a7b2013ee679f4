//! Where a replay's readings, jars and logbook come from: a file, or a database that is only read.

use super::{Arguments, Wanted};
use crate::cli::failure::Failure;
use crate::config::Config;
use crate::core::run::usable;
use crate::ids::SensorId;
use crate::logbook::{Act, Entry};
use crate::progress::Progress;
use crate::rack::{Measure, Rack};
use crate::reading::{Quality, SensorIx};
use crate::replay::station::{Kept, reduced};
use crate::replay::trace::{self, NotATrace};
use crate::replay::{Assumed, Recorded, Setup};
use crate::store::{StoreError, look_at};
use crate::supervise::restore;
use nightjar_calc::time::{Span, Timestamp};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What is replayed.
#[derive(Debug)]
pub struct Material {
    /// What the replay begins with.
    pub setup: Setup,
    /// Sensors of the configuration that have no reading in it.
    pub left_out: Vec<String>,
    /// Names in it that the configuration does not have.
    pub strangers: Vec<String>,
    /// First reading, or where it was told to begin.
    pub first: Timestamp,
    /// Last reading, or where it was told to end.
    pub last: Timestamp,
    /// The readings.
    pub readings: Readings,
}

/// Readings by and by, in order of time.
#[derive(Debug)]
pub enum Readings {
    /// All at once.
    Held(Vec<Recorded>),
    /// Out of a database.
    Stored {
        /// Its file.
        path: PathBuf,
        /// Sensors by their position in the rack of the replay.
        sensors: Vec<SensorId>,
        /// Where the next part begins.
        at: Timestamp,
        /// Where it ends.
        end: Timestamp,
    },
}

/// So much of a database is held in memory at once.
const PART: Span = Span::from_hours(6);
/// Entries read at most.
const MOST_ENTRIES: u32 = 200_000;

impl Readings {
    /// The next readings; `None` when there are no more.
    pub fn next_part(&mut self) -> Result<Option<Vec<Recorded>>, Failure> {
        match self {
            Self::Held(readings) => {
                Ok(Some(std::mem::take(readings)).filter(|readings| !readings.is_empty()))
            }
            Self::Stored { path, sensors, at, end } => {
                if *at >= *end {
                    return Ok(None);
                }
                let until = (*at + PART).min(*end);
                let mut part = look_at(path, |reader| {
                    let mut part = Vec::new();
                    for (sensor, id) in (0u16..).zip(sensors.iter()) {
                        for sample in reader.samples_between(id, *at, until)? {
                            let bad = sample.quality == Quality::Bad;
                            part.push(Recorded {
                                at: sample.at,
                                sensor,
                                value: if bad { f64::NAN } else { sample.value.get() },
                                doubtful: sample.quality == Quality::Uncertain,
                            });
                        }
                    }
                    Ok(part)
                })
                .map_err(|error| cannot_read(path, &error))?;
                *at = until;
                part.sort_by_key(|reading| reading.at);
                Ok(Some(part))
            }
        }
    }
}

fn cannot_read(path: &Path, error: &StoreError) -> Failure {
    Failure::input_output(format!("cannot read {}: {error}", path.display()))
}

fn assumed(arguments: &Arguments) -> Assumed {
    Assumed { set_flow: arguments.set_flow, stage: arguments.stage.state() }
}

fn empty_books(rack: &Rack, config: &Config) -> Result<Progress, Failure> {
    let species = restore::species(config).map_err(|error| Failure::configuration(format!("{error:#}")))?;
    let mut progress = Progress::new(Arc::new(rack.clone()), species);
    progress.set_learning(config.learns);
    Ok(progress)
}

/// A CSV file.
pub fn of_file(
    path: &Path,
    arguments: &Arguments,
    config: &Config,
    wanted: &Wanted,
) -> Result<Material, Failure> {
    let name = path.display();
    let known: Vec<String> = config.rack.sensors.iter().map(|sensor| sensor.id.to_string()).collect();
    let unreadable = |error: &std::io::Error| {
        Failure::input_output(format!("cannot read {name}: {error}; check the path"))
    };
    let file = std::fs::File::open(path).map_err(|error| unreadable(&error))?;
    let trace = trace::read(file, &known, wanted.zone).map_err(|error| match error {
        NotATrace::Unreadable(error) => unreadable(&error),
        error @ (NotATrace::NotCsv { .. }
        | NotATrace::NoTime { .. }
        | NotATrace::NoValue { .. }
        | NotATrace::Time { .. }
        | NotATrace::Value { .. }
        | NotATrace::Strangers { .. }
        | NotATrace::Empty
        | NotATrace::TooLong) => Failure::data(format!("{name}: {error}")),
    })?;
    let Kept { rack, left_out } = reduced(
        &config.rack,
        |sensor| trace.sensors.iter().any(|held| held == sensor.id.as_str()),
        !arguments.raw,
        wanted.interval,
    );
    if arguments.set_flow.is_none() && rack.sensors.iter().any(|sensor| sensor.measure == Measure::Flow) {
        return Err(Failure::usage(
            "the trace has flows: say what the jars should get with --set-flow, like --set-flow 4.0",
        ));
    }
    let places: Vec<Option<u16>> =
        trace.sensors.iter().map(|name| rack.sensor_named(name).map(|ix| ix.0)).collect();
    let inside =
        |at: Timestamp| wanted.from.is_none_or(|from| at >= from) && wanted.to.is_none_or(|to| at < to);
    let readings: Vec<Recorded> = trace
        .rows
        .iter()
        .filter(|row| inside(row.at))
        .filter_map(|row| {
            let sensor = (*places.get(usize::from(row.sensor))?)?;
            Some(Recorded { at: row.at, sensor, value: row.value, doubtful: row.doubtful })
        })
        .collect();
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else {
        return Err(Failure::data(format!(
            "{name} has no reading between --from and --to; it runs from {} to {}",
            trace.rows[0].at,
            trace.rows[trace.rows.len() - 1].at
        )));
    };
    let (first, last) = (first.at, last.at);
    Ok(Material {
        setup: Setup {
            progress: empty_books(&rack, config)?,
            rack,
            assumed: Some(assumed(arguments)),
            entries: Vec::new(),
            acknowledge_after: wanted.acknowledge_after,
        },
        left_out,
        strangers: trace.strangers,
        first,
        last,
        readings: Readings::Held(readings),
    })
}

/// A database of a station.
pub fn of_database(
    folder: &Path,
    arguments: &Arguments,
    config: &Config,
    wanted: &Wanted,
) -> Result<Material, Failure> {
    let path = folder.join(crate::store::FILE_NAME);
    if !path.is_file() {
        return Err(Failure::input_output(format!(
            "{} does not exist: name the folder of the database with --data",
            path.display()
        )));
    }
    let failed = |error: StoreError| cannot_read(&path, &error);
    let (extents, entries) = look_at(&path, |reader| {
        let mut extents = BTreeMap::new();
        for sensor in reader.sensors()? {
            if let Some(extent) = reader.extent(&sensor)? {
                extents.insert(sensor, extent);
            }
        }
        Ok((extents, reader.entries_after(0, MOST_ENTRIES)?))
    })
    .map_err(failed)?;
    let first = extents.values().map(|(first, _)| *first).min();
    let last = extents.values().map(|(_, last)| *last).max();
    let (Some(first), Some(last)) = (first, last) else {
        return Err(Failure::data(format!("{} holds no reading yet", path.display())));
    };
    let from = wanted.from.map_or(first, |from| from.max(first));
    let to = wanted.to.map_or(last, |to| to.min(last));
    let held = |id: &SensorId| extents.get(id).is_some_and(|(first, last)| *first <= to && *last >= from);
    let Kept { rack, left_out } = reduced(&config.rack, |s| held(&s.id), true, wanted.interval);
    if from > to || rack.sensors.is_empty() {
        return Err(Failure::data(format!(
            "{} has no reading of this station between --from and --to; it runs from {first} to {last}",
            path.display()
        )));
    }
    let strangers = extents
        .keys()
        .filter(|id| config.rack.sensor_named(id.as_str()).is_none())
        .map(ToString::to_string)
        .collect();
    let sensors: Vec<SensorId> = rack.sensors.iter().map(|sensor| sensor.id.clone()).collect();
    // What is stored was corrected when it was taken; correcting it again would be wrong.
    let entries: Vec<Entry> = entries
        .into_iter()
        .map(|(_, entry)| entry)
        .filter(|entry| !matches!(entry.act, Act::Calibration(_)))
        .collect();
    let (before, during): (Vec<Entry>, Vec<Entry>) =
        entries.into_iter().partition(|entry| entry.written_at <= from);
    let by_logbook = arguments.set_flow.is_none();
    let mut progress = empty_books(&rack, config)?;
    if by_logbook {
        progress.set_entries(before);
        read_back(&mut progress, &rack, &path, from).map_err(failed)?;
    }
    Ok(Material {
        setup: Setup {
            progress,
            rack,
            assumed: (!by_logbook).then(|| assumed(arguments)),
            entries: if by_logbook { during } else { Vec::new() },
            acknowledge_after: wanted.acknowledge_after,
        },
        left_out,
        strangers,
        first: from,
        last: to,
        readings: Readings::Stored { path, sensors, at: from, end: to + Span::from_ms(1) },
    })
}

/// Temperatures since the oldest eggs in jars were poured in, up to where the replay begins.
fn read_back(progress: &mut Progress, rack: &Rack, path: &Path, until: Timestamp) -> Result<(), StoreError> {
    let Some(since) = progress.needed_since() else { return Ok(()) };
    for (at, sensor) in (0u16..).zip(&rack.sensors) {
        if sensor.measure != Measure::Temperature {
            continue;
        }
        let samples = look_at(path, |reader| reader.samples_between(&sensor.id, since, until))?;
        progress.set_hours(SensorIx(at), [], usable(&samples));
        // The single readings of one thermometer at a time are enough to hold.
        progress.condense_one(SensorIx(at));
    }
    progress.settle();
    Ok(())
}
