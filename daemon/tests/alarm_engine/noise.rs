//! Noise near the limits, and true excursions.
//!
//! The noise is that of the delays' own measurement: first-order autocorrelated, a sample every
//! 2 s; flow 3 % of the set-point above its low limit with a standard deviation of 4 % and a
//! correlation of 0.6, temperature 0.05 °C below its limit with 0.08 °C and 0.9.

use crate::station::{Build, SET_FLOW, Station, TEMPS, loaded, plan};
use nightjar::alarm::engine::Engine;
use nightjar::alarm::event::{AlarmKind, Change};
use nightjar::alarm::record::{Output, Stored};
use nightjar::clock::{Now, Uptime};
use nightjar::rack::JarIx;
use nightjar::reading::{Quality, Reason, SensorIx};
use nightjar_calc::time::{Span, Timestamp};

/// Counts of long tests: `full` in a release build, `short` in a debug build, times the setting.
pub fn runs(short: u64, full: u64) -> u64 {
    let base = if cfg!(debug_assertions) { short } else { full };
    let factor = std::env::var("NIGHTJAR_ALARM_RUNS").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    base * factor
}

/// SplitMix64 (Steele, Lea, Flood 2014).
pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }
    /// Even between 0 and 1.
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
    /// Standard normal, Box and Muller 1958.
    pub fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.unit(), self.unit());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

/// First-order autocorrelated noise.
struct Noise {
    state: f64,
    deviation: f64,
    correlation: f64,
}

impl Noise {
    fn new(deviation: f64, correlation: f64) -> Self {
        Self { state: 0.0, deviation, correlation }
    }
    fn next(&mut self, dice: &mut Dice) -> f64 {
        let fresh = (1.0 - self.correlation * self.correlation).sqrt() * dice.normal();
        self.state = self.correlation * self.state + fresh;
        self.state * self.deviation
    }
}

fn false_alarms(seed: u64, seconds: u64) -> Vec<String> {
    let interval = Span::from_secs(2);
    // Each jar by itself: what happens at one must not hide in a cause.
    let build = Build { headers: 24, jars: 1, header_temp: false, interval, ..Build::default() };
    let plan = plan(build);
    let mut now = Now { up: Uptime::from_ms(0), utc: Timestamp::from_ms(1_800_000_000_000), trusted: true };
    let mut engine = Engine::new(plan.clone(), Stored::default(), None, now);
    for jar in 0..24 {
        engine.handle_jar(JarIx(jar), loaded(0), now);
    }
    let low = SET_FLOW * (plan.settings.flow.low + 0.03);
    let high = TEMPS.high_c.unwrap() - 0.05;
    let mut dice = Dice(seed);
    let mut flows: Vec<_> = (0..24).map(|_| Noise::new(0.04 * SET_FLOW, 0.6)).collect();
    let mut temps: Vec<_> = (0..24).map(|_| Noise::new(0.08, 0.9)).collect();
    let mut said = Vec::new();
    while now.up.ms() < seconds * 1000 {
        for jar in 0..24u16 {
            let at = usize::from(jar);
            let flow = low + flows[at].next(&mut dice);
            let temp = high + temps[at].next(&mut dice);
            engine.handle_reading(SensorIx(2 * jar), flow, Quality::Good, Reason::None, now);
            engine.handle_reading(SensorIx(2 * jar + 1), temp, Quality::Good, Reason::None, now);
        }
        while let Some(output) = engine.poll_output() {
            if let Output::Event(event) = output
                && event.change == Change::Raised
            {
                said.push(format!("{} s {:?} {:?}", now.up.ms() / 1000, event.kind, event.asset));
            }
        }
        now.up = now.up.after(interval);
        now.utc = now.utc + interval;
        engine.handle_timeout(now);
    }
    said
}

#[test]
fn noise_near_the_limits_raises_nothing() {
    let days = runs(1, 30);
    let said = false_alarms(19, days * 86_400);
    println!("{} false alarms on 48 channels in {days} days: {said:?}", said.len());
    assert!(said.is_empty(), "{said:?}");
}

#[test]
fn every_true_excursion_longer_than_its_delay_is_told_in_time() {
    // Kind, value of the excursion, whether of flow, on-delay and wait of its group in seconds.
    let set = SET_FLOW;
    let table: [(AlarmKind, (f64, f64), bool, u64, u64); 7] = [
        (AlarmKind::NoFlow, (0.0, 0.09 * set), true, 15, 10),
        (AlarmKind::LowFlow, (0.2 * set, 0.695 * set), true, 30, 60),
        (AlarmKind::HighFlow, (1.405 * set, 2.0 * set), true, 30, 60),
        (AlarmKind::TempVeryHigh, (17.05, 25.0), false, 60, 10),
        (AlarmKind::TempHigh, (14.05, 16.9), false, 180, 60),
        (AlarmKind::TempLow, (4.1, 5.95), false, 180, 60),
        (AlarmKind::TempVeryLow, (0.1, 3.95), false, 60, 10),
    ];
    let wanted = runs(1_000, 10_000);
    let mut done = 0;
    let mut latest = 0;
    let mut dice = Dice(20);
    // A hundred jars at a time, each with its own excursion; each under its own header.
    while done < wanted {
        let build = Build { headers: 100, jars: 1, header_temp: false, ..Build::default() };
        let mut station = Station::new(build);
        let mut expected = Vec::new();
        for jar in 0..100 {
            let row = table[usize::try_from(dice.below(7)).unwrap()];
            let begins = 1 + dice.below(60);
            let lasts = row.3 + 2 + dice.below(120);
            let value = row.1.0 + dice.unit() * (row.1.1 - row.1.0);
            expected.push((jar, row, begins, lasts, value));
        }
        let began = station.now.up.ms();
        for second in 0..480u64 {
            for (jar, row, begins, lasts, value) in &expected {
                let at = if row.2 { station.flow_of(*jar) } else { station.temp_of(*jar) };
                if second == *begins {
                    station.signals[at] = crate::station::Signal::Value(*value);
                } else if second == begins + lasts {
                    let healthy = if row.2 { SET_FLOW } else { 10.0 };
                    station.signals[at] = crate::station::Signal::Value(healthy);
                }
            }
            station.run(1);
        }
        for (jar, row, begins, ..) in &expected {
            let name = station.plan.rack.jars[*jar].id.to_string();
            let told = station.events.iter().find(|(_, event)| {
                event.kind == row.0
                    && matches!(event.change, Change::Raised | Change::Worsened)
                    && event.members.contains(&name)
            });
            let Some((at, _)) = told else { panic!("{:?} of jar {name} was not told", row.0) };
            let late = at - began - begins * 1000;
            // One second until the next sample.
            let allowed = (1 + row.3 + row.4) * 1000;
            latest = latest.max(late * 100 / allowed);
            assert!(late <= allowed, "{:?} of jar {name} after {late} ms", row.0);
        }
        done += 100;
    }
    println!("{done} excursions told, none later than its delay (slowest used {latest} % of it)");
}

#[test]
fn four_thousand_channels_at_a_reading_a_second_are_little_work() {
    let build = Build { headers: 80, jars: 25, ..Build::default() };
    let mut station = Station::new(build);
    println!("{} alarms on {} sensors", station.engine.alarm_count(), station.signals.len());
    station.run(5);
    // All pumps of one header after the other: work follows what changes.
    for jar in 0..250 {
        station.set_flow(jar, 0.0);
    }
    station.run(60);
    assert!(!station.told().is_empty());
}
