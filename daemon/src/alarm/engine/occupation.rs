//! What is in the jars: which alarms about the water count, and within which limits.

use super::{Engine, HeaderLive, Timer};
use crate::alarm::condition::{JarLimits, TempLimits};
use crate::alarm::event::AlarmKind;
use crate::alarm::moment::Moment;
use crate::alarm::tree::{AlarmIx, At, is_process};
use crate::clock::Now;
use crate::ids::PersonId;
use crate::rack::{HeaderIx, JarIx};
use crate::reading::SensorIx;
use crate::snapshot::JarState;

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
        self.follow_occupation(At::Jar(jar), !self.is_loaded(jar), known, m);
        let live = &self.headers[usize::from(header.0)];
        let header_empty = live.loaded == 0;
        self.follow_occupation(At::Header(header), header_empty, known, m);
        let all_empty = self.headers.iter().all(|header| header.loaded == 0);
        self.follow_occupation(At::Supply, all_empty, known, m);
        self.refresh_header_priority(header);
        for at in [self.plan.rack.jar(jar).flow, self.plan.rack.jar(jar).temperature]
            .into_iter()
            .chain([self.plan.rack.header(header).flow, self.plan.rack.header(header).temperature])
            .flatten()
        {
            self.refresh_blind_priority(usize::from(at.0), m);
            self.worsen_node_of(at, m);
        }
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
            live.loaded_with_flow += usize::from(planned.flow.is_some());
            live.loaded_with_temp += usize::from(planned.temperature.is_some());
            temps = temps.tightest(context.temps.unwrap_or_else(|| settings.stages.at(context.stage)));
            set_flow += context.set_flow.unwrap_or(0.0);
        }
        live.limits = JarLimits::new(settings, Some(set_flow), temps, &settings.flow);
        self.headers[usize::from(header.0)] = live;
    }

    /// Alarms about the water of a place with nothing in it are covered; one that was loaded gets
    /// its settle time. The first word after a start only says what was so all the time.
    fn follow_occupation(&mut self, at: At, empty: bool, known: bool, m: Moment) {
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
                if known {
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
        kinds
            .filter(|kind| is_process(*kind) || *kind == AlarmKind::Disagrees)
            .filter_map(|kind| self.tree.find(kind, at))
            .collect()
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
}
