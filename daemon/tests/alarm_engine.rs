//! The alarm engine at work on an invented station, under a manual clock.
//!
//! `NIGHTJAR_ALARM_RUNS` multiplies the counts of the long tests (1 by default); a release build
//! runs them at full length: 30 days of noise, 10,000 excursions.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

#[path = "alarm_engine/answered.rs"]
mod answered;
#[path = "alarm_engine/causes.rs"]
mod causes;
#[path = "alarm_engine/commands.rs"]
mod commands;
#[path = "alarm_engine/defaults.rs"]
mod defaults;
#[path = "alarm_engine/facts.rs"]
mod facts;
#[path = "alarm_engine/faults.rs"]
mod faults;
#[path = "alarm_engine/journal.rs"]
mod journal;
#[path = "alarm_engine/ladder.rs"]
mod ladder;
#[path = "alarm_engine/loaded_jars.rs"]
mod loaded_jars;
#[path = "alarm_engine/noise.rs"]
mod noise;
#[path = "alarm_engine/plan_tree.rs"]
mod plan_tree;
#[path = "alarm_engine/properties.rs"]
mod properties;
#[path = "alarm_engine/rarely.rs"]
mod rarely;
#[path = "alarm_engine/readings_weighed.rs"]
mod readings_weighed;
#[path = "alarm_engine/released.rs"]
mod released;
#[path = "alarm_engine/restarted_causes.rs"]
mod restarted_causes;
#[path = "alarm_engine/restored.rs"]
mod restored;
#[path = "alarm_engine/silent_nodes.rs"]
mod silent_nodes;
#[path = "alarm_engine/station.rs"]
mod station;
#[path = "alarm_engine/told.rs"]
mod told;
#[path = "alarm_engine/views.rs"]
mod views;
#[path = "alarm_engine/words.rs"]
mod words;
