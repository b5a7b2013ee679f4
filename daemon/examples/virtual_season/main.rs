//! A season of 120 days on a clock that is moved by hand: the whole core, the store on a disk and the
//! workers that carry messages, 24 jars with a meter and a thermometer each, and faults by a script that is
//! drawn from a seed. Nothing else is random and no clock is read, so that a seed that fails here fails
//! everywhere.
//!
//! `virtual_season [--seed N] [--days N] [--scan SECONDS] [--folder FOLDER]` prints one JSON object, and
//! ends with 1 when anything is not as the script has it.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "its output is what it is for")]

mod board;
mod chance;
mod eggs;
mod expected;
mod judge;
mod raised;
mod script;
mod season;
mod stage;
mod sums;
#[path = "../invented/take.rs"]
mod take;
mod water;

use anyhow::{Context, Result, bail};
use nightjar::store::FILE_NAME;
use nightjar_calc::time::{Span, Timestamp};
use season::Season;
use serde_json::{Value, json};
use stage::Stage;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Before the clocks go forward, so that this night is in it.
const BEGIN: &str = "2027-02-20T06:00:00-06:00";

struct Wanted {
    seed: u64,
    days: i32,
    scan: Span,
    folder: Option<PathBuf>,
}

fn main() -> ExitCode {
    let played = wanted().and_then(|wanted| {
        let seed = wanted.seed;
        play(&wanted).with_context(|| format!("seed {seed}"))
    });
    match played {
        Ok(report) => {
            println!("{report:#}");
            let sound = report["problems"].as_array().is_some_and(Vec::is_empty);
            if !sound {
                eprintln!("seed {}: not as the script has it", report["seed"]);
            }
            ExitCode::from(u8::from(!sound))
        }
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}

fn wanted() -> Result<Wanted> {
    let mut wanted = Wanted { seed: 1, days: 120, scan: Span::from_secs(60), folder: None };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let value = words.next().with_context(|| format!("{word} wants a value"))?;
        match word.as_str() {
            "--seed" => wanted.seed = value.parse().context("--seed wants a number")?,
            "--days" => wanted.days = value.parse().context("--days wants a number")?,
            "--scan" => wanted.scan = Span::from_secs(value.parse().context("--scan wants seconds")?),
            "--folder" => wanted.folder = Some(value.into()),
            _ => bail!("write: virtual_season [--seed N] [--days N] [--scan SECONDS] [--folder FOLDER]"),
        }
    }
    Ok(wanted)
}

fn play(wanted: &Wanted) -> Result<Value> {
    // Everything but the disk on one thread: the order of what happens is the same each time.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build()?;
    let scratch = tempfile::tempdir().context("cannot make a folder for the database")?;
    let folder = wanted.folder.as_deref().unwrap_or(scratch.path());
    runtime.block_on(season(wanted, folder))
}

async fn season(wanted: &Wanted, folder: &Path) -> Result<Value> {
    #[expect(clippy::disallowed_methods, reason = "a stopwatch; nothing is decided by it")]
    let began = std::time::Instant::now();
    let begin = Timestamp::parse(BEGIN).context("the beginning is a time")?;
    let length = Span::from_days(f64::from(wanted.days));
    let stage = Stage::open(folder, begin, wanted.scan).await?;
    let mut season = Season::new(wanted.seed, length, wanted.scan, stage)?;
    let mut at = wanted.scan;
    while at <= length {
        season = season.step(at).await?;
        at += wanted.scan;
    }
    let mut report = judge::judge(&mut season, wanted.scan).await?;
    let mut problems = season.problems;
    season.stage.close().await?;
    let file = folder.join(FILE_NAME);
    let db = rusqlite::Connection::open(&file).context("the database cannot be opened")?;
    let verdict: String = db.query_row("PRAGMA integrity_check", [], |row| row.get(0))?;
    if verdict != "ok" {
        problems.push(format!("integrity: {verdict}"));
    }
    report["seed"] = json!(wanted.seed);
    report["days"] = json!(wanted.days);
    report["scan_s"] = json!(wanted.scan.secs());
    report["integrity"] = json!(verdict);
    report["database_bytes"] = json!(std::fs::metadata(&file).map_or(0, |file| file.len()));
    report["real_seconds"] = json!(began.elapsed().as_secs_f64());
    report["problems"] = json!(problems);
    Ok(report)
}
