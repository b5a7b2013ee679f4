//! What people do.

use super::Engine;
use crate::alarm::event::{AlarmKind, Asset, Change, Code, EventId, Priority};
use crate::alarm::moment::Moment;
use crate::alarm::state::{
    LONGEST_OUT, OutOfService, Recognition, Reported, Shelf, longest_shelving, re_alarm_time,
};
use crate::alarm::tree::AlarmIx;
use crate::clock::Now;
use crate::ids::PersonId;
use crate::rack::JarIx;
use nightjar_calc::time::{Span, Timestamp};

/// What a command is about.
#[derive(Clone, Debug, PartialEq)]
pub enum Target {
    /// An event by its number.
    Event(EventId),
    /// An event by its answer code, in any case.
    Code(Code),
    /// One alarm, on or not.
    Alarm(AlarmKind, Asset),
    /// Everything about an asset: for a sensor also the alarms it feeds, for a jar its sensors.
    Asset(Asset),
}

/// How to pause.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shelving {
    /// For how long at most.
    pub length: Span,
    /// Ends when the alarm clears.
    pub one_shot: bool,
}

/// Why a command was not carried out.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Refused {
    /// Nothing of that name, number or code.
    #[error("no open alarm answers to that")]
    Unknown,
    /// It was answered before.
    #[error("already acknowledged by {by} until {until}")]
    AlreadyAcknowledged {
        /// Who.
        by: PersonId,
        /// Until when.
        until: Timestamp,
    },
    /// There is nothing to answer.
    #[error("nothing is left to acknowledge")]
    NothingToAcknowledge,
    /// Too long a pause.
    #[error("a {priority:?} alarm can be paused for at most {} minutes", longest.ms() / 60_000)]
    TooLong {
        /// Of which priority.
        priority: Priority,
        /// Longest pause.
        longest: Span,
    },
    /// Neither paused nor out of use.
    #[error("it is not paused or out of use")]
    NotSilenced,
    /// It is out of use.
    #[error("it is out of use")]
    OutOfUse,
    /// Without a reason nothing goes out of use.
    #[error("say why")]
    NoReason,
    /// Not a length of time that makes sense.
    #[error("the length must be more than nothing and at most {} hours", longest.ms() / 3_600_000)]
    BadLength {
        /// Longest length.
        longest: Span,
    },
}

impl Engine {
    /// Somebody says they know. Stops the nagging for a while; changes nothing else.
    ///
    /// # Errors
    /// When nothing answers to the target or there is nothing left to acknowledge.
    pub fn acknowledge(&mut self, target: &Target, by: &PersonId, now: Now) -> Result<EventId, Refused> {
        let m = self.enter(now);
        let id = self.event_of(target)?;
        let event = self.events.get(&id).ok_or(Refused::Unknown)?;
        let members: Vec<AlarmIx> = event.members.iter().copied().collect();
        let waiting: Vec<AlarmIx> =
            members.iter().copied().filter(|ix| self.slots[*ix].alarm.is_unacknowledged()).collect();
        if waiting.is_empty() {
            return Err(self.already(&members));
        }
        let priority = self.event_priority(event);
        let on = event.on;
        // Waits of alarms that came one by one end together.
        let until = m.after(if on { re_alarm_time(priority) } else { Span::ZERO });
        for ix in &waiting {
            self.change(*ix, m, "", Some(by), |slot, steps| {
                slot.alarm.acknowledge(by, m, &slot.tuning, steps);
            });
        }
        self.mark_told(id, m);
        let until = self.wall(until);
        self.emit(id, Change::Acknowledged { by: by.clone(), until });
        self.close_if_done(id, m);
        Ok(id)
    }

    /// Somebody acknowledged before the first words had left: they count as said, to them.
    fn mark_told(&mut self, id: EventId, m: Moment) {
        let Some(event) = self.events.get(&id) else { return };
        let priority = self.event_priority(event);
        let members = u32::try_from(self.speaking(event).len()).unwrap_or(u32::MAX);
        if let Some(event) = self.events.get_mut(&id) {
            event.due = None;
            event.told.get_or_insert(crate::alarm::record::StoredTold { priority, members, at: m });
        }
    }

    fn already(&self, members: &[AlarmIx]) -> Refused {
        for ix in members {
            if let Recognition::Acknowledged { by, until } = self.slots[*ix].alarm.recognition() {
                return Refused::AlreadyAcknowledged { by: by.clone(), until: self.wall(*until) };
            }
        }
        Refused::NothingToAcknowledge
    }

    /// Somebody says it is fixed. Resets what is latched and has returned.
    ///
    /// # Errors
    /// When nothing answers to the target.
    pub fn confirm(&mut self, target: &Target, by: &PersonId, now: Now) -> Result<EventId, Refused> {
        let m = self.enter(now);
        let id = self.event_of(target)?;
        let members: Vec<AlarmIx> =
            self.events.get(&id).map(|event| event.members.iter().copied().collect()).unwrap_or_default();
        self.emit(id, Change::Confirmed { by: by.clone() });
        for ix in members {
            self.change(ix, m, "", Some(by), |slot, steps| slot.alarm.confirm(&slot.tuning, steps));
        }
        self.close_if_done(id, m);
        Ok(id)
    }

    /// Pauses alarms. An event's consequences are paused with it.
    ///
    /// # Errors
    /// When nothing answers to the target, it is out of use, or the pause is too long.
    pub fn shelve(
        &mut self,
        target: &Target,
        shelving: Shelving,
        by: &PersonId,
        now: Now,
    ) -> Result<EventId, Refused> {
        let m = self.enter(now);
        let mut alarms = self.alarms_of(target)?;
        let priority = alarms.iter().map(|ix| self.slots[*ix].alarm.priority()).min();
        let priority = priority.ok_or(Refused::Unknown)?;
        let longest = longest_shelving(priority);
        if shelving.length > longest {
            return Err(Refused::TooLong { priority, longest });
        }
        if shelving.length <= Span::ZERO {
            return Err(Refused::BadLength { longest });
        }
        if alarms.iter().any(|ix| self.slots[*ix].alarm.reported() == Reported::OutOfService) {
            return Err(Refused::OutOfUse);
        }
        let id = self.hold(&alarms, m);
        self.add_covered(&mut alarms);
        let until = m.after(shelving.length);
        for ix in alarms {
            let shelf = Shelf { by: by.clone(), until, one_shot: shelving.one_shot };
            self.change(ix, m, "", Some(by), |slot, steps| slot.alarm.shelve(shelf, steps));
        }
        let until = self.wall(until);
        self.mark_told(id, m);
        self.emit(id, Change::Shelved { by: by.clone(), until });
        Ok(id)
    }

    /// What alarms cover at present is silenced with them, and what that covers.
    fn add_covered(&self, alarms: &mut Vec<AlarmIx>) {
        self.add_consequences(alarms, |ix, child| self.is_covered_by(child, ix));
    }

    /// Consequences that were paused by the same word. Their cause covers them no more: silenced, it explains
    /// nothing.
    fn add_paused_with(&self, alarms: &mut Vec<AlarmIx>) {
        let shelf = |ix: AlarmIx| self.slots[ix].alarm.suppression().shelf.as_ref();
        self.add_consequences(alarms, |ix, child| shelf(child).is_some() && shelf(child) == shelf(ix));
    }

    /// Adds what alarms may cover and `belongs` to them, and what belongs to that.
    fn add_consequences(&self, alarms: &mut Vec<AlarmIx>, belongs: impl Fn(AlarmIx, AlarmIx) -> bool) {
        let mut next = 0;
        while let Some(ix) = alarms.get(next).copied() {
            next += 1;
            for child in &self.tree.alarms[ix].covers {
                if belongs(ix, *child) && !alarms.contains(child) {
                    alarms.push(*child);
                }
            }
        }
    }

    /// Ends a pause before its time, of its consequences too.
    ///
    /// # Errors
    /// When nothing answers to the target or it is not paused.
    pub fn unshelve(&mut self, target: &Target, by: &PersonId, now: Now) -> Result<(), Refused> {
        let m = self.enter(now);
        let mut alarms = self.alarms_of(target)?;
        alarms.retain(|ix| self.slots[*ix].alarm.suppression().shelf.is_some());
        self.add_paused_with(&mut alarms);
        if alarms.is_empty() {
            return Err(Refused::NotSilenced);
        }
        for ix in alarms {
            self.change(ix, m, "", Some(by), |slot, steps| slot.alarm.unshelve(m, steps));
        }
        Ok(())
    }

    /// Takes alarms out of use, for at most a week at a time.
    ///
    /// # Errors
    /// When nothing answers to the target, no reason is given, or the length is not sensible.
    pub fn out_of_service(
        &mut self,
        target: &Target,
        length: Span,
        reason: &str,
        by: &PersonId,
        now: Now,
    ) -> Result<EventId, Refused> {
        let m = self.enter(now);
        if reason.trim().is_empty() {
            return Err(Refused::NoReason);
        }
        if length <= Span::ZERO || length > LONGEST_OUT {
            return Err(Refused::BadLength { longest: LONGEST_OUT });
        }
        let alarms = self.alarms_of(target)?;
        let first = *alarms.first().ok_or(Refused::Unknown)?;
        let until = m.after(length);
        let change = Change::OutOfService {
            by: by.clone(),
            until: self.wall(until),
            reason: reason.trim().to_owned(),
        };
        for ix in &alarms {
            self.leave(*ix, &change, m);
            let out =
                OutOfService { by: by.clone(), reason: reason.trim().to_owned(), until, overdue: false };
            self.change(*ix, m, reason, Some(by), |slot, steps| slot.alarm.take_out(out, steps));
        }
        let id = self.new_event(first, m);
        self.hold_in(id, &alarms);
        self.mark_told(id, m);
        self.emit(id, change);
        self.follow_channels(&alarms, true, m);
        Ok(id)
    }

    /// Puts alarms back into use: normal, with full delays from fresh samples.
    ///
    /// # Errors
    /// When nothing answers to the target or it is not out of use.
    pub fn return_to_service(&mut self, target: &Target, by: &PersonId, now: Now) -> Result<(), Refused> {
        let m = self.enter(now);
        let mut alarms = self.alarms_of(target)?;
        alarms.retain(|ix| self.slots[*ix].alarm.suppression().out.is_some());
        if alarms.is_empty() {
            return Err(Refused::NotSilenced);
        }
        for ix in &alarms {
            let id = self.slots[*ix].event;
            self.change(*ix, m, "", Some(by), |slot, steps| {
                slot.alarm.return_to_service(&slot.tuning, steps);
            });
            if let Some(id) = id {
                let last = self.events.get(&id).is_some_and(|event| event.members.len() == 1);
                if last {
                    self.emit(id, Change::Unsuppressed);
                }
                if let Some(event) = self.events.get_mut(&id) {
                    event.members.remove(ix);
                }
                self.slots[*ix].event = None;
                self.persist_event(id);
                self.close_if_done(id, m);
            }
        }
        self.follow_channels(&alarms, false, m);
        Ok(())
    }

    /// Channels whose silence is out of use do not count towards node and header.
    pub(super) fn follow_channels(&mut self, alarms: &[AlarmIx], out: bool, m: Moment) {
        for at in 0..self.channels.len() {
            let Some(blind) = self.tree.fed[at].blind.filter(|blind| alarms.contains(blind)) else {
                continue;
            };
            self.channels[at].out = out;
            if !out {
                let channel = &mut self.channels[at];
                channel.last_good = m;
                if channel.stale {
                    channel.stale = false;
                    let due = m.after(channel.stale_after);
                    self.timers.insert((due, super::Timer::Stale(at)));
                }
            }
            for n in 0..self.tree.alarms[blind].counts_for.len() {
                let parent = self.tree.alarms[blind].counts_for[n];
                self.evaluate(parent, m);
            }
        }
    }

    /// Opens a treatment window: the flow limits of a treatment hold until it ends by itself.
    ///
    /// # Errors
    /// When a jar is unknown or the length is not sensible.
    pub fn open_treatment_window(
        &mut self,
        jars: &[JarIx],
        length: Span,
        by: &PersonId,
        now: Now,
    ) -> Result<Timestamp, Refused> {
        let m = self.enter(now);
        let longest = self.plan.settings.longest_treatment;
        if length <= Span::ZERO || length > longest {
            return Err(Refused::BadLength { longest });
        }
        if jars.iter().any(|jar| usize::from(jar.0) >= self.jars.len()) {
            return Err(Refused::Unknown);
        }
        let until = m.after(length);
        for jar in jars {
            self.begin_treatment(*jar, until, by);
        }
        Ok(self.wall(until))
    }

    /// Who opened the treatment window of a jar, and until when it lasts.
    #[must_use]
    pub fn treatment_window(&self, jar: JarIx) -> Option<(&PersonId, Timestamp)> {
        let (until, by) = self.jars.get(usize::from(jar.0))?.treatment.as_ref()?;
        Some((by, self.wall(*until)))
    }

    /// An event for alarms a person silences, the one they have or a new one.
    fn hold(&mut self, alarms: &[AlarmIx], m: Moment) -> EventId {
        let existing = alarms.iter().find_map(|ix| self.slots[*ix].event);
        let id = match existing.filter(|id| self.events.contains_key(id)) {
            Some(id) => id,
            None => {
                let id = self.new_event(alarms[0], m);
                if let Some(event) = self.events.get_mut(&id) {
                    event.held = true;
                }
                id
            }
        };
        let free: Vec<AlarmIx> =
            alarms.iter().copied().filter(|ix| self.slots[*ix].event.is_none()).collect();
        if existing.is_none() {
            self.hold_in(id, &free);
        }
        id
    }

    fn hold_in(&mut self, id: EventId, alarms: &[AlarmIx]) {
        for ix in alarms {
            self.slots[*ix].event = Some(id);
        }
        let on = alarms.iter().any(|ix| self.slots[*ix].alarm.is_on());
        if let Some(event) = self.events.get_mut(&id) {
            event.held = true;
            event.on = on;
            event.members.extend(alarms);
        }
    }

    fn event_of(&self, target: &Target) -> Result<EventId, Refused> {
        let found = match target {
            Target::Event(id) => self.events.contains_key(id).then_some(*id),
            Target::Code(code) => {
                let wanted = code.0.trim().to_ascii_uppercase();
                self.events.values().find(|event| event.code.0 == wanted).map(|event| event.id)
            }
            Target::Alarm(..) | Target::Asset(_) => {
                let alarms = self.alarms_of(target)?;
                alarms.iter().find_map(|ix| self.slots[*ix].event)
            }
        };
        found.ok_or(Refused::Unknown)
    }

    fn alarms_of(&self, target: &Target) -> Result<Vec<AlarmIx>, Refused> {
        let all = || self.tree.alarms.iter().enumerate();
        let found: Vec<AlarmIx> = match target {
            Target::Event(_) | Target::Code(_) => {
                let id = self.event_of(target)?;
                self.events.get(&id).map(|e| e.members.iter().copied().collect()).unwrap_or_default()
            }
            Target::Alarm(kind, asset) => all()
                .filter(|(_, planned)| planned.kind == *kind && planned.asset == *asset)
                .map(|(ix, _)| ix)
                .collect(),
            Target::Asset(asset) => self.alarms_about(asset),
        };
        if found.is_empty() { Err(Refused::Unknown) } else { Ok(found) }
    }

    fn alarms_about(&self, asset: &Asset) -> Vec<AlarmIx> {
        let rack = &self.plan.rack;
        let sensors: Vec<usize> = match asset {
            Asset::Sensor(name) => rack.sensor_named(name).map(|s| usize::from(s.0)).into_iter().collect(),
            Asset::Jar(name) => rack
                .jar_named(name)
                .map(|jar| rack.jar(jar))
                .map(|jar| [jar.flow, jar.temperature])
                .into_iter()
                .flatten()
                .flatten()
                .map(|sensor| usize::from(sensor.0))
                .collect(),
            Asset::Site
            | Asset::Supply
            | Asset::Pump(_)
            | Asset::Header(_)
            | Asset::Monitor
            | Asset::Node(_)
            | Asset::Route(_) => Vec::new(),
        };
        let mut found: Vec<AlarmIx> =
            (0..self.tree.alarms.len()).filter(|ix| self.tree.alarms[*ix].asset == *asset).collect();
        for at in sensors {
            let fed = &self.tree.fed[at];
            // A header's or supply's own alarm has its children too and stays.
            let own = |ix: &&AlarmIx| !matches!(asset, Asset::Sensor(_)) || !self.is_shared(**ix);
            found.extend(fed.limits.iter().filter(own));
            found.extend(fed.rate.iter().filter(own));
            found.extend(fed.disagrees.iter().chain(&fed.blind).chain(&fed.stuck));
        }
        found.sort_unstable();
        found.dedup();
        found
    }

    fn is_shared(&self, ix: AlarmIx) -> bool {
        self.tree.alarms[ix].inference != crate::alarm::tree::Inference::None
    }
}
