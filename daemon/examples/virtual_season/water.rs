//! The water of the season as it is, without the noise of any sensor: what sums of thermal units are held
//! against.

use crate::chance::Dice;
use nightjar_calc::time::Span;
use std::cell::RefCell;
use std::f64::consts::TAU;

/// A warm spell may warm the water this fast, °C an hour: less than the limit on its rate.
const WARMING: f64 = 0.6;
/// Highest temperature of a spell, °C; the usual limit is 15.
const SPELL_TOP: f64 = 16.2;
/// Steps of the trapezoids: no wave of the water is shorter than a day, no ramp than some hours.
const STEP: Span = Span::from_secs(60);

/// The curve, and each jar's own distance from it.
pub struct Water {
    /// Mean, °C; then swing, period in days and phase of each wave.
    mean: f64,
    waves: Vec<(f64, f64, f64)>,
    offsets: Vec<f64>,
    spells: Vec<Spell>,
    /// °C·days of the shared water from the beginning to each step, made as far as they are asked for.
    sums: RefCell<Vec<f64>>,
}

/// Warmer water for some hours.
struct Spell {
    from: Span,
    until: Span,
    by: f64,
}

impl Water {
    /// From the seed.
    pub fn new(seed: u64, jars: usize) -> Self {
        let mut dice = Dice::new(seed, 1);
        let mut wave = |swing: f64, period: f64| (swing, period, dice.unit());
        let waves = vec![wave(1.0, 95.0), wave(0.25, 11.0), wave(0.2, 6.3), wave(0.4, 1.0)];
        // Jars of one header share its water; what differs is what is left after the probes were checked.
        let offsets = (0..jars).map(|_| dice.between(-0.02, 0.02)).collect();
        Self { mean: 9.2, waves, offsets, spells: Vec::new(), sums: RefCell::default() }
    }

    /// Adds a warm spell that reaches its top in between.
    pub fn warm(&mut self, from: Span, until: Span) {
        let middle = Span::from_ms(i64::midpoint(from.ms(), until.ms()));
        self.sums.take();
        self.spells.push(Spell { from, until, by: SPELL_TOP - self.shared(middle) });
    }

    /// °C at some time after the beginning, the same for all jars.
    pub fn shared(&self, at: Span) -> f64 {
        let day = at.days();
        let waves: f64 = self
            .waves
            .iter()
            .map(|(swing, period, phase)| swing * ((day / period + phase) * TAU).sin())
            .sum();
        let spells = self.spells.iter().map(|spell| {
            let hours = (at - spell.from).secs().min((spell.until - at).secs()) / 3_600.0;
            (hours * WARMING).clamp(0.0, spell.by)
        });
        self.mean + waves + spells.sum::<f64>()
    }

    /// How much warmer this jar's thermometer is.
    pub fn offset(&self, jar: usize) -> f64 {
        self.offsets[jar]
    }

    /// °C·days above 0 °C of one jar, by trapezoids; the water is never colder.
    pub fn c_days(&self, jar: usize, from: Span, until: Span) -> f64 {
        self.c_days_until(until) - self.c_days_until(from) + self.offsets[jar] * (until - from).days()
    }

    /// °C·days of the shared water from the beginning on.
    fn c_days_until(&self, until: Span) -> f64 {
        let mut sums = self.sums.borrow_mut();
        let whole = usize::try_from(until.ms() / STEP.ms()).unwrap_or(0);
        if sums.is_empty() {
            sums.push(0.0);
        }
        while let Some(last) = sums.last().filter(|_| sums.len() <= whole) {
            let next = last + self.trapezoid(at_step(sums.len() - 1), at_step(sums.len()));
            sums.push(next);
        }
        sums[whole] + self.trapezoid(at_step(whole), until)
    }

    fn trapezoid(&self, from: Span, until: Span) -> f64 {
        f64::midpoint(self.shared(from), self.shared(until)) * (until - from).days()
    }

    /// Last moment within a stretch, to the minute, at which the shared water is above a limit.
    pub fn last_above(&self, limit: f64, from: Span, until: Span) -> Span {
        let mut at = until;
        while at > from && self.shared(at) <= limit {
            at = at - STEP;
        }
        at
    }

    /// First moment within a stretch, to the minute, at which the shared water is above a limit.
    pub fn first_above(&self, limit: f64, from: Span, until: Span) -> Span {
        let mut at = from;
        while at < until && self.shared(at) <= limit {
            at += STEP;
        }
        at
    }
}

fn at_step(step: usize) -> Span {
    Span::from_ms(STEP.ms() * i64::try_from(step).unwrap_or(i64::MAX))
}
