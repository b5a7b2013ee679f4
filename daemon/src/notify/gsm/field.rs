//! Fields of a unit: hexadecimal digits, semi-octets, addresses, time stamps, validity. 3GPP TS
//! 23.040, sections 9.1.2 and 9.2.3.

use super::septet::{pack, septet_text, text_septets, unpack};
use nightjar_calc::time::{Span, Timestamp};

/// Most semi-octets of an address (3GPP TS 23.040, section 9.1.2.5: 10 octets).
const LONGEST_ADDRESS: usize = 20;

/// Why something is not a unit that can be read, or cannot be written as one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotAPdu {
    /// An odd number of hexadecimal digits, or something else between them.
    #[error("not an even number of hexadecimal digits")]
    Hex,
    /// It ends before its own lengths say so.
    #[error("shorter than it says it is")]
    TooShort,
    /// A type of message not expected here.
    #[error("message type {0} is not expected")]
    Kind(u8),
    /// An address of no or too many digits, or with something else than digits.
    #[error("its address is no address")]
    Address,
    /// A day or time there is not.
    #[error("its time stamp is no time")]
    Time,
    /// Compressed or binary.
    #[error("data coding {0:#04x} holds no text")]
    Coding(u8),
    /// The header of its user data does not fit into it.
    #[error("its header is longer than its data")]
    Header,
    /// A joined part that is none, such as part 4 of 3.
    #[error("its part number is outside of its total")]
    Part,
    /// The last septet is an escape.
    #[error("it ends within a character")]
    EscapeAtEnd,
    /// Not UTF-16.
    #[error("half a character")]
    Surrogate,
    /// More text than a unit holds.
    #[error("too long for one part")]
    TooLong,
    /// A validity period of another form than the relative one.
    #[error("validity period of another form")]
    Validity,
}

pub(super) fn from_hex(line: &str) -> Result<Vec<u8>, NotAPdu> {
    let digits: Option<Vec<u8>> =
        line.chars().map(|c| c.to_digit(16).and_then(|digit| u8::try_from(digit).ok())).collect();
    let digits = digits.filter(|digits| digits.len() % 2 == 0).ok_or(NotAPdu::Hex)?;
    Ok(digits.chunks_exact(2).map(|pair| pair[0] << 4 | pair[1]).collect())
}

pub(super) fn to_hex(octets: &[u8]) -> String {
    octets.iter().map(|octet| format!("{octet:02X}")).collect()
}

/// Reads octets from the front; never past the end.
pub(super) struct Octets<'a>(&'a [u8]);

impl<'a> Octets<'a> {
    pub(super) fn new(octets: &'a [u8]) -> Self {
        Self(octets)
    }

    pub(super) fn octet(&mut self) -> Result<u8, NotAPdu> {
        Ok(self.take(1)?[0])
    }

    pub(super) fn take(&mut self, count: usize) -> Result<&'a [u8], NotAPdu> {
        let (front, rest) = self.0.split_at_checked(count).ok_or(NotAPdu::TooShort)?;
        self.0 = rest;
        Ok(front)
    }

    /// Service centre: counted in octets, none with length 0.
    pub(super) fn centre(&mut self) -> Result<Option<Address>, NotAPdu> {
        let length = usize::from(self.octet()?);
        if length == 0 {
            return Ok(None);
        }
        let octets = self.take(length)?;
        let (kind, digits) = octets.split_first().ok_or(NotAPdu::Address)?;
        if digits.is_empty() || digits.len() * 2 > LONGEST_ADDRESS {
            return Err(NotAPdu::Address);
        }
        let odd = digits.last().is_some_and(|last| last >> 4 == 0xF);
        Address::read(*kind, digits, digits.len() * 2 - usize::from(odd)).map(Some)
    }

    /// Address of a person: counted in semi-octets.
    pub(super) fn address(&mut self) -> Result<Address, NotAPdu> {
        let count = usize::from(self.octet()?);
        if count == 0 || count > LONGEST_ADDRESS {
            return Err(NotAPdu::Address);
        }
        let kind = self.octet()?;
        Address::read(kind, self.take(count.div_ceil(2))?, count)
    }

    pub(super) fn centre_time(&mut self) -> Result<CentreTime, NotAPdu> {
        CentreTime::read(self.take(7)?)
    }
}

/// Swapped semi-octets of a row of digits, filled up with F.
pub(super) fn semi_octets(digits: &str) -> Result<Vec<u8>, NotAPdu> {
    let values: Option<Vec<u8>> = digits.bytes().map(|b| b.is_ascii_digit().then(|| b - b'0')).collect();
    let values = values.ok_or(NotAPdu::Address)?;
    Ok(values.chunks(2).map(|pair| pair.get(1).unwrap_or(&0xF) << 4 | pair[0]).collect())
}

/// Digits of swapped semi-octets.
pub(super) fn digits(octets: &[u8], count: usize) -> Result<String, NotAPdu> {
    let mut text = String::new();
    for at in 0..count {
        let octet = octets.get(at / 2).ok_or(NotAPdu::TooShort)?;
        let value = if at % 2 == 0 { octet & 0xF } else { octet >> 4 };
        text.push(match value {
            0..=9 => char::from(b'0' + value),
            0xA => '*',
            0xB => '#',
            _ => return Err(NotAPdu::Address),
        });
    }
    Ok(text)
}

/// Who a text comes from or goes to.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Address {
    /// In full, digits after the `+`.
    International(String),
    /// As dialled within a country or network: digits, and the octet that says of which kind.
    Local {
        /// As dialled.
        digits: String,
        /// Type of number and numbering plan.
        kind: u8,
    },
    /// A word instead of a number, as carriers and shops send.
    Word(String),
}

/// Number in the national form (type of number 010, numbering plan 0001).
const NATIONAL: u8 = 0xA1;
const INTERNATIONAL: u8 = 0x91;
const WORD: u8 = 0xD0;

impl Address {
    /// From a number as people write it: in full with `+`, else as dialled.
    ///
    /// # Errors
    /// When it is not 1 to 20 digits.
    pub fn from_number(number: &str) -> Result<Self, NotAPdu> {
        let (international, digits) = match number.strip_prefix('+') {
            Some(digits) => (true, digits),
            None => (false, number),
        };
        let right =
            (1..=LONGEST_ADDRESS).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_digit());
        match (right, international) {
            (false, _) => Err(NotAPdu::Address),
            (true, true) => Ok(Self::International(digits.to_owned())),
            (true, false) => Ok(Self::Local { digits: digits.to_owned(), kind: NATIONAL }),
        }
    }

    /// As people write it.
    #[must_use]
    pub fn number(&self) -> String {
        match self {
            Self::International(digits) => format!("+{digits}"),
            Self::Local { digits, .. } => digits.clone(),
            Self::Word(word) => word.clone(),
        }
    }

    fn read(kind: u8, octets: &[u8], count: usize) -> Result<Self, NotAPdu> {
        // Type of number: bits 6 to 4.
        match kind >> 4 & 0b111 {
            0b101 => {
                let septets = unpack(octets, count * 4 / 7, 0)?;
                Ok(Self::Word(septet_text(&septets)?))
            }
            0b001 => Ok(Self::International(digits(octets, count)?)),
            _ => Ok(Self::Local { digits: digits(octets, count)?, kind }),
        }
    }

    /// Length in semi-octets, kind, value.
    pub(super) fn write(&self) -> Result<Vec<u8>, NotAPdu> {
        let (count, kind, value) = match self {
            Self::International(digits) => (digits.len(), INTERNATIONAL, semi_octets(digits)?),
            Self::Local { digits, kind } => (digits.len(), *kind, semi_octets(digits)?),
            Self::Word(word) => {
                let septets = text_septets(word).ok_or(NotAPdu::Address)?;
                ((septets.len() * 7).div_ceil(4), WORD, pack(&septets, 0))
            }
        };
        let length = u8::try_from(count).ok().filter(|_| (1..=LONGEST_ADDRESS).contains(&count));
        let mut octets = vec![length.ok_or(NotAPdu::Address)?, kind];
        octets.extend(value);
        Ok(octets)
    }

    /// As the service centre: length in octets, with the kind.
    pub(super) fn write_centre(centre: Option<&Self>) -> Result<Vec<u8>, NotAPdu> {
        let Some(centre) = centre else { return Ok(vec![0]) };
        let mut octets = centre.write()?;
        octets[0] = u8::try_from(octets.len() - 1).map_err(|_| NotAPdu::Address)?;
        Ok(octets)
    }
}

/// Time the service centre put on a text: local to the centre, with its distance from UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CentreTime {
    /// The moment.
    pub at: Timestamp,
    /// Local time minus UTC, in quarters of an hour.
    pub quarters: i8,
}

const QUARTER: i64 = 15 * 60_000;

impl CentreTime {
    fn read(octets: &[u8]) -> Result<Self, NotAPdu> {
        let mut numbers = [0_u32; 6];
        for (number, octet) in numbers.iter_mut().zip(octets) {
            *number = decimal(*octet)?;
        }
        let [year, month, day, hour, minute, second] = numbers;
        let zone = *octets.get(6).ok_or(NotAPdu::TooShort)?;
        let quarters = i8::try_from(decimal(zone & !0x08)?).map_err(|_| NotAPdu::Time)?;
        let quarters = if zone & 0x08 == 0 { quarters } else { -quarters };
        let year = i32::try_from(2000 + year).map_err(|_| NotAPdu::Time)?;
        let local = chrono::NaiveDate::from_ymd_opt(year, month, day)
            .and_then(|day| day.and_hms_opt(hour, minute, second))
            .ok_or(NotAPdu::Time)?;
        let ms = local.and_utc().timestamp_millis() - i64::from(quarters) * QUARTER;
        Ok(Self { at: Timestamp::from_ms(ms), quarters })
    }

    pub(super) fn write(self) -> Result<Vec<u8>, NotAPdu> {
        use chrono::{Datelike, Timelike};
        let ms = self.at.ms() + i64::from(self.quarters) * QUARTER;
        let local = chrono::DateTime::from_timestamp_millis(ms).ok_or(NotAPdu::Time)?;
        let year = u32::try_from(local.year() - 2000).ok().filter(|year| *year < 100).ok_or(NotAPdu::Time)?;
        let numbers = [year, local.month(), local.day(), local.hour(), local.minute(), local.second()];
        let mut octets: Vec<u8> = numbers.iter().filter_map(|number| swapped(*number)).collect();
        let zone = swapped(u32::from(self.quarters.unsigned_abs())).ok_or(NotAPdu::Time)?;
        octets.push(if self.quarters < 0 { zone | 0x08 } else { zone });
        Ok(octets)
    }

    /// The same for the same stamp, whatever the zone of the machine.
    #[must_use]
    pub fn text(self) -> String {
        format!("{} {:+} min", self.at.rfc3339(), i32::from(self.quarters) * 15)
    }
}

/// Two swapped decimal digits.
fn decimal(octet: u8) -> Result<u32, NotAPdu> {
    let (tens, ones) = (octet & 0xF, octet >> 4);
    if tens > 9 || ones > 9 {
        return Err(NotAPdu::Time);
    }
    Ok(u32::from(tens) * 10 + u32::from(ones))
}

fn swapped(number: u32) -> Option<u8> {
    let number = u8::try_from(number).ok().filter(|number| *number < 100)?;
    Some(((number % 10) << 4) | (number / 10))
}

/// How long the network keeps trying: relative form, 3GPP TS 23.040, section 9.2.3.12.1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Validity(pub u8);

impl Validity {
    /// The shortest that is at least this long; five minutes to 63 weeks.
    #[must_use]
    pub fn at_least(span: Span) -> Self {
        (0..=u8::MAX).map(Self).find(|validity| validity.span() >= span).unwrap_or(Self(u8::MAX))
    }

    /// Its length.
    #[must_use]
    pub fn span(self) -> Span {
        let value = i64::from(self.0);
        Span::from_minutes(match value {
            0..=143 => (value + 1) * 5,
            144..=167 => 12 * 60 + (value - 143) * 30,
            168..=196 => (value - 166) * 24 * 60,
            _ => (value - 192) * 7 * 24 * 60,
        })
    }
}
