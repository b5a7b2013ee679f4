//! Thermal units against exact integrals, and the promise that order, repetition and delay change nothing.

#![expect(clippy::unwrap_used, clippy::float_cmp, reason = "a test may stop where it stands; sums are exact")]

use nightjar_calc::thermal::{
    BestOf, DegreesAboveZero, Ledger, PER_C_DAY, Record, Rules, Sample, Tallied, Tally, hour_of,
    thermal_units,
};
use nightjar_calc::time::{Span, Timestamp};
use proptest::prelude::*;
use std::collections::BTreeMap;

const START: i64 = 1_776_500_000_000;

fn batch(samples: &[Sample], rules: &Rules, from: Timestamp, to: Timestamp) -> Tally {
    Record::from_samples(samples, rules).under(&DegreesAboveZero).tally(from, to)
}

/// Fills a ledger reading by reading, in the order given; now and then it forgets single readings, and a
/// reading for a forgotten hour makes that hour be read again in full, as a daemon does from its store.
fn streamed(arrivals: &[Sample], rules: &Rules, forget_every: usize) -> Ledger<DegreesAboveZero> {
    let mut ledger = Ledger::new(DegreesAboveZero, *rules);
    let mut store: BTreeMap<i64, Vec<Sample>> = BTreeMap::new();
    for (n, sample) in arrivals.iter().enumerate() {
        let hour = hour_of(sample.at);
        store.entry(hour).or_default().push(*sample);
        if !ledger.add(*sample) {
            ledger.put(hour, &store[&hour]);
        }
        if n % forget_every == 0 {
            ledger.condense_before(i64::MAX, &[]);
        }
    }
    for (hour, samples) in &store {
        ledger.put(*hour, samples);
    }
    ledger
}

prop_compose! {
    /// Uneven readings over some hours, with holes of all lengths, some at the same moment.
    fn readings()(steps in prop::collection::vec((prop_oneof![
        6 => 0_i64..120_000, 2 => 0_i64..3_600_000, 1 => 0_i64..4 * 3_600_000], -30_000_i32..200_000), 1..120))
        -> Vec<Sample> {
        let mut at = START;
        steps.into_iter().map(|(step, ten_thousandths)| {
            at += step;
            Sample { at: Timestamp::from_ms(at), ten_thousandths }
        }).collect()
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn any_order_repetition_and_delay_gives_the_same_bits(
        samples in readings(),
        keys in prop::collection::vec(any::<u32>(), 240),
        forget_every in 1_usize..20,
        cut in (0_i64..40 * 3_600_000, 0_i64..40 * 3_600_000),
    ) {
        let rules = Rules::default();
        let from = Timestamp::from_ms(START - 200_000 + cut.0.min(cut.1));
        let to = Timestamp::from_ms(START - 200_000 + cut.0.max(cut.1));
        // Half of the readings come twice, everything in a random order.
        let mut arrivals: Vec<(u32, Sample)> = samples.iter().enumerate().map(|(i, s)| (keys[i], *s)).collect();
        arrivals.extend(samples.iter().step_by(2).enumerate().map(|(i, s)| (keys[239 - i], *s)));
        arrivals.sort_by_key(|(key, _)| *key);
        let arrivals: Vec<Sample> = arrivals.into_iter().map(|(_, s)| s).collect();

        let expected = batch(&samples, &rules, from, to);
        prop_assert_eq!(&batch(&arrivals, &rules, from, to), &expected);
        prop_assert_eq!(&streamed(&arrivals, &rules, forget_every).tally(from, to), &expected);
        let whole = expected.measured + expected.bridged + expected.borrowed + expected.uncounted();
        prop_assert_eq!(whole, to.since(from));
    }

    #[test]
    fn splitting_a_stretch_changes_nothing(
        samples in readings(), a in 0_i64..30_000_000, b in 0_i64..30_000_000, c in 0_i64..30_000_000,
    ) {
        let rules = Rules::default();
        let mut cuts = [a, b, c].map(|ms| Timestamp::from_ms(START - 100_000 + ms));
        cuts.sort();
        let record = Record::from_samples(&samples, &rules);
        let sums = record.under(&DegreesAboveZero);
        prop_assert_eq!(
            sums.tally(cuts[0], cuts[1]).sum + sums.tally(cuts[1], cuts[2]).sum,
            sums.tally(cuts[0], cuts[2]).sum
        );
    }

    /// Against the trapezium rule in floating point on a fine grid through the same broken line.
    #[test]
    fn the_sum_is_the_integral(temperatures in prop::collection::vec(-2.0_f64..18.0, 2..40)) {
        let at = |i: i64| Timestamp::from_ms(START) + Span::from_minutes(10 * i);
        let samples: Vec<Sample> =
            (0_i64..).zip(&temperatures).map(|(i, t)| Sample::new(at(i), *t).unwrap()).collect();
        let last = samples[samples.len() - 1].at;
        let sum = thermal_units(&samples, at(0), last, &Rules::for_interval(Span::from_minutes(10)));
        let mut exact = 0.0;
        for w in samples.windows(2) {
            for step in 0..600 {
                let share = (f64::from(step) + 0.5) / 600.0;
                let t = w[0].celsius() + (w[1].celsius() - w[0].celsius()) * share;
                exact += t.max(0.0) / 86_400.0;
            }
        }
        prop_assert!((sum.c_days - exact).abs() < 1e-5 * exact.max(0.01), "{} for {exact}", sum.c_days);
        prop_assert_eq!(sum.coverage, 1.0);
    }
}

fn hourly(hours: impl Iterator<Item = i64>, celsius: f64) -> Vec<Sample> {
    hours.map(|h| Sample::new(Timestamp::from_ms(START) + Span::from_hours(h), celsius).unwrap()).collect()
}

#[test]
fn a_hole_over_the_limit_is_reported_and_not_counted() {
    let at = |h| Timestamp::from_ms(START) + Span::from_hours(h);
    let samples = hourly((0..=48).filter(|h| *h != 5 && !(20..26).contains(h)), 12.0);
    let sum = thermal_units(&samples, at(0), at(48), &Rules::for_interval(Span::from_hours(1)));
    assert_eq!(sum.bridged_h, 2.0, "from hour 4 to hour 6");
    assert_eq!(sum.gaps.len(), 1);
    assert_eq!((sum.gaps[0].from, sum.gaps[0].to), (at(19), at(26)));
    assert_eq!(sum.c_days, 12.0 * 41.0 / 24.0);
    assert_eq!(sum.coverage, 39.0 / 48.0);
}

#[test]
fn time_before_and_after_the_record_is_a_gap_too() {
    let at = |h| Timestamp::from_ms(START) + Span::from_hours(h);
    let rules = Rules { edge_hold: Span::from_hours(1), ..Rules::for_interval(Span::from_hours(1)) };
    let tally = batch(&hourly(10..=20, 10.0), &rules, at(0), at(40));
    assert_eq!(
        tally.gaps.iter().map(|g| (g.from, g.to)).collect::<Vec<_>>(),
        [(at(0), at(9)), (at(21), at(40))]
    );
    assert_eq!(tally.sum, 10 * PER_C_DAY / 2);
    let nothing = batch(&[], &rules, at(0), at(40));
    assert_eq!((nothing.sum, nothing.uncounted()), (0, Span::from_hours(40)));
    assert_eq!(nothing.coverage(), 0.0);
}

#[test]
fn an_hour_without_its_readings_says_that_its_part_is_interpolated() {
    let samples: Vec<Sample> = (0..720)
        .map(|i| Sample::new(Timestamp::from_ms(START) + Span::from_secs(10 * i), 8.0).unwrap())
        .collect();
    let mut ledger = streamed(&samples, &Rules::default(), 1000);
    let (from, to) = (Timestamp::from_ms(START + 900_000), Timestamp::from_ms(START + 7_000_000));
    let exact = ledger.tally(from, to);
    ledger.condense_before(i64::MAX, &[]);
    let rough = ledger.tally(from, to);
    assert!(exact.exact && !rough.exact);
    assert!((exact.sum - rough.sum).abs() < PER_C_DAY / 1_000_000, "the water was steady");
    assert_eq!(exact.measured, rough.measured);
}

#[test]
fn the_third_source_fills_what_the_second_leaves_open() {
    let at = |h| Timestamp::from_ms(START) + Span::from_hours(h);
    let rules = Rules { edge_hold: Span::ZERO, ..Rules::for_interval(Span::from_hours(1)) };
    let jar = Record::from_samples(&hourly((0..=40).filter(|h| !(10..=30).contains(h)), 10.0), &rules);
    let header = Record::from_samples(&hourly(0..=20, 11.0), &rules);
    let hand = Record::from_samples(&hourly((0..=40).step_by(12), 9.0), &Rules::for_hand_readings());
    let (jar, header, hand) =
        (jar.under(&DegreesAboveZero), header.under(&DegreesAboveZero), hand.under(&DegreesAboveZero));
    let best = BestOf::new(vec![&jar, &header, &hand]);
    let tally = best.tally(at(0), at(40));
    assert_eq!(tally.gaps, []);
    assert_eq!(tally.measured, Span::from_hours(18));
    assert_eq!(tally.sum * 24 / PER_C_DAY, 18 * 10 + 11 * 11 + 11 * 9);
    assert_eq!(tally.borrowed, Span::from_hours(22));
}

#[test]
fn the_moment_a_sum_is_reached_is_found_to_the_millisecond() {
    let at = |h| Timestamp::from_ms(START) + Span::from_hours(h);
    let record = Record::from_samples(&hourly(0..=240, 10.0), &Rules::for_interval(Span::from_hours(1)));
    let sums = record.under(&DegreesAboveZero);
    assert_eq!(sums.reached(at(0), at(240), 35 * PER_C_DAY), Some(at(84)));
    assert_eq!(sums.reached(at(0), at(240), 101 * PER_C_DAY), None);
}
