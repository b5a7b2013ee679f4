//! Treatments against fungus: how much drug, at which rate, and the rules that refuse a dose.
//!
//! A dose is a concentration held for a time in moving water. The drug decides the unit: formalin is
//! dosed in microlitres of solution to the litre, hydrogen peroxide in milligrams to the litre, and a
//! [`Target`] cannot mix them. Nothing here runs a pump, and nothing here is permission: the label, the
//! prescribing veterinarian, the discharge permit and local rules decide.
//!
//! Sources: formalin 21 CFR 529.1030 and peroxide 21 CFR 529.1150, both read in the 2015 edition
//! (CFR529.1030, CFR529.1150); drip treatment slides (DRIP); others where they are used.

mod advice;
mod dose;
mod guard;
mod head_tank;
mod words;

pub use advice::{IODOPHOR, Note, safety};
pub use dose::{Dose, bath, flow_through, from_gallons_per_minute};
pub use guard::{
    Caution, EggKind, Finding, Flow, Guard, Hatch, Method, PEROXIDE_REST_H, Proposal, Refusal,
    STOP_BEFORE_HATCH_H,
};
pub use head_tank::HeadTank;

use crate::quantity::Impossible;
use std::fmt;

/// Peroxide in a millilitre of the 35 % solution by weight, mg (CFR529.1150).
pub const PEROXIDE_MG_PER_ML: f64 = 396.1;
/// Duration of both egg treatments, minutes (CFR529.1030, CFR529.1150).
pub const MINUTES: f64 = 15.0;

/// What is dosed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Agent {
    /// Formalin, about 37 % formaldehyde by weight.
    Formalin,
    /// Hydrogen peroxide, 35 % by weight.
    HydrogenPeroxide,
}

/// The wanted concentration, in the unit of its rule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Target {
    /// Formalin, µL of solution to the litre; "ppm" of formalin means the same.
    Formalin {
        /// µL/L.
        ul_per_l: f64,
    },
    /// Hydrogen peroxide, mg to the litre.
    HydrogenPeroxide {
        /// mg/L.
        mg_per_l: f64,
    },
}

impl Target {
    /// What is dosed.
    #[must_use]
    pub const fn agent(self) -> Agent {
        match self {
            Self::Formalin { .. } => Agent::Formalin,
            Self::HydrogenPeroxide { .. } => Agent::HydrogenPeroxide,
        }
    }

    /// The number, in the unit of the agent.
    #[must_use]
    pub const fn value(self) -> f64 {
        match self {
            Self::Formalin { ul_per_l } => ul_per_l,
            Self::HydrogenPeroxide { mg_per_l } => mg_per_l,
        }
    }

    /// Millilitres of the solution that a litre of water needs.
    #[must_use]
    pub fn ml_per_l(self) -> f64 {
        match self {
            Self::Formalin { ul_per_l } => 0.001 * ul_per_l,
            Self::HydrogenPeroxide { mg_per_l } => mg_per_l / PEROXIDE_MG_PER_ML,
        }
    }
}

impl Agent {
    /// As shown.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Formalin => "formalin",
            Self::HydrogenPeroxide => "hydrogen peroxide",
        }
    }

    /// Unit of its dose.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Formalin => "µL/L",
            Self::HydrogenPeroxide => "mg/L",
        }
    }

    /// The rule that covers it, with its edition.
    #[must_use]
    pub const fn citation(self) -> &'static str {
        match self {
            Self::Formalin => "21 CFR 529.1030, 2015 edition; check the current one",
            Self::HydrogenPeroxide => "21 CFR 529.1150, 2015 edition; check the current one",
        }
    }
}

impl fmt::Display for Target {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} {}", self.agent().name(), self.value(), self.agent().unit())
    }
}

/// Why there is no dose.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum DoseError {
    /// Not a number above zero.
    #[error("{what} of {value} cannot be dosed; it must be above zero")]
    NotPositive {
        /// What was given.
        what: &'static str,
        /// The number.
        value: f64,
    },
    /// More drug than stock.
    #[error("the drug alone is {drug_ml:.0} mL, more than the {stock_ml:.0} mL to be fed")]
    StockTooSmall {
        /// Millilitres of drug.
        drug_ml: f64,
        /// Millilitres of stock wanted.
        stock_ml: f64,
    },
    /// A quantity that makes no sense.
    #[error(transparent)]
    Impossible(#[from] Impossible),
}
