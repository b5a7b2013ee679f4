//! Sums and dates of every jar: what the core makes anew once an hour and after each entry.

use super::Effort;
use super::station::Plan;
use super::stopwatch::median;
use super::table::{Goal, Row};
use crate::programs::stored_season;
use anyhow::{Context, Result, ensure};

fn milliseconds(plan: &Plan, rounds: usize) -> Result<f64> {
    let folder = tempfile::tempdir()?;
    let file = plan.write(folder.path(), 8_080, 1_883)?;
    let output = stored_season().arg("outlook").arg(&file).arg(rounds.to_string()).output()?;
    ensure!(output.status.success(), "no outlook: {}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout)?;
    let took: Vec<f64> =
        text.lines().map(|line| line.parse().context("milliseconds")).collect::<Result<_>>()?;
    Ok(median(&took))
}

/// For 24, 240 and 2,000 jars with a reading a minute, eggs two weeks old.
///
/// # Errors
/// When it cannot be made.
pub fn rows(effort: Effort) -> Result<Vec<Row>> {
    let plan = |headers, jars_of_each| Plan { headers, jars_of_each, interval_ms: 60_000, ..Plan::RACK };
    let rounds = effort.rounds;
    let small = milliseconds(&plan(3, 8), rounds)?;
    let tenfold = milliseconds(&plan(6, 40), rounds)?;
    let large = milliseconds(&plan(50, 40), rounds)?;
    Ok(vec![
        Row::plain("outlook of 24 jars on 3 headers", small, "ms", Goal::AtMost(20.0)),
        Row::plain("outlook of 2,000 jars on 50 headers", large, "ms", Goal::AtMost(1_000.0)),
        Row::plain("growth: outlook of 240 jars", tenfold / small / 10.0, "of linear", Goal::AtMost(1.1))
            .with(format!("{tenfold:.1} ms"), "work ×10"),
    ])
}
