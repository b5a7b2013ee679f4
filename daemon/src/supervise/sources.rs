//! Starts what brings readings in.

use crate::clock::Clock;
use crate::config::Config;
use crate::ingest::settings::{SourceSettings, Started, sensors_of};
use crate::ingest::{Feed, SourceCounters};
use crate::rack::Rack;
use crate::reading::{FromSource, SourceIx};
use anyhow::{Context, Result};
use std::sync::Arc;
use std::thread::JoinHandle;
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// Starts every source of the configuration.
pub fn start(
    config: &Config,
    rack: &Arc<Rack>,
    clock: &Arc<dyn Clock>,
    to_core: &mpsc::Sender<FromSource>,
    counters: &[Arc<SourceCounters>],
    tasks: &mut JoinSet<&'static str>,
    stop: &CancellationToken,
) -> Result<Vec<JoinHandle<()>>> {
    let mut threads = Vec::new();
    for (at, source) in config.sources.iter().enumerate() {
        let ix = SourceIx(u16::try_from(at).context("too many sources")?);
        let feed = Feed {
            source: ix,
            clock: Arc::clone(clock),
            to_core: to_core.clone(),
            counters: Arc::clone(&counters[at]),
            sensors: Arc::new(sensors_of(rack, ix)),
        };
        let settings = SourceSettings::of(source).with_context(|| format!("source {}", source.id))?;
        match settings.start(feed, stop.clone()).context("cannot start a thread")? {
            Started::Thread(thread) => threads.push(thread),
            Started::Task(task) => {
                tasks.spawn(async move {
                    if let Err(error) = task.await {
                        tracing::error!(%error, "a source failed");
                    }
                    "source"
                });
            }
        }
    }
    Ok(threads)
}
