//! What an alarm concerns: which jars it leaves without water or unwatched, and how urgent that
//! makes it.

use super::Engine;
use crate::alarm::condition::{Family, family};
use crate::alarm::event::{AlarmKind, Priority};
use crate::alarm::moment::Moment;
use crate::alarm::tree::{AlarmIx, At};
use crate::rack::{HeaderIx, JarIx, Place};
use crate::reading::SourceIx;

impl Engine {
    /// A silent channel is as urgent as what it leaves unwatched, and no less than what it had
    /// seen.
    pub(super) fn refresh_blind_priority(&mut self, at: usize, m: Moment) {
        let Some(blind) = self.tree.fed[at].blind else { return };
        let mut priority = self.plain_blind_priority(at);
        let fed = &self.tree.fed[at];
        for ix in fed.limits.iter().chain(&fed.rate).chain(&fed.disagrees) {
            let alarm = &self.slots[*ix].alarm;
            if alarm.is_on() && !alarm.suppression().empty {
                priority = priority.min(alarm.priority());
            }
        }
        self.slots[blind].tuning.priority = priority;
        self.change(blind, m, "", None, |slot, steps| slot.alarm.worsen(priority, m, steps));
    }

    fn plain_blind_priority(&self, at: usize) -> Priority {
        let sensor = &self.plan.rack.sensors[at];
        let is_flow =
            self.tree.fed[at].blind.is_some_and(|ix| self.tree.alarms[ix].kind == AlarmKind::BlindFlow);
        match (sensor.place, is_flow) {
            (Place::Jar(jar), _) if !self.is_loaded(jar) => Priority::P3,
            (Place::Header(header), _) if self.headers[usize::from(header.0)].loaded == 0 => Priority::P3,
            (Place::Jar(jar), true) => {
                let header = self.plan.rack.header(self.plan.rack.jar(jar).header);
                if header.flow.is_some() { Priority::P2 } else { Priority::P1 }
            }
            (Place::Jar(jar), false) => {
                let header = self.plan.rack.header(self.plan.rack.jar(jar).header);
                if header.temperature.is_some() { Priority::P3 } else { Priority::P2 }
            }
            (Place::Header(header), false) => {
                let live = &self.headers[usize::from(header.0)];
                if live.loaded_with_temp == live.loaded { Priority::P3 } else { Priority::P2 }
            }
            (Place::Header(_) | Place::Site, _) => Priority::P2,
        }
    }

    /// A node is as urgent as what it leaves unwatched: P1 from half of the channels of a loaded
    /// header on.
    pub(super) fn refresh_node_priority(&mut self, source: SourceIx) {
        let Some(node) = self.node_of(source) else { return };
        let mut priority = Priority::P3;
        for (header, _) in self.headers.iter().enumerate().filter(|(_, live)| live.loaded > 0) {
            let sensors = &self.tree.sensors_of_header[header];
            let of_node = sensors.iter().filter(|s| self.plan.rack.sensor(**s).source == source).count();
            if of_node * 2 >= sensors.len() {
                priority = Priority::P1;
            } else if of_node > 0 {
                priority = priority.min(Priority::P2);
            }
        }
        // What its channels had seen counts too: a fault in measuring is no less urgent.
        for sensor in &self.tree.sensors_of_source[usize::from(source.0)] {
            if self.tree.fed[usize::from(sensor.0)].blind.is_some() {
                priority = priority.min(self.plain_blind_priority(usize::from(sensor.0)));
            }
            for ix in &self.tree.fed[usize::from(sensor.0)].limits {
                let alarm = &self.slots[*ix].alarm;
                if alarm.is_on() && !alarm.suppression().empty {
                    priority = priority.min(alarm.priority());
                }
            }
        }
        self.slots[node].tuning.priority = priority;
    }

    /// The header's blind alarm is P1 only when something is in its jars.
    pub(super) fn refresh_header_priority(&mut self, header: HeaderIx) {
        if let Some(ix) = self.tree.find(AlarmKind::BlindHeader, At::Header(header)) {
            let loaded = self.headers[usize::from(header.0)].loaded > 0;
            self.slots[ix].tuning.priority = if loaded { Priority::P1 } else { Priority::P3 };
        }
    }

    pub(super) fn is_loaded(&self, jar: JarIx) -> bool {
        self.jars[usize::from(jar.0)].context.occupied
    }

    /// Jars concerned by an alarm about a node, a header or the supply: those that show it, and
    /// how many could.
    pub(super) fn jars_concerned(&self, ix: AlarmIx) -> (Vec<JarIx>, usize) {
        let planned = &self.tree.alarms[ix];
        let blind = family(planned.kind) == Family::Blind;
        let child = if planned.kind == AlarmKind::NoFlowHeader { AlarmKind::NoFlow } else { planned.kind };
        let mut total = 0;
        let mut shown = Vec::new();
        for jar in self.jars_under(planned.at) {
            if !self.is_loaded(jar) {
                continue;
            }
            total += 1;
            let shows = if blind {
                self.has_silent_channel(jar, planned.at)
            } else {
                // A jar without its own meter is fed by the same header all the same.
                self.tree.find(child, At::Jar(jar)).is_none_or(|ix| {
                    let alarm = &self.slots[ix].alarm;
                    alarm.is_on() || alarm.is_beyond()
                })
            };
            if shows {
                shown.push(jar);
            }
        }
        (shown, total)
    }

    fn jars_under(&self, at: At) -> Vec<JarIx> {
        match at {
            At::Header(header) => self.tree.jars_of[usize::from(header.0)].clone(),
            At::Supply | At::Monitor | At::Site => self.tree.jars_of.concat(),
            At::Node(source) => {
                let sensors = self.tree.sensors_of_source[usize::from(source.0)].iter();
                let mut jars: Vec<_> = sensors
                    .filter_map(|sensor| match self.plan.rack.sensor(*sensor).place {
                        Place::Jar(jar) => Some(jar),
                        Place::Header(_) | Place::Site => None,
                    })
                    .collect();
                jars.sort_unstable();
                jars.dedup();
                jars
            }
            At::Jar(jar) => vec![jar],
            At::Sensor(_) | At::Route(_) => Vec::new(),
        }
    }

    fn has_silent_channel(&self, jar: JarIx, at: At) -> bool {
        let jar = self.plan.rack.jar(jar);
        [jar.flow, jar.temperature].into_iter().flatten().any(|sensor| {
            let here = match at {
                At::Node(source) => self.plan.rack.sensor(sensor).source == source,
                At::Site
                | At::Supply
                | At::Header(_)
                | At::Jar(_)
                | At::Monitor
                | At::Sensor(_)
                | At::Route(_) => true,
            };
            let down = usize::from(self.plan.rack.sensor(sensor).source.0);
            here && (self.channels[usize::from(sensor.0)].stale
                || self.link_down.get(down).copied().unwrap_or(false))
        })
    }
}
