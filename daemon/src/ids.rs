//! Names of things: short, printable, safe in a file name, a topic and a line of text.

mod kept;

use serde::{Deserialize, Serialize};
use std::fmt;
use std::sync::Arc;

/// Text that cannot be a name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{0}\" is not a name: use 1 to 32 letters, digits, '-', '_' or '.'")]
pub struct NotAName(String);

/// Longest name accepted, in characters.
pub const LONGEST_NAME: usize = 32;

fn check(text: &str) -> Result<(), NotAName> {
    let fits = !text.is_empty()
        && text.len() <= LONGEST_NAME
        && text.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.'));
    if fits { Ok(()) } else { Err(NotAName(text.chars().take(40).collect())) }
}

macro_rules! name {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(try_from = "String", into = "String")]
        pub struct $name(Arc<str>);

        impl $name {
            /// Checks the text and takes it as a name.
            ///
            /// # Errors
            /// When it is empty, too long or holds other characters than letters, digits, `-_.`.
            pub fn new(text: &str) -> Result<Self, NotAName> {
                check(text)?;
                Ok(Self(kept::once(text)))
            }

            /// The name as text.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl TryFrom<String> for $name {
            type Error = NotAName;
            fn try_from(text: String) -> Result<Self, NotAName> {
                Self::new(&text)
            }
        }

        impl From<$name> for String {
            fn from(name: $name) -> Self {
                name.0.to_string()
            }
        }
    };
}

name!(
    /// A sensor, as its frames name it.
    SensorId
);
name!(
    /// A jar, as painted on it.
    JarId
);
name!(
    /// A manifold feeding a group of jars.
    HeaderId
);
name!(
    /// Eggs of one species, strain, year class and source kept together.
    LotId
);
name!(
    /// One day's stripped and fertilized eggs of one species and water.
    TakeId
);
name!(
    /// Somebody who can be told, or who makes entries.
    PersonId
);
name!(
    /// A serial port, broker or bus that delivers readings.
    SourceId
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_short_and_plain() {
        assert!(JarId::new("B-07").is_ok());
        for bad in ["", "a b", "../etc", "<svg>", "ø", &"x".repeat(33)] {
            assert!(JarId::new(bad).is_err(), "{bad}");
        }
    }
}
