//! The way from a source to the core: the channel, the clock, the counters, and the rule that the
//! coming and going of a device is said once.

use super::counters::SourceCounters;
use crate::clock::{Clock, Now};
use crate::reading::{FromSource, RawReading, SourceIx};
use std::collections::BTreeSet;
use std::sync::Arc;
use tokio::sync::mpsc;
use tokio::sync::mpsc::error::TrySendError;

/// Places in the channel from a source to the core: five seconds of a rack of 48 sensors that
/// send one line each a second, about 100 kB.
pub const FEED_CAPACITY: usize = 256;

/// What every source needs to reach the core.
#[derive(Clone)]
pub struct Feed {
    /// Which source it is.
    pub source: SourceIx,
    /// Tells when something arrived.
    pub clock: Arc<dyn Clock>,
    /// Into the core; [`FEED_CAPACITY`] places.
    pub to_core: mpsc::Sender<FromSource>,
    /// What the source counts.
    pub counters: Arc<SourceCounters>,
    /// Names of the sensors that this source brings.
    pub sensors: Arc<BTreeSet<String>>,
}

impl Feed {
    /// Leaves the readings of this source's own sensors and counts the others.
    pub fn keep_known(&self, readings: &mut Vec<RawReading>) {
        readings.retain(|reading| {
            let known = self.sensors.contains(&reading.name);
            if !known {
                self.counters.refuse_name(&reading.name);
            }
            known
        });
    }
}

/// What has been said about the device, so that each change is said once, even when the core's
/// inbox is full at that moment.
#[derive(Debug, Default)]
pub struct Link {
    last: Option<bool>,
    unsaid: Option<(Now, bool, String)>,
}

impl Link {
    /// Notes that the device is there or gone. Only a change counts.
    pub fn set(&mut self, feed: &Feed, up: bool, detail: impl FnOnce() -> String) {
        feed.counters.set_up(up);
        if self.last != Some(up) {
            self.last = Some(up);
            let detail = detail();
            if up {
                tracing::info!(source = feed.source.0, detail, "source connected");
            } else {
                tracing::warn!(source = feed.source.0, detail, "source lost");
            }
            self.unsaid = Some((feed.clock.now(), up, detail));
        }
    }

    /// The message still to be sent, if there is one.
    pub fn take(&mut self, source: SourceIx) -> Option<FromSource> {
        let (at, up, detail) = self.unsaid.take()?;
        Some(FromSource::Link { source, at, up, detail })
    }

    /// Sends what is unsaid if there is room.
    pub fn try_say(&mut self, feed: &Feed) {
        let Some(message) = self.take(feed.source) else { return };
        if let Err(TrySendError::Full(FromSource::Link { at, up, detail, .. })) =
            feed.to_core.try_send(message)
        {
            self.unsaid = Some((at, up, detail));
        }
    }
}
