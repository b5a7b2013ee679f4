//! Short runs of the fault tests; `tests/torture` makes the long ones.

use nightjar_tests::programs::installed;
use nightjar_tests::torture::{KillLimits, crash, faults, kills};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// One station at a time: each is a load by itself.
static TURN: Mutex<()> = Mutex::new(());

fn equipped() -> bool {
    ["sqlite3", "cc"].into_iter().all(installed)
}

#[test]
fn ten_kills_lose_nothing_that_was_said_to_be_safe() {
    let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
    if !equipped() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let limits = KillLimits {
        rounds: 10,
        length: Duration::from_secs(600),
        seed: 7,
        shortest_ms: 100,
        longest_ms: 3_000,
    };
    let totals = kills::run(&limits, folder.path()).expect("the station can be set up");
    assert!(totals.faults.is_empty(), "{:#?}", totals.faults);
    assert!(totals.readings > 200 && totals.entries > 20 && totals.alarms >= 3, "too little load: {totals}");
}

#[test]
fn some_hundred_crash_points_leave_a_state_that_existed() {
    let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
    if !equipped() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let limits = crash::CrashLimits { points: 300, work: Duration::from_secs(9), seed: 7 };
    let totals = crash::run(&limits, folder.path()).expect("the station can be set up");
    assert!(totals.faults.is_empty(), "{:#?}", totals.faults);
    assert!(totals.syncs > 50, "too little was written: {totals}");
}

#[test]
fn a_failing_disk_silences_no_alarm_and_is_survived() {
    let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
    if !equipped() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let cases: Vec<faults::Case> = (faults::Case::at(3).into_iter().filter(|case| !case.from_start))
        .chain(faults::Case::at(1).into_iter().filter(|case| case.from_start))
        .collect();
    let found = faults::run_all(&cases, cases.len(), folder.path()).expect("the station can be set up");
    assert_eq!(found, 0, "see above");
}
