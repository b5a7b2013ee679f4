//! The five conditions under which a sign of life may say *ok*. Pure.

use crate::alarm::event::{AlarmKind, Asset, EventId};
use crate::clock::{Now, Uptime};
use crate::rack::{Place, Rack, Sensor};
use crate::snapshot::{AlarmView, JarState, Snapshot};
use nightjar_calc::time::{Span, Timestamp};
use std::collections::BTreeMap;

/// A channel may be silent this long before an alarm has to name it: the delay of the slowest blind
/// alarm, and some.
const UNEXPLAINED: Span = Span::from_minutes(10);
/// The core takes a new picture every 10 s at least; without one for this long it is stuck.
const PASS: Span = Span::from_secs(60);
/// Oldest urgent message that may wait.
const UNSENT: Span = Span::from_minutes(3);
/// A route is proven for this long by what it took: the daily message comes once in 24 h, and may
/// be a little late.
const PROVEN: Span = Span::from_minutes(24 * 60 + 30);

/// Said while no route has proven itself.
pub const UNPROVEN: &str = "no route took a message in the last 24 h";

/// What is known besides the picture.
#[derive(Clone, Debug, Default)]
pub struct Evidence {
    /// Vital tasks that do nothing, by name.
    pub late_tasks: Vec<String>,
    /// Why the store cannot commit; `None` when its writer answered and what it had is on disk.
    pub store_trouble: Option<String>,
    /// How long the oldest unsent urgent message waits; an error in words when that cannot be read.
    pub oldest_unsent_p1: Option<Span>,
    /// Urgent alarms about which no route has taken a message, with their answer words.
    pub untold: Vec<(EventId, String)>,
    /// When a route last took a message.
    pub accepted_at: Option<Timestamp>,
    /// A route proved itself otherwise, as a modem that is registered.
    pub route_ready: bool,
}

/// Remembers since when channels are silent without an alarm that says so, and urgent alarms untold.
#[derive(Clone, Debug, Default)]
pub struct Judge {
    unexplained: BTreeMap<usize, Uptime>,
    untold: BTreeMap<EventId, Uptime>,
}

impl Judge {
    /// Reasons for which silence cannot be trusted now; none when it can.
    pub fn reasons(&mut self, rack: &Rack, picture: &Snapshot, evidence: &Evidence, now: Now) -> Vec<String> {
        let mut reasons = Vec::new();
        reasons.extend(self.channels(rack, picture, now.up));
        if now.up.since(picture.now.up) > PASS {
            reasons.push("the alarm stage made no pass".to_owned());
        }
        reasons.extend(evidence.late_tasks.iter().map(|task| format!("task {task} does nothing")));
        if let Some(trouble) = &evidence.store_trouble {
            reasons.push(format!("storage: {trouble}"));
        }
        if let Some(waiting) = evidence.oldest_unsent_p1.filter(|waiting| *waiting > UNSENT) {
            reasons.push(format!("an urgent message has been waiting for {:.0} s", waiting.secs()));
        }
        self.untold.retain(|event, _| evidence.untold.iter().any(|(now, _)| now == event));
        for (event, code) in &evidence.untold {
            if now.up.since(*self.untold.entry(*event).or_insert(now.up)) >= UNSENT {
                reasons.push(format!("no route took the urgent alarm {code}"));
            }
        }
        let proven = evidence.accepted_at.is_some_and(|at| {
            let age = now.utc.since(at);
            // A time that has not come yet is one of a clock set back, and proves nothing.
            age <= PROVEN && age >= Span::from_minutes(-2)
        });
        if !proven && !evidence.route_ready {
            reasons.push(UNPROVEN.to_owned());
        }
        reasons
    }

    fn channels(&mut self, rack: &Rack, picture: &Snapshot, up: Uptime) -> Option<String> {
        let mut missing = Vec::new();
        for (at, sensor) in rack.sensors.iter().enumerate() {
            let silent = picture.sensors.get(at).is_none_or(|view| view.stale || view.latest.is_none());
            if !silent || !in_use(rack, sensor, picture) || known(rack, sensor, &picture.alarms) {
                self.unexplained.remove(&at);
                continue;
            }
            let since = *self.unexplained.entry(at).or_insert(up);
            if up.since(since) > UNEXPLAINED {
                missing.push(sensor.id.as_str());
            }
        }
        (!missing.is_empty()).then(|| {
            let shown = missing.iter().take(5).copied().collect::<Vec<_>>().join(", ");
            format!("{} channel(s) silent without an alarm: {shown}", missing.len())
        })
    }
}

/// Channels of empty jars may be silent.
fn in_use(rack: &Rack, sensor: &Sensor, picture: &Snapshot) -> bool {
    let eggs = |at: usize| picture.jars.get(at).is_some_and(|jar| jar.state != JarState::Empty);
    match sensor.place {
        Place::Jar(ix) => eggs(usize::from(ix.0)),
        Place::Header(header) => {
            rack.jars.iter().enumerate().any(|(at, jar)| jar.header == header && eggs(at))
        }
        Place::Site => false,
    }
}

/// An alarm that is on, or paused by somebody who knows, speaks for this channel.
fn known(rack: &Rack, sensor: &Sensor, alarms: &[AlarmView]) -> bool {
    let (jar, header) = match sensor.place {
        Place::Jar(ix) => {
            let jar = rack.jar(ix);
            (Some(jar.id.as_str()), Some(rack.header(jar.header).id.as_str()))
        }
        Place::Header(ix) => (None, Some(rack.header(ix).id.as_str())),
        Place::Site => (None, None),
    };
    alarms.iter().any(|alarm| {
        let names_it = match &alarm.asset {
            Asset::Sensor(id) => id == sensor.id.as_str(),
            Asset::Jar(id) => Some(id.as_str()) == jar,
            Asset::Header(id) => Some(id.as_str()) == header,
            // A lost bus or board blinds what is on it; which one is told by its members.
            Asset::Node(_) | Asset::Supply | Asset::Pump(_) | Asset::Site => {
                alarm.members.is_empty()
                    || alarm.members.iter().any(|m| {
                        m == sensor.id.as_str() || Some(m.as_str()) == jar || Some(m.as_str()) == header
                    })
            }
            Asset::Monitor | Asset::Route(_) => false,
        };
        let about_blindness = matches!(
            alarm.kind,
            AlarmKind::BlindHeader
                | AlarmKind::BlindFlow
                | AlarmKind::BlindTemp
                | AlarmKind::Stuck
                | AlarmKind::NoFlow
                | AlarmKind::NoFlowHeader
                | AlarmKind::OutOfUseTooLong
        );
        names_it && (about_blindness || alarm.suppressed.is_some())
    })
}
