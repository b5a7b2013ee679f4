//! Refusals and cautions in words, each with where its rule is from.

use super::MINUTES;
use super::guard::{Caution, Refusal};
use std::fmt;

impl Refusal {
    pub(super) fn citation(self, rule: &'static str) -> &'static str {
        match self {
            Self::Concentration { .. }
            | Self::Duration { .. }
            | Self::FormalinCold { .. }
            | Self::PeroxideToday { .. }
            | Self::PeroxideBath => rule,
            Self::FlowUnknown | Self::FlowBad | Self::FlowLow { .. } => "common practice, no source",
            Self::NearHatch { .. } => "12 h: WWBOOK; 24 to 48 h: common practice, no source",
            Self::AfterHatch => "DRIP; for peroxide 21 CFR 529.1150, 2015 edition; check the current one",
        }
    }
}

impl Caution {
    pub(super) fn citation(self, rule: &'static str) -> &'static str {
        match self {
            Self::TroutWindow { .. } | Self::FormalinStore | Self::SturgeonPeroxide => rule,
            Self::HatchUnknown | Self::NoSetPoint | Self::Bath => "common practice, no source",
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Concentration { target, low, high } => {
                let unit = target.agent().unit();
                write!(f, "{target} is outside the {low:.0} to {high:.0} {unit} of the rule for these eggs")?;
                let (more, less) = (target.value() * 1000.0, target.value() / 1000.0);
                if (low..=high).contains(&more) {
                    write!(f, "; a number per millilitre? then {more:.0} {unit} is meant")?;
                } else if (low..=high).contains(&less) {
                    write!(f, "; a table that prints it per millilitre gives a thousandfold overdose")?;
                }
                Ok(())
            }
            Self::Duration { minutes } => {
                write!(f, "{minutes} min is not the {MINUTES} min of the rule for eggs")
            }
            Self::FlowUnknown => f.write_str(
                "the flow is not measured, so no dose can be known; measure it with bucket and watch",
            ),
            Self::FlowBad => f.write_str(
                "the flow reading is not believed; check the meter, measure with bucket and watch",
            ),
            Self::FlowLow { flow, set_point } => {
                write!(
                    f,
                    "the flow is {flow:.2} L/min, below the set-point of {set_point:.2}; restore it first"
                )
            }
            Self::NearHatch { hours, stop_h } => {
                write!(f, "hatch may begin in {:.0} h; treatments end {stop_h:.0} h before", hours.max(0.0))
            }
            Self::AfterHatch => f.write_str("hatching has begun; no egg treatment with fry present"),
            Self::FormalinCold { coldest_f } => {
                write!(
                    f,
                    "this formalin has been at {coldest_f:.0} °F; below 40 °F a poison forms in it, do not use it"
                )
            }
            Self::PeroxideToday { hours } => {
                write!(f, "peroxide was given {hours:.0} h ago; the rule is once a day")
            }
            Self::PeroxideBath => {
                f.write_str("the rule for eggs is peroxide in continuous flow, not in standing water")
            }
        }
    }
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::TroutWindow { c_days: Some(sum) } => {
                write!(f, "rainbow trout eggs at {sum:.0} °C·days are in the sensitive window of 70 to 140; consider withholding peroxide")
            }
            Self::TroutWindow { c_days: None } => {
                f.write_str("rainbow trout eggs are sensitive to peroxide from 70 to 140 °C·days; find out where they stand")
            }
            Self::HatchUnknown => f.write_str("no forecast of the hatch; be sure it is more than a day away"),
            Self::NoSetPoint => f.write_str("no set-point to compare the flow with; look at the roll"),
            Self::FormalinStore => f.write_str("be sure the formalin was never below 40 °F (4.4 °C) and has no white deposit"),
            Self::Bath => f.write_str("with the flow off the eggs are on an oxygen clock; stand by and restore it in time"),
            Self::SturgeonPeroxide => f.write_str("the peroxide rule sorts eggs by water temperature; sturgeons are taken as cool-water here"),
        }
    }
}
