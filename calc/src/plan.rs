//! Planning: the temperatures that bring hatch to a wanted day, and the days that need hands, tank and truck.

mod calendar;
mod schedule;

pub use calendar::{Booking, DayNeeds, Habits, LotDates, Resource, Window, calendar};
pub use schedule::{Equipment, Goal, Impossible, Schedule, SetDay, Verdict, schedule};
