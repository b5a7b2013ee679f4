//! Sensors in: serial ports, an MQTT broker, Modbus buses.
//!
//! [`frame`], [`decode`], [`judge`] and the lengths in [`backoff`] are pure; [`serial`], [`mqtt`]
//! and [`modbus`] move bytes. A source never ends by itself and never panics: what it cannot use
//! it counts ([`counters`]), what it loses it opens again, and each coming and going of a device
//! is said once.
//!
//! Not for: deciding what a reading means for a jar. A *raw reading* leaves here as it was sent;
//! the core has it judged.

pub mod backoff;
pub mod counters;
pub mod decode;
pub mod feed;
pub mod frame;
pub mod judge;
pub mod modbus;
pub mod mqtt;
pub mod serial;
pub mod settings;

pub use counters::{Refusal, SourceCounters};
pub use feed::Feed;
pub use modbus::ModbusSettings;
pub use mqtt::MqttSettings;
pub use serial::SerialSettings;
pub use settings::{SourceSettings, Started};
