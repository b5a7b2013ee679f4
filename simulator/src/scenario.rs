//! What shall happen: layout, season, takes and mishaps, from a TOML file or by name.
//!
//! The format is strict: unknown keys and impossible values are refused, all at once, each with
//! its place. See `scenarios/demo.toml` for a commented example.

use crate::probe::ProbeFault;
use crate::water::Season;
use nightjar_calc::time::{Span, Timestamp, Zone};
use serde::Deserialize;

/// A season to be played.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Scenario {
    /// Its name.
    pub name: String,
    /// One sentence for people.
    pub about: String,
    /// When it begins, RFC 3339.
    pub start: String,
    /// Time zone of the station.
    pub zone: String,
    /// Length, days.
    pub days: f64,
    /// Time between scans of the sensors, s.
    #[serde(default = "ten_seconds")]
    pub interval_s: f64,
    /// Manifolds, named A, B, …
    pub headers: usize,
    /// Jars on each; numbered 01, 02, … through all headers.
    pub jars_per_header: usize,
    /// Where the headers get their water.
    #[serde(default)]
    pub supply: SupplyPlan,
    /// The source water.
    #[serde(default)]
    pub season: Season,
    /// How good the sensors are.
    #[serde(default)]
    pub sensors: SensorPlan,
    /// What the crew does.
    #[serde(default)]
    pub crew: CrewPlan,
    /// Limits whose crossing by the true water is written into the truth.
    #[serde(default)]
    pub watch: Watch,
    /// Takes.
    #[serde(default)]
    pub take: Vec<TakePlan>,
    /// Mishaps.
    #[serde(default)]
    pub fault: Vec<FaultPlan>,
}

const fn ten_seconds() -> f64 {
    10.0
}

/// Pumps and head tanks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SupplyPlan {
    /// One pump and one tank for all headers.
    #[default]
    Shared,
    /// Each header has its own.
    PerHeader,
}

/// Quality of the sensors.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct SensorPlan {
    /// Spread of the constant errors of thermometers before the ice check, °C.
    pub bias_sd_c: f64,
    /// Noise of a temperature reading, standard deviation, °C.
    pub noise_sd_c: f64,
    /// Noise of a flow reading, standard deviation, share.
    pub flow_noise_share: f64,
}

impl Default for SensorPlan {
    fn default() -> Self {
        Self { bias_sd_c: 0.08, noise_sd_c: 0.015, flow_noise_share: 0.01 }
    }
}

/// Habits of the crew.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct CrewPlan {
    /// Flow through a jar that waits for eggs, L/min.
    pub idle_l_per_min: f64,
    /// Set-point for green eggs, L/min.
    pub green_l_per_min: f64,
    /// Set-point from eye-up on, L/min.
    pub eyed_l_per_min: f64,
    /// Time in the hardening basket, h.
    pub hardening_h: f64,
    /// Hours of the rounds, local clock.
    pub rounds: [u32; 2],
    /// Whether thermometers are checked in ice before the season.
    pub ice_check: bool,
}

impl Default for CrewPlan {
    /// 2 to 4 L/min for green walleye eggs, 4 to 8 for eyed ones, a day of hardening (common
    /// practice, no source).
    fn default() -> Self {
        Self {
            idle_l_per_min: 2.0,
            green_l_per_min: 3.0,
            eyed_l_per_min: 4.5,
            hardening_h: 24.0,
            rounds: [8, 17],
            ice_check: true,
        }
    }
}

/// Limits watched in the true water.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Watch {
    /// Warm side, °C.
    pub high_c: f64,
    /// Cold side, °C.
    pub low_c: f64,
    /// The way back that ends an excursion, °C.
    pub back_c: f64,
    /// Below this share of its set-point a jar has lost its flow.
    pub no_flow_share: f64,
    /// Below this share its flow is low.
    pub low_flow_share: f64,
}

impl Default for Watch {
    fn default() -> Self {
        Self { high_c: 15.0, low_c: 6.0, back_c: 0.2, no_flow_share: 0.1, low_flow_share: 0.75 }
    }
}

/// One day's stripped and fertilized eggs.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct TakePlan {
    /// Its name.
    pub name: String,
    /// Days after the first day.
    pub day: u32,
    /// Local clock, `HH:MM`.
    pub at: String,
    /// Females stripped.
    pub females: u32,
    /// Males used.
    pub males: u32,
    /// Jars that get its eggs, as `"01"`.
    pub jars: Vec<String>,
    /// Litres of hardened eggs to a jar.
    #[serde(default = "two_litres")]
    pub litres_per_jar: f64,
}

const fn two_litres() -> f64 {
    2.0
}

/// A mishap.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct FaultPlan {
    /// Days after the first day.
    pub day: u32,
    /// Local clock, `HH:MM` or `HH:MM:SS`.
    pub at: String,
    /// From its beginning to its repair, hours.
    pub hours: f64,
    /// What goes wrong.
    pub cause: Cause,
}

/// What can go wrong.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Cause {
    /// A pump stops; the standby starts at the end.
    PumpTrip {
        /// A header fed by that pump.
        header: String,
    },
    /// The intake screen of a pump clogs over the whole time; cleaned at the end.
    IntakeClog {
        /// A header fed by that pump.
        header: String,
        /// Share of the pump's flow lost when worst.
        share: f64,
    },
    /// A header clogs over the whole time; cleaned at the end.
    HeaderClog {
        /// Which.
        header: String,
        /// Share of its flow lost when worst.
        share: f64,
    },
    /// The lines of some jars are blocked at once.
    JarsBlocked {
        /// Which.
        jars: Vec<String>,
        /// Share of the opening that is left.
        left: f64,
    },
    /// Wind brings the warm surface layer to the intake.
    WarmSpell {
        /// Temperature of that layer, °C.
        surface_c: f64,
    },
    /// Heater and chiller stand still.
    ConditionerOff,
    /// The board sends nothing.
    BoardSilent,
    /// Lines are spoilt on the wire.
    Garbage {
        /// Share of lines.
        share: f64,
    },
    /// A sensor fails.
    Sensor {
        /// Which, as `J03T`.
        sensor: String,
        /// How.
        fails: ProbeFault,
    },
}

/// A scenario that cannot be played.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ScenarioError {
    /// The text is not a scenario.
    #[error("scenario is not readable: {0}")]
    Unreadable(String),
    /// The text is one, but makes no sense; every problem is listed.
    #[error("scenario has {} problem(s): {}", .0.len(), .0.join("; "))]
    Refused(Vec<String>),
    /// No scenario goes by this name.
    #[error("no scenario is called \"{name}\"; there are {known}, or give the path of a .toml file")]
    Unknown {
        /// What was asked for.
        name: String,
        /// The names there are.
        known: String,
    },
}

/// Scenarios that come with the program.
const BUILT_IN: [(&str, &str); 8] = [
    ("demo", include_str!("../scenarios/demo.toml")),
    ("pump-trip", include_str!("../scenarios/pump-trip.toml")),
    ("two-pumps", include_str!("../scenarios/two-pumps.toml")),
    ("clogged-header", include_str!("../scenarios/clogged-header.toml")),
    ("warm-spell", include_str!("../scenarios/warm-spell.toml")),
    ("probe-failure", include_str!("../scenarios/probe-failure.toml")),
    ("five-jars", include_str!("../scenarios/five-jars.toml")),
    ("quiet", include_str!("../scenarios/quiet.toml")),
];

/// Names of the scenarios that come with the program.
#[must_use]
pub fn names() -> Vec<&'static str> {
    BUILT_IN.iter().map(|(name, _)| *name).collect()
}

/// Most jars a station can have.
pub const JARS_LIMIT: usize = 96;

impl Scenario {
    /// A scenario that comes with the program.
    ///
    /// # Errors
    /// When there is none of that name.
    pub fn named(name: &str) -> Result<Self, ScenarioError> {
        let found = BUILT_IN.iter().find(|(known, _)| *known == name);
        let (_, text) = found.ok_or_else(|| ScenarioError::Unknown {
            name: name.chars().take(80).collect(),
            known: names().join(", "),
        })?;
        Self::from_toml(text)
    }

    /// Reads a scenario.
    ///
    /// # Errors
    /// When the text is not TOML of the right shape, or makes no sense.
    pub fn from_toml(text: &str) -> Result<Self, ScenarioError> {
        let scenario: Self =
            toml::from_str(text).map_err(|e| ScenarioError::Unreadable(e.to_string().trim().to_owned()))?;
        scenario.validate()?;
        Ok(scenario)
    }

    /// The same season with another number of jars: four to a header up to eight jars, six beyond,
    /// and the takes spread over them in order.
    ///
    /// # Errors
    /// When the number is not 1 to [`JARS_LIMIT`], does not fill its headers, or a mishap names
    /// a jar, header or sensor that is gone.
    pub fn with_jars(mut self, jars: usize) -> Result<Self, ScenarioError> {
        if jars == self.jars() {
            return Ok(self);
        }
        let full = if jars <= 8 { 4 } else { 6 };
        self.headers = jars.div_ceil(full).max(1);
        if !jars.is_multiple_of(self.headers) {
            return Err(ScenarioError::Refused(vec![format!(
                "{jars} jars cannot be shared evenly by {} headers; take a multiple of {}",
                self.headers, self.headers
            )]));
        }
        self.jars_per_header = jars / self.headers;
        let takes = self.take.len();
        let names: Vec<String> = (0..jars).map(jar_name).collect();
        for (i, take) in self.take.iter_mut().enumerate() {
            take.jars = names[jars * i / takes..jars * (i + 1) / takes].to_vec();
        }
        self.take.retain(|take| !take.jars.is_empty());
        self.validate()?;
        Ok(self)
    }

    /// Number of jars.
    #[must_use]
    pub fn jars(&self) -> usize {
        self.headers * self.jars_per_header
    }

    /// Names of the jars, in order.
    #[must_use]
    pub fn jar_names(&self) -> Vec<String> {
        (0..self.jars()).map(jar_name).collect()
    }

    /// Checks that the season can be played.
    ///
    /// # Errors
    /// With every problem found.
    pub fn validate(&self) -> Result<(), ScenarioError> {
        let problems = check::problems(self);
        if problems.is_empty() { Ok(()) } else { Err(ScenarioError::Refused(problems)) }
    }

    pub(crate) fn begins(&self) -> Result<(Timestamp, Zone), String> {
        let zone = Zone::named(&self.zone).map_err(|e| format!("zone: {e}"))?;
        let start = Timestamp::parse(&self.start).map_err(|e| format!("start: {e}"))?;
        Ok((start, zone))
    }

    /// The instant of a local clock time `day` days after the first day.
    pub(crate) fn instant(&self, day: u32, clock: &str) -> Result<Timestamp, String> {
        let (start, zone) = self.begins()?;
        let date = zone.day_of(start).plus(i64::from(day));
        zone.parse(&format!("{date} {clock}"))
            .or_else(|_| zone.parse(&format!("{date} {clock}:00")))
            .map_err(|_| format!("\"{clock}\" is not a time of day; write it like 02:17"))
    }

    /// Beginning and end of a mishap.
    pub(crate) fn span_of(&self, fault: &FaultPlan) -> Result<(Timestamp, Timestamp), String> {
        let begins = self.instant(fault.day, &fault.at)?;
        Ok((begins, begins + Span::from_days(fault.hours / 24.0)))
    }
}

/// Name of a jar by its place, from 0.
#[must_use]
pub fn jar_name(place: usize) -> String {
    format!("{:02}", place + 1)
}

/// Name of a header by its place, from 0.
#[must_use]
pub fn header_name(place: usize) -> String {
    let letter = u8::try_from(place % 26).unwrap_or(0);
    char::from(b'A' + letter).to_string()
}

mod check;
