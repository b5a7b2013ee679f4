//! Thermal records piece by piece, against sums done by hand.

#![expect(clippy::unwrap_used, clippy::float_cmp, reason = "a test may stop where it stands; sums are exact")]

use nightjar_calc::thermal::{
    BestOf, DegreesAboveZero, Gap, HourSamples, Integrand, Ledger, PER_C_DAY, Pair, Record, Rules, Sample,
    Steady, Tallied, Tally, ThermalSum, c_days, hour_of, thermal_units, typical_interval,
};
use nightjar_calc::time::{Day, Span, Timestamp, Zone};

/// An hour begins here.
const START: i64 = 1_776_499_200_000;

fn at(minutes: i64) -> Timestamp {
    Timestamp::from_ms(START) + Span::from_minutes(minutes)
}

fn sample(minutes: i64, celsius: f64) -> Sample {
    Sample::new(at(minutes), celsius).unwrap()
}

const STRICT: Rules =
    Rules { normal: Span::from_minutes(1), bridge_limit: Span::from_minutes(5), edge_hold: Span::ZERO };

#[test]
fn only_bridges_and_gaps_lower_the_coverage() {
    let gap = Gap { from: at(0), to: at(60) };
    let tally = Tally {
        measured: Span::from_hours(6),
        borrowed: Span::from_hours(3),
        bridged: Span::from_hours(2),
        gaps: vec![gap],
        ..Tally::default()
    };
    assert_eq!(tally.coverage(), 9.0 / 12.0);
    assert_eq!(Tally::default().coverage(), 1.0);
}

#[test]
fn fifty_days_at_ten_degrees_are_nine_hundred_of_the_other_kind() {
    // 900 °F·days, the first hatch of Chinook salmon, are 500 °C·days.
    let samples = [sample(0, 10.0), sample(50 * 1440, 10.0)];
    let rules = Rules { normal: Span::from_days(60.0), ..Rules::default() };
    let sum = thermal_units(&samples, at(0), at(50 * 1440), &rules);
    assert_eq!((sum.c_days, sum.f_days()), (500.0, 900.0));
    assert_eq!(c_days(900.0), 500.0);
}

#[test]
fn a_lone_reading_between_two_holes_does_not_part_the_gap() {
    let samples = [sample(0, 8.0), sample(1, 8.0), sample(21, 8.0), sample(41, 8.0), sample(42, 8.0)];
    let tally = Record::from_samples(&samples, &STRICT).under(&DegreesAboveZero).tally(at(0), at(42));
    assert_eq!(tally.gaps, [Gap { from: at(1), to: at(41) }]);
    assert_eq!(tally.measured, Span::from_minutes(2));
}

#[test]
fn the_extremes_are_those_of_the_readings_the_stretch_touches() {
    let samples = [sample(0, 9.0), sample(1, 10.0), sample(2, 12.0), sample(3, 20.0)];
    let record = Record::from_samples(&samples, &STRICT);
    let sums = record.under(&DegreesAboveZero);
    assert_eq!(sums.tally(at(1), at(2)).extremes, Some((100_000, 120_000)));
    assert_eq!(sums.tally(at(0), at(2)).extremes, Some((90_000, 120_000)));
    assert_eq!(sums.tally(at(10), at(20)).extremes, None);
}

#[test]
fn half_an_hour_without_its_readings_is_half_of_all_it_held() {
    // Every minute to 20, then one at 24 (bridged), then a gap until every minute from 40 to 50.
    let minutes = (0..=20).chain([24]).chain(40..=50);
    let samples: Vec<Sample> = minutes.map(|m| sample(m, if m == 0 { 7.0 } else { 8.0 })).collect();
    let mut ledger = Ledger::new(DegreesAboveZero, STRICT);
    ledger.put(hour_of(at(0)), &samples);
    ledger.condense_before(i64::MAX, &[]);
    // 25 of the 50 minutes: half of 30 measured, 4 bridged and 16 not counted.
    let half = ledger.tally(at(10), at(35));
    assert_eq!(half.measured, Span::from_minutes(15));
    assert_eq!(half.bridged, Span::from_minutes(2));
    assert_eq!(half.gaps, [Gap { from: at(27), to: at(35) }]);
    assert_eq!(half.extremes, Some((70_000, 80_000)));
    assert!(!half.exact);
    // One minute at 7.5 °C on average and 33 at 8 °C, in half ten-thousandths and milliseconds.
    assert_eq!(half.sum, 60_000 * (150_000 + 33 * 160_000) / 2);
    // What comes of it by way of other sources is no more exact.
    assert!(!BestOf::new(vec![&ledger]).tally(at(10), at(35)).exact);
    assert!(BestOf::new(vec![&ledger]).tally(at(0), at(50)).exact);
}

#[test]
fn a_reading_that_comes_again_with_another_value_counts_with_the_lower() {
    for (one, other) in [(10.0, 12.0), (12.0, 10.0)] {
        let mut ledger = Ledger::new(DegreesAboveZero, STRICT);
        for (minute, celsius) in [(0, 10.0), (1, one), (1, other)] {
            assert!(ledger.add(sample(minute, celsius)));
        }
        let tally = ledger.tally(at(0), at(1));
        assert_eq!(
            (tally.sum, tally.extremes),
            (60_000 * 200_000, Some((100_000, 100_000))),
            "{one}, {other}"
        );
        assert_eq!(ledger.bounds(), Some((sample(0, 10.0), sample(1, 10.0))));
        assert!(ledger.add(sample(2, 10.0)));
        assert_eq!(ledger.tally(at(0), at(2)).sum, 2 * 60_000 * 200_000, "{one}, {other}");
    }
}

#[test]
fn the_newest_reading_adds_its_pair_and_nothing_else() {
    let mut ledger = Ledger::new(DegreesAboveZero, STRICT);
    // 1 minute measured, 4 bridged, 6 of a gap, then one measured.
    let samples = [sample(0, 8.0), sample(1, 10.0), sample(5, 12.0), sample(11, 6.0), sample(12, 6.0)];
    for sample in samples {
        assert!(ledger.add(sample));
    }
    let tally = ledger.tally(at(0), at(12));
    assert_eq!(tally.sum, 60_000 * (180_000 + 4 * 220_000 + 120_000));
    assert_eq!((tally.measured, tally.bridged), (Span::from_minutes(2), Span::from_minutes(4)));
    assert_eq!(tally.gaps, [Gap { from: at(5), to: at(11) }]);
    let kept = ledger.hour(hour_of(at(0))).unwrap().samples().unwrap();
    assert_eq!(kept.iter().collect::<Vec<_>>(), samples);
}

#[test]
fn readings_that_come_late_are_put_where_they_belong() {
    let all = [sample(0, 8.0), sample(1, 10.0), sample(2, 6.0)];
    for order in [[0, 1, 2], [1, 0, 2], [2, 1, 0], [1, 2, 0]] {
        let mut ledger = Ledger::new(DegreesAboveZero, STRICT);
        for place in order {
            assert!(ledger.add(all[place]));
        }
        assert_eq!(ledger.bounds(), Some((all[0], all[2])), "{order:?}");
        assert_eq!(ledger.tally(at(0), at(2)).sum, 60_000 * (180_000 + 160_000), "{order:?}");
    }
}

#[test]
fn a_stretch_may_begin_between_two_hours_and_reach_beyond_both_ends() {
    let rules = Rules { edge_hold: Span::from_secs(30), ..STRICT };
    // 8 °C, then from 58 minutes to 61 a degree a minute, over the full hour.
    let samples = [sample(57, 8.0), sample(58, 8.0), sample(61, 11.0)];
    let mut ledger = Ledger::new(DegreesAboveZero, rules);
    ledger.put(hour_of(at(57)), &samples[..2]);
    ledger.put(hour_of(at(61)), &samples[2..]);
    let record = Record::from_samples(&samples, &rules);
    let sums = record.under(&DegreesAboveZero);
    let half = Span::from_secs(30);
    for water in [&ledger as &dyn Tallied, &sums] {
        let last_minute = water.tally(at(60), at(61));
        assert_eq!((last_minute.sum, last_minute.bridged), (60_000 * 210_000, Span::from_minutes(1)));
        let after = water.tally(at(61), at(62));
        assert_eq!((after.sum, after.measured, after.bridged), (30_000 * 220_000, half, Span::ZERO));
        // Half a minute at 8 °C, one at 8, three at 9.5 on average and half a one at 11.
        let whole = water.tally(at(56), at(62));
        assert_eq!(whole.sum, 60_000 * (80_000 + 160_000 + 570_000 + 110_000));
        assert_eq!((whole.measured, whole.bridged), (Span::from_minutes(2), Span::from_minutes(3)));
        let (before, after) = (at(57) - half, at(61) + half);
        assert_eq!(whole.gaps, [Gap { from: at(56), to: before }, Gap { from: after, to: at(62) }]);
    }
}

#[test]
fn what_a_later_source_borrowed_itself_stays_borrowed() {
    let nothing = Record::from_samples(&[], &STRICT);
    let silent = nothing.under(&DegreesAboveZero);
    let by_hand = Steady::new(DegreesAboveZero, 12.0).unwrap();
    let tally = BestOf::new(vec![&silent, &by_hand]).tally(at(0), at(360));
    assert_eq!((tally.measured, tally.borrowed), (Span::ZERO, Span::from_hours(6)));
    assert_eq!(tally.sum, 3 * PER_C_DAY);
    assert_eq!(by_hand.tally(at(0), at(0)), Tally::default());
}

#[test]
fn the_readings_of_an_hour_stay_in_order_one_to_a_slot() {
    let mut hour = HourSamples::new(hour_of(at(0)));
    assert!(hour.is_empty());
    let ms = |ms, ten_thousandths| Sample { at: at(0) + Span::from_ms(ms), ten_thousandths };
    // Slots of 100 ms: 950 and 910 share one, 130 and 199 as well, 200 begins the next.
    for (when, what) in [(950, 1), (130, 2), (910, 3), (200, 4), (199, 5), (20, 6), (130, 0)] {
        hour.insert(ms(when, what), Span::from_ms(100));
    }
    assert_eq!(hour.iter().collect::<Vec<_>>(), [ms(20, 6), ms(130, 0), ms(200, 4), ms(910, 3)]);
    assert_eq!((hour.len(), hour.is_empty()), (4, false));
}

#[test]
fn a_missing_day_is_bridged_and_three_are_a_gap() {
    let zone = Zone::named("UTC").unwrap();
    let day = |n| Day::from_ymd(2026, 5, n).unwrap();
    let days = [(day(1), 4.0), (day(2), 6.0), (day(4), 10.0), (day(8), 2.0)];
    let rules = Rules { bridge_limit: Span::from_hours(36), ..STRICT };
    let record = Record::from_daily(&days, zone, &rules).unwrap();
    let tally = record.under(&DegreesAboveZero).tally(day(1).start(zone), day(8).end(zone));
    assert_eq!(tally.gaps, [Gap { from: day(5).start(zone), to: day(8).start(zone) }]);
    assert_eq!((tally.measured, tally.bridged), (Span::from_hours(96), Span::from_hours(24)));
    // The third goes evenly from 6 to 10 °C.
    assert_eq!(ThermalSum::from(tally).c_days, 4.0 + 6.0 + 8.0 + 10.0 + 2.0);
    assert!(Record::from_daily(&[(day(1), 77.0)], zone, &rules).is_err());
}

#[test]
fn the_typical_interval_is_the_middle_one() {
    let times = [0, 1, 3, 13, 13, 53, 153];
    let samples: Vec<Sample> = times.iter().rev().map(|minute| sample(*minute, 8.0)).collect();
    // Distances of 1, 2, 10, 40 and 100 minutes; a repeated reading makes none.
    assert_eq!(typical_interval(&samples), Some(Span::from_minutes(10)));
    assert_eq!(typical_interval(&samples[..1]), None);
}

#[test]
fn a_line_that_falls_through_zero_counts_while_it_is_above() {
    // From 3 to −1 °C in 48 h: zero after 36 h, 1.5 °C after 18 h.
    let pair = Pair { start: sample(0, 3.0), end: sample(48 * 60, -1.0) };
    let c_days = |hours: i64| DegreesAboveZero.up_to(&pair, at(60 * hours)) as f64 / PER_C_DAY as f64;
    assert_eq!([18, 36, 40, 48].map(c_days), [1.6875, 2.25, 2.25, 2.25]);
    assert_eq!(pair.celsius_at(at(18 * 60)), 1.5);
    assert_eq!(pair.celsius_at(at(0)), 3.0);
    let moment = Pair { end: pair.start, ..pair };
    assert_eq!(moment.celsius_at(at(0)), 3.0);
}

#[test]
fn half_a_unit_is_rounded_up() {
    // From 0 to a ten-thousandth of a degree in d ms: s²/d units after s ms.
    let units = |d, s| {
        let end = Sample { at: at(0) + Span::from_ms(d), ten_thousandths: 1 };
        DegreesAboveZero.up_to(&Pair { start: sample(0, 0.0), end }, at(0) + Span::from_ms(s))
    };
    assert_eq!([1, 2].map(|s| units(2, s)), [1, 2]);
    assert_eq!([1, 2, 3, 4].map(|s| units(4, s)), [0, 1, 2, 4]);
    assert_eq!([5, 6, 7].map(|s| units(8, s)), [3, 5, 6]);
}

#[test]
fn an_hour_whose_readings_are_taken_back_is_a_gap_and_no_time_is_nothing() {
    let mut ledger = Ledger::new(DegreesAboveZero, Rules::default());
    ledger.put(hour_of(at(0)), &[sample(0, 8.0), sample(1, 8.0)]);
    assert_eq!(ledger.tally(at(1), at(1)), Tally::default());
    ledger.put(hour_of(at(0)), &[]);
    assert_eq!(ledger.bounds(), None);
    let tally = ledger.tally(at(0), at(10));
    assert_eq!((tally.sum, tally.gaps), (0, vec![Gap { from: at(0), to: at(10) }]));
}
