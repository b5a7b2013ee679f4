//! Delimited columns: `812,640,0,77` with the names in the configuration.

use super::{Decoded, number};
use crate::ingest::counters::Refusal;
use crate::ingest::frame::{Checked, checked};
use crate::reading::RawReading;
use nightjar_calc::time::Timestamp;

/// What one column holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Column {
    /// Values of this sensor.
    Sensor(String),
    /// The time of the line, RFC 3339.
    Time,
    /// Something else.
    Ignored,
}

/// How columns are read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Columns {
    /// Between two columns. A space stands for any run of spaces and tabs.
    pub separator: char,
    /// From left to right.
    pub columns: Vec<Column>,
    /// Refuse lines that do not end in `*hh` (exclusive or of all bytes before the star).
    pub checksum_required: bool,
}

impl Columns {
    /// Decodes one line. Lines that begin with `#` hold nothing.
    ///
    /// # Errors
    /// When the columns are others than configured, or the checksum or the time is wrong.
    pub fn decode(&self, line: &str) -> Result<Decoded, Refusal> {
        let mut decoded = Decoded::default();
        if line.starts_with('#') {
            return Ok(decoded);
        }
        let body = match checked(line.trim_end()) {
            Checked::Right(body) => body,
            Checked::Without(body) if !self.checksum_required => body,
            Checked::Without(_) => return Err(Refusal::NoChecksum),
            Checked::Wrong => return Err(Refusal::Checksum),
        };
        let fields: Vec<&str> = if self.separator == ' ' {
            body.split_ascii_whitespace().collect()
        } else {
            body.split(self.separator).map(str::trim).collect()
        };
        if fields.len() != self.columns.len() {
            return Err(Refusal::Columns);
        }
        let at = match self.columns.iter().position(|column| *column == Column::Time) {
            Some(place) => Some(Timestamp::parse(fields[place]).map_err(|_| Refusal::BadTime)?),
            None => None,
        };
        for (column, field) in self.columns.iter().zip(fields) {
            let Column::Sensor(name) = column else { continue };
            match number(field) {
                Ok(value) => {
                    decoded.readings.push(RawReading { name: name.clone(), value, at, retained: false })
                }
                Err(why) => decoded.refused.push(why),
            }
        }
        Ok(decoded)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn columns(separator: char) -> Columns {
        let sensor = |name: &str| Column::Sensor(name.to_owned());
        Columns {
            separator,
            columns: vec![sensor("A"), Column::Ignored, sensor("B")],
            checksum_required: false,
        }
    }

    fn values(columns: &Columns, line: &str) -> Result<Vec<f64>, Refusal> {
        Ok(columns.decode(line)?.readings.iter().map(|r| r.value).collect())
    }

    #[test]
    fn columns_are_taken_by_their_place() {
        assert_eq!(values(&columns(','), "812, boot ,640").unwrap(), [812.0, 640.0]);
        assert_eq!(values(&columns('\t'), "812\t\t640").unwrap(), [812.0, 640.0]);
        assert_eq!(values(&columns(' '), "  812   x \t 640").unwrap(), [812.0, 640.0]);
        assert!(values(&columns(','), "# a b c d e").unwrap().is_empty());
        let sum = crate::ingest::frame::xor(b"1,2,3");
        assert_eq!(values(&columns(','), &format!("1,2,3*{sum:02x}")).unwrap(), [1.0, 3.0]);
    }

    #[test]
    fn other_columns_than_configured_are_refused() {
        for (line, why) in [
            ("812,640", Refusal::Columns),
            ("812,640,1,2", Refusal::Columns),
            ("1,2,3*00", Refusal::Checksum),
        ] {
            assert_eq!(values(&columns(','), line).unwrap_err(), why);
        }
        let strict = Columns { checksum_required: true, ..columns(',') };
        assert_eq!(values(&strict, "1,2,3").unwrap_err(), Refusal::NoChecksum);
        assert_eq!(columns(',').decode("x,2,").unwrap().refused, [Refusal::NotANumber, Refusal::NoValue]);
    }

    #[test]
    fn a_column_can_hold_the_time() {
        let with_time =
            Columns { columns: vec![Column::Time, Column::Sensor("A".to_owned())], ..columns(',') };
        let decoded = with_time.decode("2026-04-18T14:00:00Z,7").unwrap();
        assert_eq!(decoded.readings[0].at, Timestamp::parse("2026-04-18T14:00:00Z").ok());
        assert_eq!(with_time.decode("noon,7"), Err(Refusal::BadTime));
    }
}
