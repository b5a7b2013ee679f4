//! Readings packed into one row of the tail: a version byte, the earliest moment, how many, then
//! for each reading its channel, time, value and quality as variable-length integers.
//!
//! A scan of 48 readings takes about 350 bytes, so that some ten commits share a page.

use super::error::Damage;
use super::sample::{ChannelId, STORABLE_MS, Sample};
use crate::reading::{Quality, Reason, Value};
use nightjar_calc::time::Timestamp;

const VERSION: u8 = 1;

/// Appends an unsigned integer, seven bits a byte, low bits first.
pub(super) fn put(out: &mut Vec<u8>, mut n: u64) {
    while n >= 0x80 {
        #[expect(clippy::cast_possible_truncation, reason = "only the low bits are wanted")]
        out.push((n as u8) | 0x80);
        n >>= 7;
    }
    #[expect(clippy::cast_possible_truncation, reason = "below 0x80")]
    out.push(n as u8);
}

/// Takes an unsigned integer off the front.
pub(super) fn take(bytes: &mut &[u8]) -> Result<u64, Damage> {
    let mut n = 0_u64;
    for shift in (0..64).step_by(7) {
        let (&byte, rest) = bytes.split_first().ok_or(Damage::Short)?;
        *bytes = rest;
        n |= u64::from(byte & 0x7f).checked_shl(shift).ok_or(Damage::Number)?;
        if byte < 0x80 {
            return Ok(n);
        }
    }
    Err(Damage::Number)
}

const fn zigzag(n: i64) -> u64 {
    ((n << 1) ^ (n >> 63)).cast_unsigned()
}

const fn unzigzag(n: u64) -> i64 {
    (n >> 1).cast_signed() ^ -((n & 1).cast_signed())
}

/// Quality and reason in one byte. The numbers are part of the file format: add, never change.
pub(super) fn mark(quality: Quality, reason: Reason) -> u8 {
    let quality = match quality {
        Quality::Good => 0,
        Quality::Uncertain => 1,
        Quality::Bad => 2,
    };
    let reason = match reason {
        Reason::None => 0,
        Reason::NotFinite => 1,
        Reason::Sentinel => 2,
        Reason::Range => 3,
        Reason::Spike => 4,
        Reason::Stuck => 5,
        Reason::OutOfWater => 6,
        Reason::SiteVisit => 7,
        Reason::Disagrees => 8,
        Reason::Stale => 9,
        Reason::FutureTime => 10,
        Reason::UntrustedClock => 11,
        Reason::Retained => 12,
        Reason::Device => 13,
    };
    reason << 2 | quality
}

/// The inverse of [`mark`].
pub(super) fn unmark(byte: u8) -> Result<(Quality, Reason), Damage> {
    let quality = match byte & 3 {
        0 => Quality::Good,
        1 => Quality::Uncertain,
        2 => Quality::Bad,
        _ => return Err(Damage::Mark(byte)),
    };
    let reason = match byte >> 2 {
        0 => Reason::None,
        1 => Reason::NotFinite,
        2 => Reason::Sentinel,
        3 => Reason::Range,
        4 => Reason::Spike,
        5 => Reason::Stuck,
        6 => Reason::OutOfWater,
        7 => Reason::SiteVisit,
        8 => Reason::Disagrees,
        9 => Reason::Stale,
        10 => Reason::FutureTime,
        11 => Reason::UntrustedClock,
        12 => Reason::Retained,
        13 => Reason::Device,
        _ => return Err(Damage::Mark(byte)),
    };
    Ok((quality, reason))
}

/// Packs readings in the order given.
pub(super) fn pack(readings: &[(ChannelId, Sample)]) -> Vec<u8> {
    let base = readings.iter().map(|(_, s)| s.at.ms()).min().unwrap_or(0);
    let mut out = Vec::with_capacity(16 + readings.len() * 8);
    out.push(VERSION);
    put(&mut out, zigzag(base));
    put(&mut out, readings.len() as u64);
    for (channel, sample) in readings {
        put(&mut out, u64::from(channel.0));
        put(&mut out, zigzag(sample.at.ms() - base));
        put(&mut out, zigzag(i64::from(sample.value.0)));
        out.push(mark(sample.quality, sample.reason));
    }
    out
}

/// The inverse of [`pack`].
///
/// # Errors
/// When the bytes are not what [`pack`] wrote.
pub(super) fn unpack(mut bytes: &[u8]) -> Result<Vec<(ChannelId, Sample)>, Damage> {
    let bytes = &mut bytes;
    let (&version, rest) = bytes.split_first().ok_or(Damage::Short)?;
    *bytes = rest;
    if version != VERSION {
        return Err(Damage::Version(version));
    }
    let base = unzigzag(take(bytes)?);
    let n = usize::try_from(take(bytes)?).map_err(|_| Damage::Number)?;
    // A reading takes four bytes at least: more cannot be in there, whatever the number says.
    if n > bytes.len() / 4 {
        return Err(Damage::Short);
    }
    let mut readings = Vec::with_capacity(n);
    for _ in 0..n {
        let channel = ChannelId(u32::try_from(take(bytes)?).map_err(|_| Damage::Number)?);
        let at = base.checked_add(unzigzag(take(bytes)?)).ok_or(Damage::Number)?;
        let value = i32::try_from(unzigzag(take(bytes)?)).map_err(|_| Damage::Number)?;
        let (&byte, rest) = bytes.split_first().ok_or(Damage::Short)?;
        *bytes = rest;
        if !STORABLE_MS.contains(&at) {
            return Err(Damage::Number);
        }
        let (quality, reason) = unmark(byte)?;
        readings.push((channel, Sample { at: Timestamp::from_ms(at), value: Value(value), quality, reason }));
    }
    if bytes.is_empty() { Ok(readings) } else { Err(Damage::Long) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    pub(in crate::store) fn any_sample() -> impl Strategy<Value = Sample> {
        (STORABLE_MS, any::<i32>(), 0_u8..3, 0_u8..14).prop_map(|(at, value, quality, reason)| {
            let (quality, reason) = unmark(reason << 2 | quality).unwrap();
            Sample { at: Timestamp::from_ms(at), value: Value(value), quality, reason }
        })
    }

    proptest! {
        #[test]
        fn what_is_packed_comes_back(readings in prop::collection::vec((any::<u32>().prop_map(ChannelId), any_sample()), 0..60)) {
            prop_assert_eq!(unpack(&pack(&readings)).unwrap(), readings);
        }

        #[test]
        fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            if let Ok(readings) = unpack(&bytes) {
                prop_assert_eq!(unpack(&pack(&readings)).unwrap(), readings);
            }
        }
    }

    #[test]
    fn a_scan_of_48_readings_stays_under_400_bytes() {
        let scan: Vec<_> = (0..48_u32)
            .map(|c| {
                let at = Timestamp::from_ms(1_776_000_000_000 + i64::from(c) * 17);
                let value = Value(110_000 + 37 * i32::try_from(c).unwrap());
                (ChannelId(c), Sample { at, value, quality: Quality::Good, reason: Reason::None })
            })
            .collect();
        assert!(pack(&scan).len() < 400, "{}", pack(&scan).len());
    }
}
