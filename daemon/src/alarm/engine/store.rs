//! Beginning anew, and going on from what was stored.

use super::{Channel, Engine, HeaderLive, JarLive, Plan, Slot, Timer};
use crate::alarm::code::Codes;
use crate::alarm::condition::stuck::Stillness;
use crate::alarm::event::EventId;
use crate::alarm::group::{Event, Flood, Say, Why, first_wait};
use crate::alarm::moment::Moment;
use crate::alarm::record::{Stored, StoredEvent};
use crate::alarm::state::{Alarm, Verdict, What};
use crate::alarm::tree::{AlarmIx, At, Inference, Tree};
use crate::clock::Now;
use crate::reading::SourceIx;
use nightjar_calc::time::Span;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// A channel may be silent for this many of its intervals, and for this long at least.
const SILENT_INTERVALS: i64 = 3;
const SILENT_AT_LEAST: Span = Span::from_secs(15);

impl Engine {
    /// Goes on from what was stored, or begins anew with the default of it.
    ///
    /// `off_for` is how long the station was not watched, where the wall clock could tell. It ages
    /// pauses and acknowledgments; it never shortens a delay, which needs fresh samples.
    #[must_use]
    pub fn new(plan: Plan, stored: Stored, off_for: Option<Span>, now: Now) -> Self {
        let tree = Tree::new(&plan.rack, &plan.sources, &plan.routes, &plan.settings);
        let base = stored.moment.after(off_for.unwrap_or(Span::ZERO));
        let slots = tree.alarms.iter().map(|planned| Slot::new(planned.tuning, now)).collect();
        let channels = plan.rack.sensors.iter().map(|sensor| Channel::new(sensor.interval, base)).collect();
        let sources = plan.sources.len();
        let mut engine = Self {
            slots,
            channels,
            jars: plan.rack.jars.iter().map(|_| JarLive::default()).collect(),
            headers: plan.rack.headers.iter().map(|_| HeaderLive::default()).collect(),
            link_down: vec![false; sources],
            link_doubt: vec![false; sources],
            route_failing: vec![false; plan.routes.len()],
            mains: super::fact::Mains::default(),
            events: BTreeMap::new(),
            open: BTreeMap::new(),
            next_event: stored.next_event.max(1),
            codes: Codes::default(),
            flood: Flood::default(),
            starts: stored.starts.clone(),
            timers: BTreeSet::new(),
            outputs: VecDeque::new(),
            base,
            began: now.up,
            now,
            marked: Moment(u64::MAX),
            scratch: Vec::new(),
            plan,
            tree,
        };
        engine.restore(stored, base);
        engine.begin(base);
        engine
    }

    fn begin(&mut self, m: Moment) {
        for at in 0..self.channels.len() {
            if self.tree.fed[at].blind.is_some() {
                self.timers.insert((m.after(self.channels[at].stale_after), Timer::Stale(at)));
            }
        }
        for source in 0..self.plan.sources.len() {
            self.refresh_node_priority(SourceIx(u16::try_from(source).unwrap_or(u16::MAX)));
        }
        self.schedule_causes(m);
        self.count_start(m);
        self.check_out_of_use(m);
        self.judge_clock(Span::ZERO, self.now);
        self.enter(self.now);
    }

    fn restore(&mut self, stored: Stored, m: Moment) {
        for header in 0..self.headers.len() {
            let header = crate::rack::HeaderIx(u16::try_from(header).unwrap_or(u16::MAX));
            self.refresh_header(header);
            self.refresh_header_priority(header, m);
        }
        for (ix, planned) in self.tree.alarms.iter().enumerate() {
            if super::fact::is_moot_when_empty(planned.kind) {
                self.slots[ix].alarm.assume_empty();
            }
        }
        for (code, free_at) in stored.codes {
            self.codes.take(code, Some(free_at));
        }
        let mut restored = Vec::new();
        for (kind, asset, alarm) in stored.alarms {
            let position =
                self.tree.alarms.iter().position(|planned| planned.kind == kind && planned.asset == asset);
            // An alarm whose sensor is no longer configured has nobody to speak for it.
            if let Some(ix) = position {
                self.slots[ix].alarm = alarm;
                restored.push(ix);
            }
        }
        for event in stored.events {
            self.restore_event(event);
        }
        for ix in &restored {
            let ix = *ix;
            self.slots[ix].since = self.wall(self.slots[ix].alarm.since());
            self.note(ix, What::Restored, m, "");
            self.reschedule(ix);
            if self.slots[ix].alarm.suppression().out.is_some()
                && let Some(at) = self.tree.fed.iter().position(|fed| fed.blind == Some(ix))
            {
                self.channels[at].out = true;
            }
            self.restore_grounds(ix);
        }
        self.drop_stray_covers(&restored, m);
        self.speak_after_restart(&restored, m);
    }

    /// What was on stays on until it is heard of; what it rested on is not looked for anew.
    fn restore_grounds(&mut self, ix: AlarmIx) {
        let planned = &self.tree.alarms[ix];
        let slot = &mut self.slots[ix];
        if !slot.alarm.is_on() {
            return;
        }
        slot.unheard = true;
        if planned.inference == Inference::None {
            return;
        }
        let grounds = slot.alarm.grounds();
        slot.inferred = grounds.children || !grounds.measure;
        slot.unproven = slot.inferred;
        if grounds.measure {
            slot.direct = Some(Verdict::Unknown);
            slot.last_sure = Verdict::Beyond;
            if let At::Node(source) = planned.at {
                self.link_doubt[usize::from(source.0)] = true;
            }
        }
    }

    /// A cover whose cause is no longer on ends like any other.
    fn drop_stray_covers(&mut self, restored: &[AlarmIx], m: Moment) {
        for ix in restored.iter().copied() {
            let mut causes = self.tree.alarms[ix].coverers.iter().copied();
            let stands = causes.any(|cause| self.is_covered_by(ix, cause) && self.slots[cause].alarm.is_on());
            if self.slots[ix].alarm.suppression().cover.is_some() && !stands {
                self.uncover(ix, m);
            }
        }
    }

    /// What was on in its own right has an event; what had not been told yet is told after its
    /// wait.
    fn speak_after_restart(&mut self, restored: &[AlarmIx], m: Moment) {
        for ix in restored.iter().copied() {
            if self.slots[ix].event.is_none() {
                self.join(ix, Why::On, m);
            }
        }
        let waiting: Vec<EventId> = self
            .events
            .values()
            .filter(|event| event.on && event.due.is_none())
            .map(|event| event.id)
            .collect();
        for id in waiting {
            let Some(event) = self.events.get(&id) else { continue };
            let speaking = self.speaking(event);
            let said = self.standing(&speaking).and_then(|standing| event.say(&standing));
            // That more have joined is told by the next step of the ladder.
            let wants = event.told.is_none() || said.is_some_and(|said| said != Say::Grew);
            if !wants {
                if let Some(event) = self.events.get_mut(&id) {
                    event.why = Why::On;
                }
                continue;
            }
            // The wait goes on where it was. Begun anew, a station that restarts more often than it
            // waits would never say a word.
            let began = speaking.into_iter().map(|ix| {
                let (on_delay, _) = self.plan.settings.delays(self.tree.alarms[ix].kind);
                self.slots[ix].alarm.since().after(on_delay)
            });
            let began = began.min().unwrap_or(m).min(m);
            let due = began.after(first_wait(self.event_priority(event))).max(m);
            if let Some(event) = self.events.get_mut(&id) {
                event.due = Some(due);
            }
            self.timers.insert((due, Timer::Event(id)));
            self.persist_event(id);
        }
    }

    fn restore_event(&mut self, stored: StoredEvent) {
        let position = |(kind, asset): &(_, _)| {
            self.tree.alarms.iter().position(|planned| planned.kind == *kind && planned.asset == *asset)
        };
        let members: BTreeSet<AlarmIx> = stored.members.iter().filter_map(position).collect();
        let Some(first) = members.first().copied() else {
            self.codes.release(&stored.code, self.base);
            return;
        };
        let group = self.tree.alarms[first].group;
        for ix in &members {
            self.slots[*ix].event = Some(stored.id);
        }
        self.codes.take(stored.code.clone(), None);
        self.open.insert(group, stored.id);
        let event = Event {
            id: stored.id,
            code: stored.code,
            group,
            members,
            seq: stored.seq,
            told: stored.told,
            due: None,
            first_due: None,
            // Written by a release that did not keep it: what was over and is on is on again.
            why: stored.why.unwrap_or(if stored.over { Why::Again } else { Why::On }),
            on: stored.on,
            held: stored.held,
            times: stored.times,
            since: stored.since,
            over: stored.over,
            reminded_at: None,
        };
        self.next_event = self.next_event.max(stored.id.0 + 1);
        self.events.insert(stored.id, event);
    }

    /// Everything a restart would begin from. What the persisted changes add up to.
    #[must_use]
    pub fn stored(&self) -> Stored {
        let all = self.slots.iter().zip(&self.tree.alarms);
        let mut alarms: Vec<_> = all
            .filter(|(slot, _)| !slot.alarm.is_only_empty())
            .map(|(slot, planned)| (planned.kind, planned.asset.clone(), slot.alarm.to_stored()))
            .collect();
        alarms.sort_by(|a, b| (a.0, &a.1).cmp(&(b.0, &b.1)));
        Stored {
            alarms,
            events: self.events.values().map(|event| self.stored_event(event)).collect(),
            codes: self.codes.resting().map(|(code, at)| (code.clone(), at)).collect(),
            next_event: self.next_event,
            starts: self.starts.clone(),
            moment: self.moment(),
        }
    }
}

impl Slot {
    fn new(tuning: crate::alarm::state::Tuning, now: Now) -> Self {
        Self {
            alarm: Alarm::new(&tuning),
            tuning,
            deadline: None,
            event: None,
            direct: None,
            last_sure: Verdict::Inside,
            inferred: false,
            unproven: false,
            unheard: false,
            children: BTreeSet::new(),
            value: None,
            limit: None,
            depth: (0.0, 0),
            since: now.utc,
            detail: String::new(),
        }
    }
}

impl Channel {
    fn new(interval: Span, m: Moment) -> Self {
        let silent = Span::from_ms(interval.ms().saturating_mul(SILENT_INTERVALS));
        Self {
            last_good: m,
            heard: false,
            stale: false,
            stale_after: silent.max(SILENT_AT_LEAST),
            value: None,
            rate: None,
            slope: None,
            stillness: Stillness::default(),
            noise: crate::alarm::condition::noise::Noise::default(),
            out: false,
        }
    }
}
