//! Counting against published counts (`data/von_bayer.csv`, sources in `data/SOURCES.md`).

#[path = "data/table.rs"]
mod table;

use nightjar_calc::enumeration::{
    EggsPerLitre, Hardened, PACKING, PerFemale, Settled, Subsample, VON_BAYER_K, displacement, gravimetric,
    von_bayer,
};
use nightjar_calc::quantity::{LITRES_PER_GALLON, LITRES_PER_QUART, MILLIMETRES_PER_INCH};

/// Diameter of an egg in inches by a count to the quart: the trough backwards.
fn diameter_in(per_quart: f64) -> f64 {
    (VON_BAYER_K / per_quart).cbrt()
}

#[test]
fn von_bayer_follows_published_pairs_and_rows() {
    for row in table::rows(include_str!("data/von_bayer.csv")) {
        let (d, printed) = (row.number("diameter_in"), row.number("eggs_per_quart"));
        let eggs_in_row = match row.text("eggs_in_12_in") {
            "" => 12.0 / d,
            counted => counted.parse().unwrap(),
        };
        let ours = von_bayer::<Hardened>(eggs_in_row, 12.0).unwrap().per_litre.per_quart();
        let off = 100.0 * (ours.value / printed - 1.0);
        println!(
            "{:20} {:10} d {d:.4} in: printed {printed:>9}, formula {:>9.0}, {off:+.2} % ({})",
            row.text("kind"),
            row.text("source"),
            ours.value,
            row.text("provenance")
        );
        match (row.text("kind"), row.text("eggs_per_quart")) {
            // 0.8 % beside its three neighbours of the same source: a probable misprint, shown.
            ("von_bayer_pair", "1150000") => assert!((-0.9..-0.7).contains(&off)),
            // Measured on fish: 2.6 % is the error of the method and inside the interval given.
            ("measured_pair", _) => {
                let bounds = ours.interval();
                assert!(bounds.low < printed && printed < bounds.high && off < 3.0);
            }
            // From memory: shown, decides nothing.
            ("von_bayer_table_row", _) => assert_eq!(row.text("provenance"), "memory"),
            ("von_bayer_computed", _) => {
                assert!((ours.value - printed).abs() <= row.half_digit("eggs_per_quart") + 0.001);
            }
            _ => assert!(off.abs() < 0.5, "{off:+.3} %"),
        }
    }
}

#[test]
fn constants_follow_from_their_definitions() {
    let cubic_inch_l = MILLIMETRES_PER_INCH.powi(3) * 1e-6;
    assert!((57.75 * cubic_inch_l - LITRES_PER_QUART).abs() < 1e-9);
    assert!((231.0 * cubic_inch_l - LITRES_PER_GALLON).abs() < 1e-9);
    assert!((PACKING - 0.613).abs() < 0.0005, "{PACKING}");
    // Coders who take 0.64 or 0.74 over-count by 4 and 21 %.
    assert!((0.64 / PACKING - 1.04).abs() < 0.005 && (0.7405 / PACKING - 1.21).abs() < 0.005);
}

/// Published counts to the quart with the diameters they imply, in inches and mm; all within a
/// thousandth of an inch.
#[test]
fn crews_counts_imply_the_published_diameters() {
    for (source, per_quart, inches, mm) in [
        ("MDNR11 walleye", 125_000.0, 0.0815, 2.07),
        ("UND walleye", 120_000.0, 0.0826, 2.10),
        ("USFC walleye, memory", 150_000.0, 0.0767, 1.95),
        ("USFC whitefish, memory", 36_000.0, 0.1234, 3.13),
        ("MINOT-B pike", 11_000_000.0 / 216.5, 0.110, 2.79),
    ] {
        let d = diameter_in(per_quart);
        println!("{source:24} {per_quart:>8.0} to the quart: {d:.4} in, {:.2} mm", d * MILLIMETRES_PER_INCH);
        assert!((d - inches).abs() < 0.0005 && (d * MILLIMETRES_PER_INCH - mm).abs() < 0.01, "{source}");
    }
    // Pike eggs were measured elsewhere as 2.7 ± 0.16 mm (PIKETEMP): 2.79 lies inside.
    let pike_mm = diameter_in(11_000_000.0 / 216.5) * MILLIMETRES_PER_INCH;
    assert!((pike_mm - 2.7).abs() < 0.16);
}

#[test]
fn volumes_of_crews_multiply_as_published() {
    // MDNR11: 2.5 quarts of 125 000 are 312 500; 132 086 to the litre.
    let per_litre = EggsPerLitre::<Hardened>::given(125_000.0 / LITRES_PER_QUART).unwrap();
    assert!((per_litre.estimate().value - 132_086.0).abs() < 0.5);
    let jar = per_litre.eggs_in(Settled::quarts(2.5).unwrap());
    assert!((jar.value - 312_500.0).abs() < 1e-6);
    assert_eq!(jar.to_string(), "310,000 (280,000 to 340,000)");
    // ABN13: roughly 300 000 in a jar are 2.3 L.
    assert!((300_000.0 / per_litre.estimate().value - 2.27).abs() < 0.01);
    // MINOT-B: about 60 million in about 460 quarts; 11 million pike eggs in 216.5 quarts.
    let bounds = per_litre.eggs_in(Settled::quarts(460.0).unwrap()).interval();
    assert!(bounds.low < 60.0e6 && 60.0e6 < bounds.high);
    let pike = EggsPerLitre::<Hardened>::given(53_688.0).unwrap().eggs_in(Settled::quarts(216.5).unwrap());
    assert!((pike.value / 11_000_000.0 - 1.0).abs() < 0.0001);
    // Common practice, no source: half a quart of walleye eggs is about 60 000.
    let half = per_litre.eggs_in(Settled::quarts(0.5).unwrap()).interval();
    assert!(half.low < 60_000.0 && 60_000.0 < half.high);
}

/// LECT: 36, 35 and 41 eggs weigh 1.5, 1.6 and 1.9 g; 316.8 g are 7 096 eggs when the samples are pooled.
#[test]
fn weights_are_pooled_and_ratios_not_averaged() {
    let samples = [(36.0, 1.5), (35.0, 1.6), (41.0, 1.9)].map(|(eggs, amount)| Subsample { eggs, amount });
    let per_gram = gravimetric::<Hardened>(&samples).unwrap();
    assert!((per_gram.estimate().value - 22.4).abs() < 1e-12);
    let lot = per_gram.eggs_in_grams(316.8).unwrap();
    assert!((lot.value - 7_096.0).abs() < 0.5);
    let mean_of_ratios: f64 = samples.iter().map(|s| s.eggs / s.amount).sum::<f64>() / 3.0;
    println!(
        "pooled {:.1}, mean of ratios would give {:.1}; shown as {lot}",
        lot.value,
        mean_of_ratios * 316.8
    );
    assert!((mean_of_ratios * 316.8 - lot.value).abs() > 10.0);
}

/// Displaced and settled volume of the same eggs count the same: spheres of the diameter a trough gives.
#[test]
fn displacement_and_trough_agree_on_the_same_eggs() {
    let trough = von_bayer::<Hardened>(147.0, 12.0).unwrap();
    let egg_ml = std::f64::consts::PI / 6.0 * trough.diameter_mm.powi(3) / 1000.0;
    let displaced = [Subsample { eggs: 500.0, amount: 500.0 * egg_ml }];
    let per_litre = displacement::<Hardened>(&displaced).unwrap();
    assert!((per_litre.estimate().value / trough.per_litre.estimate().value - 1.0).abs() < 1e-9);
}

/// Over-counts found by counting everything: inside the interval of a single count, but for the largest.
#[test]
fn published_errors_of_the_methods_stay_visible() {
    let single = EggsPerLitre::<Hardened>::given(100.0).unwrap().estimate().interval();
    let half = single.high - 100.0;
    for (source, percent) in [
        ("BANISH24 volumetric", 10.0),
        ("BANISH24 gravimetric", 8.6),
        ("SHROYER88 volumetric", -3.4),
        ("SHROYER88 gravimetric", 8.8),
        ("RAZOR von Bayer", 2.6),
    ] {
        println!("{source:24} {percent:+5.1} %, interval ±{half:.1} %");
        assert!(f64::abs(percent) < half + 0.5);
    }
}

/// SHROYER88, computed examples of the volumetric regression.
#[test]
fn eggs_of_a_perch_follow_the_regression() {
    for (length_mm, eggs) in [(200.0, 16_066.0), (250.0, 35_742.0), (290.0, 60_835.0)] {
        let ours = PerFemale::YellowPerchVolumetric.eggs(length_mm).unwrap();
        let by_weight = PerFemale::YellowPerchGravimetric.eggs(length_mm).unwrap();
        println!("{length_mm} mm: {ours:.0} by volume, {by_weight:.0} by weight");
        assert!((ours - eggs).abs() < 1.0 && (by_weight / ours - 1.0).abs() < 0.12);
    }
    assert!(PerFemale::YellowPerchVolumetric.eggs(500.0).unwrap_err().to_string().contains("290"));
}
