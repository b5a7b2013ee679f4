//! The alphabet of text messages: GSM 7 bit default alphabet and its extension table, 3GPP TS
//! 23.038, section 6.2.1 (tables written from memory of the standard); and below it the packing of
//! texts into the units a modem sends and receives, 3GPP TS 23.040, section 9.2.

mod deliver;
mod field;
mod report;
mod septet;
mod submit;
mod user_data;

pub use deliver::Deliver;
pub use field::{Address, CentreTime, NotAPdu, Validity};
pub use report::{Arrival, StatusReport};
pub use septet::{pack, septet_text, text_septets, unpack};
pub use submit::{Submit, split};
pub use user_data::{Coding, Part, UserData};

use field::Octets;

/// What a modem hands over as one message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Received {
    /// A text from somebody.
    Text(Deliver),
    /// What became of a text of ours.
    Report(StatusReport),
}

impl Received {
    /// From the hexadecimal line of a modem, service centre first.
    ///
    /// # Errors
    /// When it is neither a text nor a report, or is damaged.
    pub fn from_hex(line: &str) -> Result<Self, NotAPdu> {
        let octets = field::from_hex(line)?;
        let mut at = Octets::new(&octets);
        at.centre()?;
        match at.octet()? & 0b11 {
            0b00 => Ok(Self::Text(Deliver::from_hex(line)?)),
            0b10 => Ok(Self::Report(StatusReport::from_hex(line)?)),
            other => Err(NotAPdu::Kind(other)),
        }
    }
}

/// Characters of one septet.
const BASIC: &str = "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡\
ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà";

/// Characters of two septets.
const EXTENSION: &str = "\u{c}^{}\\[~]|€";

/// Length in septets, or `None` when a character is outside the alphabet.
#[must_use]
pub fn septets(text: &str) -> Option<usize> {
    text.chars()
        .map(|c| match c {
            c if BASIC.contains(c) => Some(1),
            c if EXTENSION.contains(c) => Some(2),
            _ => None,
        })
        .sum()
}

/// The text in characters of one septet only: others are written as what they look like, and
/// control characters as a space. What is unknown becomes `?`.
#[must_use]
pub fn plain(text: &str) -> String {
    text.chars().fold(String::new(), |mut out, c| {
        match replacement(c) {
            Some(other) => out.push_str(other),
            None if c.is_control() || c.is_whitespace() => out.push(' '),
            None if BASIC.contains(c) => out.push(c),
            None => out.push('?'),
        }
        out
    })
}

fn replacement(c: char) -> Option<&'static str> {
    Some(match c {
        '[' | '{' => "(",
        ']' | '}' => ")",
        '^' | '~' | '–' | '—' | '−' => "-",
        '|' | '\\' => "/",
        '‘' | '’' | '`' => "'",
        '“' | '”' => "\"",
        '…' => "...",
        '°' => "",
        '€' => "EUR",
        '·' => "*",
        'á' | 'â' | 'ã' | 'ā' | 'ą' => "a",
        'À' | 'Á' | 'Â' | 'Ã' | 'Ā' | 'Ą' => "A",
        'ç' | 'ć' | 'č' => "c",
        'Ć' | 'Č' => "C",
        'ê' | 'ë' | 'ē' | 'ę' | 'ě' => "e",
        'È' | 'Ê' | 'Ë' | 'Ē' | 'Ę' | 'Ě' => "E",
        'í' | 'î' | 'ï' | 'ī' => "i",
        'Ì' | 'Í' | 'Î' | 'Ï' | 'Ī' => "I",
        'ł' => "l",
        'Ł' => "L",
        'ń' | 'ň' => "n",
        'Ń' | 'Ň' => "N",
        'ó' | 'ô' | 'õ' | 'ō' | 'ő' => "o",
        'Ò' | 'Ó' | 'Ô' | 'Õ' | 'Ō' | 'Ő' => "O",
        'ř' => "r",
        'Ř' => "R",
        'š' | 'ś' => "s",
        'Š' | 'Ś' => "S",
        'ú' | 'û' | 'ū' | 'ů' | 'ű' => "u",
        'Ù' | 'Ú' | 'Û' | 'Ū' | 'Ů' | 'Ű' => "U",
        'ý' | 'ÿ' => "y",
        'Ý' => "Y",
        'ž' | 'ź' | 'ż' => "z",
        'Ž' | 'Ź' | 'Ż' => "Z",
        _ => return None,
    })
}

#[cfg(test)]
mod vectors;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_alphabet_has_127_characters_and_the_escape() {
        // 3GPP TS 23.038: 128 positions, of which 0x1B is the escape to the extension table.
        assert_eq!(BASIC.chars().count(), 127);
    }

    #[test]
    fn characters_outside_are_replaced_and_the_rest_stays() {
        assert_eq!(plain("Bac n° 7 [à côté]"), "Bac n 7 (à coté)".replace('ô', "o"));
        assert_eq!(plain("魚\n7"), "? 7");
        assert_eq!(septets("a€"), Some(3));
        assert_eq!(septets("°"), None);
    }
}
