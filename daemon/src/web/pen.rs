//! The path of a drawing, written as steps from point to point: a third shorter than places, and it
//! packs far better, which counts on a phone at the edge of the network.

use std::fmt::Write as _;

/// Draws with tenths of a unit. Places are rounded, not steps, so that errors do not add up.
#[derive(Default)]
pub struct Pen {
    path: String,
    at: Option<(i64, i64)>,
}

impl Pen {
    /// Goes to a place without drawing.
    pub fn start(&mut self, x: f64, y: f64) {
        match self.at {
            None => self.step('M', x, y, (0, 0)),
            Some(from) => self.step('m', x, y, from),
        }
    }

    /// Draws a line to a place.
    pub fn line(&mut self, x: f64, y: f64) {
        match self.at {
            None => self.step('M', x, y, (0, 0)),
            Some(from) => self.step('l', x, y, from),
        }
    }

    /// Draws straight up or down.
    pub fn upright(&mut self, y: f64) {
        let Some((x, from)) = self.at else { return };
        let to = tenths(y);
        self.path.push('v');
        number(&mut self.path, to - from);
        self.at = Some((x, to));
    }

    /// The path, for the attribute `d`.
    pub fn done(self) -> String {
        self.path
    }

    fn step(&mut self, kind: char, x: f64, y: f64, from: (i64, i64)) {
        let to = (tenths(x), tenths(y));
        self.path.push(kind);
        number(&mut self.path, to.0 - from.0);
        if to.1 >= from.1 {
            self.path.push(' ');
        }
        number(&mut self.path, to.1 - from.1);
        self.at = Some(to);
    }
}

#[expect(clippy::cast_possible_truncation, reason = "a drawing is a few hundred units wide")]
fn tenths(value: f64) -> i64 {
    (value * 10.0).round() as i64
}

fn number(path: &mut String, tenths: i64) {
    let (whole, rest) = (tenths.abs() / 10, tenths.abs() % 10);
    let sign = if tenths < 0 { "-" } else { "" };
    // Writing to a String cannot fail.
    let _written = match (whole, rest) {
        (whole, 0) => write!(path, "{sign}{whole}"),
        (0, rest) => write!(path, "{sign}.{rest}"),
        (whole, rest) => write!(path, "{sign}{whole}.{rest}"),
    };
}

#[cfg(test)]
pub mod tests {
    use super::*;

    /// The places a path goes through, read by the grammar of SVG 2, 9.3: a sign begins a new
    /// number, small letters are steps.
    pub fn places(path: &str) -> Vec<(f64, f64)> {
        let (mut x, mut y) = (0.0, 0.0);
        let mut all = Vec::new();
        let mut rest = path;
        while let Some(kind) = rest.chars().next() {
            let end = rest[1..].find(|c: char| c.is_ascii_alphabetic()).map_or(rest.len(), |i| i + 1);
            let spaced = rest[1..end].replace('-', " -");
            let numbers: Vec<f64> = spaced.split_whitespace().map(|n| n.parse().unwrap()).collect();
            match (kind, numbers.as_slice()) {
                ('M', [a, b]) => (x, y) = (*a, *b),
                ('m' | 'l', [a, b]) => (x, y) = (x + a, y + b),
                ('v', [b]) => y += b,
                ('z', []) => {}
                other => panic!("{other:?} in {path}"),
            }
            all.push((x, y));
            rest = &rest[end..];
        }
        all
    }

    #[test]
    fn steps_lead_to_the_places_asked_for() {
        let mut pen = Pen::default();
        let asked: Vec<(f64, f64)> =
            (0..500).map(|i| (f64::from(i) * 1.937, 100.0 + 90.0 * (f64::from(i) * 0.7).sin())).collect();
        for (x, y) in &asked {
            pen.line(*x, *y);
        }
        pen.start(3.0, 4.0);
        pen.upright(0.46);
        let path = pen.done();
        let read = places(&path);
        assert_eq!(read.len(), asked.len() + 2);
        for ((x, y), (a, b)) in asked.iter().zip(&read) {
            assert!((x - a).abs() < 0.051 && (y - b).abs() < 0.051, "{x} {y} became {a} {b}");
        }
        assert!(path.ends_with("v-3.5"), "{path}");
    }

    #[test]
    fn numbers_are_as_short_as_they_can_be() {
        let mut pen = Pen::default();
        pen.start(46.0, 145.4);
        pen.line(46.5, 145.4);
        pen.line(45.0, 140.0);
        assert_eq!(pen.done(), "M46 145.4l.5 0l-1.5-5.4");
    }
}
