//! `nightjar replay`: the configured alarms over a recorded or imported trace. Prints what would
//! have been sent, to whom, when and by which route, and what each channel's own noise asks for.
//! Sends nothing and changes nothing.

mod material;
mod report;

use super::CommandResult;
use super::failure::Failure;
use super::output::{Format, Output};
use crate::config::validate::value::parse_duration;
use crate::config::{self, Config, overrides::Overrides};
use crate::replay::{Recorded, Replay, Said};
use crate::snapshot::JarState;
use clap::{Args, ValueEnum};
use material::Material;
use nightjar_calc::time::{Span, Timestamp, Zone};
use report::Report;
use std::path::PathBuf;

/// What to replay.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Configuration file of the station
    #[arg(long, value_name = "FILE", default_value = "/etc/nightjar/nightjar.toml")]
    config: PathBuf,
    /// Trace to replay: a CSV file with time,sensor,value or time,<sensor>,<sensor>…
    #[arg(long, value_name = "FILE", conflicts_with = "data", required_unless_present = "data")]
    readings: Option<PathBuf>,
    /// Folder of a database to replay, as the station writes it; it is only read
    #[arg(long, value_name = "FOLDER")]
    data: Option<PathBuf>,
    /// Begin here, like 2026-04-16T06:00:00-05:00
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// End before this
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// Zone of times without an offset (default: that of the station)
    #[arg(long, value_name = "ZONE")]
    tz: Option<String>,
    /// Take every jar as loaded, with this set flow; needed for a trace of flows without a logbook
    #[arg(long, value_name = "L_PER_MIN", allow_negative_numbers = true)]
    set_flow: Option<f64>,
    /// Stage of the eggs, for limits on temperature, where all jars are taken as loaded
    #[arg(long, value_enum, default_value_t)]
    stage: Stage,
    /// How often the trace has readings, when it is thinner than the station's own: 60s, 5m
    #[arg(long, value_name = "LENGTH")]
    interval: Option<String>,
    /// The trace holds the numbers of the frames, not °C and L/min
    #[arg(long, conflicts_with = "data")]
    raw: bool,
    /// Whoever is told first acknowledges after this long; without it nobody ever answers
    #[arg(long, value_name = "LENGTH")]
    acknowledge_after: Option<String>,
    /// Form of the result
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// How the eggs stand.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
enum Stage {
    /// Until eye-up
    #[default]
    Green,
    /// From eye-up
    Eyed,
    /// From the first fry on
    Hatching,
}

impl Stage {
    const fn state(self) -> JarState {
        match self {
            Self::Green => JarState::Green,
            Self::Eyed => JarState::Eyed,
            Self::Hatching => JarState::Hatching,
        }
    }
}

/// What was asked for, checked.
#[derive(Debug)]
struct Wanted {
    from: Option<Timestamp>,
    to: Option<Timestamp>,
    zone: Zone,
    interval: Option<Span>,
    acknowledge_after: Option<Span>,
}

/// Replays a trace.
///
/// # Errors
/// Exit 64 for options that make no sense, 65 for a trace that makes none, 74 when a file cannot be
/// read, 78 when the configuration is refused.
pub fn run(arguments: &Arguments, output: &mut Output) -> CommandResult {
    let config =
        config::load(&arguments.config, &Overrides::from_environment()).map_err(Failure::configuration)?;
    let wanted = wanted(arguments, &config)?;
    let material = match (&arguments.readings, &arguments.data) {
        (Some(file), _) => material::of_file(file, arguments, &config, &wanted)?,
        (None, Some(folder)) => material::of_database(folder, arguments, &config, &wanted)?,
        (None, None) => {
            return Err(Failure::usage("name a trace with --readings, or a database with --data"));
        }
    };
    let report = Report::new(&config, &material, arguments.format);
    play(&config, material, report, output)
}

fn wanted(arguments: &Arguments, config: &Config) -> Result<Wanted, Failure> {
    let zone = match &arguments.tz {
        Some(name) => Zone::named(name).map_err(|error| Failure::usage(format!("--tz: {error}")))?,
        None => config.rack.zone,
    };
    let moment = |name: &str, text: &Option<String>| match text {
        None => Ok(None),
        Some(text) => zone.parse(text).map(Some).map_err(|error| {
            Failure::usage(format!("--{name}: {error}; write it like 2026-04-16T06:00:00-05:00"))
        }),
    };
    let length = |name: &str, text: &Option<String>| match text {
        None => Ok(None),
        Some(text) => match parse_duration(text).filter(|span| span.ms() >= 0) {
            Some(span) => Ok(Some(span)),
            None => {
                Err(Failure::usage(format!("--{name}: \"{text}\" is not a length; write it like 90s or 5m")))
            }
        },
    };
    let (from, to) = (moment("from", &arguments.from)?, moment("to", &arguments.to)?);
    if from.zip(to).is_some_and(|(from, to)| from >= to) {
        return Err(Failure::usage("--from must lie before --to"));
    }
    if arguments.set_flow.is_some_and(|flow| !(flow > 0.0 && flow <= 1000.0)) {
        return Err(Failure::usage("--set-flow is a flow in L/min above zero and at most 1000"));
    }
    let interval = length("interval", &arguments.interval)?;
    if interval.is_some_and(|interval| interval < Span::from_ms(100)) {
        return Err(Failure::usage("--interval is at least 100ms"));
    }
    Ok(Wanted {
        from,
        to,
        zone,
        interval,
        acknowledge_after: length("acknowledge-after", &arguments.acknowledge_after)?,
    })
}

fn play(config: &Config, material: Material, mut report: Report, output: &mut Output) -> CommandResult {
    let Material { setup, first, last, mut readings, .. } = material;
    let mut replay = Replay::new(config, setup, first);
    report.begin(output)?;
    let mut moment: Vec<Recorded> = Vec::new();
    while let Some(part) = readings.next_part()? {
        for reading in part {
            if moment.first().is_some_and(|other| other.at != reading.at) {
                replay.handle_readings(moment[0].at, &moment);
                moment.clear();
                pass_on(&mut replay, &mut report, output)?;
            }
            moment.push(reading);
        }
    }
    if let Some(reading) = moment.first() {
        replay.handle_readings(reading.at, &moment);
    }
    replay.run_to(last);
    pass_on(&mut replay, &mut report, output)?;
    report.end(&replay, output)
}

fn pass_on(replay: &mut Replay, report: &mut Report, output: &mut Output) -> CommandResult {
    while let Some(said) = replay.poll_output() {
        match said {
            Said::Event(event) => report.event(&event),
            Said::Message(sent) => report.message(&sent, output)?,
        }
    }
    Ok(())
}
