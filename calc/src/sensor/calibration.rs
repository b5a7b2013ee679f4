//! Checks of a sensor against something known, and which correction held when.
//!
//! Crushed ice of distilled water, just wet, in an insulated flask, the probe deep in it (300 mm if
//! sheathed), reads 0.00 °C within about 0.01 °C (MSL, ICE2). A flow meter is checked with a bucket
//! and a watch: `Q = 60 V / t`. A correction holds from its check until the next one; values in
//! between are not bent after the fact.

use crate::time::{Span, Timestamp};

/// Furthest a probe may be off in ice and still be a probe to correct, °C: beyond it the curve or
/// the ice bath is wrong (own limit).
const LARGEST_OFFSET_C: f64 = 3.0;
/// Largest factor by which a meter may be off and still be corrected (own limit; published factors
/// of one meter differ by 1.7).
const LARGEST_FACTOR: f64 = 3.0;

/// Why a check gives no correction.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// Too far off to be corrected.
    #[error(
        "{0:+.2} °C off is too much to correct (3 at most): wrong curve, wrong part or no proper ice bath"
    )]
    Offset(f64),
    /// Too far off to be corrected.
    #[error(
        "the bucket says {0:.2} times what the meter says (3 at most): wrong pulses per litre or a blocked rotor"
    )]
    Factor(f64),
    /// Not a measurement.
    #[error("{0} is not a measurement to check against")]
    NotANumber(f64),
}

/// What is done to a converted value: multiplied by `factor`, then `offset` added.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// Multiplied first.
    pub factor: f64,
    /// Added then, in the unit of the value.
    pub offset: f64,
}

/// How a sensor was checked. The readings are those shown at the time, correction included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Check {
    /// Melting ice; what was shown, °C.
    IcePoint {
        /// °C.
        reading_c: f64,
    },
    /// A bucket and a watch.
    Bucket {
        /// Litres caught.
        litres: f64,
        /// Seconds it took.
        seconds: f64,
        /// What was shown meanwhile, L/min.
        reading_l_per_min: f64,
    },
    /// A thermometer of known worth held beside it.
    Reference {
        /// What it said, °C.
        reference_c: f64,
        /// What was shown, °C.
        reading_c: f64,
    },
}

impl Correction {
    /// Leaves a value as it is.
    pub const NONE: Self = Self { factor: 1.0, offset: 0.0 };

    /// The corrected value.
    #[must_use]
    pub fn apply(self, value: f64) -> f64 {
        value * self.factor + self.offset
    }

    /// This correction followed by another: what a check of the *shown* value adds.
    #[must_use]
    pub fn then(self, next: Self) -> Self {
        Self { factor: self.factor * next.factor, offset: self.offset * next.factor + next.offset }
    }
}

impl Check {
    /// The correction that makes the shown value right.
    ///
    /// ```
    /// use nightjar_calc::sensor::calibration::Check;
    /// // 10 L in 150 s is 4 L/min; the meter showed 3.2.
    /// let check = Check::Bucket { litres: 10.0, seconds: 150.0, reading_l_per_min: 3.2 };
    /// assert!((check.correction().unwrap().apply(3.2) - 4.0).abs() < 1e-12);
    /// let ice = Check::IcePoint { reading_c: 0.12 };
    /// assert!((ice.correction().unwrap().apply(10.0) - 9.88).abs() < 1e-12);
    /// ```
    ///
    /// # Errors
    /// When a number is no measurement, or the sensor is too far off to be corrected.
    pub fn correction(self) -> Result<Correction, CalibrationError> {
        match self {
            Self::IcePoint { reading_c } => offset(0.0, reading_c),
            Self::Reference { reference_c, reading_c } => offset(reference_c, reading_c),
            Self::Bucket { litres, seconds, reading_l_per_min } => {
                for x in [litres, seconds, reading_l_per_min] {
                    if !(x.is_finite() && x > 0.0) {
                        return Err(CalibrationError::NotANumber(x));
                    }
                }
                let factor = 60.0 * litres / seconds / reading_l_per_min;
                if (1.0 / LARGEST_FACTOR..=LARGEST_FACTOR).contains(&factor) {
                    Ok(Correction { factor, offset: 0.0 })
                } else {
                    Err(CalibrationError::Factor(factor))
                }
            }
        }
    }
}

fn offset(truth_c: f64, reading_c: f64) -> Result<Correction, CalibrationError> {
    for x in [truth_c, reading_c] {
        if !x.is_finite() {
            return Err(CalibrationError::NotANumber(x));
        }
    }
    let offset = truth_c - reading_c;
    if offset.abs() <= LARGEST_OFFSET_C {
        Ok(Correction { factor: 1.0, offset })
    } else {
        Err(CalibrationError::Offset(offset))
    }
}

/// One check in the history of a sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Record {
    /// When it was done.
    pub at: Timestamp,
    /// How.
    pub check: Check,
    /// How far the shown value was off, °C, or as a share for flow: the drift since the last check.
    pub drift: f64,
    /// The correction from here on.
    pub correction: Correction,
}

/// All checks of one sensor.
#[derive(Clone, Debug, PartialEq)]
pub struct History {
    from_start: Correction,
    records: Vec<Record>,
}

impl History {
    /// A sensor with the correction of its configuration and no check yet.
    #[must_use]
    pub const fn new(from_start: Correction) -> Self {
        Self { from_start, records: Vec::new() }
    }

    /// History from checks in any order; each corrects what was shown under the one before it.
    ///
    /// ```
    /// use nightjar_calc::sensor::calibration::{Check, Correction, History};
    /// use nightjar_calc::time::Timestamp;
    /// let at = |text| Timestamp::parse(text).unwrap();
    /// let history = History::of(Correction::NONE, [
    ///     (at("2026-05-01T00:00:00Z"), Check::IcePoint { reading_c: 0.05 }),
    ///     (at("2026-04-01T00:00:00Z"), Check::IcePoint { reading_c: 0.10 }),
    /// ]).unwrap();
    /// // In April the offset was −0.10; in May 0.05 more had drifted in.
    /// assert!((history.at(at("2026-04-15T00:00:00Z")).offset + 0.10).abs() < 1e-12);
    /// assert!((history.at(at("2026-05-15T00:00:00Z")).offset + 0.15).abs() < 1e-12);
    /// ```
    ///
    /// # Errors
    /// When one of the checks gives no correction.
    pub fn of(
        from_start: Correction,
        checks: impl IntoIterator<Item = (Timestamp, Check)>,
    ) -> Result<Self, CalibrationError> {
        let mut checks: Vec<(Timestamp, Check)> = checks.into_iter().collect();
        checks.sort_by_key(|(at, _)| *at);
        let mut history = Self::new(from_start);
        for (at, check) in checks {
            let step = check.correction()?;
            let drift = match check {
                Check::Bucket { .. } => 1.0 / step.factor - 1.0,
                Check::IcePoint { .. } | Check::Reference { .. } => -step.offset,
            };
            let correction = history.latest().then(step);
            history.records.push(Record { at, check, drift, correction });
        }
        Ok(history)
    }

    /// The correction in force at an instant: that of the latest check not after it.
    #[must_use]
    pub fn at(&self, instant: Timestamp) -> Correction {
        let after = self.records.partition_point(|record| record.at <= instant);
        after.checked_sub(1).map_or(self.from_start, |ix| self.records[ix].correction)
    }

    /// The checks, earliest first.
    #[must_use]
    pub fn records(&self) -> &[Record] {
        &self.records
    }

    /// When the next check is due: `every` after the last one; `None` when there was none yet, which
    /// means at once.
    #[must_use]
    pub fn due_at(&self, every: Span) -> Option<Timestamp> {
        self.records.last().map(|record| record.at + every)
    }

    fn latest(&self) -> Correction {
        self.records.last().map_or(self.from_start, |record| record.correction)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_probe_three_degrees_off_is_not_corrected_but_questioned() {
        assert!(matches!(Check::IcePoint { reading_c: -3.5 }.correction(), Err(CalibrationError::Offset(_))));
        assert!(Check::IcePoint { reading_c: f64::NAN }.correction().is_err());
    }

    #[test]
    fn a_bucket_that_contradicts_the_meter_is_refused() {
        // The 7.5-for-450 slip is a factor of 60.
        let slip = Check::Bucket { litres: 10.0, seconds: 60.0, reading_l_per_min: 600.0 };
        assert!(matches!(slip.correction(), Err(CalibrationError::Factor(_))));
        let no_water = Check::Bucket { litres: 0.0, seconds: 60.0, reading_l_per_min: 3.0 };
        assert!(matches!(no_water.correction(), Err(CalibrationError::NotANumber(_))));
    }

    #[test]
    fn before_the_first_check_the_configuration_holds() {
        let start = Correction { factor: 1.1, offset: 0.0 };
        let at = |s: i64| Timestamp::from_ms(s * 1000);
        let check = Check::Bucket { litres: 4.0, seconds: 60.0, reading_l_per_min: 5.0 };
        let history = History::of(start, [(at(100), check)]).unwrap();
        assert_eq!(history.at(at(99)), start);
        assert!((history.at(at(100)).factor - 0.88).abs() < 1e-12);
        assert!((history.records()[0].drift - 0.25).abs() < 1e-12);
        assert_eq!(history.due_at(Span::from_secs(5)), Some(at(105)));
        assert_eq!(History::new(start).due_at(Span::from_secs(5)), None);
    }
}
