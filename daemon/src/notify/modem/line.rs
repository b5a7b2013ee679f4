//! Bytes of the port to lines. A line ends in CR or LF; the prompt for a text has no end at all.

/// Bytes of the longest line. More is noise: dropped to the next end of a line, and counted.
pub const LONGEST_LINE: usize = 1024;
const PROMPT: &[u8] = b"> ";

/// What the bytes were.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Piece {
    /// A line, without its end.
    Line(String),
    /// The modem waits for the unit.
    Prompt,
    /// A line too long to be any.
    Overlong,
}

/// Cuts bytes into pieces, however they arrive.
#[derive(Debug, Default)]
pub struct Splitter {
    line: Vec<u8>,
    overlong: bool,
}

impl Splitter {
    /// Takes a byte; says what it completed.
    pub fn push(&mut self, byte: u8) -> Option<Piece> {
        match byte {
            b'\r' | b'\n' => {
                let line = std::mem::take(&mut self.line);
                if std::mem::take(&mut self.overlong) {
                    return Some(Piece::Overlong);
                }
                (!line.is_empty()).then(|| Piece::Line(String::from_utf8_lossy(&line).into_owned()))
            }
            0 => None,
            _ if self.overlong => None,
            _ if self.line.len() == LONGEST_LINE => {
                self.overlong = true;
                self.line.clear();
                None
            }
            byte => {
                self.line.push(byte);
                if self.line == PROMPT {
                    self.line.clear();
                    return Some(Piece::Prompt);
                }
                None
            }
        }
    }

    /// Forgets what has not become a line.
    pub fn clear(&mut self) {
        *self = Self::default();
    }
}
