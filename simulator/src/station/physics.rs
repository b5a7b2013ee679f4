//! The water of one step: source, tanks, headers, jars, and what it does to the eggs.

use super::{Eggs, Station};
use crate::scenario::Cause;
use crate::truth::Crossing;
use crate::water::{Spell, ramp, stirred};
use crate::weather::shed_air_c;
use nightjar_calc::time::{Span, Timestamp};

/// Longest step of the integration. The water is taken as linear in time between steps.
const LONGEST_STEP_MS: i64 = 10_000;
/// Valves drift on these ticks whatever the scan interval.
const DRIFT_TICK_MS: i64 = 600_000;
/// Random walk of an opening, share per root of a day.
const VALVE_WALK: f64 = 0.012;
/// Silt closes a valve by this share a day.
const SILT_PER_DAY: f64 = 0.004;
/// Water in a jar besides the eggs, L.
const JAR_L: f64 = 6.0;
/// Water in a manifold and its pipe, L.
const HEADER_L: f64 = 4.0;
/// Heat exchange with the shed, as L/s: tank and manifold.
const TANK_EXCHANGE: f64 = 0.003;
const HEADER_EXCHANGE: f64 = 0.0006;
/// A warm spell reaches the intake within this, s.
const SPELL_RAMP_S: f64 = 18.0 * 3600.0;
/// A packed bed does without flow for this long, min: green and eyed eggs. Assumed; estimates in
/// use range from 2 to 15 min to the first lack of oxygen, and lack is not yet death.
const PATIENCE_MIN: [f64; 2] = [25.0, 15.0];
/// Share of the eggs lost per minute after that. Assumed.
const LOST_PER_MIN: f64 = 0.02;

impl Station {
    /// Moves the water on by `span`.
    pub(super) fn advance(&mut self, span: Span) {
        let end = self.now + span;
        while self.now < end {
            let step = end.since(self.now).ms().min(LONGEST_STEP_MS);
            self.move_water(Span::from_ms(step));
        }
    }

    /// Brings tanks, headers and jars to the water of the first moment.
    pub(super) fn settle(&mut self) {
        let (start, sky) = (self.now, self.sky);
        let source = self.source_c(start);
        self.air_c = shed_air_c(self.scenario.season.climate_c(0.0), sky, self.solar_hour(start));
        self.supplies.iter_mut().for_each(|tank| tank.temp_c = source);
        self.headers.iter_mut().for_each(|header| header.temp_c = source);
        self.jars.iter_mut().for_each(|jar| jar.temp_c = source);
        self.share_out(0.0);
    }

    fn move_water(&mut self, step: Span) {
        self.now = self.now + step;
        let (dt, now) = (step.secs(), self.now);
        self.sky = self.weather.at(now);
        let days = now.since(self.start).days();
        self.air_c = shed_air_c(self.scenario.season.climate_c(days), self.sky, self.solar_hour(now));
        self.drift_valves();
        self.strain_pipes();
        self.share_out(dt);
        let (source, air) = (self.source_c(now), self.air_c);
        for tank in &mut self.supplies {
            let inflow = (tank.passage.pumped_l / dt, source);
            // What is left of an emptied tank is a film on its floor.
            let litres = tank.supply.level_l.max(5.0);
            tank.temp_c = stirred(tank.temp_c, litres, inflow, (TANK_EXCHANGE, air), dt);
        }
        for header in &mut self.headers {
            let inflow = (header.flow / 60.0, self.supplies[header.tank].temp_c);
            header.temp_c = stirred(header.temp_c, HEADER_L, inflow, (HEADER_EXCHANGE, air), dt);
            header.thermometer.soak(header.temp_c, dt);
            header.meter.pass(header.flow, dt);
        }
        for jar in &mut self.jars {
            let before = jar.temp_c;
            let inflow = (jar.flow / 60.0, self.headers[jar.header].temp_c);
            jar.temp_c = stirred(before, JAR_L, inflow, (jar.exchange, air), dt);
            jar.thermometer.soak(jar.temp_c, dt);
            jar.meter.pass(jar.flow, dt);
            if let Some(eggs) = &mut jar.eggs {
                eggs.live([before, jar.temp_c], jar.flow / jar.set_l_per_min, dt, now);
            }
        }
        self.watch_limits();
    }

    fn solar_hour(&self, at: Timestamp) -> f64 {
        // The sun does not follow daylight saving; the offset of the start is near enough.
        let local = self.zone.local(self.start).and_utc().timestamp_millis() - self.start.ms();
        (at.ms() + local).rem_euclid(86_400_000) as f64 / 3_600_000.0
    }

    /// Water that the pumps lift, °C.
    fn source_c(&self, at: Timestamp) -> f64 {
        let mut spell: Option<Spell> = None;
        let mut working = true;
        for fault in self.faults.iter().filter(|fault| fault.phase(at).is_some()) {
            if let Cause::WarmSpell { surface_c } = fault.cause {
                let since = at.since(fault.begins).secs() / SPELL_RAMP_S;
                let left = fault.ends.since(at).secs() / SPELL_RAMP_S;
                spell = Some(Spell { share: ramp(since).min(ramp(left)), surface_c });
            } else if fault.cause == Cause::ConditionerOff {
                working = false;
            }
        }
        let days = at.since(self.start).days();
        let intake = self.scenario.season.intake_c(days, self.solar_hour(at), self.sky, spell);
        self.scenario.season.conditioned_c(intake, working)
    }

    fn drift_valves(&mut self) {
        while (self.drift_ticks + 1) * DRIFT_TICK_MS <= self.now.since(self.start).ms() {
            self.drift_ticks += 1;
            let days = DRIFT_TICK_MS as f64 / 86_400_000.0;
            for jar in &mut self.jars {
                let walk = VALVE_WALK * days.sqrt() * jar.drift.normal_within(4.0);
                if let Some(valve) = self.headers[jar.header].pipe.valve_mut(jar.place) {
                    valve.drift = (valve.drift * (walk - SILT_PER_DAY * days).exp()).clamp(0.3, 2.0);
                }
            }
        }
    }

    /// Puts the clogs and blockages of the moment into the pipes.
    fn strain_pipes(&mut self) {
        let now = self.now;
        for header in &mut self.headers {
            let clog = self.faults.iter().filter_map(|fault| {
                let Cause::HeaderClog { header: name, share } = &fault.cause else { return None };
                (*name == header.name).then(|| fault.phase(now).map(|phase| share * phase))?
            });
            header.pipe.clog(clog.fold(0.0, f64::max));
        }
        for jar in &self.jars {
            let left = self.faults.iter().filter_map(|fault| {
                let Cause::JarsBlocked { jars, left } = &fault.cause else { return None };
                (jars.contains(&jar.name) && fault.phase(now).is_some()).then_some(*left)
            });
            if let Some(valve) = self.headers[jar.header].pipe.valve_mut(jar.place) {
                valve.unblocked = left.fold(1.0, f64::min);
            }
        }
    }

    /// Pumps, tanks and flows of this step.
    fn share_out(&mut self, dt: f64) {
        let now = self.now;
        for at in 0..self.supplies.len() {
            let head = self.supplies[at].supply.head_m();
            let fed: Vec<usize> = (0..self.headers.len()).filter(|h| self.headers[*h].tank == at).collect();
            let wanted: Vec<Vec<f64>> = fed.iter().map(|h| self.headers[*h].pipe.flows(head)).collect();
            let asked: f64 = wanted.iter().flatten().sum();
            let mut working = 1.0_f64;
            for fault in &self.faults {
                let Some(phase) = fault.phase(now) else { continue };
                let feeds = |name: &String| fed.iter().any(|h| self.headers[*h].name == *name);
                if let Cause::PumpTrip { header } = &fault.cause
                    && feeds(header)
                {
                    working = 0.0;
                } else if let Cause::IntakeClog { header, share } = &fault.cause
                    && feeds(header)
                {
                    working = working.min(1.0 - share * phase);
                }
            }
            let passage = self.supplies[at].supply.pass(working, asked, dt);
            self.supplies[at].passage = passage;
            for (h, flows) in fed.iter().zip(&wanted) {
                self.headers[*h].flow = flows.iter().sum::<f64>() * passage.met;
                for jar in self.jars.iter_mut().filter(|jar| jar.header == *h) {
                    jar.flow = flows.get(jar.place).copied().unwrap_or(0.0) * passage.met;
                }
            }
        }
    }

    fn watch_limits(&mut self) {
        let (watch, now) = (self.scenario.watch, self.now);
        for jar in &self.jars {
            let Some(eggs) = &jar.eggs else { continue };
            if !eggs.in_jar() {
                continue;
            }
            let (temp, flow) = (jar.temp_c, jar.flow / jar.set_l_per_min);
            let mut note = |crossing, over, back| self.excursions.note(&jar.name, crossing, over, back, now);
            note(Crossing::TooWarm, temp > watch.high_c, temp < watch.high_c - watch.back_c);
            note(Crossing::TooCold, temp < watch.low_c, temp > watch.low_c + watch.back_c);
            note(Crossing::NoFlow, flow < watch.no_flow_share, flow > watch.no_flow_share + 0.05);
            note(Crossing::LowFlow, flow < watch.low_flow_share, flow > watch.low_flow_share + 0.05);
        }
    }
}

impl Eggs {
    pub(super) fn in_jar(&self) -> bool {
        self.loaded_at.is_some() && self.emptied_at.is_none()
    }

    /// One step, ending at `until`: `jar_c` the water of the jar before and after it,
    /// `flow_share` its flow as a share of the set-point.
    fn live(&mut self, jar_c: [f64; 2], flow_share: f64, dt_s: f64, until: Timestamp) {
        if self.emptied_at.is_some() {
            return;
        }
        let days = dt_s / 86_400.0;
        let basket = self.loaded_at.is_none();
        // The mean of a linear stretch is exact for its integral.
        let temp = if basket { self.basket_c } else { f64::midpoint(jar_c[0], jar_c[1]) };
        self.units_c_days += temp.max(0.0) * days;
        self.cohort.live(temp, days, until);
        if basket {
            self.hardening_c_days += temp.max(0.0) * days;
            return;
        }
        let [low, high] = self.range_c.unwrap_or([temp, temp]);
        self.range_c = Some([low.min(temp), high.max(temp)]);
        self.stopped_s = if flow_share < 0.1 { self.stopped_s + dt_s } else { 0.0 };
        let patience = if self.raised { PATIENCE_MIN[1] } else { PATIENCE_MIN[0] };
        if self.stopped_s > patience * 60.0 {
            self.cohort.lose(LOST_PER_MIN * dt_s / 60.0);
        }
    }
}
