//! NMEA 0183 style `XDR` sentences: quadruples of type, value, unit and name.
//!
//! `$NJXDR,C,11.42,C,J07T,R,0.0533,L,J07F*hh`. Any talker is taken. Types of the standard: `C`
//! temperature, `R` flow rate (unit `l`, litres a second); others pass with their number as it
//! is, for counts, ohms and currents.

use super::{Decoded, number};
use crate::ingest::counters::Refusal;
use crate::ingest::frame::{Checked, checked};
use crate::reading::RawReading;
use std::collections::{BTreeMap, BTreeSet};

/// How sentences are read.
#[derive(Clone, Debug, PartialEq)]
pub struct Sentences {
    /// Refuse sentences without a checksum.
    pub checksum_required: bool,
    /// Litres per minute in one unit of a flow, by the unit's letters in capitals.
    pub flow_units: BTreeMap<String, f64>,
}

impl Default for Sentences {
    /// Checksums required; `L` is litres a second, as in the standard.
    fn default() -> Self {
        Self { checksum_required: true, flow_units: BTreeMap::from([("L".to_owned(), 60.0)]) }
    }
}

impl Sentences {
    /// Decodes one sentence.
    ///
    /// # Errors
    /// When it is not a sound XDR sentence.
    pub fn decode(&self, line: &str) -> Result<Decoded, Refusal> {
        // A line end lost on the way leaves half a line before the sentence.
        let (_, sentence) = line.rsplit_once('$').ok_or(Refusal::Malformed)?;
        let body = match checked(sentence.trim_end()) {
            Checked::Right(body) => body,
            Checked::Without(body) if !self.checksum_required => body,
            Checked::Without(_) => return Err(Refusal::NoChecksum),
            Checked::Wrong => return Err(Refusal::Checksum),
        };
        let mut fields = body.split(',');
        let address = fields.next().unwrap_or_default();
        if !address.bytes().all(|b| b.is_ascii_alphanumeric()) || address.len() < 3 {
            return Err(Refusal::Malformed);
        }
        if !address.ends_with("XDR") {
            return Err(Refusal::OtherSentence);
        }
        let fields: Vec<&str> = fields.collect();
        if fields.is_empty() || !fields.len().is_multiple_of(4) {
            return Err(Refusal::Malformed);
        }
        let mut decoded = Decoded::default();
        let mut seen = BTreeSet::new();
        for quadruple in fields.chunks_exact(4) {
            let &[kind, value, unit, name] = quadruple else { continue };
            let read =
                if seen.insert(name) { self.value(kind, value, unit) } else { Err(Refusal::DuplicateName) };
            match read {
                Ok(value) => decoded.readings.push(RawReading {
                    name: name.trim().to_owned(),
                    value,
                    at: None,
                    retained: false,
                }),
                Err(why) => decoded.refused.push(why),
            }
        }
        Ok(decoded)
    }

    fn value(&self, kind: &str, value: &str, unit: &str) -> Result<f64, Refusal> {
        let value = number(value)?;
        match kind {
            "C" => match unit {
                "C" | "" => Ok(value),
                "F" => Ok((value - 32.0) / 1.8),
                "K" => Ok(value - 273.15),
                _ => Err(Refusal::UnknownUnit),
            },
            "R" => self
                .flow_units
                .get(&unit.to_ascii_uppercase())
                .map(|litres_per_minute| value * litres_per_minute)
                .ok_or(Refusal::UnknownUnit),
            _ => Ok(value),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::frame::xor;

    fn sentence(body: &str) -> String {
        format!("${body}*{:02X}", xor(body.as_bytes()))
    }

    fn values(line: &str) -> Result<Vec<(String, f64)>, Refusal> {
        let decoded = Sentences::default().decode(line)?;
        Ok(decoded.readings.into_iter().map(|r| (r.name, r.value)).collect())
    }

    #[test]
    fn temperature_and_flow_come_in_celsius_and_litres_a_minute() {
        let found = values(&sentence("NJXDR,C,11.42,C,J07T,R,0.0533,L,J07F")).unwrap();
        assert_eq!(found[0], ("J07T".to_owned(), 11.42));
        assert_eq!(found[1].0, "J07F");
        assert!((found[1].1 - 3.198).abs() < 1e-12);
        let found = values(&sentence("WIXDR,C,50.0,F,A,C,283.15,K,B,R,0.1,l,D,U,2.5,V,E,G,812,,G")).unwrap();
        let numbers: Vec<f64> = found.iter().map(|(_, v)| (v * 1e9).round() / 1e9).collect();
        assert_eq!(numbers, [10.0, 10.0, 6.0, 2.5, 812.0]);
    }

    #[test]
    fn a_sentence_of_a_weather_instrument_is_understood() {
        // Captured form of a common marine air-temperature sentence, checksum by hand from memory.
        let line = "$WIXDR,C,022.0,C,,*52";
        assert_eq!(Sentences::default().decode(line).unwrap_err(), Refusal::Malformed);
        let line = sentence("WIXDR,C,022.0,C,AIR");
        assert_eq!(values(&line).unwrap(), [("AIR".to_owned(), 22.0)]);
    }

    #[test]
    fn one_bad_quadruple_does_not_take_the_others_along() {
        let line = sentence("NJXDR,C,,C,A,C,x,C,B,C,1,Q,D,R,1,Z,E,C,9,C,F,C,8,C,F");
        let decoded = Sentences::default().decode(&line).unwrap();
        assert_eq!(decoded.readings.len(), 1);
        use Refusal::{DuplicateName, NoValue, NotANumber, UnknownUnit};
        assert_eq!(decoded.refused, [NoValue, NotANumber, UnknownUnit, UnknownUnit, DuplicateName]);
    }

    #[test]
    fn what_is_not_a_sound_sentence_is_refused_with_its_reason() {
        let good = sentence("NJXDR,C,11.42,C,J07T");
        for (line, why) in [
            ("NJXDR,C,11.42,C,J07T", Refusal::Malformed),
            ("$NJXDR,C,11.42,C,J07T", Refusal::NoChecksum),
            (&good.replace("11.42", "11.43"), Refusal::Checksum),
            (&good[..good.len() - 1], Refusal::Checksum),
            (&sentence("GPRMC,1,2,3"), Refusal::OtherSentence),
            (&sentence("NJXDR"), Refusal::Malformed),
            (&sentence("NJXDR,C,11.42,C"), Refusal::Malformed),
            (&sentence("<svg>XDR,C,1,C,A"), Refusal::Malformed),
        ] {
            assert_eq!(values(line).unwrap_err(), why, "{line}");
        }
        let loose = Sentences { checksum_required: false, ..Sentences::default() };
        assert!(loose.decode("$NJXDR,C,11.42,C,J07T").is_ok());
        assert_eq!(loose.decode("$NJXDR,C,11.42,C,J07T*00"), Err(Refusal::Checksum));
    }

    #[test]
    fn half_a_line_before_the_sentence_is_passed_over() {
        let line = format!("$NJXDR,C,11.{}", sentence("NJXDR,C,9.5,C,J07T"));
        assert_eq!(values(&line).unwrap(), [("J07T".to_owned(), 9.5)]);
    }

    #[test]
    fn other_flow_units_are_a_matter_of_configuration() {
        let mut sentences = Sentences::default();
        sentences.flow_units.insert("M".to_owned(), 1.0);
        let decoded = sentences.decode(&sentence("NJXDR,R,3.2,M,J07F")).unwrap();
        assert_eq!(decoded.readings[0].value.to_bits(), 3.2_f64.to_bits());
    }
}
