//! Whether anything grows while the station works: ten readings a second of each sensor, a page opened and
//! left again and again, and what memory and open files do meanwhile.

use super::Effort;
use super::process::{memory_mib, open_files};
use super::station::{Plan, Station, Traffic};
use super::stopwatch;
use super::table::{Goal, Row};
use crate::http;
use anyhow::{Context, Result};
use std::time::Duration;

/// Between two looks; each opens the first page anew.
const LOOK: Duration = Duration::from_millis(500);

/// Memory and open files over time.
///
/// # Errors
/// When the station cannot be set up, or its page does not answer.
pub fn rows(effort: Effort) -> Result<Vec<Row>> {
    let station = Station::start(&Plan { interval_ms: 100, commit_every: "1s", ..Plan::RACK }, 1)?;
    let traffic = Traffic::start(&station, "nodes")?;
    let daemon = station.process()?;
    let look = |seconds: u64| -> Result<Vec<(f64, f64)>> {
        let until = stopwatch::now() + Duration::from_secs(seconds);
        let mut seen = Vec::new();
        while stopwatch::now() < until {
            http::get(station.daemon.port, "/").context("the first page")?;
            let readings = traffic.sent() as f64;
            seen.push((readings / 1e6, memory_mib(daemon)));
            stopwatch::pause(LOOK);
        }
        Ok(seen)
    };
    // Caches fill, and the first groups are on disk.
    look(effort.soak_s / 4)?;
    let files = open_files(daemon);
    let seen = look(effort.soak_s)?;
    let files_after = open_files(daemon);
    let sent = traffic.stop()?;
    let (first, last) = (seen.first().context("a look")?, seen.last().context("a look")?);
    let readings = last.0 - first.0;
    let beside = format!("{:.0} thousand readings, {} pages", readings * 1e3, seen.len());
    // The line through all looks, so that one look at a busy moment does not decide.
    let growth = slope(&seen) * readings;
    Ok(vec![
        Row::plain("memory, growth in the run", growth, "MiB", Goal::AtMost(1.0))
            .with(format!("{:.1} MiB before, {:.1} after", first.1, last.1), beside),
        Row::plain("open files, growth", files_after - files, "", Goal::AtMost(0.0))
            .with(format!("{files:.0} before, {files_after:.0} after"), format!("{sent} messages in all")),
    ])
}

/// Slope of the straight line through the points, by least squares.
fn slope(points: &[(f64, f64)]) -> f64 {
    let n = points.len() as f64;
    let mean = |pick: fn(&(f64, f64)) -> f64| points.iter().map(pick).sum::<f64>() / n;
    let (x, y) = (mean(|p| p.0), mean(|p| p.1));
    let over: f64 = points.iter().map(|p| (p.0 - x) * (p.1 - y)).sum();
    let under: f64 = points.iter().map(|p| (p.0 - x).powi(2)).sum();
    over / under
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_straight_line_has_its_slope() {
        let points: Vec<(f64, f64)> = (0..50).map(|n| (f64::from(n), 3.0 + 0.25 * f64::from(n))).collect();
        assert!((super::slope(&points) - 0.25).abs() < 1e-12);
    }
}
