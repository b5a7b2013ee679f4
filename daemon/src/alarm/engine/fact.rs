//! What the engine is told beside readings: what is in the jars, and how site and monitor stand.

use super::{Engine, HeaderLive, Timer};
use crate::alarm::condition::{JarLimits, TempLimits};
use crate::alarm::event::{AlarmKind, Asset, Priority};
use crate::alarm::moment::Moment;
use crate::alarm::state::{Verdict, What};
use crate::alarm::tree::{AlarmIx, At, asset_at, is_flow, is_process};
use crate::clock::{LEAST_STEP, Now};
use crate::ids::PersonId;
use crate::rack::{HeaderIx, JarIx};
use crate::reading::SensorIx;
use crate::snapshot::JarState;
use nightjar_calc::time::Span;

/// What the logbook knows about a jar.
#[derive(Clone, Debug, PartialEq)]
pub struct JarContext {
    /// Eggs or fry are in it.
    pub occupied: bool,
    /// How they stand.
    pub stage: JarState,
    /// The flow it should have, L/min.
    pub set_flow: Option<f64>,
    /// Limits on temperature where the species asks for others than the station.
    pub temps: Option<TempLimits>,
    /// Minutes the eggs would last without flow.
    pub eggs_last: Option<EggsLast>,
    /// Difference from the header that is normal at its place, °C.
    pub header_offset_c: f64,
}

impl Default for JarContext {
    fn default() -> Self {
        Self {
            occupied: false,
            stage: JarState::Empty,
            set_flow: None,
            temps: None,
            eggs_last: None,
            header_offset_c: 0.0,
        }
    }
}

/// How long the eggs of a jar last without flow.
#[derive(Clone, Debug, PartialEq)]
pub struct EggsLast {
    /// Likely minutes.
    pub minutes: f64,
    /// On the short side.
    pub minutes_short: f64,
    /// Developmental stage, in a word.
    pub stage: String,
}

/// Something about the site or the monitor.
#[derive(Clone, Debug, PartialEq)]
pub enum Fact {
    /// What a supply sense or battery says.
    Mains {
        /// On mains; false on battery.
        on: bool,
        /// Charge, per cent.
        battery_percent: Option<f64>,
        /// Minutes left.
        runtime_min: Option<f64>,
    },
    /// A route for messages works or fails.
    Route {
        /// Its place in the plan.
        route: usize,
        /// It fails.
        failing: bool,
    },
    /// Storage fails, and how; `None` when it is well.
    Storage {
        /// What is wrong, a few words.
        problem: Option<String>,
    },
    /// Hours until nobody is on call; `None` when the rota is full.
    RotaHole {
        /// Hours from now, 0 when nobody is on call.
        in_hours: Option<f64>,
    },
    /// The configuration on disk was refused.
    ConfigFallback {
        /// An older one is in use.
        active: bool,
    },
    /// A drill begins or ends.
    Drill {
        /// It is on.
        on: bool,
    },
}

/// How the power stands.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Mains {
    on: Option<bool>,
    battery_percent: Option<f64>,
    runtime_min: Option<f64>,
}

/// Starts within this time count towards "restarted too often".
const STARTS_WITHIN: Span = Span::from_hours(24);
/// This many starts are too many.
const TOO_MANY_STARTS: usize = 3;
/// Starts remembered.
const STARTS_KEPT: usize = 16;
/// A hole in the rota is P2 from here on, hours.
const HOLE_SOON_H: f64 = 12.0;
/// A hole further away than this is no alarm yet, hours.
const HOLE_LOOKED_FOR_H: f64 = 48.0;

/// Alarms that ask for nobody while nothing is in a jar: its water, and how its probe compares.
pub(super) const fn is_moot_when_empty(kind: AlarmKind) -> bool {
    is_process(kind) || matches!(kind, AlarmKind::Disagrees)
}

impl Engine {
    /// The logbook says what is in a jar.
    pub fn handle_jar(&mut self, jar: JarIx, context: JarContext, now: Now) {
        let m = self.enter(now);
        let at = usize::from(jar.0);
        if at >= self.jars.len() {
            return;
        }
        let live = &mut self.jars[at];
        let known = std::mem::replace(&mut live.known, true);
        live.context = context;
        self.refresh_jar_limits(jar);
        let header = self.plan.rack.jar(jar).header;
        self.refresh_header(header);
        self.follow_occupation(At::Jar(jar), Some(!self.is_loaded(jar)), known, m);
        self.follow_occupation(At::Header(header), self.is_empty([header]), known, m);
        if let Some(pump) = self.plan.rack.header(header).pump {
            let empty = self.is_empty(self.tree.headers_of(pump));
            self.follow_occupation(At::Pump(pump), empty, known, m);
        }
        let all = (0u16..).zip(&self.headers).map(|(ix, _)| HeaderIx(ix));
        self.follow_occupation(At::Supply, self.is_empty(all), known, m);
        self.refresh_header_priority(header, m);
        for at in [self.plan.rack.jar(jar).flow, self.plan.rack.jar(jar).temperature]
            .into_iter()
            .chain([self.plan.rack.header(header).flow, self.plan.rack.header(header).temperature])
            .flatten()
        {
            self.refresh_blind_priority(usize::from(at.0), m);
            self.worsen_node_of(at, m);
        }
    }

    /// Whether headers hold nothing. `None` while none is known to be loaded and one may be.
    fn is_empty(&self, headers: impl IntoIterator<Item = HeaderIx>) -> Option<bool> {
        let headers: Vec<_> =
            headers.into_iter().map(|header| &self.headers[usize::from(header.0)]).collect();
        let loaded = headers.iter().any(|header| header.loaded > 0);
        let may_hold_eggs = headers.iter().any(|header| header.may_hold_eggs);
        (loaded || !may_hold_eggs).then_some(!loaded)
    }

    /// A node that is silent while a jar is loaded leaves that jar unwatched too.
    fn worsen_node_of(&mut self, sensor: SensorIx, m: Moment) {
        let source = self.plan.rack.sensor(sensor).source;
        if let Some(node) = self.node_of(source).filter(|node| self.slots[*node].alarm.is_beyond()) {
            self.refresh_node_priority(source);
            let priority = self.slots[node].tuning.priority;
            self.change(node, m, "", None, |slot, steps| slot.alarm.worsen(priority, m, steps));
        }
    }

    fn refresh_jar_limits(&mut self, jar: JarIx) {
        let at = usize::from(jar.0);
        let settings = &self.plan.settings;
        let live = &self.jars[at];
        let context = &live.context;
        let temps = context.temps.unwrap_or_else(|| settings.stages.at(context.stage));
        let shares = if live.treatment.is_some() { &settings.treatment_flow } else { &settings.flow };
        self.jars[at].limits = JarLimits::new(settings, context.set_flow, temps, shares);
    }

    /// A header is as tight as the tightest of its loaded jars, and should carry what they should
    /// have together.
    pub(super) fn refresh_header(&mut self, header: HeaderIx) {
        let settings = &self.plan.settings;
        let mut live = HeaderLive::default();
        let mut temps = TempLimits::default();
        let mut set_flow = 0.0;
        for jar in &self.tree.jars_of[usize::from(header.0)] {
            let jar_live = &self.jars[usize::from(jar.0)];
            let context = &jar_live.context;
            let planned = self.plan.rack.jar(*jar);
            // Until the logbook has spoken a jar may hold eggs: half of few is not half of all.
            let counts = context.occupied || !jar_live.known;
            live.may_hold_eggs |= counts;
            live.counted_with_flow += usize::from(counts && planned.flow.is_some());
            live.counted_with_temp += usize::from(counts && planned.temperature.is_some());
            if !context.occupied {
                continue;
            }
            live.loaded += 1;
            live.loaded_with_temp += usize::from(planned.temperature.is_some());
            temps = temps.tightest(context.temps.unwrap_or_else(|| settings.stages.at(context.stage)));
            set_flow += context.set_flow.unwrap_or(0.0);
        }
        live.limits = JarLimits::new(settings, Some(set_flow), temps, &settings.flow);
        self.headers[usize::from(header.0)] = live;
    }

    /// Alarms about the water of a place with nothing in it are covered; one that was loaded gets
    /// its settle time. The first word after a start only says what was so all the time.
    fn follow_occupation(&mut self, at: At, empty: Option<bool>, known: bool, m: Moment) {
        let Some(empty) = empty else { return };
        for ix in self.process_alarms_at(at) {
            if self.slots[ix].alarm.suppression().empty == empty {
                continue;
            }
            if empty {
                self.count_out(ix, m);
                self.change(ix, m, "empty", None, |slot, steps| {
                    slot.alarm.set_empty(true, m, &slot.tuning, steps);
                });
                let by = "an empty jar".to_owned();
                self.leave(ix, &crate::alarm::event::Change::Covered { by }, m);
                self.release_children(ix, m);
            } else {
                let slot = &mut self.slots[ix];
                // Read back as on over an empty jar: it was filled since.
                if known || slot.alarm.is_on() {
                    let tuning = slot.tuning;
                    slot.alarm.set_empty(false, m, &tuning, &mut Vec::new());
                } else {
                    slot.alarm.clear_empty();
                }
                self.reschedule(ix);
                self.persist_alarm(ix, m);
                if self.slots[ix].alarm.is_beyond() {
                    self.count_in(ix, m);
                }
            }
        }
    }

    fn process_alarms_at(&self, at: At) -> Vec<AlarmIx> {
        let kinds = crate::alarm::condition::ALL.into_iter();
        kinds.filter(|kind| is_moot_when_empty(*kind)).filter_map(|kind| self.tree.find(kind, at)).collect()
    }

    pub(super) fn end_treatment(&mut self, jar: usize, m: Moment) {
        let live = &mut self.jars[jar];
        if live.treatment.as_ref().is_some_and(|(until, _)| *until <= m) {
            live.treatment = None;
            self.refresh_jar_limits(JarIx(u16::try_from(jar).unwrap_or(u16::MAX)));
        }
    }

    pub(super) fn begin_treatment(&mut self, jar: JarIx, until: Moment, by: &PersonId) {
        self.jars[usize::from(jar.0)].treatment = Some((until, by.clone()));
        self.refresh_jar_limits(jar);
        self.timers.insert((until, Timer::Treatment(usize::from(jar.0))));
    }

    /// Something about the site or the monitor.
    pub fn handle_fact(&mut self, fact: &Fact, now: Now) {
        let m = self.enter(now);
        match fact {
            Fact::Mains { on, battery_percent, runtime_min } => {
                self.mains.battery_percent = *battery_percent;
                self.mains.runtime_min = *runtime_min;
                self.handle_mains(*on, m);
            }
            Fact::Route { route, failing } => self.handle_route(*route, *failing, m),
            Fact::Storage { problem } => {
                let text = problem.clone().unwrap_or_default();
                self.set_alone(AlarmKind::StorageFailing, problem.is_some(), text, m);
            }
            Fact::RotaHole { in_hours } => {
                let hole = in_hours.filter(|hours| *hours <= HOLE_LOOKED_FOR_H);
                let soon = hole.is_some_and(|hours| hours <= HOLE_SOON_H);
                let text = hole.map(|hours| format!("in {hours:.0} h")).unwrap_or_default();
                let priority = if soon { Priority::P2 } else { Priority::P3 };
                self.set_priority(AlarmKind::RotaHole, At::Monitor, priority, m);
                self.set_alone(AlarmKind::RotaHole, hole.is_some(), text, m);
            }
            Fact::ConfigFallback { active } => {
                self.set_alone(AlarmKind::ConfigFallback, *active, String::new(), m);
            }
            Fact::Drill { on } => self.set_alone(AlarmKind::Drill, *on, String::new(), m),
        }
    }

    fn set_alone(&mut self, kind: AlarmKind, wrong: bool, detail: String, m: Moment) {
        if let Some(ix) = self.tree.find(kind, At::Monitor) {
            if wrong {
                self.slots[ix].detail = detail;
            }
            self.feed(ix, if wrong { Verdict::Beyond } else { Verdict::Inside }, m, m);
        }
    }

    pub(super) fn set_priority(&mut self, kind: AlarmKind, at: At, priority: Priority, m: Moment) {
        if let Some(ix) = self.tree.find(kind, at) {
            self.slots[ix].tuning.priority = priority;
            self.change(ix, m, "", None, |slot, steps| slot.alarm.worsen(priority, m, steps));
        }
    }

    pub(super) fn handle_mains_reading(&mut self, value: f64, sure: bool, m: Moment) {
        if sure {
            self.handle_mains(value >= 0.5, m);
        } else if let Some(ix) = self.tree.find(AlarmKind::MainsLost, At::Site) {
            self.feed(ix, Verdict::Unknown, m, m);
        }
    }

    pub(super) fn handle_battery_reading(&mut self, value: f64, sure: bool, m: Moment) {
        if sure {
            self.mains.battery_percent = Some(value);
            if let Some(on) = self.mains.on {
                self.handle_mains(on, m);
            }
        }
    }

    fn handle_mains(&mut self, on: bool, m: Moment) {
        let settings = &self.plan.settings;
        let below = |value: Option<f64>, limit: f64| value.is_some_and(|value| value < limit);
        let urgent = below(self.mains.battery_percent, settings.battery_low_percent)
            || below(self.mains.runtime_min, settings.runtime_low_min);
        let limit = settings.battery_low_percent;
        let hold = m.after(settings.settling_hold);
        let returned = on && self.mains.on == Some(false);
        self.mains.on = Some(on);
        let priority = if urgent && !on { Priority::P1 } else { Priority::P2 };
        self.set_priority(AlarmKind::MainsLost, At::Site, priority, m);
        if let Some(ix) = self.tree.find(AlarmKind::MainsLost, At::Site) {
            self.slots[ix].value = self.mains.battery_percent;
            self.slots[ix].limit = self.mains.battery_percent.map(|_| limit);
            self.feed(ix, if on { Verdict::Inside } else { Verdict::Beyond }, m, m);
        }
        if returned {
            self.hold_flow_alarms(hold, m);
        }
    }

    /// Pumps take a moment after power returns: new flow alarms wait, with a hard end.
    fn hold_flow_alarms(&mut self, until: Moment, m: Moment) {
        for ix in 0..self.slots.len() {
            if is_flow(self.tree.alarms[ix].kind) {
                self.change(ix, m, "power came back", None, |slot, steps| {
                    slot.alarm.settle_until(until, steps);
                });
            }
        }
    }

    fn handle_route(&mut self, route: usize, failing: bool, m: Moment) {
        let Some(known) = self.route_failing.get_mut(route) else { return };
        *known = failing;
        let verdict = |wrong| if wrong { Verdict::Beyond } else { Verdict::Inside };
        let all = self.route_failing.iter().all(|failing| *failing);
        let at = At::Route(u16::try_from(route).unwrap_or(u16::MAX));
        if let Some(ix) = self.tree.find(AlarmKind::CannotSend, at) {
            self.feed(ix, verdict(failing), m, m);
        }
        if let Some(ix) = self.tree.find(AlarmKind::CannotSendAtAll, At::Monitor) {
            self.feed(ix, verdict(all), m, m);
        }
    }

    /// No transition depends on the wall clock; that it stepped, or cannot be trusted, is known
    /// all the same.
    pub(super) fn watch_clock(&mut self, now: Now) {
        let expected = self.now.utc + now.up.since(self.now.up);
        let step = Span::from_ms(now.utc.ms().saturating_sub(expected.ms()));
        let told = self.now.trusted == now.trusted;
        self.now = now;
        // Every reading passes here; nearly all end here.
        if told && step.ms().saturating_abs() <= LEAST_STEP.ms() {
            return;
        }
        self.judge_clock(step, now);
    }

    /// Says whether the wall clock can be trusted, and writes down a step.
    pub(super) fn judge_clock(&mut self, step: Span, now: Now) {
        let m = self.moment_at(now);
        let Some(ix) = self.tree.find(AlarmKind::ClockUntrusted, At::Monitor) else { return };
        if step.ms().saturating_abs() > LEAST_STEP.ms() {
            self.note(ix, What::ClockStepped, m, &format!("wall clock stepped by {:.1} s", step.secs()));
        }
        self.feed(ix, if now.trusted { Verdict::Inside } else { Verdict::Beyond }, m, m);
    }

    /// The program began: counts it, and looks whether that happened too often.
    pub(super) fn count_start(&mut self, m: Moment) {
        self.starts.push(m);
        if self.starts.len() > STARTS_KEPT {
            self.starts.remove(0);
        }
        self.persist_counters();
        self.check_restarts(m);
    }

    pub(super) fn check_restarts(&mut self, m: Moment) {
        self.starts.retain(|start| m.since(*start) < STARTS_WITHIN);
        let n = self.starts.len();
        self.set_alone(AlarmKind::Restarted, n >= TOO_MANY_STARTS, format!("{n} starts in 24 h"), m);
        if let Some(oldest) = self.starts.first() {
            self.timers.insert((oldest.after(STARTS_WITHIN), Timer::Restarts));
        }
    }

    /// Whether anything is out of use past its planned end.
    pub(super) fn check_out_of_use(&mut self, m: Moment) {
        let mut names: Vec<String> = Vec::new();
        for (slot, planned) in self.slots.iter().zip(&self.tree.alarms) {
            let overdue = slot.alarm.suppression().out.as_ref().is_some_and(|out| out.overdue);
            let name = super::view::asset_words(&planned.asset);
            if overdue && names.last() != Some(&name) && names.len() < 5 {
                names.push(name);
            }
        }
        let wrong = !names.is_empty();
        self.set_alone(AlarmKind::OutOfUseTooLong, wrong, names.join(", "), m);
    }

    /// Name of a place.
    pub(super) fn asset_at(&self, at: At) -> Asset {
        asset_at(at, &self.plan.rack, &self.plan.sources, &self.plan.routes)
    }
}
