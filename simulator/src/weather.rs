//! Weather: warm and cold spells of several days, clear and grey skies, air in the shed.
//!
//! The departure from the season is a first-order autoregressive process with a memory of three
//! days. It is drawn on ticks of ten minutes whatever the scan interval, so that the same seed has
//! the same weather at any reading rate, and taken as linear between ticks.

use crate::chance::Chance;
use nightjar_calc::time::Timestamp;
use std::f64::consts::TAU;

const TICK_MS: i64 = 600_000;
/// Memory of the weather, s. Spells of a few days are what spring records show.
const MEMORY_S: f64 = 3.0 * 86_400.0;
/// Time for the source water to follow the weather, s.
const WATER_LAG_S: f64 = 1.5 * 86_400.0;

/// Weather at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sky {
    /// Departure of the weather from the season, standard deviations.
    pub departure: f64,
    /// The same as the water body has taken it up, standard deviations of `departure`.
    pub soaked: f64,
    /// How clear the sky is, 0.2 (grey) to 1.
    pub clear: f64,
}

/// The weather of one season.
#[derive(Clone, Debug)]
pub struct Weather {
    chance: Chance,
    start: Timestamp,
    ticks: i64,
    earlier: Sky,
    later: Sky,
}

impl Weather {
    /// Weather from `start` on.
    #[must_use]
    pub fn new(seed: u64, start: Timestamp) -> Self {
        let mut chance = Chance::new(seed, "weather");
        let departure = chance.normal_within(1.5);
        // The water remembers the days before, too.
        let first = sky(departure, 0.7 * departure);
        let mut weather = Self { chance, start, ticks: 0, earlier: first, later: first };
        weather.draw();
        weather
    }

    fn draw(&mut self) {
        let tick_s = TICK_MS as f64 / 1000.0;
        let keep = (-tick_s / MEMORY_S).exp();
        let departure =
            self.later.departure * keep + (1.0 - keep * keep).sqrt() * self.chance.normal_within(4.0);
        let follow = 1.0 - (-tick_s / WATER_LAG_S).exp();
        let soaked = self.later.soaked + (departure - self.later.soaked) * follow;
        self.earlier = self.later;
        self.later = sky(departure, soaked);
        self.ticks += 1;
    }

    /// Weather at `at`, which must not lie before the last time asked for.
    pub fn at(&mut self, at: Timestamp) -> Sky {
        let since = at.since(self.start).ms();
        while self.ticks * TICK_MS < since {
            self.draw();
        }
        let share = 1.0 - (self.ticks * TICK_MS - since) as f64 / TICK_MS as f64;
        let between = |a: f64, b: f64| a + (b - a) * share.clamp(0.0, 1.0);
        Sky {
            departure: between(self.earlier.departure, self.later.departure),
            soaked: between(self.earlier.soaked, self.later.soaked),
            clear: between(self.earlier.clear, self.later.clear),
        }
    }
}

fn sky(departure: f64, soaked: f64) -> Sky {
    Sky { departure, soaked, clear: 0.6 + 0.4 * departure.tanh() }
}

/// The day's wave: −1 to 1, highest at `peak_hour` of solar time.
#[must_use]
pub fn day_wave(solar_hour: f64, peak_hour: f64) -> f64 {
    (TAU * (solar_hour - peak_hour) / 24.0).cos()
}

/// Air in the shed, °C: above the water of the season, warming twice as fast, moved by the weather.
#[must_use]
pub fn shed_air_c(season_c: f64, sky: Sky, solar_hour: f64) -> f64 {
    season_c + 2.0 + 2.5 * sky.departure + 4.0 * sky.clear * day_wave(solar_hour, 15.5)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightjar_calc::time::Span;

    #[test]
    fn the_weather_does_not_depend_on_how_often_one_looks() {
        let start = Timestamp::from_ms(0);
        let (mut often, mut rarely) = (Weather::new(3, start), Weather::new(3, start));
        let end = start + Span::from_hours(50);
        let mut seen = often.at(start);
        for second in (0..=50 * 3600).step_by(7) {
            seen = often.at(start + Span::from_secs(second));
        }
        assert!((seen.departure - rarely.at(end).departure).abs() < 0.01);
        assert_eq!(often.at(end), rarely.at(end));
    }

    /// Autocorrelation of a first-order process is exp(−lag/memory); the estimate from ten years
    /// scatters by a few hundredths.
    #[test]
    fn spells_last_for_days() {
        let mut weather = Weather::new(11, Timestamp::from_ms(0));
        let days: Vec<f64> =
            (0..3650).map(|d| weather.at(Timestamp::from_ms(d * 86_400_000)).departure).collect();
        let mean = days.iter().sum::<f64>() / 3650.0;
        let cov =
            |lag: usize| days.windows(lag + 1).map(|w| (w[0] - mean) * (w[lag] - mean)).sum::<f64>() / 3650.0;
        assert!((cov(0) - 1.0).abs() < 0.2, "variance {}", cov(0));
        assert!((cov(3) / cov(0) - (-1.0_f64).exp()).abs() < 0.12, "{}", cov(3) / cov(0));
    }
}
