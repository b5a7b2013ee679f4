//! Steps taken late, steps that reach nobody, and who stands on them.

use super::*;

/// Everything that has come out is taken by nobody: its fate is this.
fn all_fail(router: &mut Router, fate: Fate, now: Now) {
    for message in std::iter::from_fn(|| router.poll_output()).collect::<Vec<_>>() {
        router.handle_fate(&message.key, fate, now);
    }
}

fn all_taken(router: &mut Router, now: Now) {
    all_fail(router, Fate::Accepted, now);
}

fn minutes(minutes: i64) -> Now {
    at(NOON, minutes * 60)
}

#[test]
fn a_step_taken_late_puts_the_next_one_off_only_when_that_is_over_too() {
    let next = |late: i64| {
        let mut router = Router::new(directory());
        router.handle_event(&event(1, Priority::P2, Change::Raised), minutes(0));
        all_taken(&mut router, minutes(0));
        // Due after 15 minutes, the one after it 15 minutes later.
        router.handle_timeout(minutes(late));
        all_taken(&mut router, minutes(late));
        router.poll_timeout().unwrap().ms() / 60_000
    };
    assert_eq!([next(15), next(16), next(29), next(30), next(40)], [30, 30, 30, 45, 55]);
}

#[test]
fn what_quiet_hours_held_back_counts_from_when_it_was_said() {
    let start = "2026-04-14T02:00:00Z";
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P2, Change::Raised), at(start, 0));
    all_taken(&mut router, at(start, 0));
    router.handle_timeout(at(start, 31 * 60));
    all_taken(&mut router, at(start, 31 * 60));
    assert_eq!(router.poll_timeout(), Some(Uptime::from_ms(46 * 60_000)));
}

#[test]
fn a_step_that_reaches_nobody_is_followed_at_once_as_far_as_everyone_and_no_further() {
    let mut directory = directory();
    directory.routes.mail = false;
    let mut router = Router::new(directory);
    router.handle_event(&event(1, Priority::P2, Change::Raised), minutes(0));
    all_taken(&mut router, minutes(0));
    router.handle_timeout(minutes(15));
    all_taken(&mut router, minutes(15));
    router.handle_timeout(minutes(30));
    let second: Vec<NewMessage> = std::iter::from_fn(|| router.poll_output()).collect();
    assert_eq!(second.len(), 2, "Bo and Ann");
    router.handle_fate(&second[0].key, Fate::Failed, minutes(31));
    assert_eq!(out(&mut router), [""; 0], "the other one may still take it");
    router.handle_fate(&second[1].key, Fate::Failed, minutes(31));
    assert_eq!(out(&mut router), ["cy text", "olga text"], "everyone who can still be reached");
    router.handle_timeout(minutes(31 + 240));
    assert_eq!(out(&mut router).len(), 4, "what failed is tried again with the next step");
    let mut router = Router::new(super::directory());
    router.handle_event(&event(1, Priority::P1, Change::Raised), minutes(0));
    for minute in [0, 5, 10, 20] {
        router.handle_timeout(minutes(minute));
        all_taken(&mut router, minutes(minute));
    }
    router.handle_timeout(minutes(35));
    for _ in 0..2 {
        all_fail(&mut router, Fate::Failed, minutes(35));
    }
    assert_eq!(out(&mut router), [""; 0], "everyone was tried by text and by mail");
}

#[test]
fn further_jars_are_told_of_at_once_when_the_next_step_is_far_and_with_it_when_it_is_near() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P1, Change::Raised), minutes(0));
    all_taken(&mut router, minutes(0));
    router.handle_event(&event(2, Priority::P1, Change::Grew), minutes(1));
    router.handle_timeout(minutes(5));
    assert_eq!(out(&mut router), ["ann text"], "the step alone");
    for minute in [10, 20] {
        router.handle_timeout(minutes(minute));
        all_taken(&mut router, minutes(minute));
    }
    router.handle_event(&event(3, Priority::P1, Change::Grew), minutes(26));
    assert_eq!(out(&mut router), ["ann mail", "ann text", "bo text", "cy text", "olga text"]);
}

#[test]
fn quiet_hours_end_at_their_last_minute_by_day_and_over_midnight() {
    let left = |hours: (u16, u16), time: &str| {
        let mut directory = directory();
        directory.contacts.get_mut(&person("ann")).unwrap().quiet_hours = Some(hours);
        let at = Timestamp::parse(&format!("2026-04-13T{time}:00Z")).unwrap();
        directory.quiet_left(&person("ann"), at).map(|span| span.ms() / 60_000)
    };
    let night = (22 * 60, 6 * 60);
    let found = ["21:59", "22:00", "00:00", "05:59", "06:00"].map(|time| left(night, time));
    assert_eq!(found, [None, Some(480), Some(360), Some(1), None]);
    let day = (8 * 60, 17 * 60);
    let found = ["07:59", "08:00", "16:59", "17:00", "23:00"].map(|time| left(day, time));
    assert_eq!(found, [None, Some(540), Some(1), None, None]);
    assert_eq!(left((480, 480), "12:00"), None, "hours without length are none");
}

#[test]
fn one_person_alone_is_no_hole_and_who_stays_is_on_the_list_once() {
    let mut alone = directory();
    alone.contacts.retain(|who, _| *who == person("ann"));
    alone.rota.weeks = vec![vec![person("ann")]];
    let now = minutes(0).utc;
    assert_eq!(alone.next_hole(now, Span::from_hours(48)), None);
    let mut stays = directory();
    stays.stays = Some(person("ann"));
    assert_eq!(stays.people_at(3, now).iter().filter(|who| **who == person("ann")).count(), 1);
    stays.rota.weeks = vec![vec![person("bo"), person("cy")]];
    assert_eq!(stays.people_at(0, now), [person("ann")]);
    assert_eq!(stays.people_at(3, now).last(), Some(&person("ann")), "not of this week, and on the list");
}

#[test]
fn the_folder_is_all_there_is_only_without_text_and_mail() {
    for (text, mail, folder) in
        [(false, false, false), (true, false, true), (false, true, true), (true, true, true)]
    {
        assert!(!Routes { text, mail, folder }.only_folder());
    }
    assert!(Routes { text: false, mail: false, folder: true }.only_folder());
}

#[test]
fn the_digest_leaves_one_copy_in_the_folder() {
    for (mail, expected) in [(true, vec!["ann folder", "ann mail"]), (false, vec!["ann folder"])] {
        let mut directory = directory();
        directory.routes = Routes { text: false, mail, folder: true };
        let mut router = Router::new(directory);
        router.handle_event(&event(1, Priority::P3, Change::Raised), at(NOON, 0));
        router.handle_timeout(at(NOON, 19 * 3600));
        assert_eq!(out(&mut router), expected);
    }
}

#[test]
fn in_a_flood_the_end_of_what_was_urgent_waits_for_the_summary() {
    let mut router = Router::new(directory());
    router.handle_flood(true, 11, at(NOON, 0));
    out(&mut router);
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 10));
    assert_eq!(out(&mut router), ["ann mail", "ann text"]);
    router.handle_event(&event(2, Priority::P1, Change::Cleared), at(NOON, 20));
    assert_eq!(out(&mut router), ["ann mail"]);
}

#[test]
fn the_text_of_a_hand_over_goes_to_the_phone_of_who_comes() {
    let mut router = two_weeks();
    router.watch_rota(None, at(BEFORE, 0));
    router.handle_timeout(at(BEFORE, 30 * 60));
    let message = router.poll_output().unwrap();
    let body: Body = serde_json::from_value(message.body).unwrap();
    assert_eq!((message.key.person.as_str(), message.key.route.as_str()), ("bo", TEXT));
    assert_eq!((body.to.as_str(), body.about.as_str()), ("+15552", message.key.about.as_str()));
    assert_eq!(body.subject, "Hand-over - North", "for who has mail alone");
}

#[test]
fn what_a_cause_covers_falls_silent_and_what_can_wait_is_not_reminded_of() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P2, Change::Raised), minutes(0));
    all_taken(&mut router, minutes(0));
    router
        .handle_event(&event(2, Priority::P2, Change::Covered { by: "no flow header A".into() }), minutes(5));
    for minute in [15, 30, 120] {
        router.handle_timeout(minutes(minute));
        assert_eq!(out(&mut router), [""; 0], "{minute}");
    }
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P3, Change::Raised), minutes(0));
    router.handle_event(&event(2, Priority::P3, Change::Grew), minutes(5));
    router.handle_event(&event(3, Priority::P3, Change::Reminder), minutes(10));
    assert_eq!(out(&mut router), [""; 0]);
    assert_eq!(router.poll_timeout(), Some(Uptime::from_ms(19 * 3_600_000)), "in the digest of the morning");
}

#[test]
fn what_was_answered_after_it_was_over_is_not_mentioned_in_the_morning() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P1, Change::Raised), minutes(0));
    router.handle_event(&event(2, Priority::P1, Change::Cleared), minutes(1));
    let by_ann = Change::Acknowledged { by: person("ann"), until: minutes(60).utc };
    router.handle_event(&event(3, Priority::P1, by_ann), minutes(2));
    out(&mut router);
    router.handle_timeout(minutes(19 * 60));
    assert_eq!(out(&mut router), [""; 0]);
}

#[test]
fn a_reminder_for_somebody_who_left_climbs_from_the_foot() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P1, Change::Raised), minutes(0));
    all_taken(&mut router, minutes(0));
    let by_dee = Change::Acknowledged { by: person("dee"), until: minutes(60).utc };
    router.handle_event(&event(2, Priority::P1, by_dee), minutes(1));
    out(&mut router);
    router.handle_event(&event(3, Priority::P1, Change::Reminder), minutes(61));
    assert_eq!(out(&mut router), ["ann mail", "ann text"], "nobody knows how to reach Dee");
}
