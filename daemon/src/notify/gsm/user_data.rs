//! The text of a unit with the header that joins parts: 3GPP TS 23.040, sections 9.2.3.16 and
//! 9.2.3.24; data coding: 3GPP TS 23.038, section 4.

use super::field::{NotAPdu, Octets};
use super::septet::{pack, septet_text, text_septets, unpack};

/// Octets of user data in one unit.
const ROOM: usize = 140;

/// How characters are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Coding {
    /// The alphabet of seven bits.
    Gsm,
    /// Sixteen bits a character.
    Ucs2,
}

impl Coding {
    /// What a text needs.
    #[must_use]
    pub fn of(text: &str) -> Self {
        if text_septets(text).is_some() { Self::Gsm } else { Self::Ucs2 }
    }

    pub(super) fn octet(self) -> u8 {
        match self {
            Self::Gsm => 0x00,
            Self::Ucs2 => 0x08,
        }
    }

    pub(super) fn read(octet: u8) -> Result<Self, NotAPdu> {
        match octet {
            // General groups; bit 5 says compressed.
            0x00..=0x7F if octet & 0x20 == 0 => match octet >> 2 & 0b11 {
                0b00 => Ok(Self::Gsm),
                0b10 => Ok(Self::Ucs2),
                _ => Err(NotAPdu::Coding(octet)),
            },
            0xC0..=0xDF => Ok(Self::Gsm),
            0xE0..=0xEF => Ok(Self::Ucs2),
            0xF0..=0xFF if octet & 0x04 == 0 => Ok(Self::Gsm),
            _ => Err(NotAPdu::Coding(octet)),
        }
    }
}

/// Place of a part in a joined text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Part {
    /// The same for all parts of a text.
    pub reference: u16,
    /// Whether the reference is written with sixteen bits.
    pub wide: bool,
    /// Parts there are.
    pub total: u8,
    /// Which one this is, from 1.
    pub number: u8,
}

impl Part {
    /// The element of a header.
    #[must_use]
    pub fn element(self) -> Vec<u8> {
        let [high, low] = self.reference.to_be_bytes();
        if self.wide {
            vec![0x08, 0x04, high, low, self.total, self.number]
        } else {
            vec![0x00, 0x03, low, self.total, self.number]
        }
    }

    fn read(kind: u8, value: &[u8]) -> Result<Option<Self>, NotAPdu> {
        let part = match (kind, value) {
            (0x00, [reference, total, number]) => {
                Self { reference: u16::from(*reference), wide: false, total: *total, number: *number }
            }
            (0x08, [high, low, total, number]) => {
                let reference = u16::from_be_bytes([*high, *low]);
                Self { reference, wide: true, total: *total, number: *number }
            }
            (0x00 | 0x08, _) => return Err(NotAPdu::Header),
            _ => return Ok(None),
        };
        if part.number == 0 || part.number > part.total {
            return Err(NotAPdu::Part);
        }
        Ok(Some(part))
    }
}

/// A text, or one part of one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UserData {
    /// Its characters.
    pub text: String,
    /// How they are written.
    pub coding: Coding,
    /// Which part it is, when joined.
    pub part: Option<Part>,
}

impl UserData {
    /// A text in one piece.
    #[must_use]
    pub fn whole(text: &str) -> Self {
        Self { text: text.to_owned(), coding: Coding::of(text), part: None }
    }

    fn header(&self) -> Vec<u8> {
        let Some(part) = self.part else { return Vec::new() };
        let element = part.element();
        let mut header = vec![u8::try_from(element.len()).unwrap_or(0)];
        header.extend(element);
        header
    }

    /// Its length octet and what follows.
    pub(super) fn write(&self) -> Result<Vec<u8>, NotAPdu> {
        let header = self.header();
        let (length, data) = match self.coding {
            Coding::Gsm => {
                let septets = text_septets(&self.text).ok_or(NotAPdu::Coding(0))?;
                let (before, fill) = header_septets(header.len());
                (before + septets.len(), pack(&septets, fill))
            }
            Coding::Ucs2 => {
                let data: Vec<u8> = self.text.encode_utf16().flat_map(u16::to_be_bytes).collect();
                (header.len() + data.len(), data)
            }
        };
        if header.len() + data.len() > ROOM {
            return Err(NotAPdu::TooLong);
        }
        let mut octets = vec![u8::try_from(length).map_err(|_| NotAPdu::TooLong)?];
        octets.extend(header);
        octets.extend(data);
        Ok(octets)
    }

    pub(super) fn read(at: &mut Octets<'_>, coding: u8, has_header: bool) -> Result<Self, NotAPdu> {
        let coding = Coding::read(coding)?;
        let length = usize::from(at.octet()?);
        let octets = at.take(match coding {
            Coding::Gsm => (length * 7).div_ceil(8),
            Coding::Ucs2 => length,
        })?;
        let (header, data) = if has_header {
            let size = usize::from(*octets.first().ok_or(NotAPdu::Header)?);
            octets.split_at_checked(1 + size).ok_or(NotAPdu::Header)?
        } else {
            octets.split_at(0)
        };
        let part = part_of(header.get(1..).unwrap_or_default())?;
        let text = match coding {
            Coding::Gsm => {
                let (before, fill) = header_septets(header.len());
                let count = length.checked_sub(before).ok_or(NotAPdu::Header)?;
                septet_text(&unpack(data, count, fill)?)?
            }
            Coding::Ucs2 => utf16(data)?,
        };
        Ok(Self { text, coding, part })
    }
}

/// Septets that a header takes, and the bits that fill up its last one.
fn header_septets(octets: usize) -> (usize, u32) {
    let septets = (octets * 8).div_ceil(7);
    (septets, u32::try_from(septets * 7 - octets * 8).unwrap_or(0))
}

/// The joining element among those of a header; others are passed over.
fn part_of(mut elements: &[u8]) -> Result<Option<Part>, NotAPdu> {
    let mut found = None;
    while let [kind, size, rest @ ..] = elements {
        let (value, after) = rest.split_at_checked(usize::from(*size)).ok_or(NotAPdu::Header)?;
        // When it stands twice the last one counts (section 9.2.3.24).
        found = Part::read(*kind, value)?.or(found);
        elements = after;
    }
    if elements.is_empty() { Ok(found) } else { Err(NotAPdu::Header) }
}

fn utf16(octets: &[u8]) -> Result<String, NotAPdu> {
    if !octets.len().is_multiple_of(2) {
        return Err(NotAPdu::Surrogate);
    }
    let units: Vec<u16> = octets.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
    String::from_utf16(&units).map_err(|_| NotAPdu::Surrogate)
}
