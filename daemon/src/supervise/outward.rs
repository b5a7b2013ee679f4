//! Starts what looks outward: exports, the sign of life, the watchdog, nightly copies. None of it
//! is needed for watching the eggs.

use super::reach::Reach;
use crate::backup::{self, BackupHealth};
use crate::clock::Clock;
use crate::config::Config;
use crate::export::influx::Exporter;
use crate::export::mqtt::Publisher;
use crate::health::{Beats, watchdog};
use crate::heartbeat::send::Heart;
use crate::notify::worker::STUCK_AFTER;
use crate::rack::Rack;
use crate::snapshot::Snapshot;
use crate::store::StoreHandle;
use anyhow::{Context, Result};
use nightjar_calc::time::Span;
use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// Longest time that the core may go without useful work. It wakes every 10 s at least.
const CORE_LIMIT: Span = Span::from_secs(25);

/// What the outward parts look at.
pub struct Seen<'a> {
    /// The station as it stands.
    pub rack: &'a Arc<Rack>,
    /// The disk.
    pub store: &'a StoreHandle,
    /// The present.
    pub picture: &'a watch::Receiver<Arc<Snapshot>>,
    /// The time.
    pub clock: &'a Arc<dyn Clock>,
    /// Up-time of the core's last useful work, in milliseconds.
    pub core_beat: Arc<AtomicU64>,
    /// The same of each route's worker, by name.
    pub route_beats: Vec<(&'static str, Arc<AtomicU64>)>,
    /// A route could send now.
    pub route_ready: watch::Receiver<bool>,
}

/// Starts each part that the configuration asks for; gives how each fares.
pub fn start(
    config: &Config,
    seen: &Seen<'_>,
    tasks: &mut JoinSet<&'static str>,
    stop: &CancellationToken,
) -> Result<Reach> {
    let Seen { rack, store, picture, clock, core_beat, route_beats, route_ready } = seen;
    let beats = Beats::default();
    let mut reach = Reach::default();
    beats.adopt("core", CORE_LIMIT, Arc::clone(core_beat));
    for (route, beat) in route_beats {
        beats.adopt(route, STUCK_AFTER, Arc::clone(beat));
    }
    if watchdog::period().is_some() {
        let task = watchdog::run(beats.clone(), (*store).clone(), Arc::clone(clock), stop.clone());
        tasks.spawn(async move {
            task.await;
            "watchdog"
        });
    }
    if let Some(settings) = &config.export.influx {
        let (exporter, health) =
            Exporter::new(settings, rack, (*store).clone(), (*picture).clone(), Arc::clone(clock))
                .context("export.influx")?;
        reach.influx = Some(health);
        let stop = stop.clone();
        tasks.spawn(async move {
            exporter.run(stop).await;
            "export"
        });
    }
    if let Some(settings) = &config.export.mqtt {
        let (publisher, health) = Publisher::new(
            settings.clone(),
            Arc::clone(rack),
            (*store).clone(),
            (*picture).clone(),
            Arc::clone(clock),
        );
        reach.mqtt = Some(health);
        let stop = stop.clone();
        tasks.spawn(async move {
            publisher.run(stop).await;
            "publisher"
        });
    }
    if let Some(settings) = &config.notify.heartbeat {
        let (heart, health) = Heart::new(
            settings.clone(),
            Arc::clone(rack),
            (*store).clone(),
            (*picture).clone(),
            beats,
            route_ready.clone(),
            Arc::clone(clock),
        )
        .context("notify.heartbeat")?;
        reach.heartbeat = Some(health);
        let stop = stop.clone();
        tasks.spawn(async move {
            heart.run(stop).await;
            "heartbeat"
        });
    }
    if let Some(folder) = config.store.backup_folder.clone() {
        let (health, seen) = watch::channel(BackupHealth::default());
        reach.copies = Some(seen);
        let copies =
            backup::run(folder, Arc::clone(rack), (*store).clone(), Arc::clone(clock), health, stop.clone());
        tasks.spawn(async move {
            copies.await;
            "nightly copies"
        });
    }
    Ok(reach)
}
