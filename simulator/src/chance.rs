//! Repeatable chance: the same seed gives the same season on any machine.
//!
//! Every part of the station draws from a stream of its own, named by its purpose, so that one
//! more jar does not change the weather. The generator is SplitMix64 (Steele, Lea and Flood 2014,
//! "Fast splittable pseudorandom number generators"): a dozen lines whose sequence is fixed by the
//! paper, where library generators may change theirs between releases.

/// A stream of random numbers.
#[derive(Clone, Debug)]
pub struct Chance {
    state: u64,
    spare: Option<f64>,
}

impl Chance {
    /// A stream for one purpose, as `weather` or `probe J07T`.
    #[must_use]
    pub fn new(seed: u64, purpose: &str) -> Self {
        // FNV-1a over the purpose keeps the streams apart.
        let hash = purpose
            .bytes()
            .fold(0xcbf2_9ce4_8422_2325_u64, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3));
        let mut stream = Self::from_state(seed ^ hash);
        stream.state = stream.bits();
        stream
    }

    fn from_state(state: u64) -> Self {
        Self { state, spare: None }
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.state ^ (self.state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform in `[0, 1)`.
    pub fn uniform(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Uniform in `[low, high)`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// True with the given probability.
    pub fn happens(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }

    /// Uniform in `0..n`; 0 when `n` is 0.
    pub fn below(&mut self, n: usize) -> usize {
        let n = u64::try_from(n).unwrap_or(u64::MAX).max(1);
        usize::try_from(self.bits() % n).unwrap_or(0)
    }

    /// Standard normal (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        let angle = std::f64::consts::TAU * self.uniform();
        self.spare = Some(radius * angle.sin());
        radius * angle.cos()
    }

    /// Normal, but never more than `limit` standard deviations out.
    pub fn normal_within(&mut self, limit: f64) -> f64 {
        self.normal().clamp(-limit, limit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First outputs of SplitMix64 for the state 1234567, as widely published with the reference
    /// code (value from memory of that listing).
    #[test]
    fn the_generator_is_the_published_one() {
        let mut chance = Chance::from_state(1_234_567);
        let drawn: Vec<u64> = (0..3).map(|_| chance.bits()).collect();
        assert_eq!(drawn, [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]);
    }

    #[test]
    fn normals_have_mean_zero_and_deviation_one() {
        let mut chance = Chance::new(7, "test");
        let n = 100_000;
        let drawn: Vec<f64> = (0..n).map(|_| chance.normal()).collect();
        let mean = drawn.iter().sum::<f64>() / f64::from(n);
        let variance = drawn.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n);
        // Five standard errors.
        assert!(mean.abs() < 5.0 / f64::from(n).sqrt(), "{mean}");
        assert!((variance - 1.0).abs() < 5.0 * (2.0 / f64::from(n)).sqrt(), "{variance}");
    }

    #[test]
    fn purposes_do_not_share_a_stream() {
        assert_ne!(Chance::new(1, "weather").bits(), Chance::new(1, "valve 01").bits());
    }
}
