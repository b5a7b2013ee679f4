//! Nightjar watches a rack of egg incubation jars: sensors in, thermal units and dates, alarms,
//! messages and a page out.

pub mod alarm;
pub mod backup;
pub mod calculators;
pub mod cli;
pub mod clock;
pub mod config;
pub mod core;
pub mod drill;
pub mod export;
pub mod guard;
pub mod health;
pub mod heartbeat;
pub mod history;
pub mod ids;
pub mod ingest;
pub mod logbook;
pub mod notify;
pub mod observe;
pub mod progress;
pub mod rack;
pub mod reading;
pub mod replay;
pub mod season;
pub mod snapshot;
pub mod store;
pub mod supervise;
pub mod today;
pub mod watch;
pub mod web;
