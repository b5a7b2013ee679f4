//! Chance from a seed: the same seed, the same moments.

use std::time::Duration;

/// SplitMix64 (Steele, Lea & Flood 2014).
#[derive(Clone, Debug)]
pub struct Chance(u64);

impl Chance {
    /// From a seed; `salt` keeps the uses of one seed apart.
    #[must_use]
    pub const fn new(seed: u64, salt: u64) -> Self {
        Self(seed ^ salt.wrapping_mul(0x2545_f491_4f6c_dd1d))
    }

    /// Any number.
    pub const fn any(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `end`; 0 when that is 0.
    pub const fn below(&mut self, end: u64) -> u64 {
        if end == 0 { 0 } else { self.any() % end }
    }

    /// The same, for positions.
    pub fn position(&mut self, end: usize) -> usize {
        usize::try_from(self.below(end as u64)).unwrap_or(0)
    }

    /// True once in so many times.
    pub const fn once_in(&mut self, times: u64) -> bool {
        self.below(times) == 0
    }

    /// A length of time between two.
    pub fn between(&mut self, from_ms: u64, to_ms: u64) -> Duration {
        Duration::from_millis(from_ms + self.below(to_ms.saturating_sub(from_ms).max(1)))
    }
}
