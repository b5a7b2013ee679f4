//! The table of transitions, a sentence a row.

use super::{Driven, Input, person};
use nightjar::alarm::event::Priority;
use nightjar::alarm::state::{
    Condition, Recognition, Reported, Tuning, Verdict, longest_shelving, re_alarm_time,
};
use nightjar_calc::time::Span;

const BEYOND: Input = Input::Verdict(Verdict::Beyond);
const INSIDE: Input = Input::Verdict(Verdict::Inside);
const MARGIN: Input = Input::Verdict(Verdict::Margin);
const UNKNOWN: Input = Input::Verdict(Verdict::Unknown);

/// No flow at a jar: 15 s on, 60 s off, P1.
fn no_flow() -> Tuning {
    Tuning {
        on_delay: Span::from_secs(15),
        off_delay: Span::from_secs(60),
        min_good: 3,
        latched: false,
        priority: Priority::P1,
        escalates: None,
        settle: Span::from_secs(60),
    }
}

/// Applies inputs, one a second, and then says letter and condition.
fn after(tuning: Tuning, inputs: &[(Input, u64)]) -> Driven {
    let mut driven = Driven::new(tuning);
    for (input, times) in inputs {
        for _ in 0..*times {
            driven.apply(*input);
            driven.wait(1);
        }
    }
    driven
}

fn check(driven: &Driven, letter: char, rows: &[u8]) {
    assert_eq!((driven.alarm.reported().letter(), driven.rows().as_slice()), (letter, rows));
}

fn active() -> Driven {
    after(no_flow(), &[(BEYOND, 16)])
}

fn cleared() -> Driven {
    let mut driven = active();
    for _ in 0..61 {
        driven.apply(INSIDE);
        driven.wait(1);
    }
    driven.steps.clear();
    driven
}

#[test]
fn row_1_a_good_sample_beyond_the_limit_starts_the_on_delay() {
    let driven = after(no_flow(), &[(BEYOND, 1)]);
    check(&driven, 'A', &[1]);
    assert!(matches!(driven.alarm.condition(), Condition::PendingOn { .. }));
}

#[test]
fn row_2_a_good_sample_inside_before_its_end_is_a_near_miss() {
    check(&after(no_flow(), &[(BEYOND, 14), (MARGIN, 1)]), 'A', &[1, 2]);
}

#[test]
fn row_3_bad_samples_let_the_on_delay_run_on_once_more_and_then_the_technical_alarm_takes_over() {
    let driven = after(no_flow(), &[(BEYOND, 2), (UNKNOWN, 27)]);
    assert!(matches!(driven.alarm.condition(), Condition::PendingOn { .. }));
    check(&after(no_flow(), &[(BEYOND, 2), (UNKNOWN, 29)]), 'A', &[1, 3]);
}

#[test]
fn row_4_the_end_of_the_on_delay_turns_it_on_when_three_good_samples_said_so() {
    check(&after(no_flow(), &[(BEYOND, 14)]), 'A', &[1]);
    check(&after(no_flow(), &[(BEYOND, 3), (Input::Wait(1), 6)]), 'B', &[1, 4]);
    check(&after(no_flow(), &[(BEYOND, 2), (Input::Wait(1), 60)]), 'A', &[1]);
    let slow = Tuning { min_good: 2, ..no_flow() };
    check(&after(slow, &[(BEYOND, 2), (Input::Wait(1), 7)]), 'B', &[1, 4]);
}

#[test]
fn row_5_back_past_limit_and_deadband_starts_the_off_delay_and_the_margin_does_not() {
    let mut driven = active();
    driven.apply(MARGIN);
    assert_eq!(driven.alarm.condition(), Condition::Active);
    driven.apply(INSIDE);
    check(&driven, 'B', &[1, 4, 5]);
}

#[test]
fn row_6_beyond_limit_minus_deadband_during_the_off_delay_is_on_without_a_new_activation() {
    for back in [MARGIN, BEYOND] {
        let mut driven = active();
        driven.apply(INSIDE);
        driven.wait(59);
        driven.apply(back);
        check(&driven, 'B', &[1, 4, 5, 6]);
        assert_eq!(driven.alarm.times(), 1);
    }
}

#[test]
fn row_7_the_end_of_the_off_delay_clears_and_keeps_the_recognition() {
    let driven = cleared();
    assert_eq!(driven.alarm.reported(), Reported::Returned);
    let mut known = active();
    known.apply(Input::Acknowledge);
    for _ in 0..61 {
        known.apply(INSIDE);
        known.wait(1);
    }
    check(&known, 'A', &[1, 4, 9, 5, 7]);
}

#[test]
fn row_7_a_latched_alarm_stays_until_a_person_resets_it() {
    let latched = Tuning { latched: true, ..no_flow() };
    let mut driven = after(latched, &[(BEYOND, 16), (INSIDE, 62)]);
    assert_eq!(driven.alarm.reported().letter(), 'E');
    driven.apply(Input::Acknowledge);
    assert_eq!(driven.alarm.reported().letter(), 'F');
    driven.apply(Input::Confirm);
    assert_eq!(driven.alarm.reported().letter(), 'A');
}

#[test]
fn row_8_bad_samples_hold_an_alarm_on_and_mark_it_unverified() {
    let mut driven = active();
    driven.apply(INSIDE);
    driven.wait(30);
    driven.apply(UNKNOWN);
    driven.wait(24 * 3600);
    check(&driven, 'B', &[1, 4, 5, 8]);
    assert!(driven.alarm.is_unverified());
    assert_eq!(driven.alarm.condition(), Condition::Active);
}

#[test]
fn row_9_an_acknowledgment_stops_the_nagging_for_the_re_alarm_time() {
    let mut driven = active();
    driven.apply(Input::Acknowledge);
    check(&driven, 'C', &[1, 4, 9]);
    let Recognition::Acknowledged { by, until } = driven.alarm.recognition() else { panic!() };
    assert_eq!((by, *until), (&person(), driven.moment().after(Span::from_minutes(30))));
    assert_eq!(driven.alarm.condition(), Condition::Active, "and changes nothing else");
}

#[test]
fn row_10_still_on_when_it_ends_is_unacknowledged_again() {
    let mut driven = active();
    driven.apply(Input::Acknowledge);
    driven.wait(30 * 60);
    check(&driven, 'B', &[1, 4, 9, 10]);
    assert_eq!(re_alarm_time(Priority::P2), Span::from_hours(2));
    assert_eq!(re_alarm_time(Priority::P3), Span::from_hours(24));
}

#[test]
fn row_11_a_worse_limit_is_not_covered_by_an_earlier_acknowledgment() {
    let low = Tuning { priority: Priority::P2, ..no_flow() };
    let mut driven = after(low, &[(BEYOND, 16)]);
    driven.apply(Input::Acknowledge);
    driven.apply(Input::Worsen(Priority::P1));
    check(&driven, 'B', &[1, 4, 9, 11]);
    assert_eq!(driven.alarm.priority(), Priority::P1);
}

#[test]
fn row_11_low_flow_that_nobody_acknowledges_becomes_urgent_after_half_an_hour() {
    let escalates = Some((Span::from_minutes(30), Priority::P1));
    let low = Tuning { priority: Priority::P2, escalates, ..no_flow() };
    let mut driven = after(low, &[(BEYOND, 16)]);
    driven.wait(30 * 60 - 2);
    assert_eq!(driven.alarm.priority(), Priority::P2);
    driven.wait(1);
    assert_eq!(driven.alarm.priority(), Priority::P1);
    let mut known = after(low, &[(BEYOND, 16)]);
    known.apply(Input::Acknowledge);
    known.wait(90 * 60);
    assert_eq!(known.alarm.priority(), Priority::P2, "but not when somebody did");
}

#[test]
fn row_12_an_answer_or_a_day_closes_what_has_returned() {
    let mut driven = cleared();
    driven.apply(Input::Acknowledge);
    check(&driven, 'A', &[12]);
    let mut unread = cleared();
    unread.wait(24 * 3600 - 10);
    check(&unread, 'D', &[]);
    unread.wait(10);
    check(&unread, 'A', &[12]);
}

#[test]
fn row_13_back_within_half_an_hour_is_the_same_event_again() {
    let mut driven = cleared();
    driven.wait(29 * 60);
    for _ in 0..16 {
        driven.apply(BEYOND);
        driven.wait(1);
    }
    check(&driven, 'B', &[1, 13]);
    assert_eq!(driven.alarm.times(), 2);
    let mut late = cleared();
    late.wait(31 * 60);
    for _ in 0..16 {
        late.apply(BEYOND);
        late.wait(1);
    }
    check(&late, 'B', &[1, 4]);
}

#[test]
fn row_14_three_activations_in_ten_minutes_chatter_and_are_held_on_four_times_as_long() {
    let mut driven = Driven::new(no_flow());
    for _ in 0..3 {
        for _ in 0..16 {
            driven.apply(BEYOND);
            driven.wait(1);
        }
        for _ in 0..61 {
            driven.apply(INSIDE);
            driven.wait(1);
        }
    }
    assert!(driven.rows().contains(&14) && driven.alarm.is_chattering());
    assert!(driven.alarm.is_on(), "a P1 is held on");
    driven.wait(178);
    assert!(driven.alarm.is_on());
    driven.wait(2);
    assert!(!driven.alarm.is_on(), "60 s times four");
    let slow = Tuning { off_delay: Span::from_minutes(15), ..no_flow() };
    assert_eq!(driven.alarm.off_delay(&slow), Span::from_minutes(15), "never shorter");
    let mid = Tuning { off_delay: Span::from_minutes(4), ..no_flow() };
    assert_eq!(driven.alarm.off_delay(&mid), Span::from_minutes(10), "and at most ten minutes");
}

#[test]
fn row_15_a_person_pauses_it_and_the_condition_is_evaluated_all_the_same() {
    let mut driven = active();
    driven.apply(Input::Shelve { for_s: 600, one_shot: false });
    check(&driven, 'G', &[1, 4, 15]);
    for _ in 0..61 {
        driven.apply(INSIDE);
        driven.wait(1);
    }
    assert_eq!(driven.alarm.condition(), Condition::Normal);
    assert_eq!(driven.alarm.reported(), Reported::Shelved);
    assert_eq!(longest_shelving(Priority::P1), Span::from_minutes(30));
    assert_eq!(longest_shelving(Priority::P2), Span::from_hours(4));
    assert_eq!(longest_shelving(Priority::P3), Span::from_hours(24));
}

#[test]
fn row_16_when_the_pause_ends_and_it_is_on_it_is_unacknowledged() {
    let mut driven = active();
    driven.apply(Input::Acknowledge);
    driven.apply(Input::Shelve { for_s: 600, one_shot: false });
    driven.wait(600);
    check(&driven, 'B', &[1, 4, 9, 15, 16]);
    let mut early = active();
    early.apply(Input::Acknowledge);
    early.apply(Input::Shelve { for_s: 600, one_shot: false });
    early.apply(Input::Unshelve);
    check(&early, 'B', &[1, 4, 9, 15, 16]);
}

#[test]
fn row_17_a_one_shot_pause_ends_when_it_clears() {
    let mut driven = active();
    driven.apply(Input::Shelve { for_s: 1800, one_shot: true });
    for _ in 0..61 {
        driven.apply(INSIDE);
        driven.wait(1);
    }
    check(&driven, 'A', &[1, 4, 15, 5, 17]);
}

#[test]
fn row_18_a_rule_covers_it() {
    let mut driven = active();
    driven.apply(Input::Cover);
    check(&driven, 'H', &[1, 4, 18]);
    let mut empty = active();
    empty.apply(Input::Empty(true));
    check(&empty, 'H', &[1, 4, 18]);
}

#[test]
fn row_19_when_the_rule_ends_it_waits_to_settle_and_then_speaks_for_itself() {
    let mut driven = active();
    driven.apply(Input::Acknowledge);
    driven.apply(Input::Cover);
    driven.apply(Input::Uncover);
    driven.wait(59);
    check(&driven, 'H', &[1, 4, 9, 18]);
    driven.wait(1);
    check(&driven, 'B', &[1, 4, 9, 18, 19]);
}

#[test]
fn row_20_out_of_service_comes_before_everything_and_is_spoken_of_past_its_planned_end() {
    let mut driven = active();
    driven.apply(Input::Shelve { for_s: 60, one_shot: false });
    driven.apply(Input::Cover);
    driven.apply(Input::Out(3600));
    check(&driven, 'I', &[1, 4, 15, 18, 20]);
    driven.wait(3600);
    check(&driven, 'I', &[1, 4, 15, 18, 20, 16, 20]);
}

#[test]
fn row_21_back_in_service_is_normal_with_the_full_on_delay() {
    let mut driven = active();
    driven.apply(Input::Out(3600));
    driven.apply(Input::Return);
    check(&driven, 'A', &[1, 4, 20, 21]);
    for _ in 0..14 {
        driven.apply(BEYOND);
        driven.wait(1);
    }
    assert_eq!(driven.alarm.reported(), Reported::Normal);
    driven.apply(BEYOND);
    driven.wait(1);
    assert_eq!(driven.alarm.reported(), Reported::Unacknowledged);
}

#[test]
fn row_22_after_a_restart_it_reports_what_it_reported() {
    for mut driven in [active(), cleared(), after(no_flow(), &[(BEYOND, 10)])] {
        let before = driven.alarm.reported();
        driven.alarm = driven.alarm.to_stored();
        assert_eq!(driven.alarm.reported(), before);
    }
    // About to clear is on; only fresh samples clear it, through the full off-delay.
    let mut driven = active();
    for _ in 0..59 {
        driven.apply(INSIDE);
        driven.wait(1);
    }
    driven.alarm = driven.alarm.to_stored();
    driven.wait(600);
    assert_eq!(driven.alarm.condition(), Condition::Active);
    for _ in 0..61 {
        driven.apply(INSIDE);
        driven.wait(1);
    }
    assert_eq!(driven.alarm.condition(), Condition::Normal);
}
