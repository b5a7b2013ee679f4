//! What the books say of fry and of the two estimates of the living, against hand arithmetic.

#![expect(clippy::unwrap_used, clippy::float_cmp, reason = "a test may stop where it stands")]

mod books_station;

use books_station::{counted, dips, station};
use nightjar_calc::enumeration::Estimate;
use nightjar_calc::ledger::{BookError, EYED_TO_HATCH, Gap, Level, Meaning, fry_count};

#[track_caller]
fn near(got: f64, by_hand: f64) {
    assert!((got - by_hand).abs() < 1e-3, "{got} for {by_hand}");
}

#[test]
fn fry_stocked_held_and_dead_come_out_of_those_counted() {
    let mut books = station();
    books.load("J01", "A", 1.0, counted(90_000.0)).unwrap();
    books.fry_out("A", None, Estimate::exactly(600.0)).unwrap();
    books.fry_out("A", None, Estimate::exactly(400.0)).unwrap();
    books.stocked("A", "Heron Lake", 300.0).unwrap();
    books.held("A", 200.0).unwrap();
    books.mortality("A", None, 100.0).unwrap();
    let said = books.stocked("A", "Otter River", 400.001).unwrap_err();
    assert!(matches!(&said, BookError::MoreFryThanCounted { total, .. } if total.thousandths() == 1_000_001));
    books.stocked("A", "Otter River", 400.0).unwrap();
    assert!(books.held("A", 0.001).is_err() && books.mortality("A", None, 0.001).is_err());
    let line = &books.report(Level::Lot)["A"];
    assert_eq!((line.stocked.get(), line.held.get(), line.fry_dead.get()), (700.0, 200.0, 100.0));
    // Two thirds are of the first take.
    let take = &books.report(Level::Take)["T2"];
    assert_eq!(
        [take.stocked, take.held, take.fry_dead].map(|fry| fry.thousandths()),
        [233_333, 66_667, 33_333]
    );
    // A second lot into the first water; its fry are bounded by the eggs, as none were counted.
    books.load("J02", "B", 1.0, counted(10_000.0)).unwrap();
    books.stocked("B", "Heron Lake", 50.0).unwrap();
    let waters: Vec<(String, f64)> =
        books.stocked_by_water().into_iter().map(|(water, fry)| (water, fry.get())).collect();
    assert_eq!(waters, [("Heron Lake".to_owned(), 350.0), ("Otter River".to_owned(), 400.0)]);
    // 10 000 and 1.96 times 5 % of them.
    let said = books.stocked("B", "Heron Lake", 10_931.0).unwrap_err().to_string();
    assert_eq!(said, "10,931 fry more of lot B would make 10,981, but 10,980 at most were put in as eggs");
    books.stocked("B", "Heron Lake", 10_929.0).unwrap();
}

#[test]
fn fry_counted_out_of_one_jar_are_put_down_to_it_alone() {
    let mut books = station();
    books.load("J01", "B", 1.0, counted(100_000.0)).unwrap();
    books.load("J02", "B", 1.0, counted(300_000.0)).unwrap();
    books.fry_out("B", Some("J01"), Estimate::exactly(60_000.0)).unwrap();
    let jars = books.report(Level::Jar);
    near(jars["J01"].hatch.unwrap().likely, 0.6);
    assert_eq!((jars["J02"].fry_out, jars["J02"].hatch), (None, None));
    // Those of no jar in particular by the eggs put in.
    books.fry_out("B", None, Estimate::exactly(40_000.0)).unwrap();
    let jars = books.report(Level::Jar);
    near(jars["J01"].fry_out.unwrap().value, 70_000.0);
    near(jars["J02"].fry_out.unwrap().value, 30_000.0);
}

#[test]
fn fertilization_is_weighted_by_the_eggs_of_the_takes_where_it_was_counted() {
    let mut books = station();
    books.load("J01", "A", 1.0, counted(90_000.0)).unwrap();
    let line = &books.report(Level::Lot)["A"];
    assert_eq!((line.fertilized, line.eye_up, line.alive_by_eye_up), (None, None, None));
    books.fertilized("T1", &dips(90, 100)).unwrap();
    near(books.report(Level::Lot)["A"].fertilized.unwrap().likely, 0.9);
    books.fertilized("T2", &dips(60, 100)).unwrap();
    near(books.report(Level::Lot)["A"].fertilized.unwrap().likely, 0.8);
    assert!(matches!(books.fertilized("T9", &dips(60, 100)), Err(BookError::Unknown { .. })));
    assert!(matches!(books.fertilized("T1", &[]), Err(BookError::Sample(_))));
}

#[test]
fn a_forecast_stands_on_samples_of_half_the_eggs_and_is_for_all_of_them() {
    let mut books = station();
    books.load("J01", "B", 1.0, counted(100_000.0)).unwrap();
    books.load("J02", "B", 1.0, counted(300_000.0)).unwrap();
    books.eye_up("J02", &dips(600, 1_000)).unwrap();
    let line = &books.report(Level::Lot)["B"];
    assert_eq!(line.sampled_share, 0.75);
    near(line.fry_expected.unwrap().likely, 0.6 * 400_000.0 * EYED_TO_HATCH.likely);
    // 400 000 of 800 000 are enough, one egg less is not.
    books.load("J03", "B", 1.0, counted(200_000.0)).unwrap();
    assert!(books.report(Level::Lot)["B"].fry_expected.is_some());
    books.load("J04", "B", 1.0, counted(1.0)).unwrap();
    assert!(books.report(Level::Lot)["B"].fry_expected.is_none());
}

/// The gap of a jar of 200 000 eggs after `siphoned` litres of dead ones (200 000 to the litre), with so many
/// of 10 000 eyed in each dip taken before.
fn gap(eyed: u32, siphoned: f64) -> Option<Gap> {
    let mut books = station();
    books.load("J01", "B", 1.0, counted(200_000.0)).unwrap();
    books.eye_up("J01", &dips(eyed, 10_000)).unwrap();
    books.siphon("J01", siphoned, 1.0).unwrap();
    books.report(Level::Jar)["J01"].gap
}

#[test]
fn a_gap_is_told_from_five_percent_on_and_beyond_the_errors_of_siphon_and_dips() {
    // Nothing siphoned: 3 % fewer by the sample are no word worth, 5 % are.
    assert_eq!(gap(9_700, 0.0), None);
    let five = gap(9_500, 0.0).unwrap();
    assert_eq!((five.eggs, five.share, five.meaning), (10_000.0, 0.05, Meaning::DeadInJar));
    // 100 000 siphoned, give or take 19 600: 84 000 by the sample may be right, 76 000 not; 116 000 may, 124 000 not.
    assert_eq!(gap(4_200, 0.5), None);
    let fewer = gap(3_800, 0.5).unwrap();
    assert_eq!(fewer.meaning, Meaning::DeadInJar);
    near(fewer.eggs, 24_000.0);
    near(fewer.share, 0.12);
    assert_eq!(gap(5_800, 0.5), None);
    let more = gap(6_200, 0.5).unwrap();
    assert_eq!(more.meaning, Meaning::TooMuchSiphoned);
    near(more.eggs, -24_000.0);
    near(more.share, -0.12);
}

#[test]
fn a_gap_is_told_in_as_many_digits_as_are_known() {
    let gap = |eggs, meaning| Gap { eggs, share: eggs / 264_000.0, meaning }.to_string();
    assert_eq!(
        gap(48_048.0, Meaning::DeadInJar),
        "the two estimates differ by about 48,000 eggs: dead eggs still in the jar, or eggs lost over the lip"
    );
    assert_eq!(
        gap(-7_340.0, Meaning::TooMuchSiphoned),
        "the two estimates differ by about 7,300 eggs: live eggs siphoned off with the dead, or dips not well mixed"
    );
}

#[test]
fn a_gap_is_told_of_a_lot_only_when_nearly_all_of_it_was_dipped() {
    let lot = |dipped: f64, not: f64| {
        let mut books = station();
        books.load("J01", "B", 1.0, counted(dipped)).unwrap();
        books.load("J02", "B", 1.0, counted(not)).unwrap();
        books.eye_up("J01", &dips(5_000, 10_000)).unwrap();
        books.report(Level::Lot)["B"].gap
    };
    assert!(lot(999_000.0, 1_000.0).is_some(), "999 of 1000");
    assert!(lot(998_000.0, 2_000.0).is_none());
}

#[test]
fn few_samples_of_fry_widen_the_error_as_students_table_says() {
    // One count: chance alone, √36 of 36, in 400 L by 20 mL.
    let one = fry_count(&[36.0], 20.0, 400.0).unwrap();
    near(one.value, 720_000.0);
    near(one.random, 6.0 * 20_000.0);
    // Two counts: s² = 72, and 12.706 for 1.960 (Student's table, 97.5 %, one degree of freedom).
    let two = fry_count(&[30.0, 42.0], 20.0, 400.0).unwrap();
    assert!((two.random / (6.0 * 20_000.0) - 12.706 / 1.96).abs() < 1e-3, "{}", two.random);
    // Eight counts: Σ(x − 36)² = 432, so s² = 61.7; 2.365 for 1.960 (seven degrees of freedom).
    let eight = fry_count(&[30.0, 42.0, 36.0, 24.0, 48.0, 36.0, 30.0, 42.0], 20.0, 400.0).unwrap();
    let by_hand = (432.0_f64 / 7.0 / 8.0).sqrt() * 20_000.0 * 2.365 / 1.96;
    assert!((eight.random / by_hand - 1.0).abs() < 5e-4, "{} for {by_hand}", eight.random);
    // A sample cannot be larger than the tank: 10 mL in all.
    assert!(fry_count(&[3.0], 10.1, 0.01).is_err());
    assert!(fry_count(&[3.0], 10.0, 0.01).is_ok());
}
