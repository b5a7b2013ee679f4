//! `nightjar-sim`: plays a season on a serial line, to a broker, into files.

mod broker;
mod pace;
mod sink;

use anyhow::Context;
use clap::{Parser, ValueEnum};
use nightjar_calc::time::{Span, Timestamp};
use nightjar_simulator::frame::{Encoder, Format, messages};
use nightjar_simulator::scenario::{Scenario, names};
use nightjar_simulator::station::Station;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Exit code for a wrong command line or scenario (as in BSD sysexits).
const USAGE: u8 = 64;
/// Exit code for devices and files that do not work.
const IO: u8 = 74;

/// Plays a season of an invented hatchery and sends what its sensors would send.
#[derive(Debug, Parser)]
#[command(name = "nightjar-sim", version, after_help = after_help())]
struct Options {
    /// Scenario: a name, or the path of a TOML file
    #[arg(long, default_value = "demo", value_name = "NAME|FILE")]
    scenario: String,
    /// Seed: the same one gives the same season
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Simulated seconds for each real one; 0 is as fast as possible
    #[arg(long, default_value_t = 1.0)]
    speed: f64,
    /// Length of the season in days
    #[arg(long)]
    days: Option<f64>,
    /// Number of jars; the takes are spread over them
    #[arg(long)]
    jars: Option<usize>,
    /// Time between scans in seconds
    #[arg(long, value_name = "SECONDS")]
    interval: Option<f64>,
    /// When the season begins: `now`, or a time like 2026-04-16T06:00:00-05:00
    #[arg(long, value_name = "TIME")]
    start: Option<String>,
    /// Form of the lines on serial
    #[arg(long, value_enum, default_value_t = Form::Xdr)]
    format: Form,
    /// Readings carry their own time (JSON lines, MQTT)
    #[arg(long)]
    stamp: bool,
    /// Make a pseudo-terminal and print the path of its other end
    #[arg(long, conflicts_with = "serial")]
    pty: bool,
    /// A link to be made to the other end of the pseudo-terminal
    #[arg(long, value_name = "PATH", requires = "pty")]
    pty_link: Option<PathBuf>,
    /// Send to this serial port
    #[arg(long, value_name = "PORT")]
    serial: Option<String>,
    /// Speed of the serial port
    #[arg(long, default_value_t = 115_200)]
    baud: u32,
    /// Publish to this MQTT broker, QoS 1, one topic a sensor
    #[arg(long, value_name = "HOST:PORT")]
    mqtt: Option<String>,
    /// First part of the topics
    #[arg(long, default_value = "sensors", value_name = "TOPIC")]
    topic_prefix: String,
    /// Client id at the broker
    #[arg(long, default_value = "nightjar-sim", value_name = "ID")]
    client_id: String,
    /// Log every reading that the broker acknowledged: sensor,time,value
    #[arg(long, value_name = "FILE", requires = "mqtt")]
    acked_log: Option<PathBuf>,
    /// Write all readings into a CSV file
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write what really happened into a JSON file, anew each simulated day and at the end
    #[arg(long, value_name = "FILE")]
    truth: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Form {
    /// NMEA 0183 XDR sentences
    Xdr,
    /// JSON lines
    Json,
    /// Raw counts with commas between
    Columns,
}

fn after_help() -> String {
    format!(
        "Scenarios: {}.\nExit codes: 0 done, 64 wrong command line or scenario, 74 device or file.",
        names().join(", ")
    )
}

fn main() -> ExitCode {
    let options = match Options::try_parse() {
        Ok(options) => options,
        Err(e) => {
            // Nothing is left to do when even this cannot be printed.
            drop(e.print());
            return if e.use_stderr() { ExitCode::from(USAGE) } else { ExitCode::SUCCESS };
        }
    };
    let (code, problem) = match station(&options) {
        Err(problem) => (USAGE, problem),
        Ok(station) => match play(&options, station) {
            Ok(()) => return ExitCode::SUCCESS,
            Err(problem) => (IO, problem),
        },
    };
    drop(writeln!(std::io::stderr().lock(), "nightjar-sim: {problem:#}"));
    ExitCode::from(code)
}

/// The station that the options ask for.
fn station(options: &Options) -> anyhow::Result<Station> {
    anyhow::ensure!(
        options.speed >= 0.0 && options.speed.is_finite(),
        "--speed {} is not a pace; 1 is real time, 0 as fast as possible",
        options.speed
    );
    if let Some(prefix) = Some(&options.topic_prefix)
        && (prefix.is_empty() || prefix.contains(['+', '#', '\0']))
    {
        anyhow::bail!(
            "--topic-prefix \"{prefix}\" is not a topic; + and # have a meaning of their own there"
        );
    }
    let mut scenario = if Path::new(&options.scenario).extension().is_some_and(|e| e == "toml") {
        let text = std::fs::read_to_string(&options.scenario)
            .with_context(|| format!("cannot read scenario {}", options.scenario))?;
        Scenario::from_toml(&text).with_context(|| options.scenario.clone())?
    } else {
        Scenario::named(&options.scenario)?
    };
    if let Some(jars) = options.jars {
        scenario = scenario.with_jars(jars)?;
    }
    scenario.days = options.days.unwrap_or(scenario.days);
    scenario.interval_s = options.interval.unwrap_or(scenario.interval_s);
    if let Some(start) = &options.start {
        let at =
            if start == "now" { pace::wall_time() } else { Timestamp::parse(start).context("--start")? };
        scenario.start = at.rfc3339();
    }
    Ok(Station::new(scenario, options.seed)?)
}

fn play(options: &Options, mut station: Station) -> anyhow::Result<()> {
    let format = match options.format {
        Form::Xdr => Format::Xdr,
        Form::Json => Format::Json,
        Form::Columns => Format::Columns,
    };
    let mut encoder = Encoder::new(format, options.stamp, options.seed);
    let pace = pace::Pace::new(options.speed);
    let mut wire = open_wire(options, pace.unhurried())?;
    let log = options.acked_log.as_deref();
    let connect = |address: &String| broker::Courier::connect(address, &options.client_id, log);
    let mut courier = options.mqtt.as_ref().map(connect).transpose()?;
    let sensors = station.sensors();
    let mut table = options.csv.as_ref().map(|path| sink::Table::create(path, &sensors)).transpose()?;
    let mut next_truth = station.start();
    while !station.finished() {
        let step = station.step();
        pace.wait_for(station.now().since(station.start()));
        if let Some(wire) = &mut wire {
            wire.send(&encoder.bytes(&step.scan))?;
        }
        if let Some(courier) = &mut courier {
            for message in messages(&step.scan, &options.topic_prefix, options.stamp) {
                courier.send(message)?;
            }
        }
        if let Some(table) = &mut table {
            table.add(&step.scan)?;
        }
        if station.now() >= next_truth {
            next_truth = station.now() + Span::from_hours(24);
            write_truth(options, &station)?;
        }
    }
    write_truth(options, &station)?;
    if let Some(table) = table {
        table.close()?;
    }
    let mut told = format!("played {} days of {}", station.scenario().days, station.scenario().name);
    if let Some(courier) = courier {
        let (acknowledged, again) = courier.close()?;
        told += &format!("; the broker acknowledged {acknowledged} readings, {again} reconnections");
    }
    if let Some(lost) = wire.map(|wire| wire.lost()).filter(|lost| *lost > 0) {
        told += &format!("; {lost} bytes were not read by anybody");
    }
    drop(writeln!(std::io::stderr().lock(), "{told}"));
    Ok(())
}

fn open_wire(options: &Options, patient: bool) -> anyhow::Result<Option<sink::Wire>> {
    if options.pty {
        let (wire, path) = sink::Wire::pseudo_terminal(options.pty_link.as_deref(), patient)?;
        let mut out = std::io::stdout().lock();
        writeln!(out, "{path}").and_then(|()| out.flush()).context("cannot print the path")?;
        return Ok(Some(wire));
    }
    let open = |port: &String| sink::Wire::serial(port, options.baud, patient);
    options.serial.as_ref().map(open).transpose()
}

/// Replaces the truth file in one move, so that a reader never sees half of it.
fn write_truth(options: &Options, station: &Station) -> anyhow::Result<()> {
    let Some(path) = &options.truth else { return Ok(()) };
    let text = serde_json::to_vec_pretty(&station.truth()).context("cannot write the truth")?;
    let mut beside = path.clone().into_os_string();
    beside.push(".new");
    std::fs::write(&beside, text)
        .and_then(|()| std::fs::rename(&beside, path))
        .with_context(|| format!("cannot write {}", path.display()))
}
