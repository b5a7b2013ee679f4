//! What is read from a device and how the number is coded in its registers. Pure.

use crate::ingest::counters::Refusal;

/// How a number is coded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Coding {
    /// Unsigned, one register.
    U16,
    /// Two's complement, one register.
    I16,
    /// Unsigned, two registers.
    U32,
    /// Two's complement, two registers.
    I32,
    /// IEEE 754 binary32, two registers.
    F32,
}

impl Coding {
    /// Registers it takes.
    #[must_use]
    pub const fn registers(self) -> u16 {
        match self {
            Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
        }
    }
}

/// Which of the two tables of a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Table {
    /// Holding registers, function 3.
    Holding,
    /// Input registers, function 4.
    Input,
}

/// One polled value.
#[derive(Clone, Debug, PartialEq)]
pub struct Register {
    /// Name of the sensor.
    pub sensor: String,
    /// Address of the device on the bus, 1 to 247 (0 or 255 for some devices over TCP).
    pub unit: u8,
    /// Which table.
    pub table: Table,
    /// Address of its first register, from 0.
    pub address: u16,
    /// How the number is coded.
    pub coding: Coding,
    /// The word with the low half comes first. The standard does not say which does.
    pub low_word_first: bool,
    /// The low byte comes first in each word, against the standard.
    pub low_byte_first: bool,
    /// Multiplied into the number first.
    pub scale: f64,
    /// Added then.
    pub offset: f64,
}

impl Register {
    /// The number in the words of an answer, scaled. An IEEE NaN stays one: devices say so that
    /// their sensor has failed.
    ///
    /// # Errors
    /// When the answer has another length than asked for.
    pub fn value(&self, words: &[u16]) -> Result<f64, Refusal> {
        let word = |at: usize| {
            let word = words.get(at).copied().ok_or(Refusal::Malformed)?;
            Ok(if self.low_byte_first { word.swap_bytes() } else { word })
        };
        if words.len() != usize::from(self.coding.registers()) {
            return Err(Refusal::Malformed);
        }
        let double = || {
            let (first, second) = (u32::from(word(0)?), u32::from(word(1)?));
            Ok(if self.low_word_first { second << 16 | first } else { first << 16 | second })
        };
        let number = match self.coding {
            Coding::U16 => f64::from(word(0)?),
            Coding::I16 => f64::from(word(0)?.cast_signed()),
            Coding::U32 => f64::from(double()?),
            Coding::I32 => f64::from(double()?.cast_signed()),
            Coding::F32 => f64::from(f32::from_bits(double()?)),
        };
        Ok(number * self.scale + self.offset)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn register(coding: Coding) -> Register {
        Register {
            sensor: "J07F".to_owned(),
            unit: 1,
            table: Table::Input,
            address: 0,
            coding,
            low_word_first: false,
            low_byte_first: false,
            scale: 1.0,
            offset: 0.0,
        }
    }

    fn check(register: &Register, words: &[u16], expected: f64) {
        assert_eq!(register.value(words).unwrap().to_bits(), expected.to_bits(), "{register:?}");
    }

    #[test]
    fn all_codings_in_all_orders() {
        check(&register(Coding::U16), &[0xffff], 65_535.0);
        check(&register(Coding::I16), &[0xffff], -1.0);
        check(&register(Coding::U32), &[0x0001, 0x0002], 65_538.0);
        check(&register(Coding::I32), &[0xffff, 0xfffe], -2.0);
        // IEEE 754: 0x40490fdb is the binary32 nearest to pi.
        check(&register(Coding::F32), &[0x4049, 0x0fdb], f64::from(std::f32::consts::PI));
        let swapped = Register { low_word_first: true, ..register(Coding::F32) };
        check(&swapped, &[0x0fdb, 0x4049], f64::from(std::f32::consts::PI));
        let bytes = Register { low_byte_first: true, ..register(Coding::F32) };
        check(&bytes, &[0x4940, 0xdb0f], f64::from(std::f32::consts::PI));
        let both = Register { low_byte_first: true, ..swapped };
        check(&both, &[0xdb0f, 0x4940], f64::from(std::f32::consts::PI));
    }

    #[test]
    fn scale_comes_before_offset() {
        let tenths = Register { scale: 0.1, offset: -40.0, ..register(Coding::U16) };
        check(&tenths, &[514], 514.0 * 0.1 - 40.0);
    }

    #[test]
    fn a_failed_sensor_stays_nan_and_a_short_answer_is_refused() {
        assert!(register(Coding::F32).value(&[0x7fc0, 0]).unwrap().is_nan());
        assert_eq!(register(Coding::F32).value(&[1]), Err(Refusal::Malformed));
        assert_eq!(register(Coding::U16).value(&[]), Err(Refusal::Malformed));
        assert_eq!(register(Coding::U16).value(&[1, 2]), Err(Refusal::Malformed));
    }
}
