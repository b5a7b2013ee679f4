//! `nightjar demo`: an invented season played over a real pseudo-terminal.
//!
//! The clock belongs to the player: it moves to the next scan only when the daemon has dealt with
//! the last one, so that a busy machine makes the season slower, never different.

mod crew;
mod player;
mod report;

use super::failure::Failure;
use super::output::{Format, Output};
use crate::clock::{Clock, ManualClock};
use crate::ids::PersonId;
use crate::supervise::{self, Options};
use clap::Args;
use nightjar_simulator::scenario::{Scenario, SupplyPlan};
use nightjar_simulator::station::Station;
use player::Player;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use tokio_util::sync::CancellationToken;

/// How to play.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Simulated seconds in a second
    #[arg(long, default_value_t = 8_000.0)]
    speed: f64,
    /// Where the page listens
    #[arg(long, default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
    /// Days of the season to play; all of it unless said
    #[arg(long)]
    days: Option<f64>,
    /// Draws weather, water and fish
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Folder for database and mail; a temporary one unless said
    #[arg(long, value_name = "FOLDER")]
    data: Option<PathBuf>,
    /// What happens: demo, pump-trip, two-pumps, clogged-header, warm-spell, probe-failure, five-jars, quiet
    #[arg(long, default_value = "demo")]
    scenario: String,
    /// Jars, when another number than the scenario's
    #[arg(long)]
    jars: Option<usize>,
    /// As fast as possible, without a page; prints what was predicted beside what was true
    #[arg(long)]
    headless: bool,
    /// Form of the result
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Plays the season.
///
/// # Errors
/// Exit 64 for a scenario that makes no sense, 74 when the page or folder cannot be used.
pub fn run(arguments: &Arguments, output: &mut Output) -> Result<(), Failure> {
    let station = build(arguments)?;
    if !arguments.headless {
        crate::observe::start();
    }
    let (folder, temporary) = folder(arguments)?;
    let runtime = super::run::runtime()?;
    let result = runtime.block_on(play(arguments, station, &folder, output));
    if temporary {
        // A folder that cannot be removed is no reason to fail after all is shown.
        drop(std::fs::remove_dir_all(&folder));
    }
    result
}

fn build(arguments: &Arguments) -> Result<Station, Failure> {
    if !(arguments.speed > 0.0 && arguments.speed <= 1e6) {
        return Err(Failure::usage("--speed is a number of simulated seconds in a second, up to 1000000"));
    }
    let mut scenario = Scenario::named(&arguments.scenario).map_err(Failure::usage)?;
    if let Some(jars) = arguments.jars {
        scenario = scenario.with_jars(jars).map_err(Failure::usage)?;
    }
    if let Some(days) = arguments.days {
        if !(days > 0.0 && days <= 400.0) {
            return Err(Failure::usage("--days is more than 0 and at most 400"));
        }
        scenario.days = days;
    }
    Station::new(scenario, arguments.seed).map_err(Failure::usage)
}

fn folder(arguments: &Arguments) -> Result<(PathBuf, bool), Failure> {
    if let Some(folder) = &arguments.data {
        let used = folder.join(crate::store::FILE_NAME);
        if used.exists() {
            return Err(Failure::usage(format!(
                "{} exists already: a season begins in an empty folder",
                used.display()
            )));
        }
        return Ok((folder.clone(), false));
    }
    let folder = std::env::temp_dir().join(format!("nightjar-demo-{}", std::process::id()));
    if folder.exists() {
        std::fs::remove_dir_all(&folder)
            .map_err(|error| Failure::input_output(format!("cannot empty {}: {error}", folder.display())))?;
    }
    Ok((folder, true))
}

async fn play(
    arguments: &Arguments,
    station: Station,
    folder: &std::path::Path,
    output: &mut Output,
) -> Result<(), Failure> {
    let mail = folder.join("mail");
    let wire = player::Wire::open().map_err(|error| Failure::input_output(format!("{error:#}")))?;
    let text = configuration(&station, &wire.path, folder, &mail, arguments.listen);
    let config = crate::config::parse(&text, "the demo's own configuration").map_err(Failure::internal)?;
    let clock = Arc::new(ManualClock::new(station.start()));
    let stop = CancellationToken::new();
    let crew = PersonId::new("kim").map_err(Failure::internal)?;
    let options = Options { demo: Some(crew.clone()), page: !arguments.headless };
    let daemon = supervise::start(&config, Arc::clone(&clock) as Arc<dyn Clock>, stop.clone(), options)
        .await
        .map_err(|error| Failure::input_output(format!("{error:#}")))?;
    if let Some(address) = daemon.address {
        tell_the_story(output, &station, address, arguments, &mail)?;
    }
    super::run::watch_signals(stop.clone())?;
    let pace = (!arguments.headless).then_some(arguments.speed);
    let mut player = Player::new(station, wire, clock, crew, pace);
    let played =
        player.play(&daemon, &stop).await.map_err(|error| Failure::internal(format!("{error:#}")))?;
    let report =
        report::make(&played, &daemon).await.map_err(|error| Failure::internal(format!("{error:#}")))?;
    match arguments.format {
        Format::Json => output.json(&report)?,
        Format::Text => report::text(&report, output)?,
    }
    if !arguments.headless && !stop.is_cancelled() {
        output.line("The season is over. The page stays open until Ctrl-C.")?;
        output.flush().map_err(|error| Failure::input_output(error.to_string()))?;
        stop.cancelled().await;
    }
    stop.cancel();
    daemon.run_to_end().await.map_err(|error| Failure::internal(format!("{error:#}")))
}

fn tell_the_story(
    output: &mut Output,
    station: &Station,
    address: SocketAddr,
    arguments: &Arguments,
    mail: &std::path::Path,
) -> Result<(), Failure> {
    let scenario = station.scenario();
    let minutes = scenario.days * 1440.0 / arguments.speed;
    output.line(format_args!("An invented season: {}.", scenario.about))?;
    output.line(format_args!(
        "{:.0} days pass in about {minutes:.0} minutes; the board speaks over a pseudo-terminal, the crew writes its log.",
        scenario.days
    ))?;
    output.line(
        "Watch the jars fill with development, the dates narrow, and what happens when the water stops.",
    )?;
    output.line(format_args!("Page:     http://{address}/"))?;
    output.line(format_args!("Messages: http://{address}/messages and {}", mail.display()))?;
    output.line("Ctrl-C ends it.")?;
    output.flush().map_err(|error| Failure::input_output(error.to_string()))
}

/// The station's own configuration, as a technician would write it.
fn configuration(
    station: &Station,
    port: &str,
    folder: &std::path::Path,
    mail: &std::path::Path,
    listen: SocketAddr,
) -> String {
    let jars = station.jars();
    let mut headers: Vec<&str> = jars.iter().map(|(_, header)| header.as_str()).collect();
    headers.dedup();
    let mut racks = String::new();
    for header in headers {
        let names: Vec<String> =
            jars.iter().filter(|(_, h)| h == header).map(|(jar, _)| format!("{jar:?}")).collect();
        let rows: Vec<String> = names.chunks(8).map(|row| format!("[{}]", row.join(", "))).collect();
        let supply = match station.scenario().supply {
            SupplyPlan::Shared => "pump".to_owned(),
            SupplyPlan::PerHeader => format!("pump {header}"),
        };
        let rows = rows.join(", ");
        racks.push_str(&format!("[[rack.header]]\nid = {header:?}\nsupply = {supply:?}\nrows = [{rows}]\n"));
    }
    format!(
        "[station]\nname = \"Alder Creek (invented)\"\ntime-zone = \"{zone}\"\naltitude-m = 410\n\
         [rack]\nheader-temperature = \"H{{header}}T\"\nheader-flow = \"H{{header}}F\"\n{racks}\
         [[source.serial]]\nid = \"board\"\nport = {port:?}\ninterval = \"{interval}ms\"\n\
         [[people]]\nid = \"kim\"\nname = \"Kim\"\nphone = \"+12025550143\"\nemail = \"kim@station.example\"\n\
         [[people]]\nid = \"lee\"\nname = \"Lee\"\nphone = \"+12025550144\"\nemail = \"lee@station.example\"\n\
         [rota]\nweeks = [[\"kim\", \"lee\"]]\n\
         [notify]\nmail-folder = {mail:?}\n\
         [web]\nlisten = \"{listen}\"\n\
         [store]\nfolder = {folder:?}\n",
        zone = station.zone(),
        interval = station.interval().ms(),
    )
}
