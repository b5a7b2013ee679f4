//! Alarms as scripted: one jar of each header after the other goes wrong, stays wrong until the
//! station has told the receiver, and is mended until it has told that too.

use super::chance::Chance;
use super::receiver::{Call, Receiver};
use super::station::{Fault, JARS, Water};
use crate::pace::{self, Stopwatch};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// A jar that goes off three times within ten minutes chatters, and its alarm is held on.
const REST: Duration = Duration::from_secs(400);

/// One scripted alarm.
#[derive(Clone, Debug)]
pub struct Scripted {
    /// What went wrong.
    pub fault: Fault,
    /// Asset, as `jar/03`.
    pub asset: String,
    /// Calls before it began.
    pub calls_before: usize,
    /// Event it was announced under, once it was.
    pub event: Option<String>,
    /// How long the announcement took.
    pub told_after: Option<Duration>,
    /// The end was told, too.
    pub over: bool,
}

/// The script at work. Ends with it.
pub struct Script {
    done: Arc<Mutex<Vec<Scripted>>>,
    no_more: Arc<AtomicBool>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

/// A header of the script.
struct Lane {
    fault: Fault,
    rested: BTreeMap<usize, Stopwatch>,
    /// Number in the list, when it began, and the jar.
    under_way: Option<(usize, Stopwatch, usize)>,
    next: Stopwatch,
    wait: Duration,
}

impl Script {
    /// Begins.
    #[must_use]
    pub fn start(water: Arc<Water>, receiver: Arc<Receiver>, seed: u64) -> Self {
        let done = Arc::<Mutex<Vec<Scripted>>>::default();
        let (no_more, stop) = (Arc::<AtomicBool>::default(), Arc::<AtomicBool>::default());
        let (shared, ending, stopped) = (Arc::clone(&done), Arc::clone(&no_more), Arc::clone(&stop));
        let thread = std::thread::spawn(move || {
            let mut chance = Chance::new(seed, 3);
            let mut lanes = Fault::ALL.map(|fault| Lane {
                fault,
                rested: BTreeMap::new(),
                under_way: None,
                next: Stopwatch::start(),
                wait: chance.between(0, 2_000),
            });
            while !stopped.load(Ordering::Relaxed) {
                for lane in &mut lanes {
                    let ending = ending.load(Ordering::Relaxed);
                    step(lane, &water, &receiver, &shared, ending, &mut chance);
                }
                pace::pause(Duration::from_millis(50));
            }
        });
        Self { done, no_more, stop, thread: Some(thread) }
    }

    /// What was scripted so far.
    #[must_use]
    pub fn scripted(&self) -> Vec<Scripted> {
        self.done.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Begins no further alarm; those under way go on.
    pub fn begin_no_more(&self) {
        self.no_more.store(true, Ordering::Relaxed);
    }
}

impl Drop for Script {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

fn step(
    lane: &mut Lane,
    water: &Water,
    receiver: &Receiver,
    done: &Mutex<Vec<Scripted>>,
    ending: bool,
    chance: &mut Chance,
) {
    let mut done = done.lock().unwrap_or_else(PoisonError::into_inner);
    let Some((number, began, jar)) = lane.under_way else {
        if !ending && lane.next.elapsed() >= lane.wait {
            begin(lane, water, receiver, &mut done);
        }
        return;
    };
    let Some(scripted) = done.get_mut(number) else { return };
    let about = |call: &Call| call.asset == scripted.asset && call.alarm == lane.fault.alarm();
    if scripted.event.is_none() {
        let told = receiver.find(scripted.calls_before, |call| call.kind == "alarm.active" && about(call));
        if let Some(told) = told {
            scripted.event = Some(told.event);
            scripted.told_after = Some(began.elapsed());
            water.set(lane.fault, jar, false);
        }
        return;
    }
    let event = scripted.event.clone();
    let over = |call: &Call| call.kind == "alarm.cleared" && Some(&call.event) == event.as_ref();
    if receiver.find(scripted.calls_before, over).is_some() {
        scripted.over = true;
        lane.under_way = None;
        lane.rested.insert(jar, Stopwatch::start());
        (lane.next, lane.wait) = (Stopwatch::start(), chance.between(0, 2_000));
    }
}

fn begin(lane: &mut Lane, water: &Water, receiver: &Receiver, done: &mut Vec<Scripted>) {
    let fresh = |place: &usize| lane.rested.get(&lane.fault.jar(*place)).is_none_or(|r| r.elapsed() > REST);
    let Some(place) = (0..JARS).find(fresh) else { return };
    let jar = lane.fault.jar(place);
    lane.under_way = Some((done.len(), Stopwatch::start(), jar));
    done.push(Scripted {
        fault: lane.fault,
        asset: format!("jar/{jar:02}"),
        calls_before: receiver.count(),
        event: None,
        told_after: None,
        over: false,
    });
    water.set(lane.fault, jar, true);
}
