//! What the simulated crew writes down, as typed events at the moment it is done.
//!
//! The crew strips and fertilizes, keeps the eggs in a hardening basket, pours them into jars,
//! makes two rounds a day, siphons dead eggs, raises the flow at eye-up, and notes hatching when
//! somebody sees it, which is at the next round and not at the true moment.

use nightjar_calc::time::{Span, Timestamp, Zone};
use serde::Serialize;

/// One thing done.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CrewEvent {
    /// When.
    pub at: Timestamp,
    /// What.
    pub act: CrewAct,
}

/// What the crew does.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum CrewAct {
    /// A thermometer held in melting ice: its reading there is its error.
    IceCheck {
        /// Which.
        sensor: String,
        /// What it read at 0 °C, mean of some minutes.
        read_c: f64,
    },
    /// Eggs stripped and fertilized, now in the hardening basket.
    Take {
        /// Its name.
        take: String,
        /// Moment of fertilization.
        fertilized_at: Timestamp,
        /// Females stripped.
        females: u32,
        /// Males used.
        males: u32,
        /// Settled litres once hardened.
        volume_l: f64,
        /// Counted per litre.
        eggs_per_l: f64,
        /// Water of the basket, read by hand, °C.
        hardening_temp_c: f64,
    },
    /// Hardened eggs poured into a jar.
    Load {
        /// The jar.
        jar: String,
        /// The take.
        take: String,
        /// Settled litres.
        volume_l: f64,
        /// Counted per litre.
        eggs_per_l: f64,
        /// The flow the valve was set to, L/min.
        flow_l_per_min: f64,
    },
    /// The flow a jar shall have from now on.
    FlowSetPoint {
        /// The jar.
        jar: String,
        /// L/min.
        l_per_min: f64,
    },
    /// Dead eggs drawn off.
    Siphon {
        /// The jar.
        jar: String,
        /// Settled millilitres.
        volume_ml: f64,
    },
    /// Eggs looked at in a dish.
    EyeUpSample {
        /// The jar.
        jar: String,
        /// With eyes.
        eyed: u32,
        /// Looked at.
        of: u32,
    },
    /// Hatching as seen at a round.
    HatchSeen {
        /// The jar.
        jar: String,
        /// How far.
        seen: HatchSeen,
    },
    /// A jar emptied after its last hatch.
    Empty {
        /// The jar.
        jar: String,
    },
}

/// How far the hatch was when somebody looked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum HatchSeen {
    /// Fry about.
    First,
    /// About half.
    Peak,
    /// Nearly all.
    Last,
}

/// Something planned for a fixed time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Duty {
    IceCheck,
    Take(usize),
    Load(usize),
}

/// Plans and rounds still to come.
#[derive(Clone, Debug)]
pub(crate) struct Agenda {
    /// Soonest last.
    planned: Vec<(Timestamp, Duty)>,
    rounds: [u32; 2],
    zone: Zone,
    next_round: Timestamp,
}

impl Agenda {
    pub(crate) fn new(
        mut planned: Vec<(Timestamp, Duty)>,
        rounds: [u32; 2],
        zone: Zone,
        now: Timestamp,
    ) -> Self {
        planned.sort_by_key(|(at, _)| std::cmp::Reverse(*at));
        Self { planned, rounds, zone, next_round: round_after(now, rounds, zone) }
    }

    /// The next duty that is due.
    pub(crate) fn due(&mut self, now: Timestamp) -> Option<Duty> {
        let (at, duty) = *self.planned.last()?;
        if at > now {
            return None;
        }
        self.planned.pop();
        Some(duty)
    }

    /// Whether a round is due, and whether it is the morning's.
    pub(crate) fn round_due(&mut self, now: Timestamp) -> Option<bool> {
        if self.next_round > now {
            return None;
        }
        let noon = chrono::NaiveTime::from_hms_opt(12, 0, 0);
        let morning = noon.is_some_and(|noon| self.zone.local(self.next_round).time() < noon);
        self.next_round = round_after(now, self.rounds, self.zone);
        Some(morning)
    }
}

fn round_after(now: Timestamp, rounds: [u32; 2], zone: Zone) -> Timestamp {
    let today = zone.day_of(now);
    let clock = |day: i64, hour: u32| {
        let time = chrono::NaiveTime::from_hms_opt(hour, 0, 0).unwrap_or_default();
        zone.instant_or_next(today.plus(day).date().and_time(time))
    };
    let coming = (0..2).flat_map(|day| rounds.map(|hour| clock(day, hour))).filter(|at| *at > now).min();
    coming.unwrap_or(now + Span::from_hours(24))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounds_keep_the_local_clock_over_the_change_of_clocks() {
        let zone = Zone::named("America/Chicago").unwrap();
        let now = zone.parse("2026-03-07 20:00").unwrap();
        let mut agenda = Agenda::new(Vec::new(), [8, 17], zone, now);
        let mut at = now;
        let mut seen = Vec::new();
        for _ in 0..40 * 60 {
            at = at + Span::from_minutes(1);
            if let Some(morning) = agenda.round_due(at) {
                seen.push((zone.local(at).format("%d %H:%M").to_string(), morning));
            }
        }
        let expected =
            [("08 08:00".to_owned(), true), ("08 17:00".to_owned(), false), ("09 08:00".to_owned(), true)];
        assert_eq!(seen, expected);
    }
}
