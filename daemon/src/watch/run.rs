//! The loop around [`Watcher`]: signs of life and time in, messages out, memory kept.

use super::memory::{Memory, Pending};
use super::receive::{INBOX, Received, router};
use super::settings::Settings;
use super::watcher::{Notice, Watcher};
use crate::clock::{Clock, Uptime, sleep_or_never};
use crate::notify::email::EmailRoute;
use crate::notify::folder::FolderRoute;
use crate::notify::{Body, Sent};
use crate::web::server::{Limits, serve};
use anyhow::{Context, Result};
use nightjar_calc::time::{Span, Timestamp};
use sd_notify::NotifyState;
use std::net::SocketAddr;
use std::sync::Arc;
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// Waits between attempts at one message.
const WAITS_S: [i64; 5] = [30, 60, 120, 300, 600];
/// Attempts under way at one time.
const AT_ONCE: usize = 8;
/// Messages kept while no route works; the oldest that are not urgent make room.
const KEPT: usize = 500;
/// How often the moment of the last sign of life is kept.
const MEMORY_EVERY: Span = Span::from_secs(60);
/// How often the loop wakes by itself, so that the service manager sees it work.
const TICK: Span = Span::from_secs(5);

#[derive(Clone, Debug)]
struct Routes {
    email: Option<EmailRoute>,
    folder: Option<FolderRoute>,
}

impl Routes {
    async fn send(&self, message: &Pending, clock: &dyn Clock) -> Sent {
        let body = Body {
            subject: message.subject.clone(),
            text: message.text.clone(),
            to: message.to.clone(),
            about: message.about.clone(),
            ..Body::default()
        };
        let now = clock.now();
        if let Some(folder) = &self.folder {
            let sent = folder.send(&message.key, &body, now).await;
            if self.email.is_none() {
                return sent;
            }
        }
        match &self.email {
            Some(email) => email.send(&message.key, &body, message.urgent, now).await,
            None => Sent::Retry("no route".to_owned()),
        }
    }
}

/// When each message may be tried.
#[derive(Clone, Copy, Debug)]
struct Try {
    attempts: usize,
    due: Uptime,
    under_way: bool,
}

struct Loop {
    settings: Settings,
    watcher: Watcher,
    memory: Memory,
    tries: std::collections::BTreeMap<String, Try>,
    routes: Routes,
    clock: Arc<dyn Clock>,
    under_way: JoinSet<(String, Sent)>,
    daily_due: Timestamp,
    saved: Memory,
    saved_at: Uptime,
}

/// A watcher at work.
pub struct Running {
    /// Where it listens.
    pub address: SocketAddr,
    tasks: JoinSet<Result<()>>,
}

impl Running {
    /// Waits for its end.
    ///
    /// # Errors
    /// When it ended by itself or could not keep its memory.
    pub async fn wait(mut self) -> Result<()> {
        while let Some(ended) = self.tasks.join_next().await {
            ended.context("a task of the watcher ended")??;
        }
        Ok(())
    }
}

/// Starts the watcher.
///
/// # Errors
/// When its file cannot be used, its address is taken or its mail route makes no sense.
pub async fn start(settings: Settings, clock: Arc<dyn Clock>, stop: CancellationToken) -> Result<Running> {
    if let Some(folder) = settings.state_file.parent() {
        std::fs::create_dir_all(folder).with_context(|| format!("cannot create {}", folder.display()))?;
    }
    let memory = Memory::load(&settings.state_file)?;
    // Found out now, and not when the first alarm is to be kept.
    memory.save(&settings.state_file)?;
    let routes = Routes {
        email: settings.email.as_ref().map(EmailRoute::new).transpose().context("notify.email")?,
        folder: settings.mail_folder.clone().map(FolderRoute::new),
    };
    let listener = TcpListener::bind(settings.listen)
        .await
        .with_context(|| format!("cannot listen on {}: is another program using it?", settings.listen))?;
    let address = listener.local_addr()?;
    let (to_loop, inbox) = mpsc::channel(INBOX);
    let app = router(settings.keys.clone(), to_loop);
    let now = clock.now();
    let watcher = Watcher::new(&settings.grace, memory.stations.clone(), settings.zone, now);
    let daily_due = next_daily(&settings, &memory, now.utc);
    let tries = std::collections::BTreeMap::new();
    let work = Loop {
        settings,
        watcher,
        memory,
        tries,
        routes,
        clock,
        under_way: JoinSet::new(),
        daily_due,
        saved: Memory::default(),
        saved_at: now.up,
    };
    let mut tasks = JoinSet::new();
    let door_stop = stop.clone();
    tasks.spawn(async move {
        serve(listener, app, Limits::default(), door_stop).await;
        Ok(())
    });
    tasks.spawn(work.run(inbox, stop));
    Ok(Running { address, tasks })
}

/// The next moment of the daily report: today's when it is still to come or was missed.
fn next_daily(settings: &Settings, memory: &Memory, now: Timestamp) -> Timestamp {
    let local = settings.zone.local(now);
    let (hour, minute) = (u32::from(settings.daily_at / 60), u32::from(settings.daily_at % 60));
    let at = |date: chrono::NaiveDate| {
        let local = date.and_hms_opt(hour, minute, 0).unwrap_or_default();
        settings.zone.instant_or_next(local)
    };
    let reported = memory.reported.as_deref() == Some(&local.date().to_string());
    if reported { at(local.date().succ_opt().unwrap_or(local.date())) } else { at(local.date()) }
}

impl Loop {
    async fn run(mut self, mut inbox: mpsc::Receiver<Received>, stop: CancellationToken) -> Result<()> {
        loop {
            let wake = self.next_wake();
            tokio::select! {
                biased;
                () = stop.cancelled() => break,
                received = inbox.recv() => {
                    let Some(received) = received else { break };
                    let now = self.clock.now();
                    let result = self.watcher.handle_beat(received.beat, received.moment, now);
                    // Who asked may have gone away meanwhile.
                    let _nobody_asks_any_more = received.answer.send(result);
                }
                Some(ended) = self.under_way.join_next() => {
                    if let Ok((key, sent)) = ended {
                        self.fate(&key, &sent);
                    }
                }
                () = sleep_or_never(&*self.clock, Some(wake)) => {}
            }
            let now = self.clock.now();
            self.watcher.handle_timeout(now);
            let mut notices = Vec::new();
            while let Some(notice) = self.watcher.poll_output() {
                notices.push(notice);
            }
            if now.utc >= self.daily_due {
                notices.push(self.watcher.daily(&self.settings.name, now));
                self.memory.reported = Some(self.settings.zone.local(now.utc).date().to_string());
                self.daily_due = next_daily(&self.settings, &self.memory, now.utc);
            }
            for notice in notices {
                self.queue(&notice);
            }
            self.keep(now.up);
            self.start_attempts(now.up);
            drop(sd_notify::notify(&[NotifyState::Watchdog]));
        }
        let now = self.clock.now().up;
        self.saved_at = Uptime::default();
        self.keep(now.after(MEMORY_EVERY));
        Ok(())
    }

    fn next_wake(&self) -> Uptime {
        let now = self.clock.now();
        let message = self.tries.values().filter(|one| !one.under_way).map(|one| one.due).min();
        let daily = now.up.after(self.daily_due.since(now.utc).max(Span::from_ms(0)));
        [self.watcher.poll_timeout(), message, Some(daily)]
            .into_iter()
            .flatten()
            .fold(now.up.after(TICK), Uptime::min)
    }

    fn queue(&mut self, notice: &Notice) {
        tracing::warn!(about = notice.about, subject = notice.subject, "telling people");
        for to in &self.settings.people {
            self.memory.messages += 1;
            self.memory.pending.push(Pending {
                key: format!("watch-{}/{}/{to}", self.memory.messages, notice.about),
                to: to.clone(),
                subject: format!("{}{}", if notice.urgent { "P1 " } else { "" }, notice.subject),
                text: notice.text.clone(),
                about: notice.about.clone(),
                urgent: notice.urgent,
            });
        }
        while self.memory.pending.len() > KEPT {
            let least = self.memory.pending.iter().position(|message| !message.urgent).unwrap_or(0);
            self.memory.pending.remove(least);
        }
    }

    /// A memory that cannot be written does not keep the watcher from telling.
    fn keep(&mut self, now: Uptime) {
        self.memory.stations = self.watcher.kept();
        // The moment of a sign of life alone is worth no write each time.
        let quiet = |memory: &Memory| {
            let mut memory = memory.clone();
            memory.stations.values_mut().for_each(|kept| (kept.heard_at, kept.seq) = (None, 0));
            memory
        };
        let due = now >= self.saved_at.after(MEMORY_EVERY) && self.memory != self.saved;
        if !due && quiet(&self.memory) == quiet(&self.saved) {
            return;
        }
        match self.memory.save(&self.settings.state_file) {
            Ok(()) => (self.saved, self.saved_at) = (self.memory.clone(), now),
            Err(error) => tracing::error!(%error, "the watcher cannot keep its memory"),
        }
    }

    fn start_attempts(&mut self, now: Uptime) {
        for message in &self.memory.pending {
            let one = self.tries.entry(message.key.clone()).or_insert(Try {
                attempts: 0,
                due: now,
                under_way: false,
            });
            if one.under_way || one.due > now || self.under_way.len() >= AT_ONCE {
                continue;
            }
            one.under_way = true;
            one.attempts += 1;
            let (routes, clock, message) = (self.routes.clone(), Arc::clone(&self.clock), message.clone());
            self.under_way.spawn(async move {
                let sent = routes.send(&message, &*clock).await;
                (message.key, sent)
            });
        }
    }

    fn fate(&mut self, key: &str, sent: &Sent) {
        let again = match sent {
            Sent::Accepted(_) => false,
            Sent::AddressDead(why) | Sent::MessageRefused(why) => {
                tracing::error!(key, why, "a message of the watcher can never be delivered");
                false
            }
            Sent::Retry(why) | Sent::RetryAfter { why, .. } | Sent::ChannelRefused(why) => {
                tracing::warn!(key, why, "a message of the watcher waits");
                true
            }
        };
        if again {
            if let Some(one) = self.tries.get_mut(key) {
                let wait = WAITS_S[one.attempts.saturating_sub(1).min(WAITS_S.len() - 1)];
                one.due = self.clock.now().up.after(Span::from_secs(wait));
                one.under_way = false;
            }
        } else {
            self.tries.remove(key);
            self.memory.pending.retain(|message| message.key != key);
        }
    }
}
