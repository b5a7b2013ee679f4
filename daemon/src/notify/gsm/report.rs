//! What became of a text of ours: SMS-STATUS-REPORT, 3GPP TS 23.040, section 9.2.2.3.

use super::field::{Address, CentreTime, NotAPdu, Octets, from_hex, to_hex};

/// Message type, and no more messages waiting.
const STATUS_REPORT: u8 = 0x06;

/// A delivery report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StatusReport {
    /// Service centre it came through.
    pub centre: Option<Address>,
    /// Reference the modem gave the text.
    pub reference: u8,
    /// To whom the text went.
    pub to: Address,
    /// When the centre took it.
    pub submitted: CentreTime,
    /// When what it says came about.
    pub done: CentreTime,
    /// What it says.
    pub status: u8,
}

/// What a report says about a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrival {
    /// It arrived.
    Arrived,
    /// The network is still trying.
    Trying,
    /// It will not arrive.
    Failed,
}

impl StatusReport {
    /// From the hexadecimal line of a modem.
    ///
    /// # Errors
    /// When it is no report, or is damaged.
    pub fn from_hex(line: &str) -> Result<Self, NotAPdu> {
        let octets = from_hex(line)?;
        let mut at = Octets::new(&octets);
        let centre = at.centre()?;
        let first = at.octet()?;
        if first & 0b11 != STATUS_REPORT & 0b11 {
            return Err(NotAPdu::Kind(first & 0b11));
        }
        let reference = at.octet()?;
        let to = at.address()?;
        let (submitted, done) = (at.centre_time()?, at.centre_time()?);
        Ok(Self { centre, reference, to, submitted, done, status: at.octet()? })
    }

    /// As a modem would hand it over.
    ///
    /// # Errors
    /// When a field does not fit.
    pub fn hex(&self) -> Result<String, NotAPdu> {
        let mut octets = Address::write_centre(self.centre.as_ref())?;
        octets.extend([STATUS_REPORT, self.reference]);
        octets.extend(self.to.write()?);
        octets.extend(self.submitted.write()?);
        octets.extend(self.done.write()?);
        octets.push(self.status);
        Ok(to_hex(&octets))
    }

    /// What it says (section 9.2.3.15; ranges from memory of the standard).
    #[must_use]
    pub fn arrival(&self) -> Arrival {
        match self.status {
            0x00..=0x1F => Arrival::Arrived,
            0x20..=0x3F => Arrival::Trying,
            _ => Arrival::Failed,
        }
    }
}
