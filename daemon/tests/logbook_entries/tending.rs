//! What tending leaves in the books: flow, siphon, samples, hatch.

use crate::{day, jar, load, near, refused, take, with};
use nightjar::progress::books::{Seen, Work};
use nightjar::rack::JarIx;
use nightjar_calc::ledger::Level;
use serde_json::{Value, json};

fn siphon(ml: f64, dead: f64) -> Value {
    json!({"kind": "siphon", "jar": "01", "volume_ml": ml, "dead_share": dead})
}

/// A sample of jar 01: eyed, of how many, for each dip.
fn sample(dips: &[(u32, u32)]) -> Value {
    let dips: Vec<Value> = dips.iter().map(|(eyed, of)| json!({"eyed": eyed, "of": of})).collect();
    json!({"kind": "eye_up_sample", "jar": "01", "dips": dips})
}

#[test]
fn the_flow_a_jar_should_have_goes_with_its_eggs() {
    let flow = |jar: &str| json!({"kind": "flow_set_point", "jar": jar, "flow_l_per_min": 3.5});
    let progress = with(&[(1.0, flow("01")), (1.0, flow("05"))]);
    let set = |number: u16| progress.books().set_flow(JarIx(number - 1));
    assert_eq!([set(1), set(2), set(5)], [Some(3.5), None, Some(3.5)]);
    assert_eq!(jar(&progress, 1).done.get(&Work::Flow), Some(&day(1.0)));
    let gone = with(&[(1.0, flow("01")), (2.0, json!({"kind": "empty", "jar": "01"}))]);
    assert_eq!(gone.books().set_flow(JarIx(0)), None);
}

#[test]
fn the_dead_of_what_is_drawn_off_are_lost_and_the_living_go_back() {
    // Half of 500 mL are dead: 250 mL of 2 L.
    let progress = with(&[(1.0, siphon(500.0, 0.5))]);
    near(jar(&progress, 1).litres, 1.75);
    near(jar(&progress, 1).eggs.unwrap(), 175_000.0);
    near(progress.books().ledger().report(Level::Jar)["01"].removed.get(), 25_000.0);
    assert_eq!(jar(&progress, 1).done.get(&Work::Siphon), Some(&day(1.0)));
    near(jar(&with(&[(1.0, siphon(2_000.0, 1.0))]), 1).litres, 0.0);
    for (ml, why) in [
        (0.0, "0 mL cannot be drawn off 2000 mL of eggs"),
        (2_000.1, "2000.1 mL cannot be drawn off 2000 mL of eggs"),
    ] {
        assert_eq!(refused(&[(1.0, siphon(ml, 1.0))]), why);
    }
}

#[test]
fn a_jar_whose_eggs_have_all_died_has_none_left() {
    let dead =
        |number: f64| json!({"kind": "mortality", "lot": "T1", "jar": "01", "number": number, "cause": ""});
    // A few more than were counted are within the error of the count.
    let progress = with(&[(1.0, dead(200_000.0)), (2.0, dead(100.0))]);
    near(jar(&progress, 1).eggs.unwrap(), 0.0);
    near(jar(&progress, 1).litres, 0.0);
    let said = refused(&[(1.0, dead(400_000.0))]);
    assert!(said.contains("400,000 eggs cannot be removed from jar 01"), "{said}");
}

#[test]
fn eggs_are_eyed_when_half_of_all_that_were_dipped_are() {
    let eyed = |dips: &[(u32, u32)]| {
        let progress = with(&[(9.0, sample(dips))]);
        let content = jar(&progress, 1);
        assert_eq!(content.done.get(&Work::EyeUpSample), Some(&day(9.0)));
        content.seen.contains_key(&Seen::Eyed)
    };
    assert!(eyed(&[(50, 100)]));
    assert!(!eyed(&[(49, 100)]));
    assert!(!eyed(&[(1, 3)]));
    assert!(eyed(&[(0, 50), (60, 70)]), "60 of 120, though the shares of the dips have a mean of 43 %");
    assert!(!eyed(&[(10, 10), (0, 11)]), "10 of 21");
}

#[test]
fn eye_up_lies_between_the_last_sample_without_and_the_first_with_half_of_them_eyed() {
    let progress = with(&[
        (6.0, sample(&[(2, 100)])),
        (7.0, sample(&[(49, 100)])),
        (8.0, sample(&[(50, 100)])),
        (9.0, sample(&[(40, 100)])),
        (10.0, sample(&[(95, 100)])),
    ]);
    let content = jar(&progress, 1);
    assert_eq!(content.eyed_between, Some((day(7.0), day(8.0))));
    assert_eq!(content.seen.get(&Seen::Eyed), Some(&day(8.0)));
    assert_eq!(content.dated(Seen::Eyed, day(8.0)), (day(7.5), false));
    assert_eq!(content.sampled, Some((day(10.0), 95, 100)));
    // Two days lie between at most; further apart the samples say only that it has come.
    for (without, expected) in [(6.0, (day(7.0), false)), (5.99, (day(8.0), true))] {
        let progress = with(&[(without, sample(&[(0, 100)])), (8.0, sample(&[(90, 100)]))]);
        assert_eq!(jar(&progress, 1).dated(Seen::Eyed, day(8.0)), expected);
    }
    let alone = with(&[(8.0, sample(&[(90, 100)]))]);
    assert_eq!(jar(&alone, 1).eyed_between, None);
}

#[test]
fn where_two_takes_were_poured_together_the_older_may_hatch() {
    let mut late = take("T2", "walleye");
    late["fertilized_at"] = json!(day(9.0));
    let first = |jar: &str| json!({"kind": "hatch_seen", "jar": jar, "point": "first"});
    let young = [(9.0, late), (9.1, load("02", "T2", 1.0))];
    let said = refused(&[young.to_vec(), vec![(10.0, first("02"))]].concat());
    assert!(said.contains("less than three days before do not hatch"), "{said}");
    for (from, into) in [("01", "02"), ("02", "01")] {
        let pool = json!({"kind": "pool", "from": from, "into": into});
        let progress = with(&[young.to_vec(), vec![(9.5, pool), (10.0, first(into))]].concat());
        let content = jar(&progress, into.parse().unwrap());
        assert!(content.parts().all(|part| part.seen.get(&Seen::First) == Some(&day(10.0))));
        assert_eq!(content.parts().count(), 2);
    }
}

#[test]
fn a_probe_that_is_moved_leaves_the_eggs_as_they_are() {
    let moved = json!({"kind": "probe_move", "sensor": "J01T", "text": "a hand deeper"});
    let (progress, before) = (with(&[(1.0, moved)]), with(&[]));
    assert_eq!(jar(&progress, 1), jar(&before, 1));
    let accounts = |progress: &nightjar::progress::Progress| progress.books().ledger().report(Level::Jar);
    assert_eq!(accounts(&progress), accounts(&before));
}
