//! From bytes to lines, whatever pieces the bytes come in, in memory that never grows.
//!
//! Not for: what a line means, see [`super::decode`].

/// Longest line taken, in bytes without its end. NMEA 0183 allows 82; a board with 48 sensors in
/// one JSON line needs more.
pub const LONGEST_LINE: usize = 1024;

/// What the splitter found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece<'a> {
    /// A whole line without its end and without surrounding NULs; never empty.
    Line(&'a [u8]),
    /// The beginning of a line that is too long. Said once, as soon as it is known; the rest of
    /// the line is passed over.
    Overlong(&'a [u8]),
}

/// Cuts a stream of bytes at CR and LF.
#[derive(Debug)]
pub struct LineSplitter {
    line: Vec<u8>,
    passing_over: bool,
}

impl Default for LineSplitter {
    fn default() -> Self {
        Self { line: Vec::with_capacity(LONGEST_LINE), passing_over: false }
    }
}

impl LineSplitter {
    /// Takes the next bytes and hands out each line that ends in them. Empty lines are passed
    /// over, so that CR, LF, CR LF and LF CR all end one line.
    pub fn push(&mut self, mut bytes: &[u8], mut each: impl FnMut(Piece<'_>)) {
        while !bytes.is_empty() {
            if self.passing_over && !bytes.contains(&b'\n') && !bytes.contains(&b'\r') {
                return; // a flood: looked through as fast as the machine can
            }
            let end = bytes.iter().position(|b| matches!(b, b'\n' | b'\r'));
            let (piece, rest) = match end {
                Some(at) => (&bytes[..at], &bytes[at + 1..]),
                None => (bytes, &bytes[bytes.len()..]),
            };
            bytes = rest;
            if !self.passing_over {
                let room = LONGEST_LINE - self.line.len();
                self.line.extend_from_slice(&piece[..piece.len().min(room)]);
                if piece.len() > room {
                    self.passing_over = true;
                    each(Piece::Overlong(&self.line));
                }
            }
            if end.is_some() {
                if !self.passing_over {
                    let line = trimmed(&self.line);
                    if !line.is_empty() {
                        each(Piece::Line(line));
                    }
                }
                self.line.clear();
                self.passing_over = false;
            }
        }
    }

    /// Forgets a line that has begun: the device it came from is gone.
    pub fn reset(&mut self) {
        self.line.clear();
        self.passing_over = false;
    }
}

/// Without the NULs that a break or a plug put in leaves at the ends. One in the middle stays: it
/// stands in the place of something.
fn trimmed(line: &[u8]) -> &[u8] {
    let begin = line.iter().position(|b| *b != 0).unwrap_or(line.len());
    let end = line.iter().rposition(|b| *b != 0).map_or(begin, |at| at + 1);
    &line[begin..end]
}

/// Exclusive or over all bytes: the checksum of NMEA 0183, taken between `$` and `*`.
#[must_use]
pub fn xor(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum ^ byte)
}

/// A body and the checksum said of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Checked<'a> {
    /// No `*hh` at the end.
    Without(&'a str),
    /// `*hh` at the end, and right.
    Right(&'a str),
    /// `*hh` at the end, and wrong.
    Wrong,
}

/// Takes `*hh` off the end and compares it with the bytes before it.
#[must_use]
pub fn checked(text: &str) -> Checked<'_> {
    let Some((body, sum)) = text.rsplit_once('*') else { return Checked::Without(text) };
    let hex = sum.len() == 2 && sum.bytes().all(|b| b.is_ascii_hexdigit());
    match u8::from_str_radix(sum, 16) {
        Ok(said) if hex && said == xor(body.as_bytes()) => Checked::Right(body),
        _ => Checked::Wrong,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn lines(pieces: &[&[u8]]) -> Vec<(bool, Vec<u8>)> {
        let mut splitter = LineSplitter::default();
        let mut found = Vec::new();
        for piece in pieces {
            splitter.push(piece, |p| {
                found.push(match p {
                    Piece::Line(line) => (true, line.to_vec()),
                    Piece::Overlong(line) => (false, line.to_vec()),
                });
            });
        }
        found
    }

    #[test]
    fn all_line_ends_in_use_are_taken() {
        let found = lines(&[b"a\nb\r\nc\rd\n\re\n\n\n\0f\0\n\0\0\nhalf"]);
        let text: Vec<_> = found.iter().map(|(_, line)| line.as_slice()).collect();
        assert_eq!(text, [b"a", b"b", b"c", b"d", b"e", b"f"]);
    }

    #[test]
    fn a_line_of_the_limit_passes_and_one_byte_more_does_not() {
        let fits = [vec![b'x'; LONGEST_LINE], b"\n".to_vec()].concat();
        assert_eq!(lines(&[&fits]), [(true, vec![b'x'; LONGEST_LINE])]);
        let long = [vec![b'x'; LONGEST_LINE + 1], b"\nnext\n".to_vec()].concat();
        let found = lines(&[&long]);
        assert_eq!(found, [(false, vec![b'x'; LONGEST_LINE]), (true, b"next".to_vec())]);
    }

    #[test]
    fn a_gigabyte_without_an_end_costs_one_count_and_no_memory() {
        let mut splitter = LineSplitter::default();
        let block = vec![b'U'; 1 << 20];
        let mut overlong = 0;
        for _ in 0..1024 {
            splitter.push(&block, |piece| {
                assert!(matches!(piece, Piece::Overlong(_)));
                overlong += 1;
            });
        }
        assert_eq!((overlong, splitter.line.capacity()), (1, LONGEST_LINE));
        let mut after = Vec::new();
        splitter.push(b"\n$ok\n", |piece| after.push(format!("{piece:?}")));
        assert_eq!(after, [format!("{:?}", Piece::Line(b"$ok"))]);
    }

    #[test]
    fn the_checksum_is_the_one_of_the_standard() {
        // The sentence most often printed as the example of the NMEA 0183 checksum, from memory.
        let body = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,";
        assert_eq!(xor(body.as_bytes()), 0x47);
        assert_eq!(checked(&format!("{body}*47")), Checked::Right(body));
        for wrong in ["*48", "*4", "*047", "*+7", "*zz", "*"] {
            assert_eq!(checked(&format!("{body}{wrong}")), Checked::Wrong, "{wrong}");
        }
        assert_eq!(checked(body), Checked::Without(body));
    }

    proptest! {
        #[test]
        fn where_the_stream_is_cut_makes_no_difference(
            bytes in proptest::collection::vec(
                prop_oneof![Just(b'\n'), Just(b'\r'), Just(0_u8), any::<u8>()], 0..5000),
            cuts in proptest::collection::vec(any::<proptest::sample::Index>(), 0..20),
        ) {
            let mut at: Vec<usize> = cuts.iter().map(|cut| cut.index(bytes.len() + 1)).collect();
            at.push(0);
            at.push(bytes.len());
            at.sort_unstable();
            let pieces: Vec<&[u8]> = at.windows(2).map(|w| &bytes[w[0]..w[1]]).collect();
            prop_assert_eq!(lines(&pieces), lines(&[&bytes]));
        }

        #[test]
        fn a_stream_without_ends_cut_anywhere_is_one_overlong_line(n in 1025_usize..4000, cut in 1_usize..4000) {
            let bytes = vec![b'x'; n];
            let (a, b) = bytes.split_at(cut.min(n));
            prop_assert_eq!(lines(&[a, b]).len(), 1);
        }
    }
}
