//! `tests/torture`: the fault tests for as long as asked.

use clap::Parser;
use nightjar_tests::torture::{KillLimits, crash, faults, kills, say};
use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;

/// Kills the station at random moments under load and looks for what was promised and is not there.
#[derive(Debug, Parser)]
#[command(name = "torture")]
struct Arguments {
    /// Rounds, one kill each
    #[arg(long, default_value_t = 200)]
    rounds: u32,
    /// Minutes at most; of crash points: minutes of work that is traced
    #[arg(long)]
    minutes: Option<f64>,
    /// The same seed, the same moments
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Instead of killing: so many crash points
    #[arg(long, value_name = "NUMBER")]
    crash_points: Option<u64>,
    /// Instead of killing: let the 1st to n-th write, sync and open fail
    #[arg(long, value_name = "N")]
    faults: Option<u64>,
    /// Stations at one time while calls fail
    #[arg(long, default_value_t = 5)]
    at_once: usize,
}

fn main() -> ExitCode {
    let asked = Arguments::parse();
    let ran = tempfile::tempdir()
        .map_err(|error| format!("no folder to work in: {error}"))
        .and_then(|folder| torture(&asked, folder.path()));
    match ran {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(why) => {
            say(format_args!("cannot be set up: {why}"));
            ExitCode::FAILURE
        }
    }
}

/// True when everything was as promised.
fn torture(asked: &Arguments, folder: &Path) -> Result<bool, String> {
    let minutes =
        |usual: f64| Duration::from_secs_f64(60.0 * asked.minutes.unwrap_or(usual).clamp(0.05, 1e5));
    if let Some(points) = asked.crash_points {
        let limits = crash::CrashLimits { points, work: minutes(1.0), seed: asked.seed };
        let totals = crash::run(&limits, folder)?;
        say(format_args!("{totals}"));
        return Ok(totals.faults.is_empty());
    }
    if let Some(last) = asked.faults {
        let cases: Vec<faults::Case> = (1..=last).flat_map(faults::Case::at).collect();
        return Ok(faults::run_all(&cases, asked.at_once, folder)? == 0);
    }
    let limits = KillLimits {
        rounds: asked.rounds,
        length: minutes(600.0),
        seed: asked.seed,
        shortest_ms: 200,
        longest_ms: 8_000,
    };
    let totals = kills::run(&limits, folder)?;
    let slow = totals.slowest_start > Duration::from_secs(5);
    if slow {
        say(format_args!("FAULT it took longer than 5 s until readings were judged again"));
    }
    say(format_args!("{totals}"));
    Ok(totals.faults.is_empty() && !slow)
}
