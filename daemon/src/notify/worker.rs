//! Carries due messages of one route from the outbox to the world. Each step is recorded before
//! or after it is taken such that a crash can repeat a message but never lose it.

use super::email::EmailRoute;
use super::folder::FolderRoute;
use super::modem::ModemRoute;
use super::webhook::WebhookRoute;
use super::{Body, FOLDER, MAIL, Sent, TEXT, WEBHOOK, gsm};
use crate::alarm::event::Priority;
use crate::clock::{Clock, Now, Uptime, sleep_or_never};
use crate::store::{Message, MessageKey, NewMessage, Outcome, StoreError, StoreHandle};
use nightjar_calc::time::Span;
use std::collections::VecDeque;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

/// What carries messages away.
#[derive(Debug)]
pub enum Backend {
    /// A submission server.
    Mail(EmailRoute),
    /// A folder of files.
    Folder(FolderRoute),
    /// A modem.
    Text(ModemRoute),
    /// A receiver of signed web calls.
    Webhook(WebhookRoute),
    /// Keeps them, and answers as told. For tests.
    Memory(Arc<Memory>),
}

/// A route that only remembers. For tests.
#[derive(Debug)]
pub struct Memory {
    /// Name of the route it stands for.
    pub route: &'static str,
    refusal: Mutex<Option<Sent>>,
    handed: Mutex<Vec<Handed>>,
}

/// What was handed to a route that only remembers.
#[derive(Clone, Debug)]
pub struct Handed {
    /// Key of the message.
    pub key: String,
    /// The message.
    pub body: Body,
    /// When.
    pub at: Now,
    /// Whether the route took it.
    pub accepted: bool,
}

impl Memory {
    /// Accepts everything.
    #[must_use]
    pub fn new(route: &'static str) -> Arc<Self> {
        Arc::new(Self { route, refusal: Mutex::default(), handed: Mutex::default() })
    }

    /// Answers everything with this from now on; accepts everything again without it.
    pub fn refuse_with(&self, refusal: Option<Sent>) {
        *self.refusal.lock().unwrap_or_else(PoisonError::into_inner) = refusal;
    }

    /// What has been handed over since this was last asked, taken or not.
    #[must_use]
    pub fn take_handed(&self) -> Vec<Handed> {
        std::mem::take(&mut *self.handed.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn send(&self, key: &str, body: &Body, at: Now) -> Sent {
        let refusal = self.refusal.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let accepted = refusal.is_none();
        let handed = Handed { key: key.to_owned(), body: body.clone(), at, accepted };
        self.handed.lock().unwrap_or_else(PoisonError::into_inner).push(handed);
        refusal.unwrap_or(Sent::Accepted(None))
    }
}

impl Backend {
    /// Name of the route.
    #[must_use]
    pub fn route(&self) -> &'static str {
        match self {
            Self::Mail(_) => MAIL,
            Self::Folder(_) => FOLDER,
            Self::Text(_) => TEXT,
            Self::Webhook(_) => WEBHOOK,
            Self::Memory(memory) => memory.route,
        }
    }

    /// Goes to its peer and back without a message, where the route can; `None` where it cannot.
    async fn greet(&self) -> Option<Sent> {
        match self {
            Self::Mail(mail) => Some(mail.greet().await),
            Self::Folder(_) | Self::Text(_) | Self::Webhook(_) | Self::Memory(_) => None,
        }
    }

    async fn send(&self, key: &str, body: &Body, priority: Priority, clock: &dyn Clock) -> Sent {
        match self {
            Self::Mail(mail) => mail.send(key, body, priority == Priority::P1, clock.now()).await,
            Self::Folder(folder) => folder.send(key, body, clock.now()).await,
            Self::Text(modem) => modem.send(key, body, priority).await,
            Self::Webhook(webhook) => webhook.send(key, body, clock.now()).await,
            Self::Memory(memory) => memory.send(key, body, clock.now()),
        }
    }
}

/// How a route fares.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RouteHealth {
    /// When it last took a message.
    pub accepted_at: Option<Uptime>,
    /// Its peer let us in when last asked.
    pub let_in: bool,
    /// Since when every attempt has failed.
    pub failing_since: Option<Uptime>,
    /// It turns us away as a whole; tried again once an hour.
    pub refused: bool,
    /// Messages refused by policy in a row.
    pub refusals: u32,
    /// What was said last.
    pub last_error: Option<String>,
}

/// What became of a message, for the ladder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// Which message.
    pub key: MessageKey,
    /// What became of it.
    pub fate: Fate,
}

/// What became of a message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// Taken.
    Accepted,
    /// It will not arrive this way, or not soon: try another.
    Failed,
    /// The address is dead: mark the contact.
    AddressDead,
}

/// Messages looked at in one go.
const BATCH: u32 = 8;
/// A route that had nothing to carry for this long is tried without a message.
const GREET_EVERY: Span = Span::from_hours(6);
/// Sooner when that failed.
const GREET_AGAIN: Span = Span::from_minutes(15);
/// The outbox is looked at this often though nothing is due: well within the time after which a worker counts as
/// stuck. Changes and dues are looked at when they come.
const PULSE: Span = Span::from_minutes(3);
/// A worker that did nothing for this long is stuck: each attempt ends sooner by its own limits.
pub const STUCK_AFTER: Span = Span::from_minutes(10);
/// Wait after the store failed, or when a due message was not yet to be had.
const STORE_REST: Span = Span::from_secs(5);
const SHORT_REST: Span = Span::from_ms(200);
/// A route that turned us away is tried again after this long: sign-ins that fail often get locked.
const REFUSED_REST: Span = Span::from_hours(1);
/// A card that is locked or without credit may be seen to within minutes, and trying costs nothing.
const TEXT_REFUSED_REST: Span = Span::from_minutes(5);
/// Time in which the end of an alarm that nothing can leave is decided once a message has left.
const SETTLE: Span = Span::from_secs(30);
/// Longest text in one part, septets (3GPP TS 23.040, section 9.2.3.16).
const ONE_PART: usize = 160;

/// One route at work.
#[derive(Debug)]
pub struct Worker {
    backend: Backend,
    store: StoreHandle,
    clock: Arc<SharedClock>,
    health: watch::Sender<RouteHealth>,
    reports: mpsc::Sender<Report>,
    held_until: Option<Uptime>,
    direct: Option<mpsc::Receiver<NewMessage>>,
    in_hand: VecDeque<InHand>,
    seen: Arc<AtomicU64>,
    rests: Arc<AtomicU64>,
    beat: Arc<AtomicU64>,
    greet_at: Option<Uptime>,
    /// When the first message left after a time in which none did.
    works_since: Option<Uptime>,
}

/// A message that could not be put into the outbox.
#[derive(Debug)]
struct InHand {
    message: NewMessage,
    failures: u32,
    due: Uptime,
    dies: Option<Uptime>,
}

/// Messages in hand at most; the oldest give way.
const MOST_IN_HAND: usize = 64;

struct SharedClock(Arc<dyn Clock>);

impl std::fmt::Debug for SharedClock {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Clock")
    }
}

impl Worker {
    /// A worker and the watch on its health. Reports that nobody takes in time are dropped: the
    /// ladder then goes by its own timers.
    #[must_use]
    pub fn new(
        backend: Backend,
        store: StoreHandle,
        clock: Arc<dyn Clock>,
        reports: mpsc::Sender<Report>,
    ) -> (Self, watch::Receiver<RouteHealth>) {
        let (health, watched) = watch::channel(RouteHealth::default());
        let clock = Arc::new(SharedClock(clock));
        let worker = Self {
            backend,
            store,
            health,
            reports,
            held_until: None,
            direct: None,
            in_hand: VecDeque::new(),
            seen: Arc::default(),
            rests: Arc::default(),
            beat: Arc::new(AtomicU64::new(clock.0.now().up.ms())),
            clock,
            greet_at: None,
            works_since: None,
        };
        (worker, watched)
    }

    /// Takes messages past the outbox too, for when it cannot be written. They are kept in memory
    /// until they are sent or have outlived their use.
    #[must_use]
    pub fn with_direct(mut self, direct: mpsc::Receiver<NewMessage>) -> Self {
        self.direct = Some(direct);
        self
    }

    /// Tries the way from the start on, before there is a message: a wrong password is found by day.
    #[must_use]
    pub fn with_greeting(mut self) -> Self {
        self.greet_at = Some(self.clock.0.now().up);
        self
    }

    /// The change of the outbox up to which everything due was sent or tried.
    #[must_use]
    pub fn seen(&self) -> Arc<AtomicU64> {
        Arc::clone(&self.seen)
    }

    /// Up-time until which it has nothing to do unless the outbox changes, in milliseconds. Not later than the
    /// present while it works on what has become due.
    #[must_use]
    pub fn rests(&self) -> Arc<AtomicU64> {
        Arc::clone(&self.rests)
    }

    /// Up-time of the last useful work, in milliseconds: a look at the outbox or an attempt.
    #[must_use]
    pub fn beat(&self) -> Arc<AtomicU64> {
        Arc::clone(&self.beat)
    }

    /// Works until told to stop. An attempt under way is given up then; the next run repeats it.
    pub async fn run(mut self, stop: CancellationToken) {
        let mut changes = self.store.outbox_changes();
        loop {
            let change = *changes.borrow_and_update();
            let passed = tokio::select! {
                biased;
                () = stop.cancelled() => return,
                passed = self.pass() => passed,
            };
            let wake = match passed {
                Ok(wake) => wake,
                Err(error) => {
                    tracing::warn!(route = self.backend.route(), %error, "the outbox cannot be read or written");
                    Some(self.clock.0.now().up.after(STORE_REST))
                }
            };
            tokio::select! {
                biased;
                () = stop.cancelled() => return,
                () = self.send_in_hand() => {}
            }
            self.seen.store(change, Ordering::Release);
            self.beat.store(self.clock.0.now().up.ms(), Ordering::Relaxed);
            tokio::select! {
                biased;
                () = stop.cancelled() => return,
                // A message is not kept waiting by a peer that says nothing.
                changed = changes.changed() => if changed.is_err() { return } else { continue },
                () = self.greet() => {}
            }
            let dues = self.in_hand.iter().map(|hand| hand.due);
            // One with nothing to carry still shows that it could.
            let pulse = self.clock.0.now().up.after(PULSE);
            let wake = dues.chain(wake).chain(self.greet_at).chain([pulse]).min();
            self.rests.store(wake.map_or(u64::MAX, Uptime::ms), Ordering::Release);
            let clock = Arc::clone(&self.clock);
            tokio::select! {
                () = stop.cancelled() => return,
                changed = changes.changed() => if changed.is_err() { return },
                message = next_direct(&mut self.direct) => self.take_in_hand(message),
                () = sleep_or_never(&*clock.0, wake) => {}
            }
        }
    }

    /// Tries the way without a message when it is time for that.
    async fn greet(&mut self) {
        let up = self.clock.0.now().up;
        if self.greet_at.is_none_or(|at| at > up) {
            return;
        }
        let Some(sent) = self.backend.greet().await else {
            self.greet_at = None;
            return;
        };
        let up = self.clock.0.now().up;
        self.greet_at = Some(match &sent {
            Sent::Accepted(_) => up.after(GREET_EVERY),
            Sent::ChannelRefused(why) => {
                tracing::warn!(route = self.backend.route(), why, "the route turns us away");
                let until = up.after(refused_rest(self.backend.route()));
                self.held_until = Some(until);
                until
            }
            Sent::Retry(_) | Sent::RetryAfter { .. } | Sent::AddressDead(_) | Sent::MessageRefused(_) => {
                up.after(GREET_AGAIN)
            }
        });
        let let_in = matches!(sent, Sent::Accepted(_));
        if let_in
            && self.health.borrow().failing_since.is_some()
            && let Err(error) = self.store.bring_forward(self.backend.route()).await
        {
            tracing::warn!(route = self.backend.route(), %error, "messages wait for their own turn");
        }
        self.health.send_modify(|health| {
            if let_in {
                let accepted_at = health.accepted_at;
                *health = RouteHealth { accepted_at, let_in, ..RouteHealth::default() };
            } else {
                note(health, &sent, up);
            }
        });
    }

    fn take_in_hand(&mut self, message: NewMessage) {
        let up = self.clock.0.now().up;
        // What is newer about the same thing says all that the older one did.
        self.in_hand.retain(|hand| {
            hand.message.key.about != message.key.about || hand.message.key.person != message.key.person
        });
        if self.in_hand.len() >= MOST_IN_HAND {
            self.in_hand.pop_front();
        }
        let dies = message.life.map(|life| up.after(life));
        let due = up.after(message.delay);
        self.in_hand.push_back(InHand { message, failures: 0, due, dies });
    }

    /// One attempt for each message in hand that is due.
    async fn send_in_hand(&mut self) {
        for at in (0..self.in_hand.len()).rev() {
            let up = self.clock.0.now().up;
            if self.in_hand[at].dies.is_some_and(|dies| dies <= up) {
                self.in_hand.remove(at);
                continue;
            }
            if self.in_hand[at].due > up {
                continue;
            }
            let NewMessage { key, priority, body, .. } = self.in_hand[at].message.clone();
            let Ok(body) = serde_json::from_value::<Body>(body) else {
                self.in_hand.remove(at);
                continue;
            };
            let sent = self.backend.send(&key.text(), &body, priority, &*self.clock.0).await;
            let up = self.clock.0.now().up;
            self.health.send_modify(|health| note(health, &sent, up));
            match sent {
                Sent::Retry(_) | Sent::RetryAfter { .. } | Sent::ChannelRefused(_) => {
                    let hand = &mut self.in_hand[at];
                    hand.due = up.after(retry_after(&key.route, hand.failures, i64::from(key.seq)));
                    hand.failures += 1;
                }
                Sent::Accepted(_) => {
                    self.report(&key, Fate::Accepted);
                    self.in_hand.remove(at);
                }
                Sent::AddressDead(_) => {
                    self.report(&key, Fate::AddressDead);
                    self.in_hand.remove(at);
                }
                Sent::MessageRefused(_) => {
                    self.report(&key, Fate::Failed);
                    self.in_hand.remove(at);
                }
            }
        }
    }

    /// Sends everything due and says when to look again.
    async fn pass(&mut self) -> Result<Option<Uptime>, StoreError> {
        let route = self.backend.route();
        loop {
            let now = self.clock.0.now();
            if let Some(until) = self.held_until.filter(|until| *until > now.up) {
                return Ok(Some(until));
            }
            // One look says all there is in an hour without messages.
            let look = self.store.read(move |look| Ok((look.due(route, now, BATCH)?, look.next_due(route)?)));
            let (due, mut next) = match look.await {
                Err(StoreError::Damaged { .. }) if self.set_damaged_aside().await? => continue,
                look => look?,
            };
            // One at a time, most urgent first: what was queued meanwhile may be more urgent.
            let Some(message) = due.into_iter().next() else {
                if next.is_some_and(|next| next <= now.up) {
                    // What is due and not to be sent has outlived its use.
                    self.store.expire_messages().await?;
                    next = self.store.read(move |look| look.next_due(route)).await?;
                }
                let soonest = self.clock.0.now().up.after(SHORT_REST);
                return Ok(next.map(|next| next.max(soonest)));
            };
            if !self.stood_aside(&message).await? {
                self.attempt(message).await?;
            }
            self.beat.store(self.clock.0.now().up.ms(), Ordering::Relaxed);
        }
    }

    /// Gives up what is damaged and cannot be sent: it would keep back all the others of the route.
    async fn set_damaged_aside(&self) -> Result<bool, StoreError> {
        let route = self.backend.route();
        let damaged = self.store.read(move |look| look.damaged_messages(route)).await?;
        let any = !damaged.is_empty();
        for (id, error) in damaged {
            let error = error.to_string();
            tracing::error!(route, error, "a message is lost");
            self.store.mark(id, Outcome::Failed { error }).await?;
        }
        Ok(any)
    }

    async fn attempt(&mut self, message: Message) -> Result<(), StoreError> {
        let body: Body = match serde_json::from_value(message.body.clone()) {
            Ok(body) => body,
            Err(error) => {
                let error = format!("its body cannot be read: {error}");
                self.store.mark(message.id, Outcome::Failed { error }).await?;
                self.report(&message.key, Fate::Failed);
                return Ok(());
            }
        };
        if !self.store.mark(message.id, Outcome::Sending).await? {
            return Ok(());
        }
        let body = if message.repeated { marked(body, message.key.route.as_str()) } else { body };
        let key = message.key.text();
        let was_failing = self.health.borrow().failing_since.is_some();
        let sent = self.backend.send(&key, &body, message.priority, &*self.clock.0).await;
        let outcome = self.judge(&message, sent);
        let works_again = was_failing && matches!(outcome, Outcome::Accepted(_));
        self.store.mark(message.id, outcome).await?;
        if works_again {
            self.works_since = Some(self.clock.0.now().up);
            // Each message waits for a turn of its own; the most urgent need not be the first.
            self.store.bring_forward(self.backend.route()).await?;
        }
        Ok(())
    }

    /// A message that says none can leave is not true once it leaves. It lets another one find out,
    /// if there is one, and waits a moment when one has just left: the alarm is over then.
    async fn stood_aside(&mut self, message: &Message) -> Result<bool, StoreError> {
        if !of_silence(message) {
            return Ok(false);
        }
        let (route, now) = (self.backend.route(), self.clock.0.now());
        if self.health.borrow().failing_since.is_some() {
            let tried = self.store.read(move |look| look.tried(route, now, BATCH)).await?;
            let mut others: Vec<Message> = tried.into_iter().filter(|other| !of_silence(other)).collect();
            if others.is_empty() {
                return Ok(false);
            }
            // Another one each time: one that is never taken is not the judge of the route.
            let turn = usize::try_from(message.attempts).unwrap_or(0) % others.len();
            self.attempt(others.swap_remove(turn)).await?;
        }
        let up = self.clock.0.now().up;
        let fails = self.health.borrow().failing_since.is_some();
        let (error, after) = match self.works_since {
            _ if fails => ("tried by another one".into(), retry_after(route, message.attempts, message.id.0)),
            Some(since) if up.since(since) < SETTLE => ("another one has just left".into(), SETTLE),
            _ => return Ok(false),
        };
        if self.store.mark(message.id, Outcome::Sending).await? {
            self.store.mark(message.id, Outcome::Retry { error, after }).await?;
        }
        Ok(true)
    }

    fn judge(&mut self, message: &Message, sent: Sent) -> Outcome {
        let up = self.clock.0.now().up;
        // The message showed what a greeting would.
        self.greet_at = self.greet_at.map(|at| at.max(up.after(GREET_EVERY)));
        self.health.send_modify(|health| note(health, &sent, up));
        let fate = match &sent {
            Sent::Accepted(_) => Some(Fate::Accepted),
            Sent::Retry(_) | Sent::RetryAfter { .. } => None,
            Sent::AddressDead(_) => Some(Fate::AddressDead),
            Sent::MessageRefused(_) | Sent::ChannelRefused(_) => Some(Fate::Failed),
        };
        if let Some(fate) = fate {
            self.report(&message.key, fate);
        }
        match sent {
            Sent::Accepted(provider) => {
                self.held_until = None;
                Outcome::Accepted(provider)
            }
            Sent::Retry(error) => {
                let after = retry_after(&message.key.route, message.attempts, message.id.0);
                Outcome::Retry { error, after }
            }
            Sent::RetryAfter { why, after } => {
                let usual = retry_after(&message.key.route, message.attempts, message.id.0);
                Outcome::Retry { error: why, after: after.max(usual) }
            }
            Sent::AddressDead(error) | Sent::MessageRefused(error) => Outcome::Failed { error },
            Sent::ChannelRefused(error) => {
                let rest = refused_rest(&message.key.route);
                self.held_until = Some(up.after(rest));
                Outcome::Retry { error, after: rest }
            }
        }
    }

    fn report(&self, key: &MessageKey, fate: Fate) {
        if self.reports.try_send(Report { key: key.clone(), fate }).is_err() {
            tracing::warn!(message = %key.text(), ?fate, "nobody took the report on this message");
        }
    }
}

fn of_silence(message: &Message) -> bool {
    serde_json::from_value::<Body>(message.body.clone()).is_ok_and(|body| body.of_silence)
}

/// The next message past the outbox; never when there is no such way.
async fn next_direct(direct: &mut Option<mpsc::Receiver<NewMessage>>) -> NewMessage {
    if let Some(receiver) = direct
        && let Some(message) = receiver.recv().await
    {
        return message;
    }
    *direct = None;
    std::future::pending().await
}

fn note(health: &mut RouteHealth, sent: &Sent, up: Uptime) {
    match sent {
        Sent::Accepted(_) => {
            *health = RouteHealth { accepted_at: Some(up), let_in: true, ..RouteHealth::default() }
        }
        // The route itself works: the server answered about this one message or address.
        Sent::AddressDead(error) => health.last_error = Some(error.clone()),
        Sent::MessageRefused(error) => {
            health.refusals += 1;
            health.last_error = Some(error.clone());
        }
        Sent::Retry(error) | Sent::RetryAfter { why: error, .. } | Sent::ChannelRefused(error) => {
            health.let_in = false;
            health.failing_since.get_or_insert(up);
            health.refused = matches!(sent, Sent::ChannelRefused(_));
            health.last_error = Some(error.clone());
        }
    }
}

/// Says that it may be a repeat, where that still fits.
fn marked(mut body: Body, route: &str) -> Body {
    const MARK: &str = " (repeat)";
    let fits = gsm::septets(&body.text).is_some_and(|n| n + MARK.len() <= ONE_PART);
    if route == TEXT && fits {
        body.text.push_str(MARK);
    }
    body
}

fn refused_rest(route: &str) -> Span {
    if route == TEXT { TEXT_REFUSED_REST } else { REFUSED_REST }
}

/// Seconds to wait after the first, second, … failure; the last one repeats.
fn schedule(route: &str) -> &'static [i64] {
    match route {
        TEXT => &[5, 10, 20, 30, 60],
        WEBHOOK => &[5, 30, 120, 300, 900, 1800, 3600],
        _ => &[15, 30, 60, 120, 300, 600, 900],
    }
}

/// Wait before the next attempt, varied by a fifth so that a burst does not come back as one.
fn retry_after(route: &str, failures: u32, id: i64) -> Span {
    let schedule = schedule(route);
    let at = usize::try_from(failures).unwrap_or(usize::MAX).min(schedule.len() - 1);
    // Multiplicative hashing of number and attempt: spread enough, and the same in every replay.
    let mixed = id.wrapping_mul(2_654_435_761).wrapping_add(i64::from(failures).wrapping_mul(40_503));
    let permille = 800 + mixed.rem_euclid(401);
    Span::from_ms(schedule[at] * permille)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_follow_the_schedule_within_a_fifth() {
        for id in 0..200 {
            for (failures, seconds) in [(0, 15), (1, 30), (6, 900), (50, 900)] {
                let wait = retry_after(MAIL, failures, id).ms();
                assert!((seconds * 800..=seconds * 1200).contains(&wait), "{wait} for {seconds} s");
            }
        }
    }
}
