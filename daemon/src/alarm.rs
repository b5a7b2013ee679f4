//! Alarms: requests for a person to act.
//!
//! Pure. [`event`] holds the words that leave this module towards messages, journal and page.

pub mod event;
