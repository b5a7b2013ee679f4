//! The same books come out in whatever order entries were written.

use crate::{books, day, entries, jar, load, near, take, with};
use nightjar::progress::Progress;
use nightjar::rack::JarIx;
use serde_json::{Value, json};

/// The entries written one after the other, and the books a restart would make of them.
fn one_by_one(acts: &[(f64, Value)]) -> Progress {
    let mut progress = books(&[]);
    for entry in entries(acts) {
        assert_eq!(progress.check(&entry), Ok(()), "{entry:?}");
        progress.add_entry(entry);
    }
    assert_eq!(progress.books(), books(acts).books());
    progress
}

#[test]
fn what_is_noted_of_one_moment_is_taken_in_the_order_it_can_have_happened() {
    let at = 10.0;
    let moment = [
        json!({"kind": "empty", "jar": "01"}),
        json!({"kind": "mortality", "lot": "T1", "jar": "01", "number": 100.0, "cause": "fungus"}),
        json!({"kind": "fry_count", "lot": "T1", "jar": "01", "counts": [36.0, 36.0], "sample_ml": 20.0,
            "tank_l": 50.0}),
        json!({"kind": "hatch_seen", "jar": "01", "point": "first"}),
        json!({"kind": "eye_up_sample", "jar": "01", "dips": [{"eyed": 90, "of": 100}]}),
        json!({"kind": "siphon", "jar": "03", "volume_ml": 100.0}),
        json!({"kind": "split", "from": "02", "to": "03", "share": 0.5}),
        load("02", "T1", 1.0),
    ];
    let progress = with(&moment.map(|act| (at, act)));
    near(jar(&progress, 2).litres, 0.5);
    near(jar(&progress, 3).litres, 0.4);
    assert!(progress.books().in_jar(JarIx(0)).is_none());
}

#[test]
fn an_entry_written_late_counts_at_the_time_it_happened() {
    let progress = one_by_one(&[
        (0.0, take("T1", "walleye")),
        (0.1, load("01", "T1", 2.0)),
        (2.0, json!({"kind": "split", "from": "01", "to": "02", "share": 0.5})),
        (1.0, json!({"kind": "siphon", "jar": "01", "volume_ml": 400.0})),
    ]);
    near(jar(&progress, 1).litres, 0.8);
    near(jar(&progress, 2).litres, 0.8);
}

#[test]
fn a_lot_written_under_the_name_of_a_loaded_take_counts_from_the_first_load_on() {
    let mut rich = take("T2", "walleye");
    rich["count"]["eggs_per_l"] = json!(140_000.0);
    let progress = one_by_one(&[
        (0.0, take("T1", "walleye")),
        (0.0, rich),
        (0.1, load("01", "T1", 2.0)),
        (0.2, json!({"kind": "lot", "lot": "T1", "takes": ["T1", "T2"]})),
    ]);
    // Four litres of each take, 100,000 and 140,000 to the litre.
    near(jar(&progress, 1).eggs.unwrap(), 240_000.0);
}

#[test]
fn a_take_written_under_the_name_of_a_lot_leaves_the_lot_as_it_is() {
    let mut later = take("A", "walleye");
    later["fertilized_at"] = json!(day(1.0));
    let progress = one_by_one(&[
        (0.0, take("T1", "walleye")),
        (0.1, json!({"kind": "lot", "lot": "A", "takes": ["T1"]})),
        (0.2, load("01", "A", 2.0)),
        (1.0, later),
        (1.1, load("02", "A", 1.0)),
    ]);
    let lot = &progress.books().lots()[&jar(&progress, 2).lot];
    assert_eq!((lot.written, lot.takes[0].as_str(), lot.takes.len()), (true, "T1", 1));
}

#[test]
fn what_was_left_out_stands_as_soon_as_what_it_lacks_is_written() {
    let sample = json!({"kind": "fertilization_sample", "take": "T2", "dips": [{"fertilized": 9, "of": 10}]});
    let mut later = take("T2", "walleye");
    later["fertilized_at"] = json!(day(0.5));
    let acts = [(0.0, take("T1", "walleye")), (1.0, sample), (0.5, later)];
    let mut progress = books(&acts[..2]);
    assert_eq!(progress.books().left_out().len(), 1);
    progress.add_entry(entries(&acts).remove(2));
    assert_eq!(progress.books().left_out(), []);
    assert_eq!(progress.books(), books(&acts).books());
}

#[test]
fn what_was_taken_back_is_gone_and_what_stands_instead_has_its_time() {
    let half = json!({"kind": "split", "from": "01", "to": "02", "share": 0.5});
    let quarter = json!({"kind": "split", "from": "01", "to": "02", "share": 0.25});
    let progress = one_by_one(&[
        (0.0, take("T1", "walleye")),
        (0.1, load("01", "T1", 2.0)),
        (1.0, half),
        (2.0, json!({"kind": "siphon", "jar": "01", "volume_ml": 100.0})),
        (3.0, json!({"kind": "void", "entry": "e03", "reason": "wrong jar"})),
        (3.0, json!({"kind": "void", "entry": "e02", "reason": "a quarter", "instead": quarter})),
    ]);
    near(jar(&progress, 1).litres, 1.5);
    near(jar(&progress, 2).litres, 0.5);
    assert_eq!(jar(&progress, 2).segments.last().unwrap().from, day(1.0));
}
