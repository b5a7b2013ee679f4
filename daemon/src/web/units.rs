//! Units a person likes to read: °C or °F, L/min or gpm, mL or quarts. Kept in a cookie.
//!
//! Everything inside is °C, L/min, mL and L; this is the only place that changes numbers for show.

use nightjar_calc::quantity::{LITRES_PER_GALLON, LITRES_PER_QUART};

/// Choice of one person.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Units {
    /// °F instead of °C.
    pub fahrenheit: bool,
    /// US gallons a minute instead of L/min.
    pub gallons: bool,
    /// US quarts instead of mL and L.
    pub quarts: bool,
    /// Dates with the month before the day.
    pub month_first: bool,
}

/// What a number measures, for showing and for reading forms.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// °C inside.
    Temperature,
    /// L/min inside.
    Flow,
    /// Small volume of eggs: mL inside.
    Millilitres,
    /// Large volume of eggs: L inside.
    Litres,
}

impl Units {
    /// Reads the cookie: three letters, as `clm` or `fgq`, and `n` behind them for the month before
    /// the day. Anything else is metric.
    pub fn parse(text: &str) -> Self {
        let has = |letter| (3..=4).contains(&text.len()) && text.contains(letter);
        Self { fahrenheit: has('f'), gallons: has('g'), quarts: has('q'), month_first: has('n') }
    }

    /// As kept in the cookie.
    pub fn code(self) -> String {
        let pick = |other, a, b| if other { b } else { a };
        [pick(self.fahrenheit, 'c', 'f'), pick(self.gallons, 'l', 'g'), pick(self.quarts, 'm', 'q')]
            .into_iter()
            .chain(self.month_first.then_some('n'))
            .collect()
    }

    /// Unit as written.
    pub fn name(self, quantity: Quantity) -> &'static str {
        match quantity {
            Quantity::Temperature if self.fahrenheit => "°F",
            Quantity::Temperature => "°C",
            Quantity::Flow if self.gallons => "gpm",
            Quantity::Flow => "L/min",
            Quantity::Millilitres | Quantity::Litres if self.quarts => "qt",
            Quantity::Millilitres => "mL",
            Quantity::Litres => "L",
        }
    }

    /// From inside to show.
    pub fn show(self, quantity: Quantity, value: f64) -> f64 {
        match quantity {
            Quantity::Temperature if self.fahrenheit => value * 1.8 + 32.0,
            Quantity::Flow if self.gallons => value / LITRES_PER_GALLON,
            Quantity::Millilitres if self.quarts => value / (LITRES_PER_QUART * 1000.0),
            Quantity::Litres if self.quarts => value / LITRES_PER_QUART,
            Quantity::Temperature | Quantity::Flow | Quantity::Millilitres | Quantity::Litres => value,
        }
    }

    /// From a form to inside.
    pub fn read(self, quantity: Quantity, value: f64) -> f64 {
        match quantity {
            Quantity::Temperature if self.fahrenheit => (value - 32.0) / 1.8,
            Quantity::Flow if self.gallons => value * LITRES_PER_GALLON,
            Quantity::Millilitres if self.quarts => value * LITRES_PER_QUART * 1000.0,
            Quantity::Litres if self.quarts => value * LITRES_PER_QUART,
            Quantity::Temperature | Quantity::Flow | Quantity::Millilitres | Quantity::Litres => value,
        }
    }

    /// The number for people, without its unit.
    pub fn number(self, quantity: Quantity, value: f64) -> String {
        let shown = self.show(quantity, value);
        match quantity {
            Quantity::Temperature => format!("{shown:.1}"),
            Quantity::Flow => format!("{shown:.1}"),
            Quantity::Millilitres if self.quarts => format!("{shown:.3}"),
            Quantity::Millilitres => format!("{shown:.0}"),
            Quantity::Litres => format!("{shown:.2}"),
        }
    }

    /// The number for people with its unit; a narrow space between keeps them on one line.
    pub fn text(self, quantity: Quantity, value: f64) -> String {
        format!("{}\u{202f}{}", self.number(quantity, value), self.name(quantity))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_shown_reads_back_the_same() {
        for code in ["clm", "fgq", "cgm", "fgqn"] {
            let units = Units::parse(code);
            assert_eq!(units.code(), code);
            for quantity in [Quantity::Temperature, Quantity::Flow, Quantity::Millilitres, Quantity::Litres] {
                let back = units.read(quantity, units.show(quantity, 12.3));
                assert!((back - 12.3).abs() < 1e-9, "{code} {quantity:?}");
            }
        }
    }

    #[test]
    fn the_freezing_point_is_32_fahrenheit_and_garbage_is_metric() {
        assert_eq!(Units::parse("fgq").text(Quantity::Temperature, 0.0), "32.0\u{202f}°F");
        assert_eq!(Units::parse("fffff"), Units::default());
    }
}
