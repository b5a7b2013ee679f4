//! Oxygen against published saturation tables (`data/oxygen_saturation.csv`, sources in
//! `data/SOURCES.md`). A printed value hides up to half its last digit; beyond that and 0.02 mg/L a row
//! disagrees, and the rows that do are listed here by name so that they stay visible.

#[path = "data/table.rs"]
mod table;

use nightjar_calc::oxygen::{Pressure, saturation};
use nightjar_calc::quantity::{Celsius, METRES_PER_FOOT, Metres};
use std::collections::BTreeMap;

/// Rows of an instrument maker's table that the maker calls approximate: (°C, mmHg).
const DISAGREE: [(i32, i32); 6] = [(15, 760), (20, 760), (15, 725), (0, 675), (10, 675), (15, 650)];

fn pressure(row: &table::Row) -> Pressure {
    let number = row.number("pressure");
    match row.text("pressure_unit") {
        "atm" => Pressure::from_atm(number),
        "mmhg" => Pressure::from_mmhg(number),
        _ => Pressure::at_altitude(Metres::new(number).expect("a height")),
    }
    .expect("within the equation")
}

#[test]
fn saturation_follows_every_published_table() {
    let mut disagree = Vec::new();
    let mut worst: BTreeMap<String, f64> = BTreeMap::new();
    for row in table::rows(include_str!("data/oxygen_saturation.csv")) {
        let t = Celsius::new(row.number("temp_c")).unwrap();
        let ours = saturation(t, pressure(&row), row.number("salinity")).unwrap().get();
        let theirs = row.number("mg_per_l");
        let off = ours - theirs;
        let source = format!("{} ({})", row.text("source"), row.text("kind"));
        let beyond_print = (off.abs() - row.half_digit("mg_per_l")).max(0.0);
        let entry = worst.entry(source).or_default();
        *entry = entry.max(beyond_print);
        if row.text("kind") == "computed" {
            assert!(off.abs() < 0.0005, "{t}: {ours} against {theirs}");
        } else if beyond_print > 0.02 {
            println!(
                "{:>8} {:>5} °C {:>5} {:4}: printed {theirs:.2}, equation {ours:.3}, {off:+.3} mg/L",
                row.text("source"),
                t.get(),
                row.text("pressure"),
                row.text("pressure_unit")
            );
            disagree.push((row.text("temp_c").parse().unwrap(), row.text("pressure").parse().unwrap()));
            assert_eq!(row.text("source"), "HACH");
        }
    }
    println!("largest difference beyond the printed digits: {worst:?}");
    assert_eq!(disagree, DISAGREE);
}

/// A standard corrects linearly for salt (EN25814). Its slope is that of water far saltier than any
/// hatchery has: 10 to 15 % under that of the equation in fresh water, and met on the way to sea water.
#[test]
fn the_linear_salt_correction_stays_visible_beside_the_equation() {
    for row in table::rows(include_str!("data/oxygen_salinity_slope.csv")) {
        let t = Celsius::new(row.number("temp_c")).unwrap();
        let at = |s| saturation(t, Pressure::STANDARD, s).unwrap().get();
        let (fresh, sea) = (at(0.0) - at(1.0), (at(0.0) - at(35.0)) / 35.0);
        let printed = row.number("loss_mg_per_l_per_g_per_kg");
        println!(
            "{t}: printed {printed}, equation {fresh:.4} in fresh water, {sea:.4} on the way to the sea"
        );
        assert!(printed < fresh && (printed / sea - 1.0).abs() < 0.07);
    }
}

/// Three published ways from height to pressure (ALT1, ALT2, WDNR) agree within what weather does.
#[test]
fn pressures_from_altitude_agree() {
    for feet in [0.0, 600.0, 1000.0, 2000.0, 5000.0] {
        let metres: f64 = feet * METRES_PER_FOOT;
        let isothermal = (-9.80665 * 0.028_964_4 * metres / (8.314_47 * 288.15)).exp();
        let ours = Pressure::at_altitude(Metres::new(metres).unwrap()).unwrap().atm();
        let rule_of_thumb = 1.0 - 26.0 * feet / 1000.0 / 760.0;
        println!(
            "{feet:>5} ft: standard {ours:.4}, isothermal {isothermal:.4}, 26 mmHg per 1000 ft {rule_of_thumb:.4}"
        );
        assert!((ours - isothermal).abs() < 0.006 && (ours - rule_of_thumb).abs() < 0.006);
    }
    // WDNR: 600 ft gives 0.9795.
    let six_hundred = Pressure::at_altitude(Metres::new(600.0 * METRES_PER_FOOT).unwrap()).unwrap();
    assert!((six_hundred.atm() - 0.9795).abs() < 0.001);
}
