//! From a source as configured to one that runs.

use super::decode::columns::Column;
use super::decode::message::{NotAFilter, Pick, Topic, TopicFilter};
use super::decode::{Columns, LineFormat, Sentences};
use super::modbus::{self, Bus, Coding, ModbusSettings, Register, Table};
use super::mqtt::{self, LARGEST_PACKET, MqttSettings};
use super::serial::{self, Parity, SerialSettings};
use super::Feed;
use crate::config::checked;
use nightjar_calc::time::Span;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Half the time after which mosquitto gives a silent client up by default is enough.
const KEEP_ALIVE: Duration = Duration::from_secs(20);
