//! Puts a station together from its configuration, owns every task by name, and ends them in
//! order.

mod answers;
mod inside;
mod messages;
mod outward;
mod own_number;
mod page;
mod reach;
pub(crate) mod restore;
mod sources;

use crate::alarm::engine::Fact;
use crate::clock::Clock;
use crate::config::Config;
use crate::core::limits;
use crate::history::StoreHistory;
use crate::ids::PersonId;
use crate::ingest::SourceCounters;
use crate::notify::TEXT;
use crate::notify::worker::Backend as Route;
use crate::rack::JarIx;
use crate::reading::FromSource;
use crate::snapshot::Snapshot;
use crate::store::StoreHandle;
use crate::web::backend::{
    Access, Asked, Backend, Beat, Hashed, HealthView, JarLimits, Metric, Person, Species,
};
use anyhow::{Context, Result, bail};
use reach::Reach;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// How the station is run.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Everybody may make entries under this name: demonstrations only.
    pub demo: Option<PersonId>,
    /// Serve the page.
    pub page: bool,
}

/// Longest time in seconds that a vital task may go without useful work.
const BEAT_LIMIT_S: f64 = 30.0;

/// A station at work.
pub struct Station {
    /// The present.
    pub picture: watch::Receiver<Arc<Snapshot>>,
    /// The way to ask for a change.
    pub commands: mpsc::Sender<Asked>,
    /// The disk.
    pub store: StoreHandle,
    /// What each source counted.
    pub counters: Vec<Arc<SourceCounters>>,
    /// Messages from sources dealt with by the core.
    pub core_done: Arc<AtomicU64>,
    /// Where the page listens, when it is served.
    pub address: Option<std::net::SocketAddr>,
    /// The way to tell the core about site and monitor.
    pub facts: mpsc::Sender<Fact>,
    /// A route could send now.
    pub route_ready: watch::Receiver<bool>,
    clock: Arc<dyn Clock>,
    under_way: Arc<AtomicUsize>,
    seen: Vec<Arc<AtomicU64>>,
    rests: Vec<Arc<AtomicU64>>,
    tasks: JoinSet<&'static str>,
    threads: Vec<std::thread::JoinHandle<()>>,
    stop: CancellationToken,
}

/// Starts everything. Returns once the store is open and every source runs, connected or not: a
/// dead sensor must not keep the monitor from starting.
///
/// # Errors
/// When the store cannot be opened or the page cannot listen.
pub async fn start(
    config: &Config,
    clock: Arc<dyn Clock>,
    stop: CancellationToken,
    options: Options,
) -> Result<Station> {
    let inside::Inside { mut station, to_core, routes, beat } =
        inside::start(config, &clock, &stop, None).await?;
    let rack = Arc::clone(&config.rack);
    let tasks = &mut station.tasks;
    station.threads = sources::start(config, &rack, &clock, &to_core, &station.counters, tasks, &stop)?;
    drop(to_core);
    messages::start_sounder(config, station.picture.clone(), tasks, &stop);
    if let Some((texts, health)) = routes.modem {
        let (picture, commands, clock) =
            (station.picture.clone(), station.commands.clone(), Arc::clone(&clock));
        let names = restore::routes(config);
        let texts_at = names.iter().position(|name| name == TEXT).context("texts are not in the plan")?;
        let answers = answers::Answers::new(
            config,
            station.store.clone(),
            picture,
            commands,
            clock,
            health,
            (station.facts.clone(), texts_at),
        );
        let stop = stop.clone();
        tasks.spawn(async move {
            answers.run(texts, stop).await;
            "answers"
        });
    }
    let drills = crate::drill::watch::Watch {
        folder: config.store.folder.clone(),
        store: station.store.clone(),
        picture: station.picture.clone(),
        facts: station.facts.clone(),
        clock: Arc::clone(&clock),
    };
    let drill_stop = stop.clone();
    tasks.spawn(async move {
        drills.run(drill_stop).await;
        "drills"
    });
    let seen = outward::Seen {
        rack: &rack,
        store: &station.store,
        picture: &station.picture,
        clock: &clock,
        core_beat: Arc::clone(&beat),
        route_beats: routes.beats,
        route_ready: station.route_ready.clone(),
    };
    let reach = outward::start(config, &seen, tasks, &stop)?;
    if options.page {
        let encryption = page::encryption(config, clock.now().utc)?;
        let (store, counters) = (station.store.clone(), station.counters.clone());
        let backend = Backend {
            rack: Arc::clone(&rack),
            snapshot: station.picture.clone(),
            commands: station.commands.clone(),
            history: Arc::new(StoreHistory::new(store.clone(), Arc::clone(&rack))),
            clock: Arc::clone(&clock),
            people: Arc::new(people(config)),
            access: access(config, options.demo),
            species: Arc::new(species(config)?),
            limits: limits_in_force(config, &station.picture),
            health: health(Arc::clone(&clock), beat, store.clone(), counters, reach.clone()),
            sessions: Some(Arc::new(page::StoreSessions(store.clone()))),
            station: page::facts(config, Arc::clone(&clock), store, routes.health, reach),
            stop: stop.clone(),
        };
        let listener = TcpListener::bind(config.web.listen).await.with_context(|| {
            format!("cannot listen on {}: is another program using it?", config.web.listen)
        })?;
        station.address = Some(listener.local_addr()?);
        let app = crate::web::router(backend);
        let serving = page::serve_apart(listener, app, encryption, stop)?;
        tasks.spawn(async move {
            serving.await;
            "page"
        });
    }
    Ok(station)
}

/// Starts what watches and tells, and nothing else: store, core and these routes instead of those of the
/// configuration. What is sent through the channel is what sources would have said.
///
/// # Errors
/// When the store cannot be opened.
pub async fn start_fed(
    config: &Config,
    clock: Arc<dyn Clock>,
    stop: CancellationToken,
    routes: Vec<Route>,
) -> Result<(Station, mpsc::Sender<FromSource>)> {
    let inside::Inside { station, to_core, .. } = inside::start(config, &clock, &stop, Some(routes)).await?;
    Ok((station, to_core))
}

impl Station {
    /// True when nothing is on its way to the disk and every route has dealt with what was due.
    #[must_use]
    pub fn is_settled(&self) -> bool {
        let change = *self.store.outbox_changes().borrow();
        self.under_way.load(Ordering::Acquire) == 0
            && self.seen.iter().all(|seen| seen.load(Ordering::Acquire) >= change)
    }

    /// The same, and no route has anything to do at this moment of the clock either.
    #[must_use]
    pub fn is_at_rest(&self) -> bool {
        let up = self.clock.now().up.ms();
        self.is_settled() && self.rests.iter().all(|until| until.load(Ordering::Acquire) > up)
    }

    /// Waits until told to stop, or until a task that must not end has ended; then ends the rest
    /// in order.
    ///
    /// # Errors
    /// When a vital task ended by itself.
    pub async fn run_to_end(mut self) -> Result<()> {
        let mut failure = None;
        while !self.stop.is_cancelled() {
            tokio::select! {
                // Told to stop, tasks end as they should: that comes first.
                biased;
                () = self.stop.cancelled() => {}
                ended = self.tasks.join_next() => {
                    failure = Some(match ended {
                        Some(Ok(name)) => format!("task `{name}` ended: returned early"),
                        Some(Err(error)) => format!("a task ended: {error}"),
                        None => "every task ended".to_owned(),
                    });
                    // One lost task ends the process; systemd starts it anew.
                    self.stop.cancel();
                }
            }
        }
        while self.tasks.join_next().await.is_some() {}
        self.store.close().await.context("cannot write the last readings")?;
        for thread in self.threads {
            if thread.join().is_err() {
                tracing::error!("a source thread panicked");
            }
        }
        match failure {
            Some(failure) => bail!(failure),
            None => Ok(()),
        }
    }
}

fn people(config: &Config) -> Vec<Person> {
    let hashed =
        |secret: &Option<crate::config::checked::Secret>| secret.as_ref().map(|s| Hashed(s.0.clone()));
    config
        .people
        .iter()
        .map(|person| Person {
            id: person.id.clone(),
            name: person.name.clone(),
            role: person.role,
            password: hashed(&person.password_hash),
            pin: hashed(&person.pin_hash),
        })
        .collect()
}

fn access(config: &Config, demo: Option<PersonId>) -> Access {
    let local = config.web.listen.ip().is_loopback();
    Access {
        reading_open: config.web.open_reading,
        secure: config.web.tls.is_some(),
        // On an unencrypted network a password would travel in the clear.
        sign_in: local || config.web.tls.is_some(),
        demo,
        hosts: config.web.public_url.as_deref().and_then(crate::web::tls::host_of).into_iter().collect(),
    }
}

fn species(config: &Config) -> Result<Vec<Species>> {
    let known = restore::species(config)?;
    Ok(known
        .iter()
        .map(|species| Species { key: species.key.to_string(), name: species.common_name.to_string() })
        .collect())
}

fn limits_in_force(
    config: &Config,
    picture: &watch::Receiver<Arc<Snapshot>>,
) -> Arc<dyn Fn(JarIx) -> JarLimits + Send + Sync> {
    let settings = limits::settings(&config.alarm);
    let picture = picture.clone();
    Arc::new(move |jar| {
        let picture = picture.borrow();
        let Some(view) = picture.jars.get(usize::from(jar.0)) else { return JarLimits::default() };
        let temps = settings.stages.at(view.state);
        JarLimits {
            temp_very_low: temps.very_low_c,
            temp_low: temps.low_c,
            temp_high: temps.high_c,
            temp_very_high: temps.very_high_c,
            flow_none: view.set_flow.map(|flow| flow * settings.flow.none),
            flow_low: view.set_flow.map(|flow| flow * settings.flow.low),
            flow_high: view.set_flow.map(|flow| flow * settings.flow.high),
        }
    })
}

fn health(
    clock: Arc<dyn Clock>,
    beat: Arc<AtomicU64>,
    store: StoreHandle,
    counters: Vec<Arc<SourceCounters>>,
    reach: Reach,
) -> Arc<dyn Fn() -> HealthView + Send + Sync> {
    Arc::new(move || {
        let up = clock.now().up.ms();
        let age_s = up.saturating_sub(beat.load(Ordering::Relaxed)) as f64 / 1000.0;
        let health = store.health();
        let mut faults = Vec::new();
        if let Some(failing) = &health.failing {
            faults.push(format!("storage is failing: {failing:?}"));
        }
        let sum = |count: fn(&SourceCounters) -> u64| counters.iter().map(|c| count(c)).sum::<u64>() as f64;
        let metric = |name, help, value| Metric { name, help, counter: true, label: None, value };
        let mut metrics = reach.metrics(clock.now());
        metrics.extend([
            metric("frames", "Lines or messages dealt with", sum(SourceCounters::frames_taken)),
            metric("readings", "Readings handed to the core", sum(SourceCounters::readings)),
            metric("refused", "Frames or numbers refused", sum(SourceCounters::refused_total)),
            metric("dropped", "Frames lost because the core lagged", sum(SourceCounters::dropped)),
        ]);
        HealthView { beats: vec![Beat { task: "core", age_s, limit_s: BEAT_LIMIT_S }], faults, metrics }
    })
}
