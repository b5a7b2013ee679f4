use super::{Books, Known};
use crate::logbook::Entry;
use crate::rack::Rack;
use nightjar_calc::time::Zone;

fn entry(id: &str, happened_at: &str, act: &serde_json::Value) -> Entry {
    let entry = serde_json::json!({"id": id, "happened_at": happened_at, "who": "kim", "act": act});
    serde_json::from_value(entry).unwrap()
}

/// A replay costs the more the longer the season is; most entries must do without.
#[test]
fn an_entry_that_comes_last_is_taken_in_at_once_and_any_other_waits_for_a_replay() {
    let rack = Rack {
        station: "Invented".into(),
        zone: Zone::named("America/Chicago").unwrap(),
        altitude_m: 200.0,
        pumps: Vec::new(),
        headers: Vec::new(),
        jars: Vec::new(),
        sensors: Vec::new(),
    };
    let species = |name: &str| Ok(name.to_owned());
    let known = Known { rack: &rack, species: &species };
    let note = serde_json::json!({"kind": "note", "text": "ice on the lake"});
    let mut books = Books::default();
    let noon = entry("e1", "2026-04-18T12:00:00Z", &note);
    assert_eq!(books.take_in(&noon, known), Some(Ok(())));
    assert_eq!(books.take_in(&entry("e2", "2026-04-18T13:00:00Z", &note), known), Some(Ok(())));
    let before = books.clone();
    let void = serde_json::json!({"kind": "void", "entry": "e1", "reason": "wrong lake"});
    for other in
        [noon, entry("e3", "2026-04-18T12:30:00Z", &note), entry("e4", "2026-04-18T14:00:00Z", &void)]
    {
        assert_eq!(books.take_in(&other, known), None, "{other:?}");
    }
    assert_eq!(books, before, "nothing is changed");
}
