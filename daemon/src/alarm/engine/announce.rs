//! Events: when alarms join and leave them, when they speak, and what they say.

use super::{Engine, Timer};
use crate::alarm::condition::{Family, family};
use crate::alarm::event::{AlarmEvent, AlarmKind, Change, EggsHave, EventId, Priority};
use crate::alarm::group::{Event, FloodStep, Say, Standing, Why};
use crate::alarm::moment::Moment;
use crate::alarm::record::{Output, StateDelta, StoredEvent, StoredTold};
use crate::alarm::state::Recognition;
use crate::alarm::tree::{AlarmIx, At, Level};
use crate::rack::JarIx;
use std::collections::BTreeSet;

impl Engine {
    /// An alarm that is on in its own right becomes part of an event.
    pub(super) fn join(&mut self, ix: AlarmIx, why: Why, m: Moment) {
        let alarm = &self.slots[ix].alarm;
        if alarm.suppression().any() || !alarm.is_on() {
            return;
        }
        let priority = alarm.priority();
        let times = alarm.times();
        let (on_delay, _) = self.plan.settings.delays(self.tree.alarms[ix].kind);
        let verified = if alarm.is_unacknowledged() { alarm.since().after(on_delay).min(m) } else { m };
        let verified = if self.slots[ix].event.is_some() { m } else { verified };
        let id = self.event_for(ix, why, m);
        let Some(event) = self.events.get_mut(&id) else { return };
        event.members.insert(ix);
        event.on = true;
        event.held = false;
        event.times = event.times.max(times);
        event.wants_to_speak(why, priority, verified, m);
        if let Some(due) = event.due {
            self.timers.insert((due, Timer::Event(id)));
        }
        self.slots[ix].event = Some(id);
        self.persist_event(id);
    }

    fn event_for(&mut self, ix: AlarmIx, why: Why, m: Moment) -> EventId {
        if let Some(id) = self.slots[ix].event {
            let same = self.events.get(&id).is_some_and(|event| event.on || event.held || why != Why::On);
            if same {
                return id;
            }
            // It was on long ago and nobody answered: this is a new event.
            self.leave(ix, &Change::Cleared, m);
        }
        let group = self.tree.alarms[ix].group;
        let open = self.open.get(&group).copied();
        if let Some(id) = open.filter(|id| self.events.get(id).is_some_and(|event| event.on)) {
            return id;
        }
        self.new_event(ix, m)
    }

    pub(super) fn new_event(&mut self, ix: AlarmIx, m: Moment) -> EventId {
        let id = EventId(self.next_event);
        self.next_event += 1;
        let code = self.codes.give(self.plan.code_seed, id, m);
        let group = self.tree.alarms[ix].group;
        let event = Event {
            id,
            code,
            group,
            members: BTreeSet::new(),
            seq: 0,
            told: None,
            due: None,
            first_due: None,
            why: Why::On,
            on: false,
            held: false,
            times: 1,
            since: self.slots[ix].since,
            over: false,
            reminded_at: None,
        };
        self.events.insert(id, event);
        self.open.insert(group, id);
        self.persist_counters();
        id
    }

    pub(super) fn persist_counters(&mut self) {
        let delta = StateDelta::Counters { next_event: self.next_event, starts: self.starts.clone() };
        self.persist(delta);
    }

    /// Alarms of an event that are on and may speak.
    pub(super) fn speaking(&self, event: &Event) -> Vec<AlarmIx> {
        let speaks = |ix: &&AlarmIx| {
            let alarm = &self.slots[**ix].alarm;
            alarm.is_on() && !alarm.suppression().any()
        };
        event.members.iter().filter(speaks).copied().collect()
    }

    /// The wait of an event is over.
    pub(super) fn event_due(&mut self, id: EventId, m: Moment) {
        let Some(event) = self.events.get(&id) else { return };
        if event.due.is_none_or(|due| due > m) {
            return;
        }
        let speaking = self.speaking(event);
        if event.told.is_none()
            && let Some(until) = self.held_back(&speaking, m)
        {
            if let Some(event) = self.events.get_mut(&id) {
                event.due = Some(until);
            }
            self.timers.insert((until, Timer::Event(id)));
            return;
        }
        let standing = self.standing(&speaking);
        let Some(event) = self.events.get_mut(&id) else { return };
        event.due = None;
        event.first_due = None;
        let said = standing.and_then(|standing| event.say(&standing));
        let times = event.times;
        event.why = Why::On;
        let Some(said) = said else { return self.persist_event(id) };
        let change = match said {
            Say::Raised => Change::Raised,
            Say::Again => Change::Again { times },
            Say::Worsened => Change::Worsened,
            Say::SilenceEnded => Change::Unsuppressed,
            Say::Grew => Change::Grew,
        };
        self.tell(id, change, m);
    }

    /// Until when first words wait for a cause that is about to be found.
    fn held_back(&self, speaking: &[AlarmIx], m: Moment) -> Option<Moment> {
        let until = speaking.iter().filter_map(|ix| self.pending_explanation(*ix)).max()?;
        (until > m).then_some(until)
    }

    pub(super) fn standing(&self, speaking: &[AlarmIx]) -> Option<Standing> {
        let priority = speaking.iter().map(|ix| self.slots[*ix].alarm.priority()).min()?;
        let acknowledged =
            |ix: &&AlarmIx| matches!(self.slots[**ix].alarm.recognition(), Recognition::Acknowledged { .. });
        let known = speaking.iter().filter(acknowledged).count();
        Some(Standing {
            priority,
            members: u32::try_from(speaking.len()).unwrap_or(u32::MAX),
            partly_acknowledged: known > 0 && known < speaking.len(),
        })
    }

    /// Says something that counts as an announcement.
    fn tell(&mut self, id: EventId, change: Change, m: Moment) {
        let Some(event) = self.events.get(&id) else { return };
        let speaking = self.speaking(event);
        if let Some(standing) = self.standing(&speaking)
            && let Some(event) = self.events.get_mut(&id)
        {
            let members = standing.members;
            event.told = Some(StoredTold { priority: standing.priority, members, at: m });
        }
        self.emit(id, change);
        if self.flood.handle_announced(m) {
            self.outputs.push_back(Output::Flood { on: true, announced: self.flood.announced() });
        }
        if let Some(at) = self.flood.poll_timeout() {
            self.timers.insert((at, Timer::Flood));
        }
    }

    pub(super) fn check_flood(&mut self, m: Moment) {
        let step = self.flood.handle_timeout(m);
        if let Some(step) = step {
            let on = step == FloodStep::Summary;
            self.outputs.push_back(Output::Flood { on, announced: self.flood.announced() });
        }
        if let Some(at) = self.flood.poll_timeout() {
            self.timers.insert((at, Timer::Flood));
        }
    }

    /// Hands one change of an event out.
    pub(super) fn emit(&mut self, id: EventId, change: Change) {
        let Some(said) = self.describe(id, change) else { return };
        if let Some(event) = self.events.get_mut(&id) {
            event.seq += 1;
            event.over = match &said.change {
                Change::Cleared | Change::Covered { .. } => true,
                // Somebody who was already told that it is off answers late.
                Change::Acknowledged { .. } | Change::Confirmed { .. } => event.over && !event.on,
                Change::Raised
                | Change::Again { .. }
                | Change::Worsened
                | Change::Grew
                | Change::Reminder
                | Change::Shelved { .. }
                | Change::OutOfService { .. }
                | Change::Unsuppressed => false,
            };
        }
        self.outputs.push_back(Output::Event(Box::new(said)));
        self.persist_event(id);
    }

    /// An acknowledgment ended with the alarm still on.
    pub(super) fn remind(&mut self, ix: AlarmIx, m: Moment) {
        let Some(id) = self.slots[ix].event else { return };
        let silent = self.slots[ix].alarm.suppression().any();
        let Some(event) = self.events.get_mut(&id) else { return };
        if silent || event.told.is_none() || event.reminded_at == Some(m) {
            return;
        }
        event.reminded_at = Some(m);
        self.emit(id, Change::Reminder);
    }

    /// An alarm of an event cleared, was answered or may speak again.
    pub(super) fn member_changed(&mut self, ix: AlarmIx, m: Moment) {
        if let Some(id) = self.slots[ix].event {
            self.end_if_off(id, &Change::Cleared);
            self.close_if_done(id, m);
        }
    }

    /// Takes an alarm out of its event. When it was the last one that was on, `change` is said.
    pub(super) fn leave(&mut self, ix: AlarmIx, change: &Change, m: Moment) {
        let Some(id) = self.slots[ix].event.take() else { return };
        let Some(event) = self.events.get(&id) else { return };
        let others = event.members.iter().any(|other| *other != ix && self.slots[*other].alarm.is_on());
        if event.on && !others {
            // Said while the alarm is still a member, so that it can be named.
            let told = event.told.is_some() && !event.over;
            if let Some(event) = self.events.get_mut(&id) {
                event.on = false;
                event.due = None;
            }
            if told {
                self.emit(id, change.clone());
            }
        }
        if let Some(event) = self.events.get_mut(&id) {
            event.members.remove(&ix);
        }
        self.persist_event(id);
        self.close_if_done(id, m);
    }

    fn end_if_off(&mut self, id: EventId, change: &Change) {
        let Some(event) = self.events.get(&id) else { return };
        let on = event.members.iter().any(|ix| self.slots[*ix].alarm.is_on());
        if on || !event.on {
            return;
        }
        // What went on again and off before a word of it left is in the journal only.
        let told = event.told.is_some() && !event.over;
        if let Some(event) = self.events.get_mut(&id) {
            event.on = false;
            event.due = None;
        }
        if told {
            self.emit(id, change.clone());
        } else {
            self.persist_event(id);
        }
    }

    pub(super) fn close_if_done(&mut self, id: EventId, m: Moment) {
        let Some(event) = self.events.get(&id) else { return };
        let open = event.members.iter().any(|ix| {
            let alarm = &self.slots[*ix].alarm;
            alarm.is_on() || *alarm.recognition() != Recognition::None || alarm.suppression().by_person()
        });
        if open {
            return;
        }
        let Some(event) = self.events.remove(&id) else { return };
        for ix in &event.members {
            self.slots[*ix].event = None;
        }
        if self.open.get(&event.group) == Some(&id) {
            self.open.remove(&event.group);
        }
        let free_at = self.codes.release(&event.code, m);
        self.persist(StateDelta::Code { code: event.code, free_at });
        self.persist(StateDelta::Event { id, state: None });
    }

    pub(super) fn persist_event(&mut self, id: EventId) {
        let Some(event) = self.events.get(&id) else { return };
        let state = Some(Box::new(self.stored_event(event)));
        self.persist(StateDelta::Event { id, state });
    }

    pub(super) fn stored_event(&self, event: &Event) -> StoredEvent {
        let name = |ix: &AlarmIx| {
            let planned = &self.tree.alarms[*ix];
            (planned.kind, planned.asset.clone())
        };
        StoredEvent {
            id: event.id,
            code: event.code.clone(),
            members: event.members.iter().map(name).collect(),
            seq: event.seq,
            told: event.told,
            on: event.on,
            held: event.held,
            times: event.times,
            since: event.since,
            over: event.over,
            why: event.due.map(|_| event.why),
        }
    }

    /// Everything a message needs to know about an event.
    pub(super) fn describe(&self, id: EventId, change: Change) -> Option<AlarmEvent> {
        let event = self.events.get(&id)?;
        let (alarms, lead) = self.face(event)?;
        let slot = &self.slots[lead];
        let planned = &self.tree.alarms[lead];
        let (members, members_total) = self.members(event, lead, &alarms);
        let since = alarms
            .iter()
            .min_by_key(|ix| (self.slots[**ix].alarm.since(), **ix))
            .map_or(event.since, |ix| self.slots[*ix].since);
        let priority = alarms.iter().map(|ix| self.slots[*ix].alarm.priority()).min();
        let fallback = event.told.map_or(slot.alarm.priority(), |told| told.priority);
        let asset = self.event_asset(event, lead, &alarms);
        let on = alarms.iter().any(|ix| self.slots[*ix].alarm.is_on());
        let jars = self.event_jars(event, lead, &alarms);
        Some(AlarmEvent {
            event: id,
            seq: event.seq + 1,
            change,
            kind: planned.kind,
            hint: self.hint(event, lead, &alarms),
            asset,
            // What has cleared keeps the priority people were told.
            priority: if on { priority.unwrap_or(fallback) } else { fallback },
            members,
            members_total,
            value: slot.value,
            limit: slot.limit,
            unit: unit(planned.kind).to_owned(),
            since,
            at: self.now.utc,
            clock_trusted: self.now.trusted,
            code: event.code.clone(),
            eggs_have: self.eggs_have(planned.kind, &jars),
            unverified: alarms.iter().any(|ix| self.is_unverified(*ix)),
            chattering: alarms.iter().any(|ix| self.slots[*ix].alarm.is_chattering()),
        })
    }

    /// The alarms an event shows, and the one that leads them.
    pub(super) fn face(&self, event: &Event) -> Option<(Vec<AlarmIx>, AlarmIx)> {
        let mut alarms = self.speaking(event);
        if alarms.is_empty() {
            let on = |ix: &&AlarmIx| self.slots[**ix].alarm.is_on();
            alarms = event.members.iter().filter(on).copied().collect();
        }
        if alarms.is_empty() {
            alarms = event.members.iter().copied().collect();
        }
        let rank = |ix: &AlarmIx| (self.slots[*ix].alarm.priority(), self.tree.alarms[*ix].kind, *ix);
        let lead = alarms.iter().copied().min_by_key(rank)?;
        Some((alarms, lead))
    }

    pub(super) fn event_asset(
        &self,
        event: &Event,
        lead: AlarmIx,
        alarms: &[AlarmIx],
    ) -> crate::alarm::event::Asset {
        let kind = self.tree.alarms[lead].kind;
        let alike = alarms.iter().filter(|ix| self.tree.alarms[**ix].kind == kind).count();
        if event.group.2 == Level::Children && alike > 1 {
            self.asset_at(event.group.1)
        } else {
            self.tree.alarms[lead].asset.clone()
        }
    }

    /// Jars an event is about, the worst first.
    pub(super) fn event_jars(&self, event: &Event, lead: AlarmIx, alarms: &[AlarmIx]) -> Vec<JarIx> {
        let kind = self.tree.alarms[lead].kind;
        let mut jars: Vec<JarIx> = if event.group.2 == Level::Cause {
            self.jars_concerned(lead).0
        } else {
            let jars = |ix: &AlarmIx| match self.tree.alarms[*ix].at {
                At::Jar(jar) if self.tree.alarms[*ix].kind == kind => vec![jar],
                At::Header(_) if self.tree.alarms[*ix].kind == kind => self.jars_concerned(*ix).0,
                At::Jar(_)
                | At::Site
                | At::Supply
                | At::Pump(_)
                | At::Header(_)
                | At::Monitor
                | At::Node(_)
                | At::Sensor(_)
                | At::Route(_) => Vec::new(),
            };
            alarms.iter().flat_map(jars).collect()
        };
        let shortest = |jar: &JarIx| {
            let eggs = self.jars[usize::from(jar.0)].context.eggs_last.as_ref();
            eggs.map_or(f64::INFINITY, |eggs| eggs.minutes_short)
        };
        if family(kind) == Family::FlowLow {
            jars.sort_by(|a, b| shortest(a).total_cmp(&shortest(b)).then(a.cmp(b)));
        }
        jars
    }

    pub(super) fn members(&self, event: &Event, lead: AlarmIx, alarms: &[AlarmIx]) -> (Vec<String>, u32) {
        let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        let jars = self.event_jars(event, lead, alarms);
        let names = |jars: &[JarIx]| -> Vec<String> {
            jars.iter().map(|jar| self.plan.rack.jar(*jar).id.to_string()).collect()
        };
        match event.group {
            (_, At::Header(header), Level::Children) => {
                (names(&jars), count(self.headers[usize::from(header.0)].loaded))
            }
            (_, At::Supply, Level::Children) => {
                let kind = self.tree.alarms[lead].kind;
                let alike = alarms.iter().filter(|ix| self.tree.alarms[**ix].kind == kind);
                (names(&jars), alike.map(|ix| count(self.jars_concerned(*ix).1)).sum())
            }
            (_, At::Node(source), Level::Children) => {
                let kind = self.tree.alarms[lead].kind;
                let alike = alarms.iter().filter(|ix| self.tree.alarms[**ix].kind == kind);
                let sensors = alike.filter_map(|ix| self.sensor_of(*ix));
                let sensors = sensors.map(|at| self.plan.rack.sensors[at].id.to_string());
                let total = self.tree.sensors_of_source[usize::from(source.0)].len();
                (sensors.collect(), count(total))
            }
            (_, At::Header(_) | At::Supply | At::Pump(_) | At::Node(_) | At::Monitor, Level::Cause) => {
                if let Family::Own(_) = event.group.0 {
                    return (Vec::new(), 0);
                }
                (names(&jars), count(self.jars_concerned(lead).1))
            }
            (_, At::Site | At::Pump(_) | At::Jar(_) | At::Monitor | At::Sensor(_) | At::Route(_), _) => {
                (Vec::new(), 0)
            }
        }
    }

    fn eggs_have(&self, kind: AlarmKind, jars: &[JarIx]) -> Option<EggsHave> {
        if family(kind) != Family::FlowLow {
            return None;
        }
        let jar = jars.first()?;
        let eggs = self.jars[usize::from(jar.0)].context.eggs_last.as_ref()?;
        Some(EggsHave {
            jar: self.plan.rack.jar(*jar).id.to_string(),
            minutes: eggs.minutes,
            minutes_short: eggs.minutes_short,
            stage: eggs.stage.clone(),
        })
    }

    fn hint(&self, event: &Event, lead: AlarmIx, alarms: &[AlarmIx]) -> String {
        let kind = self.tree.alarms[lead].kind;
        let mut parts: Vec<String> = Vec::new();
        if event.group.2 == Level::Cause && family(kind) == Family::FlowLow {
            parts.push("likely pump or header".to_owned());
        }
        let others = alarms.iter().filter(|ix| self.tree.alarms[**ix].kind != kind).count();
        if others > 0 && event.group.2 == Level::Children {
            parts.push(format!("{others} more close to it"));
        }
        if let Some(row) = self.common_row(event, lead, alarms) {
            parts.push(format!("all in row {}", row + 1));
        }
        if matches!(family(kind), Family::TempHigh | Family::TempLow)
            && let Some(slope) = self.sensor_of(lead).and_then(|at| self.channels[at].slope)
        {
            let way = if slope.is_sign_negative() { "falling" } else { "rising" };
            parts.push(format!("{way} {:.1} C/h", slope.abs()));
        }
        if alarms.iter().any(|ix| self.slots[*ix].alarm.is_chattering()) {
            parts.push("on and off often, held on".to_owned());
        }
        if !self.slots[lead].detail.is_empty() {
            parts.push(self.slots[lead].detail.clone());
        }
        parts.join(", ")
    }

    /// Row all jars of a group stand in, when there are several.
    fn common_row(&self, event: &Event, lead: AlarmIx, alarms: &[AlarmIx]) -> Option<u16> {
        if event.group.2 == Level::Cause {
            return None;
        }
        let jars = self.event_jars(event, lead, alarms);
        let row = self.plan.rack.jar(*jars.first()?).row;
        let same = jars.iter().all(|jar| self.plan.rack.jar(*jar).row == row);
        (jars.len() > 1 && same).then_some(row)
    }

    /// Most urgent priority of an event's alarms.
    pub(super) fn event_priority(&self, event: &Event) -> Priority {
        let all = event.members.iter().map(|ix| self.slots[*ix].alarm.priority());
        all.min().unwrap_or(Priority::P3)
    }
}

pub(super) const fn unit(kind: AlarmKind) -> &'static str {
    match family(kind) {
        Family::FlowLow | Family::FlowHigh => "L/min",
        Family::TempHigh | Family::TempLow | Family::Disagrees => "°C",
        Family::TempRate => "°C/h",
        Family::Own(AlarmKind::MainsLost) => "%",
        Family::Blind | Family::Stuck | Family::Own(_) => "",
    }
}
