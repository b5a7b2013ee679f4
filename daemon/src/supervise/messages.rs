//! Tells people: alarm events climb the ladder, its messages go into the outbox, one worker a
//! route carries them away.

use crate::alarm::event::AlarmEvent;
use crate::clock::{Clock, sleep_or_never};
use crate::config::Config;
use crate::notify::email::EmailRoute;
use crate::notify::folder::FolderRoute;
use crate::notify::route::{Directory, Router};
use crate::notify::worker::{Backend, Report, Worker};
use crate::store::{StoreHandle, Transition};
use anyhow::{Context, Result};
use nightjar_calc::time::Timestamp;
use std::sync::Arc;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// Reports of workers waiting for the ladder.
const REPORTS: usize = 256;

/// Starts the ladder and a worker for each route of the configuration.
pub fn start(
    config: &Config,
    store: &StoreHandle,
    clock: &Arc<dyn Clock>,
    events: mpsc::Receiver<Box<AlarmEvent>>,
    told: watch::Sender<Option<(Timestamp, String)>>,
    tasks: &mut JoinSet<&'static str>,
    stop: &CancellationToken,
) -> Result<()> {
    let (reports, fates) = mpsc::channel(REPORTS);
    let mut backends = Vec::new();
    if let Some(email) = &config.notify.email {
        backends.push(Backend::Mail(EmailRoute::new(email).context("notify.email")?));
    }
    if let Some(folder) = &config.notify.mail_folder {
        backends.push(Backend::Folder(FolderRoute::new(folder.clone())));
    }
    for backend in backends {
        let (worker, _) = Worker::new(backend, store.clone(), Arc::clone(clock), reports.clone());
        let stop = stop.clone();
        tasks.spawn(async move {
            worker.run(stop).await;
            "route"
        });
    }
    let ladder = Ladder {
        router: Router::new(Directory::new(config)),
        store: store.clone(),
        clock: Arc::clone(clock),
        events,
        fates,
        told,
        _reports: reports,
    };
    let stop = stop.clone();
    tasks.spawn(async move {
        ladder.run(stop).await;
        "ladder"
    });
    Ok(())
}

struct Ladder {
    router: Router,
    store: StoreHandle,
    clock: Arc<dyn Clock>,
    events: mpsc::Receiver<Box<AlarmEvent>>,
    fates: mpsc::Receiver<Report>,
    told: watch::Sender<Option<(Timestamp, String)>>,
    /// Keeps the channel of reports open where there is no route.
    _reports: mpsc::Sender<Report>,
}

impl Ladder {
    async fn run(mut self, stop: CancellationToken) {
        loop {
            let wait = sleep_or_never(&*self.clock, self.router.poll_timeout());
            tokio::select! {
                biased;
                () = stop.cancelled() => return,
                Some(event) = self.events.recv() => {
                    self.router.handle_event(&event, self.clock.now());
                }
                Some(report) = self.fates.recv() => {
                    let now = self.clock.now();
                    self.told.send_replace(Some((now.utc, format!("{} by {}", report.key.person, report.key.route))));
                    self.router.handle_fate(&report.key, report.fate, now);
                }
                () = wait => {}
            }
            self.router.handle_timeout(self.clock.now());
            let mut outbox = Vec::new();
            while let Some(message) = self.router.poll_output() {
                outbox.push(message);
            }
            if outbox.is_empty() {
                continue;
            }
            if let Err(refused) = self.store.commit(Transition { outbox, ..Transition::default() }).await {
                tracing::error!(error = %refused.why, "messages are not in the outbox yet");
            }
        }
    }
}
