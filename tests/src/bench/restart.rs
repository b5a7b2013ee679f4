//! From SIGKILL to the first reading that is evaluated again.

use super::Effort;
use super::station::{Station, Traffic};
use super::stopwatch::{median, now, pause};
use super::table::{Goal, Row, short};
use crate::daemon::try_for;
use crate::http;
use anyhow::{Context, Result};
use std::time::Duration;

/// Readings handed to the core since the start.
fn evaluated(port: u16) -> Option<f64> {
    let (_, metrics) = http::get(port, "/metrics").ok()?;
    let line = metrics.lines().find(|line| line.starts_with("nightjar_readings_total "))?;
    line.split(' ').nth(1)?.parse().ok()
}

/// Kills a station's daemon again and again under its traffic; the middle time in seconds.
///
/// # Errors
/// When it does not come back.
pub fn time(effort: Effort, station: &mut Station) -> Result<f64> {
    let traffic = Traffic::start(station, "nodes")?;
    pause(Duration::from_secs(2));
    let mut took = Vec::new();
    for _ in 0..effort.rounds {
        station.daemon.kill();
        let began = now();
        station.daemon.run();
        let port = station.daemon.port;
        let there = || evaluated(port).filter(|readings| *readings > 0.0);
        try_for(Duration::from_secs(20), there).context("no reading was evaluated after the restart")?;
        took.push(began.elapsed().as_secs_f64());
        // The page counts requests by address; let it forget ours.
        pause(Duration::from_secs(1));
    }
    traffic.stop()?;
    Ok(median(&took))
}

/// With a season stored, and with ten times the jars.
///
/// # Errors
/// When a daemon does not come back.
pub fn rows(effort: Effort, season: &mut Station, tenfold: &mut Station) -> Result<Vec<Row>> {
    let small = time(effort, season)?;
    let large = time(effort, tenfold)?;
    Ok(vec![
        Row::plain("SIGKILL to first evaluation, 24 jars, a season stored", small, "s", Goal::AtMost(1.0))
            .with(format!("median of {}", effort.rounds), ""),
        Row::plain("growth: restart with 240 jars", large / small / 10.0, "of linear", Goal::AtMost(1.1))
            .with(format!("{} s", short(large)), "work ×10"),
    ])
}
