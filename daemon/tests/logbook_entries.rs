//! What each entry of the logbook does to the books, and which ones are refused and why. All numbers follow by hand
//! from two litres of 100,000 eggs a litre in jar 01.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

use nightjar::config;
use nightjar::logbook::Entry;
use nightjar::progress::Progress;
use nightjar::progress::books::{Content, Seen, Work};
use nightjar::rack::JarIx;
use nightjar_calc::development::species;
use nightjar_calc::ledger::Level;
use nightjar_calc::time::{Span, Timestamp};
use serde_json::{Value, json};
use std::sync::Arc;

#[path = "logbook_entries/order.rs"]
mod order;
#[path = "logbook_entries/pouring.rs"]
mod pouring;
#[path = "logbook_entries/refusals.rs"]
mod refusals;
#[path = "logbook_entries/tending.rs"]
mod tending;

const STATION: &str = include_str!("../../deploy/eight-jars-serial.toml");

fn begin() -> Timestamp {
    Timestamp::parse("2026-04-18T12:00:00Z").unwrap()
}

fn day(days: f64) -> Timestamp {
    begin() + Span::from_days(days)
}

/// Entries in this order, each with the days after the take at which it happened.
fn entries(acts: &[(f64, Value)]) -> Vec<Entry> {
    let entry = |(number, (days, act)): (usize, &(f64, Value))| {
        let text =
            json!({"id": format!("e{number:02}"), "happened_at": day(*days), "who": "kim", "act": act});
        serde_json::from_value(text.clone()).unwrap_or_else(|error| panic!("{text}: {error}"))
    };
    acts.iter().enumerate().map(entry).collect()
}

fn books(acts: &[(f64, Value)]) -> Progress {
    let config = config::parse(STATION, "station").unwrap();
    let known = ["walleye", "northern-pike"].map(|name| species::find(name).unwrap().clone());
    // Jar 08 is a small one; the others hold seven litres.
    let mut rack = (*config.rack).clone();
    rack.jars[7].volume_l = 1.0;
    let mut progress = Progress::new(Arc::new(rack), known.to_vec());
    progress.set_entries(entries(acts));
    progress
}

fn take(name: &str, species: &str) -> Value {
    json!({"kind": "take", "take": name, "species": species, "water": "Heron Lake (invented)",
        "fertilized_at": begin(), "females": 20, "males": 40, "volume_l": 4.0, "hardened": true,
        "count": {"method": "per_litre", "eggs_per_l": 100_000.0}})
}

fn load(jar: &str, lot: &str, litres: f64) -> Value {
    json!({"kind": "load", "jar": jar, "lot": lot, "volume_l": litres})
}

/// Two litres of take T1 in jar 01 on the day of the take, and what follows.
fn with(more: &[(f64, Value)]) -> Progress {
    let mut acts = vec![(0.0, take("T1", "walleye")), (0.1, load("01", "T1", 2.0))];
    acts.extend_from_slice(more);
    books(&acts)
}

fn jar(progress: &Progress, number: u16) -> &Content {
    assert_eq!(progress.books().left_out(), [], "all entries fit");
    progress.books().in_jar(JarIx(number - 1)).unwrap()
}

fn near(got: f64, expected: f64) {
    assert!((got - expected).abs() < 1e-6, "{got} for {expected}");
}

/// Why the last entry is refused; all others fit.
fn refused(more: &[(f64, Value)]) -> String {
    let progress = with(more);
    let left_out = progress.books().left_out();
    assert_eq!(left_out.len(), 1, "{left_out:?}");
    assert_eq!(left_out[0].0.0, format!("e{:02}", more.len() + 1), "the last one");
    let without = with(&more[..more.len() - 1]);
    let said = |progress: &Progress| {
        let books = progress.books();
        let reports = [Level::Jar, Level::Lot, Level::Take].map(|level| books.ledger().report(level));
        (books.contents().cloned().collect::<Vec<_>>(), books.lots().clone(), reports)
    };
    assert_eq!(said(&progress), said(&without), "one that is refused leaves no trace");
    left_out[0].1.to_string()
}

#[test]
fn dead_that_were_counted_leave_jar_and_account() {
    let dead = |jar: Option<&str>| json!({"kind": "mortality", "lot": "T1", "jar": jar, "number": 50_000.0, "cause": "fungus"});
    let progress = with(&[(1.0, dead(Some("01")))]);
    near(jar(&progress, 1).eggs.unwrap(), 150_000.0);
    near(jar(&progress, 1).litres, 1.5);
    let nowhere = refused(&[(1.0, json!({"kind": "mortality", "lot": "T9", "number": 1.0, "cause": ""}))]);
    assert!(nowhere.contains("lot T9 is not in the logbook"), "{nowhere}");
    let empty = refused(&[(1.0, dead(Some("02")))]);
    assert!(empty.contains("the jar was empty at that time"), "{empty}");
    let early = refused(&[(-1.0, dead(Some("01")))]);
    assert!(early.contains("fertilized later than that"), "{early}");
}

#[test]
fn eggs_that_nobody_counted_are_in_the_jar_and_in_no_account() {
    let uncounted = json!({"kind": "take", "take": "T2", "species": "walleye", "water": "Heron Lake (invented)",
        "fertilized_at": begin(), "females": 2, "males": 4});
    let dead = |lot: &str| json!({"kind": "mortality", "lot": lot, "jar": "02", "number": 10.0, "cause": ""});
    let progress = with(&[(0.0, uncounted.clone()), (0.2, load("02", "T2", 0.5)), (1.0, dead("T2"))]);
    assert_eq!(jar(&progress, 2).eggs, None);
    near(progress.books().uncounted_l(), 0.5);
    let other = refused(&[(0.0, uncounted), (0.2, load("02", "T2", 0.5)), (1.0, dead("T1"))]);
    assert!(other.contains("jar 02 holds no eggs of lot T1"), "{other}");
}

#[test]
fn work_at_a_jar_is_noted_with_its_time() {
    let treated = json!({"kind": "treatment", "jar": "01", "agent": "hydrogen_peroxide", "concentration": 500.0,
        "volume_ml": 50.0, "minutes": 15.0, "flow_l_per_min": 3.0});
    let read = json!({"kind": "hand_reading", "jar": "01", "temp_c": 10.0});
    let progress = with(&[(1.0, treated), (2.0, read)]);
    let done = &jar(&progress, 1).done;
    assert_eq!(
        [Work::Treatment, Work::Peroxide, Work::HandReading].map(|work| done.get(&work).copied()),
        [Some(day(1.0)), Some(day(1.0)), Some(day(2.0))]
    );
    let formalin = json!({"kind": "treatment", "jar": "01", "agent": "formalin", "concentration": 1667.0,
        "volume_ml": 50.0, "minutes": 15.0, "flow_l_per_min": 3.0});
    let progress = with(&[(1.0, formalin)]);
    assert!(!jar(&progress, 1).done.contains_key(&Work::Peroxide));
    let nowhere = refused(&[(1.0, json!({"kind": "hand_reading", "jar": "99", "temp_c": 10.0}))]);
    assert!(nowhere.contains("there is no jar 99"), "{nowhere}");
}

#[test]
fn a_sample_of_fertilization_belongs_to_its_take() {
    let sample =
        |take: &str, dips: Value| json!({"kind": "fertilization_sample", "take": take, "dips": dips});
    let dips = json!([{"fertilized": 90, "of": 100}]);
    assert_eq!(with(&[(1.0, sample("T1", dips.clone()))]).books().left_out(), []);
    for (at, take, dips, why) in [
        (1.0, "T9", dips.clone(), "take T9 is not in the logbook"),
        (-1.0, "T1", dips, "the sample was before the take"),
        (1.0, "T1", json!([]), "a sample needs at least one dip"),
        (1.0, "T1", json!([{"fertilized": 101, "of": 100}]), "101"),
    ] {
        let said = refused(&[(at, sample(take, dips))]);
        assert!(said.contains(why), "{said}");
    }
}

#[test]
fn eggs_are_moved_whole_or_in_part_to_a_jar_that_is_free() {
    let to = |kind: &str, to: &str| json!({"kind": kind, "from": "01", "to": to});
    let split = |share: f64| json!({"kind": "split", "from": "01", "to": "02", "share": share});
    let moved = with(&[(1.0, to("move", "03"))]);
    near(jar(&moved, 3).eggs.unwrap(), 200_000.0);
    assert!(moved.books().in_jar(JarIx(0)).is_none());
    let parted = with(&[(1.0, split(0.25))]);
    near(jar(&parted, 1).eggs.unwrap(), 150_000.0);
    near(jar(&parted, 2).eggs.unwrap(), 50_000.0);
    near(jar(&parted, 2).litres, 0.5);
    for share in [0.0, 1.0] {
        assert!(refused(&[(1.0, split(share))]).contains("more than 0 and less than 1"));
    }
    let full = refused(&[(0.2, load("02", "T1", 1.0)), (1.0, to("move", "02"))]);
    assert!(full.contains("the other jar is not empty"), "{full}");
    let empty = refused(&[(1.0, json!({"kind": "move", "from": "04", "to": "05"}))]);
    assert!(empty.contains("the jar was empty at that time"), "{empty}");
}

#[test]
fn jars_are_pooled_when_both_fit_and_are_of_one_species() {
    let pool = |from: &str, into: &str| json!({"kind": "pool", "from": from, "into": into});
    let pooled = with(&[(0.2, load("02", "T1", 1.0)), (1.0, pool("02", "01"))]);
    near(jar(&pooled, 1).litres, 3.0);
    near(jar(&pooled, 1).eggs.unwrap(), 300_000.0);
    assert!(refused(&[(1.0, pool("01", "01"))]).contains("cannot be pooled with itself"));
    let pike = [(0.0, take("P1", "northern-pike")), (0.2, load("02", "P1", 1.0)), (1.0, pool("02", "01"))];
    assert!(refused(&pike).contains("two species are not poured together"));
}

#[test]
fn a_lot_is_written_once_of_takes_of_one_species() {
    let lot = |name: &str, takes: &[&str]| json!({"kind": "lot", "lot": name, "takes": takes});
    let pike = (0.0, take("P1", "northern-pike"));
    let l1 = (0.5, lot("L1", &["T1"]));
    for (more, why) in [
        (vec![l1.clone(), (0.6, lot("L1", &["T1"]))], "lot L1 is in the logbook already"),
        (vec![(0.5, lot("L1", &["T9"]))], "take T9 is not in the logbook"),
        (vec![(0.5, lot("L1", &[]))], "a lot needs at least one take"),
        (vec![pike, (0.5, lot("L1", &["T1", "P1"]))], "a lot holds one species"),
    ] {
        let said = refused(&more);
        assert!(said.contains(why), "{said}");
    }
}

#[test]
fn the_hatch_is_seen_in_order_and_not_before_eggs_can_hatch() {
    let seen = |point: &str| json!({"kind": "hatch_seen", "jar": "01", "point": point});
    let sample =
        |eyed: u32| json!({"kind": "eye_up_sample", "jar": "01", "dips": [{"eyed": eyed, "of": 100}]});
    let hatched = with(&[
        (9.0, sample(0)),
        (10.0, sample(60)),
        (15.0, seen("first")),
        (16.0, seen("peak")),
        (17.0, seen("last")),
    ]);
    let content = jar(&hatched, 1);
    assert_eq!(
        content.seen.keys().copied().collect::<Vec<_>>(),
        [Seen::Eyed, Seen::First, Seen::Peak, Seen::Last]
    );
    assert_eq!(content.eyed_between, Some((day(9.0), day(10.0))));
    assert_eq!(content.dated(Seen::Eyed, day(10.0)), (day(9.5), false), "the middle between both samples");
    for (more, why) in [
        (vec![(2.9, seen("first"))], "less than three days before do not hatch"),
        (vec![(10.0, seen("peak")), (11.0, seen("first"))], "a later point of the hatch"),
        (vec![(10.0, seen("last")), (11.0, seen("peak"))], "a later point of the hatch"),
        (vec![(10.0, sample(0)), (10.9, seen("first"))], "hatch comes after eye-up"),
        (vec![(10.0, seen("first")), (11.0, sample(50))], "comes before it"),
    ] {
        let said = refused(&more);
        assert!(said.contains(why), "{said}");
    }
    assert_eq!(with(&[(3.0, seen("first"))]).books().left_out(), [], "three days to the second");
    assert_eq!(with(&[(10.0, sample(0)), (11.0, seen("first"))]).books().left_out(), [], "a day after");
}

#[test]
fn plans_and_checks_are_found_by_what_they_are_about() {
    let plan = json!({"kind": "treatment_plan", "species": "Walleye", "agent": "formalin", "concentration": 1667.0,
        "minutes": 15.0, "every_h": 48.0, "first_after_h": 24.0, "until": "before_hatch", "stop_before_hatch_h": 24.0});
    let check =
        json!({"kind": "calibration", "sensor": "J01T", "how": {"check": "ice_point", "reading_c": 0.1}});
    let progress = with(&[(0.5, plan), (3.0, check)]);
    assert_eq!(progress.books().left_out(), []);
    assert!((progress.books().plan("walleye").unwrap().every_h - 48.0).abs() < 1e-9);
    assert!(progress.books().plan("northern-pike").is_none());
    let sensor = |name: &str| nightjar::ids::SensorId::new(name).unwrap();
    assert_eq!(progress.books().checked(&sensor("J01T")), Some(day(3.0)));
    assert_eq!(progress.books().checked(&sensor("J02T")), None);
}
