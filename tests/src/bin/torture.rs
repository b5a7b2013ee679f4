//! `tests/torture`: the fault tests for as long as asked.

use clap::Parser;
use nightjar_tests::torture::{KillLimits, kills, say};
use std::process::ExitCode;
use std::time::Duration;

/// Kills the station at random moments under load and looks for what was promised and is not there.
#[derive(Debug, Parser)]
#[command(name = "torture")]
struct Arguments {
    /// Rounds, one kill each
    #[arg(long, default_value_t = 200)]
    rounds: u32,
    /// Minutes at most
    #[arg(long, default_value_t = 600)]
    minutes: u64,
    /// The same seed, the same moments
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn main() -> ExitCode {
    let asked = Arguments::parse();
    let folder = match tempfile::tempdir() {
        Ok(folder) => folder,
        Err(error) => {
            say(format_args!("no folder to work in: {error}"));
            return ExitCode::FAILURE;
        }
    };
    let limits = KillLimits {
        rounds: asked.rounds,
        length: Duration::from_secs(60 * asked.minutes),
        seed: asked.seed,
        shortest_ms: 200,
        longest_ms: 8_000,
    };
    let totals = match kills::run(&limits, folder.path()) {
        Ok(totals) => totals,
        Err(why) => {
            say(format_args!("cannot be set up: {why}"));
            return ExitCode::FAILURE;
        }
    };
    for fault in &totals.faults {
        say(format_args!("FAULT {fault}"));
    }
    let slow = totals.slowest_start > Duration::from_secs(5);
    if slow {
        say(format_args!("FAULT it took longer than 5 s until readings were judged again"));
    }
    say(format_args!("{totals}"));
    if totals.faults.is_empty() && !slow { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
