//! Entries that cannot be, each with the words people get to read.

use crate::{day, load, near, refused, take, with};
use nightjar_calc::ledger::Level;
use serde_json::{Value, json};

fn with_field(mut act: Value, key: &str, value: Value) -> Value {
    act[key] = value;
    act
}

fn count(jar: Option<&str>, counts: &[f64]) -> Value {
    json!({"kind": "fry_count", "lot": "T1", "jar": jar, "counts": counts, "sample_ml": 20.0, "tank_l": 100.0})
}

#[test]
fn a_take_is_refused_when_it_is_there_already_or_makes_no_sense() {
    let later = with_field(take("T1", "walleye"), "fertilized_at", json!(day(0.5)));
    let count = json!({"method": "volumetric", "eggs": 500.0, "sample_ml": 0.0});
    for (at, act, why) in [
        (0.5, later, "take T1 is in the logbook already"),
        (-0.5, take("T2", "walleye"), "the eggs were fertilized after the entry says the take was made"),
        (0.5, take("T2", "unicorn"), "unicorn"),
        (0.5, with_field(take("T2", "walleye"), "count", count), "0"),
    ] {
        let said = refused(&[(at, act)]);
        assert!(said.contains(why), "{said}");
    }
}

#[test]
fn a_species_is_known_by_any_of_its_names_and_kept_by_its_key() {
    let progress = with(&[(0.0, take("T2", "Sander vitreus")), (0.0, take("T3", "Northern pike"))]);
    assert_eq!(progress.books().left_out(), []);
    let kept: Vec<_> = progress.books().takes().values().map(|take| take.species.clone()).collect();
    assert_eq!(kept, ["walleye", "walleye", "northern-pike"]);
}

#[test]
fn nothing_is_done_at_a_jar_that_is_not_there() {
    for act in [
        load("99", "T1", 1.0),
        json!({"kind": "move", "from": "99", "to": "02"}),
        json!({"kind": "move", "from": "01", "to": "99"}),
        json!({"kind": "split", "from": "01", "to": "99", "share": 0.5}),
        json!({"kind": "split", "from": "99", "to": "02", "share": 0.5}),
        json!({"kind": "pool", "from": "01", "into": "99"}),
        json!({"kind": "pool", "from": "99", "into": "01"}),
        json!({"kind": "empty", "jar": "99"}),
        json!({"kind": "flow_set_point", "jar": "99", "flow_l_per_min": 3.0}),
        json!({"kind": "siphon", "jar": "99", "volume_ml": 10.0}),
        json!({"kind": "eye_up_sample", "jar": "99", "dips": [{"eyed": 1, "of": 2}]}),
        json!({"kind": "hatch_seen", "jar": "99", "point": "first"}),
        json!({"kind": "treatment", "jar": "99", "agent": "formalin", "concentration": 1667.0,
            "volume_ml": 50.0, "minutes": 15.0, "flow_l_per_min": 3.0}),
        json!({"kind": "mortality", "lot": "T1", "jar": "99", "number": 1.0, "cause": ""}),
        json!({"kind": "note", "jar": "99", "text": "lip chipped"}),
        count(Some("99"), &[36.0]),
    ] {
        assert_eq!(refused(&[(10.0, act)]), "there is no jar 99");
    }
    let note = json!({"kind": "note", "jar": "02", "text": "lip chipped"});
    assert_eq!(with(&[(1.0, note)]).books().left_out(), [], "a note may be about an empty jar");
}

#[test]
fn nothing_is_done_to_eggs_that_are_not_there() {
    for act in [
        json!({"kind": "split", "from": "02", "to": "03", "share": 0.5}),
        json!({"kind": "pool", "from": "02", "into": "01"}),
        json!({"kind": "pool", "from": "01", "into": "02"}),
        json!({"kind": "empty", "jar": "02"}),
        json!({"kind": "siphon", "jar": "02", "volume_ml": 10.0}),
        json!({"kind": "eye_up_sample", "jar": "02", "dips": [{"eyed": 1, "of": 2}]}),
        json!({"kind": "hatch_seen", "jar": "02", "point": "first"}),
        json!({"kind": "treatment", "jar": "02", "agent": "formalin", "concentration": 1667.0,
            "volume_ml": 50.0, "minutes": 15.0, "flow_l_per_min": 3.0}),
    ] {
        assert_eq!(refused(&[(10.0, act)]), "the jar was empty at that time");
    }
    let split = json!({"kind": "split", "from": "01", "to": "02", "share": 0.5});
    let full = refused(&[(0.2, load("02", "T1", 1.0)), (1.0, split)]);
    assert_eq!(full, "the other jar is not empty; pool instead");
    let plan = json!({"kind": "treatment_plan", "species": "unicorn", "agent": "formalin", "concentration": 1667.0,
        "minutes": 15.0, "every_h": 48.0, "first_after_h": 24.0, "until": "never", "stop_before_hatch_h": 24.0});
    let unknown = refused(&[(1.0, plan)]);
    assert!(unknown.contains("unicorn"), "{unknown}");
}

#[test]
fn no_more_fry_leave_than_there_were() {
    let out = |kind: &str, fry: f64| json!({"kind": kind, "lot": "T1", "fry": fry, (if kind == "held" { "note" } else { "water" }): "Elm Lake"});
    // 36 in 20 mL of 100 L are 180,000.
    let counted = (20.0, count(Some("01"), &[36.0; 8]));
    let progress = with(&[counted.clone(), (21.0, out("held", 50_000.0)), (21.0, out("stocked", 100_000.0))]);
    assert_eq!(progress.books().left_out(), []);
    let line = &progress.books().ledger().report(Level::Lot)["T1"];
    near(line.fry_out.unwrap().value, 180_000.0);
    near(line.held.get(), 50_000.0);
    near(line.stocked.get(), 100_000.0);
    for kind in ["held", "stocked"] {
        let more = refused(&[counted.clone(), (21.0, out(kind, 300_000.0))]);
        assert!(more.contains("at most were counted"), "{more}");
        let uncounted = refused(&[(21.0, out(kind, 500_000.0))]);
        assert!(uncounted.contains("at most were put in as eggs"), "{uncounted}");
        let nobodys = refused(&[(21.0, with_field(out(kind, 1.0), "lot", json!("T9")))]);
        assert_eq!(nobodys, "lot T9 is not in the logbook; write its take first");
    }
    let elsewhere = refused(&[(20.0, count(Some("02"), &[36.0]))]);
    assert_eq!(elsewhere, "jar 02 holds no eggs of lot T1");
    let none = refused(&[(20.0, count(None, &[]))]);
    assert!(none.contains("at least one sub-sample"), "{none}");
    let dead = json!({"kind": "mortality", "lot": "T1", "number": 500_000.0, "cause": ""});
    let too_many = refused(&[counted, (21.0, dead)]);
    assert!(too_many.contains("at most were counted"), "{too_many}");
}
