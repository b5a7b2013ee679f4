//! What watches and tells: store, core and the routes for messages, without anything that looks at the water.

use super::restore::{self, Beginning};
use super::{Station, messages};
use crate::clock::{Clock, Now};
use crate::config::Config;
use crate::config::checked::{Source, SourceKind};
use crate::core::run::{Core, CoreParts, FACT_QUEUE, ROUTE_QUEUE};
use crate::ingest::SourceCounters;
use crate::ingest::feed::FEED_CAPACITY;
use crate::notify::worker::Backend as Route;
use crate::rack::Rack;
use crate::reading::FromSource;
use crate::snapshot::{HeaderView, Snapshot};
use crate::store::{FILE_NAME, StoreHandle, StoreHealth, StoreOptions};
use crate::web::backend::COMMANDS_WAITING;
use anyhow::{Context, Result};
use nightjar_calc::time::Span;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// A station without eyes yet.
pub(super) struct Inside {
    pub(super) station: Station,
    pub(super) to_core: mpsc::Sender<FromSource>,
    pub(super) routes: messages::Routes,
    pub(super) beat: Arc<AtomicU64>,
}

/// Starts it. The routes are those of the configuration, or `instead` of them.
pub(super) async fn start(
    config: &Config,
    clock: &Arc<dyn Clock>,
    stop: &CancellationToken,
    instead: Option<Vec<Route>>,
) -> Result<Inside> {
    let store = open_store(config, Arc::clone(clock))?;
    let now = clock.now();
    let Beginning { state, was_read, lost } = restore::state(config, &store, now).await?;
    let (to_core, inbox) = mpsc::channel(FEED_CAPACITY);
    let (commands, asked) = mpsc::channel(COMMANDS_WAITING);
    let (picture_out, picture) = watch::channel(Arc::new(empty_picture(&config.rack, now)));
    let (routes_out, routes_in) = mpsc::channel(ROUTE_QUEUE);
    let (facts, facts_in) = mpsc::channel(FACT_QUEUE);
    let mut tasks = JoinSet::new();
    if !was_read {
        let (health, read_stop) = (store.health_changes(), stop.clone());
        tasks.spawn(begin_anew_once_it_can_be_read(health, read_stop));
    }
    let mut routes = messages::start(config, instead, &store, clock, &routes_out, &mut tasks, stop)?;
    drop(routes_out);
    let (watched, watch_facts, watch_stop) = (store.clone(), facts.clone(), stop.clone());
    tasks.spawn(async move {
        messages::watch_storage(watched, lost, watch_facts, watch_stop).await;
        "storage watch"
    });
    let counters: Vec<Arc<SourceCounters>> =
        config.sources.iter().map(|_| Arc::new(SourceCounters::default())).collect();
    let under_way = Arc::new(AtomicUsize::new(0));
    let (beat, core_done) = (Arc::new(AtomicU64::new(now.up.ms())), Arc::new(AtomicU64::new(0)));
    let parts = CoreParts {
        inbox,
        commands: asked,
        store: store.clone(),
        picture: picture_out,
        routes: routes_in,
        facts: facts_in,
        direct: std::mem::take(&mut routes.direct),
        counters: counters.clone(),
        beat: Arc::clone(&beat),
        done: Arc::clone(&core_done),
        under_way: Arc::clone(&under_way),
    };
    let core = Core::new(state, parts, Arc::clone(clock));
    let core_stop = stop.clone();
    tasks.spawn(async move {
        core.run(core_stop).await;
        "core"
    });
    let modem_health = routes.modem.as_ref().map(|(_, health)| health.clone());
    let route_ready = messages::route_ready(modem_health, &routes.health, &mut tasks, stop);
    let station = Station {
        picture,
        commands,
        facts,
        route_ready,
        store,
        counters,
        core_done,
        address: None,
        clock: Arc::clone(clock),
        under_way,
        seen: routes.seen.clone(),
        rests: routes.rests.clone(),
        tasks,
        threads: Vec::new(),
        stop: stop.clone(),
    };
    Ok(Inside { station, to_core, routes, beat })
}

/// A station that could not read what is stored watches without it. Once it can, it ends, to be
/// started anew with everything.
async fn begin_anew_once_it_can_be_read(
    mut health: watch::Receiver<StoreHealth>,
    stop: CancellationToken,
) -> &'static str {
    tokio::select! {
        biased;
        () = stop.cancelled() => {}
        _works = health.wait_for(|health| health.failing.is_none()) => {
            tracing::warn!("the store works again: ending, to begin anew with what is stored");
        }
    }
    "watching without what is stored"
}

fn open_store(config: &Config, clock: Arc<dyn Clock>) -> Result<StoreHandle> {
    let folder = &config.store.folder;
    std::fs::create_dir_all(folder)
        .with_context(|| format!("cannot create the data folder {}", folder.display()))?;
    crate::store::open(store_options(config), clock).context("cannot open the database")
}

fn store_options(config: &Config) -> StoreOptions {
    let sensors = config.rack.sensors.iter().map(|sensor| sensor.id.clone()).collect();
    let mut options = StoreOptions::new(config.store.folder.join(FILE_NAME), sensors);
    options.commit_interval = config.store.commit_every;
    options.receipt_window = window(&config.sources).unwrap_or(options.receipt_window);
    options.keep_readings = config.store.keep_raw_days.map(|days| Span::from_days(f64::from(days)));
    options
}

/// The smallest number of messages that a broker sends before it waits for acknowledgments.
fn window(sources: &[Source]) -> Option<usize> {
    let of = |source: &Source| match source.kind {
        SourceKind::Mqtt { in_flight, .. } => Some(usize::from(in_flight)),
        SourceKind::Serial { .. } | SourceKind::Modbus { .. } => None,
    };
    sources.iter().filter_map(of).min()
}

fn empty_picture(rack: &Rack, now: Now) -> Snapshot {
    Snapshot {
        now,
        version: 0,
        jars: Vec::new(),
        headers: rack.headers.iter().map(|_| HeaderView { temperature: None, flow: None }).collect(),
        sensors: Vec::new(),
        lots: Vec::new(),
        alarms: Vec::new(),
        learning: Vec::new(),
        past_outlooks: None,
        season_outlooks: Arc::default(),
        sources: Vec::new(),
        last_told: None,
        hand_over: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::load;
    use crate::config::overrides::Overrides;

    /// With less than the broker's window, 54 sensors that speak each second were two commits a second.
    #[test]
    fn the_store_waits_for_the_interval_and_the_window_of_the_configuration() {
        let example = concat!(env!("CARGO_MANIFEST_DIR"), "/../deploy/twenty-four-jars-mqtt.toml");
        let config = load(example.as_ref(), &Overrides::default()).unwrap();
        let options = store_options(&config);
        assert_eq!(options.receipt_window, 500);
        assert_eq!(options.commit_interval, Span::from_secs(10));
    }
}
