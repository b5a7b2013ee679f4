//! One channel's readings of one hour, compressed without loss: times, values and marks.
//!
//! Times and values are columns of integers coded by `pco`; marks (quality and reason) are run
//! lengths, a single run in an ordinary hour. Beside the bytes a chunk carries its [`Summary`],
//! so that a chart of a season need not decode it.

use super::error::Damage;
use super::pack::{mark, put, take, unmark};
use super::sample::{HOUR_MS, Sample};
use crate::reading::Value;
use nightjar_calc::time::Timestamp;
use pco::standalone::{simple_compress, simple_decompress_into};

const VERSION: u8 = 1;

/// Most readings one hour of one channel can hold: one each millisecond.
const MOST: usize = 3_600_000;

/// What a chart wants to know of an hour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Summary {
    /// Readings in all.
    pub n: u32,
    /// Of these good or uncertain; the rest of the summary is about these.
    pub used: u32,
    /// Smallest value.
    pub low: i32,
    /// Largest value.
    pub high: i32,
    /// Sum of the values.
    pub sum: i64,
    /// Moment of the first, ms.
    pub first_at: i64,
    /// Moment of the last, ms.
    pub last_at: i64,
}

impl Summary {
    /// Of any samples, in any order.
    pub(super) fn of<'a>(samples: impl IntoIterator<Item = &'a Sample>) -> Self {
        let mut all = Self { n: 0, used: 0, low: 0, high: 0, sum: 0, first_at: 0, last_at: 0 };
        for sample in samples {
            all.n += 1;
            if sample.is_usable() {
                let (value, at) = (sample.value.0, sample.at.ms());
                all.join(&Self {
                    n: 0,
                    used: 1,
                    low: value,
                    high: value,
                    sum: value.into(),
                    first_at: at,
                    last_at: at,
                });
            }
        }
        all
    }

    /// Takes in another summary.
    pub(super) fn join(&mut self, other: &Self) {
        let n = self.n + other.n;
        if self.used == 0 {
            *self = *other;
        } else if other.used > 0 {
            self.low = self.low.min(other.low);
            self.high = self.high.max(other.high);
            self.first_at = self.first_at.min(other.first_at);
            self.last_at = self.last_at.max(other.last_at);
            self.sum += other.sum;
            self.used += other.used;
        }
        self.n = n;
    }
}

/// Compresses the samples of one hour; they are sorted and each moment occurs once.
///
/// # Errors
/// When the compressor refuses, which it does for no input that can occur.
pub(super) fn encode(hour: i64, samples: &[Sample]) -> Result<Vec<u8>, Damage> {
    let config = pco::ChunkConfig::default();
    let offsets = samples
        .iter()
        .map(|s| u32::try_from(s.at.ms() - hour * HOUR_MS).map_err(|_| Damage::Number))
        .collect::<Result<Vec<u32>, Damage>>()?;
    let values: Vec<i32> = samples.iter().map(|s| s.value.0).collect();
    let offsets = simple_compress(&offsets, &config).map_err(|e| Damage::Codec(e.to_string()))?;
    let values = simple_compress(&values, &config).map_err(|e| Damage::Codec(e.to_string()))?;

    let mut out = Vec::with_capacity(8 + offsets.len() + values.len());
    out.push(VERSION);
    put(&mut out, samples.len() as u64);
    put_marks(&mut out, samples);
    put(&mut out, offsets.len() as u64);
    out.extend_from_slice(&offsets);
    out.extend_from_slice(&values);
    Ok(out)
}

fn put_marks(out: &mut Vec<u8>, samples: &[Sample]) {
    let marks = samples.iter().map(|s| mark(s.quality, s.reason));
    let mut run: Option<(u8, u64)> = None;
    for mark in marks {
        run = match run {
            Some((same, n)) if same == mark => Some((same, n + 1)),
            ended => {
                if let Some((mark, n)) = ended {
                    out.push(mark);
                    put(out, n);
                }
                Some((mark, 1))
            }
        };
    }
    if let Some((mark, n)) = run {
        out.push(mark);
        put(out, n);
    }
}

/// The inverse of [`encode`].
///
/// # Errors
/// When the bytes are not what [`encode`] wrote.
pub(super) fn decode(hour: i64, mut bytes: &[u8]) -> Result<Vec<Sample>, Damage> {
    let bytes = &mut bytes;
    let (&version, rest) = bytes.split_first().ok_or(Damage::Short)?;
    *bytes = rest;
    if version != VERSION {
        return Err(Damage::Version(version));
    }
    let n = usize::try_from(take(bytes)?).map_err(|_| Damage::Number)?;
    if n > MOST {
        return Err(Damage::Number);
    }
    let marks = take_marks(bytes, n)?;
    let len = usize::try_from(take(bytes)?).map_err(|_| Damage::Number)?;
    if len > bytes.len() {
        return Err(Damage::Short);
    }
    let (offsets, values) = bytes.split_at(len);
    let offsets = decompress::<u32>(offsets, n)?;
    let values = decompress::<i32>(values, n)?;

    let mut samples = Vec::with_capacity(n);
    for ((offset, value), mark) in offsets.into_iter().zip(values).zip(marks) {
        if i64::from(offset) >= HOUR_MS {
            return Err(Damage::Number);
        }
        let (quality, reason) = unmark(mark)?;
        let at = Timestamp::from_ms(hour * HOUR_MS + i64::from(offset));
        samples.push(Sample { at, value: Value(value), quality, reason });
    }
    Ok(samples)
}

fn take_marks(bytes: &mut &[u8], n: usize) -> Result<Vec<u8>, Damage> {
    let mut marks = Vec::with_capacity(n.min(4096));
    while marks.len() < n {
        let (&mark, rest) = bytes.split_first().ok_or(Damage::Short)?;
        *bytes = rest;
        let run = usize::try_from(take(bytes)?).map_err(|_| Damage::Number)?;
        if run == 0 || run > n - marks.len() {
            return Err(Damage::Number);
        }
        marks.resize(marks.len() + run, mark);
    }
    Ok(marks)
}

fn decompress<T: pco::data_types::Number + Default>(bytes: &[u8], n: usize) -> Result<Vec<T>, Damage> {
    let mut numbers = vec![T::default(); n];
    let done = simple_decompress_into(bytes, &mut numbers).map_err(|e| Damage::Codec(e.to_string()))?;
    if done.n_processed == n && done.finished { Ok(numbers) } else { Err(Damage::Short) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::{Quality, Reason};
    use proptest::prelude::*;

    const HOUR: i64 = 493_333;

    fn samples() -> impl Strategy<Value = Vec<Sample>> {
        prop::collection::btree_map(0..HOUR_MS, (any::<i32>(), 0_u8..3, 0_u8..14), 1..200).prop_map(|all| {
            all.into_iter()
                .map(|(offset, (value, quality, reason))| {
                    let (quality, reason) = unmark(reason << 2 | quality).unwrap();
                    let at = Timestamp::from_ms(HOUR * HOUR_MS + offset);
                    Sample { at, value: Value(value), quality, reason }
                })
                .collect()
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn an_hour_comes_back_exactly(samples in samples()) {
            prop_assert_eq!(decode(HOUR, &encode(HOUR, &samples).unwrap()).unwrap(), samples);
        }

        #[test]
        fn damaged_bytes_never_panic(samples in samples(), at in any::<prop::sample::Index>(), byte in any::<u8>()) {
            let mut bytes = encode(HOUR, &samples).unwrap();
            let at = at.index(bytes.len());
            bytes[at] = byte;
            // Either refused, or it decodes to some samples: never a panic.
            drop(decode(HOUR, &bytes));
            drop(decode(HOUR, &bytes[..at]));
        }

        #[test]
        fn a_summary_of_parts_is_that_of_the_whole(samples in samples(), at in any::<prop::sample::Index>()) {
            let (left, right) = samples.split_at(at.index(samples.len()));
            let mut joined = Summary::of(left);
            joined.join(&Summary::of(right));
            let whole = Summary::of(&samples);
            prop_assert_eq!(joined.n, whole.n);
            prop_assert_eq!(joined.used, whole.used);
            if whole.used > 0 {
                prop_assert_eq!(joined, whole);
            }
        }
    }

    #[test]
    fn bad_readings_count_but_do_not_move_the_summary() {
        let at = |s: i64| Timestamp::from_ms(HOUR * HOUR_MS + s * 1000);
        let good = |s, v| Sample { at: at(s), value: Value(v), quality: Quality::Good, reason: Reason::None };
        let bad =
            Sample { at: at(5), value: Value(-1_270_000), quality: Quality::Bad, reason: Reason::Sentinel };
        let summary = Summary::of(&[good(0, 110_000), bad, good(10, 112_000)]);
        assert_eq!((summary.n, summary.used, summary.low, summary.high), (3, 2, 110_000, 112_000));
        assert_eq!(summary.sum, 222_000);
    }
}
