//! Pouring eggs from jar to jar: every number and every error goes along, checked against hand arithmetic.

#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

mod books_station;

use books_station::{counted, dips, record, station};
use nightjar_calc::enumeration::Estimate;
use nightjar_calc::ledger::{BookError, Books, Level, Line};
use std::collections::BTreeMap;

fn jars(books: &Books) -> BTreeMap<String, Line> {
    books.report(Level::Jar)
}

#[track_caller]
fn near(got: f64, by_hand: f64) {
    assert!((got - by_hand).abs() < 1e-3, "{got} for {by_hand}");
}

#[track_caller]
fn near_all(got: Estimate, value: f64, random: f64, shared: f64) {
    near(got.value, value);
    near(got.random, random);
    near(got.shared, shared);
}

#[test]
fn a_quarter_poured_off_takes_a_quarter_of_everything_along() {
    let mut books = station();
    books.load("J01", "B", 2.0, counted(264_000.0)).unwrap();
    near(books.siphon("J01", 0.2, 0.9).unwrap().get(), 23_760.0);
    books.eye_up("J01", &dips(240, 300)).unwrap();
    books.split("J01", "J02", 0.25).unwrap();
    let lines = jars(&books);
    let (most, quarter) = (&lines["J01"], &lines["J02"]);
    near_all(most.eggs_in, 198_000.0, 5_940.0, 7_920.0);
    near_all(quarter.eggs_in, 66_000.0, 1_980.0, 2_640.0);
    near(most.removed.get(), 17_820.0);
    near(quarter.removed.get(), 5_940.0);
    // 91 % are left: so much of the errors of the count, and a tenth of what was siphoned.
    near_all(quarter.alive_by_siphon, 60_060.0, 1_801.8_f64.hypot(594.0), 2_402.4);
    near(quarter.alive_by_siphon.random, 1_897.187);
    near(most.alive_by_eye_up.unwrap().likely, 0.8 * 180_180.0);
    near(quarter.alive_by_eye_up.unwrap().likely, 0.8 * 60_060.0);
    // Both have 132 000 eggs to the litre, as the jar they come from.
    near(books.siphon("J01", 0.1, 1.0).unwrap().get(), 13_200.0);
    near(books.siphon("J02", 0.1, 1.0).unwrap().get(), 13_200.0);
    books.audit().unwrap();
}

#[test]
fn two_samples_poured_together_count_by_the_eggs_they_stand_for() {
    let mut books = station();
    books.load("J01", "B", 2.0, counted(264_000.0)).unwrap();
    books.split("J01", "J02", 0.25).unwrap();
    let good = books.eye_up("J01", &dips(240, 300)).unwrap().interval;
    let mut one = books.clone();
    let poor = books.eye_up("J02", &dips(150, 300)).unwrap().interval;
    books.pool("J02", "J01").unwrap();
    let line = &jars(&books)["J01"];
    let share = line.eye_up.unwrap();
    // ¾ of 80 % and ¼ of 50 %.
    near(share.likely, 0.725);
    near(share.low, 0.75 * good.low + 0.25 * poor.low);
    near(share.high, 0.75 * good.high + 0.25 * poor.high);
    near(line.alive_by_eye_up.unwrap().likely, 191_400.0);
    // Without a sample of its own the quarter leaves that of the others as it is.
    one.pool("J02", "J01").unwrap();
    let line = &jars(&one)["J01"];
    near(line.eye_up.unwrap().likely, 0.8);
    near(line.alive_by_eye_up.unwrap().likely, 0.8 * 198_000.0);
}

#[test]
fn loads_of_one_take_share_their_errors_and_those_of_two_do_not() {
    let mut books = station();
    books.load("J01", "B", 1.0, counted(100_000.0)).unwrap();
    books.load("J01", "B", 1.0, counted(60_000.0)).unwrap();
    books.load("J02", "B", 0.5, counted(40_000.0)).unwrap();
    near_all(jars(&books)["J01"].eggs_in, 160_000.0, 4_800.0, 6_400.0);
    near_all(books.report(Level::Lot)["B"].eggs_in, 200_000.0, 6_000.0, 8_000.0);
    // 80 000 to the litre in the first jar.
    near(books.siphon("J01", 0.25, 1.0).unwrap().get(), 20_000.0);
    // A lot of two takes: two thirds and one third, each with its part of the errors.
    books.load("J03", "A", 3.0, counted(300_000.0)).unwrap();
    let waters = books.report(Level::Water);
    near_all(waters["Otter River"].eggs_in, 100_000.0, 3_000.0, 4_000.0);
    near_all(jars(&books)["J03"].eggs_in, 300_000.0, 6_000.0_f64.hypot(3_000.0), 12_000.0);
    let lots = books.report(Level::Lot);
    near_all(lots["A"].alive_by_siphon, 300_000.0, 6_000.0_f64.hypot(3_000.0), 12_000.0);
}

#[test]
fn a_take_without_eggs_has_no_error_either() {
    let mut books = station();
    books.take("T3", record("Pike Slough", 0.0)).unwrap();
    books.lot("C", &["T1".to_owned(), "T3".to_owned()]).unwrap();
    books.load("J01", "C", 1.0, counted(100_000.0)).unwrap();
    let takes = books.report(Level::Take);
    assert_eq!(takes["T3"].alive_by_siphon, Estimate::ZERO);
    near(takes["T1"].alive_by_siphon.value, 100_000.0);
}

#[test]
fn eggs_and_hatching_move_with_the_jar() {
    let mut books = station();
    books.load("J01", "B", 1.0, counted(100_000.0)).unwrap();
    books.hatch_seen("J01").unwrap();
    books.move_all("J01", "J02").unwrap();
    assert_eq!(jars(&books).keys().collect::<Vec<_>>(), ["J02"]);
    near(jars(&books)["J02"].eggs_in.value, 100_000.0);
    assert_eq!(books.eye_up("J02", &dips(1, 2)), Err(BookError::EyeUpAfterHatch("J02".to_owned())));
    // The jar they left begins anew, and what is poured to hatching eggs counts as hatching.
    books.load("J01", "B", 1.0, counted(50_000.0)).unwrap();
    assert_eq!(books.move_all("J01", "J02"), Err(BookError::JarFull("J02".to_owned())));
    books.eye_up("J01", &dips(1, 2)).unwrap();
    books.pool("J01", "J02").unwrap();
    assert!(books.eye_up("J02", &dips(1, 2)).is_err());
    assert_eq!(books.move_all("J01", "J03"), Err(BookError::JarEmpty("J01".to_owned())));
}

#[test]
fn an_emptied_jar_is_empty_and_its_eggs_stay_in_the_books() {
    let mut books = station();
    books.load("J01", "B", 1.0, counted(100_000.0)).unwrap();
    books.hatch_seen("J01").unwrap();
    books.empty("J01").unwrap();
    assert_eq!(books.siphon("J01", 0.1, 1.0), Err(BookError::JarEmpty("J01".to_owned())));
    assert_eq!(books.empty("J01"), Err(BookError::JarEmpty("J01".to_owned())));
    books.load("J01", "B", 1.0, counted(50_000.0)).unwrap();
    books.eye_up("J01", &dips(1, 2)).unwrap();
    near(jars(&books)["J01"].eggs_in.value, 150_000.0);
    // Only what was there at the sample is sampled.
    near(jars(&books)["J01"].sampled_share, 1.0 / 3.0);
    books.audit().unwrap();
}

#[test]
fn shares_and_volumes_out_of_bounds_are_refused_by_their_names() {
    let mut books = station();
    books.load("J01", "B", 1.0, counted(100_000.0)).unwrap();
    for share in [0.0, 1.0, -0.5, f64::NAN] {
        assert!(matches!(books.split("J01", "J02", share), Err(BookError::Share(_))), "{share}");
    }
    for (litres, said) in [
        (f64::INFINITY, "a siphoned volume in L of inf cannot be"),
        (-0.1, "a siphoned volume in L of -0.1 cannot be"),
        (f64::NAN, "a siphoned volume in L of NaN cannot be"),
    ] {
        assert_eq!(books.siphon("J01", litres, 0.5).unwrap_err().to_string(), said);
    }
    for litres in [0.0, -1.0, 1_000_000.1] {
        assert!(matches!(books.load("J02", "B", litres, counted(1.0)), Err(BookError::Number { .. })));
    }
}

#[test]
fn more_than_left_may_be_removed_within_twice_the_error_of_the_count() {
    let mut books = station();
    books.load("J01", "B", 1.0, counted(200_000.0)).unwrap();
    // 5 % of 200 000 are 10 000.
    let said = books.mortality("B", Some("J01"), 220_000.001).unwrap_err().to_string();
    assert_eq!(said, "220,000 eggs cannot be removed from jar J01: it holds about 200,000");
    let mut in_two = books.clone();
    books.mortality("B", Some("J01"), 220_000.0).unwrap();
    near(jars(&books)["J01"].alive_by_siphon.value, 0.0);
    in_two.mortality("B", Some("J01"), 120_000.0).unwrap();
    assert!(in_two.mortality("B", Some("J01"), 100_000.001).is_err());
    in_two.mortality("B", Some("J01"), 100_000.0).unwrap();
    in_two.audit().unwrap();
}
