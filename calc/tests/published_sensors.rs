//! Sensors against published tables (`data/thermistor.csv`, `data/platinum.csv`, sources in
//! `data/SOURCES.md`).

#[path = "data/table.rs"]
mod table;

use nightjar_calc::sensor::platinum::{Class, Platinum};
use nightjar_calc::sensor::pulse_flow::Meter;
use nightjar_calc::sensor::thermistor::{Curve, TableFault, TableRow, check_table};

/// The four coefficients printed beside the 103JL1A table (GEOK).
fn printed_jl1a() -> Curve {
    let (a, b) = (1.127_669_793_001_87e-3, 2.344_441_841_282_13e-4);
    Curve::steinhart_hart(a, b, 8.476_921_305_923_08e-8, 1.175_121_935_796_15e-11)
        .expect("four numbers of the curve")
}

#[test]
fn each_thermistor_curve_returns_its_own_table() {
    let (mut in_water, mut anywhere) = (0.0_f64, 0.0_f64);
    for row in table::rows(include_str!("data/thermistor.csv")) {
        let Ok(curve) = Curve::named(row.text("curve")) else { continue };
        let (t, ohm) = (row.number("temp_c"), row.number("ohm"));
        let off = curve.celsius(ohm).unwrap() - t;
        anywhere = anywhere.max(off.abs());
        if t >= -5.0 {
            in_water = in_water.max(off.abs());
        }
        if row.text("kind") == "computed" {
            assert!((curve.ohms(t).unwrap() - ohm).abs() <= 0.0501, "{t} °C");
        }
    }
    println!("largest error of a curve on its own table {anywhere:.4} °C, from -5 °C up {in_water:.4} °C");
    assert!(anywhere < 0.02 && in_water < 0.01);
}

/// The coefficients printed beside the 103JL1A table leave it in frost, at -30 and -20 °C by more than 0.02 °C. The
/// curve used here is fitted to the table and does not.
#[test]
fn printed_coefficients_leave_their_own_table_in_frost() {
    let mut leaves = Vec::new();
    for row in table::rows(include_str!("data/thermistor.csv")) {
        if row.text("curve") != "103JL1A" {
            continue;
        }
        let (t, ohm) = (row.number("temp_c"), row.number("ohm"));
        let (printed, ours) =
            (printed_jl1a().celsius(ohm).unwrap() - t, Curve::JL1A_103.celsius(ohm).unwrap() - t);
        println!("{t:>4} °C: {ohm} ohm, printed coefficients {printed:+.4} °C, fitted {ours:+.4} °C");
        if printed.abs() > 0.02 {
            leaves.push(t);
        }
        assert!(ours.abs() < 0.004);
    }
    assert_eq!(leaves, [-30.0, -20.0]);
}

/// The service chart (TAYL) has a misprint at 51 °F that leaves the sequence falling.
#[test]
fn the_misprint_of_the_service_chart_is_found_and_nothing_else() {
    let chart: Vec<TableRow> = table::rows(include_str!("data/thermistor.csv"))
        .iter()
        .filter(|row| row.text("curve") == "service-chart")
        .map(|row| TableRow { celsius: row.number("temp_c"), ohm: row.number("ohm") })
        .collect();
    assert_eq!(chart.len(), 24);
    let faults = check_table(&chart, 0.1);
    let [TableFault::OffTheLine { row, implied_ohm, error_c }] = faults[..] else { panic!("{faults:?}") };
    assert!((chart[row].celsius - 10.556).abs() < 1e-9);
    assert!((implied_ohm - 19_383.0).abs() < 10.0, "{implied_ohm}");
    println!("51 °F: {}", faults[0]);
    assert!((-0.7..-0.4).contains(&error_c));
    // Every other row lies on the 10K3 curve within what its printed ohms tell.
    for (at, entry) in chart.iter().enumerate().filter(|(at, _)| *at != row) {
        assert!((Curve::TEN_K3.celsius(entry.ohm).unwrap() - entry.celsius).abs() < 0.03, "row {at}");
    }
}

/// Tables with steps of ten degrees are not accused when asked with a tolerance for their steps.
#[test]
fn coarse_true_tables_are_clean() {
    for curve in ["10K3", "103JL1A"] {
        let rows: Vec<TableRow> = table::rows(include_str!("data/thermistor.csv"))
            .iter()
            .filter(|row| row.text("curve") == curve && row.text("kind") == "table")
            .map(|row| TableRow { celsius: row.number("temp_c"), ohm: row.number("ohm") })
            .collect();
        assert!(check_table(&rows, 0.5).is_empty(), "{curve}");
    }
}

/// Errors of the wrong curve on a 10K3 probe, as published beside the tables (CAMP, EKO).
#[test]
fn the_wrong_curve_errs_as_published() {
    let beta = |b| Curve::beta(10_000.0, b).unwrap();
    let cases = [
        (beta(3950.0), [(0.0, 0.554), (5.0, 0.407), (10.0, 0.277), (20.0, 0.074)].as_slice()),
        (beta(3435.0), [(0.0, -2.770), (5.0, -2.311), (10.0, -1.806), (20.0, -0.651)].as_slice()),
        (Curve::N44031, [(0.0, -2.20)].as_slice()),
    ];
    for (curve, errors) in cases {
        for (t, published) in errors {
            let error = curve.celsius(Curve::TEN_K3.ohms(*t).unwrap()).unwrap() - t;
            assert!((error - published).abs() < 0.006, "{t} °C: {error:+.3} against {published:+.3}");
        }
    }
}

/// A manual's own formula with 273.2 reads 0.05 °C low (GEOK).
#[test]
fn the_offset_of_the_celsius_scale_is_exact() {
    let t = printed_jl1a().celsius(32_650.0).unwrap();
    assert!(t.abs() < 0.005, "with 273.15 the table is returned: {t}");
    assert!((t - 0.05).abs() > 0.04, "with 273.2 it would read 0.05 °C low");
}

#[test]
fn a_fit_through_three_rows_returns_the_rest_of_the_table() {
    let rows: Vec<(f64, f64)> = table::rows(include_str!("data/thermistor.csv"))
        .iter()
        .filter(|row| row.text("curve") == "103JL1A")
        .map(|row| (row.number("ohm"), row.number("temp_c")))
        .collect();
    let at = |t: f64| *rows.iter().find(|row| (row.1 - t).abs() < 1e-9).unwrap();
    let own = Curve::through([at(0.0), at(15.0), at(30.0)]).unwrap();
    for (ohm, t) in rows.iter().filter(|(_, t)| (-5.0..=35.0).contains(t)) {
        let off = own.celsius(*ohm).unwrap() - t;
        assert!(off.abs() < 0.02, "{t} °C: {off:+.4}");
    }
}

#[test]
fn platinum_follows_iec_60751_both_ways() {
    let pt100 = Platinum::new(100.0).unwrap();
    let pt1000 = Platinum::new(1000.0).unwrap();
    let mut worst = 0.0_f64;
    for row in table::rows(include_str!("data/platinum.csv")) {
        let (t, ohm) = (row.number("temp_c"), row.number("ohm"));
        let ours = pt100.ohms(t).unwrap();
        assert!((ours - ohm).abs() <= row.half_digit("ohm") + 1e-9, "{t} °C: {ours} against {ohm}");
        // Backwards a table of two decimals hides up to 0.005 Ω, 0.013 °C; the exact value must return.
        worst = worst.max((pt100.celsius(ours).unwrap() - t).abs());
        let printed_step = row.half_digit("ohm") / 0.36;
        assert!((pt100.celsius(ohm).unwrap() - t).abs() < 0.01_f64.max(printed_step), "{t} °C");
        assert!((pt1000.celsius(10.0 * ours).unwrap() - t).abs() < 1e-6);
    }
    println!("largest error there and back: {worst:.2e} °C");
    assert!(worst < 1e-6);
    // Tolerances as printed (PT-A).
    assert!((Class::A.tolerance_c(100.0) - 0.35).abs() < 1e-12);
    assert!((Class::B.tolerance_c(-100.0) - 0.80).abs() < 1e-12);
}

/// An alloy of 3789 ppm/K reads 100.379 Ω at 1 °C (PRC): as IEC platinum that is 0.03 °C off per degree.
#[test]
fn another_alloy_is_another_curve() {
    let as_iec = Platinum::new(100.0).unwrap().celsius(100.379).unwrap();
    assert!((as_iec - 0.970).abs() < 0.002, "{as_iec}");
}

/// K-factors as published, in conflict with each other: FLOW-R and FLOW-G 450, FLOW-A 270, FLOW-W 7.5.
#[test]
fn pulse_meters_follow_their_published_factors() {
    let flow = |k, hz| Meter::new(k).unwrap().flow_l_per_min(hz, 1.0).unwrap();
    assert!((flow(450.0, 7.5) - 1.0).abs() < 1e-12); // FLOW-R: f = 7.5 Q
    assert!((flow(600.0, 10.0) - 1.0).abs() < 1e-12); // FLOW-F: Q = f/10
    assert!((flow(270.0, 4.5) - 1.0).abs() < 1e-12); // FLOW-A: 4.5 Hz for 1 L/min
    assert!(Meter::new(7.5).is_err()); // FLOW-W prints Hz per L/min as pulses per litre
    for (k, window_s, step) in [(450.0, 1.0, 0.133), (450.0, 10.0, 0.0133)] {
        assert!((Meter::new(k).unwrap().resolution_l_per_min(window_s).unwrap() / step - 1.0).abs() < 0.005);
    }
    println!(
        "the same 7.5 Hz is {:.2} L/min at K 450 and {:.2} at K 270",
        flow(450.0, 7.5),
        flow(270.0, 7.5)
    );
}
