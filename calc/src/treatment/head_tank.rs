//! A mixed tank between the dosing point and the jars.
//!
//! Fully mixed, volume V, flow Q: the jars see `1 − exp(−tQ/V)` of the target t minutes after the feed
//! starts (practice; solution of `V dc/dt = Q (c_in − c)`), and drug keeps coming after the feed stops.
//! Dose close to the jars, or prime the tank.

use super::{DoseError, Target};
use crate::quantity::{Litres, LitresPerMinute};

/// A mixed tank ahead of the jars.
///
/// ```
/// use nightjar_calc::quantity::{Litres, LitresPerMinute};
/// use nightjar_calc::treatment::HeadTank;
/// let tank = HeadTank::new(Litres::new(150.0).unwrap(), LitresPerMinute::new(10.0).unwrap()).unwrap();
/// // One exchange in 15 minutes: the eggs end at 63 % of the target and see 37 % on average.
/// assert!((tank.share_at(15.0, 15.0) - 0.632).abs() < 0.001);
/// assert!((tank.mean_share(15.0) - 0.368).abs() < 0.001);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeadTank {
    volume_l: f64,
    flow_l_per_min: f64,
}

impl HeadTank {
    /// A tank by its content and the flow through it.
    ///
    /// # Errors
    /// When one of them is zero.
    pub fn new(volume: Litres, flow: LitresPerMinute) -> Result<Self, DoseError> {
        for (what, value) in [("a tank volume in L", volume.get()), ("a flow in L/min", flow.get())] {
            if value <= 0.0 {
                return Err(DoseError::NotPositive { what, value });
            }
        }
        Ok(Self { volume_l: volume.get(), flow_l_per_min: flow.get() })
    }

    /// Minutes for one exchange, `V/Q`.
    #[must_use]
    pub fn exchange_min(self) -> f64 {
        self.volume_l / self.flow_l_per_min
    }

    /// Share of the target that the jars see at a minute after the feed started, when the feed runs for
    /// `feed_min`: rising `1 − exp(−t/τ)`, then falling `exp(−(t − feed)/τ)` from where it was.
    #[must_use]
    pub fn share_at(self, feed_min: f64, minute: f64) -> f64 {
        let rise = |t: f64| -(-t.max(0.0) / self.exchange_min()).exp_m1();
        let fed = rise(minute.min(feed_min));
        fed * (-(minute - feed_min).max(0.0) / self.exchange_min()).exp()
    }

    /// Mean share of the target over the time of the feed: `1 − (τ/T)(1 − exp(−T/τ))`.
    #[must_use]
    pub fn mean_share(self, feed_min: f64) -> f64 {
        if feed_min <= 0.0 {
            return 0.0;
        }
        let tau = self.exchange_min();
        1.0 + tau / feed_min * (-feed_min / tau).exp_m1()
    }

    /// Minutes until the jars see a share of the target, from 0 to below 1: `−τ ln(1 − share)`.
    ///
    /// # Errors
    /// When the share is not from 0 to below 1; the target itself is never quite reached.
    pub fn minutes_to(self, share: f64) -> Result<f64, DoseError> {
        if (0.0..1.0).contains(&share) {
            Ok(-self.exchange_min() * (-share).ln_1p())
        } else {
            Err(DoseError::NotPositive { what: "a share of the target from 0 to below 1", value: share })
        }
    }

    /// Correction: drug to pour into the tank at the moment the feed starts, mL, so that the jars see the
    /// target from the first minute: `V · target`. The feed stays as it is. After it stops the tail goes
    /// on ([`HeadTank::tail_min`]).
    #[must_use]
    pub fn prime_ml(self, target: Target) -> f64 {
        target.ml_per_l() * self.volume_l
    }

    /// Minutes after the feed stops until the jars see less than a share of what they saw:
    /// `−τ ln(share)`.
    ///
    /// # Errors
    /// When the share is not above 0 and up to 1.
    pub fn tail_min(self, share: f64) -> Result<f64, DoseError> {
        if share > 0.0 && share <= 1.0 {
            Ok(-self.exchange_min() * share.ln())
        } else {
            Err(DoseError::NotPositive { what: "a share above 0 and up to 1", value: share })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn tank(volume: f64, flow: f64) -> HeadTank {
        HeadTank::new(Litres::new(volume).unwrap(), LitresPerMinute::new(flow).unwrap()).unwrap()
    }

    proptest! {
        /// Small steps of the mass balance itself (midpoint rule), the drug all out at the end.
        #[test]
        fn the_closed_form_follows_the_mass_balance(volume in 20.0..500.0f64, flow in 2.0..60.0f64) {
            let (tank, feed, step) = (tank(volume, flow), 15.0, 0.01);
            let (mut c, mut seen, mut mean) = (0.0_f64, 0.0_f64, 0.0_f64);
            for i in 0..6000 {
                let t = f64::from(i) * step;
                let input = if t < feed - step / 2.0 { 1.0 } else { 0.0 };
                let half = c + 0.5 * step * flow / volume * (input - c);
                let next = c + step * flow / volume * (input - half);
                seen += half * step;
                c = next;
                let now = t + step;
                prop_assert!((tank.share_at(feed, now) - c).abs() < 1e-3);
                if (now - feed).abs() < step / 2.0 {
                    mean = seen / feed;
                }
            }
            prop_assert!((tank.mean_share(feed) - mean).abs() < 1e-3);
        }
    }

    #[test]
    fn the_tank_is_never_full_of_the_target_and_says_so() {
        assert!(tank(100.0, 10.0).minutes_to(1.0).is_err());
        assert!((tank(100.0, 10.0).minutes_to(0.95).unwrap() - 29.957).abs() < 0.001);
        assert!((tank(100.0, 10.0).tail_min(0.05).unwrap() - 29.957).abs() < 0.001);
        assert!(HeadTank::new(Litres::new(0.0).unwrap(), LitresPerMinute::new(1.0).unwrap()).is_err());
    }
}
