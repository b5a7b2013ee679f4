//! What is said besides the ladder itself, and by which way when one of them is missing.

use super::*;
use crate::notify::message::Standing;

/// Everything that has come out.
fn messages(router: &mut Router) -> Vec<NewMessage> {
    std::iter::from_fn(|| router.poll_output()).collect()
}

fn text_of(message: &NewMessage) -> &str {
    message.body["text"].as_str().unwrap()
}

fn body_of(message: &NewMessage) -> Body {
    serde_json::from_value(message.body.clone()).unwrap()
}

fn jar(number: u64, priority: Priority) -> AlarmEvent {
    AlarmEvent {
        event: EventId(number),
        kind: AlarmKind::LowFlow,
        asset: Asset::Jar(format!("J{number:02}")),
        ..event(1, priority, Change::Raised)
    }
}

/// 13 April 2026 is day 20,556 since 1970 (`date -d 2026-04-13 +%s` divided by 86,400).
const DAY: u32 = 20_556;

#[test]
fn each_summary_of_a_flood_is_a_message_of_its_own() {
    let mut router = Router::new(directory());
    router.handle_event(&jar(1, Priority::P2), at(NOON, 0));
    messages(&mut router);
    for (number, seconds) in [(1, 10), (2, 610)] {
        router.handle_flood(true, 11, at(NOON, seconds));
        let said = messages(&mut router);
        assert_eq!(said.len(), 1);
        let (key, body) = (&said[0].key, body_of(&said[0]));
        assert_eq!((key.about.as_str(), key.event, key.seq), ("flood", None, DAY * 1_000 + number));
        assert_eq!((body.to.as_str(), body.about.as_str(), body.subject.as_str()), ("+15553", "flood", ""));
        assert_eq!((said[0].priority, said[0].life), (Priority::P2, Some(Span::from_hours(1))));
    }
}

#[test]
fn the_daily_message_takes_the_best_way_and_leaves_a_copy() {
    let well = Standing { channels_good: 48, channels: 48, ..Standing::default() };
    let mut directory = directory();
    directory.daily = true;
    directory.routes.folder = true;
    let mut router = Router::new(directory.clone());
    assert_eq!(router.until_daily(at(NOON, 0).utc), Some(Span::from_hours(19)));
    router.send_daily(&well, at(NOON, 0));
    let said = messages(&mut router);
    let ways: Vec<(&str, &str)> =
        said.iter().map(|m| (m.key.person.as_str(), m.key.route.as_str())).collect();
    assert_eq!(ways, [("ann", TEXT), ("ann", FOLDER)]);
    let body = body_of(&said[0]);
    assert_eq!((said[0].key.about.as_str(), said[0].key.seq), ("daily", DAY));
    assert_eq!(
        (body.subject.as_str(), body.to.as_str(), body.about.as_str()),
        ("OK daily 12:00 - North", "+15553", "daily")
    );
    assert!(body.text.starts_with("OK daily 12:00: 48/48 channels good, 0 alarms"), "{}", body.text);
    assert_eq!((said[0].priority, said[0].life), (Priority::P3, Some(Span::from_hours(12))));

    // With the folder as the only way it goes there once.
    directory.routes = Routes { text: false, mail: false, folder: true };
    directory.daily = false;
    let mut router = Router::new(directory);
    assert_eq!(router.until_daily(at(NOON, 0).utc), None, "nobody asked for it");
    router.send_daily(&well, at(NOON, 0));
    assert_eq!(out(&mut router), ["ann folder"]);
}

#[test]
fn further_jars_are_told_of_no_sooner_than_five_minutes_after_the_last_word() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
    messages(&mut router);
    let until = at(NOON, 3600).utc;
    let ack = Change::Acknowledged { by: person("ann"), until };
    router.handle_event(&event(2, Priority::P1, ack), at(NOON, 60));
    messages(&mut router);
    router.handle_event(&event(3, Priority::P1, Change::Grew), at(NOON, 120));
    assert_eq!(router.poll_timeout(), Some(Uptime::from_ms(360_000)));
    router.handle_timeout(at(NOON, 359));
    assert_eq!(out(&mut router), [""; 0]);
    router.handle_timeout(at(NOON, 360));
    assert_eq!(out(&mut router), ["ann mail", "ann text"]);
    // Long after the last word it is said at once.
    router.handle_event(&event(4, Priority::P1, Change::Grew), at(NOON, 900));
    assert_eq!(out(&mut router), ["ann mail", "ann text"]);
}

#[test]
fn further_jars_wait_for_a_step_that_comes_sooner_and_say_nothing_in_a_pause() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P2, Change::Raised), at(NOON, 0));
    let first = messages(&mut router).remove(0);
    router.handle_fate(&first.key, Fate::Accepted, at(NOON, 1));
    router.handle_event(&event(2, Priority::P2, Change::Grew), at(NOON, 60));
    assert_eq!(out(&mut router), [""; 0]);
    assert_eq!(router.poll_timeout(), Some(Uptime::from_ms(900_000)), "the next step carries the number");
    let until = at(NOON, 7200).utc;
    let pause = Change::Shelved { by: person("ann"), until };
    router.handle_event(&event(3, Priority::P2, pause), at(NOON, 120));
    messages(&mut router);
    router.handle_event(&event(4, Priority::P2, Change::Grew), at(NOON, 6000));
    assert_eq!(out(&mut router), [""; 0]);
}

#[test]
fn what_chattered_is_said_in_the_morning_though_it_was_answered_when_it_was_over() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
    let chatter = |seq, change| AlarmEvent { chattering: true, ..event(seq, Priority::P1, change) };
    router.handle_event(&chatter(2, Change::Cleared), at(NOON, 60));
    let by_ann = Change::Acknowledged { by: person("ann"), until: at(NOON, 3600).utc };
    router.handle_event(&chatter(3, by_ann), at(NOON, 120));
    messages(&mut router);
    router.handle_timeout(at(NOON, 19 * 3600));
    let said = messages(&mut router);
    assert_eq!(said.len(), 1);
    let body = body_of(&said[0]);
    assert_eq!(body.subject, "[P3] 1 on and off too often - North", "and not that nobody answered");
    assert_eq!((body.to.as_str(), body.about.as_str()), ("ann@example.org", "digest"));
}

#[test]
fn what_comes_again_after_it_was_over_is_told_as_if_for_the_first_time() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
    run(&mut router, NOON, 600);
    router.handle_event(&event(2, Priority::P1, Change::Cleared), at(NOON, 660));
    assert_eq!(out(&mut router), ["ann mail", "ann text", "bo text"]);
    router.handle_event(&event(3, Priority::P1, Change::Again { times: 2 }), at(NOON, 700));
    assert_eq!(out(&mut router), ["ann mail", "ann text"]);
    router.handle_event(&event(4, Priority::P1, Change::Cleared), at(NOON, 760));
    assert_eq!(out(&mut router), ["ann mail", "ann text"], "Bo knows nothing of this time");
}

#[test]
fn a_way_that_was_used_anyway_is_not_used_twice_and_the_folder_is_nobody() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
    let text = messages(&mut router).into_iter().find(|m| m.key.route == TEXT).unwrap();
    router.handle_fate(&text.key, Fate::Failed, at(NOON, 1));
    assert_eq!(out(&mut router), [""; 0], "her mail has gone out with it");

    let mut directory = directory();
    directory.routes.folder = true;
    let mut router = Router::new(directory);
    router.handle_event(&event(1, Priority::P2, Change::Raised), at(NOON, 0));
    let text = messages(&mut router).into_iter().find(|m| m.key.route == TEXT).unwrap();
    router.handle_fate(&text.key, Fate::Failed, at(NOON, 1));
    let said = messages(&mut router);
    let mail = said.iter().find(|m| m.key.route == MAIL).unwrap();
    router.handle_fate(&mail.key, Fate::AddressDead, at(NOON, 2));
    // Step 1 is hers too and reaches nobody; so it is Bo's turn at once.
    assert_eq!(out(&mut router), ["ann folder", "ann folder", "bo folder", "bo text"]);
}

#[test]
fn a_copy_in_the_folder_is_no_reason_to_send_no_mail() {
    let mut directory = directory();
    directory.routes.folder = true;
    let mut router = Router::new(directory);
    for number in 1..=30 {
        router.handle_event(&jar(number, Priority::P2), at(NOON, 0));
        assert_eq!(out(&mut router), ["ann folder", "ann text"]);
    }
    router.handle_event(&jar(31, Priority::P2), at(NOON, 1));
    assert_eq!(out(&mut router), ["ann folder", "ann mail"]);
}

#[test]
fn with_a_folder_alone_each_message_is_left_there_once() {
    let mut directory = directory();
    directory.routes = Routes { text: false, mail: false, folder: true };
    let mut router = Router::new(directory);
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
    assert_eq!(out(&mut router), ["ann folder"]);
}

#[test]
fn beyond_thirty_texts_an_hour_the_mail_says_it_once() {
    for (priority, first) in [(Priority::P2, 1), (Priority::P1, 2)] {
        let mut router = Router::new(directory());
        for number in 1..=30 {
            router.handle_event(&jar(number, priority), at(NOON, 0));
            assert_eq!(out(&mut router).len(), first);
        }
        router.handle_event(&jar(31, priority), at(NOON, 1));
        assert_eq!(out(&mut router), ["ann mail"]);
    }
}

#[test]
fn the_last_text_of_the_day_says_that_it_is() {
    let mut router = Router::new(directory());
    for number in 1..=200 {
        let header = AlarmEvent { event: EventId(number), ..event(1, Priority::P1, Change::Raised) };
        router.handle_event(&header, at(NOON, 0));
        let said = messages(&mut router);
        let text = said.iter().find(|m| m.key.route == TEXT).unwrap();
        assert_eq!(text_of(text).contains("NO MORE TEXTS"), number == 200, "{number}: {}", text_of(text));
    }
}

#[test]
fn machines_are_told_once_and_then_of_every_change() {
    let mut directory = directory();
    directory.receivers = vec![person("desk")];
    let mut router = Router::new(directory);
    router.handle_event(&event(1, Priority::P2, Change::Raised), at(NOON, 0));
    let said = messages(&mut router);
    let call = said.iter().find(|m| m.key.route == WEBHOOK).unwrap();
    let body = body_of(call);
    assert_eq!((body.to.as_str(), body.subject.as_str(), body.of_silence), ("desk", "", false));
    let json: serde_json::Value = serde_json::from_str(&body.text).unwrap();
    assert!(json.is_object(), "{json}");
    let by_ann = Change::Acknowledged { by: person("ann"), until: at(NOON, 3600).utc };
    router.handle_event(&event(2, Priority::P2, by_ann), at(NOON, 60));
    assert_eq!(out(&mut router), ["ann text", "desk webhook"]);
}

#[test]
fn only_texts_are_waited_for_and_only_those_that_say_it_is_on() {
    let mut directory = directory();
    directory.routes.text = false;
    let mut router = Router::new(directory);
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
    assert_eq!(router.poll_timeout(), Some(Uptime::from_ms(300_000)), "the next step, not a late mail");
    let mut router = Router::new(super::directory());
    let kind = AlarmKind::CannotSendAtAll;
    router.handle_event(&AlarmEvent { kind, ..event(1, Priority::P1, Change::Raised) }, at(NOON, 0));
    assert!(messages(&mut router).iter().all(|m| body_of(m).of_silence));
    router.handle_event(&AlarmEvent { kind, ..event(2, Priority::P1, Change::Cleared) }, at(NOON, 10));
    assert!(messages(&mut router).iter().all(|m| !body_of(m).of_silence), "over: it is no such message");
}

#[test]
fn names_routes_and_the_last_hour_are_as_they_were_set() {
    let mut directory = directory();
    directory.words.names = BTreeMap::from([(person("ann"), "Ann Arbor".to_owned())]);
    let mut router = Router::new(directory);
    assert_eq!((router.name(&person("ann")), router.name(&person("bo"))), ("Ann Arbor".into(), "bo".into()));
    let line = "The last hour: 3.0 3.0 2.9";
    router.set_hour(EventId(7), Some(line.to_owned()));
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
    assert!(messages(&mut router).iter().any(|m| text_of(m).contains(line)));
    router.set_hour(EventId(7), None);
    router.set_routes(Routes { text: false, mail: true, folder: false });
    router.handle_event(&event(2, Priority::P1, Change::Worsened), at(NOON, 10));
    let said = messages(&mut router);
    assert!(said.iter().all(|m| m.key.route == MAIL && !text_of(m).contains(line)), "{said:?}");
}

#[test]
fn a_week_with_one_person_is_a_hole_from_its_hand_over_on() {
    let mut directory = directory();
    directory.rota.weeks.push(vec![person("cy")]);
    let router = Router::new(directory);
    let now = at(NOON, 0).utc;
    // Monday noon to the Monday after at eight; the week before it is full.
    assert_eq!(router.next_hole(now, Span::from_hours(24 * 14)), Some(Span::ZERO), "this week is Cy's");
    let before = Timestamp::parse("2026-04-12T12:00:00Z").unwrap();
    assert_eq!(router.next_hole(before, Span::from_hours(48)), Some(Span::from_hours(20)));
    assert_eq!(router.next_hole(before, Span::from_hours(20)), None, "not within so short a time");
}

#[test]
fn a_change_that_is_handed_over_twice_is_told_once() {
    let mut router = Router::new(directory());
    let raised = event(1, Priority::P1, Change::Raised);
    router.handle_event(&raised, at(NOON, 0));
    assert_eq!(out(&mut router), ["ann mail", "ann text"]);
    router.handle_event(&raised, at(NOON, 1));
    assert_eq!(out(&mut router), [""; 0]);
    router.handle_event(&event(2, Priority::P1, Change::Worsened), at(NOON, 2));
    assert_eq!(out(&mut router), ["ann mail", "ann text"], "the next one is news");
}

#[test]
fn an_answer_to_what_can_wait_by_now_is_worth_a_day_and_one_to_what_was_urgent_six_hours() {
    for (priority, hours) in [(Priority::P2, 6), (Priority::P3, 24)] {
        let mut router = Router::new(directory());
        router.handle_event(&event(1, Priority::P2, Change::Raised), at(NOON, 0));
        assert_eq!(messages(&mut router).len(), 1);
        let by = Change::Acknowledged { by: person("bo"), until: at(NOON, 7_200).utc };
        router.handle_event(&event(2, priority, by), at(NOON, 60));
        let said = messages(&mut router);
        assert_eq!(said.len(), 1);
        assert_eq!((said[0].priority, said[0].life), (priority, Some(Span::from_hours(hours))));
    }
}
