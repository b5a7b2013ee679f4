//! Turbine meters that send a pulse per small volume.
//!
//! `Q = 60 N / (K t)`: flow in L/min, N pulses in t seconds, K pulses per litre (FLOW-F). One pulse
//! more or less moves the result by `60 / (K t)`: below that a meter cannot see. Published K of the
//! same small meter varies between 270 and 450 (and 7.5, which is Hz per L/min, not pulses per
//! litre), so measure it with bucket and watch. A stopped rotor and a cut wire look alike.

/// Why there is no flow.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum PulseError {
    /// A K-factor no meter has.
    #[error(
        "{0} pulses per litre is not a meter (20 to 1000000); a factor in Hz per L/min must be multiplied by 60"
    )]
    Factor(f64),
    /// No time, or time running backwards.
    #[error("{0} s is no length to count over")]
    Window(f64),
    /// Negative or not a number.
    #[error("{0} is no number of pulses")]
    Pulses(f64),
    /// The counter went back by more than a wrap explains: the meter was started again.
    #[error("the pulse count went from {before} to {after}: the meter was started again")]
    Restarted {
        /// Count before.
        before: u64,
        /// Count after.
        after: u64,
    },
}

/// A pulse meter.
///
/// ```
/// use nightjar_calc::sensor::pulse_flow::Meter;
/// let meter = Meter::new(450.0).unwrap();
/// // 7.5 Hz is one litre a minute.
/// assert!((meter.flow_l_per_min(75.0, 10.0).unwrap() - 1.0).abs() < 1e-12);
/// // One-second windows are too coarse at hatchery flows, ten seconds are not.
/// assert!((meter.resolution_l_per_min(1.0).unwrap() - 0.1333).abs() < 1e-4);
/// assert!((meter.resolution_l_per_min(10.0).unwrap() - 0.0133).abs() < 1e-4);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Meter {
    per_litre: f64,
}

impl Meter {
    /// A meter by its pulses per litre.
    ///
    /// # Errors
    /// When no meter has that factor; 7.5 (Hz per L/min) is the usual slip.
    pub fn new(per_litre: f64) -> Result<Self, PulseError> {
        if (20.0..=1_000_000.0).contains(&per_litre) {
            Ok(Self { per_litre })
        } else {
            Err(PulseError::Factor(per_litre))
        }
    }

    /// A meter by its frequency in Hz at one litre a minute: `K = 60 f`.
    ///
    /// # Errors
    /// As [`Meter::new`].
    pub fn from_hz_per_l_per_min(hz: f64) -> Result<Self, PulseError> {
        Self::new(hz * 60.0)
    }

    /// Pulses per litre.
    #[must_use]
    pub const fn per_litre(self) -> f64 {
        self.per_litre
    }

    /// Flow from pulses counted over a time, L/min.
    ///
    /// # Errors
    /// When the time is not above zero or the pulses are not a count.
    pub fn flow_l_per_min(self, pulses: f64, seconds: f64) -> Result<f64, PulseError> {
        if !(pulses.is_finite() && pulses >= 0.0) {
            return Err(PulseError::Pulses(pulses));
        }
        Ok(pulses * self.resolution_l_per_min(seconds)?)
    }

    /// Flow of one pulse in the window, L/min: the step in which this meter can tell flows apart.
    ///
    /// # Errors
    /// When the time is not above zero.
    pub fn resolution_l_per_min(self, seconds: f64) -> Result<f64, PulseError> {
        if seconds.is_finite() && seconds > 0.0 {
            Ok(60.0 / (self.per_litre * seconds))
        } else {
            Err(PulseError::Window(seconds))
        }
    }

    /// Seconds to count over so that one pulse is at most `step_l_per_min`.
    ///
    /// # Errors
    /// When the step is not above zero.
    pub fn window_s(self, step_l_per_min: f64) -> Result<f64, PulseError> {
        if step_l_per_min.is_finite() && step_l_per_min > 0.0 {
            Ok(60.0 / (self.per_litre * step_l_per_min))
        } else {
            Err(PulseError::Window(step_l_per_min))
        }
    }

    /// Flow from two readings of a running counter, L/min.
    ///
    /// A counter of `bits` bits starts again at zero when full. A step so large that the flow would
    /// pass `highest_l_per_min` is no wrap but a restarted meter.
    ///
    /// ```
    /// use nightjar_calc::sensor::pulse_flow::Meter;
    /// let meter = Meter::new(450.0).unwrap();
    /// // A 16-bit counter runs over: 65 500 → 39 is 75 pulses.
    /// let flow = meter.flow_from_counter(65_500, 39, 16, 10.0, 60.0).unwrap();
    /// assert!((flow - 1.0).abs() < 1e-12);
    /// // 40 000 → 12 in ten seconds is not.
    /// assert!(meter.flow_from_counter(40_000, 12, 16, 10.0, 60.0).is_err());
    /// ```
    ///
    /// # Errors
    /// When the time is not above zero or the meter was started again.
    pub fn flow_from_counter(
        self,
        before: u64,
        after: u64,
        bits: u32,
        seconds: f64,
        highest_l_per_min: f64,
    ) -> Result<f64, PulseError> {
        let mask = if bits >= 64 { u64::MAX } else { (1 << bits) - 1 };
        let pulses = after.wrapping_sub(before) & mask;
        let flow = self.flow_l_per_min(pulses as f64, seconds)?;
        if flow > highest_l_per_min { Err(PulseError::Restarted { before, after }) } else { Ok(flow) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hertz_per_litre_a_minute_is_not_taken_for_pulses_per_litre() {
        assert!(Meter::new(7.5).unwrap_err().to_string().contains("60"));
        assert!((Meter::from_hz_per_l_per_min(7.5).unwrap().per_litre() - 450.0).abs() < 1e-9);
    }

    #[test]
    fn no_window_no_flow() {
        let meter = Meter::new(450.0).unwrap();
        for seconds in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(meter.flow_l_per_min(10.0, seconds).is_err());
        }
        assert!(meter.flow_l_per_min(-1.0, 10.0).is_err());
        assert!((meter.window_s(0.02).unwrap() - 6.666_666_7).abs() < 1e-6);
    }
}
