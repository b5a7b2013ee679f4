//! The station: everything put together, moved scan by scan.
//!
//! No clock, no threads, no input: the same scenario and seed give the same scans and events.

use crate::chance::Chance;
use crate::crew::{Agenda, CrewEvent, Duty};
use crate::embryo::{Cohort, Stock};
use crate::frame::{Reading, Scan};
use crate::plumbing::{Header, Passage, Supply};
use crate::probe::{FlowMeter, Measure, ProbeFault, Thermometer};
use crate::scenario::{Cause, Scenario, ScenarioError, SupplyPlan, header_name, jar_name};
use crate::truth::Excursions;
use crate::weather::{Sky, Weather};
use nightjar_calc::time::{Span, Timestamp, Zone};

mod physics;
mod report;
mod rounds;

/// Walleye eggs to a settled litre, hardened (125,000 to the quart; common practice, no source).
pub const EGGS_PER_L: f64 = 132_000.0;

/// A station in the middle of its season.
#[derive(Clone, Debug)]
pub struct Station {
    scenario: Scenario,
    seed: u64,
    zone: Zone,
    start: Timestamp,
    now: Timestamp,
    interval: Span,
    weather: Weather,
    sky: Sky,
    air_c: f64,
    supplies: Vec<Tank>,
    headers: Vec<Manifold>,
    jars: Vec<Jar>,
    takes: Vec<Take>,
    faults: Vec<Mishap>,
    agenda: Agenda,
    drift_ticks: i64,
    excursions: Excursions,
    /// Eight or so a jar and day at most; a season of the longest scenario stays small.
    diary: Vec<CrewEvent>,
    hands: Chance,
}

#[derive(Clone, Debug)]
struct Tank {
    supply: Supply,
    temp_c: f64,
    passage: Passage,
}

#[derive(Clone, Debug)]
struct Manifold {
    name: String,
    tank: usize,
    pipe: Header,
    temp_c: f64,
    flow: f64,
    thermometer: Thermometer,
    meter: FlowMeter,
}

#[derive(Clone, Debug)]
struct Jar {
    name: String,
    header: usize,
    place: usize,
    set_l_per_min: f64,
    temp_c: f64,
    flow: f64,
    /// Heat exchange with the shed, as L/s.
    exchange: f64,
    thermometer: Thermometer,
    meter: FlowMeter,
    drift: Chance,
    eggs: Option<Eggs>,
}

/// The eggs of one jar, from fertilization on.
#[derive(Clone, Debug)]
struct Eggs {
    take: usize,
    fertilized_at: Timestamp,
    basket_c: f64,
    loaded_at: Option<Timestamp>,
    emptied_at: Option<Timestamp>,
    cohort: Cohort,
    units_c_days: f64,
    hardening_c_days: f64,
    range_c: Option<[f64; 2]>,
    stopped_s: f64,
    siphoned_share: f64,
    raised: bool,
    sampled: bool,
    seen: Option<crate::crew::HatchSeen>,
}

#[derive(Clone, Debug)]
struct Take {
    stock: Stock,
    jars: Vec<usize>,
}

#[derive(Clone, Debug)]
struct Mishap {
    begins: Timestamp,
    ends: Timestamp,
    cause: Cause,
}

impl Mishap {
    /// How far it has come, 0 to 1, while it lasts.
    fn phase(&self, now: Timestamp) -> Option<f64> {
        (self.begins <= now && now < self.ends)
            .then(|| now.since(self.begins).secs() / self.ends.since(self.begins).secs())
    }
}

/// What one step brings.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// The readings.
    pub scan: Scan,
    /// What the crew did since the last step, at the time of the scan.
    pub events: Vec<CrewEvent>,
}

/// A sensor of the station.
#[derive(Clone, Debug, PartialEq)]
pub struct Sensor {
    /// Its name: `J01T`, `J01F`, `HAT`, `HAF`.
    pub name: String,
    /// What it measures.
    pub measure: Measure,
    /// The jar it is in, or none.
    pub jar: Option<String>,
    /// The header it is in, or that feeds its jar.
    pub header: String,
}

impl Station {
    /// A station at the start of its season.
    ///
    /// # Errors
    /// When the scenario makes no sense.
    pub fn new(scenario: Scenario, seed: u64) -> Result<Self, ScenarioError> {
        scenario.validate()?;
        let refused = |problem: String| ScenarioError::Refused(vec![problem]);
        let (start, zone) = scenario.begins().map_err(refused)?;
        let mut weather = Weather::new(seed, start);
        let sky = weather.at(start);
        let takes = draw_takes(&scenario, seed);
        let agenda = plan(&scenario, &takes, start, zone).map_err(refused)?;
        let mut faults = Vec::new();
        for fault in &scenario.fault {
            let (begins, ends) = scenario.span_of(fault).map_err(refused)?;
            faults.push(Mishap { begins, ends, cause: fault.cause.clone() });
        }
        #[expect(clippy::cast_possible_truncation, reason = "validated to be between 0.1 s and an hour")]
        let interval = Span::from_ms((scenario.interval_s * 1000.0).round() as i64);
        let mut station = Self {
            supplies: tanks(&scenario),
            headers: manifolds(&scenario, seed),
            jars: jars(&scenario, seed),
            hands: Chance::new(seed, "hands"),
            air_c: scenario.season.start_c,
            excursions: Excursions::default(),
            diary: Vec::new(),
            drift_ticks: 0,
            now: start,
            scenario,
            seed,
            zone,
            start,
            interval,
            weather,
            sky,
            takes,
            faults,
            agenda,
        };
        (0..station.headers.len()).for_each(|header| station.trim(header));
        station.settle();
        Ok(station)
    }

    /// Moves on to the next scan.
    pub fn step(&mut self) -> Step {
        self.advance(self.interval);
        let events = self.work();
        self.diary.extend(events.iter().cloned());
        Step { scan: self.scan(), events }
    }

    /// True once the season is over.
    #[must_use]
    pub fn finished(&self) -> bool {
        self.now.since(self.start).days() >= self.scenario.days
    }

    /// The simulated time.
    #[must_use]
    pub fn now(&self) -> Timestamp {
        self.now
    }

    /// When the season began.
    #[must_use]
    pub fn start(&self) -> Timestamp {
        self.start
    }

    /// The station's time zone.
    #[must_use]
    pub fn zone(&self) -> Zone {
        self.zone
    }

    /// Time from scan to scan.
    #[must_use]
    pub fn interval(&self) -> Span {
        self.interval
    }

    /// The scenario played.
    #[must_use]
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// Names of the jars, in order, with the header that feeds each.
    #[must_use]
    pub fn jars(&self) -> Vec<(String, String)> {
        self.jars.iter().map(|jar| (jar.name.clone(), self.headers[jar.header].name.clone())).collect()
    }

    /// All sensors, in the order in which they are sent.
    #[must_use]
    pub fn sensors(&self) -> Vec<Sensor> {
        let both = |stem: String, jar: Option<String>, header: String| {
            [(Measure::Temperature, 'T'), (Measure::Flow, 'F')].map(|(measure, letter)| Sensor {
                name: format!("{stem}{letter}"),
                measure,
                jar: jar.clone(),
                header: header.clone(),
            })
        };
        let of_jars = self.jars.iter().flat_map(|jar| {
            both(format!("J{}", jar.name), Some(jar.name.clone()), self.headers[jar.header].name.clone())
        });
        let of_headers = self
            .headers
            .iter()
            .flat_map(|header| both(format!("H{}", header.name), None, header.name.clone()));
        of_jars.chain(of_headers).collect()
    }

    /// True water of a jar: °C and L/min.
    #[must_use]
    pub fn water(&self, jar: &str) -> Option<(f64, f64)> {
        self.jars.iter().find(|j| j.name == jar).map(|j| (j.temp_c, j.flow))
    }

    /// Exact thermal units of a jar's eggs so far, °C·days, hardening included.
    #[must_use]
    pub fn thermal_units(&self, jar: &str) -> Option<f64> {
        self.jars.iter().find(|j| j.name == jar)?.eggs.as_ref().map(|eggs| eggs.units_c_days)
    }

    /// Reads every sensor.
    fn scan(&mut self) -> Scan {
        let active: Vec<(&Cause, f64)> = self
            .faults
            .iter()
            .filter(|f| f.phase(self.now).is_some())
            .map(|f| (&f.cause, self.now.since(f.begins).days()))
            .collect();
        let fault_of = |name: &str| -> Option<(ProbeFault, f64)> {
            active.iter().find_map(|(cause, days)| {
                let Cause::Sensor { sensor, fails } = cause else { return None };
                (sensor == name).then_some((*fails, *days))
            })
        };
        let mut readings = Vec::with_capacity(2 * (self.jars.len() + self.headers.len()));
        let (air, interval_s) = (self.air_c, self.interval.secs());
        let mut both = |stem: String, thermometer: &mut Thermometer, meter: &mut FlowMeter| {
            let sensor = format!("{stem}T");
            let value = thermometer.read(fault_of(&sensor), air);
            readings.push(Reading { sensor, measure: Measure::Temperature, value, pulses: None });
            let sensor = format!("{stem}F");
            let pulses = meter.read(interval_s, fault_of(&sensor));
            let (value, pulses) = (pulses.map(|p| p.l_per_min), pulses.map(|p| p.count));
            readings.push(Reading { sensor, measure: Measure::Flow, value, pulses });
        };
        for jar in &mut self.jars {
            both(format!("J{}", jar.name), &mut jar.thermometer, &mut jar.meter);
        }
        for header in &mut self.headers {
            both(format!("H{}", header.name), &mut header.thermometer, &mut header.meter);
        }
        let mut garbage_share = 0.0;
        for (cause, _) in &active {
            if matches!(cause, Cause::BoardSilent) {
                readings.clear();
            } else if let Cause::Garbage { share } = cause {
                garbage_share = *share;
            }
        }
        Scan { at: self.now, readings, garbage_share }
    }
}

fn draw_takes(scenario: &Scenario, seed: u64) -> Vec<Take> {
    let names = scenario.jar_names();
    let place = |jar: &String| names.iter().position(|name| name == jar);
    let one = |plan: &crate::scenario::TakePlan| Take {
        stock: Stock::draw(&mut Chance::new(seed, &format!("stock {}", plan.name))),
        jars: plan.jars.iter().filter_map(place).collect(),
    };
    scenario.take.iter().map(one).collect()
}

fn plan(scenario: &Scenario, takes: &[Take], start: Timestamp, zone: Zone) -> Result<Agenda, String> {
    let mut planned = Vec::new();
    if scenario.crew.ice_check {
        planned.push((start, Duty::IceCheck));
    }
    for (i, (plan, _)) in scenario.take.iter().zip(takes).enumerate() {
        let at = scenario.instant(plan.day, &plan.at)?;
        planned.push((at, Duty::Take(i)));
        planned.push((at + Span::from_days(scenario.crew.hardening_h / 24.0), Duty::Load(i)));
    }
    Ok(Agenda::new(planned, scenario.crew.rounds, zone, start))
}

fn tanks(scenario: &Scenario) -> Vec<Tank> {
    let (count, jars) = match scenario.supply {
        SupplyPlan::Shared => (1, scenario.jars()),
        SupplyPlan::PerHeader => (scenario.headers, scenario.jars_per_header),
    };
    let layout = scenario.crew.eyed_l_per_min.max(scenario.crew.green_l_per_min);
    (0..count)
        .map(|_| Tank {
            supply: Supply::for_jars(jars, layout),
            temp_c: scenario.season.start_c,
            passage: Passage::default(),
        })
        .collect()
}

fn manifolds(scenario: &Scenario, seed: u64) -> Vec<Manifold> {
    let layout = scenario.crew.eyed_l_per_min.max(scenario.crew.green_l_per_min);
    let quality = scenario.sensors;
    (0..scenario.headers)
        .map(|place| {
            let name = header_name(place);
            Manifold {
                tank: if scenario.supply == SupplyPlan::Shared { 0 } else { place },
                pipe: Header::for_jars(scenario.jars_per_header, layout),
                temp_c: scenario.season.start_c,
                flow: 0.0,
                thermometer: Thermometer::new(
                    seed,
                    &format!("H{name}T"),
                    quality.bias_sd_c,
                    quality.noise_sd_c,
                ),
                meter: FlowMeter::new(seed, &format!("H{name}F"), quality.flow_noise_share),
                name,
            }
        })
        .collect()
}

fn jars(scenario: &Scenario, seed: u64) -> Vec<Jar> {
    let quality = scenario.sensors;
    (0..scenario.jars())
        .map(|place| {
            let name = jar_name(place);
            let mut drift = Chance::new(seed, &format!("valve {name}"));
            Jar {
                header: place / scenario.jars_per_header,
                place: place % scenario.jars_per_header,
                set_l_per_min: scenario.crew.idle_l_per_min,
                temp_c: scenario.season.start_c,
                flow: 0.0,
                // Bare glass of a seven-litre jar: 1 to 2 W/K, over 4,186 J/(L K).
                exchange: drift.between(1.0, 2.0) / 4186.0,
                thermometer: Thermometer::new(
                    seed,
                    &format!("J{name}T"),
                    quality.bias_sd_c,
                    quality.noise_sd_c,
                ),
                meter: FlowMeter::new(seed, &format!("J{name}F"), quality.flow_noise_share),
                drift,
                eggs: None,
                name,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests;
