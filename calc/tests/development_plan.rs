//! Plans: the set-points are kept within every limit, and the date they give is the date the law gives.

#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

use nightjar_calc::development::species;
use nightjar_calc::plan::{
    Equipment, Goal, Habits, Impossible, LotDates, Resource, Schedule, Verdict, Window, calendar, schedule,
};
use nightjar_calc::time::{Day, Span, Timestamp, Zone};
use proptest::prelude::*;

const START: Timestamp = Timestamp::from_ms(1_776_500_000_000);

fn goal(days: f64) -> Goal {
    let fish = species::find("walleye").unwrap();
    Goal {
        model: fish.model,
        from: START,
        development: 0.1,
        target: 1.0,
        present_c: 9.0,
        wanted: START + Span::from_days(days),
        allowed_c: fish.optimum(),
        change_c_per_day: 0.5,
        equipment: None,
    }
}

/// Development at the plan's end, by adding up days.
fn arrives(goal: &Goal, plan: &Schedule) -> f64 {
    let mut sum = goal.development;
    for day in &plan.days {
        let length = plan.reached.since(day.from).days().min(1.0);
        sum += goal.model.rate_at(day.set_c) * length;
    }
    sum
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn a_plan_keeps_its_limits(days in 1.0_f64..60.0, present in 4.0_f64..18.0, change in 0.1_f64..3.0) {
        let goal = Goal { present_c: present, change_c_per_day: change, ..goal(days) };
        let plan = schedule(&goal).unwrap();
        let mut before = present;
        for day in &plan.days {
            prop_assert!((day.set_c - before).abs() <= change + 1e-9);
            let (low, high) = (goal.allowed_c.0.min(present), goal.allowed_c.1.max(present));
            prop_assert!(day.set_c >= low - 1e-9 && day.set_c <= high + 1e-9);
            before = day.set_c;
        }
        prop_assert!((arrives(&goal, &plan) - 1.0).abs() < 1e-6);
        match plan.verdict {
            Verdict::Met => prop_assert!((plan.reached.since(goal.wanted)).hours().abs() <= 1.0),
            Verdict::TooSoon => prop_assert!(plan.reached > goal.wanted),
            Verdict::TooLate => prop_assert!(plan.reached < goal.wanted),
        }
    }
}

#[test]
fn what_cannot_be_done_gets_the_nearest_day() {
    let soon = schedule(&goal(5.0)).unwrap();
    assert_eq!(soon.verdict, Verdict::TooSoon);
    // From 9 °C, half a degree a day up to 15 °C.
    assert!((soon.reached.since(START).days() - 11.9).abs() < 0.5, "{}", soon.reached.since(START).days());
    let late = schedule(&goal(40.0)).unwrap();
    assert_eq!(late.verdict, Verdict::TooLate);
    assert!((late.reached.since(START).days() - 0.9 * 117.0 / 5.7).abs() < 0.01, "9 °C all the way");
}

#[test]
fn a_weak_heater_makes_the_answer_no() {
    let weak = Equipment { source_c: vec![8.0], heat_c: 1.5, chill_c: 0.0 };
    assert_eq!(schedule(&goal(12.5)).unwrap().verdict, Verdict::Met);
    let plan = schedule(&Goal { equipment: Some(weak), ..goal(12.5) }).unwrap();
    assert_eq!(plan.verdict, Verdict::TooSoon);
    assert!(plan.days.iter().all(|d| d.set_c <= 9.5 + 1e-9));
    let jump = Equipment { source_c: vec![9.0, 9.0, 13.0], heat_c: 1.0, chill_c: 0.0 };
    let forced = schedule(&Goal { equipment: Some(jump), ..goal(12.0) }).unwrap();
    assert!(forced.warnings.iter().any(|w| w.contains("forces a change")), "{:?}", forced.warnings);
}

#[test]
fn nonsense_is_refused_with_a_reason() {
    let refused = |g: Goal| schedule(&g).unwrap_err();
    assert!(matches!(refused(goal(-1.0)), Impossible::Past(..)));
    assert!(matches!(refused(Goal { development: 1.0, ..goal(9.0) }), Impossible::Behind));
    assert!(matches!(refused(Goal { change_c_per_day: 0.0, ..goal(9.0) }), Impossible::Number(..)));
    assert!(matches!(refused(Goal { present_c: f64::NAN, ..goal(9.0) }), Impossible::Number(..)));
    assert!(matches!(refused(Goal { allowed_c: (15.0, 9.0), ..goal(9.0) }), Impossible::Number(..)));
    let ice = Goal { allowed_c: (1.0, 2.0), present_c: 2.0, ..goal(9.0) };
    assert!(matches!(refused(ice), Impossible::Never(_)));
}

#[test]
fn the_calendar_shows_days_on_which_two_lots_want_the_same_truck() {
    let zone = Zone::named("America/Chicago").unwrap();
    let noon = |day: u32| zone.parse(&format!("2026-05-{day:02} 12:00")).unwrap();
    let lot = |name: &str, start: u32, end: u32| LotDates {
        lot: name.to_owned(),
        start: Window { earliest: noon(start - 1), likely: noon(start), latest: noon(start + 1) },
        end: Window { earliest: noon(end - 1), likely: noon(end), latest: noon(end + 2) },
    };
    let days = calendar(&[lot("A", 4, 6), lot("B", 7, 9)], zone, &Habits::default());
    let on = |text: &str| days.iter().find(|d| d.day == Day::parse(text).unwrap()).unwrap();
    assert_eq!(on("2026-05-08").likely_lots(Resource::Truck), 1, "A until the 9th");
    assert_eq!(on("2026-05-09").likely_lots(Resource::Truck), 2);
    assert_eq!(on("2026-05-03").likely_lots(Resource::People), 1);
    assert!(on("2026-05-02").bookings.iter().all(|b| !b.likely));
    assert!(days.windows(2).all(|w| w[0].day < w[1].day));
}
