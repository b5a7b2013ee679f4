//! The ladder: who is told about an alarm, by which route, when again, and who next. Pure: takes
//! changes and the time, gives messages for the outbox and says when it wants to be woken.
//!
//! All waits run on up-time. The wall clock only decides who is on call, whether somebody's quiet
//! hours have begun, and when the daily digest is due.

mod hand_over;
mod ladder;
mod limits;
mod plan;
mod saved;

pub use hand_over::{HandOver, WORD};
pub use plan::{Contact, Directory, Routes};
pub use saved::Saved;

use super::message::{self, Reach};
use super::worker::Fate;
use super::{Body, FOLDER, MAIL, TEXT, WEBHOOK};
use crate::alarm::event::{AlarmEvent, AlarmKind, Change, EventId, Priority};
use crate::clock::{Now, Uptime};
use crate::ids::PersonId;
use crate::store::{MessageKey, NewMessage};
use ladder::{Ladder, Phase};
use limits::{Allowed, Texts, is_parent};
use nightjar_calc::time::{Span, Timestamp};
use std::collections::{BTreeMap, VecDeque};

/// The modem has this long to take a text before the next route is tried.
const TEXT_LIMIT: Span = Span::from_secs(60);
/// What has been on for this long is mentioned each morning.
const STANDING: Span = Span::from_hours(24);
/// Somebody who acknowledged gets this long to answer the reminder before all begins anew.
const REMINDER_LIMIT: Span = Span::from_minutes(10);
/// Longest wait of a P2 text in quiet hours.
const QUIET_LIMIT: Span = Span::from_minutes(30);

/// Who is told what, when.
#[derive(Clone, Debug)]
pub struct Router {
    directory: Directory,
    ladders: BTreeMap<EventId, Ladder>,
    digest: Option<Uptime>,
    output: VecDeque<NewMessage>,
    /// Ladders as last written to the store.
    written: BTreeMap<EventId, Ladder>,
    /// Something may differ from what was written.
    touched: bool,
    texts: Texts,
    /// How the last hour was, for mails about these events.
    hours: BTreeMap<EventId, String>,
    hand_over: Option<HandOver>,
    hand_over_written: Option<HandOver>,
    rota_due: Option<Uptime>,
}

impl Router {
    /// With nothing going on.
    #[must_use]
    pub fn new(directory: Directory) -> Self {
        Self {
            directory,
            ladders: BTreeMap::new(),
            digest: None,
            output: VecDeque::new(),
            written: BTreeMap::new(),
            touched: false,
            texts: Texts::default(),
            hours: BTreeMap::new(),
            hand_over: None,
            hand_over_written: None,
            rota_due: None,
        }
    }

    /// Takes a change of an alarm.
    pub fn handle_event(&mut self, event: &AlarmEvent, now: Now) {
        self.touched = true;
        // A change handed over twice says nothing twice.
        if self.ladders.get(&event.event).is_some_and(|ladder| ladder.latest.seq >= event.seq) {
            return;
        }
        match &event.change {
            Change::Raised | Change::Again { .. } | Change::Worsened | Change::Unsuppressed => {
                self.begin(event, now);
            }
            Change::Grew => self.grew(event, now),
            Change::Acknowledged { by, .. } => {
                let by = (by.clone(), event.at);
                self.answered(event, Phase::Acknowledged, Some(by), now);
            }
            Change::Shelved { .. } | Change::OutOfService { .. } | Change::Confirmed { .. } => {
                self.answered(event, Phase::Paused, None, now);
            }
            // The cause is announced in its own right; the covered alarm is silent.
            Change::Covered { .. } => {
                if let Some(ladder) = self.ladders.get_mut(&event.event) {
                    ladder.take(event);
                    ladder.rest(Phase::Paused);
                }
            }
            Change::Reminder => self.remind(event, now),
            Change::Cleared => self.cleared(event, now),
        }
    }

    /// When to call [`Self::handle_timeout`] at the latest.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Uptime> {
        let ladders = self.ladders.values().filter_map(Ladder::next_due);
        ladders.chain(self.digest).chain(self.rota_due).min()
    }

    /// Does everything that is due.
    pub fn handle_timeout(&mut self, now: Now) {
        if self.poll_timeout().is_none_or(|due| due > now.up) {
            return;
        }
        self.touched = true;
        let due = |at: Option<Uptime>| at.is_some_and(|at| at <= now.up);
        let events: Vec<EventId> = self.ladders.keys().copied().collect();
        for event in events {
            while let Some(person) = self.ladders.get_mut(&event).and_then(|l| l.overdue(now.up)) {
                // Late is not dead: the next step tries it again.
                self.another_way(event, &person, TEXT, false, now);
            }
            let Some(ladder) = self.ladders.get_mut(&event) else { continue };
            if due(ladder.update) {
                ladder.update = None;
                let latest = ladder.latest.clone();
                self.tell_told(&latest, now);
            }
            if let Some(ladder) = self.ladders.get_mut(&event).filter(|ladder| due(ladder.due)) {
                // What failed before may have been repaired.
                ladder.dead.clear();
                self.climb(event, now);
            }
        }
        if due(self.rota_due) {
            self.look_at_rota(now);
        }
        if due(self.digest) {
            self.send_digest(now);
        }
    }

    /// The next message for the outbox.
    pub fn poll_output(&mut self) -> Option<NewMessage> {
        self.output.pop_front()
    }

    /// Takes what became of a message. One that failed is tried another way at once; when nobody
    /// of the step can be reached, the next step begins without waiting.
    pub fn handle_fate(&mut self, key: &MessageKey, fate: Fate, now: Now) {
        let Some(event) = key.event else { return };
        let Some(ladder) = self.ladders.get_mut(&event) else { return };
        self.touched = true;
        ladder.awaited.remove(&key.person);
        match fate {
            Fate::Accepted => {}
            Fate::Failed | Fate::AddressDead => {
                self.another_way(event, &key.person, &key.route, true, now);
            }
        }
    }

    /// A flood began or goes on: one text sums up, and further ones wait for the next. Or it ended.
    pub fn handle_flood(&mut self, on: bool, announced: u32, now: Now) {
        let mut people = self.texts.flood(on);
        if !on {
            return;
        }
        people.extend(self.directory.people_at(0, now.utc));
        let urgent = |ladder: &&Ladder| (ladder.latest.priority, ladder.latest.since);
        let worst = self.on().min_by_key(urgent).map(|ladder| ladder.latest.clone());
        let text = message::flood_text(announced, worst.as_ref(), &self.directory.words);
        self.texts.summaries += 1;
        let priority = worst.map_or(Priority::P2, |worst| worst.priority);
        for person in people {
            let Some(to) = self.directory.address(&person, TEXT) else { continue };
            let about = "flood".to_owned();
            // Unlike any other of this station: the day is part of it.
            let seq = self.directory.day_number(now.utc).saturating_mul(1_000) + self.texts.summaries % 1_000;
            let key =
                MessageKey { about: about.clone(), event: None, seq, person, route: TEXT.into(), step: 0 };
            let body = Body { subject: String::new(), text: text.clone(), to, about, ..Body::default() };
            self.queue(key, priority, &body, Some(Span::from_hours(1)));
        }
    }

    /// Time to the next daily message, when one is wanted.
    #[must_use]
    pub fn until_daily(&self, at: Timestamp) -> Option<Span> {
        self.directory.daily.then(|| self.directory.until_digest(at))
    }

    /// Tells whoever is on call how the station stands: that it comes shows that the way is open.
    pub fn send_daily(&mut self, standing: &message::Standing, now: Now) {
        let text = message::daily(standing, &self.directory.words, now);
        let day = self.directory.day_number(now.utc);
        let about = "daily".to_owned();
        for person in self.directory.people_at(0, now.utc) {
            let ways = self.directory.ways(&person);
            let copy = ways.iter().copied().find(|way| *way == FOLDER && ways.len() > 1);
            for way in ways.first().copied().into_iter().chain(copy) {
                let Some(to) = self.directory.address(&person, way) else { continue };
                let subject = format!(
                    "{} - {}",
                    text.split(": ").next().unwrap_or("daily"),
                    self.directory.words.station
                );
                let key = MessageKey {
                    about: about.clone(),
                    event: None,
                    seq: day,
                    person: person.clone(),
                    route: way.to_owned(),
                    step: 0,
                };
                let body = Body { subject, text: text.clone(), to, about: about.clone(), ..Body::default() };
                self.queue(key, Priority::P3, &body, Some(Span::from_hours(12)));
            }
        }
    }

    /// Whether a route is set up and not turned away as a whole.
    pub fn set_routes(&mut self, routes: Routes) {
        self.directory.routes = routes;
    }

    /// What somebody is called.
    #[must_use]
    pub fn name(&self, person: &PersonId) -> String {
        self.directory.words.names.get(person).cloned().unwrap_or_else(|| person.to_string())
    }

    /// Time to the next moment within `ahead` at which a step of the ladder has nobody.
    #[must_use]
    pub fn next_hole(&self, at: Timestamp, ahead: Span) -> Option<Span> {
        self.directory.next_hole(at, ahead)
    }

    /// How the last hour of what an event is about was, in one line.
    pub fn set_hour(&mut self, event: EventId, line: Option<String>) {
        match line {
            Some(line) => drop(self.hours.insert(event, line)),
            None => drop(self.hours.remove(&event)),
        }
    }

    /// Events that are open, as last heard of.
    pub fn open(&self) -> impl Iterator<Item = &AlarmEvent> {
        self.on().map(|ladder| &ladder.latest)
    }

    /// Events whose ladder is climbing, resting or paused.
    #[must_use]
    pub fn open_events(&self) -> Vec<EventId> {
        self.on().map(|ladder| ladder.latest.event).collect()
    }

    fn on(&self) -> impl Iterator<Item = &Ladder> {
        self.ladders.values().filter(|ladder| ladder.phase != Phase::Noted)
    }

    fn begin(&mut self, event: &AlarmEvent, now: Now) {
        // Whatever lasts for a day is in the digest too.
        self.schedule_digest(now);
        let ladder = self.ladders.entry(event.event).or_insert_with(|| Ladder::new(event));
        if ladder.phase == Phase::Noted {
            ladder.told.clear();
        }
        ladder.take(event);
        if event.priority == Priority::P3 {
            return ladder.rest(Phase::Digest);
        }
        ladder.start(now.up);
        self.climb(event.event, now);
        // Machines are told once and then of every change; they need no ladder.
        for receiver in self.directory.receivers.clone() {
            self.push(event.event, &receiver, WEBHOOK, now);
        }
    }

    /// Over. What nobody answered and what chattered is mentioned in the morning.
    fn cleared(&mut self, event: &AlarmEvent, now: Now) {
        self.tell_told(event, now);
        self.hours.remove(&event.event);
        let Some(ladder) = self.ladders.get_mut(&event.event) else { return };
        if ladder.is_unanswered() || event.chattering {
            ladder.take(event);
            ladder.rest(Phase::Noted);
            self.schedule_digest(now);
        } else {
            self.ladders.remove(&event.event);
        }
    }

    fn grew(&mut self, event: &AlarmEvent, now: Now) {
        let Some(ladder) = self.ladders.get_mut(&event.event) else { return self.begin(event, now) };
        ladder.take(event);
        let wait = match event.priority {
            Priority::P1 => Span::from_minutes(5),
            Priority::P2 => Span::from_minutes(15),
            Priority::P3 => return,
        };
        // Told no sooner than this after the last message; the next step carries the count anyway.
        let at = ladder.said_at.map_or(now.up, |said| said.after(wait)).max(now.up);
        if ladder.phase != Phase::Paused && ladder.due.is_none_or(|due| due > at) {
            ladder.update = Some(at);
            self.handle_timeout(now);
        }
    }

    fn answered(&mut self, event: &AlarmEvent, phase: Phase, by: Option<(PersonId, Timestamp)>, now: Now) {
        let Some(ladder) = self.ladders.get_mut(&event.event) else { return };
        if ladder.phase == Phase::Noted {
            // Answered after it was over: there is nothing left to say but how often it came.
            ladder.acknowledged = by;
            if !ladder.latest.chattering {
                self.ladders.remove(&event.event);
            }
            return;
        }
        ladder.take(event);
        ladder.rest(phase);
        ladder.acknowledged = by.or(ladder.acknowledged.take());
        self.tell_told(event, now);
    }

    fn remind(&mut self, event: &AlarmEvent, now: Now) {
        let ladder = self.ladders.entry(event.event).or_insert_with(|| Ladder::new(event));
        ladder.take(event);
        if event.priority == Priority::P3 {
            ladder.rest(Phase::Digest);
            return self.schedule_digest(now);
        }
        let by = ladder.acknowledged.take();
        ladder.start(now.up);
        ladder.enter();
        let Some((by, _)) = by else { return self.climb(event.event, now) };
        ladder.due = Some(now.up.after(REMINDER_LIMIT));
        if !self.tell(event.event, &[by], &[TEXT, MAIL], now) {
            self.climb(event.event, now);
        }
    }

    /// Takes the step that is due and sets the next one.
    fn climb(&mut self, event: EventId, now: Now) {
        // Each round tries one step; a step that reaches nobody is followed by the next at once,
        // as far as the step that tells everyone.
        for _ in 0..=plan::EVERYONE {
            let Some(ladder) = self.ladders.get_mut(&event) else { return };
            ladder.enter();
            let (step, priority, held) = (ladder.step, ladder.latest.priority, ladder.phase == Phase::Quiet);
            let people = self.directory.people_at(step, now.utc);
            let quiet = || people.first().and_then(|p| self.directory.quiet_left(p, now.utc));
            if let Some(wait) =
                Some(()).filter(|()| priority == Priority::P2 && step == 0 && !held).and_then(|()| quiet())
            {
                return self.hold(event, &people, wait.min(QUIET_LIMIT), now);
            }
            let routes: &[&str] = if priority == Priority::P1 && step == 0 { &[TEXT, MAIL] } else { &[TEXT] };
            let reached = self.tell(event, &people, routes, now);
            let Some(ladder) = self.ladders.get_mut(&event) else { return };
            ladder.advance(now.up);
            if reached {
                return;
            }
            tracing::warn!(event = event.0, step, "nobody of this step can be reached by any route");
        }
    }

    /// Mail now, text when the quiet hours end.
    fn hold(&mut self, event: EventId, people: &[PersonId], wait: Span, now: Now) {
        self.tell(event, people, &[MAIL], now);
        if let Some(ladder) = self.ladders.get_mut(&event) {
            ladder.phase = Phase::Quiet;
            ladder.due = Some(now.up.after(wait));
        }
    }

    /// A message failed: the person's other route, or the next step when there is none.
    fn another_way(&mut self, event: EventId, person: &PersonId, failed: &str, for_good: bool, now: Now) {
        let Some(ladder) = self.ladders.get_mut(&event) else { return };
        if !matches!(ladder.phase, Phase::Climbing | Phase::Quiet) {
            return;
        }
        let way = (person.clone(), failed.to_owned());
        let mut dead = ladder.dead.clone();
        dead.insert(way.clone());
        if for_good {
            ladder.dead.insert(way);
        }
        let said = ladder.said.clone();
        let other = self
            .directory
            .ways(person)
            .into_iter()
            .find(|way| !dead.contains(&(person.clone(), (*way).to_owned())) && *way != FOLDER);
        match other {
            // Already gone out by the other route with the same step: that person is told.
            Some(way) if said.contains(&(person.clone(), way.to_owned())) => {}
            Some(way) => {
                self.tell(event, std::slice::from_ref(person), &[way], now);
            }
            None => {
                let everybody_dead =
                    said.iter().all(|(p, way)| way == FOLDER || dead.contains(&(p.clone(), way.clone())));
                if everybody_dead && !self.ladders.get(&event).is_some_and(Ladder::at_top) {
                    self.climb(event, now);
                }
            }
        }
    }

    /// Tells everyone who was told, by the routes they were told by, once.
    fn tell_told(&mut self, event: &AlarmEvent, now: Now) {
        let Some(ladder) = self.ladders.get_mut(&event.event) else { return };
        ladder.take(event);
        let told: Vec<(PersonId, String)> = ladder.told.iter().cloned().collect();
        ladder.round(now.up);
        for (person, way) in told {
            self.push(event.event, &person, &way, now);
        }
    }

    /// Tells people by these routes; by any other they have when none of these reaches them.
    /// False when nobody could be told anything.
    fn tell(&mut self, event: EventId, people: &[PersonId], routes: &[&str], now: Now) -> bool {
        let Some(ladder) = self.ladders.get_mut(&event) else { return false };
        ladder.round(now.up);
        let mut reached = false;
        for person in people {
            let has = self.directory.ways(person);
            let dead = |way: &str| {
                let key = (person.clone(), way.to_owned());
                self.ladders.get(&event).is_some_and(|ladder| ladder.dead.contains(&key))
            };
            let usable: Vec<&'static str> = has.into_iter().filter(|way| !dead(way)).collect();
            let mut ways: Vec<&str> = usable.iter().copied().filter(|way| routes.contains(way)).collect();
            if ways.is_empty() {
                ways.extend(usable.iter().copied().find(|way| *way != FOLDER));
            }
            if usable.contains(&FOLDER) {
                ways.push(FOLDER);
            }
            // A copy in the folder tells nobody, unless the station has nothing else.
            let folder_tells = self.directory.routes.only_folder();
            let mut told = false;
            for way in &ways {
                told |= self.push(event, person, way, now) && (*way != FOLDER || folder_tells);
            }
            // A text that may not go out for the number of them is no reason to say nothing.
            if !told && usable.contains(&MAIL) && !ways.contains(&MAIL) {
                told = self.push(event, person, MAIL, now);
            }
            reached |= told;
        }
        reached
    }

    fn push(&mut self, event: EventId, person: &PersonId, way: &str, now: Now) -> bool {
        let Some(to) = self.directory.address(person, way) else { return false };
        let Some(ladder) = self.ladders.get_mut(&event) else { return false };
        if way == TEXT && self.texts.kept_back(&ladder.latest, person) {
            ladder.told.insert((person.clone(), way.to_owned()));
            return true;
        }
        let allowed = match way {
            TEXT => self.texts.allow(person, is_parent(&ladder.latest), now.up),
            _ => Allowed::Yes,
        };
        if allowed == Allowed::No {
            return false;
        }
        let latest = &ladder.latest;
        let key = MessageKey::event(event, latest.seq, person.clone(), way, ladder.round);
        let reach = Reach {
            step: ladder.shown,
            told: ladder.people_told(),
            acknowledged: ladder.acknowledged.clone(),
            hour: self.hours.get(&event).cloned(),
        };
        let words = &self.directory.words;
        let short = || message::text(latest, words, &reach, now);
        let (subject, text) = match way {
            TEXT if allowed == Allowed::Last => (String::new(), message::cap_text(latest, words, now)),
            TEXT => (String::new(), short()),
            WEBHOOK => (String::new(), message::webhook(latest, words, &reach)),
            _ => (message::subject(latest, words, now), message::body(latest, words, &reach, now)),
        };
        let first = ladder.firsts.get(&(person.clone(), way.to_owned())).cloned();
        let of_silence = latest.kind == AlarmKind::CannotSendAtAll && latest.change != Change::Cleared;
        let body = Body { subject, text, to, about: key.about.clone(), first, of_silence };
        let (priority, life) = (latest.priority, life(latest));
        ladder.note(&key, way == TEXT && latest.change != Change::Cleared, now.up.after(TEXT_LIMIT));
        self.queue(key, priority, &body, life)
    }

    fn queue(&mut self, key: MessageKey, priority: Priority, body: &Body, life: Option<Span>) -> bool {
        let Ok(body) = serde_json::to_value(body) else { return false };
        self.output.push_back(NewMessage { key, priority, body, delay: Span::ZERO, life });
        true
    }

    fn schedule_digest(&mut self, now: Now) {
        if self.digest.is_none() {
            self.digest = Some(now.up.after(self.directory.until_digest(now.utc)));
        }
    }

    /// One message a day about everything that can wait.
    fn send_digest(&mut self, now: Now) {
        // Still open tomorrow: said again.
        self.digest = Some(now.up.after(self.directory.until_digest(now.utc)));
        let news = self.news(now);
        self.ladders.retain(|_, ladder| ladder.phase != Phase::Noted);
        if self.ladders.is_empty() {
            self.digest = None;
        }
        if news.is_empty() {
            return;
        }
        let (subject, text) = message::digest(&news, &self.directory.words, now);
        let day = self.directory.day_number(now.utc);
        for person in self.directory.people_at(0, now.utc) {
            let ways = self.directory.ways(&person);
            let best = ways.iter().copied().find(|way| *way == MAIL).or(ways.first().copied());
            let copy = ways.iter().copied().find(|way| *way == FOLDER && best != Some(FOLDER));
            for way in best.into_iter().chain(copy) {
                let Some(to) = self.directory.address(&person, way) else { continue };
                let text = if way == TEXT { message::digest_text(&news) } else { text.clone() };
                let about = "digest".to_owned();
                let key = MessageKey {
                    about: about.clone(),
                    event: None,
                    seq: day,
                    person: person.clone(),
                    route: way.to_owned(),
                    step: 0,
                };
                let body = Body { subject: subject.clone(), text, to, about, ..Body::default() };
                self.queue(key, Priority::P3, &body, Some(Span::from_hours(24)));
            }
        }
    }

    fn news(&self, now: Now) -> message::News {
        let these = |wanted: &dyn Fn(&Ladder) -> bool| -> Vec<AlarmEvent> {
            self.ladders
                .values()
                .filter(|ladder| wanted(ladder))
                .map(|ladder| ladder.latest.clone())
                .collect()
        };
        let urgent = |ladder: &Ladder| !matches!(ladder.phase, Phase::Digest | Phase::Noted);
        message::News {
            to_fix: these(&|ladder| ladder.phase == Phase::Digest),
            standing: these(&|ladder| urgent(ladder) && now.utc.since(ladder.latest.since) >= STANDING),
            chattering: these(&|ladder| ladder.latest.chattering),
            unanswered: these(&|ladder| ladder.phase == Phase::Noted && ladder.is_unanswered()),
        }
    }
}

/// How long a message is worth anything.
fn life(event: &AlarmEvent) -> Option<Span> {
    match (&event.change, event.priority) {
        (Change::Cleared, _) => Some(Span::from_hours(1)),
        (_, Priority::P1) => None,
        (_, Priority::P2) => Some(Span::from_hours(6)),
        (_, Priority::P3) => Some(Span::from_hours(24)),
    }
}

#[cfg(test)]
mod tests;
