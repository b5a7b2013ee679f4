//! The books against hand arithmetic, and against a slow recomputation with exact fractions.

use super::*;
use crate::breeders::Spawners;
use crate::enumeration::Estimate;
use crate::proportion::Sample;
use proptest::prelude::*;
use std::collections::BTreeMap;

fn record(water: &str, eggs: Option<f64>, males_reused: u32) -> TakeRecord {
    TakeRecord {
        season: 2026,
        species: "walleye".to_owned(),
        water: water.to_owned(),
        spawners: Spawners { females: 10, males: 20, males_reused },
        eggs: eggs.map(|eggs| Estimate::relative(eggs, 0.03, 0.04)),
    }
}

fn counted(eggs: f64) -> Estimate {
    Estimate::relative(eggs, 0.03, 0.04)
}

fn dips(eyed: u32, of: u32) -> Vec<Sample> {
    vec![Sample::new(eyed, of).unwrap(); 3]
}

/// Two takes of two waters, pooled into one lot and one more lot of the first alone.
fn station() -> Books {
    let mut books = Books::default();
    books.take("T1", record("Heron Lake", Some(600_000.0), 0)).unwrap();
    books.take("T2", record("Otter River", Some(300_000.0), 15)).unwrap();
    books.lot("A", &["T1".to_owned(), "T2".to_owned()]).unwrap();
    books.lot("B", &["T1".to_owned()]).unwrap();
    books
}

#[test]
fn a_jar_is_followed_from_the_load_to_the_truck() {
    let mut books = station();
    books.load("J01", "B", 2.0, counted(264_000.0)).unwrap();
    // 0.2 L of 132 000 to the litre, 90 % of them dead.
    assert!((books.siphon("J01", 0.2, 0.9).unwrap().get() - 23_760.0).abs() < 0.01);
    books.eye_up("J01", &dips(240, 300)).unwrap();
    books.hatch_seen("J01").unwrap();
    books.empty("J01").unwrap();
    books.fry_out("B", Some("J01"), Estimate { value: 150_000.0, random: 6_000.0, shared: 0.0 }).unwrap();
    books.stocked("B", "Heron Lake", 100_000.0).unwrap();
    books.held("B", 20_000.0).unwrap();
    let line = books.report(Level::Jar).remove("J01").unwrap();
    assert!((line.alive_by_siphon.value - 240_240.0).abs() < 0.01);
    let eyed = line.alive_by_eye_up.unwrap();
    assert!((eyed.likely - 0.8 * 240_240.0).abs() < 0.1);
    assert!((line.fry_expected.unwrap().likely - 0.8 * 240_240.0 * EYED_TO_HATCH.likely).abs() < 0.1);
    let hatch = line.hatch.unwrap();
    assert!((hatch.likely - 150_000.0 / 264_000.0).abs() < 1e-9 && hatch.low < 0.53 && hatch.high > 0.61);
    assert_eq!((line.stocked.get(), line.held.get()), (100_000.0, 20_000.0));
    // A fifth of the eggs left by the siphon are dead and still in the jar.
    assert_eq!(line.gap.unwrap().meaning, Meaning::DeadInJar);
    books.audit().unwrap();
}

#[test]
fn the_count_error_stays_when_eggs_are_poured_apart_and_together() {
    let mut books = station();
    books.load("J01", "B", 2.0, counted(264_000.0)).unwrap();
    let before = books.report(Level::Lot)["B"].eggs_in;
    for (jar, share) in [("J02", 0.5), ("J03", 0.3), ("J04", 0.123)] {
        books.split("J01", jar, share).unwrap();
    }
    let apart = books.report(Level::Lot)["B"].eggs_in;
    assert!((apart.error() - before.error()).abs() < 1e-6 && (apart.value - before.value).abs() < 1e-9);
    for jar in ["J02", "J03", "J04"] {
        books.pool(jar, "J01").unwrap();
    }
    assert_eq!(books.report(Level::Jar)["J01"].eggs_in_exact, Eggs::from_thousandths(264_000_000));
    books.audit().unwrap();
}

#[test]
fn a_load_of_a_pooled_lot_is_put_down_to_its_takes_by_their_eggs() {
    let mut books = station();
    books.load("J01", "A", 3.0, counted(300_000.0)).unwrap();
    let takes = books.report(Level::Take);
    assert_eq!(takes["T1"].eggs_in_exact, Eggs::from_thousandths(200_000_000));
    assert_eq!(takes["T2"].eggs_in_exact, Eggs::from_thousandths(100_000_000));
    let breeders = books.report(Level::Lot)["A"].breeders.unwrap();
    // 15 of the second take's 20 males were used before.
    assert_eq!((breeders.females, breeders.males, breeders.males_reused), (20, 25, 15));
}

#[test]
fn more_eyed_than_left_is_told_from_dead_still_there() {
    let mut books = station();
    books.load("J01", "B", 2.0, counted(200_000.0)).unwrap();
    books.eye_up("J01", &dips(95, 100)).unwrap();
    books.siphon("J01", 0.8, 1.0).unwrap();
    let gap = books.report(Level::Jar)["J01"].gap.unwrap();
    assert_eq!(gap.meaning, Meaning::TooMuchSiphoned);
    assert!(gap.to_string().contains("live eggs siphoned"));
    // Half dead and half siphoned afterwards agree.
    let mut books = station();
    books.load("J01", "B", 2.0, counted(200_000.0)).unwrap();
    books.eye_up("J01", &dips(50, 100)).unwrap();
    books.siphon("J01", 1.0, 1.0).unwrap();
    assert_eq!(books.report(Level::Jar)["J01"].gap, None);
}

#[test]
fn impossible_entries_are_refused_and_change_nothing() {
    let mut books = station();
    books.load("J01", "B", 2.0, counted(200_000.0)).unwrap();
    let before = books.clone();
    let dip = dips(1, 2);
    assert!(matches!(books.siphon("J01", 3.0, 1.0), Err(BookError::MoreThanLeft { .. })));
    assert!(matches!(books.siphon("J01", -0.1, 1.0), Err(BookError::Number { .. })));
    assert!(matches!(books.siphon("J01", 0.1, 1.5), Err(BookError::Share(_))));
    assert!(matches!(books.siphon("J09", 0.1, 1.0), Err(BookError::JarEmpty(_))));
    assert!(matches!(books.split("J01", "J02", 1.0), Err(BookError::Share(_))));
    assert!(matches!(books.split("J01", "J01", 0.5), Err(BookError::JarFull(_))));
    assert!(matches!(books.pool("J01", "J01"), Err(BookError::SameJar(_))));
    assert!(matches!(books.load("J02", "C", 1.0, counted(1.0)), Err(BookError::Unknown { .. })));
    assert!(matches!(books.load("J02", "B", 0.0, counted(1.0)), Err(BookError::Number { .. })));
    assert!(matches!(books.load("J02", "B", 1.0, counted(0.0)), Err(BookError::Number { .. })));
    assert!(matches!(books.take("T1", record("x", None, 0)), Err(BookError::Again { .. })));
    assert!(matches!(books.lot("C", &[]), Err(BookError::LotOfNothing(_))));
    assert!(matches!(books.lot("C", &["T9".to_owned()]), Err(BookError::Unknown { .. })));
    assert!(matches!(books.eye_up("J01", &[]), Err(BookError::Sample(_))));
    assert!(matches!(books.eye_up("J02", &dip), Err(BookError::JarEmpty(_))));
    assert!(matches!(books.stocked("B", "Heron Lake", 300_000.0), Err(BookError::MoreFryThanCounted { .. })));
    assert!(matches!(books.stocked("B", "Heron Lake", f64::NAN), Err(BookError::Number { .. })));
    assert!(matches!(
        books.fry_out("A", Some("J01"), Estimate::exactly(5.0)),
        Err(BookError::LotNotInJar { .. })
    ));
    assert!(matches!(books.mortality("A", Some("J01"), 5.0), Err(BookError::LotNotInJar { .. })));
    assert_eq!(books, before);
    books.hatch_seen("J01").unwrap();
    assert!(matches!(books.eye_up("J01", &dip), Err(BookError::EyeUpAfterHatch(_))));
    books.fry_out("B", None, Estimate::exactly(1_000.0)).unwrap();
    books.stocked("B", "Heron Lake", 900.0).unwrap();
    let said = books.stocked("B", "Heron Lake", 200.0).unwrap_err().to_string();
    assert_eq!(said, "200 fry more of lot B would make 1,100, but 1,000 at most were counted");
}

#[test]
fn jars_of_two_lots_forecast_only_what_was_dipped() {
    let mut books = station();
    books.load("J01", "A", 1.0, counted(100_000.0)).unwrap();
    books.load("J02", "A", 1.0, counted(300_000.0)).unwrap();
    books.eye_up("J01", &dips(80, 100)).unwrap();
    let lot = books.report(Level::Lot).remove("A").unwrap();
    assert!((lot.sampled_share - 0.25).abs() < 1e-9 && lot.fry_expected.is_none() && lot.gap.is_none());
    books.eye_up("J02", &dips(60, 100)).unwrap();
    let lot = books.report(Level::Lot).remove("A").unwrap();
    assert!((lot.eye_up.unwrap().likely - 0.65).abs() < 1e-9);
    assert!((lot.alive_by_eye_up.unwrap().likely - 260_000.0).abs() < 1e-3);
}

/// The entries cannot lead there: this writes into an account behind their back.
#[test]
fn the_audit_finds_a_thousandth_of_an_egg_that_came_from_nowhere() {
    let mut books = station();
    books.load("J01", "B", 2.0, counted(264_000.0)).unwrap();
    books.mortality("B", Some("J01"), 4_000.0).unwrap();
    assert_eq!(books.audit(), Ok(()));
    let thousandth = Eggs::from_thousandths(1);
    let sums = |thousandths: [i64; 4]| Err(thousandths.map(Eggs::from_thousandths));
    for account in books.jars.get_mut("J01").unwrap().accounts.values_mut() {
        account.put_in += thousandth;
    }
    assert_eq!(books.audit(), sums([264_000_000, 264_000_001, 4_000_000, 4_000_000]));
    for account in books.jars.get_mut("J01").unwrap().accounts.values_mut() {
        account.put_in -= thousandth;
        account.removed -= thousandth;
    }
    assert_eq!(books.audit(), sums([264_000_000, 264_000_000, 4_000_000, 3_999_999]));
}

/// One thing that may be done.
#[derive(Clone, Debug)]
enum Deed {
    Load(u8, bool, u32),
    Move(u8, u8),
    Split(u8, u8, f64),
    Pool(u8, u8),
    Siphon(u8, f64),
    Empty(u8),
    Stock(bool, u32),
}

fn deeds() -> impl Strategy<Value = Vec<Deed>> {
    let jar = 0..6_u8;
    let deed = prop_oneof![
        (jar.clone(), any::<bool>(), 1..400_000_u32).prop_map(|(j, l, n)| Deed::Load(j, l, n)),
        (jar.clone(), jar.clone()).prop_map(|(a, b)| Deed::Move(a, b)),
        (jar.clone(), jar.clone(), 0.001..0.999).prop_map(|(a, b, s)| Deed::Split(a, b, s)),
        (jar.clone(), jar.clone()).prop_map(|(a, b)| Deed::Pool(a, b)),
        (jar.clone(), 0.0..0.5).prop_map(|(j, s)| Deed::Siphon(j, s)),
        jar.prop_map(Deed::Empty),
        (any::<bool>(), 1..100_000_u32).prop_map(|(l, n)| Deed::Stock(l, n)),
    ];
    proptest::collection::vec(deed, 1..60)
}

proptest! {
    /// Whatever is poured where, nothing is created: the sums of all levels are those of the loads, kept
    /// beside the books by plain addition.
    #[test]
    fn every_level_adds_up_to_what_was_done(deeds in deeds()) {
        let mut books = station();
        let name = |jar: &u8| format!("J{jar}");
        let lot = |first: &bool| if *first { "A" } else { "B" };
        let (mut loaded, mut removed) = (0_i64, 0_i64);
        let mut stocked: BTreeMap<&str, i64> = BTreeMap::new();
        for deed in &deeds {
            match deed {
                Deed::Load(jar, first, eggs) => {
                    let eggs = f64::from(*eggs);
                    books.load(&name(jar), lot(first), eggs / 132_000.0, counted(eggs)).unwrap();
                    loaded += Eggs::new(eggs).unwrap().thousandths();
                }
                Deed::Move(from, to) => { let _ = books.move_all(&name(from), &name(to)); }
                Deed::Split(from, to, share) => { let _ = books.split(&name(from), &name(to), *share); }
                Deed::Pool(from, to) => { let _ = books.pool(&name(from), &name(to)); }
                Deed::Siphon(jar, litres) => {
                    if let Ok(eggs) = books.siphon(&name(jar), *litres, 1.0) {
                        removed += eggs.thousandths();
                    }
                }
                Deed::Empty(jar) => { let _ = books.empty(&name(jar)); }
                Deed::Stock(first, fry) => {
                    if books.stocked(lot(first), "Heron Lake", f64::from(*fry)).is_ok() {
                        *stocked.entry(lot(first)).or_default() += i64::from(*fry) * 1000;
                    }
                }
            }
            prop_assert_eq!(books.audit(), Ok(()));
        }
        for level in [Level::Jar, Level::Lot, Level::Take, Level::Water, Level::Species, Level::Season] {
            let lines = books.report(level);
            let sum = |of: fn(&Line) -> Eggs| lines.values().map(of).sum::<Eggs>().thousandths();
            prop_assert_eq!(sum(|line| line.eggs_in_exact), loaded);
            prop_assert_eq!(sum(|line| line.removed), removed);
            prop_assert_eq!(sum(|line| line.stocked), stocked.values().sum::<i64>());
        }
        for (lot, fry) in stocked {
            prop_assert_eq!(books.report(Level::Lot)[lot].stocked.thousandths(), fry);
        }
    }
}
