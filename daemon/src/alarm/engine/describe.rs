//! What an event says: everything a message, the page and the store need to know about it.

use super::Engine;
use crate::alarm::condition::{Family, family};
use crate::alarm::event::{AlarmEvent, AlarmKind, Change, EggsHave, EventId, Priority};
use crate::alarm::group::Event;
use crate::alarm::record::{StateDelta, StoredEvent};
use crate::alarm::tree::{AlarmIx, At, Level};
use crate::rack::JarIx;

impl Engine {
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
            let jar = |ix: &AlarmIx| match self.tree.alarms[*ix].at {
                At::Jar(jar) if self.tree.alarms[*ix].kind == kind => Some(jar),
                At::Jar(_)
                | At::Site
                | At::Supply
                | At::Header(_)
                | At::Monitor
                | At::Node(_)
                | At::Sensor(_)
                | At::Route(_) => None,
            };
            alarms.iter().filter_map(jar).collect()
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
            (_, At::Node(source), Level::Children) => {
                let kind = self.tree.alarms[lead].kind;
                let alike = alarms.iter().filter(|ix| self.tree.alarms[**ix].kind == kind);
                let sensors = alike.map(|ix| super::view::asset_name(&self.tree.alarms[*ix].asset));
                let total = self.tree.sensors_of_source[usize::from(source.0)].len();
                (sensors.map(str::to_owned).collect(), count(total))
            }
            (_, At::Header(_) | At::Supply | At::Node(_) | At::Monitor, Level::Cause) => {
                if let Family::Own(_) = event.group.0 {
                    return (Vec::new(), 0);
                }
                (names(&jars), count(self.jars_concerned(lead).1))
            }
            (_, At::Site | At::Supply | At::Jar(_) | At::Monitor | At::Sensor(_) | At::Route(_), _) => {
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
            parts.push("Likely pump or header".to_owned());
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
            let way = if slope < 0.0 { "falling" } else { "rising" };
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
