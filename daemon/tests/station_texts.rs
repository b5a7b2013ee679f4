//! A whole station that can text: the pump stops, the ladder climbs as written, an answer from a
//! phone on the list stops it, and the same words from another phone do not.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod station_bench;

use nightjar::alarm::event::{AlarmKind, Change};
use nightjar::clock::Clock;
use nightjar_calc::time::{Span, Timestamp};
use station_bench::texter::{self, plug};
use station_bench::{Bench, bench};
use tokio_util::sync::CancellationToken;

fn now(bench: &Bench) -> Timestamp {
    bench.clock.now().utc
}

/// Lets time pass and gives the modem real time to do its part.
async fn pass(bench: &mut Bench, span: Span) {
    bench.scans(span).await;
}

const KIM: &str = "+12025550143";
const LEE: &str = "+12025550144";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_ladder_climbs_until_a_phone_of_the_list_answers() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("modem");
    let unplug = CancellationToken::new();
    let mut modem = plug(&port, unplug.clone());
    let more = format!("[notify]\ndaily-at = \"never\"\n[notify.sms]\nport = {port:?}\n");
    let mut bench = bench(folder.path(), &more).await;
    bench.load().await;
    pass(&mut bench, Span::from_minutes(3)).await;
    assert_eq!(modem.sent(), [], "nothing to say");

    bench.flow = [0.0; 4];
    let stopped = now(&bench);
    pass(&mut bench, Span::from_minutes(1)).await;
    modem.until("sent a text", |fake| !fake.sent.is_empty()).await;
    let (to, text) = modem.sent()[0].clone();
    println!("{text}");
    assert_eq!(to, KIM, "the first contact");
    assert!(text.starts_with("P1 NO FLOW header A: 4 of 4 jars"), "{text}");
    let code = text.rsplit("ACK ").next().unwrap().chars().take(3).collect::<String>();

    // Nobody answers: again after five minutes, both after ten.
    pass(&mut bench, Span::from_minutes(10)).await;
    modem.until("climbed", |fake| fake.sent.len() >= 4).await;
    let to: Vec<String> = modem.sent().iter().map(|(to, _)| to.clone()).collect();
    let mut step = to[2..4].to_vec();
    step.sort();
    assert_eq!(to[..2], [KIM, KIM]);
    assert_eq!(step, [KIM, LEE]);
    let events = bench.raised().await;
    let raised: Vec<AlarmKind> = events.iter().map(|event| event.kind).collect();
    assert_eq!(raised, [AlarmKind::NoFlowHeader]);
    let decided = events[0].at.since(stopped);
    println!("decided {} s after the first sample without flow", decided.secs());
    assert!(decided <= Span::from_secs(45), "decided after {} s", decided.secs());
    let messages = bench.messages().await;
    let steps: Vec<i64> = messages.iter().map(|m| m.created_at.since(events[0].at).ms() / 1000).collect();
    println!("steps at {steps:?} s");
    for (at, due) in steps.iter().zip([0, 300, 600, 600]) {
        assert!((at - due).abs() <= 7, "{steps:?}: a step is at most a scan and 2 s late");
    }

    // A stranger's answer changes nothing; the same words from a phone of the list do.
    let before = modem.sent().len();
    modem.write("+12025550199", &format!("ack {code}."), now(&bench));
    modem.until("took the stranger's text", |fake| fake.stored.is_empty()).await;
    pass(&mut bench, Span::from_minutes(1)).await;
    assert!(!bench.events().await.iter().any(|e| matches!(e.change, Change::Acknowledged { .. })));
    assert_eq!(modem.sent().len(), before, "a stranger gets no answer");
    modem.write(LEE, &format!("ack {}.", code.to_lowercase()), now(&bench));
    modem.until("took the answer", |fake| fake.stored.is_empty()).await;
    pass(&mut bench, Span::from_minutes(1)).await;
    let by: Vec<String> = bench
        .events()
        .await
        .iter()
        .filter_map(
            |e| if let Change::Acknowledged { by, .. } = &e.change { Some(by.to_string()) } else { None },
        )
        .collect();
    assert_eq!(by, ["lee"]);
    modem.until("told both", |fake| fake.sent.len() >= before + 2).await;
    let told = modem.sent().len();
    assert!(modem.sent()[before..].iter().all(|(_, text)| text.starts_with(&format!("ACK {code} by Lee"))));
    pass(&mut bench, Span::from_minutes(15)).await;
    assert_eq!(modem.sent().len(), told, "acknowledged: no step for half an hour");

    // The water runs: both are told once.
    bench.flow = [3.0; 4];
    pass(&mut bench, Span::from_minutes(5)).await;
    modem.until("told both that it is over", |fake| fake.sent.len() >= told + 2).await;
    pass(&mut bench, Span::from_minutes(5)).await;
    let end = modem.sent();
    assert_eq!(end.len(), told + 2, "{:?}", &end[told..]);
    assert!(
        end[told..].iter().all(|(_, text)| text.starts_with("CLEARED P1 NO FLOW header A")),
        "{:?}",
        &end[told..]
    );
    println!("{}", end[told].1);

    // How are things?
    modem.write(KIM, "Status?", now(&bench));
    modem.until("answered", |fake| fake.sent.len() > told + 2).await;
    let (to, answer) = modem.sent().last().unwrap().clone();
    println!("{answer}");
    assert_eq!(to, KIM);
    assert!(answer.contains("8/8 channels good, 0 open"), "{answer}");
    unplug.cancel();
    bench.stop.cancel();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_modem_writes_to_itself_and_a_text_that_stays_out_is_told() {
    const OWN: &str = "+12025550100";
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("modem");
    let mut modem = plug(&port, CancellationToken::new());
    let more =
        format!("[notify]\ndaily-at = \"never\"\n[notify.sms]\nport = {port:?}\nown-number = \"{OWN}\"\n");
    let mut bench = bench(folder.path(), &more).await;
    let pass = async |bench: &mut Bench, modem: &texter::Plugged, minutes: i64| {
        for _ in 0..minutes * 12 {
            bench.scan().await;
            modem.rest().await;
        }
    };
    pass(&mut bench, &modem, 11).await;
    let sent = modem.sent();
    assert_eq!(sent.len(), 1, "{sent:?}");
    assert_eq!(sent[0].0, OWN);
    // The network loses it: after half an hour the route, the only one, counts as failing.
    pass(&mut bench, &modem, 45).await;
    let raised: Vec<AlarmKind> = bench.raised().await.iter().map(|event| event.kind).collect();
    println!("{raised:?}");
    assert!(raised.contains(&AlarmKind::CannotSendAtAll), "{raised:?}");
    // An hour later another one comes back.
    pass(&mut bench, &modem, 60).await;
    let own: Vec<_> = modem.sent().into_iter().filter(|(to, _)| to == OWN).collect();
    assert_eq!(own.len(), 2, "{own:?}");
    assert_ne!(own[0].1, own[1].1);
    modem.write(OWN, &own[1].1, now(&bench));
    pass(&mut bench, &modem, 15).await;
    let changes: Vec<_> = bench.events().await.iter().map(|e| (e.kind, e.change.clone())).collect();
    assert!(changes.contains(&(AlarmKind::CannotSendAtAll, Change::Cleared)), "{changes:?}");
    bench.stop.cancel();
}
