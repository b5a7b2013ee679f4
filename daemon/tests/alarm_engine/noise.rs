//! Noise near the limits, and true excursions.
//!
//! The noise is that of the delays' own measurement: first-order autocorrelated; flow 3 % of the
//! set-point inside of its limit with a standard deviation of 4 % and a correlation of 0.6 between
//! samples 2 s apart, temperature 0.05 °C inside of its limit with 0.08 °C and 0.9.

use crate::station::{Build, SET_FLOW, Station, loaded, plan};
use nightjar::alarm::engine::{Engine, Plan};
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
    /// `correlation` is that of samples 2 s apart. Noise lasts as long as it lasts: samples further
    /// apart are the less alike.
    fn new(deviation: f64, correlation: f64, interval_s: u64) -> Self {
        let correlation = correlation.powf(interval_s as f64 / 2.0);
        Self { state: 0.0, deviation, correlation }
    }
    fn next(&mut self, dice: &mut Dice) -> f64 {
        let fresh = (1.0 - self.correlation * self.correlation).sqrt() * dice.normal();
        self.state = self.correlation * self.state + fresh;
        self.state * self.deviation
    }
}

/// The limits a station has that sets none itself.
fn shipped(mut plan: Plan) -> Plan {
    let small = r#"
[station]
name = "Alder Creek"
time-zone = "America/Chicago"
[[rack.header]]
id = "A"
rows = [["01"]]
[[source.serial]]
id = "board"
port = "/dev/ttyACM0"
"#;
    let config = nightjar::config::parse(small, "small.toml").unwrap();
    plan.settings = nightjar::core::limits::settings(&config.alarm);
    plan
}

/// What one channel sees: noise near a limit, a daily wave that touches it at its crest, the
/// steps of the converter, single spikes, and now and then no sample at all.
struct Channel {
    noise: Noise,
    centre: f64,
    wave: f64,
    step: f64,
    spike: f64,
}

impl Channel {
    fn sample(&mut self, dice: &mut Dice, second: u64) -> Option<f64> {
        let noise = self.noise.next(dice);
        if dice.below(200) == 0 {
            return None;
        }
        let day = second as f64 / 86_400.0 * std::f64::consts::TAU;
        let spike = if dice.below(5_000) == 0 { self.spike } else { 0.0 };
        let value = self.centre - self.wave * (1.0 - day.cos()) + noise + spike;
        Some((value / self.step).round() * self.step)
    }
}

/// 24 jars, each with a meter 3 % of its set flow inside of a limit and a probe 0.05 °C inside of
/// one: low and high in turn.
fn channels(plan: &Plan, interval_s: u64) -> Vec<Channel> {
    let flow = plan.settings.flow;
    let temps = plan.settings.stages.green;
    let mut all = Vec::new();
    for jar in 0..24u32 {
        let high = jar % 2 == 1;
        let share = if high { flow.high - 0.03 } else { flow.low + 0.03 };
        // A pulse meter that gates for seconds cannot tell less than a hundredth of its flow.
        all.push(Channel {
            noise: Noise::new(0.04 * SET_FLOW, 0.6, interval_s),
            centre: share * SET_FLOW,
            wave: 0.0,
            step: 0.01 * SET_FLOW,
            spike: if high { SET_FLOW } else { -SET_FLOW },
        });
        let centre = if high { temps.high_c.unwrap() - 0.05 } else { temps.low_c.unwrap() + 0.05 };
        all.push(Channel {
            noise: Noise::new(0.08, 0.9, interval_s),
            centre,
            wave: if high { 0.5 } else { -0.5 },
            step: 0.0625,
            spike: if high { 5.0 } else { -5.0 },
        });
    }
    all
}

/// Plays days of noise at a real sample interval; false alarms and samples.
fn false_alarms(seed: u64, days: u64, interval_s: u64) -> (Vec<String>, u64) {
    let interval = Span::from_secs(i64::try_from(interval_s).unwrap());
    // Each jar by itself: what happens at one must not hide in a cause.
    let build = Build { headers: 24, jars: 1, header_temp: false, interval, ..Build::default() };
    let plan = shipped(plan(build));
    let mut now = Now { up: Uptime::from_ms(0), utc: Timestamp::from_ms(1_800_000_000_000), trusted: true };
    let mut engine = Engine::new(plan.clone(), Stored::default(), None, now);
    for jar in 0..24 {
        engine.handle_jar(JarIx(jar), loaded(0), now);
    }
    let mut dice = Dice(seed);
    let mut channels = channels(&plan, interval_s);
    let (mut said, mut samples) = (Vec::new(), 0);
    for second in (0..days * 86_400).step_by(usize::try_from(interval_s).unwrap()) {
        for (at, channel) in (0u16..).zip(&mut channels) {
            if let Some(value) = channel.sample(&mut dice, second) {
                engine.handle_reading(SensorIx(at), value, Quality::Good, Reason::None, now);
                samples += 1;
            }
        }
        while let Some(output) = engine.poll_output() {
            if let Output::Event(event) = output
                && event.change == Change::Raised
            {
                said.push(format!("{second} s {:?} {:?}", event.kind, event.asset));
            }
        }
        now.up = now.up.after(interval);
        now.utc = now.utc + interval;
        engine.handle_timeout(now);
    }
    (said, samples)
}

/// `NIGHTJAR_ALARM_DAYS` sets the length: 30 days is the full one, a debug build plays one of each interval.
#[test]
fn noise_near_the_limits_raises_nothing_at_the_shipped_defaults() {
    let set = std::env::var("NIGHTJAR_ALARM_DAYS").ok().and_then(|days| days.parse().ok());
    let days = set.unwrap_or_else(|| runs(1, 30));
    for (seed, interval_s) in [(18, 2), (19, 5), (20, 10)] {
        let (said, samples) = false_alarms(seed, days, interval_s);
        println!(
            "{} false alarms on 48 channels in {days} days, a sample each {interval_s} s, {samples} samples",
            said.len()
        );
        assert!(said.is_empty(), "{said:?}");
    }
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
    println!("{} sensors", station.signals.len());
    station.run(5);
    // All pumps of one header after the other: work follows what changes.
    for jar in 0..250 {
        station.set_flow(jar, 0.0);
    }
    station.run(60);
    assert!(!station.told().is_empty());
}
