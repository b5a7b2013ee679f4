//! Slow departure from the header tank.
//!
//! Water of the jars comes from the header, so the difference between the two is nearly constant.
//! The middle of the first day's hourly means is the reference; the middle of the latest day's is
//! held against it. A day long, so that a daily rhythm of the difference does not count.

use super::{Quality, median};
use crate::time::{Span, Timestamp};
use std::collections::VecDeque;

const HOURS: usize = 24;

#[derive(Clone, Debug, Default)]
pub(super) struct Beside {
    hours: VecDeque<f64>,
    current: Option<(Timestamp, f64, f64)>,
    reference: Option<f64>,
}

impl Beside {
    pub(super) fn take(&mut self, at: Timestamp, difference: f64, limit: f64) -> Quality {
        match self.current.as_mut() {
            Some((start, sum, count)) if at.since(*start) < Span::from_hours(1) => {
                *sum += difference;
                *count += 1.0;
            }
            Some((_, sum, count)) => {
                let mean = *sum / *count;
                self.current = Some((at, difference, 1.0));
                if self.hours.len() == HOURS {
                    self.hours.pop_front();
                }
                self.hours.push_back(mean);
                if self.reference.is_none() && self.hours.len() == HOURS {
                    self.reference = self.middle();
                }
            }
            None => self.current = Some((at, difference, 1.0)),
        }
        let (Some(reference), Some(now)) = (self.reference, self.middle()) else { return Quality::Good };
        match (now - reference).abs() {
            away if away > 3.0 * limit => Quality::Bad,
            away if away > limit => Quality::Uncertain,
            _ => Quality::Good,
        }
    }

    fn middle(&self) -> Option<f64> {
        median(&mut self.hours.iter().copied().collect::<Vec<_>>())
    }
}
