//! Which alarms a command is about, and the event that holds what a person silences.

use super::{Engine, Refused, Target};
use crate::alarm::event::{Asset, EventId};
use crate::alarm::moment::Moment;
use crate::alarm::tree::AlarmIx;

impl Engine {
    /// An event for alarms a person silences, the one they have or a new one.
    pub(super) fn hold(&mut self, alarms: &[AlarmIx], m: Moment) -> EventId {
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

    pub(super) fn hold_in(&mut self, id: EventId, alarms: &[AlarmIx]) {
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

    pub(super) fn event_of(&self, target: &Target) -> Result<EventId, Refused> {
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

    pub(super) fn alarms_of(&self, target: &Target) -> Result<Vec<AlarmIx>, Refused> {
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
