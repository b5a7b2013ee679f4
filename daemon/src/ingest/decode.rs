//! From a line or a payload to named numbers.
//!
//! Pure, and never fatal: a frame that cannot be used is refused with its reason, and so is one
//! number among others that can. Numbers leave as they were sent, except that a sentence's
//! temperatures are in °C and its flows in L/min, because the sentence says its unit.

pub mod columns;
pub mod json;
pub mod message;
pub mod sentence;

use super::counters::Refusal;
use crate::reading::RawReading;
pub use columns::Columns;
pub use sentence::Sentences;

/// What the lines of a serial port look like.
#[derive(Clone, Debug, PartialEq)]
pub enum LineFormat {
    /// NMEA 0183 style XDR sentences.
    Sentences(Sentences),
    /// One JSON object a line: names and numbers.
    JsonLines,
    /// Columns between separators, names by configuration.
    Columns(Columns),
}

/// What a frame held.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decoded {
    /// The numbers that can be used.
    pub readings: Vec<RawReading>,
    /// Those that cannot.
    pub refused: Vec<Refusal>,
}

impl LineFormat {
    /// Decodes one line.
    ///
    /// # Errors
    /// Why the line as a whole cannot be used.
    pub fn decode(&self, line: &[u8]) -> Result<Decoded, Refusal> {
        let text = text(line)?;
        match self {
            Self::Sentences(sentences) => sentences.decode(text),
            Self::JsonLines => json::decode_line(text),
            Self::Columns(columns) => columns.decode(text),
        }
    }
}

/// Text without control characters. A board at another speed fails here.
fn text(bytes: &[u8]) -> Result<&str, Refusal> {
    let text = std::str::from_utf8(bytes).map_err(|_| Refusal::NotText)?;
    if text.chars().any(|c| c.is_control() && c != '\t') { Err(Refusal::NotText) } else { Ok(text) }
}

/// A number as boards write it. `nan` and `inf` are numbers that say the sensor has failed; they
/// pass, to be judged. Anything else that is not digits is refused, so that no word is taken for a
/// number.
fn number(text: &str) -> Result<f64, Refusal> {
    let text = text.trim();
    if text.is_empty() {
        return Err(Refusal::NoValue);
    }
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let not_finite = ["nan", "inf", "infinity"].iter().any(|word| unsigned.eq_ignore_ascii_case(word));
    let digits = unsigned.starts_with(|c: char| c.is_ascii_digit() || c == '.')
        && unsigned.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'e' | b'E' | b'+' | b'-'));
    if not_finite || digits {
        text.parse().map_err(|_| Refusal::NotANumber)
    } else {
        Err(Refusal::NotANumber)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_digits_and_nothing_else() {
        for (good, value) in [("11.42", 11.42), (" -0.5 ", -0.5), ("+3", 3.0), (".5", 0.5), ("1e-400", 0.0)] {
            assert_eq!(number(good).map(f64::to_bits), Ok(f64::to_bits(value)), "{good}");
        }
        assert!(number("NaN").unwrap().is_nan() && number("-inf").unwrap().is_infinite());
        assert!(number("1e999").unwrap().is_infinite());
        assert_eq!(number("  "), Err(Refusal::NoValue));
        for bad in ["11,42", "0x1F", "ten", "1 2", "1e", "--1", "infinite", "1_000", "٣", "e5", "-"] {
            assert_eq!(number(bad), Err(Refusal::NotANumber), "{bad}");
        }
    }

    #[test]
    fn control_characters_are_not_text() {
        for bad in [&b"11\0.42"[..], b"\x1b[2J", b"\xff\xfe", b"a\x7f"] {
            assert_eq!(text(bad), Err(Refusal::NotText));
        }
        assert!(text(b"1\t2").is_ok());
    }
}
