//! The truth, told.

use super::{EGGS_PER_L, Eggs, Jar, Station};
use crate::embryo::Stage;
use crate::scenario::Cause;
use crate::truth::{FaultTruth, JarTruth, ThermometerTruth, Truth};

impl Station {
    /// What has really happened up to now.
    #[must_use]
    pub fn truth(&self) -> Truth {
        let jars = self.jars.iter().filter_map(|jar| Some(self.jar_truth(jar, jar.eggs.as_ref()?)));
        let of_jars = self.jars.iter().map(|jar| (format!("J{}T", jar.name), &jar.thermometer));
        let of_headers = self.headers.iter().map(|h| (format!("H{}T", h.name), &h.thermometer));
        let thermometers = of_jars.chain(of_headers).map(|(sensor, thermometer)| ThermometerTruth {
            sensor,
            bias_c: thermometer.bias_c,
            noise_sd_c: thermometer.noise_sd_c,
        });
        let faults = self.faults.iter().filter(|fault| fault.begins <= self.now).map(|fault| {
            let (cause, jars, sensors) = self.touched(&fault.cause);
            FaultTruth { cause: cause.into(), jars, sensors, begins_at: fault.begins, ends_at: fault.ends }
        });
        Truth {
            scenario: self.scenario.name.clone(),
            seed: self.seed,
            begins_at: self.start,
            until: self.now,
            jars: jars.collect(),
            faults: faults.collect(),
            excursions: self.excursions.kept.clone(),
            excursions_dropped: self.excursions.dropped,
            thermometers: thermometers.collect(),
            crew: self.diary.clone(),
        }
    }

    fn jar_truth(&self, jar: &Jar, eggs: &Eggs) -> JarTruth {
        let plan = &self.scenario.take[eggs.take];
        let reached = |stage| eggs.cohort.reached(stage);
        JarTruth {
            jar: jar.name.clone(),
            take: plan.name.clone(),
            fertilized_at: eggs.fertilized_at,
            loaded_at: eggs.loaded_at,
            emptied_at: eggs.emptied_at,
            thermal_units_c_days: eggs.units_c_days,
            hardening_c_days: eggs.hardening_c_days,
            eggs: plan.litres_per_jar * EGGS_PER_L,
            dead_share: eggs.cohort.dead_of_all(),
            hatched_share: eggs.cohort.hatched_of_all(),
            slowness: self.takes[eggs.take].stock.slowness,
            eyed_at: reached(Stage::Eyed),
            hatch_first_at: reached(Stage::HatchFirst),
            hatch_peak_at: reached(Stage::HatchPeak),
            hatch_last_at: reached(Stage::HatchLast),
            water_range_c: eggs.range_c,
        }
    }

    /// Name of a cause, and the jars and sensors it touches.
    fn touched(&self, cause: &Cause) -> (&'static str, Vec<String>, Vec<String>) {
        let all = || self.jars.iter().map(|jar| jar.name.clone()).collect();
        let every = || self.sensors().into_iter().map(|sensor| sensor.name).collect();
        let tank_of = |name: &String| self.headers.iter().find(|h| h.name == *name).map(|h| h.tank);
        let on_tank = |name: &String| {
            let tank = tank_of(name);
            let fed = |jar: &&Jar| Some(self.headers[jar.header].tank) == tank;
            self.jars.iter().filter(fed).map(|jar| jar.name.clone()).collect()
        };
        let on_header = |name: &String| {
            let fed = |jar: &&Jar| self.headers[jar.header].name == *name;
            self.jars.iter().filter(fed).map(|jar| jar.name.clone()).collect()
        };
        match cause {
            Cause::PumpTrip { header } => ("pump-trip", on_tank(header), Vec::new()),
            Cause::IntakeClog { header, .. } => ("intake-clog", on_tank(header), Vec::new()),
            Cause::HeaderClog { header, .. } => ("header-clog", on_header(header), Vec::new()),
            Cause::JarsBlocked { jars, .. } => ("jars-blocked", jars.clone(), Vec::new()),
            Cause::WarmSpell { .. } => ("warm-spell", all(), Vec::new()),
            Cause::ConditionerOff => ("conditioner-off", all(), Vec::new()),
            Cause::BoardSilent => ("board-silent", Vec::new(), every()),
            Cause::Garbage { .. } => ("garbage", Vec::new(), every()),
            Cause::Sensor { sensor, .. } => ("sensor", Vec::new(), vec![sensor.clone()]),
        }
    }
}
