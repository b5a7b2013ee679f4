//! The pages, one module each.

pub mod alarms;
pub mod calculators;
pub mod cards;
pub mod days;
pub mod entry;
pub mod gallery;
pub mod jar;
pub mod load;
pub mod logbook;
pub mod messages;
pub mod rack;
pub mod season;
pub mod sensors;
pub mod sign_in;
pub mod station;
pub mod today;
