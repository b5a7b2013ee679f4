//! Starts a worker for each route of messages, and brings what they say to the core.

use super::restore;
use crate::alarm::engine::Fact;
use crate::alarm::event::AlarmKind;
use crate::clock::Clock;
use crate::config::Config;
use crate::core::run::DIRECT_QUEUE;
use crate::core::state::FromRoute;
use crate::notify::email::EmailRoute;
use crate::notify::folder::FolderRoute;
use crate::notify::modem::{self, ModemHealth, TextIn};
use crate::notify::webhook::WebhookRoute;
use crate::notify::worker::{Backend, Report, RouteHealth, Worker};
use crate::notify::{MAIL, TEXT, sounder};
use crate::snapshot::Snapshot;
use crate::store::{NewMessage, StoreHandle, StoreHealth};
use anyhow::{Context, Result};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// Reports of one worker waiting to be passed on.
const REPORTS: usize = 64;
/// Refusals by policy in a row after which a route counts as failing.
const REFUSALS_IN_A_ROW: u32 = 3;
/// Less free space than this is an alarm.
const FREE_AT_LEAST: u64 = 200 * 1024 * 1024;

/// The routes at work.
#[derive(Debug, Default)]
pub struct Routes {
    /// Ways past the outbox, by name of the route.
    pub direct: BTreeMap<String, mpsc::Sender<NewMessage>>,
    /// How each route fares, by name.
    pub health: Vec<(String, watch::Receiver<RouteHealth>)>,
    /// Change of the outbox up to which each route has done its work.
    pub seen: Vec<Arc<AtomicU64>>,
    /// Up-time until which each route has nothing to do, in milliseconds.
    pub rests: Vec<Arc<AtomicU64>>,
    /// Up-time of the last useful work of each, in milliseconds, by name.
    pub beats: Vec<(&'static str, Arc<AtomicU64>)>,
    /// Texts that people send, and how the modem fares, when there is one.
    pub modem: Option<(mpsc::Receiver<TextIn>, watch::Receiver<ModemHealth>)>,
}

/// Starts a worker for each route of the configuration, or for `instead` of them.
pub fn start(
    config: &Config,
    instead: Option<Vec<Backend>>,
    store: &StoreHandle,
    clock: &Arc<dyn Clock>,
    to_core: &mpsc::Sender<FromRoute>,
    tasks: &mut JoinSet<&'static str>,
    stop: &CancellationToken,
) -> Result<Routes> {
    let names = restore::routes(config);
    let mut routes = Routes::default();
    let modem = config.notify.sms.as_ref().filter(|_| instead.is_none());
    let mut backends = match instead {
        Some(backends) => backends,
        None => backends(config)?,
    };
    let (text_reports, text_fates) = mpsc::channel(REPORTS);
    let mut text_fates = Some(text_fates);
    if let Some(sms) = modem {
        let (route, modem, texts, health) =
            modem::open(sms, store.clone(), Arc::clone(clock), text_reports.clone());
        backends.push(Backend::Text(route));
        routes.modem = Some((texts, health));
        let stop = stop.clone();
        tasks.spawn(async move {
            modem.run(stop).await;
            "modem"
        });
    }
    for backend in backends {
        let name = backend.route();
        let at = names.iter().position(|known| known == name).context("a route that is not in the plan")?;
        // The modem reports too: that a text has arrived, or will not.
        let (reports, fates) = match text_fates.take_if(|_| name == TEXT) {
            Some(fates) => (text_reports.clone(), fates),
            None => mpsc::channel(REPORTS),
        };
        let (direct, direct_inbox) = mpsc::channel(DIRECT_QUEUE);
        let (worker, health) = Worker::new(backend, store.clone(), Arc::clone(clock), reports);
        let worker = worker.with_direct(direct_inbox).with_greeting();
        routes.seen.push(worker.seen());
        routes.rests.push(worker.rests());
        routes.beats.push((name, worker.beat()));
        routes.direct.insert(name.to_owned(), direct);
        routes.health.push((name.to_owned(), health.clone()));
        let worker_stop = stop.clone();
        tasks.spawn(async move {
            worker.run(worker_stop).await;
            "route"
        });
        let (to_core, stop) = (to_core.clone(), stop.clone());
        tasks.spawn(async move {
            pass_on(at, fates, health, to_core, stop).await;
            "reports of a route"
        });
    }
    Ok(routes)
}

fn backends(config: &Config) -> Result<Vec<Backend>> {
    let mut backends = Vec::new();
    if let Some(email) = &config.notify.email {
        backends.push(Backend::Mail(EmailRoute::new(email).context("notify.email")?));
    }
    if let Some(folder) = &config.notify.mail_folder {
        backends.push(Backend::Folder(FolderRoute::new(folder.clone())));
    }
    if !config.notify.webhooks.is_empty() {
        let route =
            WebhookRoute::new(&config.notify.webhooks, Default::default()).context("notify.webhook")?;
        backends.push(Backend::Webhook(route));
    }
    Ok(backends)
}

/// Brings what one worker says to the core.
async fn pass_on(
    route: usize,
    mut fates: mpsc::Receiver<Report>,
    mut health: watch::Receiver<RouteHealth>,
    to_core: mpsc::Sender<FromRoute>,
    stop: CancellationToken,
) {
    let mut said = (false, false);
    loop {
        let message = tokio::select! {
            biased;
            () = stop.cancelled() => return,
            Some(report) = fates.recv() => FromRoute::Fate(report),
            changed = health.changed() => {
                if changed.is_err() {
                    // The worker has ended; so must this, and with it the process.
                    return;
                }
                let health = health.borrow_and_update();
                let now = (
                    health.failing_since.is_some() || health.refusals >= REFUSALS_IN_A_ROW,
                    health.refused,
                );
                if now == said {
                    continue;
                }
                said = now;
                FromRoute::Health { route, failing: now.0, refused: now.1 }
            }
        };
        if to_core.send(message).await.is_err() {
            return;
        }
    }
}

/// Tells the core how storage is, whenever that changes. `lost` is what no working disk brings back.
pub async fn watch_storage(
    store: StoreHandle,
    lost: Option<String>,
    facts: mpsc::Sender<Fact>,
    stop: CancellationToken,
) {
    let mut health = store.health_changes();
    let mut said = None;
    loop {
        let problem = storage_problem(&health.borrow_and_update()).or_else(|| lost.clone());
        if problem != said {
            said.clone_from(&problem);
            if facts.send(Fact::Storage { problem }).await.is_err() {
                return;
            }
        }
        tokio::select! {
            biased;
            () = stop.cancelled() => return,
            changed = health.changed() => if changed.is_err() { return stop.cancelled().await },
        }
    }
}

/// Sounds while nobody can be told by any route.
pub fn start_sounder(
    config: &Config,
    mut picture: watch::Receiver<Arc<Snapshot>>,
    tasks: &mut JoinSet<&'static str>,
    stop: &CancellationToken,
) {
    let Some(settings) = config.notify.sounder.clone() else { return };
    let (wanted, watched) = watch::channel(false);
    let (sound_stop, watch_stop) = (stop.clone(), stop.clone());
    tasks.spawn(async move {
        sounder::run(settings, watched, sound_stop).await;
        "sounder"
    });
    tasks.spawn(async move {
        loop {
            let silent = picture.borrow_and_update().alarms.iter().any(|alarm| {
                alarm.kind == AlarmKind::CannotSendAtAll && alarm.on && alarm.acknowledged.is_none()
            });
            wanted.send_if_modified(|on| std::mem::replace(on, silent) != silent);
            tokio::select! {
                biased;
                () = watch_stop.cancelled() => return "sounder watch",
                changed = picture.changed() => if changed.is_err() {
                    watch_stop.cancelled().await;
                },
            }
        }
    });
}

/// Whether a route could send now: the modem is registered, or the mail server let us in.
pub fn route_ready(
    modem: Option<watch::Receiver<ModemHealth>>,
    routes: &[(String, watch::Receiver<RouteHealth>)],
    tasks: &mut JoinSet<&'static str>,
    stop: &CancellationToken,
) -> watch::Receiver<bool> {
    let (ready, watched) = watch::channel(false);
    let mut mail = routes.iter().find(|(name, _)| name == MAIL).map(|(_, health)| health.clone());
    let mut modem = modem;
    let stop = stop.clone();
    tasks.spawn(async move {
        loop {
            let registered = modem.as_mut().is_some_and(|health| health.borrow_and_update().ready);
            let let_in = mail.as_mut().is_some_and(|health| health.borrow_and_update().let_in);
            ready.send_replace(registered || let_in);
            tokio::select! {
                biased;
                () = stop.cancelled() => return "readiness of the routes",
                () = changed(&mut modem) => {}
                () = changed(&mut mail) => {}
            }
        }
    });
    watched
}

/// The next change; never when there is nothing to watch.
async fn changed<T>(seen: &mut Option<watch::Receiver<T>>) {
    if let Some(receiver) = seen
        && receiver.changed().await.is_ok()
    {
        return;
    }
    *seen = None;
    std::future::pending().await
}

/// What is wrong with storage, in a few words.
fn storage_problem(health: &StoreHealth) -> Option<String> {
    if let Some(failing) = &health.failing {
        return Some(failing.trouble.to_string());
    }
    let free = health.free_bytes.filter(|free| *free < FREE_AT_LEAST)?;
    Some(format!("only {} MB free", free / (1024 * 1024)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_nearly_full_disk_is_a_problem_before_writing_fails() {
        let mut health = StoreHealth { free_bytes: Some(FREE_AT_LEAST), ..StoreHealth::default() };
        assert_eq!(storage_problem(&health), None);
        health.free_bytes = Some(FREE_AT_LEAST - 1);
        assert_eq!(storage_problem(&health).as_deref(), Some("only 199 MB free"));
    }
}
