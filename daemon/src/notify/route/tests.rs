mod said;
mod steps;

use super::*;
use crate::alarm::event::{AlarmKind, Asset, Code};
use crate::config::checked::Rota;
use crate::notify::message::Words;
use nightjar_calc::time::Zone;
use proptest::prelude::*;

fn person(name: &str) -> PersonId {
    PersonId::new(name).unwrap()
}

/// Monday noon: no quiet hours.
const NOON: &str = "2026-04-13T12:00:00Z";

fn at(start: &str, seconds: i64) -> Now {
    let span = Span::from_secs(seconds);
    Now { up: Uptime::from_ms(0).after(span), utc: Timestamp::parse(start).unwrap() + span, trusted: true }
}

fn contact(name: &str) -> (PersonId, Contact) {
    let contact = Contact {
        phone: Some(format!("+1555{}", name.len())),
        email: Some(format!("{name}@example.org")),
        quiet_hours: Some((22 * 60, 6 * 60)),
    };
    (person(name), contact)
}

fn directory() -> Directory {
    Directory {
        contacts: ["ann", "bo", "cy", "olga"].into_iter().map(contact).collect(),
        rota: Rota {
            starts: "2026-04-06T08:00:00".parse().unwrap(),
            weeks: vec![vec![person("ann"), person("bo"), person("cy")]],
            owner: Some(person("olga")),
            exceptions: Vec::new(),
        },
        stays: None,
        routes: Routes { text: true, mail: true, folder: false },
        receivers: Vec::new(),
        daily: false,
        digest_at: 7 * 60,
        words: Words {
            zone: Zone::UTC,
            station: "North".into(),
            supply: "Pump".into(),
            names: BTreeMap::new(),
            actions: BTreeMap::new(),
            page: None,
        },
    }
}

fn event(seq: u32, priority: Priority, change: Change) -> AlarmEvent {
    let since = Timestamp::parse(NOON).unwrap();
    AlarmEvent {
        event: EventId(7),
        seq,
        change,
        kind: AlarmKind::NoFlowHeader,
        asset: Asset::Header("A".into()),
        priority,
        members: vec!["J01".into()],
        members_total: 24,
        value: Some(0.0),
        limit: Some(1.5),
        unit: "L/min".into(),
        since,
        at: since,
        clock_trusted: true,
        code: Code("M4T".into()),
        eggs_have: None,
        hint: String::new(),
        unverified: false,
        chattering: false,
    }
}

/// What has come out, as "person route".
fn out(router: &mut Router) -> Vec<String> {
    let mut all: Vec<String> = std::iter::from_fn(|| router.poll_output())
        .map(|m| format!("{} {}", m.key.person, m.key.route))
        .collect();
    all.sort();
    all
}

/// Takes every text at once, and runs to the end: moments in seconds with what came out.
fn run(router: &mut Router, start: &str, until: i64) -> Vec<(i64, Vec<String>)> {
    let mut said = Vec::new();
    let mut seconds = 0;
    loop {
        let mut all = Vec::new();
        while let Some(message) = router.poll_output() {
            router.handle_fate(&message.key, Fate::Accepted, at(start, seconds));
            all.push(format!("{} {}", message.key.person, message.key.route));
        }
        all.sort();
        if !all.is_empty() {
            said.push((seconds, all));
        }
        let Some(next) = router.poll_timeout() else { return said };
        let next = i64::try_from(next.ms().div_ceil(1000)).unwrap();
        assert!(next >= seconds, "time runs forward");
        if next > until {
            return said;
        }
        seconds = next;
        router.handle_timeout(at(start, seconds));
    }
}

#[test]
fn the_ladder_of_a_p1() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
    let said = run(&mut router, NOON, 4 * 3600);
    let all = ["ann text", "bo text", "cy text", "olga text"];
    assert_eq!(said[0], (0, vec!["ann mail".to_owned(), "ann text".to_owned()]));
    assert_eq!(said[1], (300, vec!["ann text".to_owned()]));
    assert_eq!(said[2], (600, vec!["ann text".to_owned(), "bo text".to_owned()]));
    assert!(said[3..].iter().all(|(_, who)| *who == all));
    let minutes: Vec<i64> = said[3..].iter().map(|(seconds, _)| seconds / 60).collect();
    assert_eq!(minutes, [20, 35, 50, 65, 80, 95, 110, 125, 155, 185, 215]);
}

#[test]
fn the_ladder_of_a_p2_by_day() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P2, Change::Raised), at(NOON, 0));
    let said = run(&mut router, NOON, 7 * 3600);
    let when: Vec<(i64, usize)> = said.iter().map(|(s, who)| (s / 60, who.len())).collect();
    assert_eq!(when, [(0, 1), (15, 1), (30, 2), (120, 4), (360, 4)]);
    assert_eq!(said[0].1, ["ann text"]);
}

#[test]
fn a_p2_in_quiet_hours_mails_now_and_texts_after_half_an_hour_or_at_their_end() {
    for (start, minutes) in [("2026-04-14T02:00:00Z", 30), ("2026-04-14T05:48:00Z", 12)] {
        let mut router = Router::new(directory());
        router.handle_event(&event(1, Priority::P2, Change::Raised), at(start, 0));
        let said = run(&mut router, start, 3600 * 2);
        assert_eq!(said[0], (0, vec!["ann mail".to_owned()]));
        assert_eq!(said[1], (minutes * 60, vec!["ann text".to_owned()]));
        assert_eq!(said[2], ((minutes + 15) * 60, vec!["ann text".to_owned()]));
        assert_eq!(said[3].0, (minutes + 30) * 60);
    }
}

#[test]
fn an_acknowledgment_stops_the_ladder_and_is_told_once() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
    run(&mut router, NOON, 600);
    let until = Timestamp::parse(NOON).unwrap() + Span::from_minutes(41);
    let ack = Change::Acknowledged { by: person("bo"), until };
    router.handle_event(&event(2, Priority::P1, ack), at(NOON, 660));
    assert_eq!(out(&mut router), ["ann mail", "ann text", "bo text"]);
    router.handle_timeout(at(NOON, 2000));
    assert_eq!(out(&mut router), [""; 0]);
    // The reminder goes to the one who acknowledged; ten minutes later all begins anew.
    router.handle_event(&event(3, Priority::P1, Change::Reminder), at(NOON, 2460));
    assert_eq!(out(&mut router), ["bo mail", "bo text"]);
    for key in ["text", "mail"] {
        let key = MessageKey::event(EventId(7), 3, person("bo"), key, 5);
        router.handle_fate(&key, Fate::Accepted, at(NOON, 2461));
    }
    router.handle_timeout(at(NOON, 3059));
    assert_eq!(out(&mut router), [""; 0]);
    router.handle_timeout(at(NOON, 3060));
    assert_eq!(out(&mut router), ["ann mail", "ann text"]);
}

#[test]
fn cleared_goes_once_to_those_who_were_told() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P2, Change::Raised), at(NOON, 0));
    out(&mut router);
    router.handle_event(&event(2, Priority::P2, Change::Cleared), at(NOON, 30));
    let message = router.poll_output().unwrap();
    assert_eq!((message.key.person.as_str(), message.key.route.as_str()), ("ann", TEXT));
    assert!(message.body["text"].as_str().unwrap().starts_with("CLEARED P2 NO FLOW"));
    assert_eq!(message.body["first"], "event-7/1/ann/text/1");
    assert_eq!(message.life, Some(Span::from_hours(1)));
    // Until the morning, when it is mentioned that nobody answered.
    assert_eq!((router.poll_output(), router.poll_timeout()), (None, Some(Uptime::from_ms(19 * 3_600_000))));
}

#[test]
fn a_failed_text_becomes_mail_and_nobody_to_reach_means_the_next_step_at_once() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P2, Change::Raised), at(NOON, 0));
    let text = router.poll_output().unwrap();
    router.handle_fate(&text.key, Fate::Failed, at(NOON, 1));
    let mail = router.poll_output().unwrap();
    assert_eq!((mail.key.person.as_str(), mail.key.route.as_str()), ("ann", MAIL));
    router.handle_fate(&mail.key, Fate::AddressDead, at(NOON, 2));
    // Step 1 is ann again, who cannot be reached; so it is step 2.
    assert_eq!(out(&mut router), ["bo text"]);
}

#[test]
fn a_text_the_modem_does_not_take_within_a_minute_goes_by_mail() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P2, Change::Raised), at(NOON, 0));
    out(&mut router);
    assert_eq!(router.poll_timeout(), Some(Uptime::from_ms(60_000)));
    router.handle_timeout(at(NOON, 60));
    assert_eq!(out(&mut router), ["ann mail"]);
}

#[test]
fn a_p3_waits_for_the_digest_of_the_day() {
    let mut router = Router::new(directory());
    router.handle_event(&event(1, Priority::P3, Change::Raised), at(NOON, 0));
    assert_eq!(out(&mut router), [""; 0]);
    let said = run(&mut router, NOON, 48 * 3600);
    let mail = || vec!["ann mail".to_owned()];
    assert_eq!(said, [(19 * 3600, mail()), (43 * 3600, mail())]);
}

#[test]
fn in_the_morning_it_is_said_what_lasts_what_chattered_and_what_nobody_answered() {
    let mails = |router: &mut Router| -> Vec<Body> {
        std::iter::from_fn(|| router.poll_output())
            .filter(|message| message.key.about == "digest")
            .map(|message| serde_json::from_value(message.body).unwrap())
            .collect()
    };
    let numbered = |number: u64, event: AlarmEvent| AlarmEvent {
        event: EventId(number),
        asset: Asset::Jar(format!("J{number:02}")),
        ..event
    };
    let by_ann = Change::Acknowledged { by: person("ann"), until: Timestamp::parse(NOON).unwrap() };
    let mut router = Router::new(directory());
    // The first stays on, though somebody knows. The second chatters and ends, answered. The third
    // ends before anybody answers, the fourth after.
    for number in 1..=4 {
        router.handle_event(&numbered(number, event(1, Priority::P1, Change::Raised)), at(NOON, 0));
    }
    for number in [1, 2, 4] {
        router.handle_event(&numbered(number, event(2, Priority::P1, by_ann.clone())), at(NOON, 60));
    }
    let chatter = AlarmEvent { chattering: true, ..event(3, Priority::P1, Change::Cleared) };
    router.handle_event(&numbered(2, chatter), at(NOON, 300));
    router.handle_event(&numbered(3, event(3, Priority::P1, Change::Cleared)), at(NOON, 300));
    router.handle_event(&numbered(4, event(3, Priority::P1, Change::Cleared)), at(NOON, 300));
    assert_eq!(router.open_events(), [EventId(1)], "what is over is not open");
    mails(&mut router);

    // A restart in between forgets nothing.
    let saved = router.take_changes(at(NOON, 400)).into_iter().filter_map(|(_, saved)| saved);
    let saved: Vec<_> =
        saved.map(|s| serde_json::from_value(serde_json::to_value(s).unwrap()).unwrap()).collect();
    let mut router = Router::new(directory());
    router.restore(saved, at(NOON, 500));

    router.handle_timeout(at(NOON, 19 * 3600));
    let first = mails(&mut router);
    assert_eq!(first.len(), 1);
    println!("{}\n{}", first[0].subject, first[0].text);
    assert_eq!(first[0].subject, "[P3] 1 on and off too often, 1 over, not answered - North");
    let (chattered, unanswered) = first[0].text.split_once("Came and went").unwrap();
    assert!(chattered.contains("jar J02") && !chattered.contains("J01") && !chattered.contains("J03"));
    assert!(unanswered.contains("jar J03") && !unanswered.contains("J04"));

    // The next morning what is over has been said, and what is on is on for more than a day.
    router.handle_timeout(at(NOON, 43 * 3600));
    let second = mails(&mut router);
    println!("{}\n{}", second[0].subject, second[0].text);
    assert_eq!(second[0].subject, "[P3] 1 on for over a day - North");
    assert!(second[0].text.contains("jar J01"));
    router.handle_event(&numbered(1, event(4, Priority::P1, Change::Cleared)), at(NOON, 44 * 3600));
    router.handle_timeout(at(NOON, 67 * 3600));
    assert_eq!(mails(&mut router).len(), 0, "answered and over: nothing to say");
}

#[test]
fn with_nobody_on_call_everybody_is_told() {
    let mut directory = directory();
    directory.rota.weeks.clear();
    directory.rota.owner = None;
    let mut router = Router::new(directory);
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
    assert_eq!(out(&mut router).len(), 8, "four people, text and mail");
}

#[test]
fn in_a_flood_only_the_summary_and_what_concerns_many_jars_is_texted() {
    let mut router = Router::new(directory());
    let jar = |number: u64, priority| AlarmEvent {
        event: EventId(number),
        kind: AlarmKind::LowFlow,
        asset: Asset::Jar(format!("J{number:02}")),
        ..event(1, priority, Change::Raised)
    };
    let texts = |router: &mut Router| -> Vec<(String, String)> {
        std::iter::from_fn(|| router.poll_output())
            .filter(|message| message.key.route == TEXT)
            .map(|m| (m.key.person.to_string(), m.body["text"].as_str().unwrap().to_owned()))
            .collect()
    };
    router.handle_event(&jar(1, Priority::P2), at(NOON, 0));
    assert_eq!(texts(&mut router).len(), 1);
    router.handle_flood(true, 11, at(NOON, 10));
    let summary = texts(&mut router);
    assert_eq!(summary.len(), 1);
    assert_eq!(summary[0].0, "ann");
    assert!(summary[0].1.starts_with("NOTE 11 alarms in 10 min"), "{}", summary[0].1);
    router.handle_event(&jar(2, Priority::P2), at(NOON, 20));
    router.handle_event(&jar(3, Priority::P1), at(NOON, 30));
    assert_eq!(texts(&mut router), [], "kept for the summary");
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 40));
    let urgent = texts(&mut router);
    assert_eq!(urgent.len(), 1, "a whole header is told at once");
    assert!(urgent[0].1.starts_with("P1 NO FLOW"), "{}", urgent[0].1);
    router.handle_flood(false, 4, at(NOON, 700));
    assert_eq!(texts(&mut router), []);
    router.handle_event(&jar(4, Priority::P1), at(NOON, 710));
    assert_eq!(texts(&mut router).len(), 1, "the flood is over");
}

#[test]
fn a_restart_goes_on_where_it_stopped() {
    let mut before = Router::new(directory());
    before.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
    run(&mut before, NOON, 700);
    let saved = {
        let changes = before.take_changes(at(NOON, 900));
        assert!(before.take_changes(at(NOON, 900)).is_empty(), "written once");
        serde_json::to_string(&changes.into_iter().filter_map(|(_, saved)| saved).collect::<Vec<_>>())
            .unwrap()
    };
    let mut after = Router::new(directory());
    after.restore(serde_json::from_str(&saved).unwrap(), at(NOON, 0));
    let minutes: Vec<i64> = run(&mut after, NOON, 3600).iter().map(|(s, _)| s / 60).collect();
    assert_eq!(minutes, [5, 20, 35, 50], "five minutes were left to step 3");
}

proptest! {
    /// However routes fail and whatever is said in between, a P1 that is on and not acknowledged
    /// has a next message due within half an hour.
    #[test]
    fn a_p1_never_falls_silent(fates in prop::collection::vec(0_u8..4, 1..60), routes in any::<(bool, bool)>()) {
        let mut directory = directory();
        directory.routes = Routes { text: routes.0, mail: routes.1, folder: false };
        let mut router = Router::new(directory);
        router.handle_event(&event(1, Priority::P1, Change::Raised), at(NOON, 0));
        let mut seconds = 0;
        for (n, fate) in fates.into_iter().enumerate() {
            for message in std::iter::from_fn(|| router.poll_output()).take(50).collect::<Vec<_>>() {
                let fate = match fate { 0 => Fate::Failed, 1 => Fate::AddressDead, 2 => Fate::Accepted, _ => continue };
                router.handle_fate(&message.key, fate, at(NOON, seconds));
            }
            if fate == 3 {
                let seq = u32::try_from(n).unwrap() + 2;
                router.handle_event(&event(seq, Priority::P1, Change::Grew), at(NOON, seconds));
            }
            let next = i64::try_from(router.poll_timeout().unwrap().ms().div_ceil(1000)).unwrap();
            prop_assert!(next <= seconds + 30 * 60, "{seconds} then {next}");
            seconds = next.max(seconds);
            router.handle_timeout(at(NOON, seconds));
        }
    }
}

/// A week of Ann, then one of Bo, from Monday 6 April at 8.
fn two_weeks() -> Router {
    let mut directory = directory();
    directory.rota.weeks = vec![vec![person("ann"), person("bo")], vec![person("bo"), person("ann")]];
    Router::new(directory)
}

const BEFORE: &str = "2026-04-13T07:30:00Z";

/// Messages up to a moment, as "minute person: words".
fn told(router: &mut Router, start: &str, minutes: std::ops::RangeInclusive<i64>) -> Vec<String> {
    let mut said = Vec::new();
    for minute in minutes {
        router.handle_timeout(at(start, minute * 60));
        while let Some(message) = router.poll_output() {
            let text = message.body["text"].as_str().unwrap().to_owned();
            said.push(format!("{minute} {}: {text}", message.key.person));
        }
    }
    said
}

#[test]
fn who_comes_on_call_answers_a_text_and_is_thanked() {
    let mut router = two_weeks();
    router.watch_rota(None, at(BEFORE, 0));
    let said = told(&mut router, BEFORE, 0..=60);
    assert_eq!(said.len(), 1, "{said:?}");
    assert!(said[0].starts_with("30 bo: TEST bo: you are on call at North until 20 Apr 08:00."), "{said:?}");
    assert!(said[0].ends_with("Reply ACK DUTY to show this reached you"), "{said:?}");
    assert_eq!(router.hand_over().unwrap().asked(), Some(&person("bo")));
    assert!(router.answer_hand_over(&person("ann"), at(BEFORE, 3660)).is_err(), "nobody asked Ann");
    router.answer_hand_over(&person("bo"), at(BEFORE, 3660)).unwrap();
    assert!(router.answer_hand_over(&person("bo"), at(BEFORE, 3661)).is_err(), "once");
    let said = told(&mut router, BEFORE, 61..=24 * 60);
    assert_eq!(said, ["61 bo: Thank you, bo: you are on call at North."]);
}

#[test]
fn without_an_answer_who_goes_stays_first_until_it_comes() {
    let mut router = two_weeks();
    router.watch_rota(None, at(BEFORE, 0));
    let said = told(&mut router, BEFORE, 0..=155);
    assert_eq!(said.len(), 2, "{said:?}");
    assert!(said[1].starts_with("150 ann: P3 bo has not answered the text of the hand-over. You stay"));
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(BEFORE, 156 * 60));
    assert_eq!(out(&mut router), ["ann mail", "ann text"], "who goes stays first");
    let steps = told(&mut router, BEFORE, 157..=166);
    assert!(steps.iter().any(|s| s.starts_with("166 bo:")), "who comes is second: {steps:?}");

    // A restart forgets nothing and asks nobody again.
    let kept = router.take_hand_over().unwrap();
    assert_eq!(router.take_hand_over(), None, "written once");
    let mut router = two_weeks();
    router.watch_rota(kept, at(BEFORE, 170 * 60));
    assert_eq!(told(&mut router, BEFORE, 170..=240), Vec::<String>::new());
    router.handle_event(&event(1, Priority::P1, Change::Raised), at(BEFORE, 240 * 60));
    assert_eq!(out(&mut router), ["ann mail", "ann text"]);
    router.answer_hand_over(&person("bo"), at(BEFORE, 241 * 60)).unwrap();
    let said = told(&mut router, BEFORE, 241..=241);
    assert!(said.iter().any(|s| s.starts_with("241 ann: bo has answered")), "{said:?}");
    router.handle_event(&event(2, Priority::P1, Change::Cleared), at(BEFORE, 242 * 60));
    out(&mut router);
    let again = AlarmEvent { event: EventId(8), ..event(1, Priority::P1, Change::Raised) };
    router.handle_event(&again, at(BEFORE, 243 * 60));
    assert_eq!(out(&mut router), ["bo mail", "bo text"]);
}

#[test]
fn a_hand_over_long_past_or_to_the_same_person_asks_nobody() {
    let mut late = two_weeks();
    late.watch_rota(None, at("2026-04-13T09:30:00Z", 0));
    assert_eq!(told(&mut late, "2026-04-13T09:30:00Z", 0..=600), Vec::<String>::new());
    let mut same = Router::new(directory());
    same.watch_rota(None, at(BEFORE, 0));
    assert_eq!(told(&mut same, BEFORE, 0..=600), Vec::<String>::new());
    let mut unset = two_weeks();
    let now = |seconds| Now { trusted: false, ..at(BEFORE, seconds) };
    unset.watch_rota(None, now(0));
    unset.handle_timeout(now(3600));
    assert!(unset.poll_output().is_none(), "a clock that nobody set knows no week");
}
