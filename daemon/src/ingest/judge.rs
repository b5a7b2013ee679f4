//! From a raw reading to a judged measure, and how long a sensor may be silent.
//!
//! Judged here is what one reading says by itself. What only its neighbours in time and place can
//! tell (spike, stuck, out of water, disagreement) takes a memory, which is kept by whoever calls
//! [`judge`]: it takes the [`Judged`] and may lower its quality, never raise it.

use crate::clock::{Now, Uptime};
use crate::rack::{Conversion, Measure, Sensor};
use crate::reading::{Quality, RawReading, Reading, Reason, SensorIx, Value};
use nightjar_calc::sensor::current_loop::Loop;
use nightjar_calc::sensor::platinum::Platinum;
use nightjar_calc::sensor::pulse_flow::Meter;
use nightjar_calc::time::{Span, Timestamp};

/// A time further ahead than this has not come yet: clocks of nodes differ by less.
pub const FUTURE_TOLERANCE: Span = Span::from_minutes(2);
/// 2020-01-01T00:00:00Z: earlier times come from clocks that were never set.
pub const EARLIEST: Timestamp = Timestamp::from_ms(1_577_836_800_000);
/// A sensor is never called silent before this, however often it is expected.
const SHORTEST_SILENCE: Span = Span::from_secs(15);

/// Numbers that loggers send instead of a value. Only where the number is a measure already: 7999
/// and 9999 are good resistances.
const LOGGER_SENTINELS: [f64; 8] = [-9999.0, 9999.0, -7999.0, 7999.0, -6999.0, 6999.0, -999.0, -99.0];
/// °C that one-wire thermometers send after power-up (85) and without their bus (-127).
const THERMOMETER_SENTINELS: [f64; 2] = [85.0, -127.0];
/// A flow meter at rest can be this share of its range below zero and mean zero: the lower end of
/// a transmitter's linear range, 3.8 mA of 4 to 20 (common practice, NAMUR NE 43 from memory).
/// Refusing it would turn a stopped flow into an unknown one.
const REST_SHARE: f64 = 0.0125;

/// What became of a raw reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Judged {
    /// A value, however good.
    Reading {
        /// The judged measure.
        reading: Reading,
        /// False when it is known or suspected to be old: such a reading fills the record and the
        /// sum, and never clears an alarm or counts as a sign of life.
        fresh: bool,
    },
    /// The sensor spoke and there is no value in it.
    NoValue {
        /// Which sensor.
        sensor: SensorIx,
        /// When it spoke.
        at: Timestamp,
        /// What is wrong.
        reason: Reason,
    },
}

/// Longest silence before a sensor is stale: three readings missed, and never less than 15 s.
#[must_use]
pub fn stale_limit(interval: Span) -> Span {
    Span::from_ms(interval.ms().saturating_mul(3)).max(SHORTEST_SILENCE)
}

/// Judges one raw reading.
#[must_use]
pub fn judge(ix: SensorIx, sensor: &Sensor, raw: &RawReading, arrived: Now) -> Judged {
    let time = Time::of(raw, arrived);
    let no_value = |reason| Judged::NoValue { sensor: ix, at: time.at, reason };
    if !raw.value.is_finite() {
        return no_value(Reason::NotFinite);
    }
    let (value, doubt) = match measure(sensor, raw.value) {
        Ok(value) => (value, None),
        Err(Unusable { value: None, reason }) => return no_value(reason),
        Err(Unusable { value: Some(value), reason }) => (value, Some(reason)),
    };
    let Some(value) = Value::from_f64(value) else { return no_value(Reason::Range) };
    let (quality, reason) = match (time.doubt, doubt) {
        (Some((Quality::Bad, reason)), _) | (_, Some(reason)) => (Quality::Bad, reason),
        (Some(doubt), None) => doubt,
        (None, None) => (Quality::Good, Reason::None),
    };
    let late = arrived.utc.since(time.at) > stale_limit(sensor.interval);
    Judged::Reading {
        reading: Reading { sensor: ix, at: time.at, value, quality, reason },
        fresh: !raw.retained && !late,
    }
}

/// When a reading was true, and what is doubtful about that.
struct Time {
    at: Timestamp,
    doubt: Option<(Quality, Reason)>,
}

impl Time {
    fn of(raw: &RawReading, arrived: Now) -> Self {
        let Some(at) = raw.at else {
            let doubt = match (raw.retained, arrived.trusted) {
                // Nobody knows how old it is: of no use for a record in time.
                (true, _) => Some((Quality::Bad, Reason::Retained)),
                (false, false) => Some((Quality::Uncertain, Reason::UntrustedClock)),
                (false, true) => None,
            };
            return Self { at: arrived.utc, doubt };
        };
        if at < EARLIEST {
            // The sender's clock was never set. The time of arrival places it in the record.
            return Self { at: arrived.utc, doubt: Some((Quality::Bad, Reason::UntrustedClock)) };
        }
        if !arrived.trusted {
            return Self { at, doubt: Some((Quality::Uncertain, Reason::UntrustedClock)) };
        }
        if at.since(arrived.utc) > FUTURE_TOLERANCE {
            return Self { at: arrived.utc, doubt: Some((Quality::Bad, Reason::FutureTime)) };
        }
        Self { at, doubt: None }
    }
}

struct Unusable {
    value: Option<f64>,
    reason: Reason,
}

/// From the number in the frame to °C, L/min or a state, checked.
fn measure(sensor: &Sensor, raw: f64) -> Result<f64, Unusable> {
    let converted = converted(sensor, raw)?;
    let corrected = converted * sensor.correction.factor + sensor.correction.offset;
    let (low, high) = sensor.range;
    let at_rest = sensor.measure == Measure::Flow && corrected < 0.0 && corrected >= -REST_SHARE * high;
    let value = if at_rest && low >= 0.0 { low } else { corrected };
    if (low..=high).contains(&value) {
        Ok(value)
    } else {
        Err(Unusable { value: Some(value), reason: Reason::Range })
    }
}

fn converted(sensor: &Sensor, raw: f64) -> Result<f64, Unusable> {
    let nothing = |reason| Unusable { value: None, reason };
    match &sensor.conversion {
        Conversion::Linear { factor, offset } => {
            let value = raw * factor + offset;
            let thermometer = sensor.measure == Measure::Temperature && among(&THERMOMETER_SENTINELS, value);
            if among(&LOGGER_SENTINELS, raw) || thermometer {
                return Err(Unusable { value: Some(value), reason: Reason::Sentinel });
            }
            Ok(value)
        }
        Conversion::Thermistor { curve, divider } => {
            let ohm = match divider {
                // A converter at one of its ends: the cable is open or shorted.
                Some(divider) => divider.ohms(raw).map_err(|_| nothing(Reason::Sentinel))?,
                None => raw,
            };
            curve.celsius(ohm).map_err(|_| nothing(Reason::Range))
        }
        Conversion::Platinum { r0_ohm } => Platinum::new(*r0_ohm)
            .and_then(|platinum| platinum.celsius(raw))
            .map_err(|_| nothing(Reason::Range)),
        Conversion::Pulses { per_litre, window_s } => Meter::new(*per_litre)
            .and_then(|meter| meter.flow_l_per_min(raw, *window_s))
            .map_err(|_| nothing(Reason::Range)),
        Conversion::CurrentLoop { at_4_ma, at_20_ma } => Loop::new(*at_4_ma, *at_20_ma)
            .and_then(|scale| scale.value(raw))
            .map(|value| value.value)
            .map_err(|_| nothing(Reason::Device)),
    }
}

/// Equal to one of the numbers within the noise of a conversion.
fn among(numbers: &[f64], value: f64) -> bool {
    numbers.iter().any(|number| (number - value).abs() < 1e-6)
}

/// Whether a sensor still speaks. One for each sensor; pure, driven by the core.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Expectation {
    limit: Span,
    last: Uptime,
    heard: bool,
}

impl Expectation {
    /// Expects a reading every `interval`, the first one from `began` on.
    #[must_use]
    pub fn new(interval: Span, began: Uptime) -> Self {
        Self { limit: stale_limit(interval), last: began, heard: false }
    }
    /// Takes a fresh reading with a value.
    pub fn handle_reading(&mut self, up: Uptime) {
        self.last = self.last.max(up);
        self.heard = true;
    }
    /// True once the sensor has been silent for longer than it may.
    #[must_use]
    pub fn is_stale(&self, up: Uptime) -> bool {
        up > self.poll_timeout()
    }
    /// False until the first reading.
    #[must_use]
    pub const fn was_heard(&self) -> bool {
        self.heard
    }
    /// Last moment at which the sensor is not stale yet.
    #[must_use]
    pub fn poll_timeout(&self) -> Uptime {
        self.last.after(self.limit)
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "values are steps of a ten-thousandth, exact by construction")]
mod tests {
    use super::*;
    use crate::ids::SensorId;
    use crate::rack::{Correction, JarIx, Place};
    use crate::reading::SourceIx;
    use nightjar_calc::sensor::thermistor::{Curve, Divider};

    fn thermometer() -> Sensor {
        Sensor {
            id: SensorId::new("J07T").unwrap(),
            measure: Measure::Temperature,
            place: Place::Jar(JarIx(0)),
            source: SourceIx(0),
            interval: Span::from_secs(10),
            conversion: Conversion::Linear { factor: 1.0, offset: 0.0 },
            correction: Correction::NONE,
            range: (-2.0, 30.0),
        }
    }

    fn meter() -> Sensor {
        Sensor { measure: Measure::Flow, range: (0.0, 20.0), ..thermometer() }
    }

    fn now() -> Now {
        let utc = Timestamp::parse("2026-04-18T14:00:00Z").unwrap();
        Now { up: Uptime::from_ms(60_000), utc, trusted: true }
    }

    fn raw(value: f64) -> RawReading {
        RawReading { name: "J07T".to_owned(), value, at: None, retained: false }
    }

    fn at(value: f64, time: &str) -> RawReading {
        RawReading { at: Some(Timestamp::parse(time).unwrap()), ..raw(value) }
    }

    /// Quality, reason, value (NaN when there is none) and freshness.
    fn check(sensor: &Sensor, raw: &RawReading, arrived: Now) -> (Quality, Reason, f64, bool) {
        match judge(SensorIx(3), sensor, raw, arrived) {
            Judged::Reading { reading, fresh } => {
                (reading.quality, reading.reason, reading.value.get(), fresh)
            }
            Judged::NoValue { reason, .. } => (Quality::Bad, reason, f64::NAN, false),
        }
    }

    #[test]
    fn a_plain_reading_is_good_and_true_on_arrival() {
        let Judged::Reading { reading, fresh } = judge(SensorIx(3), &thermometer(), &raw(11.42), now())
        else {
            panic!("no value")
        };
        assert_eq!((reading.at, reading.sensor, fresh), (now().utc, SensorIx(3), true));
        assert_eq!(
            (reading.value, reading.quality, reading.reason),
            (Value(114_200), Quality::Good, Reason::None)
        );
    }

    #[test]
    fn what_faulty_probes_and_loggers_send_is_bad_with_its_reason() {
        for (value, reason) in [
            (f64::NAN, Reason::NotFinite),
            (f64::INFINITY, Reason::NotFinite),
            (f64::NEG_INFINITY, Reason::NotFinite),
            (-9999.0, Reason::Sentinel),
            (7999.0, Reason::Sentinel),
            (-7999.0, Reason::Sentinel),
            (-127.0, Reason::Sentinel),
            (85.0, Reason::Sentinel),
            (84.9, Reason::Range),
            (-2.1, Reason::Range),
            (30.001, Reason::Range),
            (1e300, Reason::Range),
        ] {
            let (quality, found, ..) = check(&thermometer(), &raw(value), now());
            assert_eq!((quality, found), (Quality::Bad, reason), "{value}");
        }
        // 185 °F is the 85 °C of a thermometer that has just been powered up.
        let fahrenheit = Conversion::Linear { factor: 1.0 / 1.8, offset: -32.0 / 1.8 };
        let sensor = Sensor { conversion: fahrenheit, ..thermometer() };
        assert_eq!(check(&sensor, &raw(185.0), now()).1, Reason::Sentinel);
        assert!((check(&sensor, &raw(50.0), now()).2 - 10.0).abs() < 1e-4);
    }

    #[test]
    fn a_divider_at_its_ends_is_a_broken_cable() {
        let conversion = Conversion::Thermistor {
            curve: Curve::TEN_K3,
            divider: Some(Divider { reference_ohm: 10_000.0, full_scale: 4095.0, thermistor_low: true }),
        };
        let sensor = Sensor { conversion, ..thermometer() };
        for counts in [0.0, -1.0, 4095.0, 5000.0] {
            let (quality, reason, ..) = check(&sensor, &raw(counts), now());
            assert_eq!((quality, reason), (Quality::Bad, Reason::Sentinel), "{counts}");
        }
        // 32 650.9 ohm at 0 °C: tabled for the 10K3 curve by a maker of logger probes.
        let counts = 4095.0 * 32_650.9 / (32_650.9 + 10_000.0);
        assert!(check(&sensor, &raw(counts), now()).2.abs() < 0.002);
    }

    #[test]
    fn conversions_reach_the_measure() {
        let with =
            |sensor: Sensor, conversion, value| check(&Sensor { conversion, ..sensor }, &raw(value), now());
        // IEC 60751 tables 103.903 ohm at 10 °C for a Pt100.
        let (.., celsius, _) = with(thermometer(), Conversion::Platinum { r0_ohm: 100.0 }, 103.903);
        assert!((celsius - 10.0).abs() < 0.01, "{celsius}");
        let pulses = Conversion::Pulses { per_litre: 450.0, window_s: 10.0 };
        assert_eq!(with(meter(), pulses.clone(), 225.0), (Quality::Good, Reason::None, 3.0, true));
        assert_eq!(with(meter(), pulses.clone(), 0.0), (Quality::Good, Reason::None, 0.0, true));
        assert_eq!(with(meter(), pulses, -1.0).1, Reason::Range);
        let current = Conversion::CurrentLoop { at_4_ma: 0.0, at_20_ma: 16.0 };
        assert_eq!(with(meter(), current.clone(), 7.0).2, 3.0);
        assert_eq!(with(meter(), current.clone(), 0.0).1, Reason::Device);
        // 3.9 mA is a meter at rest: no flow, and known.
        assert_eq!(with(meter(), current, 3.9), (Quality::Good, Reason::None, 0.0, true));
    }

    #[test]
    fn the_correction_comes_after_the_conversion() {
        let sensor = Sensor { correction: Correction { factor: 1.1, offset: -0.5 }, ..thermometer() };
        assert!((check(&sensor, &raw(10.0), now()).2 - 10.5).abs() < 1e-4);
    }

    #[test]
    fn times_that_cannot_be_are_bad_and_stand_at_their_arrival() {
        for (time, reason) in [
            ("2026-04-18T14:02:01Z", Reason::FutureTime),
            ("2106-02-07T06:28:15Z", Reason::FutureTime),
            ("1970-01-01T00:00:10Z", Reason::UntrustedClock),
            ("2019-12-31T23:59:59Z", Reason::UntrustedClock),
        ] {
            let judged = judge(SensorIx(0), &thermometer(), &at(9.0, time), now());
            let Judged::Reading { reading, .. } = judged else { panic!("no value") };
            assert_eq!(
                (reading.quality, reading.reason, reading.at),
                (Quality::Bad, reason, now().utc),
                "{time}"
            );
        }
        assert_eq!(check(&thermometer(), &at(9.0, "2026-04-18T14:02:00Z"), now()).0, Quality::Good);
    }

    #[test]
    fn a_late_reading_is_good_and_not_fresh() {
        assert_eq!(
            check(&thermometer(), &at(9.0, "2026-04-18T13:59:30Z"), now()),
            (Quality::Good, Reason::None, 9.0, true)
        );
        assert_eq!(
            check(&thermometer(), &at(9.0, "2026-04-18T13:59:29Z"), now()),
            (Quality::Good, Reason::None, 9.0, false)
        );
        assert!(!check(&thermometer(), &at(9.0, "2026-04-15T02:00:00Z"), now()).3);
    }

    #[test]
    fn a_retained_message_is_never_fresh_and_without_its_own_time_of_no_use() {
        let retained = RawReading { retained: true, ..raw(9.0) };
        assert_eq!(check(&thermometer(), &retained, now()), (Quality::Bad, Reason::Retained, 9.0, false));
        let dated = RawReading { retained: true, ..at(9.0, "2026-04-18T13:59:59Z") };
        assert_eq!(check(&thermometer(), &dated, now()), (Quality::Good, Reason::None, 9.0, false));
    }

    #[test]
    fn an_untrusted_clock_marks_and_does_not_refuse() {
        let arrived = Now { utc: Timestamp::from_ms(5000), trusted: false, ..now() };
        let found = check(&thermometer(), &raw(9.0), arrived);
        assert_eq!(found, (Quality::Uncertain, Reason::UntrustedClock, 9.0, true));
        assert_eq!(check(&thermometer(), &raw(85.0), arrived).1, Reason::Sentinel);
    }

    #[test]
    fn a_sensor_is_stale_after_three_missed_readings_and_not_before_15_s() {
        assert_eq!(stale_limit(Span::from_secs(10)), Span::from_secs(30));
        assert_eq!(stale_limit(Span::from_secs(1)), Span::from_secs(15));
        assert_eq!(stale_limit(Span::from_ms(i64::MAX)), Span::from_ms(i64::MAX));
        let mut expected = Expectation::new(Span::from_secs(10), Uptime::from_ms(0));
        assert!(!expected.is_stale(Uptime::from_ms(30_000)) && expected.is_stale(Uptime::from_ms(30_001)));
        expected.handle_reading(Uptime::from_ms(40_000));
        expected.handle_reading(Uptime::from_ms(39_000));
        assert_eq!(expected.poll_timeout(), Uptime::from_ms(70_000));
    }
}
