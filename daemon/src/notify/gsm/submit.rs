//! Texts that we send: SMS-SUBMIT, 3GPP TS 23.040, section 9.2.2.2.

use super::field::{Address, NotAPdu, Octets, Validity, from_hex, to_hex};
use super::septet::text_septets;
use super::user_data::{Coding, Part, UserData};

const SUBMIT: u8 = 0x01;
const REJECT_DUPLICATES: u8 = 0x04;
const RELATIVE_VALIDITY: u8 = 0x10;
const VALIDITY_FORM: u8 = 0x18;
const REPORT: u8 = 0x20;
const HEADER: u8 = 0x40;
/// Septets of one part of a joined text with a reference of eight bits.
const PART_SEPTETS: usize = 153;
/// Units of sixteen bits of one part.
const PART_UNITS: usize = 67;
/// Septets and units in one piece.
const WHOLE: (usize, usize) = (160, 70);

/// One unit for the network.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Submit {
    /// To whom.
    pub to: Address,
    /// How long the network keeps trying; its own choice when not given.
    pub validity: Option<Validity>,
    /// Whether a delivery report is wanted.
    pub report: bool,
    /// Whether the centre drops a second one with the same reference.
    pub reject_duplicates: bool,
    /// What it says.
    pub data: UserData,
}

impl Submit {
    /// Hexadecimal digits for the modem, and the number for its command: octets without the
    /// service centre, which is left to the card.
    ///
    /// # Errors
    /// When the address is none or the text is too long for one part.
    pub fn hex(&self) -> Result<(String, usize), NotAPdu> {
        let mut first = SUBMIT;
        let mut flag = |wanted: bool, bits: u8| first |= if wanted { bits } else { 0 };
        flag(self.reject_duplicates, REJECT_DUPLICATES);
        flag(self.validity.is_some(), RELATIVE_VALIDITY);
        flag(self.report, REPORT);
        flag(self.data.part.is_some(), HEADER);
        // Centre of the card; the modem gives the reference.
        let mut octets = vec![0, first, 0];
        octets.extend(self.to.write()?);
        octets.extend([0, self.data.coding.octet()]);
        octets.extend(self.validity.map(|validity| validity.0));
        octets.extend(self.data.write()?);
        Ok((to_hex(&octets), octets.len() - 1))
    }

    /// Reads one back.
    ///
    /// # Errors
    /// When it is no such unit, or is damaged.
    pub fn from_hex(line: &str) -> Result<Self, NotAPdu> {
        let octets = from_hex(line)?;
        let mut at = Octets::new(&octets);
        at.centre()?;
        let first = at.octet()?;
        if first & 0b11 != SUBMIT {
            return Err(NotAPdu::Kind(first & 0b11));
        }
        at.octet()?;
        let to = at.address()?;
        at.octet()?;
        let coding = at.octet()?;
        let validity = match first & VALIDITY_FORM {
            0 => None,
            RELATIVE_VALIDITY => Some(Validity(at.octet()?)),
            _ => return Err(NotAPdu::Validity),
        };
        Ok(Self {
            to,
            validity,
            report: first & REPORT != 0,
            reject_duplicates: first & REJECT_DUPLICATES != 0,
            data: UserData::read(&mut at, coding, first & HEADER != 0)?,
        })
    }
}

/// A text as one piece, or as parts joined under a reference. Characters are never split.
///
/// # Errors
/// When it needs more than 255 parts.
pub fn split(text: &str, reference: u8) -> Result<Vec<UserData>, NotAPdu> {
    let coding = Coding::of(text);
    let size = |c: char| match coding {
        Coding::Gsm => text_septets(c.encode_utf8(&mut [0; 4])).map_or(1, |septets| septets.len()),
        Coding::Ucs2 => c.len_utf16(),
    };
    let (whole, room) = match coding {
        Coding::Gsm => (WHOLE.0, PART_SEPTETS),
        Coding::Ucs2 => (WHOLE.1, PART_UNITS),
    };
    if text.chars().map(size).sum::<usize>() <= whole {
        return Ok(vec![UserData { text: text.to_owned(), coding, part: None }]);
    }
    let mut pieces = vec![String::new()];
    let mut used = 0;
    for c in text.chars() {
        if used + size(c) > room {
            pieces.push(String::new());
            used = 0;
        }
        used += size(c);
        pieces.last_mut().into_iter().for_each(|piece| piece.push(c));
    }
    let total = u8::try_from(pieces.len()).map_err(|_| NotAPdu::TooLong)?;
    let part = |number| Part { reference: u16::from(reference), wide: false, total, number };
    Ok(pieces
        .into_iter()
        .zip(1..=total)
        .map(|(text, number)| UserData { text, coding, part: Some(part(number)) })
        .collect())
}
