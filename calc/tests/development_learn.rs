//! Learning a station: how fast it comes near the truth, and what an absurd entry does.

use nightjar_calc::development::{species, species::Species};
use nightjar_calc::learn::{Observation, learn};
use nightjar_calc::stages::{Stage, Station};

fn seen(fish: &Species, stage: Stage, multiple: f64) -> Observation<'static> {
    let development = multiple * Station::published(fish).share(fish, stage);
    Observation { lot: "a", stage, development, weight: 1.0 }
}

fn error(fish: &Species, observations: &[Observation<'_>], truth: f64) -> f64 {
    (learn(fish, observations).after.factor / truth - 1.0).abs()
}

const HATCH: [Stage; 3] = [Stage::HatchStart, Stage::HatchPeak, Stage::HatchEnd];

#[test]
fn one_hatch_halves_the_error_and_ten_bring_it_under_three_percent() {
    for fish in species::all() {
        for truth in [0.85, 1.0 / 1.15, 1.15] {
            let at_first = (1.0_f64 / truth - 1.0).abs();
            for stage in HATCH {
                let one = error(fish, &[seen(fish, stage, truth)], truth);
                assert!(one <= at_first / 2.0, "{} {stage:?} {truth}: {one} of {at_first}", fish.key);
                let ten = error(fish, &[seen(fish, stage, truth); 10], truth);
                assert!(ten < 0.03, "{} {stage:?} {truth}: {ten}", fish.key);
            }
        }
    }
}

/// The same with the noise of real sightings: 4 % of the sum, one fixed stream of numbers, 80 stations.
#[test]
fn with_noise_ten_hatches_bring_the_error_under_three_percent_on_average() {
    let mut seed = 99_u64;
    let mut noise = || {
        let mut sum = 0.0;
        for _ in 0..12 {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum += (seed >> 11) as f64 / (1_u64 << 53) as f64;
        }
        0.04 * (sum - 6.0)
    };
    for key in ["walleye", "northern-pike", "cisco", "atlantic-salmon"] {
        let fish = species::find(key).unwrap();
        let (mut one, mut ten) = (0.0, 0.0);
        for station in 0..80 {
            let truth = if station % 2 == 0 { 1.15 } else { 0.87 };
            let all: Vec<_> = (0..10).map(|i| seen(fish, HATCH[i % 3], truth * f64::exp(noise()))).collect();
            one += error(fish, &all[..1], truth) / 80.0;
            ten += error(fish, &all, truth) / 80.0;
        }
        println!("{key}: 15 % off, after one hatch {:.1} %, after ten {:.1} %", 100.0 * one, 100.0 * ten);
        assert!(one < 0.075 && ten < 0.03, "{key}: {one} and {ten}");
    }
}

#[test]
fn an_absurd_entry_moves_little_and_is_flagged() {
    for fish in species::all() {
        for absurd in [3.0, 1.0 / 3.0, 40.0] {
            let alone = learn(fish, &[seen(fish, Stage::HatchPeak, absurd)]);
            assert!((alone.after.factor - 1.0).abs() < 0.03, "{}: {}", fish.key, alone.after.factor);
            assert!(alone.judged[0].unwrap().doubtful());
            assert_eq!(alone.used(), 0);

            let mut good = vec![seen(fish, Stage::HatchPeak, 1.10); 4];
            let without = learn(fish, &good).after.factor;
            good.insert(2, seen(fish, Stage::HatchPeak, absurd));
            let with = learn(fish, &good);
            assert!((with.after.factor / without - 1.0).abs() < 0.01, "{}", fish.key);
            let doubtful: Vec<bool> = with.judged.iter().map(|j| j.unwrap().doubtful()).collect();
            assert_eq!(doubtful, [false, false, true, false, false]);
        }
    }
}

#[test]
fn nothing_unusable_counts_and_the_order_does_not_matter() {
    let fish = species::find("walleye").unwrap();
    let good = [
        seen(fish, Stage::Eyed, 1.1),
        seen(fish, Stage::HatchStart, 1.12),
        seen(fish, Stage::HatchPeak, 1.08),
    ];
    let mut mixed = good.to_vec();
    mixed.reverse();
    for development in [f64::NAN, f64::INFINITY, 0.0, -3.0] {
        mixed.push(Observation { development, ..good[0] });
    }
    mixed.push(Observation { weight: 0.0, ..good[0] });
    let (a, b) = (learn(fish, &good), learn(fish, &mixed));
    assert!((a.after.factor / b.after.factor - 1.0).abs() < 1e-12);
    assert_eq!(b.judged[3..], [None; 5]);
    let (before, after) = a.sums.unwrap();
    assert!((before - 117.0).abs() < 1e-9 && (after / before - a.after.factor).abs() < 1e-12);
}

#[test]
fn an_eye_up_teaches_less_than_a_hatch() {
    let fish = species::find("walleye").unwrap();
    let eyed = error(fish, &[seen(fish, Stage::Eyed, 1.15); 10], 1.15);
    let hatch = error(fish, &[seen(fish, Stage::HatchPeak, 1.15); 10], 1.15);
    assert!(eyed > 3.0 * hatch, "the share at which walleye eye up is itself hardly known");
}

#[test]
fn a_drawn_out_hatch_widens_the_window() {
    let fish = species::find("walleye").unwrap();
    let lots = ["a", "b", "c", "d", "e", "f"];
    let all: Vec<_> = lots
        .iter()
        .flat_map(|lot| {
            [(Stage::HatchStart, 0.84), (Stage::HatchPeak, 1.0), (Stage::HatchEnd, 1.20)]
                .map(|(stage, development)| Observation { lot, stage, development, weight: 1.0 })
        })
        .collect();
    let window = learn(fish, &all).after.window;
    assert!((1.6..2.1).contains(&window), "twice as wide was seen, {window} is learnt");
}
