//! The machine of one alarm: every row of the table of transitions as a sentence, and random
//! traces against a slow, obvious reference.
//!
//! `NIGHTJAR_ALARM_RUNS` multiplies the number of traces (1 by default);
//! `NIGHTJAR_ALARM_SEED` runs one seed again.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

#[path = "alarm_model/reference.rs"]
mod reference;
#[path = "alarm_model/rows.rs"]
mod rows;

use nightjar::alarm::event::{AlarmKind, Asset, Priority};
use nightjar::alarm::moment::Moment;
use nightjar::alarm::state::{
    Alarm, Condition, Cover, OutOfService, Recognition, Shelf, Step, Tuning, Verdict, What,
};
use nightjar::ids::PersonId;
use nightjar_calc::time::Span;
use reference::Reference;

/// SplitMix64 (Steele, Lea, Flood 2014).
#[derive(Clone, Debug)]
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }
}

pub fn person() -> PersonId {
    PersonId::new("kim").unwrap()
}

/// One thing that happens to an alarm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Input {
    Verdict(Verdict),
    Wait(u64),
    Acknowledge,
    Confirm,
    Worsen(Priority),
    Shelve { for_s: u64, one_shot: bool },
    Unshelve,
    Cover,
    Uncover,
    Empty(bool),
    Settle(u64),
    Out(u64),
    Return,
}

fn verdict(dice: &mut Dice) -> Verdict {
    match dice.below(10) {
        0..4 => Verdict::Beyond,
        4 => Verdict::Margin,
        5..8 => Verdict::Inside,
        _ => Verdict::Unknown,
    }
}

/// Long waits cost the reference a tick a second, so only some traces have them.
fn input(dice: &mut Dice, patient: bool) -> Input {
    match dice.below(64) {
        0..28 => Input::Verdict(verdict(dice)),
        28..46 => Input::Wait(1 + dice.below(6)),
        46 => Input::Wait(if patient { 200 + dice.below(1700) } else { 7 + dice.below(30) }),
        47..50 => Input::Acknowledge,
        50 => Input::Confirm,
        51 => Input::Worsen(if dice.below(2) == 0 { Priority::P1 } else { Priority::P2 }),
        52 | 53 => Input::Shelve { for_s: 1 + dice.below(40), one_shot: dice.below(2) == 0 },
        54 => Input::Unshelve,
        55 | 56 => Input::Cover,
        57 | 58 => Input::Uncover,
        59 => Input::Empty(true),
        60 => Input::Empty(false),
        61 => Input::Settle(1 + dice.below(20)),
        62 => Input::Out(1 + dice.below(60)),
        _ => Input::Return,
    }
}

fn tuning(dice: &mut Dice) -> Tuning {
    let s = |n: u64| Span::from_secs(i64::try_from(n).unwrap());
    Tuning {
        on_delay: s(dice.below(6)),
        off_delay: s(dice.below(8)),
        min_good: 1 + u8::try_from(dice.below(3)).unwrap(),
        latched: dice.below(4) == 0,
        priority: [Priority::P1, Priority::P2, Priority::P3][usize::try_from(dice.below(3)).unwrap()],
        escalates: (dice.below(3) == 0).then(|| (s(30 + dice.below(30)), Priority::P1)),
        settle: s(1 + dice.below(10)),
    }
}

/// The machine under test, driven as its contract says: woken exactly when it asks for it.
pub struct Driven {
    pub alarm: Alarm,
    pub tuning: Tuning,
    pub now: u64,
    pub steps: Vec<Step>,
}

impl Driven {
    pub fn new(tuning: Tuning) -> Self {
        Self { alarm: Alarm::new(&tuning), tuning, now: 0, steps: Vec::new() }
    }

    pub fn moment(&self) -> Moment {
        Moment(self.now * 1000)
    }

    pub fn apply(&mut self, input: Input) {
        let Self { alarm, tuning, steps, .. } = self;
        let m = Moment(self.now * 1000);
        let after = |s: u64| m.after(Span::from_secs(i64::try_from(s).unwrap()));
        match input {
            Input::Verdict(verdict) => alarm.handle_verdict(verdict, m, m, tuning, steps),
            Input::Wait(s) => return self.wait(s),
            Input::Acknowledge => {
                alarm.acknowledge(&person(), m, tuning, steps);
            }
            Input::Confirm => alarm.confirm(tuning, steps),
            Input::Worsen(priority) => alarm.worsen(priority, m, steps),
            Input::Shelve { for_s, one_shot } => {
                alarm.shelve(Shelf { by: person(), until: after(for_s), one_shot }, steps);
            }
            Input::Unshelve => alarm.unshelve(m, steps),
            Input::Cover => {
                alarm.cover(Cover { kind: AlarmKind::NoFlowHeader, asset: Asset::Supply }, steps);
            }
            Input::Uncover => alarm.uncover(m, tuning),
            Input::Empty(empty) => alarm.set_empty(empty, m, tuning, steps),
            Input::Settle(s) => alarm.settle_until(after(s), steps),
            Input::Out(s) => alarm.take_out(
                OutOfService { by: person(), reason: "repair".into(), until: after(s), overdue: false },
                steps,
            ),
            Input::Return => alarm.return_to_service(tuning, steps),
        }
        self.alarm.handle_timeout(m, &self.tuning, &mut self.steps);
    }

    pub fn wait(&mut self, seconds: u64) {
        let end = self.now + seconds;
        while let Some((due, _)) = self.alarm.poll_timeout(&self.tuning) {
            if due.0 > end * 1000 {
                break;
            }
            assert_eq!(due.0 % 1000, 0);
            self.now = self.now.max(due.0 / 1000);
            self.alarm.handle_timeout(self.moment(), &self.tuning, &mut self.steps);
            let again = self.alarm.poll_timeout(&self.tuning).map(|(at, _)| at);
            assert!(again.is_none_or(|at| at > self.moment()), "a deadline did not take effect");
        }
        self.now = end;
    }

    pub fn rows(&self) -> Vec<u8> {
        self.steps.iter().map(|step| step.what.row()).collect()
    }
}

/// Everything both sides must agree on.
fn picture(driven: &Driven) -> String {
    let alarm = &driven.alarm;
    let condition = match alarm.condition() {
        Condition::Normal => 'N',
        Condition::PendingOn { .. } => 'P',
        Condition::Active => 'A',
        Condition::PendingOff { .. } => 'O',
    };
    let recognition = match alarm.recognition() {
        Recognition::None => 'n',
        Recognition::Unacknowledged { .. } => 'u',
        Recognition::Acknowledged { .. } => 'c',
    };
    format!(
        "{}{condition}{recognition} {:?} x{} unverified {} chattering {}",
        alarm.reported().letter(),
        alarm.priority(),
        alarm.times(),
        alarm.is_unverified(),
        alarm.is_chattering()
    )
}

fn runs(base: u64) -> u64 {
    let factor = std::env::var("NIGHTJAR_ALARM_RUNS").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    base * factor
}

fn seeds(base: u64) -> std::ops::Range<u64> {
    match std::env::var("NIGHTJAR_ALARM_SEED").ok().and_then(|n| n.parse().ok()) {
        Some(seed) => seed..seed + 1,
        None => 0..runs(base),
    }
}

const TRACES: u64 = 100_000;

/// Plays one trace to both; says after how many inputs they were compared.
fn compare(seed: u64) -> u64 {
    let mut dice = Dice::new(seed);
    let tuning = tuning(&mut dice);
    let mut driven = Driven::new(tuning);
    let mut reference = Reference::new(tuning);
    let mut inputs = Vec::new();
    for _ in 0..10 + dice.below(30) {
        let input = input(&mut dice, seed.is_multiple_of(8));
        inputs.push(input);
        driven.apply(input);
        reference.apply(input);
        assert_eq!(picture(&driven), reference.picture(), "seed {seed}, {tuning:?}, {inputs:#?}");
        let steps: Vec<u8> = driven.rows();
        assert_eq!(steps, reference.rows, "seed {seed}, {tuning:?}, {inputs:#?}");
        check_invariants(seed, &mut driven, input);
    }
    inputs.len() as u64
}

/// I2, I4 and I5 as far as one alarm is concerned.
fn check_invariants(seed: u64, driven: &mut Driven, input: Input) {
    let suppression = driven.alarm.suppression();
    // I4: whatever is silenced has an end, a plant state or a cause that is on.
    let ends = driven.alarm.poll_timeout(&driven.tuning).is_some()
        || suppression.empty
        || suppression.cover.is_some()
        || suppression.out.as_ref().is_some_and(|out| out.overdue);
    assert!(!suppression.any() || ends, "seed {seed}: silenced without an end");
    // I5: an acknowledgment changes neither condition nor suppression.
    if input == Input::Acknowledge {
        let before = (driven.alarm.condition(), suppression.clone());
        let (m, tuning) = (driven.moment(), driven.tuning);
        driven.alarm.clone().acknowledge(&person(), m, &tuning, &mut Vec::new());
        assert_eq!(before, (driven.alarm.condition(), driven.alarm.suppression().clone()));
    }
}

#[test]
fn random_traces_agree_with_the_reference() {
    let start = seeds(TRACES);
    // Two halves side by side.
    let middle = start.start + (start.end - start.start) / 2;
    let compared = std::thread::scope(|scope| {
        let second = scope.spawn(|| (middle..start.end).map(compare).sum::<u64>());
        (start.start..middle).map(compare).sum::<u64>() + second.join().unwrap()
    });
    println!("{} traces, {compared} comparisons with the reference, no difference", start.end - start.start);
}

#[test]
fn no_sequence_of_bad_or_missing_samples_clears_an_alarm() {
    for seed in seeds(TRACES) {
        let mut dice = Dice::new(seed ^ 0xBAD);
        let tuning = tuning(&mut dice);
        let mut driven = Driven::new(tuning);
        for _ in 0..4 {
            driven.apply(Input::Verdict(Verdict::Beyond));
            driven.wait(2);
        }
        driven.wait(10);
        assert!(driven.alarm.is_on(), "seed {seed} {tuning:?}");
        // It may have been about to clear.
        if dice.below(2) == 0 {
            driven.apply(Input::Verdict(Verdict::Inside));
            if !driven.alarm.is_on() {
                continue; // no off-delay and one sample is enough
            }
        }
        driven.apply(Input::Verdict(Verdict::Unknown));
        for _ in 0..dice.below(20) {
            if dice.below(2) == 0 {
                driven.wait(dice.below(100));
            } else {
                driven.apply(Input::Verdict(Verdict::Unknown));
            }
            assert!(driven.alarm.is_on(), "seed {seed} {tuning:?}");
        }
    }
}

#[test]
fn a_stored_alarm_is_read_back_as_it_was() {
    for seed in seeds(TRACES / 100) {
        let mut dice = Dice::new(seed ^ 0x57);
        let mut driven = Driven::new(tuning(&mut dice));
        for _ in 0..30 {
            driven.apply(input(&mut dice, true));
        }
        let stored = driven.alarm.to_stored();
        let text = serde_json::to_string(&stored).unwrap();
        let read: Alarm = serde_json::from_str(&text).unwrap();
        assert_eq!(read, stored);
        assert_eq!(read.reported(), driven.alarm.reported(), "seed {seed}");
    }
}

#[test]
fn every_row_of_one_alarm_is_taken_by_the_random_traces() {
    let mut seen = std::collections::BTreeSet::new();
    for seed in 0..3000 {
        let mut dice = Dice::new(seed);
        let mut driven = Driven::new(tuning(&mut dice));
        for _ in 0..40 {
            driven.apply(input(&mut dice, true));
        }
        seen.extend(driven.steps.iter().map(|step| step.what));
    }
    let rows: std::collections::BTreeSet<u8> = seen.iter().map(|what: &What| what.row()).collect();
    let all: Vec<u8> = (0..=21).collect();
    assert_eq!(rows.into_iter().collect::<Vec<_>>(), all);
}
