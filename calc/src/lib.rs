//! The arithmetic of jar incubation: pure functions and state machines without clock, file or
//! network. Every formula names its symbols, units, range and source where it stands.

pub mod breeders;
pub mod development;
pub mod enumeration;
pub mod learn;
pub mod ledger;
pub mod outlook;
pub mod oxygen;
pub mod plan;
pub mod proportion;
pub mod quantity;
pub mod sensor;
pub mod series;
pub mod stages;
pub mod thermal;
pub mod time;
pub mod treatment;
