//! Into which jars eggs go, when, how many are counted, and the way they keep.

use crate::{begin, books, day, jar, load, near, refused, take, with};
use nightjar::progress::books::{Content, Seen, Work};
use nightjar::rack::JarIx;
use nightjar_calc::time::Timestamp;
use serde_json::{Value, json};

fn pour(kind: &str, from: &str, to: &str) -> Value {
    json!({"kind": kind, "from": from, (if kind == "pool" { "into" } else { "to" }): to})
}

fn part(share: f64, to: &str) -> Value {
    json!({"kind": "split", "from": "01", "to": to, "share": share})
}

/// Jars with the time the eggs came and went.
fn way(content: &Content) -> Vec<(u16, Timestamp, Option<Timestamp>)> {
    content.segments.iter().map(|segment| (segment.jar.0 + 1, segment.from, segment.to)).collect()
}

#[test]
fn a_jar_is_filled_to_its_litres_and_not_beyond() {
    assert_eq!(with(&[(0.2, load("02", "T1", 7.0))]).books().left_out(), []);
    for (jar, litres, why) in [
        ("02", 7.001, "7.001 L of eggs do not go into a jar of 7 L"),
        ("02", 0.0, "0 L of eggs do not go into a jar of 7 L"),
        ("08", 1.1, "1.1 L of eggs do not go into a jar of 1 L"),
        ("01", 1.0, "jar 01 holds lot T1; empty it, or pool"),
        ("99", 1.0, "there is no jar 99"),
    ] {
        assert_eq!(refused(&[(0.2, load(jar, "T1", litres))]), why);
    }
}

#[test]
fn eggs_are_poured_into_a_smaller_jar_only_when_it_holds_them() {
    let small = "the other jar is too small";
    assert_eq!(refused(&[(1.0, pour("move", "01", "08"))]), small);
    let moved = with(&[(0.2, load("02", "T1", 1.0)), (1.0, pour("move", "02", "08"))]);
    near(jar(&moved, 8).litres, 1.0);
    assert_eq!(refused(&[(1.0, part(0.51, "08"))]), small);
    for share in [0.5, 0.25] {
        near(jar(&with(&[(1.0, part(share, "08"))]), 8).litres, 2.0 * share);
    }
    let both = |litres| [(0.2, load("02", "T1", litres)), (1.0, pour("pool", "02", "01"))];
    near(jar(&with(&both(5.0)), 1).litres, 7.0);
    assert_eq!(refused(&both(5.1)), "the eggs of both do not go into one jar");
}

#[test]
fn eggs_go_into_a_jar_when_they_have_hardened() {
    let mut basket = take("T2", "walleye");
    basket["hardening_from"] = json!(day(0.1));
    basket["hardening_to"] = json!(day(0.2));
    let at = |at: f64| [(0.0, basket.clone()), (at, load("02", "T2", 1.0))];
    for before in [0.0, 0.19] {
        assert_eq!(refused(&at(before)), "the eggs were still hardening then; check the times");
    }
    for after in [0.2, 0.3] {
        near(jar(&with(&at(after)), 2).litres, 1.0);
    }
}

#[test]
fn what_happens_at_the_minute_of_the_take_is_not_before_it() {
    let progress = books(&[
        (0.0, take("T1", "walleye")),
        (0.0, load("01", "T1", 2.0)),
        (0.0, json!({"kind": "fertilization_sample", "take": "T1", "dips": [{"fertilized": 9, "of": 10}]})),
    ]);
    assert_eq!(way(jar(&progress, 1)), [(1, begin(), None)]);
}

#[test]
fn eggs_are_counted_by_the_litres_of_each_hardened_take() {
    let counted = |name: &str, litres: Value, per_litre: f64, hardened: bool| {
        let mut take = take(name, "walleye");
        take["volume_l"] = litres;
        take["hardened"] = json!(hardened);
        take["count"]["eggs_per_l"] = json!(per_litre);
        (0.0, take)
    };
    for (second, eggs) in [
        // (4 L of 100,000 + 1 L of 150,000) in 5 L are 110,000 to the litre; an unknown volume counts as a litre.
        (counted("T2", json!(1.0), 150_000.0, true), 220_000.0),
        (counted("T2", json!(null), 150_000.0, true), 220_000.0),
        // A count of eggs that had not taken up water says nothing of those that have.
        (counted("T2", json!(1.0), 250_000.0, false), 200_000.0),
    ] {
        let lot = json!({"kind": "lot", "lot": "L1", "takes": ["T1", "T2"], "strain": "Heron"});
        let progress = with(&[second, (0.1, lot), (0.2, load("02", "L1", 2.0))]);
        near(jar(&progress, 2).eggs.unwrap(), eggs);
        near(progress.books().uncounted_l(), 0.0);
    }
    let mut own = load("02", "T1", 2.0);
    own["eggs"] = json!(123_456.0);
    near(jar(&with(&[(0.2, own)]), 2).eggs.unwrap(), 123_456.0);
}

/// Eggs of 0.08 inch, 150 in a foot: each displaces π/6 · 2.032³ = 4.3932 µL, 2276.2 of them 10 mL, and they are
/// as heavy as water; von Bayer's trough has 132,129 to the quart, 139,619 to the litre.
#[test]
fn the_same_eggs_are_as_many_by_whatever_method_they_were_counted() {
    for count in [
        json!({"method": "per_litre", "eggs_per_l": 139_619.0}),
        json!({"method": "von_bayer", "eggs": 150.0, "length_in": 12.0}),
        json!({"method": "volumetric", "eggs": 1_396.19, "sample_ml": 10.0}),
        json!({"method": "displacement", "eggs": 2_276.2, "displaced_ml": 10.0}),
        json!({"method": "gravimetric", "eggs": 2_276.2, "sample_g": 10.0}),
    ] {
        let mut counted = take("T2", "walleye");
        counted["count"] = count.clone();
        let progress = with(&[(0.0, counted), (0.1, load("02", "T2", 2.0))]);
        let eggs = jar(&progress, 2).eggs.unwrap();
        assert!((eggs / 279_238.0 - 1.0).abs() < 1e-4, "{count}: {eggs}");
    }
}

#[test]
fn eggs_keep_the_way_they_came() {
    let progress = with(&[
        (1.0, part(0.25, "02")),
        (2.0, pour("move", "02", "03")),
        (3.0, json!({"kind": "empty", "jar": "01"})),
    ]);
    let on = |number: f64| Some(day(number));
    assert_eq!(way(jar(&progress, 3)), [(1, day(0.1), on(1.0)), (2, day(1.0), on(2.0)), (3, day(2.0), None)]);
    let all: Vec<_> = progress.books().contents().map(way).collect();
    assert_eq!(all.len(), 2);
    assert_eq!(all[1], [(1, day(0.1), on(3.0))], "eggs that left the jars stay in the books");
}

#[test]
fn eggs_poured_together_keep_each_its_own_way_and_share_what_is_seen() {
    let siphon = |jar: &str| json!({"kind": "siphon", "jar": jar, "volume_ml": 100.0});
    let seen = json!({"kind": "eye_up_sample", "jar": "03", "dips": [{"eyed": 90, "of": 100}]});
    let progress = with(&[
        (0.2, load("02", "T1", 1.0)),
        (0.3, load("03", "T1", 1.0)),
        (1.0, siphon("01")),
        (1.5, siphon("02")),
        (2.0, pour("pool", "02", "01")),
        (3.0, pour("pool", "01", "03")),
        (4.0, seen),
    ]);
    let together = jar(&progress, 3);
    near(together.litres, 3.8);
    near(together.eggs.unwrap(), 380_000.0);
    let ways: Vec<_> = together.parts().map(way).collect();
    assert_eq!(
        ways,
        [
            vec![(3, day(0.3), None)],
            vec![(1, day(0.1), Some(day(3.0))), (3, day(3.0), None)],
            vec![(2, day(0.2), Some(day(2.0))), (1, day(2.0), Some(day(3.0))), (3, day(3.0), None)],
        ]
    );
    assert!(together.parts().all(|part| part.seen.get(&Seen::Eyed) == Some(&day(4.0))));
    assert_eq!(together.done.get(&Work::Siphon), Some(&day(1.5)), "the later of both");
    assert!([0, 1].iter().all(|jar| progress.books().in_jar(JarIx(*jar)).is_none()));
}
