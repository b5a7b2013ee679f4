//! A physical model of an invented field hatchery that speaks as its sensors do.
//!
//! Source water, head tank, headers, jars, eggs, probes and crew, all from one seed. It exists so
//! that a monitor can be tried against a season whose truth is known: the exact integral of the
//! water, the moment of each mishap, the true days of eye-up and hatch. Nothing here reads a clock
//! or knows how the monitor decodes, sums or predicts.
//!
//! ```
//! use nightjar_simulator::frame::{Encoder, Format};
//! use nightjar_simulator::scenario::Scenario;
//! use nightjar_simulator::station::Station;
//!
//! let mut station = Station::new(Scenario::named("demo")?, 1)?;
//! let mut encoder = Encoder::new(Format::Xdr, false, 1);
//! let step = station.step();
//! assert!(encoder.bytes(&step.scan).starts_with(b"$NJXDR,C,"));
//! # Ok::<(), nightjar_simulator::scenario::ScenarioError>(())
//! ```

pub mod chance;
pub mod crew;
pub mod embryo;
pub mod frame;
pub mod plumbing;
pub mod probe;
pub mod scenario;
pub mod station;
pub mod truth;
pub mod water;
pub mod weather;
