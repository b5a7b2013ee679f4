//! Why something cannot be entered.

use super::eggs::Eggs;
use crate::proportion::ProportionError;

/// Why something cannot be entered. Nothing is changed then.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BookError {
    /// A number that makes no sense.
    #[error("{what} of {value} cannot be")]
    Number {
        /// What was given.
        what: &'static str,
        /// The number.
        value: f64,
    },
    /// A share outside 0 to 1.
    #[error("a share of {0} cannot be; it lies between 0 and 1")]
    Share(f64),
    /// No such take, lot or jar.
    #[error("no {what} is called \"{name}\"")]
    Unknown {
        /// Take, lot or jar.
        what: &'static str,
        /// Its name.
        name: String,
    },
    /// The name is in use.
    #[error("{what} \"{name}\" is there already")]
    Again {
        /// Take or lot.
        what: &'static str,
        /// Its name.
        name: String,
    },
    /// A lot of nothing.
    #[error("lot \"{0}\" has no takes")]
    LotOfNothing(String),
    /// Pouring into the same jar.
    #[error("jar {0} cannot be poured into itself")]
    SameJar(String),
    /// Nothing to take from.
    #[error("jar {0} is empty")]
    JarEmpty(String),
    /// Eggs there already.
    #[error("jar {0} is not empty; pool the jars if that is meant")]
    JarFull(String),
    /// More than there is.
    #[error("{asked} eggs cannot be removed from jar {jar}: it holds about {left}")]
    MoreThanLeft {
        /// Jar.
        jar: String,
        /// Eggs to be removed.
        asked: Eggs,
        /// Eggs left.
        left: Eggs,
    },
    /// The jar has none of the lot.
    #[error("jar {jar} holds no eggs of lot {lot}")]
    LotNotInJar {
        /// Jar.
        jar: String,
        /// Lot.
        lot: String,
    },
    /// More fry than there were.
    #[error("{asked} fry more of lot {lot} would make {total}, but {available} at most were {counted}")]
    MoreFryThanCounted {
        /// Lot.
        lot: String,
        /// Fry in this entry.
        asked: Eggs,
        /// Stocked, held and dead with it.
        total: Eggs,
        /// Upper bound of what there was.
        available: Eggs,
        /// Whether that was counted as fry or as eggs.
        counted: &'static str,
    },
    /// Eye-up after hatch.
    #[error("hatching was already seen in jar {0}; an eye-up sample comes before it")]
    EyeUpAfterHatch(String),
    /// A sample that makes no sense.
    #[error(transparent)]
    Sample(#[from] ProportionError),
}

/// No take, lot or jar of that name.
pub(super) fn unknown(what: &'static str, name: &str) -> BookError {
    BookError::Unknown { what, name: name.chars().take(60).collect() }
}
