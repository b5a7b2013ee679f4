//! The crew at work.

use super::{EGGS_PER_L, Eggs, Station};
use crate::chance::Chance;
use crate::crew::{CrewAct, CrewEvent, Duty, HatchSeen};
use crate::embryo::Cohort;
use crate::plumbing::{DEPTH_M, DROP_M};
use crate::probe::round_to;
use crate::scenario::Cause;
use nightjar_calc::time::Timestamp;

/// A valve that is further off than this is set anew at the next round.
const OFF_SHARE: f64 = 0.05;
/// How well a hand sets a valve, standard deviation as a share.
const HAND_SHARE: f64 = 0.01;

impl Station {
    /// Everything the crew does at this moment.
    pub(super) fn work(&mut self) -> Vec<CrewEvent> {
        let mut acts = Vec::new();
        while let Some(duty) = self.agenda.due(self.now) {
            match duty {
                Duty::IceCheck => self.check_in_ice(&mut acts),
                Duty::Take(take) => self.strip(take, &mut acts),
                Duty::Load(take) => self.load(take, &mut acts),
            }
        }
        if let Some(morning) = self.agenda.round_due(self.now) {
            self.go_round(morning, &mut acts);
        }
        let at = self.now;
        acts.into_iter().map(|act| CrewEvent { at, act }).collect()
    }

    fn check_in_ice(&mut self, acts: &mut Vec<CrewAct>) {
        let of_jars = self.jars.iter().map(|jar| (format!("J{}T", jar.name), jar.thermometer.bias_c));
        let of_headers = self.headers.iter().map(|h| (format!("H{}T", h.name), h.thermometer.bias_c));
        for (sensor, bias) in of_jars.chain(of_headers) {
            // The mean of a few minutes, written down to a hundredth.
            let read_c = round_to(bias + 0.001 * self.hands.normal(), 0.01);
            acts.push(CrewAct::IceCheck { sensor, read_c });
        }
    }

    fn strip(&mut self, take: usize, acts: &mut Vec<CrewAct>) {
        let plan = &self.scenario.take[take];
        let jars = self.takes[take].jars.clone();
        // The basket stands in a tub of the water at hand, insulated.
        let basket_c = self.supplies.first().map_or(self.scenario.season.start_c, |tank| tank.temp_c);
        let hardening_temp_c = round_to(basket_c + 0.02 * self.hands.normal(), 0.1);
        acts.push(CrewAct::Take {
            take: plan.name.clone(),
            fertilized_at: self.now,
            females: plan.females,
            males: plan.males,
            volume_l: plan.litres_per_jar * jars.len() as f64,
            eggs_per_l: self.counted_per_l(),
            hardening_temp_c,
        });
        for place in jars {
            let name = &self.jars[place].name;
            let chance = Chance::new(self.seed, &format!("eggs {name}"));
            let cohort = Cohort::new(self.takes[take].stock, chance);
            self.jars[place].eggs = Some(Eggs::fresh(take, self.now, basket_c, cohort));
        }
    }

    /// Counts by volume miss by some per cent.
    fn counted_per_l(&self) -> f64 {
        let mut chance = Chance::new(self.seed, "count");
        round_to(EGGS_PER_L * (1.0 + 0.04 * chance.normal_within(2.0)), 1.0)
    }

    fn load(&mut self, take: usize, acts: &mut Vec<CrewAct>) {
        let (now, flow, eggs_per_l) = (self.now, self.scenario.crew.green_l_per_min, self.counted_per_l());
        let (name, volume_l) = {
            let plan = &self.scenario.take[take];
            (plan.name.clone(), plan.litres_per_jar)
        };
        for place in self.takes[take].jars.clone() {
            if let Some(eggs) = &mut self.jars[place].eggs {
                eggs.loaded_at = Some(now);
            }
            let jar = self.jars[place].name.clone();
            acts.push(CrewAct::Load { jar, take: name.clone(), volume_l, eggs_per_l, flow_l_per_min: flow });
            self.set_flow(place, flow);
        }
    }

    fn set_flow(&mut self, place: usize, l_per_min: f64) {
        self.jars[place].set_l_per_min = l_per_min;
        self.trim(self.jars[place].header);
    }

    /// Sets all valves of a header to what their jars shall have.
    pub(super) fn trim(&mut self, header: usize) {
        let wanted: Vec<f64> =
            self.jars.iter().filter(|jar| jar.header == header).map(|jar| jar.set_l_per_min).collect();
        let miss: Vec<f64> =
            wanted.iter().map(|_| 1.0 + HAND_SHARE * self.hands.normal_within(2.0)).collect();
        self.headers[header].pipe.set(DROP_M + DEPTH_M, &wanted, &miss);
    }

    fn go_round(&mut self, morning: bool, acts: &mut Vec<CrewAct>) {
        for place in 0..self.jars.len() {
            let in_jar = self.jars[place].eggs.as_ref().is_some_and(Eggs::in_jar);
            if in_jar {
                self.look_at(place, morning, acts);
            }
        }
        // With water short, opening valves would only starve somebody else: that is left alone.
        let short = self.faults.iter().any(|fault| fault.phase(self.now).is_some() && starves(&fault.cause));
        for header in 0..self.headers.len() {
            let off = |jar: &super::Jar| {
                jar.header == header && (jar.flow / jar.set_l_per_min - 1.0).abs() > OFF_SHARE
            };
            if !short && self.jars.iter().any(off) {
                self.trim(header);
            }
        }
    }

    fn look_at(&mut self, place: usize, morning: bool, acts: &mut Vec<CrewAct>) {
        let raise_to = self.scenario.crew.eyed_l_per_min;
        let now = self.now;
        let jar = self.jars[place].name.clone();
        let litres =
            self.jars[place].eggs.as_ref().map_or(0.0, |e| self.scenario.take[e.take].litres_per_jar);
        let Some(eggs) = &mut self.jars[place].eggs else { return };
        let dead = eggs.cohort.dead_of_all();
        // Eggs still among the living when looked at in a dish.
        let share = (1.0 - dead) / (1.0 - eggs.siphoned_share).max(1e-9);
        if morning && dead - eggs.siphoned_share > 0.01 {
            let volume_ml = round_to((dead - eggs.siphoned_share) * litres * 1000.0, 5.0);
            eggs.siphoned_share = dead;
            acts.push(CrewAct::Siphon { jar: jar.clone(), volume_ml });
        }
        if !eggs.sampled && eggs.cohort.eyed_share() > 0.98 {
            eggs.sampled = true;
            let of = 200;
            let eyed = (0..of).filter(|_| self.hands.happens(share.min(1.0))).count();
            acts.push(CrewAct::EyeUpSample { jar: jar.clone(), eyed: u32::try_from(eyed).unwrap_or(0), of });
        }
        let hatched = eggs.cohort.hatched_share();
        let seen = match hatched {
            h if h >= 0.95 => Some(HatchSeen::Last),
            h if h >= 0.5 => Some(HatchSeen::Peak),
            h if h >= 0.05 => Some(HatchSeen::First),
            _ => None,
        };
        if seen > eggs.seen {
            eggs.seen = seen;
            acts.extend(seen.map(|seen| CrewAct::HatchSeen { jar: jar.clone(), seen }));
        }
        let raise = !eggs.raised && eggs.cohort.eyed_share() >= 0.5;
        if hatched >= 0.999 {
            eggs.emptied_at = Some(now);
            acts.push(CrewAct::Empty { jar: jar.clone() });
        } else if raise {
            eggs.raised = true;
            acts.push(CrewAct::FlowSetPoint { jar, l_per_min: raise_to });
            self.set_flow(place, raise_to);
        }
    }
}

fn starves(cause: &Cause) -> bool {
    match cause {
        Cause::PumpTrip { .. }
        | Cause::IntakeClog { .. }
        | Cause::HeaderClog { .. }
        | Cause::JarsBlocked { .. } => true,
        Cause::WarmSpell { .. }
        | Cause::ConditionerOff
        | Cause::BoardSilent
        | Cause::Garbage { .. }
        | Cause::Sensor { .. } => false,
    }
}

impl Eggs {
    fn fresh(take: usize, fertilized_at: Timestamp, basket_c: f64, cohort: Cohort) -> Self {
        Self {
            take,
            fertilized_at,
            basket_c,
            loaded_at: None,
            emptied_at: None,
            cohort,
            units_c_days: 0.0,
            hardening_c_days: 0.0,
            range_c: None,
            stopped_s: 0.0,
            siphoned_share: 0.0,
            raised: false,
            sampled: false,
            seen: None,
        }
    }
}
