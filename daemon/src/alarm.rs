//! Alarms: requests for a person to act.
//!
//! Pure: no clock, no IO. [`state`] is the three-region machine of one alarm, [`condition`] says
//! when a measure is beyond its limits and what a person should do about it, [`tree`] lays out
//! which alarms a station has and which explain which, [`group`] turns many alarms into few
//! events, and [`engine`] runs all of them. [`event`] holds the words that leave this module
//! towards messages, journal and page; [`record`] what is stored.
//!
//! Not here: who is told, when and by which route. That is decided from [`event::AlarmEvent`]s.

pub mod code;
pub mod condition;
pub mod engine;
pub mod event;
pub mod group;
pub mod moment;
pub mod record;
pub mod state;
pub mod tree;
