//! The rules that refuse a dose, all at once, each with its source.

use super::{Agent, DoseError, MINUTES, Target};
use crate::quantity::LitresPerMinute;

/// Hours before the earliest hatch from which treatments are refused, unless the station says
/// otherwise. 12 h in a warm-water handbook (WWBOOK), 24 to 48 h in practice.
pub const STOP_BEFORE_HATCH_H: f64 = 24.0;
/// Hours between two peroxide treatments; a reading of "once a day" that leaves a crew its rhythm (own
/// choice).
pub const PEROXIDE_REST_H: f64 = 20.0;
/// Share of the set-point below which the flow counts as low (own choice: meters are no better).
const FLOW_IS_LOW_BELOW: f64 = 0.9;
/// Coldest a formalin store may have been, °F (CFR529.1030).
const FORMALIN_COLDEST_F: f64 = 40.0;
/// How much a duration may differ from that of the rule, minutes.
const MINUTES_SLACK: f64 = 0.5;
/// Sensitive window of rainbow trout eggs, °C·days (CFR529.1150).
const TROUT_WINDOW_C_DAYS: (f64, f64) = (70.0, 140.0);

/// Eggs as the rules tell them apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum EggKind {
    /// Walleye, pike, perch, whitefish, trout and salmon other than rainbow trout.
    ColdOrCoolWater,
    /// Rainbow trout.
    RainbowTrout,
    /// Catfish, bass and the like.
    WarmWater,
    /// Sturgeons and paddlefish.
    Acipenseriformes,
}

/// What is known of the flow through the jar.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Flow {
    /// Measured and good.
    Measured(LitresPerMinute),
    /// Measured, but the reading is not believed.
    Bad,
    /// Not measured.
    Unknown,
}

/// What is known of the hatch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Hatch {
    /// Hours until its earliest date.
    InHours(f64),
    /// Seen.
    Started,
    /// No forecast.
    Unknown,
}

/// How the drug reaches the eggs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// In moving water.
    FlowThrough,
    /// In standing water.
    Bath,
}

/// A treatment somebody wants to give.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Proposal {
    /// Drug and concentration.
    pub target: Target,
    /// For how long, minutes.
    pub minutes: f64,
    /// In moving or standing water.
    pub method: Method,
    /// Which eggs.
    pub eggs: EggKind,
    /// What the meter says.
    pub flow: Flow,
    /// What the flow should be, if set.
    pub set_point: Option<LitresPerMinute>,
    /// What is known of the hatch.
    pub hatch: Hatch,
    /// Accumulated temperature, °C·days, if known.
    pub c_days: Option<f64>,
    /// Hours since the last peroxide treatment of this jar, if there was one.
    pub hours_since_peroxide: Option<f64>,
    /// Coldest the formalin has been, °F, if known.
    pub formalin_coldest_f: Option<f64>,
}

/// Why a treatment is refused.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Refusal {
    /// Outside the concentrations of the rule.
    Concentration {
        /// What was asked.
        target: Target,
        /// Lowest.
        low: f64,
        /// Highest.
        high: f64,
    },
    /// Not the duration of the rule.
    Duration {
        /// What was asked, minutes.
        minutes: f64,
    },
    /// The flow is not measured.
    FlowUnknown,
    /// The flow reading is not believed.
    FlowBad,
    /// The flow is below its set-point.
    FlowLow {
        /// L/min.
        flow: f64,
        /// L/min.
        set_point: f64,
    },
    /// Too near the hatch.
    NearHatch {
        /// Hours until its earliest date.
        hours: f64,
        /// Hours from which it is refused.
        stop_h: f64,
    },
    /// Fry are present.
    AfterHatch,
    /// The formalin was too cold.
    FormalinCold {
        /// °F.
        coldest_f: f64,
    },
    /// Peroxide was given already.
    PeroxideToday {
        /// Hours ago.
        hours: f64,
    },
    /// Peroxide is given in moving water only.
    PeroxideBath,
}

/// What to think of before a treatment that is not refused.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Caution {
    /// Rainbow trout in their sensitive window.
    TroutWindow {
        /// °C·days, if known.
        c_days: Option<f64>,
    },
    /// No forecast of the hatch.
    HatchUnknown,
    /// No set-point to compare the flow with.
    NoSetPoint,
    /// Nobody knows how cold the formalin has been.
    FormalinStore,
    /// Standing water: the oxygen clock runs.
    Bath,
    /// Sturgeon eggs: peroxide rule for cold or warm water eggs only.
    SturgeonPeroxide,
}

/// A finding in words, with its source.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// What is wrong, and what to do.
    pub text: String,
    /// Where the rule is from.
    pub citation: &'static str,
}

/// All refusals and cautions of a proposal.
#[derive(Clone, Debug, PartialEq)]
pub struct Guard {
    agent: Agent,
    /// Empty when the dose is within the rules known here.
    pub refusals: Vec<Refusal>,
    /// To be shown either way.
    pub cautions: Vec<Caution>,
}

impl Guard {
    /// Looks at a proposal; `stop_before_hatch_h` as set at the station, [`STOP_BEFORE_HATCH_H`] otherwise.
    ///
    /// ```
    /// use nightjar_calc::quantity::LitresPerMinute;
    /// use nightjar_calc::treatment::{EggKind, Flow, Guard, Hatch, Method, Proposal, STOP_BEFORE_HATCH_H, Target};
    /// let good = Proposal {
    ///     target: Target::Formalin { ul_per_l: 1667.0 },
    ///     minutes: 15.0,
    ///     method: Method::FlowThrough,
    ///     eggs: EggKind::ColdOrCoolWater,
    ///     flow: Flow::Measured(LitresPerMinute::new(4.0).unwrap()),
    ///     set_point: Some(LitresPerMinute::new(4.0).unwrap()),
    ///     hatch: Hatch::InHours(100.0),
    ///     c_days: Some(60.0),
    ///     hours_since_peroxide: None,
    ///     formalin_coldest_f: Some(55.0),
    /// };
    /// assert!(Guard::look(&good, STOP_BEFORE_HATCH_H).unwrap().refusals.is_empty());
    /// let late = Proposal { hatch: Hatch::InHours(10.0), flow: Flow::Unknown, ..good };
    /// assert_eq!(Guard::look(&late, STOP_BEFORE_HATCH_H).unwrap().refusals.len(), 2);
    /// ```
    ///
    /// # Errors
    /// When concentration or duration are not numbers above zero.
    pub fn look(proposal: &Proposal, stop_before_hatch_h: f64) -> Result<Self, DoseError> {
        for (what, value) in
            [("a concentration", proposal.target.value()), ("a time in min", proposal.minutes)]
        {
            if !(value.is_finite() && value > 0.0) {
                return Err(DoseError::NotPositive { what, value });
            }
        }
        let mut guard = Self { agent: proposal.target.agent(), refusals: Vec::new(), cautions: Vec::new() };
        guard.dose(proposal);
        guard.flow(proposal);
        guard.hatch(proposal, stop_before_hatch_h);
        match guard.agent {
            Agent::Formalin => guard.formalin(proposal),
            Agent::HydrogenPeroxide => guard.peroxide(proposal),
        }
        Ok(guard)
    }

    fn dose(&mut self, proposal: &Proposal) {
        let (low, high) = concentrations(self.agent, proposal.eggs);
        if !(low..=high).contains(&proposal.target.value()) {
            self.refusals.push(Refusal::Concentration { target: proposal.target, low, high });
        }
        if (proposal.minutes - MINUTES).abs() > MINUTES_SLACK {
            self.refusals.push(Refusal::Duration { minutes: proposal.minutes });
        }
    }

    fn flow(&mut self, proposal: &Proposal) {
        if proposal.method == Method::Bath {
            self.cautions.push(Caution::Bath);
            return;
        }
        match (proposal.flow, proposal.set_point) {
            (Flow::Unknown, _) => self.refusals.push(Refusal::FlowUnknown),
            (Flow::Bad, _) => self.refusals.push(Refusal::FlowBad),
            (Flow::Measured(flow), Some(set_point)) => {
                let (flow, set_point) = (flow.get(), set_point.get());
                if flow <= 0.0 || flow < FLOW_IS_LOW_BELOW * set_point {
                    self.refusals.push(Refusal::FlowLow { flow, set_point });
                }
            }
            (Flow::Measured(flow), None) => {
                if flow.get() <= 0.0 {
                    self.refusals.push(Refusal::FlowLow { flow: 0.0, set_point: 0.0 });
                }
                self.cautions.push(Caution::NoSetPoint);
            }
        }
    }

    fn hatch(&mut self, proposal: &Proposal, stop_h: f64) {
        match proposal.hatch {
            Hatch::Started => self.refusals.push(Refusal::AfterHatch),
            Hatch::Unknown => self.cautions.push(Caution::HatchUnknown),
            Hatch::InHours(hours) => {
                // A forecast that is not a number is no forecast to rely on.
                if hours.is_nan() || hours < stop_h {
                    self.refusals.push(Refusal::NearHatch { hours, stop_h });
                }
            }
        }
    }

    fn formalin(&mut self, proposal: &Proposal) {
        match proposal.formalin_coldest_f {
            None => self.cautions.push(Caution::FormalinStore),
            Some(coldest_f) => {
                if coldest_f.is_nan() || coldest_f < FORMALIN_COLDEST_F {
                    self.refusals.push(Refusal::FormalinCold { coldest_f });
                }
            }
        }
    }

    fn peroxide(&mut self, proposal: &Proposal) {
        if let Some(hours) = proposal.hours_since_peroxide
            && (hours.is_nan() || hours < PEROXIDE_REST_H)
        {
            self.refusals.push(Refusal::PeroxideToday { hours });
        }
        if proposal.method == Method::Bath {
            self.refusals.push(Refusal::PeroxideBath);
        }
        if proposal.eggs == EggKind::RainbowTrout {
            let (from, to) = TROUT_WINDOW_C_DAYS;
            if proposal.c_days.is_none_or(|sum| (from..=to).contains(&sum)) {
                self.cautions.push(Caution::TroutWindow { c_days: proposal.c_days });
            }
        }
        if proposal.eggs == EggKind::Acipenseriformes {
            self.cautions.push(Caution::SturgeonPeroxide);
        }
    }

    /// Whether nothing known here speaks against it.
    #[must_use]
    pub fn allows(&self) -> bool {
        self.refusals.is_empty()
    }

    /// The refusals in words.
    #[must_use]
    pub fn refused_because(&self) -> Vec<Finding> {
        let rule = self.agent.citation();
        self.refusals
            .iter()
            .map(|refusal| Finding { text: refusal.to_string(), citation: refusal.citation(rule) })
            .collect()
    }

    /// The cautions in words.
    #[must_use]
    pub fn think_of(&self) -> Vec<Finding> {
        let rule = self.agent.citation();
        self.cautions
            .iter()
            .map(|caution| Finding { text: caution.to_string(), citation: caution.citation(rule) })
            .collect()
    }
}

/// Lowest and highest concentration of the rule for eggs.
fn concentrations(agent: Agent, eggs: EggKind) -> (f64, f64) {
    match (agent, eggs) {
        (Agent::Formalin, EggKind::Acipenseriformes) => (1000.0, 1500.0),
        (Agent::Formalin, EggKind::ColdOrCoolWater | EggKind::RainbowTrout | EggKind::WarmWater) => {
            (1000.0, 2000.0)
        }
        (Agent::HydrogenPeroxide, EggKind::WarmWater) => (750.0, 1000.0),
        (
            Agent::HydrogenPeroxide,
            EggKind::ColdOrCoolWater | EggKind::RainbowTrout | EggKind::Acipenseriformes,
        ) => (500.0, 1000.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lpm(x: f64) -> LitresPerMinute {
        LitresPerMinute::new(x).unwrap()
    }

    fn good(target: Target) -> Proposal {
        Proposal {
            target,
            minutes: 15.0,
            method: Method::FlowThrough,
            eggs: EggKind::ColdOrCoolWater,
            flow: Flow::Measured(lpm(4.0)),
            set_point: Some(lpm(4.0)),
            hatch: Hatch::InHours(72.0),
            c_days: Some(60.0),
            hours_since_peroxide: None,
            formalin_coldest_f: Some(50.0),
        }
    }

    fn refusals(proposal: &Proposal) -> Vec<Refusal> {
        Guard::look(proposal, STOP_BEFORE_HATCH_H).unwrap().refusals
    }

    #[test]
    fn the_bounds_of_the_rules_are_inside() {
        let ok = |target, eggs| refusals(&Proposal { eggs, ..good(target) }).is_empty();
        use EggKind::{Acipenseriformes, ColdOrCoolWater, WarmWater};
        for (ul_per_l, eggs, allowed) in [
            (1000.0, ColdOrCoolWater, true),
            (2000.0, ColdOrCoolWater, true),
            (999.0, ColdOrCoolWater, false),
            (2001.0, ColdOrCoolWater, false),
            (1500.0, Acipenseriformes, true),
            (1501.0, Acipenseriformes, false),
        ] {
            assert_eq!(ok(Target::Formalin { ul_per_l }, eggs), allowed, "{ul_per_l}");
        }
        for (mg_per_l, eggs, allowed) in [
            (500.0, ColdOrCoolWater, true),
            (1000.0, ColdOrCoolWater, true),
            (499.0, ColdOrCoolWater, false),
            (1001.0, ColdOrCoolWater, false),
            (749.0, WarmWater, false),
            (750.0, WarmWater, true),
        ] {
            assert_eq!(ok(Target::HydrogenPeroxide { mg_per_l }, eggs), allowed, "{mg_per_l}");
        }
    }

    #[test]
    fn a_dose_per_millilitre_is_caught_and_explained() {
        let slip = good(Target::Formalin { ul_per_l: 1.667 });
        let said = Guard::look(&slip, 24.0).unwrap().refused_because();
        assert!(said[0].text.contains("1667 µL/L is meant"), "{}", said[0].text);
        assert!(said[0].citation.contains("529.1030") && said[0].citation.contains("2015"));
        let thousandfold = good(Target::Formalin { ul_per_l: 1_667_000.0 });
        let said = Guard::look(&thousandfold, 24.0).unwrap().refused_because();
        assert!(said[0].text.contains("thousandfold overdose"), "{}", said[0].text);
    }

    #[test]
    fn everything_wrong_is_said_at_once() {
        let wrong = Proposal {
            minutes: 60.0,
            flow: Flow::Measured(lpm(3.0)),
            hatch: Hatch::Started,
            formalin_coldest_f: Some(35.0),
            ..good(Target::Formalin { ul_per_l: 3000.0 })
        };
        assert_eq!(refusals(&wrong).len(), 5);
    }

    #[test]
    fn unknown_bad_low_and_stopped_flow_are_refused() {
        let target = Target::Formalin { ul_per_l: 1667.0 };
        for (flow, set_point, expected) in [
            (Flow::Unknown, Some(lpm(4.0)), Some(Refusal::FlowUnknown)),
            (Flow::Bad, Some(lpm(4.0)), Some(Refusal::FlowBad)),
            (Flow::Measured(lpm(3.5)), Some(lpm(4.0)), Some(Refusal::FlowLow { flow: 3.5, set_point: 4.0 })),
            (Flow::Measured(lpm(3.7)), Some(lpm(4.0)), None),
            (Flow::Measured(lpm(0.0)), None, Some(Refusal::FlowLow { flow: 0.0, set_point: 0.0 })),
        ] {
            let found = refusals(&Proposal { flow, set_point, ..good(target) });
            assert_eq!(found.first().copied(), expected);
        }
    }

    #[test]
    fn the_hatch_limit_is_settable_and_a_nan_is_no_forecast() {
        let at =
            |hours| Proposal { hatch: Hatch::InHours(hours), ..good(Target::Formalin { ul_per_l: 1667.0 }) };
        let refuses = |hours, stop| !Guard::look(&at(hours), stop).unwrap().allows();
        assert!(refuses(23.9, 24.0) && !refuses(24.0, 24.0));
        assert!(refuses(47.0, 48.0) && !refuses(13.0, 12.0));
        assert!(refuses(f64::NAN, 24.0) && refuses(-5.0, 24.0));
    }

    #[test]
    fn peroxide_is_once_a_day_in_flow_and_warns_for_trout() {
        let base = good(Target::HydrogenPeroxide { mg_per_l: 500.0 });
        let again = Proposal { hours_since_peroxide: Some(6.0), ..base };
        assert_eq!(refusals(&again), [Refusal::PeroxideToday { hours: 6.0 }]);
        assert!(refusals(&Proposal { hours_since_peroxide: Some(23.0), ..base }).is_empty());
        assert_eq!(refusals(&Proposal { method: Method::Bath, ..base }), [Refusal::PeroxideBath]);
        for (c_days, warned) in
            [(Some(69.0), false), (Some(70.0), true), (Some(140.0), true), (Some(141.0), false), (None, true)]
        {
            let trout = Proposal { eggs: EggKind::RainbowTrout, c_days, ..base };
            let cautions = Guard::look(&trout, 24.0).unwrap().cautions;
            assert_eq!(cautions.contains(&Caution::TroutWindow { c_days }), warned, "{c_days:?}");
        }
        // The same formalin twice a day is no matter of this rule.
        assert!(
            refusals(&Proposal {
                hours_since_peroxide: Some(1.0),
                ..good(Target::Formalin { ul_per_l: 1667.0 })
            })
            .is_empty()
        );
    }

    #[test]
    fn nonsense_is_an_error_and_not_a_refusal() {
        assert!(Guard::look(&good(Target::Formalin { ul_per_l: f64::NAN }), 24.0).is_err());
        assert!(
            Guard::look(&Proposal { minutes: -1.0, ..good(Target::Formalin { ul_per_l: 1667.0 }) }, 24.0)
                .is_err()
        );
    }
}
