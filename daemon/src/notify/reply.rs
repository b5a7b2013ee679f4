//! Texts that people send: what they mean, and what is done about them.
//!
//! A number can be forged, so a text may do only what is harmless to forge: pause the nagging of one
//! alarm for a limited time, visibly to everybody who was told.

mod desk;
mod words;

pub use desk::{Act, Desk, Incoming, OpenAlarm, View};
pub use words::{Meant, understand};
