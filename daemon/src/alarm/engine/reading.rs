//! What a reading says about the alarms of its channel.

use super::{Engine, Timer};
use crate::alarm::condition::{Family, Limit, family};
use crate::alarm::event::AlarmKind;
use crate::alarm::moment::Moment;
use crate::alarm::state::Verdict;
use crate::alarm::tree::{AlarmIx, At, Inference};
use crate::clock::Now;
use crate::rack::{Measure, Place};
use crate::reading::{Quality, Reason, SensorIx, SourceIx};
use nightjar_calc::time::Span;
use std::num::FpCategory;

/// How far a reading can move an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Use {
    /// Either way.
    Full,
    /// It can raise one and hold one, but clear none.
    RaiseOnly,
    /// The channel lives, its value says nothing.
    Alive,
    /// Nothing at all, as if bad.
    Nothing,
    /// It is not about the present.
    Past,
}

fn use_of(quality: Quality, reason: Reason) -> Use {
    match (quality, reason) {
        (Quality::Bad | Quality::Uncertain, Reason::Stale | Reason::Retained) => Use::Past,
        (Quality::Bad, _) => Use::Nothing,
        (Quality::Good, _) => Use::Full,
        // Alarms need lengths of time only.
        (Quality::Uncertain, Reason::UntrustedClock) => Use::Full,
        // A jar that really leaves its header must not be silenced by disagreeing with it.
        (Quality::Uncertain, Reason::Disagrees) => Use::RaiseOnly,
        (Quality::Uncertain, Reason::Stuck | Reason::SiteVisit) => Use::Alive,
        (Quality::Uncertain, _) => Use::Nothing,
    }
}

/// Mean depth that noise cannot reach, in standard deviations.
const BEYOND_NOISE: f64 = 2.5;

/// Deepest a single sample counts for, in standard deviations.
const DEEPEST_COUNTED: f64 = 4.0;

/// Fewer samples than this do not show that an excursion is deep: three in a row may be by chance.
const DEEP_SAMPLES: u32 = 6;

/// How much longer an excursion within the noise must last. A flow meter's noise near its limit,
/// sampled every 5 s, stays beyond for twice the delay several times a year, for three times never.
const SHALLOW_TIMES: i64 = 3;

/// It must also hold for so many samples: of a slow meter, one each 10 s, nine in a row lie beyond by
/// chance once in two days on two dozen channels that run close to a limit, twenty-four once a month.
const SHALLOW_SAMPLES: i64 = 36;

/// Limits close to where the flow normally is, with short delays.
const fn needs_evidence(kind: AlarmKind) -> bool {
    matches!(kind, AlarmKind::LowFlow | AlarmKind::HighFlow)
}

impl Engine {
    /// Takes a reading of the present: °C, L/min or as the sensor's measure says.
    pub fn handle_reading(
        &mut self,
        sensor: SensorIx,
        value: f64,
        quality: Quality,
        reason: Reason,
        now: Now,
    ) {
        let m = self.enter(now);
        let at = usize::from(sensor.0);
        if at >= self.channels.len() {
            return;
        }
        let used = if value.is_finite() { use_of(quality, reason) } else { Use::Nothing };
        match self.plan.rack.sensors[at].measure {
            Measure::Mains => return self.handle_mains_reading(value, used == Use::Full, m),
            Measure::Battery => return self.handle_battery_reading(value, used == Use::Full, m),
            Measure::Temperature | Measure::Flow => {}
        }
        match used {
            Use::Past => {}
            Use::Full => self.take_value(at, value, false, reason, m),
            Use::RaiseOnly => self.take_value(at, value, true, reason, m),
            Use::Alive => {
                self.hear(at, m);
                self.doubt(at, m);
                self.judge_stillness(at, value, reason, m);
            }
            Use::Nothing => self.doubt(at, m),
        }
    }

    fn take_value(&mut self, at: usize, value: f64, raise_only: bool, reason: Reason, m: Moment) {
        self.hear(at, m);
        self.channels[at].value = Some(value);
        self.channels[at].noise.handle_value(value, m);
        let fed = std::mem::take(&mut self.tree.fed[at].limits);
        for ix in &fed {
            let limit = self.limit_of(*ix);
            self.judge(*ix, value, limit, raise_only, m);
        }
        self.tree.fed[at].limits = fed;
        if !raise_only {
            self.judge_rate(at, value, m);
        }
        self.judge_disagreement(at, value, m);
        self.judge_stillness(at, value, reason, m);
    }

    /// The limit an alarm about a measure uses at present.
    pub(super) fn limit_of(&self, ix: AlarmIx) -> Option<Limit> {
        let planned = &self.tree.alarms[ix];
        match planned.at {
            At::Jar(jar) => self.jars[usize::from(jar.0)].limits.of(planned.kind),
            At::Header(header) => self.headers[usize::from(header.0)].limits.of(planned.kind),
            At::Site
            | At::Supply
            | At::Pump(_)
            | At::Monitor
            | At::Node(_)
            | At::Sensor(_)
            | At::Route(_) => None,
        }
    }

    fn judge(&mut self, ix: AlarmIx, value: f64, limit: Option<Limit>, raise_only: bool, m: Moment) {
        let Some(limit) = limit else {
            // Nothing is wished for, so nothing can be missed.
            return self.feed_direct(ix, Verdict::Inside, m);
        };
        let mut verdict = limit.judge(value);
        if raise_only && verdict != Verdict::Beyond {
            verdict = Verdict::Unknown;
        }
        let slot = &mut self.slots[ix];
        slot.value = Some(value);
        slot.limit = Some(limit.at);
        if verdict == Verdict::Beyond && needs_evidence(self.tree.alarms[ix].kind) {
            self.weigh(ix, (value - limit.at).abs());
        }
        self.feed_direct(ix, verdict, m);
    }

    /// On a noisy channel an excursion no deeper than noise can reach must last three times as long.
    /// The wait of its group is the shorter for it, so that the message leaves no later.
    fn weigh(&mut self, ix: AlarmIx, depth: f64) {
        let base = self.tree.alarms[ix].tuning.on_delay;
        let sensor = self.sensor_of(ix);
        let noise = sensor.map_or(0.0, |at| self.channels[at].noise.deviation());
        let interval = sensor.map_or(Span::ZERO, |at| self.plan.rack.sensors[at].interval);
        let slot = &mut self.slots[ix];
        if !slot.alarm.is_beyond() {
            slot.depth = (0.0, 0);
        }
        // One spike must not make an excursion look deep.
        let depth = depth.min(DEEPEST_COUNTED * noise);
        slot.depth = (slot.depth.0 + depth, slot.depth.1.saturating_add(1));
        let mean = slot.depth.0 / f64::from(slot.depth.1);
        let shallow = noise > 0.0 && (slot.depth.1 < DEEP_SAMPLES || mean < BEYOND_NOISE * noise);
        let longer = base.ms().saturating_mul(SHALLOW_TIMES);
        let samples = interval.ms().saturating_mul(SHALLOW_SAMPLES);
        slot.tuning.on_delay = if shallow { Span::from_ms(longer.max(samples)) } else { base };
    }

    fn judge_rate(&mut self, at: usize, value: f64, m: Moment) {
        let Some(ix) = self.tree.fed[at].rate else { return };
        let rate = self.channels[at].rate.get_or_insert_default();
        let Some(said) = rate.handle_value(value, m) else { return };
        self.channels[at].slope = said;
        let limit = self.limit_of(ix);
        match said {
            Some(slope) => self.judge(ix, slope.abs(), limit, false, m),
            None => self.feed_direct(ix, Verdict::Unknown, m),
        }
    }

    fn judge_disagreement(&mut self, at: usize, value: f64, m: Moment) {
        let Some(ix) = self.tree.fed[at].disagrees else { return };
        let Place::Jar(jar) = self.plan.rack.sensors[at].place else { return };
        let header = self.plan.rack.jar(jar).header;
        let Some(probe) = self.plan.rack.header(header).temperature else { return };
        let reference = &self.channels[usize::from(probe.0)];
        let Some(reference) = reference.value.filter(|_| !reference.stale) else {
            return self.feed_direct(ix, Verdict::Unknown, m);
        };
        let settings = &self.plan.settings;
        let limit = Limit { at: settings.disagrees_c, deadband: settings.disagrees_deadband_c, above: true };
        let expected = self.jars[usize::from(jar.0)].context.header_offset_c;
        self.judge(ix, (value - reference - expected).abs(), Some(limit), false, m);
    }

    fn judge_stillness(&mut self, at: usize, value: f64, reason: Reason, m: Moment) {
        let Some(ix) = self.tree.fed[at].stuck else { return };
        let mut verdict = self.channels[at].stillness.handle_value(value, m);
        // A meter that counts nothing in a stopped line is right.
        if self.plan.rack.sensors[at].measure == Measure::Flow && value.classify() == FpCategory::Zero {
            verdict = Verdict::Inside;
        }
        if reason == Reason::Stuck {
            verdict = Verdict::Beyond;
        }
        if verdict == Verdict::Beyond {
            self.slots[ix].value = Some(value);
        }
        self.feed(ix, verdict, m, m);
    }

    /// The channel spoke.
    fn hear(&mut self, at: usize, m: Moment) {
        let channel = &mut self.channels[at];
        channel.last_good = m;
        channel.heard = true;
        if channel.stale {
            channel.stale = false;
            let next = m.after(channel.stale_after);
            self.timers.insert((next, Timer::Stale(at)));
        }
        if let Some(ix) = self.tree.fed[at].blind {
            self.feed(ix, Verdict::Inside, m, m);
        }
        let source = self.plan.rack.sensors[at].source;
        if self.link_doubt.get(usize::from(source.0)).copied().unwrap_or(false) {
            self.link_doubt[usize::from(source.0)] = false;
            if let Some(ix) = self.tree.find(AlarmKind::BlindHeader, At::Node(source)) {
                self.feed_direct(ix, Verdict::Inside, m);
            }
        }
    }

    /// The channel said something that cannot be used.
    fn doubt(&mut self, at: usize, m: Moment) {
        let fed = std::mem::take(&mut self.tree.fed[at]);
        for ix in fed.limits.iter().chain(&fed.rate).chain(&fed.disagrees) {
            self.feed_direct(*ix, Verdict::Unknown, m);
        }
        self.tree.fed[at] = fed;
    }

    /// Whether a channel has been silent for longer than it may. Asked once each such length, not
    /// with each reading.
    pub(super) fn check_stale(&mut self, at: usize, m: Moment) {
        let channel = &mut self.channels[at];
        let due = channel.last_good.after(channel.stale_after);
        if due > m {
            self.timers.insert((due, Timer::Stale(at)));
            return;
        }
        channel.stale = true;
        self.doubt(at, m);
        self.refresh_blind_priority(at, m);
        if let Some(ix) = self.tree.fed[at].blind {
            self.feed(ix, Verdict::Beyond, m, m);
        }
    }

    /// A source connected or lost its device. Losing it is a cause by itself; getting it back is
    /// not yet data.
    pub fn handle_source_link(&mut self, source: SourceIx, up: bool, now: Now) {
        let m = self.enter(now);
        let at = usize::from(source.0);
        let Some(down) = self.link_down.get_mut(at) else { return };
        *down = !up;
        if let Some(ix) = self.tree.find(AlarmKind::BlindHeader, At::Node(source)) {
            self.refresh_node_priority(source);
            let verdict = if up { Verdict::Unknown } else { Verdict::Beyond };
            self.feed_direct(ix, verdict, m);
        }
        self.link_doubt[at] = up;
    }

    /// A verdict from an alarm's own measure.
    pub(super) fn feed_direct(&mut self, ix: AlarmIx, verdict: Verdict, m: Moment) {
        if self.tree.alarms[ix].inference == Inference::None {
            return self.feed(ix, verdict, m, m);
        }
        let slot = &mut self.slots[ix];
        slot.direct = Some(verdict);
        if verdict != Verdict::Unknown {
            slot.last_sure = verdict;
        }
        let combined = self.combined(ix);
        self.feed(ix, combined, m, m);
        self.store_grounds(ix, m);
    }

    /// Own measure and children together. A measure that failed while it saw trouble still counts
    /// as trouble; one that failed while all was well leaves the word to the children.
    pub(super) fn combined(&self, ix: AlarmIx) -> Verdict {
        let slot = &self.slots[ix];
        match slot.direct {
            _ if slot.inferred => Verdict::Beyond,
            Some(Verdict::Unknown) if slot.last_sure == Verdict::Beyond => Verdict::Unknown,
            Some(Verdict::Unknown) | None => Verdict::Inside,
            Some(verdict) => verdict,
        }
    }

    /// Gives an alarm a verdict and does what follows.
    pub(super) fn feed(&mut self, ix: AlarmIx, verdict: Verdict, began: Moment, m: Moment) {
        if self.slots[ix].unheard {
            self.hear_again(ix, verdict, m);
        }
        let slot = &self.slots[ix];
        // Nearly every reading ends here.
        if verdict != Verdict::Beyond && !slot.alarm.is_on() && !slot.alarm.is_beyond() {
            return;
        }
        self.change(ix, m, "", None, |slot, steps| {
            slot.alarm.handle_verdict(verdict, began, m, &slot.tuning, steps);
        });
    }

    /// Sensor whose readings an alarm judges.
    pub(super) fn sensor_of(&self, ix: AlarmIx) -> Option<usize> {
        let planned = &self.tree.alarms[ix];
        let rack = &self.plan.rack;
        let flow = family_is_flow(planned.kind);
        let sensor = match planned.at {
            At::Sensor(sensor) => Some(sensor),
            At::Jar(jar) if flow => rack.jar(jar).flow,
            At::Jar(jar) => rack.jar(jar).temperature,
            At::Header(_) if planned.kind == AlarmKind::BlindHeader => None,
            At::Header(header) if flow => rack.header(header).flow,
            At::Header(header) => rack.header(header).temperature,
            At::Site | At::Supply | At::Pump(_) | At::Monitor | At::Node(_) | At::Route(_) => None,
        };
        sensor.map(|sensor| usize::from(sensor.0))
    }
}

fn family_is_flow(kind: AlarmKind) -> bool {
    matches!(family(kind), Family::FlowLow | Family::FlowHigh)
}
