use super::*;
use crate::alarm::event::{AlarmEvent, AlarmKind, Change, Code, EggsHave, EventId, Priority};
use crate::clock::Uptime;
use proptest::prelude::*;

fn at(text: &str) -> Timestamp {
    Timestamp::parse(text).unwrap()
}

fn now() -> Now {
    Now { up: Uptime::from_ms(0), utc: at("2026-04-12T02:14:21Z"), trusted: true }
}

fn words() -> Words {
    Words {
        zone: Zone::UTC,
        station: "North".into(),
        supply: "Pump 1".into(),
        names: BTreeMap::from([(PersonId::new("kim").unwrap(), "Kim".to_owned())]),
        actions: BTreeMap::new(),
        page: Some("http://rack.example".into()),
    }
}

fn no_flow() -> AlarmEvent {
    AlarmEvent {
        event: EventId(12),
        seq: 1,
        change: Change::Raised,
        kind: AlarmKind::NoFlowHeader,
        asset: Asset::Header("A".into()),
        priority: Priority::P1,
        members: (1..=24).map(|n| format!("J{n:02}")).collect(),
        members_total: 24,
        value: Some(0.0),
        limit: Some(1.5),
        unit: "L/min".into(),
        since: at("2026-04-12T02:14:00Z"),
        at: at("2026-04-12T02:14:20Z"),
        clock_trusted: true,
        code: Code("M4T".into()),
        eggs_have: None,
        hint: "likely pump".into(),
        unverified: false,
        chattering: false,
    }
}

#[test]
fn a_dead_pump_reads_like_this() {
    let event = no_flow();
    assert_eq!(
        text(&event, &words(), &Reach::default(), now()),
        "P1 NO FLOW header A: 24 of 24 jars, 0.00 L/min, limit 1.5, likely pump since 02:14. Reply ACK M4T"
    );
    assert_eq!(subject(&event, &words(), now()), "[P1] No flow header A (24/24 jars) since 02:14 - North");
}

#[test]
fn water_that_still_runs_leaves_no_minutes_to_count() {
    let eggs = EggsHave { jar: "06".into(), minutes: 8.0, minutes_short: 4.0, stage: "green".into() };
    let low = AlarmEvent { kind: AlarmKind::LowFlow, eggs_have: Some(eggs), ..no_flow() };
    let said = text(&low, &words(), &Reach::default(), now());
    assert!(said.contains("if it stops, eggs in 06 have 4-8 min"), "{said}");
    let none = AlarmEvent { kind: AlarmKind::NoFlow, ..low };
    let said = text(&none, &words(), &Reach::default(), now());
    assert!(said.contains(", eggs in 06 have 4-8 min"), "{said}");
}

#[test]
fn a_thing_named_by_its_kind_is_named_once() {
    let event = AlarmEvent { asset: Asset::Supply, ..no_flow() };
    for (supply, said) in
        [("supply", "NO FLOW supply:"), ("", "NO FLOW supply:"), ("Pump 1", "supply Pump 1:")]
    {
        let words = Words { supply: supply.into(), ..words() };
        let text = text(&event, &words, &Reach::default(), now());
        assert!(text.contains(said), "{text}");
    }
}

#[test]
fn an_untrusted_clock_prints_no_time_and_a_lost_value_no_number() {
    let event = AlarmEvent { clock_trusted: false, value: None, ..no_flow() };
    let text = text(&event, &words(), &Reach::default(), now());
    assert!(text.contains("since time?") && text.contains("no reading"), "{text}");
}

#[test]
fn yesterday_carries_its_date() {
    let event = AlarmEvent { since: at("2026-04-11T23:59:00Z"), ..no_flow() };
    assert!(text(&event, &words(), &Reach::default(), now()).contains("since 11 Apr 23:59"));
}

fn changes() -> impl Strategy<Value = Change> {
    let by = PersonId::new(&"p".repeat(32)).unwrap();
    let until = at("2026-12-31T23:59:00Z");
    prop::sample::select(vec![
        Change::Raised,
        Change::Again { times: u32::MAX },
        Change::Worsened,
        Change::Grew,
        Change::Acknowledged { by: by.clone(), until },
        Change::Reminder,
        Change::Cleared,
        Change::Confirmed { by: by.clone() },
        Change::Shelved { by: by.clone(), until },
        Change::Covered { by: "x".repeat(80) },
        Change::OutOfService { by, until, reason: "é".repeat(500) },
        Change::Unsuppressed,
    ])
}

fn kinds() -> impl Strategy<Value = AlarmKind> {
    prop::sample::select(vec![
        AlarmKind::NoFlowHeader,
        AlarmKind::TempRate,
        AlarmKind::CannotSendAtAll,
        AlarmKind::OutOfUseTooLong,
        AlarmKind::Drill,
    ])
}

fn assets() -> impl Strategy<Value = Asset> {
    let long = "W".repeat(32);
    prop::sample::select(vec![
        Asset::Supply,
        Asset::Pump(long.clone()),
        Asset::Header(long.clone()),
        Asset::Jar(long.clone()),
        Asset::Sensor(long.clone()),
        Asset::Node(long),
        Asset::Monitor,
    ])
}

prop_compose! {
    fn events()(
        change in changes(), kind in kinds(), asset in assets(), hint in "\\PC{0,120}", unit in "\\PC{0,12}",
        value in proptest::option::of(proptest::num::f64::ANY), limit in proptest::option::of(-1e9..1e9),
        members in 0_usize..300, total in 0_u32..100_000, eggs in any::<bool>(), code in "[A-Z0-9]{3}",
    ) -> AlarmEvent {
        AlarmEvent {
            change, kind, asset, hint, unit, value, limit, members_total: total, code: Code(code),
            members: vec!["J".repeat(32); members],
            eggs_have: eggs.then(|| EggsHave {
                jar: "W".repeat(32), minutes: 1e6, minutes_short: 0.4, stage: "eyed".into(),
            }),
            since: at("2026-04-01T02:14:00Z"),
            ..no_flow()
        }
    }
}

proptest! {
    /// 140 septets, one part, and never without what, since when and the code to answer with.
    #[test]
    fn every_message_fits_with_the_longest_names(event in events(), step in 0_u32..200, station in "\\PC{0,80}") {
        let mut words = words();
        words.station = station;
        words.supply = "ß€漢".repeat(30);
        let told = vec![PersonId::new(&"p".repeat(32)).unwrap(); 60];
        let acknowledged = Some((told[0].clone(), event.at));
        let hour = Some("9.9 ".repeat(200));
        let reach = Reach { step, told, acknowledged, hour };
        let text = text(&event, &words, &reach, now());
        prop_assert!(gsm::septets(&text).is_some_and(|n| n <= LONGEST_TEXT), "{text}");
        prop_assert!(text.contains(&kind::name(event.kind).to_uppercase()), "{text}");
        prop_assert!(text.contains(&event.code.0), "{text}");
        for notice in [flood_text(u32::MAX, Some(&event), &words), cap_text(&event, &words, now())] {
            prop_assert!(gsm::septets(&notice).is_some_and(|n| n <= LONGEST_TEXT), "{notice}");
        }
        let urgent = matches!(event.change, Change::Raised | Change::Grew | Change::Reminder);
        prop_assert!(!urgent || text.contains("since 01 Apr 02:14. Reply ACK"), "{text}");
        prop_assert!(subject(&event, &words, now()).chars().count() <= LONGEST_SUBJECT);
        let body = body(&event, &words, &reach, now());
        prop_assert!(body.len() <= LONGEST_BODY);
        prop_assert!(body.lines().all(|line| line.chars().count() <= LONGEST_LINE), "{body}");
        prop_assert_eq!(body.contains("Answer by text: ACK"), event.change != Change::Cleared);
    }
}

#[test]
fn a_mail_that_it_is_over_asks_for_nothing() {
    let eggs = EggsHave { jar: "06".into(), minutes: 8.0, minutes_short: 4.0, stage: "green".into() };
    let on = AlarmEvent { eggs_have: Some(eggs), ..no_flow() };
    let over = AlarmEvent { change: Change::Cleared, ..on.clone() };
    let said = |event| body(event, &words(), &Reach::default(), now());
    for asked in ["Eggs: jar 06", "What to do: ", "Answer by text: ACK M4T"] {
        assert!(said(&on).contains(asked), "{}", said(&on));
        assert!(!said(&over).contains(asked), "{}", said(&over));
    }
    assert!(said(&over).contains("Code M4T"), "{}", said(&over));
}

#[test]
fn the_daily_text_says_ok_only_when_all_is_well() {
    let well = Standing {
        channels_good: 48,
        channels: 48,
        heartbeats: Some((1440, 1440)),
        dbm: Some(-83),
        mains: Some(true),
        ..Standing::default()
    };
    let text = daily(&well, &words(), now());
    let expected = "OK daily 02:14: 48/48 channels good, 0 alarms, heartbeat 1440/1440, modem -83 dBm, power OK. Reply STATUS";
    assert_eq!(text, expected);
    for other in [
        Standing { channels_good: 47, ..well.clone() },
        Standing { alarms: 1, ..well.clone() },
        Standing { silenced: 1, ..well.clone() },
        Standing { heartbeats: Some((1439, 1440)), ..well.clone() },
        Standing { mains: Some(false), ..well.clone() },
        Standing { unproven: true, ..well.clone() },
    ] {
        assert!(daily(&other, &words(), now()).starts_with("NOTE daily"), "{other:?}");
    }
}

#[test]
fn a_web_call_has_stable_keys_and_no_number_that_is_none() {
    let event = AlarmEvent { value: Some(f64::NAN), ..no_flow() };
    let body: serde_json::Value =
        serde_json::from_str(&webhook(&event, &words(), &Reach::default())).unwrap();
    let expected = serde_json::json!({
        "schema": 1, "type": "alarm.active", "event": "12", "seq": 1, "site": "North", "priority": 1,
        "kind": "no_flow_header", "asset": "header/A", "members": 24, "members_total": 24, "value": null,
        "limit": 1.5, "unit": "L/min", "since": "2026-04-12T02:14:00Z", "at": "2026-04-12T02:14:20Z",
        "clock": "trusted", "state": "unacknowledged", "ack": null, "step": 0, "code": "M4T",
    });
    let keys = |value: &serde_json::Value| value.as_object().unwrap().keys().cloned().collect::<Vec<_>>();
    assert_eq!(keys(&body), keys(&expected));
    for key in keys(&expected).iter().filter(|key| !["since", "at"].contains(&key.as_str())) {
        assert_eq!(body[key], expected[key], "{key}");
    }
    for key in ["since", "at"] {
        assert_eq!(at(body[key].as_str().unwrap()), at(expected[key].as_str().unwrap()));
    }
}

proptest! {
    #[test]
    fn texts_about_the_station_fit_with_the_longest_names(
        events in proptest::collection::vec(events(), 1..40), station in "\\PC{0,80}", number in any::<u32>(), well in any::<bool>(),
    ) {
        let mut words = words();
        words.station = station;
        words.supply = "ß€漢".repeat(30);
        let person = PersonId::new(&"p".repeat(32)).unwrap();
        let standing = Standing {
            channels_good: number, channels: u32::MAX, alarms: number, silenced: number,
            heartbeats: Some((number, u32::MAX)), dbm: Some(-113), mains: Some(well), unproven: !well,
        };
        let code = Code("M4T".into());
        let happened: Vec<_> = events.iter().map(|event| (event.at, event.hint.clone())).collect();
        for text in [
            daily(&standing, &words, now()),
            hand_over(&person, now().utc, &code, &words, now()),
            status(&events, &standing, &words, now()),
            who(&vec![person; 9], Some(now().utc), &words, now()),
            history(&code, &happened, &words, now()),
        ] {
            prop_assert!(gsm::septets(&text).is_some_and(|n| n <= LONGEST_TEXT), "{text}");
        }
        let reach = Reach { step: number, told: Vec::new(), acknowledged: None, hour: None };
        for event in &events {
            prop_assert!(webhook(event, &words, &reach).len() <= 4096);
        }
    }
}
