//! What a sensor says: a *raw reading* as it came over the wire, a *reading* once it is a judged
//! measure, and the reasons for doubting it.
//!
//! *Stale* is said of readings only; an alarm that lasts is *standing*.

use crate::clock::Now;
use nightjar_calc::time::Timestamp;
use serde::{Deserialize, Serialize};

/// Position of a sensor in [`crate::rack::Rack::sensors`]; stable while the process runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SensorIx(pub u16);

/// Position of a source in the configuration; stable while the process runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SourceIx(pub u16);

/// One named number out of a frame, before it is known what it means.
#[derive(Clone, Debug, PartialEq)]
pub struct RawReading {
    /// The sensor's name in the frame.
    pub name: String,
    /// The number as sent; may be NaN or a sentinel.
    pub value: f64,
    /// Time the sender put on it, if it did.
    pub at: Option<Timestamp>,
    /// A message kept by the broker from before we subscribed: last known, never fresh.
    pub retained: bool,
}

/// A measured value as stored: ten-thousandths of °C or L/min. An integer, so that sums over it
/// do not depend on their order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Value(pub i32);

impl Value {
    /// Steps in one °C or L/min.
    pub const STEPS: f64 = 10_000.0;

    /// Nearest step; `None` when not finite or too large to be a measure.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "the range is checked first")]
    pub fn from_f64(value: f64) -> Option<Self> {
        let steps = (value * Self::STEPS).round();
        (steps.abs() <= f64::from(i32::MAX)).then_some(Self(steps as i32))
    }

    /// In °C or L/min.
    #[must_use]
    pub fn get(self) -> f64 {
        f64::from(self.0) / Self::STEPS
    }
}

/// How far a reading can be believed, as in OPC UA.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quality {
    /// Used for everything.
    Good,
    /// Used for the record and the sum, marked; does not clear an alarm.
    Uncertain,
    /// Kept in the record, used for nothing.
    Bad,
}

/// Why a reading is not simply good.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// Nothing is wrong with it.
    None,
    /// NaN or infinite.
    NotFinite,
    /// A number loggers send when they have none, as -9999, -127 or 85.
    Sentinel,
    /// Outside what the sensor or the water can be.
    Range,
    /// A jump that came back at once.
    Spike,
    /// The same raw number for longer than water can hold still.
    Stuck,
    /// A daily swing that only air has.
    OutOfWater,
    /// Disturbed by people at work.
    SiteVisit,
    /// Far from its header or its neighbours.
    Disagrees,
    /// Older than it may be.
    Stale,
    /// Carries a time that has not come yet.
    FutureTime,
    /// Arrived while nobody could say what time it was.
    UntrustedClock,
    /// The broker kept it from before; nobody knows how old it is.
    Retained,
    /// The device itself reports a fault.
    Device,
}

/// A judged measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// Which sensor.
    pub sensor: SensorIx,
    /// When it was true: the sender's time, or that of arrival.
    pub at: Timestamp,
    /// °C or L/min (see [`crate::rack::Measure`]), calibrated.
    pub value: Value,
    /// How far it can be believed.
    pub quality: Quality,
    /// Why not further.
    pub reason: Reason,
}

/// What a source hands to the core.
#[derive(Debug)]
pub enum FromSource {
    /// Readings that belong together: one frame, one message, one poll.
    Readings {
        /// Where they came from.
        source: SourceIx,
        /// When they arrived.
        arrived: Now,
        /// The readings.
        readings: Vec<RawReading>,
        /// To be called once they are on disk.
        receipt: Option<Receipt>,
    },
    /// The device or broker came or went. Said once for each change.
    Link {
        /// Which source.
        source: SourceIx,
        /// When.
        at: Now,
        /// True when connected.
        up: bool,
        /// What happened, for the journal.
        detail: String,
    },
}

/// Told to the source once its readings are safe, so that it can acknowledge them.
#[derive(Debug)]
pub struct Receipt {
    /// Connection the message came over; a receipt of an older connection is void.
    pub epoch: u64,
    /// Packet identifier on that connection.
    pub packet: u16,
    /// Where to send it back.
    pub to: tokio::sync::mpsc::Sender<(u64, u16)>,
}
