//! What the two nodes say at each scan: the water with the noise of its sensors, and what is wrong.

use crate::chance::noise;
use crate::eggs::{FLOW, JARS, jar_name};
use crate::script::{Cause, Script};
use crate::water::Water;
use nightjar::reading::RawReading;
use nightjar_calc::time::Span;

/// Nodes; each reads every second jar.
pub const NODES: usize = 2;
/// Noise of a meter, share of the flow, and of a thermometer, °C.
const FLOW_NOISE: f64 = 0.01;
const TEMP_NOISE: f64 = 0.01;
/// What a thermometer says without its bus, °C.
const NO_BUS: f64 = 85.0;
/// Flow of a jar whose valve is opened too far, as a multiple; left of one that is clogged.
const TOO_MUCH: f64 = 1.7;
const CLOGGED: f64 = 0.5;

/// The node that reads a jar.
pub const fn node_of(jar: usize) -> usize {
    jar % NODES
}

/// Everything that can be read.
pub struct Board {
    seed: u64,
    names: Vec<(String, String)>,
    /// What stuck thermometers said when they stuck.
    stuck: Vec<Option<f64>>,
    scans: u64,
}

/// What a jar's sensors say, where they say anything.
#[derive(Clone, Copy)]
struct Jar {
    flow: Option<f64>,
    temp: Option<f64>,
}

impl Board {
    /// From the seed.
    pub fn new(seed: u64) -> Self {
        let names = (0..JARS).map(|jar| (format!("{}F", jar_name(jar)), format!("{}T", jar_name(jar))));
        Self { seed, names: names.collect(), stuck: vec![None; JARS], scans: 0 }
    }

    /// The readings of each node at a moment.
    pub fn scan(&mut self, at: Span, water: &Water, script: &Script) -> [Vec<RawReading>; NODES] {
        self.scans += 1;
        let shared = water.shared(at);
        let mut jars: Vec<Jar> =
            (0..JARS).map(|jar| self.undisturbed(jar, shared + water.offset(jar))).collect();
        let mut stuck = [false; JARS];
        for fault in script.on(at) {
            disturb(&mut jars, &mut stuck, fault.cause, at, fault);
        }
        let mut said: [Vec<RawReading>; NODES] = std::array::from_fn(|_| Vec::with_capacity(JARS));
        for (jar, reads) in jars.into_iter().enumerate() {
            let temp = reads.temp.map(|temp| self.held(jar, temp, stuck[jar]));
            let (flow_name, temp_name) = &self.names[jar];
            let readings = &mut said[node_of(jar)];
            let mut say = |name: &String, value| {
                readings.push(RawReading { name: name.clone(), value, at: None, retained: false });
            };
            reads.flow.into_iter().for_each(|flow| say(flow_name, flow));
            temp.into_iter().for_each(|temp| say(temp_name, temp));
        }
        said
    }

    /// What a jar's sensors say while nothing is wrong.
    fn undisturbed(&self, jar: usize, water: f64) -> Jar {
        let flow = FLOW * (1.0 + FLOW_NOISE * noise(self.seed, 2 * jar, self.scans));
        let temp = water + TEMP_NOISE * noise(self.seed, 2 * jar + 1, self.scans);
        Jar { flow: Some((flow * 1_000.0).round() / 1_000.0), temp: Some(temp) }
    }

    fn held(&mut self, jar: usize, temp: f64, stuck: bool) -> f64 {
        if !stuck {
            self.stuck[jar] = None;
            return temp;
        }
        *self.stuck[jar].get_or_insert(temp)
    }
}

fn disturb(jars: &mut [Jar], stuck: &mut [bool], cause: Cause, at: Span, fault: &crate::script::Fault) {
    let times = |jars: &mut [Jar], jar: usize, by: f64| jars[jar].flow = jars[jar].flow.map(|flow| flow * by);
    let within = |(from, until): (Span, Span)| from <= at && at < until;
    match cause {
        Cause::Pump => jars.iter_mut().for_each(|jar| jar.flow = Some(0.0)),
        Cause::PumpTwice if fault.halves().into_iter().any(within) => {
            jars.iter_mut().for_each(|jar| jar.flow = Some(0.0));
        }
        Cause::Header(header) => {
            let half = JARS / 2;
            jars[header * half..(header + 1) * half].iter_mut().for_each(|jar| jar.flow = Some(0.0));
        }
        Cause::Jar(jar)
        | Cause::Unanswered(jar)
        | Cause::JarThenRestart(jar)
        | Cause::JarWithoutTexts(jar)
        | Cause::JarWithoutRoutes(jar)
        | Cause::EmptyJar(jar) => times(jars, jar, 0.0),
        Cause::JarThenMeter(jar) => {
            if at < fault.part(0.65) {
                times(jars, jar, 0.0);
            }
            if within(fault.middle()) {
                jars[jar].flow = None;
            }
        }
        Cause::Clog(jar) => times(jars, jar, CLOGGED),
        Cause::SlowClog(jar) => {
            let way = (at - fault.from).secs() / (fault.until - fault.from).secs();
            times(jars, jar, 1.0 - (1.0 - CLOGGED) * way);
        }
        Cause::HighFlow(jar) => times(jars, jar, TOO_MUCH),
        Cause::Stuck(jar) => stuck[jar] = true,
        Cause::ThermometerSilent(jar) => jars[jar].temp = None,
        Cause::ThermometerLost(jar) => jars[jar].temp = Some(NO_BUS),
        Cause::MeterSilent(jar) => jars[jar].flow = None,
        Cause::Node(node) | Cause::NodeMute(node) => {
            for jar in (0..JARS).filter(|jar| node_of(*jar) == node) {
                jars[jar] = Jar { flow: None, temp: None };
            }
        }
        // Once at its beginning, once in the middle.
        Cause::Blip(jar) if at == fault.from => times(jars, jar, 0.0),
        Cause::Blip(jar) if within((fault.part(0.5), fault.part(0.5) + fault.scan)) => {
            jars[jar].temp = jars[jar].temp.map(|temp| temp + 9.0);
        }
        Cause::Blip(_)
        | Cause::PumpTwice
        | Cause::Warm
        | Cause::Mains
        | Cause::Restart
        | Cause::Restarts
        | Cause::RestartWithoutClock
        | Cause::ClockSet => {}
    }
}
