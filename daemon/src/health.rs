//! Whether the program still does its work: beats of the vital tasks, and the service manager's
//! watchdog that is fed by them.
//!
//! A task beats after *useful* work, never from a timer of its own: a timer goes on ticking beside
//! a worker that is stuck. When one beat is too old the watchdog is not fed, and the service
//! manager starts the program anew.

pub mod trust;
pub mod watchdog;

use crate::clock::Uptime;
use nightjar_calc::time::Span;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// The vital tasks, by name.
#[derive(Clone, Debug, Default)]
pub struct Beats {
    tasks: Arc<Mutex<Vec<Task>>>,
}

#[derive(Clone, Debug)]
struct Task {
    name: &'static str,
    limit: Span,
    last_ms: Arc<AtomicU64>,
}

/// Where one task leaves its beats.
#[derive(Clone, Debug)]
pub struct Beat {
    last_ms: Arc<AtomicU64>,
}

impl Beat {
    /// Useful work was done at this moment.
    pub fn beat(&self, up: Uptime) {
        self.last_ms.fetch_max(up.ms(), Ordering::Relaxed);
    }
}

/// How long ago a task last did something useful.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Age {
    /// Which task.
    pub name: &'static str,
    /// How long ago.
    pub age: Span,
    /// Longest it may be.
    pub limit: Span,
}

impl Age {
    /// Recent enough.
    #[must_use]
    pub fn fresh(&self) -> bool {
        self.age <= self.limit
    }
}

impl Beats {
    /// A new vital task that must do something useful at least this often, the first time counted
    /// from now.
    #[must_use]
    pub fn register(&self, name: &'static str, limit: Span, now: Uptime) -> Beat {
        let last_ms = Arc::new(AtomicU64::new(now.ms()));
        self.adopt(name, limit, Arc::clone(&last_ms));
        Beat { last_ms }
    }

    /// A vital task that leaves the up-time of its last useful work, in milliseconds, here.
    pub fn adopt(&self, name: &'static str, limit: Span, last_ms: Arc<AtomicU64>) {
        let mut tasks = self.tasks.lock().unwrap_or_else(PoisonError::into_inner);
        tasks.push(Task { name, limit, last_ms });
    }

    /// All tasks, in the order they were registered.
    #[must_use]
    pub fn ages(&self, now: Uptime) -> Vec<Age> {
        let tasks = self.tasks.lock().unwrap_or_else(PoisonError::into_inner);
        let age = |task: &Task| now.since(Uptime::from_ms(task.last_ms.load(Ordering::Relaxed)));
        tasks.iter().map(|task| Age { name: task.name, age: age(task), limit: task.limit }).collect()
    }

    /// Tasks whose last beat is too old.
    #[must_use]
    pub fn late(&self, now: Uptime) -> Vec<Age> {
        self.ages(now).into_iter().filter(|age| !age.fresh()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_task_is_late_once_its_limit_has_passed_without_work() {
        let beats = Beats::default();
        let core = beats.register("core", Span::from_secs(15), Uptime::from_ms(0));
        let _store = beats.register("store", Span::from_secs(60), Uptime::from_ms(0));
        assert_eq!(beats.late(Uptime::from_ms(15_000)), vec![]);
        let late = beats.late(Uptime::from_ms(15_001));
        assert_eq!(late.iter().map(|age| age.name).collect::<Vec<_>>(), ["core"]);
        core.beat(Uptime::from_ms(15_001));
        assert_eq!(beats.late(Uptime::from_ms(16_000)), vec![]);
    }
}
