//! All chance of a season, from its seed alone: the same numbers on every machine.

/// SplitMix64 (Steele, Lea, Flood 2014).
pub struct Dice(u64);

impl Dice {
    /// A stream of its own for each purpose.
    pub const fn new(seed: u64, purpose: u64) -> Self {
        Self(mixed(seed ^ mixed(purpose)))
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        mixed(self.0)
    }

    /// Even from 0 to below 1.
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Even from `low` to below `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Even below a limit, which is not 0.
    pub fn below(&mut self, limit: usize) -> usize {
        usize::try_from(self.next() % limit as u64).unwrap_or(0)
    }

    /// In any order.
    pub fn shuffle<T>(&mut self, all: &mut [T]) {
        for at in (1..all.len()).rev() {
            all.swap(at, self.below(at + 1));
        }
    }
}

/// Noise of one sensor at one scan, near enough to a bell of standard deviation 1; never beyond 3.5.
pub fn noise(seed: u64, sensor: usize, scan: u64) -> f64 {
    let bits = mixed(seed ^ mixed(scan.wrapping_mul(4_096).wrapping_add(sensor as u64)));
    let sum: u64 = (0..4).map(|part| (bits >> (16 * part)) & 0xffff).sum();
    (sum as f64 / 65_535.0 - 2.0) * 3.0_f64.sqrt()
}

const fn mixed(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}
