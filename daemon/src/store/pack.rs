//! Readings packed into one row of the tail: a version byte, the first moment, how many, then for
//! each reading a byte that says what differs from the usual (next channel, same time, good),
//! what differs, and its value; integers take as many bytes as they need.
//!
//! A scan of 48 readings takes about 200 bytes, so that some twenty commits share a page. Every
//! new page costs three others their rewriting.

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

/// The channel is not the one after the one before.
const CHANNEL: u8 = 1;
/// The time is not that of the one before.
const TIME: u8 = 2;
/// Not simply good.
const MARK: u8 = 4;

/// Packs readings in the order given.
pub(super) fn pack(readings: &[(ChannelId, Sample)]) -> Vec<u8> {
    let mut time = readings.first().map_or(0, |(_, s)| s.at.ms());
    let mut next = 1_u32;
    let mut out = Vec::with_capacity(16 + readings.len() * 6);
    out.push(VERSION);
    put(&mut out, zigzag(time));
    put(&mut out, readings.len() as u64);
    for (channel, sample) in readings {
        let (at, mark) = (sample.at.ms(), mark(sample.quality, sample.reason));
        let control = if channel.0 == next { 0 } else { CHANNEL }
            | if at == time { 0 } else { TIME }
            | if mark == 0 { 0 } else { MARK };
        out.push(control);
        if control & CHANNEL != 0 {
            put(&mut out, u64::from(channel.0));
        }
        if control & TIME != 0 {
            put(&mut out, zigzag(at - time));
        }
        if control & MARK != 0 {
            out.push(mark);
        }
        put(&mut out, zigzag(i64::from(sample.value.0)));
        (next, time) = (channel.0.wrapping_add(1), at);
    }
    out
}

/// The inverse of [`pack`].
///
/// # Errors
/// When the bytes are not what [`pack`] wrote.
pub(super) fn unpack(mut bytes: &[u8]) -> Result<Vec<(ChannelId, Sample)>, Damage> {
    let bytes = &mut bytes;
    let version = take_byte(bytes)?;
    if version != VERSION {
        return Err(Damage::Version(version));
    }
    let mut time = unzigzag(take(bytes)?);
    let mut next = 1_u32;
    let n = usize::try_from(take(bytes)?).map_err(|_| Damage::Number)?;
    // A reading takes two bytes at least: more cannot be in there, whatever the number says.
    if n > bytes.len() / 2 {
        return Err(Damage::Short);
    }
    let mut readings = Vec::with_capacity(n);
    for _ in 0..n {
        let control = take_byte(bytes)?;
        if control > CHANNEL | TIME | MARK {
            return Err(Damage::Number);
        }
        if control & CHANNEL != 0 {
            next = u32::try_from(take(bytes)?).map_err(|_| Damage::Number)?;
        }
        if control & TIME != 0 {
            time = time.checked_add(unzigzag(take(bytes)?)).ok_or(Damage::Number)?;
        }
        let mark = if control & MARK == 0 { 0 } else { take_byte(bytes)? };
        let value = i32::try_from(unzigzag(take(bytes)?)).map_err(|_| Damage::Number)?;
        if !STORABLE_MS.contains(&time) {
            return Err(Damage::Number);
        }
        let (quality, reason) = unmark(mark)?;
        let at = Timestamp::from_ms(time);
        readings.push((ChannelId(next), Sample { at, value: Value(value), quality, reason }));
        next = next.wrapping_add(1);
    }
    if bytes.is_empty() { Ok(readings) } else { Err(Damage::Long) }
}

fn take_byte(bytes: &mut &[u8]) -> Result<u8, Damage> {
    let (&byte, rest) = bytes.split_first().ok_or(Damage::Short)?;
    *bytes = rest;
    Ok(byte)
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
    fn a_scan_of_48_readings_stays_near_200_bytes() {
        let scan: Vec<_> = (1..=48_u32)
            .map(|c| {
                let at = Timestamp::from_ms(1_776_000_000_000);
                let value = Value(110_000 + 37 * i32::try_from(c).unwrap());
                (ChannelId(c), Sample { at, value, quality: Quality::Good, reason: Reason::None })
            })
            .collect();
        assert!(pack(&scan).len() <= 205, "{}", pack(&scan).len());
    }
}
