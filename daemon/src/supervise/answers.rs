//! Texts that people send: understood, acted upon, written down, and only then forgotten by the
//! modem.

use super::own_number::{self, Doing, OwnNumber};
use crate::alarm::engine::Fact;
use crate::alarm::event::{AlarmEvent, Change, EventId, Priority};
use crate::clock::{Clock, Now, sleep_or_never};
use crate::config::Config;
use crate::config::checked::Rota;
use crate::core::picture::standing;
use crate::ids::PersonId;
use crate::notify::message::{self, Words};
use crate::notify::modem::{ModemHealth, TextIn};
use crate::notify::reply::{Act, Desk, Incoming, OpenAlarm, View};
use crate::notify::route::Directory;
use crate::notify::{Body, TEXT, rota};
use crate::snapshot::{AlarmView, Snapshot};
use crate::store::{
    IncomingText, JournalKind, MessageKey, MessageState, NewLine, NewMessage, StoreError, StoreHandle,
    Transition,
};
use crate::web::backend::{Asked, Command, Reply};
use nightjar_calc::time::Span;
use std::collections::BTreeMap;
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;

/// An answer is of use for this long.
const LIFE: Span = Span::from_hours(1);
/// Lines looked through for what happened to an alarm.
const HISTORY: u32 = 2_000;

/// Which event somebody acknowledges, for the journal.
fn acknowledgment(act: &Act) -> Option<serde_json::Value> {
    if let Act::Acknowledge { event, by } = act {
        Some(serde_json::json!({"event": event, "by": by}))
    } else {
        None
    }
}

/// The daily text, where the own number is known.
fn own_number(config: &Config, store: &StoreHandle, now: Now) -> Option<OwnNumber> {
    let number = config.notify.sms.as_ref()?.own_number.clone()?;
    let kept = store.read_blocking(|r| r.state(own_number::KEY)).ok().flatten();
    let last = kept.and_then(|kept| serde_json::from_value(kept).ok());
    Some(OwnNumber::new(number, last, now))
}

/// Deals with the texts that people send.
pub struct Answers {
    desk: Desk,
    phones: BTreeMap<PersonId, String>,
    country_code: String,
    words: Words,
    rota: Rota,
    store: StoreHandle,
    picture: watch::Receiver<Arc<Snapshot>>,
    commands: mpsc::Sender<Asked>,
    clock: Arc<dyn Clock>,
    modem: watch::Receiver<ModemHealth>,
    said: u32,
    own: Option<OwnNumber>,
    facts: mpsc::Sender<Fact>,
    /// Place of the texts among the routes.
    route: usize,
}

impl Answers {
    /// For the people of a configuration. The last are the way to the core, and the place of the texts
    /// among the routes.
    pub fn new(
        config: &Config,
        store: StoreHandle,
        picture: watch::Receiver<Arc<Snapshot>>,
        commands: mpsc::Sender<Asked>,
        clock: Arc<dyn Clock>,
        modem: watch::Receiver<ModemHealth>,
        (facts, route): (mpsc::Sender<Fact>, usize),
    ) -> Self {
        let phones = config.people.iter().filter_map(|p| Some((p.id.clone(), p.phone.clone()?))).collect();
        let own = own_number(config, &store, clock.now());
        Self {
            desk: Desk::default(),
            phones,
            country_code: config.country_code.clone(),
            words: Directory::new(config).words,
            rota: config.rota.clone(),
            store,
            picture,
            commands,
            clock,
            modem,
            said: 0,
            own,
            facts,
            route,
        }
    }

    /// Works until told to stop.
    pub async fn run(mut self, mut texts: mpsc::Receiver<TextIn>, stop: CancellationToken) {
        loop {
            let due = self.own.as_ref().map(OwnNumber::poll_timeout);
            let clock = Arc::clone(&self.clock);
            let text = tokio::select! {
                biased;
                () = stop.cancelled() => return,
                () = sleep_or_never(&*clock, due) => {
                    self.write_to_itself().await;
                    continue;
                }
                text = texts.recv() => match text {
                    Some(text) => text,
                    None => return stop.cancelled().await,
                },
            };
            let TextIn { from, at, body, done } = text;
            let incoming = Incoming { from, at, body };
            match self.take(&incoming).await {
                // The modem may have gone meanwhile; then the text comes once more.
                Ok(()) => drop(done.send(())),
                Err(error) => {
                    tracing::warn!(%error, "a text cannot be written down yet; it stays in the modem");
                }
            }
        }
    }

    async fn take(&mut self, text: &Incoming) -> Result<(), StoreError> {
        let now = self.clock.now();
        let own = self.own.as_mut().and_then(|own| own.hear(&text.from, &text.body, now));
        let came_back = own.is_some();
        for doing in own.into_iter().flatten() {
            self.do_own(doing, now).await;
        }
        let view = self.view().await?;
        let acts = if came_back { Vec::new() } else { self.desk.handle(text, &view, now) };
        let mut transition = Transition::default();
        let mut said = Vec::new();
        // Also of those whom somebody else was faster than: a drill counts every phone.
        let acknowledged: Vec<serde_json::Value> = acts.iter().filter_map(acknowledgment).collect();
        for act in acts {
            said.push(self.carry_out(act, now, &mut transition).await?);
        }
        let what = serde_json::json!({
            "answers": said, "acknowledged": acknowledged, "letters": text.body.chars().count(),
        });
        transition.journal.push(NewLine { now, kind: JournalKind::Answer, event: None, body: what });
        self.store.commit(transition).await.map_err(|refused| refused.why)?;
        let incoming = IncomingText {
            sender: text.from.number(),
            centre_time: text.at.text(),
            body: text.body.clone(),
            received_at: now.utc,
        };
        self.store.take_incoming(incoming).await.map(drop)
    }

    /// The daily text to the own number, when it is due.
    async fn write_to_itself(&mut self) {
        let now = self.clock.now();
        if let Some(doing) = self.own.as_mut().and_then(|own| own.handle_timeout(now)) {
            self.do_own(doing, now).await;
        }
    }

    async fn do_own(&mut self, doing: Doing, now: Now) {
        match doing {
            Doing::Fails(failing) => {
                tracing::warn!(failing, "the daily text to the own number");
                drop(self.facts.send(Fact::Route { route: self.route, failing }).await);
            }
            Doing::Send(text) => {
                let Some(to) = self.own.as_ref().map(|own| own.number().to_owned()) else { return };
                let Ok(person) = PersonId::new("own-number") else { return };
                let seq = u32::try_from(now.utc.ms().div_euclid(60_000)).unwrap_or(0);
                let message = text_to(("own-number".to_owned(), seq), person, to, text, Priority::P3);
                let kept = (own_number::KEY.to_owned(), Some(serde_json::json!(now.utc)));
                let transition =
                    Transition { outbox: vec![message], state: vec![kept], ..Transition::default() };
                if let Err(refused) = self.store.commit(transition).await {
                    tracing::warn!(error = %refused.why, "the text to the own number cannot be written down");
                }
            }
        }
    }

    /// How things stand, with who was told what.
    async fn view(&self) -> Result<View, StoreError> {
        let alarms = self.picture.borrow().alarms.clone();
        let mut open = Vec::with_capacity(alarms.len());
        for alarm in alarms {
            let event = alarm.event;
            let messages = self.store.read(move |r| r.messages_about(event)).await?;
            let mut told = BTreeMap::new();
            for message in messages.into_iter().filter(|message| reached(message.state)) {
                told.insert(message.key.person, message.changed_at);
            }
            open.push(OpenAlarm { event, code: alarm.code, told });
        }
        let asked = self.picture.borrow().hand_over.as_ref().and_then(|h| h.asked().cloned());
        Ok(View { phones: self.phones.clone(), country_code: self.country_code.clone(), open, asked })
    }

    /// Does it and says in a few words what was done.
    async fn carry_out(&mut self, act: Act, now: Now, out: &mut Transition) -> Result<String, StoreError> {
        Ok(match act {
            Act::Acknowledge { event, by } => {
                let what = format!("{by} acknowledged {}", event.0);
                match self.acknowledge(event, by.clone()).await {
                    // Everybody who was told hears of it from the ladder.
                    Ok(()) => what,
                    Err(why) => {
                        self.answer(by, message::plain(&why), now, out);
                        format!("{what}: {why}")
                    }
                }
            }
            Act::OnCall { by } => {
                let what = format!("{by} is on call");
                match self.ask(Command::OnCall { by: by.clone() }).await {
                    // The ladder thanks them.
                    Ok(()) => what,
                    Err(why) => {
                        self.answer(by, message::plain(&why), now, out);
                        format!("{what}: {why}")
                    }
                }
            }
            Act::Answer { to, text } => {
                let what = format!("answered {to}");
                self.answer(to, text, now, out);
                what
            }
            Act::Status { to } => {
                let picture = Arc::clone(&self.picture.borrow());
                let open: Vec<AlarmEvent> = picture.alarms.iter().map(event_of).collect();
                let standing = standing(&picture, self.modem.borrow().dbm());
                let what = format!("told {to} how things stand");
                self.answer(to, message::status(&open, &standing, &self.words, now), now, out);
                what
            }
            Act::Who { to } => {
                let zone = self.words.zone;
                let on_call = rota::on_call(&self.rota, zone, now.utc);
                let stays = self.picture.borrow().hand_over.as_ref().and_then(|h| h.stays().cloned());
                let people: Vec<PersonId> =
                    stays.into_iter().chain(on_call.first).chain(on_call.second).collect();
                let next = rota::next_hand_over(&self.rota, zone, now.utc);
                let what = format!("told {to} who is on call");
                self.answer(to, message::who(&people, next, &self.words, now), now, out);
                what
            }
            Act::History { to, event } => {
                let text = self.history(event, now).await?;
                let what = format!("told {to} what happened to {}", event.0);
                self.answer(to, text, now, out);
                what
            }
            Act::Stranger { masked, many } => {
                if many {
                    tracing::warn!(number = masked, "many texts from numbers that are not on the list");
                }
                format!("{masked} is not on the list")
            }
        })
    }

    async fn acknowledge(&self, event: EventId, by: PersonId) -> Result<(), String> {
        self.ask(Command::Acknowledge { event, by }).await
    }

    async fn ask(&self, command: Command) -> Result<(), String> {
        let (reply, answer) = oneshot::channel();
        let asked = Asked { command, reply };
        self.commands.send(asked).await.map_err(|_| "the monitor is stopping".to_owned())?;
        match answer.await {
            Ok(Reply::Done | Reply::Already) => Ok(()),
            Ok(Reply::Refused(why) | Reply::NotWritten(why)) => Err(why),
            Err(_) => Err("the monitor is stopping".to_owned()),
        }
    }

    async fn history(&self, event: EventId, now: Now) -> Result<String, StoreError> {
        let filter = crate::store::JournalFilter {
            kind: Some(JournalKind::Alarm),
            ..crate::store::JournalFilter::default()
        };
        let lines = self.store.read(move |r| r.journal(&filter, HISTORY)).await?;
        let mut happened = Vec::new();
        let mut code = None;
        for line in lines.iter().rev().filter(|line| line.event == Some(event)) {
            let Some(change) = line.body.get("event").cloned() else { continue };
            let Ok(change) = serde_json::from_value::<AlarmEvent>(change) else { continue };
            happened.push((change.at, word(&change.change, &self.words)));
            code = Some(change.code);
        }
        Ok(match code {
            Some(code) => message::history(&code, &happened, &self.words, now),
            None => "Nothing is on record.".to_owned(),
        })
    }

    fn answer(&mut self, to: PersonId, text: String, now: Now, out: &mut Transition) {
        let Some(number) = self.phones.get(&to).cloned() else { return };
        self.said = self.said.wrapping_add(1);
        let about = format!("answer-{}-{}", now.utc.ms(), self.said);
        out.outbox.push(text_to((about, 1), to, number, text, Priority::P2));
    }
}

/// A text that is no alarm's, worth sending for an hour. The first names it and counts.
fn text_to(
    (about, seq): (String, u32),
    person: PersonId,
    number: String,
    text: String,
    priority: Priority,
) -> NewMessage {
    let key = MessageKey { about: about.clone(), event: None, seq, person, route: TEXT.to_owned(), step: 0 };
    let body = Body { subject: String::new(), text, to: number, about, ..Body::default() };
    let body = serde_json::to_value(body).unwrap_or_default();
    NewMessage { key, priority, body, delay: Span::ZERO, life: Some(LIFE) }
}

fn reached(state: MessageState) -> bool {
    match state {
        MessageState::Sending | MessageState::Accepted | MessageState::Delivered | MessageState::Direct => {
            true
        }
        MessageState::Queued | MessageState::Failed | MessageState::Expired | MessageState::Superseded => {
            false
        }
    }
}

/// What is open, as messages speak of it.
fn event_of(alarm: &AlarmView) -> AlarmEvent {
    AlarmEvent {
        event: alarm.event,
        seq: 1,
        change: Change::Raised,
        kind: alarm.kind,
        asset: alarm.asset.clone(),
        priority: alarm.priority,
        members: alarm.members.clone(),
        members_total: alarm.members_total,
        value: alarm.value,
        limit: alarm.limit,
        unit: alarm.unit.clone(),
        since: alarm.since,
        at: alarm.since,
        clock_trusted: true,
        code: alarm.code.clone(),
        eggs_have: None,
        hint: String::new(),
        unverified: alarm.unverified,
        chattering: false,
    }
}

fn word(change: &Change, words: &Words) -> String {
    let name = |by: &PersonId| words.names.get(by).cloned().unwrap_or_else(|| by.to_string());
    match change {
        Change::Raised => "on".to_owned(),
        Change::Again { times } => format!("on again, {times}x"),
        Change::Worsened => "worse".to_owned(),
        Change::Grew => "more jars".to_owned(),
        Change::Acknowledged { by, .. } => format!("acked by {}", name(by)),
        Change::Reminder => "still on".to_owned(),
        Change::Cleared => "cleared".to_owned(),
        Change::Confirmed { by } => format!("fixed, says {}", name(by)),
        Change::Shelved { by, .. } => format!("paused by {}", name(by)),
        Change::Covered { by } => format!("covered by {by}"),
        Change::OutOfService { by, .. } => format!("out of use by {}", name(by)),
        Change::Unsuppressed => "no longer paused".to_owned(),
    }
}
