//! Common causes: which alarm explains which.

use super::{Engine, Timer};
use crate::alarm::condition::{Family, family};
use crate::alarm::event::{AlarmKind, Priority};
use crate::alarm::group::{BEFORE_PARENT, TOGETHER};
use crate::alarm::moment::Moment;
use crate::alarm::state::{Cover, Grounds, Verdict};
use crate::alarm::tree::{AlarmIx, At, Inference, is_flow};
use crate::rack::{HeaderIx, JarIx, Place};
use crate::reading::SourceIx;
use nightjar_calc::time::Span;
use std::collections::BTreeSet;

/// Fewest children that can point at a parent.
const FEWEST: usize = 2;
/// Siblings needed to climb: one and two more.
const SIBLINGS: usize = 3;
/// Where a supply feeds two loaded headers, both must begin within this time. One pump stops both
/// within seconds of each other, and first words about a header wait for as long.
const BOTH_TOGETHER: Span = Span::from_secs(25);
/// Wait before causes restored at the start are looked at again.
const CAUSES_AFTER: Span = Span::from_secs(60);

impl Engine {
    /// An alarm is pending or on: its parents count it.
    pub(super) fn count_in(&mut self, ix: AlarmIx, m: Moment) {
        let alarm = &self.slots[ix].alarm;
        let suppression = alarm.suppression();
        if suppression.out.is_some() || suppression.empty {
            return;
        }
        let entry = (alarm.since(), ix);
        for n in 0..self.tree.alarms[ix].counts_for.len() {
            let parent = self.tree.alarms[ix].counts_for[n];
            self.slots[parent].children.insert(entry);
            self.evaluate(parent, m);
        }
    }

    /// An alarm is back, or does not count any more.
    pub(super) fn count_out(&mut self, ix: AlarmIx, m: Moment) {
        let entry = (self.slots[ix].alarm.since(), ix);
        for n in 0..self.tree.alarms[ix].counts_for.len() {
            let parent = self.tree.alarms[ix].counts_for[n];
            if self.slots[parent].children.remove(&entry) {
                self.evaluate(parent, m);
            }
        }
    }

    /// Asks the children of a parent whether they point at it.
    pub(super) fn evaluate(&mut self, parent: AlarmIx, m: Moment) {
        let began = self.infer(parent);
        if began.is_none() && self.slots[parent].unproven {
            return;
        }
        self.slots[parent].unproven = false;
        let was = std::mem::replace(&mut self.slots[parent].inferred, began.is_some());
        if let (At::Node(source), false, true) = (self.tree.alarms[parent].at, was, began.is_some()) {
            self.refresh_node_priority(source);
        }
        let planned = &self.tree.alarms[parent];
        // Each child was verified by its own samples: a slow meter beside them makes it no slower.
        let on_delay = match began {
            Some(_) => self.plan.settings.delays(planned.kind).0,
            None => planned.tuning.on_delay,
        };
        let slot = &mut self.slots[parent];
        slot.tuning.on_delay = on_delay;
        let repeat = slot.tuning.min_good;
        if let Some(began) = began {
            if !slot.alarm.is_on() || !slot.alarm.is_beyond() {
                for _ in 0..repeat {
                    self.feed(parent, Verdict::Beyond, began, m);
                }
            }
        } else if was {
            let alone = matches!(slot.direct, None | Some(Verdict::Unknown));
            let verdict = self.combined(parent);
            for _ in 0..if alone { repeat } else { 1 } {
                self.feed(parent, verdict, m, m);
            }
        }
        self.store_grounds(parent, m);
    }

    /// What an alarm about a shared place rests on at present.
    pub(super) fn rest(&mut self, ix: AlarmIx) -> bool {
        if self.tree.alarms[ix].inference == Inference::None {
            return false;
        }
        let slot = &mut self.slots[ix];
        let measure = slot.alarm.grounds().measure || slot.direct == Some(Verdict::Beyond);
        slot.alarm.rest_on(Grounds { children: slot.inferred, measure })
    }

    pub(super) fn store_grounds(&mut self, ix: AlarmIx, m: Moment) {
        if self.rest(ix) {
            self.persist_alarm(ix, m);
        }
    }

    /// When the children that point at a parent began, if they do.
    fn infer(&self, parent: AlarmIx) -> Option<Moment> {
        let slot = &self.slots[parent];
        let children = &slot.children;
        let (need, window) = match self.tree.alarms[parent].inference {
            Inference::None => return None,
            Inference::HalfOfJars => (self.half_of_jars(parent)?, Some(TOGETHER)),
            Inference::HalfOfChannels => (self.channels_in_service(parent).div_ceil(2).max(FEWEST), None),
            Inference::AllChannels => (self.channels_in_service(parent).max(FEWEST), None),
            Inference::HalfOfHeaders => (self.half_of_headers(parent)?, Some(TOGETHER)),
            Inference::Siblings => self.siblings(parent)?,
        };
        if children.len() < need {
            return None;
        }
        if slot.alarm.is_on() || slot.alarm.is_beyond() {
            return children.first().map(|(began, _)| *began);
        }
        let Some(window) = window else {
            return children.iter().nth(need - 1).map(|(began, _)| *began);
        };
        let latest = children.last()?.0;
        let mut recent = children.range((latest.before(window), 0)..);
        let first = recent.next()?.0;
        (recent.count() + 1 >= need).then_some(first)
    }

    /// Siblings that point at what they share, and the time they must begin in: three, or both
    /// where only two headers hold anything. One header alone never points at its supply, and two
    /// that are known to have a pump each do not share it.
    fn siblings(&self, parent: AlarmIx) -> Option<(usize, Option<Span>)> {
        if self.tree.alarms[parent].at != At::Supply {
            return Some((SIBLINGS, Some(TOGETHER)));
        }
        let flow = is_flow(self.tree.alarms[parent].kind);
        let branch = |header: HeaderIx| {
            let pump = self.plan.rack.header(header).pump.filter(|_| flow);
            pump.map_or(At::Header(header), At::Pump)
        };
        let with_eggs = (0..).zip(&self.headers).filter(|(_, live)| live.may_hold_eggs);
        let branches: BTreeSet<At> = with_eggs.map(|(ix, _)| branch(HeaderIx(ix))).collect();
        let guess = branches.iter().any(|at| matches!(at, At::Header(_)));
        match branches.len() {
            2 => guess.then_some((2, Some(BOTH_TOGETHER))),
            _ => Some((SIBLINGS, Some(TOGETHER))),
        }
    }

    /// Headers that must point at the pump which is known to feed them. One alone may have clogged.
    fn half_of_headers(&self, parent: AlarmIx) -> Option<usize> {
        let At::Pump(pump) = self.tree.alarms[parent].at else { return None };
        let holds = |at: &HeaderIx| self.headers[usize::from(at.0)].may_hold_eggs;
        let count = self.tree.headers_of(pump).filter(holds).count();
        Some(count.div_ceil(2).max(FEWEST))
    }

    fn half_of_jars(&self, parent: AlarmIx) -> Option<usize> {
        let planned = &self.tree.alarms[parent];
        let At::Header(header) = planned.at else { return None };
        let live = &self.headers[usize::from(header.0)];
        let counted = if is_flow(planned.kind) { live.counted_with_flow } else { live.counted_with_temp };
        Some(counted.div_ceil(2).max(FEWEST))
    }

    fn channels_in_service(&self, parent: AlarmIx) -> usize {
        let sensors = match self.tree.alarms[parent].at {
            At::Header(header) => &self.tree.sensors_of_header[usize::from(header.0)],
            At::Node(source) => &self.tree.sensors_of_source[usize::from(source.0)],
            At::Site | At::Supply | At::Pump(_) | At::Jar(_) | At::Monitor | At::Sensor(_) | At::Route(_) => {
                return usize::MAX;
            }
        };
        let counted = |sensor: &&crate::reading::SensorIx| {
            let at = usize::from(sensor.0);
            self.tree.fed[at].blind.is_some() && !self.channels[at].out
        };
        sensors.iter().filter(counted).count()
    }

    /// The nearest alarm that explains one, if there is one.
    pub(super) fn explanation(&self, ix: AlarmIx) -> Option<AlarmIx> {
        self.tree.alarms[ix].coverers.iter().copied().find(|cause| self.explains(*cause, ix))
    }

    /// Whether one alarm explains another at present. A cause that people have silenced explains
    /// nothing, and none explains what is more urgent than itself.
    fn explains(&self, cause: AlarmIx, child: AlarmIx) -> bool {
        let (by, of) = (&self.slots[cause].alarm, &self.slots[child].alarm);
        let fits = by.is_on()
            && !by.suppression().by_person()
            && !by.suppression().empty
            && by.priority() <= of.priority();
        if !fits {
            return false;
        }
        let (by_at, of_at) = (self.tree.alarms[cause].at, self.tree.alarms[child].at);
        if by_at == of_at {
            return true;
        }
        if let (At::Node(_), At::Header(header)) = (by_at, of_at) {
            return self.is_all_from_silent_nodes(header);
        }
        of.since().after(BEFORE_PARENT) >= by.since()
    }

    /// Whether every silent channel of a header belongs to a node that is silent as a whole.
    fn is_all_from_silent_nodes(&self, header: HeaderIx) -> bool {
        self.tree.sensors_of_header[usize::from(header.0)].iter().all(|sensor| {
            let at = usize::from(sensor.0);
            let channel = &self.channels[at];
            let node = self.node_of(self.plan.rack.sensors[at].source);
            !channel.stale
                || channel.out
                || node.is_some_and(|node| {
                    let alarm = &self.slots[node].alarm;
                    alarm.is_on() || alarm.is_beyond()
                })
        })
    }

    /// The end of the on-delay of an alarm that is pending and would explain this one.
    pub(super) fn pending_explanation(&self, ix: AlarmIx) -> Option<Moment> {
        let priority = self.slots[ix].alarm.priority();
        let coverers = self.tree.alarms[ix].coverers.iter();
        coverers
            .filter_map(|cause| {
                let slot = &self.slots[*cause];
                let suppression = slot.alarm.suppression();
                let may = slot.alarm.is_beyond()
                    && !slot.alarm.is_on()
                    && !suppression.by_person()
                    && !suppression.empty
                    && slot.tuning.priority <= priority;
                may.then(|| slot.alarm.since().after(slot.tuning.on_delay))
            })
            .max()
    }

    /// Lets a cause speak for an alarm.
    pub(super) fn cover(&mut self, ix: AlarmIx, cause: AlarmIx, m: Moment) {
        let planned = &self.tree.alarms[cause];
        let cover = Cover { kind: planned.kind, asset: planned.asset.clone() };
        let detail = self.cause_name(cause);
        self.change(ix, m, &detail, None, |slot, steps| slot.alarm.cover(cover, steps));
        self.leave_as_covered(ix, cause, m);
    }

    /// Whether a cause speaks for an alarm.
    pub(super) fn is_covered_by(&self, ix: AlarmIx, cause: AlarmIx) -> bool {
        let planned = &self.tree.alarms[cause];
        let cover = self.slots[ix].alarm.suppression().cover.as_deref();
        cover.is_some_and(|by| by.kind == planned.kind && by.asset == planned.asset)
    }

    /// No cause speaks for an alarm any more: it waits a little, then speaks for itself.
    pub(super) fn uncover(&mut self, ix: AlarmIx, m: Moment) {
        let slot = &mut self.slots[ix];
        slot.alarm.uncover(m, &slot.tuning);
        self.reschedule(ix);
        self.persist_alarm(ix, m);
    }

    /// Covers everything an alarm explains.
    pub(super) fn cover_children(&mut self, cause: AlarmIx, m: Moment) {
        for n in 0..self.tree.alarms[cause].covers.len() {
            let child = self.tree.alarms[cause].covers[n];
            let alarm = &self.slots[child].alarm;
            let free =
                alarm.is_on() && alarm.suppression().cover.is_none() && alarm.suppression().out.is_none();
            if free && self.explains(cause, child) {
                self.cover(child, cause, m);
            }
        }
    }

    /// A cause is off or silenced: what it covered waits a little, then speaks for itself.
    pub(super) fn release_children(&mut self, cause: AlarmIx, m: Moment) {
        for n in 0..self.tree.alarms[cause].covers.len() {
            let child = self.tree.alarms[cause].covers[n];
            if !self.is_covered_by(child, cause) {
                continue;
            }
            if let Some(other) = self.explanation(child) {
                self.cover(child, other, m);
                continue;
            }
            self.uncover(child, m);
        }
    }

    /// Causes found in the store stand until half of what they rest on has spoken; then they are
    /// asked again, so that none stays on for want of a change.
    pub(super) fn check_causes(&mut self, m: Moment) {
        let mut waiting = false;
        for ix in 0..self.slots.len() {
            if !self.slots[ix].unproven {
                continue;
            }
            if self.half_heard(ix) {
                self.count_unheard(ix);
                self.slots[ix].unproven = false;
                self.evaluate(ix, m);
            } else {
                waiting = true;
            }
        }
        if waiting {
            self.timers.insert((m.after(CAUSES_AFTER), Timer::Causes));
        }
    }

    /// Children read back as on that have said nothing since are still on.
    fn count_unheard(&mut self, parent: AlarmIx) {
        for child in 0..self.slots.len() {
            let alarm = &self.slots[child].alarm;
            let counts = self.slots[child].unheard
                && alarm.is_on()
                && alarm.suppression().out.is_none()
                && !alarm.suppression().empty
                && self.tree.alarms[child].counts_for.contains(&parent);
            if counts {
                let entry = (alarm.since(), child);
                self.slots[parent].children.insert(entry);
            }
        }
    }

    /// An alarm that was read back has its first word since the start. In the margin, too, it is
    /// still on.
    pub(super) fn hear_again(&mut self, ix: AlarmIx, verdict: Verdict, m: Moment) {
        if verdict == Verdict::Unknown {
            return;
        }
        self.slots[ix].unheard = false;
        if verdict != Verdict::Inside {
            self.count_in(ix, m);
        }
    }

    fn half_heard(&self, ix: AlarmIx) -> bool {
        let all: Vec<usize> = match self.tree.alarms[ix].at {
            At::Header(header) => positions(&self.tree.sensors_of_header[usize::from(header.0)]),
            At::Node(source) => positions(&self.tree.sensors_of_source[usize::from(source.0)]),
            At::Pump(pump) => {
                let headers = self.tree.headers_of(pump);
                headers.flat_map(|at| positions(&self.tree.sensors_of_header[usize::from(at.0)])).collect()
            }
            At::Site | At::Supply | At::Jar(_) | At::Monitor | At::Sensor(_) | At::Route(_) => {
                (0..self.channels.len()).collect()
            }
        };
        let heard = all.iter().filter(|at| self.channels[**at].heard && !self.channels[**at].stale);
        heard.count() * 2 >= all.len()
    }

    pub(super) fn schedule_causes(&mut self, m: Moment) {
        self.timers.insert((m.after(CAUSES_AFTER), Timer::Causes));
    }

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

    /// The header's blind alarm is P1 only when something is in its jars. Eggs put under one that
    /// is silent make it urgent.
    pub(super) fn refresh_header_priority(&mut self, header: HeaderIx, m: Moment) {
        let loaded = self.headers[usize::from(header.0)].loaded > 0;
        let priority = if loaded { Priority::P1 } else { Priority::P3 };
        self.set_priority(AlarmKind::BlindHeader, At::Header(header), priority, m);
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
            At::Pump(pump) => {
                let headers = self.tree.headers_of(pump);
                headers.flat_map(|at| self.tree.jars_of[usize::from(at.0)].clone()).collect()
            }
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
                | At::Pump(_)
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

fn positions(sensors: &[crate::reading::SensorIx]) -> Vec<usize> {
    sensors.iter().map(|sensor| usize::from(sensor.0)).collect()
}
