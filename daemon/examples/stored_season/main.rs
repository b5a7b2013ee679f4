//! Fills the database of a configuration with an invented season, or says how long the outlook of
//! all its jars takes: for the table of `tests/bench`.
//!
//! `stored_season fill CONFIG DAYS` prints how many readings were stored;
//! `stored_season outlook CONFIG ROUNDS` prints one line of milliseconds a round.
#![allow(clippy::print_stdout, reason = "its output is what it is for")]

mod season;

use anyhow::{Context, Result, bail};
use nightjar::clock::{Clock, NotBeforeBuild, SystemClock};
use nightjar::config::{self, overrides::Overrides};
use nightjar::core::run::usable;
use nightjar::core::water::Water;
use nightjar::progress::Progress;
use nightjar::rack::Measure;
use nightjar::reading::SensorIx;
use nightjar::store::{FILE_NAME, StoreOptions, import_entries, open};
use nightjar_calc::development::species;
use nightjar_calc::time::{Span, Timestamp};
use std::path::Path;
use std::sync::Arc;

/// Readings come this often in the record.
const STEP: Span = Span::from_secs(10);

#[tokio::main(flavor = "current_thread")]
async fn main() -> Result<()> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["fill", config, days] => fill(config, days.parse().context("DAYS is a number")?).await,
        ["outlook", config, rounds] => outlook(config, rounds.parse().context("ROUNDS is a number")?),
        _ => bail!("write: stored_season fill CONFIG DAYS, or stored_season outlook CONFIG ROUNDS"),
    }
}

fn load(path: &str) -> Result<config::Config> {
    config::load(Path::new(path), &Overrides::default()).map_err(|refused| anyhow::anyhow!("{refused}"))
}

/// The last whole minute: what is stored ends with it.
fn minute(at: Timestamp) -> Timestamp {
    Timestamp::from_ms(at.ms() / 60_000 * 60_000)
}

async fn fill(path: &str, days: i32) -> Result<()> {
    let config = load(path)?;
    let clock = Arc::new(SystemClock::new(Box::new(NotBeforeBuild)));
    let end = minute(clock.now().utc);
    std::fs::create_dir_all(&config.store.folder).context("the folder of the database")?;
    let file = config.store.folder.join(FILE_NAME);
    let sensors = config.rack.sensors.iter().map(|sensor| sensor.id.clone()).collect();
    let store = open(StoreOptions { ballast_bytes: 0, ..StoreOptions::new(file.clone(), sensors) }, clock)?;
    let mut stored = 0;
    for (number, sensor) in (0_u32..).zip(&config.rack.sensors) {
        // A week at a time, as a writer in use would never hold a whole season up.
        let mut left = days;
        while left > 0 {
            let from = end - Span::from_days(f64::from(left));
            let to = end - Span::from_days(f64::from((left - 7).max(0)));
            let samples = season::samples(sensor, number, from, to, STEP);
            stored += samples.len();
            store.import(sensor.id.clone(), samples).await?;
            left -= 7;
        }
    }
    store.close().await?;
    let entries = season::entries(&config.rack, end).map_err(|error| anyhow::anyhow!("{error}"))?;
    import_entries(&file, &entries)?;
    println!("{stored}");
    Ok(())
}

/// What the core does once an hour and after each entry: sums, the outlook of each header's water,
/// the dates of each jar.
fn outlook(path: &str, rounds: usize) -> Result<()> {
    let config = load(path)?;
    let clock = SystemClock::new(Box::new(NotBeforeBuild));
    let end = minute(clock.now().utc);
    let rack = Arc::clone(&config.rack);
    let mut progress = Progress::new(Arc::clone(&rack), species::all().to_vec());
    progress.set_entries(season::entries(&rack, end).map_err(|error| anyhow::anyhow!("{error}"))?);
    if let Some((id, why)) = progress.books().left_out().first() {
        bail!("entry {} does not fit the books: {why:?}", id.0);
    }
    let from = end - Span::from_days(season::EGGS_SINCE);
    for (number, sensor) in (0_u32..).zip(&rack.sensors) {
        if sensor.measure != Measure::Temperature {
            continue;
        }
        let ix = SensorIx(u16::try_from(number).context("too many sensors")?);
        progress.set_hours(ix, [], usable(&season::samples(sensor, number, from, end, sensor.interval)));
    }
    let mut water = Water::new(Arc::clone(&rack), config.water_type);
    for _ in 0..rounds {
        #[expect(clippy::disallowed_methods, reason = "a stopwatch; nothing is decided by it")]
        let began = std::time::Instant::now();
        progress.settle();
        let dated = water.views(&progress, end).iter().flatten().count();
        let took = began.elapsed().as_secs_f64() * 1_000.0;
        if dated != rack.jars.len() {
            bail!("only {dated} of {} jars have dates", rack.jars.len());
        }
        println!("{took:.3}");
    }
    Ok(())
}
