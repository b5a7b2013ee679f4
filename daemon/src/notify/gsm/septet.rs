//! Characters to septets to octets and back: 3GPP TS 23.038, sections 6.1.2.1 and 6.2.1.

use super::field::NotAPdu;
use super::{BASIC, EXTENSION};

/// Leads to the extension table.
const ESCAPE: u8 = 0x1B;
/// Places of [`EXTENSION`] in its table.
const EXTENSION_AT: [u8; 10] = [0x0A, 0x14, 0x28, 0x29, 0x2F, 0x3C, 0x3D, 0x3E, 0x40, 0x65];

/// Septets of a text, or `None` when a character is outside the alphabet.
#[must_use]
pub fn text_septets(text: &str) -> Option<Vec<u8>> {
    let mut septets = Vec::with_capacity(text.len());
    for c in text.chars() {
        if let Some(at) = BASIC.chars().position(|basic| basic == c) {
            let at = u8::try_from(at).ok()?;
            septets.push(if at >= ESCAPE { at + 1 } else { at });
        } else {
            let at = EXTENSION.chars().position(|extended| extended == c)?;
            septets.extend([ESCAPE, EXTENSION_AT[at]]);
        }
    }
    Some(septets)
}

/// Text of septets. A place of the extension table that is empty shows the basic character, as the
/// standard asks.
///
/// # Errors
/// When the last septet is an escape to nowhere.
pub fn septet_text(septets: &[u8]) -> Result<String, NotAPdu> {
    let mut text = String::with_capacity(septets.len());
    let mut rest = septets.iter().map(|septet| septet & 0x7F);
    while let Some(septet) = rest.next() {
        if septet != ESCAPE {
            text.extend(basic(septet));
            continue;
        }
        let next = rest.next().ok_or(NotAPdu::EscapeAtEnd)?;
        let extended = EXTENSION_AT.iter().position(|at| *at == next);
        text.extend(match extended {
            Some(at) => EXTENSION.chars().nth(at),
            // A second escape is reserved for another table nobody uses: a space, says the standard.
            None if next == ESCAPE => Some(' '),
            None => basic(next),
        });
    }
    Ok(text)
}

fn basic(septet: u8) -> Option<char> {
    let at = if septet > ESCAPE { septet - 1 } else { septet };
    BASIC.chars().nth(usize::from(at))
}

/// Octets of septets, after `fill` zero bits (0 to 6) that end a header at a septet's edge.
#[must_use]
pub fn pack(septets: &[u8], fill: u32) -> Vec<u8> {
    let mut octets = Vec::with_capacity(septets.len());
    let (mut held, mut bits) = (0_u32, fill % 7);
    for septet in septets {
        held |= u32::from(septet & 0x7F) << bits;
        bits += 7;
        if bits >= 8 {
            octets.push(low_octet(held));
            held >>= 8;
            bits -= 8;
        }
    }
    if bits > 0 && !(septets.is_empty()) {
        octets.push(low_octet(held));
    }
    octets
}

/// `count` septets out of octets, after `fill` bits. The count decides and not the octets: seven
/// spare bits in the last one would read as another `@`.
///
/// # Errors
/// When there are fewer octets than the count needs.
pub fn unpack(octets: &[u8], count: usize, fill: u32) -> Result<Vec<u8>, NotAPdu> {
    let mut septets = Vec::with_capacity(count.min(octets.len() * 8 / 7));
    let (mut held, mut bits, mut rest) = (0_u32, 0_u32, octets.iter());
    let mut skip = fill % 7;
    while septets.len() < count {
        while bits < 7 + skip {
            held |= u32::from(*rest.next().ok_or(NotAPdu::TooShort)?) << bits;
            bits += 8;
        }
        septets.push(low_octet(held >> skip) & 0x7F);
        held >>= 7 + skip;
        bits -= 7 + skip;
        skip = 0;
    }
    Ok(septets)
}

fn low_octet(held: u32) -> u8 {
    held.to_le_bytes()[0]
}
