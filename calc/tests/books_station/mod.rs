//! Two takes of two waters, and the numbers both tests of the books begin with.

use nightjar_calc::breeders::Spawners;
use nightjar_calc::enumeration::Estimate;
use nightjar_calc::ledger::{Books, TakeRecord};
use nightjar_calc::proportion::Sample;

pub fn record(water: &str, eggs: f64) -> TakeRecord {
    TakeRecord {
        season: 2026,
        species: "walleye".to_owned(),
        water: water.to_owned(),
        spawners: Spawners { females: 10, males: 20, males_reused: 0 },
        eggs: Some(counted(eggs)),
    }
}

/// Errors of 3 and 4 % make 5 % together.
pub fn counted(eggs: f64) -> Estimate {
    Estimate::relative(eggs, 0.03, 0.04)
}

/// Three dips of so many, together precise enough that their own error is below half a percent.
pub fn dips(eyed: u32, of: u32) -> Vec<Sample> {
    vec![Sample::new(eyed, of).unwrap(); 3]
}

/// Two takes of two waters, pooled into one lot and one more lot of the first alone.
pub fn station() -> Books {
    let mut books = Books::default();
    books.take("T1", record("Heron Lake", 600_000.0)).unwrap();
    books.take("T2", record("Otter River", 300_000.0)).unwrap();
    books.lot("A", &["T1".to_owned(), "T2".to_owned()]).unwrap();
    books.lot("B", &["T1".to_owned()]).unwrap();
    books
}
