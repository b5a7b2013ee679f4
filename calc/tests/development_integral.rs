//! Development along records of changing temperature.

#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

use nightjar_calc::development::{
    Belehradek, DegreeDay, Development, Exponential, Law, Model, PER_HATCH, Power,
};
use nightjar_calc::thermal::{DegreesAboveZero, Ledger, PER_C_DAY, Record, Rules, Sample, Tallied, hour_of};
use nightjar_calc::time::{Span, Timestamp};
use proptest::prelude::*;

const START: Timestamp = Timestamp::from_ms(1_776_500_000_000);

fn laws() -> [Law; 4] {
    [
        Law::DegreeDay(DegreeDay::new(3.3, 117.0).unwrap()),
        Law::Power(Power::new(-2.0961, 4.0313, -6.0).unwrap()),
        Law::Exponential(Exponential::new(252.35, -0.18203).unwrap()),
        Law::Belehradek(Belehradek::new(7.7, -1.91, 2.0).unwrap()),
    ]
}

/// A week of readings every ten seconds: a warming spring with a day cycle.
fn spring() -> Vec<Sample> {
    (0..60_480_i64)
        .map(|i| {
            let days = i as f64 / 8640.0;
            let t = 6.0 + 0.5 * days + 1.2 * (std::f64::consts::TAU * days).sin();
            Sample::new(START + Span::from_secs(10 * i), t).unwrap()
        })
        .collect()
}

#[test]
fn a_degree_day_law_agrees_with_the_thermal_units() {
    let samples = spring();
    let record = Record::from_samples(&samples, &Rules::default());
    let model = Model::new(Law::DegreeDay(DegreeDay::new(0.0, 175.0).unwrap()), 8.0, 15.0).unwrap();
    let (a, b) = (samples[777].at, samples[60_000].at + Span::from_ms(1234));
    let units = record.under(&DegreesAboveZero).amount(a, b) as f64 / PER_C_DAY as f64 / 175.0;
    let development = record.under(&Development(model)).amount(a, b) as f64 / PER_HATCH as f64;
    assert!((development / units - 1.0).abs() < 1e-9, "{development} for {units}");
}

#[test]
fn every_law_agrees_with_fine_steps_through_the_same_water() {
    let samples = spring();
    let record = Record::from_samples(&samples, &Rules::default());
    for law in laws() {
        let model = Model::new(law, 4.0, 9.0).unwrap();
        let end = samples[samples.len() - 1].at;
        let development = record.under(&Development(model)).amount(START, end) as f64 / PER_HATCH as f64;
        let slow: f64 = samples
            .windows(2)
            .map(|w| model.rate_at(f64::midpoint(w[0].celsius(), w[1].celsius())) * 10.0 / 86_400.0)
            .sum();
        assert!((development / slow - 1.0).abs() < 1e-7, "{}: {development} for {slow}", law.describe());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn progress_by_the_hour_is_the_same_for_any_order(
        steps in prop::collection::vec((1_i64..5_400_000, -20_000_i32..180_000), 2..60),
        keys in prop::collection::vec(any::<u32>(), 60),
        law in 0_usize..4,
        cut in 0_i64..100_000_000,
    ) {
        let mut at = START.ms();
        let samples: Vec<Sample> = steps.iter().map(|(step, u)| {
            at += step;
            Sample { at: Timestamp::from_ms(at), ten_thousandths: *u }
        }).collect();
        let development = Development(Model::new(laws()[law], 4.0, 12.0).unwrap());
        let rules = Rules::default();
        let mut order: Vec<usize> = (0..samples.len()).collect();
        order.sort_by_key(|i| keys[*i]);
        let mut ledger = Ledger::new(development, rules);
        for i in order.iter().chain(&order[..order.len() / 2]) {
            prop_assert!(ledger.add(samples[*i]));
        }
        let record = Record::from_samples(&samples, &rules);
        let sums = record.under(&development);
        let (from, to) = (START + Span::from_ms(cut / 3), START + Span::from_ms(cut));
        prop_assert_eq!(ledger.tally(from, to), sums.tally(from, to));
        prop_assert!(sums.amount(from, to) >= 0);
        prop_assert!(samples.iter().all(|s| ledger.hour(hour_of(s.at)).is_some()));
    }
}
