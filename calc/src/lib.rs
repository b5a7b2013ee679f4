//! The arithmetic of jar incubation: pure functions and state machines without clock, file or
//! network. Every formula names its symbols, units, range and source where it stands.

pub mod development;
pub mod learn;
pub mod outlook;
pub mod plan;
pub mod quantity;
pub mod sensor;
pub mod stages;
pub mod thermal;
pub mod time;
