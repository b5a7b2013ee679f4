//! Deadband and on-delay of a channel from its own noise.
//!
//! The rule: deadband = the larger of three standard deviations of the noise and two steps of the
//! instrument; on-delay = the larger of three sample intervals and five correlation times of the
//! noise. The noise is what is left of stretches of up to half an hour after their straight trend;
//! stretches with far more of it than the middle one (a stop, a change of valve) are not noise and
//! do not count. The correlation time is the lag at which the correlation of what is left falls to
//! 1/e, which for first-order autoregressive noise is −interval / ln(correlation of neighbours).

use nightjar_calc::time::{Span, Timestamp};

/// Longest stretch.
const STRETCH: Span = Span::from_minutes(30);
/// Fewest and most readings of a stretch. A short stretch makes noise with a memory look shorter of
/// it than it is, because the trend takes the slow part away.
const STRETCH_READINGS: (i64, i64) = (32, 1_024);
/// Longest lag looked at, in readings.
const LAGS: usize = 96;
/// A stretch with more than this many times the variance of the middle one holds more than noise.
const CALM: f64 = 4.0;
/// Fewest calm stretches that say something.
const ENOUGH: usize = 3;
/// A pause of more than this many intervals ends a stretch.
const PAUSE: i64 = 3;

/// What the noise of a channel asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sizing {
    /// Good readings.
    pub readings: u64,
    /// Mean distance of readings, s.
    pub interval_s: Option<f64>,
    /// Smallest step the instrument made.
    pub resolution: Option<f64>,
    /// Sizes, when there is enough to say so.
    pub noise: Option<Noise>,
}

/// Noise, and the sizes that follow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Noise {
    /// Standard deviation.
    pub deviation: f64,
    /// Correlation time, s.
    pub correlation_s: f64,
    /// Suggested deadband.
    pub deadband: f64,
    /// Suggested on-delay, s.
    pub on_delay_s: f64,
}

/// One stretch: sums of products of what is left after the trend, by lag.
#[derive(Clone, Debug)]
struct Stretch {
    readings: usize,
    products: Vec<f64>,
}

impl Stretch {
    fn variance(&self) -> f64 {
        self.products[0] / (self.readings - 2) as f64
    }
}

/// Gathers the noise of one channel.
#[derive(Clone, Debug)]
pub struct ChannelNoise {
    interval: Span,
    longest: usize,
    stretch: Vec<(i64, f64)>,
    stretches: Vec<Stretch>,
    spacing: (i64, u64),
    first: Option<Timestamp>,
    last: Option<(Timestamp, f64)>,
    step: Option<f64>,
    readings: u64,
}

impl ChannelNoise {
    /// Of a channel that is expected to speak this often.
    #[must_use]
    pub fn new(interval: Span) -> Self {
        let (fewest, most) = STRETCH_READINGS;
        let fit = (STRETCH.ms() / interval.ms().max(1)).clamp(fewest, most);
        Self {
            interval,
            longest: usize::try_from(fit).unwrap_or(LAGS),
            stretch: Vec::new(),
            stretches: Vec::new(),
            spacing: (0, 0),
            first: None,
            last: None,
            step: None,
            readings: 0,
        }
    }

    /// Takes a good reading.
    pub fn handle_value(&mut self, at: Timestamp, value: f64) {
        self.readings += 1;
        self.first.get_or_insert(at);
        if let Some((before, known)) = self.last {
            let gap = at.since(before).ms();
            if gap > self.interval.ms().saturating_mul(PAUSE) {
                self.finish();
            } else {
                self.spacing = (self.spacing.0 + gap, self.spacing.1 + 1);
            }
            let step = (value - known).abs();
            if step > 0.0 {
                self.step = Some(self.step.map_or(step, |least| least.min(step)));
            }
        }
        self.last = Some((at, value));
        self.stretch.push((at.ms(), value));
        if self.stretch.len() >= self.longest {
            self.finish();
        }
    }

    /// Sizes from what has come so far.
    #[must_use]
    pub fn sizing(&self) -> Sizing {
        let mut all = self.clone();
        all.finish();
        let overall = match (all.first, all.last) {
            (Some(first), Some((last, _))) if all.readings > 1 => {
                Some(last.since(first).secs() / (all.readings - 1) as f64)
            }
            _ => None,
        };
        let interval_s =
            (all.spacing.1 > 0).then(|| Span::from_ms(all.spacing.0).secs() / all.spacing.1 as f64);
        Sizing {
            readings: all.readings,
            interval_s: interval_s.or(overall),
            resolution: all.step,
            noise: interval_s.and_then(|interval| all.noise(interval)),
        }
    }

    fn noise(&self, interval_s: f64) -> Option<Noise> {
        let mut variances: Vec<f64> = self.stretches.iter().map(Stretch::variance).collect();
        variances.sort_by(f64::total_cmp);
        let middle = *variances.get(variances.len() / 2)?;
        let calm: Vec<&Stretch> =
            self.stretches.iter().filter(|stretch| stretch.variance() <= CALM * middle).collect();
        if calm.len() < ENOUGH {
            return None;
        }
        let freedom: usize = calm.iter().map(|stretch| stretch.readings - 2).sum();
        let squares: f64 = calm.iter().map(|stretch| stretch.products[0]).sum();
        let deviation = (squares / freedom as f64).sqrt();
        let correlation_s = correlation_readings(&calm) * interval_s;
        let deadband = (3.0 * deviation).max(2.0 * self.step.unwrap_or(0.0));
        let on_delay_s = (3.0 * interval_s).max(5.0 * correlation_s);
        Some(Noise { deviation, correlation_s, deadband, on_delay_s })
    }

    fn finish(&mut self) {
        let stretch = std::mem::take(&mut self.stretch);
        if i64::try_from(stretch.len()).is_ok_and(|n| n >= STRETCH_READINGS.0) {
            let left = without_trend(&stretch);
            let lags = LAGS.min(left.len() / 4);
            let products =
                (0..=lags).map(|lag| left.iter().zip(&left[lag..]).map(|(a, b)| a * b).sum()).collect();
            self.stretches.push(Stretch { readings: left.len(), products });
        }
    }
}

/// What is left of values after their straight line of least squares.
fn without_trend(stretch: &[(i64, f64)]) -> Vec<f64> {
    let n = stretch.len() as f64;
    let begin = stretch.first().map_or(0, |(at, _)| *at);
    let seconds = |at: i64| Span::from_ms(at - begin).secs();
    let (sum_t, sum_v) = stretch.iter().fold((0.0, 0.0), |(t, v), (at, value)| (t + seconds(*at), v + value));
    let (mean_t, mean_v) = (sum_t / n, sum_v / n);
    let (mut tt, mut tv) = (0.0, 0.0);
    for (at, value) in stretch {
        let t = seconds(*at) - mean_t;
        tt += t * t;
        tv += t * (value - mean_v);
    }
    let slope = if tt > 0.0 { tv / tt } else { 0.0 };
    stretch.iter().map(|(at, value)| value - mean_v - slope * (seconds(*at) - mean_t)).collect()
}

/// Lag, in readings, at which the correlation falls to 1/e, between whole lags along an exponential.
/// The longest lag looked at when it does not fall so far.
fn correlation_readings(calm: &[&Stretch]) -> f64 {
    let target = (-1.0f64).exp();
    let mut before = 1.0f64;
    for lag in 1..=LAGS {
        let held = || calm.iter().filter(move |stretch| stretch.products.len() > lag);
        let whole: f64 = held().map(|stretch| stretch.products[0]).sum();
        if whole <= 0.0 {
            return (lag - 1) as f64;
        }
        // The further the lag, the fewer pairs there are.
        let pairs = |stretch: &Stretch| {
            stretch.products[lag] * stretch.readings as f64 / (stretch.readings - lag) as f64
        };
        let here: f64 = held().map(|stretch| pairs(stretch)).sum::<f64>() / whole;
        if here < target {
            let share = if here > 0.0 {
                (before.ln() - target.ln()) / (before.ln() - here.ln())
            } else {
                (before - target) / (before - here)
            };
            return (lag - 1) as f64 + share;
        }
        before = here;
    }
    LAGS as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First-order autoregressive noise of a known deviation, from a small generator.
    fn recorded(deviation: f64, neighbour: f64, trend_per_h: f64, n: u32) -> ChannelNoise {
        let mut seed = 0x9e37_79b9_7f4a_7c15_u64;
        let mut even = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            f64::from(u32::try_from(seed >> 32).unwrap()) / f64::from(u32::MAX)
        };
        // Twelve even numbers add up to a variance of one.
        let mut normal = || (0..12).map(|_| even()).sum::<f64>() - 6.0;
        let mut noise = ChannelNoise::new(Span::from_secs(2));
        let (mut level, fresh) = (0.0, deviation * (1.0 - neighbour * neighbour).sqrt());
        for at in 0..n {
            level = neighbour * level + fresh * normal();
            let hours = f64::from(at) * 2.0 / 3600.0;
            noise.handle_value(Timestamp::from_ms(i64::from(at) * 2_000), 10.0 + trend_per_h * hours + level);
        }
        noise
    }

    /// Expected from the definition of such noise: deviation as made, correlation time
    /// −2 s / ln(correlation of neighbours).
    #[test]
    fn noise_of_known_size_and_memory_is_found_again() {
        for (deviation, neighbour) in [(0.08, 0.9), (0.04, 0.6), (0.5, 0.0)] {
            let sizing = recorded(deviation, neighbour, 0.4, 43_200).sizing();
            let noise = sizing.noise.unwrap();
            assert!((noise.deviation / deviation - 1.0).abs() < 0.05, "{noise:?}");
            if neighbour > 0.0 {
                let expected = -2.0 / f64::ln(neighbour);
                assert!((noise.correlation_s / expected - 1.0).abs() < 0.1, "{noise:?}, expected {expected}");
            } else {
                // Without memory: shorter than the distance of two readings.
                assert!(noise.correlation_s < 2.0, "{noise:?}");
            }
            assert!((noise.deadband - 3.0 * noise.deviation).abs() < 1e-9);
            assert!((noise.on_delay_s - f64::max(6.0, 5.0 * noise.correlation_s)).abs() < 1e-9);
            assert!((sizing.interval_s.unwrap() - 2.0).abs() < 1e-9);
        }
    }

    #[test]
    fn a_stop_in_the_record_is_not_noise() {
        let calm = recorded(0.04, 0.6, 0.0, 20_000).sizing().noise.unwrap();
        let mut noise = recorded(0.04, 0.6, 0.0, 20_000);
        for at in 20_000..20_400 {
            noise.handle_value(Timestamp::from_ms(at * 2_000), if at < 20_150 { 0.0 } else { 10.0 });
        }
        let sizing = noise.sizing().noise.unwrap();
        assert!((sizing.deviation / calm.deviation - 1.0).abs() < 0.02, "{sizing:?} {calm:?}");
    }

    #[test]
    fn a_still_channel_gets_two_steps_of_its_instrument() {
        let mut noise = ChannelNoise::new(Span::from_secs(10));
        for at in 0..5_000i64 {
            let value = if at % 1000 == 0 { 8.25 } else { 8.0 };
            noise.handle_value(Timestamp::from_ms(at * 10_000), value);
        }
        let sizing = noise.sizing();
        assert_eq!(sizing.resolution, Some(0.25));
        assert!((sizing.noise.unwrap().deadband - 0.5).abs() < 1e-9);
    }
}
