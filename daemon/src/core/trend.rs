//! The last hour of each sensor in steps of five minutes: what a mail about an alarm shows of how it
//! came to this.

use crate::alarm::event::{AlarmEvent, Asset};
use crate::clock::Uptime;
use crate::rack::Rack;
use crate::reading::SensorIx;
use nightjar_calc::time::Span;

/// Steps of an hour.
pub const STEPS: usize = 12;
/// Length of one.
const STEP: Span = Span::from_minutes(5);

/// The last hour of one sensor: sum and number of the readings of each step.
#[derive(Clone, Debug, Default)]
struct Hour {
    steps: [(f64, u32); STEPS],
    newest: u64,
}

/// The last hours of all sensors.
#[derive(Clone, Debug)]
pub struct Trend(Vec<Hour>);

fn number_of(up: Uptime) -> u64 {
    up.ms() / STEP.ms().unsigned_abs()
}

impl Hour {
    /// Forgets what is older than an hour.
    fn forward(&mut self, to: u64) {
        let steps = STEPS as u64;
        for gone in (self.newest + 1..=to).rev().take(STEPS) {
            self.steps[usize::try_from(gone % steps).unwrap_or(0)] = (0.0, 0);
        }
        self.newest = self.newest.max(to);
    }
}

impl Trend {
    /// Nothing known of so many sensors.
    pub fn new(sensors: usize) -> Self {
        Self(vec![Hour::default(); sensors])
    }

    /// Takes a reading that can be believed.
    pub fn take(&mut self, sensor: SensorIx, value: f64, up: Uptime) {
        let Some(hour) = self.0.get_mut(usize::from(sensor.0)) else { return };
        let step = number_of(up);
        hour.forward(step);
        let (sum, n) = &mut hour.steps[usize::try_from(step % STEPS as u64).unwrap_or(0)];
        *sum += value;
        *n += 1;
    }

    /// Means of the steps of the last hour, oldest first; the last one is not over yet.
    pub fn hour(&self, sensor: SensorIx, up: Uptime) -> [Option<f64>; STEPS] {
        let Some(hour) = self.0.get(usize::from(sensor.0)) else { return [None; STEPS] };
        let mut hour = hour.clone();
        let now = number_of(up);
        hour.forward(now);
        std::array::from_fn(|at| {
            let step = (now + 1 + at as u64) % STEPS as u64;
            let (sum, n) = hour.steps[usize::try_from(step).unwrap_or(0)];
            (n > 0).then(|| sum / f64::from(n))
        })
    }

    /// The hour before now of what an alarm is about: its own sensor, or that of the worst of its
    /// jars.
    pub fn line(&self, rack: &Rack, event: &AlarmEvent, up: Uptime) -> Option<String> {
        let sensor = subject(rack, event)?;
        let hour = self.hour(sensor, up);
        if hour.iter().all(Option::is_none) {
            return None;
        }
        let shown: Vec<String> =
            hour.iter().map(|v| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.1}"))).collect();
        let sensor = rack.sensor(sensor);
        Some(format!("Last hour, 5 min each, {}: {} {}", sensor.id, shown.join(" "), sensor.measure.unit()))
    }
}

fn subject(rack: &Rack, event: &AlarmEvent) -> Option<SensorIx> {
    let warmth = event.unit.contains('C');
    let of_jar = |id: &str| {
        let jar = rack.jar(rack.jar_named(id)?);
        if warmth { jar.temperature } else { jar.flow }
    };
    match &event.asset {
        Asset::Sensor(id) => rack.sensor_named(id),
        Asset::Jar(id) => of_jar(id),
        Asset::Header(id) => {
            let header = rack.headers.iter().find(|header| header.id.as_str() == id)?;
            let own = if warmth { header.temperature } else { header.flow };
            own.or_else(|| event.members.first().and_then(|jar| of_jar(jar)))
        }
        Asset::Supply | Asset::Pump(_) => event.members.first().and_then(|jar| of_jar(jar)),
        Asset::Site | Asset::Monitor | Asset::Node(_) | Asset::Route(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: u64) -> Uptime {
        Uptime::from_ms(minutes * 60_000)
    }

    #[test]
    fn twelve_means_oldest_first_and_holes_are_holes() {
        let mut trend = Trend::new(1);
        let sensor = SensorIx(0);
        for minute in 0..200 {
            // Nothing for twenty minutes.
            if !(160..180).contains(&minute) {
                trend.take(sensor, (minute / 5) as f64, at(minute));
            }
        }
        let hour = trend.hour(sensor, at(199));
        let expected: Vec<Option<f64>> =
            (28..40).map(|step| (!(32..36).contains(&step)).then_some(f64::from(step))).collect();
        assert_eq!(hour.to_vec(), expected);
        assert_eq!(trend.hour(sensor, at(199 + 55))[0], Some(39.0), "the oldest step left");
        assert_eq!(trend.hour(sensor, at(199 + 60)), [None; STEPS]);
        assert_eq!(trend.hour(SensorIx(7), at(199)), [None; STEPS], "a sensor that is not there");
    }
}
