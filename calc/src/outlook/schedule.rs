//! A planned temperature of heated or chilled water, day by day.

use crate::time::Day;
use std::collections::BTreeMap;

/// Set temperatures of coming days. On the days it names it replaces what the water would do by
/// itself; all other days are left to the outlook.
///
/// ```
/// use nightjar_calc::outlook::Schedule;
/// use nightjar_calc::time::Day;
///
/// let first = Day::parse("2026-04-20").unwrap();
/// let mut plan = Schedule::default();
/// plan.ramp(first, 8.0, first.plus(4), 10.0); // half a degree a day
/// plan.hold(first.plus(5), first.plus(9), 10.0);
/// assert_eq!(plan.on(first.plus(2)), Some(9.0));
/// assert_eq!(plan.on(first.plus(9)), Some(10.0));
/// assert_eq!(plan.on(first.plus(10)), None);
/// ```
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Schedule {
    days: BTreeMap<Day, f64>,
}

impl Schedule {
    /// Sets one day, °C. Says whether it was taken: what cannot be the temperature of water is not.
    pub fn set(&mut self, day: Day, celsius: f64) -> bool {
        let plausible = (-3.0..=40.0).contains(&celsius);
        if plausible {
            self.days.insert(day, celsius);
        }
        plausible
    }

    /// Holds a temperature from one day to another, both included.
    pub fn hold(&mut self, from: Day, to: Day, celsius: f64) {
        self.ramp(from, celsius, to, celsius);
    }

    /// Goes in equal daily steps from one temperature to another, both days included.
    pub fn ramp(&mut self, from: Day, from_celsius: f64, to: Day, to_celsius: f64) {
        let steps = to.days_since(from);
        let Ok(count) = u32::try_from(steps) else { return };
        for step in 0..=count {
            let share = if count == 0 { 0.0 } else { f64::from(step) / f64::from(count) };
            self.set(from.plus(i64::from(step)), from_celsius + share * (to_celsius - from_celsius));
        }
    }

    /// Set temperature of a day, °C.
    #[must_use]
    pub fn on(&self, day: Day) -> Option<f64> {
        self.days.get(&day).copied()
    }

    /// Whether no day is planned.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.days.is_empty()
    }
}
