//! Texts that we get: SMS-DELIVER, 3GPP TS 23.040, section 9.2.2.1.

use super::field::{Address, CentreTime, NotAPdu, Octets, from_hex, to_hex};
use super::user_data::UserData;

const NO_MORE: u8 = 0x04;
const REPORT: u8 = 0x20;
const HEADER: u8 = 0x40;

/// A text from somebody.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Deliver {
    /// Service centre it came through.
    pub centre: Option<Address>,
    /// From whom.
    pub from: Address,
    /// When the centre took it.
    pub at: CentreTime,
    /// No more wait at the centre.
    pub last: bool,
    /// Its sender gets a report.
    pub report: bool,
    /// What it says.
    pub data: UserData,
}

impl Deliver {
    /// From the hexadecimal line of a modem.
    ///
    /// # Errors
    /// When it is no text, or is damaged.
    pub fn from_hex(line: &str) -> Result<Self, NotAPdu> {
        let octets = from_hex(line)?;
        let mut at = Octets::new(&octets);
        let centre = at.centre()?;
        let first = at.octet()?;
        if first & 0b11 != 0 {
            return Err(NotAPdu::Kind(first & 0b11));
        }
        let from = at.address()?;
        at.octet()?;
        let coding = at.octet()?;
        let time = at.centre_time()?;
        let data = UserData::read(&mut at, coding, first & HEADER != 0)?;
        Ok(Self { centre, from, at: time, last: first & NO_MORE != 0, report: first & REPORT != 0, data })
    }

    /// As a modem would hand it over.
    ///
    /// # Errors
    /// When a field does not fit.
    pub fn hex(&self) -> Result<String, NotAPdu> {
        let mut first = 0;
        let mut flag = |wanted: bool, bits: u8| first |= if wanted { bits } else { 0 };
        flag(self.last, NO_MORE);
        flag(self.report, REPORT);
        flag(self.data.part.is_some(), HEADER);
        let mut octets = Address::write_centre(self.centre.as_ref())?;
        octets.push(first);
        octets.extend(self.from.write()?);
        octets.extend([0, self.data.coding.octet()]);
        octets.extend(self.at.write()?);
        octets.extend(self.data.write()?);
        Ok(to_hex(&octets))
    }
}
