//! Taking over a long record, beside the `sqlite3` shell reading the same file into a table.

use super::Effort;
use super::station::Plan;
use super::stopwatch::{median, seconds};
use super::table::{Goal, Row};
use crate::programs::nightjar;
use anyhow::{Context, Result, ensure};
use nightjar_calc::time::{Span, Timestamp};
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

/// A record of one thermometer, a reading a minute from the beginning of 2024.
fn record(rows: i64) -> Result<String> {
    let begin = Timestamp::parse("2024-01-01T00:00:00Z").context("a time")?;
    let mut text = String::from("time,temp_c\n");
    for row in 0..rows {
        let at = begin + Span::from_secs(60 * row);
        writeln!(text, "{},{}.{:02}", at.rfc3339(), 7 + row / 1_440 % 5, row % 97)?;
    }
    Ok(text)
}

fn ours(file: &Path, folder: &Path) -> Result<f64> {
    let configuration = Plan::RACK.write(folder, 8_080, 1_883)?;
    std::fs::create_dir_all(folder.join("data"))?;
    let mut command = nightjar();
    command.args(["import", "--config"]).arg(&configuration).arg("--temps").arg(file);
    let (took, output) = seconds(|| command.output());
    let output = output?;
    ensure!(output.status.success(), "import: {}", String::from_utf8_lossy(&output.stderr));
    Ok(took)
}

fn shell(file: &Path, folder: &Path, rows: i64) -> Result<f64> {
    let database = folder.join("shell.sqlite");
    let mut command = Command::new("sqlite3");
    command.arg(&database).args([
        "PRAGMA journal_mode = wal",
        "PRAGMA synchronous = full",
        "CREATE TABLE reading (at TEXT, temp_c REAL)",
        ".mode csv",
        &format!(".import --skip 1 {} reading", file.display()),
    ]);
    let (took, output) = seconds(|| command.output());
    let output = output.context("the sqlite3 shell cannot be started")?;
    ensure!(output.status.success(), "sqlite3: {}", String::from_utf8_lossy(&output.stderr));
    let count: i64 =
        rusqlite::Connection::open(&database)?
            .query_row("SELECT count(*) FROM reading", [], |row| row.get(0))?;
    ensure!(count == rows, "the shell took {count} of {rows} rows");
    Ok(took)
}

fn both(rows: i64, rounds: usize) -> Result<(f64, f64)> {
    let outside = tempfile::tempdir()?;
    let file = outside.path().join("water.csv");
    std::fs::write(&file, record(rows)?)?;
    let (mut mine, mut theirs) = (Vec::new(), Vec::new());
    for _ in 0..rounds {
        let folder = tempfile::tempdir()?;
        theirs.push(shell(&file, folder.path(), rows)?);
        mine.push(ours(&file, folder.path())?);
    }
    Ok((median(&mine), median(&theirs)))
}

/// Half a million rows, and a tenth of them.
///
/// # Errors
/// When either import fails.
pub fn rows(effort: Effort) -> Result<Vec<Row>> {
    let many = 500_000;
    let (mine, theirs) = both(many, effort.rounds)?;
    let (tenth, _) = both(many / 10, effort.rounds)?;
    let rate = |seconds: f64| many as f64 / seconds;
    Ok(vec![
        Row::ratio("import of a record of readings", rate(mine), rate(theirs), "rows/s", Goal::AtLeast(0.8)),
        Row::plain(
            "growth: import of ten times the rows",
            mine / tenth / 10.0,
            "of linear",
            Goal::AtMost(1.1),
        )
        .with(format!("{mine:.2} s"), format!("{tenth:.2} s")),
    ])
}
