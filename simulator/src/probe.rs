//! What the sensors make of the water: bias, noise, resolution, lag and faults.

use crate::chance::Chance;
use serde::{Deserialize, Serialize};

/// What a sensor measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Measure {
    /// °C.
    Temperature,
    /// L/min.
    Flow,
}

/// Ways in which a sensor fails.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum ProbeFault {
    /// A broken wire: the board sends its sentinel instead of a value.
    Open {
        /// The sentinel.
        #[serde(default = "open_sentinel")]
        sends: f64,
    },
    /// The same number again and again.
    Stuck,
    /// Single readings far off.
    Spikes {
        /// Share of readings that are off.
        share: f64,
        /// How far, in the unit of the sensor.
        size: f64,
    },
    /// Creeps away.
    Drift {
        /// Per day, in the unit of the sensor.
        per_day: f64,
    },
    /// Hangs in the air of the shed.
    OutOfWater,
    /// Sends nothing.
    Dead,
    /// The rotor jams: no pulses although water flows.
    Jammed,
}

/// What boards commonly send for a probe that does not answer (common practice, no source).
const fn open_sentinel() -> f64 {
    -127.0
}

/// One thermometer.
#[derive(Clone, Debug)]
pub struct Thermometer {
    /// Constant error, °C.
    pub bias_c: f64,
    /// Standard deviation of the noise, °C.
    pub noise_sd_c: f64,
    /// Time constant, s.
    pub lag_s: f64,
    felt_c: Option<f64>,
    last_c: Option<f64>,
    chance: Chance,
}

/// Resolution of temperatures as sent, °C.
pub const RESOLUTION_C: f64 = 0.01;

impl Thermometer {
    /// A thermometer of a good batch: interchangeable within a few tenths, hence checked in ice.
    #[must_use]
    pub fn new(seed: u64, sensor: &str, bias_sd_c: f64, noise_sd_c: f64) -> Self {
        let mut chance = Chance::new(seed, sensor);
        let bias_c = bias_sd_c * chance.normal_within(2.5);
        Self { bias_c, noise_sd_c, lag_s: 20.0, felt_c: None, last_c: None, chance }
    }

    /// Lets `dt_s` pass in water of `temp_c`.
    pub fn soak(&mut self, temp_c: f64, dt_s: f64) {
        let felt = self.felt_c.unwrap_or(temp_c);
        self.felt_c = Some(temp_c + (felt - temp_c) * (-dt_s / self.lag_s).exp());
    }

    /// A reading, °C, or nothing. `fault` comes with the days since it began, `air_c` is what a
    /// probe out of the water feels.
    pub fn read(&mut self, fault: Option<(ProbeFault, f64)>, air_c: f64) -> Option<f64> {
        // Noise is drawn whatever the fault, so that a fault changes no other reading.
        let noise = self.noise_sd_c * self.chance.normal_within(4.0);
        let lot = self.chance.uniform();
        let side = if self.chance.happens(0.5) { 1.0 } else { -1.0 };
        let felt = self.felt_c.unwrap_or(air_c);
        let fair = felt + self.bias_c + noise;
        let value = match fault {
            None | Some((ProbeFault::Jammed, _)) => fair,
            Some((ProbeFault::Open { sends }, _)) => return Some(sends),
            Some((ProbeFault::Dead, _)) => return None,
            Some((ProbeFault::Stuck, _)) => {
                return Some(*self.last_c.get_or_insert(round_to(fair, RESOLUTION_C)));
            }
            Some((ProbeFault::Spikes { share, size }, _)) => {
                fair + if lot < share { side * size } else { 0.0 }
            }
            Some((ProbeFault::Drift { per_day }, days)) => fair + per_day * days,
            Some((ProbeFault::OutOfWater, _)) => air_c + self.bias_c + 3.0 * noise,
        };
        let value = round_to(value, RESOLUTION_C);
        self.last_c = Some(value);
        Some(value)
    }
}

/// One turbine meter: pulses for litres.
#[derive(Clone, Debug)]
pub struct FlowMeter {
    /// Pulses a litre really makes.
    pub k_true: f64,
    /// Noise of the throughput from reading to reading, share.
    pub noise_share: f64,
    volume_l: f64,
    last: Option<(u32, f64)>,
    chance: Chance,
}

/// Pulses a litre as found with bucket and watch and used for the values sent.
pub const PULSES_PER_L: f64 = 450.0;
/// Below this the rotor stands still, L/min.
pub const ROTOR_STARTS_AT: f64 = 0.15;

/// A reading of a flow meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pulses {
    /// Counted since the last reading.
    pub count: u32,
    /// L/min.
    pub l_per_min: f64,
}

impl FlowMeter {
    /// A meter whose K-factor has been found with bucket and watch, within half a per cent.
    #[must_use]
    pub fn new(seed: u64, sensor: &str, noise_share: f64) -> Self {
        let mut chance = Chance::new(seed, sensor);
        let k_true = PULSES_PER_L * (1.0 + 0.005 * chance.normal_within(2.0));
        Self { k_true, noise_share, volume_l: 0.0, last: None, chance }
    }

    /// Lets water through.
    pub fn pass(&mut self, l_per_min: f64, dt_s: f64) {
        if l_per_min >= ROTOR_STARTS_AT {
            self.volume_l += l_per_min * dt_s / 60.0;
        }
    }

    /// Counts since the last reading, `interval_s` ago, or nothing.
    pub fn read(&mut self, interval_s: f64, fault: Option<(ProbeFault, f64)>) -> Option<Pulses> {
        let noise = 1.0 + self.noise_share * self.chance.normal_within(4.0);
        let lot = self.chance.uniform();
        let turned = self.volume_l * self.k_true * noise;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a pulse count of seconds"
        )]
        let count = turned.max(0.0).floor() as u32;
        // What is left of the last turn counts next time.
        self.volume_l = if noise > 0.0 { (turned - f64::from(count)) / self.k_true / noise } else { 0.0 };
        let fair = Pulses { count, l_per_min: f64::from(count) / PULSES_PER_L / interval_s * 60.0 };
        let read = match fault {
            None => fair,
            Some((ProbeFault::Jammed, _)) => Pulses { count: 0, l_per_min: 0.0 },
            Some((ProbeFault::Dead, _)) => return None,
            Some((ProbeFault::Open { sends }, _)) => Pulses { count: 0, l_per_min: sends },
            Some((ProbeFault::Stuck, _)) => {
                let (count, l_per_min) = *self.last.get_or_insert((fair.count, fair.l_per_min));
                Pulses { count, l_per_min }
            }
            Some((ProbeFault::Spikes { share, size }, _)) => {
                Pulses { l_per_min: fair.l_per_min + if lot < share { size } else { 0.0 }, ..fair }
            }
            Some((ProbeFault::Drift { per_day }, days)) => {
                Pulses { l_per_min: (fair.l_per_min + per_day * days).max(0.0), ..fair }
            }
            Some((ProbeFault::OutOfWater, _)) => Pulses { count: 0, l_per_min: 0.0 },
        };
        self.last = Some((read.count, read.l_per_min));
        Some(read)
    }
}

/// Counts of a 16-bit converter across the thermistor of a divider with [`DIVIDER_OHM`] on top:
/// `R = R₂₅ exp(β (1/T − 1/298.15))`, `counts = 65535 R / (R + R_ref)`.
#[must_use]
pub fn thermistor_counts(temp_c: f64) -> u16 {
    let kelvin = temp_c + 273.15;
    let ohm = R25_OHM * (BETA_K * (1.0 / kelvin - 1.0 / 298.15)).exp();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and full scale")]
    let counts = (65_535.0 * ohm / (ohm + DIVIDER_OHM)).round().clamp(0.0, 65_535.0) as u16;
    counts
}

/// Resistance of the simulated thermistors at 25 °C, ohms.
pub const R25_OHM: f64 = 10_000.0;
/// Their β, kelvin.
pub const BETA_K: f64 = 3_977.0;
/// The fixed resistor of the divider, ohms.
pub const DIVIDER_OHM: f64 = 10_000.0;

/// Rounds to a resolution.
#[must_use]
pub fn round_to(value: f64, step: f64) -> f64 {
    if step < 1.0 {
        // Dividing by a whole number gives the double nearest to the decimal.
        let per_unit = (1.0 / step).round();
        (value * per_unit).round() / per_unit
    } else {
        (value / step).round() * step
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_noise_is_as_large_as_stated() {
        let mut probe = Thermometer::new(4, "J01T", 0.0, 0.05);
        probe.soak(11.0, 10.0);
        let n = 20_000;
        let errors: Vec<f64> = (0..n).map(|_| probe.read(None, 15.0).unwrap() - 11.0).collect();
        let sd = (errors.iter().map(|e| e * e).sum::<f64>() / f64::from(n)).sqrt();
        assert!((sd / 0.05 - 1.0).abs() < 0.03, "{sd}");
    }

    #[test]
    fn a_probe_follows_with_its_lag() {
        let mut probe = Thermometer::new(4, "J01T", 0.0, 0.0);
        probe.soak(10.0, 1.0);
        probe.soak(12.0, 20.0);
        let expected = 12.0 - 2.0 / std::f64::consts::E;
        assert!((probe.read(None, 0.0).unwrap() - expected).abs() <= 0.005 + 1e-9);
    }

    #[test]
    fn no_pulse_is_lost_between_readings() {
        let mut meter = FlowMeter::new(1, "J01F", 0.0);
        meter.k_true = PULSES_PER_L;
        let mut pulses = 0;
        for _ in 0..1000 {
            meter.pass(3.0, 7.0);
            pulses += meter.read(7.0, None).unwrap().count;
        }
        // 1000 readings of 7 s at 3 L/min are 350 L.
        assert!((f64::from(pulses) - 350.0 * 450.0).abs() <= 1.0, "{pulses}");
    }

    #[test]
    fn each_fault_shows() {
        let read = |fault, days| {
            let mut probe = Thermometer::new(4, "J01T", 0.0, 0.0);
            probe.soak(11.0, 1.0);
            probe.read(Some((fault, days)), 17.0)
        };
        assert_eq!(read(ProbeFault::Open { sends: -127.0 }, 0.0), Some(-127.0));
        assert_eq!(read(ProbeFault::Dead, 0.0), None);
        assert_eq!(read(ProbeFault::Stuck, 0.0), Some(11.0));
        assert_eq!(read(ProbeFault::Drift { per_day: 0.2 }, 5.0), Some(12.0));
        assert_eq!(read(ProbeFault::OutOfWater, 0.0), Some(17.0));
        assert!((read(ProbeFault::Spikes { share: 1.0, size: 6.0 }, 0.0).unwrap() - 11.0).abs() > 5.9);
    }

    #[test]
    fn rounding_works_for_steps_below_and_above_one() {
        for (value, step, expected) in
            [(11.4249, 0.01, 11.42), (10.06, 0.1, 10.1), (152.0, 5.0, 150.0), (7.6, 1.0, 8.0)]
        {
            assert_eq!(round_to(value, step).to_string(), f64::to_string(&expected));
        }
    }

    /// At 25 °C a 10 kΩ thermistor over 10 kΩ halves the supply.
    #[test]
    fn the_divider_halves_at_25_degrees() {
        assert_eq!(thermistor_counts(25.0), 32_768);
        assert!(thermistor_counts(0.0) > thermistor_counts(10.0));
    }
}
