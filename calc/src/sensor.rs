//! From electrical signals to water temperature and flow.

pub mod thermistor;
