//! A pause of an alarm is as long as it was set, whatever happens to the station meanwhile.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod station_bench;

use nightjar::alarm::event::{AlarmKind, Change};
use nightjar::clock::{Clock, ManualClock};
use nightjar::ids::PersonId;
use nightjar::web::backend::{Asked, Command, Reply};
use nightjar_calc::time::Span;
use station_bench::{SCAN, bench, bench_at};
use std::sync::Arc;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_pause_ends_when_it_was_to_end_though_the_station_started_anew_meanwhile() {
    let folder = tempfile::tempdir().unwrap();
    let mut first = bench(folder.path(), "").await;
    first.load().await;
    first.scans(Span::from_minutes(5)).await;
    first.flow[0] = 0.0;
    first.scans(Span::from_minutes(2)).await;
    let raised = first.raised().await;
    assert_eq!(raised.iter().map(|event| event.kind).collect::<Vec<_>>(), [AlarmKind::NoFlow]);
    let paused = first.clock.now().utc;
    let (reply, answer) = tokio::sync::oneshot::channel();
    let command = Command::Shelve {
        event: raised[0].event,
        until: paused + Span::from_minutes(30),
        one_shot: false,
        reason: "cleaning the valve".into(),
        by: PersonId::new("kim").unwrap(),
    };
    first.station.commands.send(Asked { command, reply }).await.unwrap();
    assert_eq!(answer.await.unwrap(), Reply::Done);
    first.scans(Span::from_minutes(20)).await;
    // Another jar falters for a moment: the journal says so, and no alarm changes.
    first.flow[1] = 0.0;
    first.scan().await;
    first.flow[1] = 3.0;
    first.scans(Span::from_minutes(1)).await;
    let (flow, off) = (first.flow, first.clock.now().utc);
    first.end().await;

    let clock = Arc::new(ManualClock::new(off + Span::from_minutes(1)));
    let mut second = bench_at(folder.path(), "", clock).await;
    second.flow = flow;
    second.scans(Span::from_minutes(12)).await;
    let events = second.events().await;
    let again = events.iter().find(|event| event.change == Change::Unsuppressed).map(|event| event.at);
    let lasted = again.unwrap_or_else(|| panic!("still paused: {events:?}")).since(paused);
    let late = lasted - Span::from_minutes(30);
    assert!(late >= Span::ZERO && late <= SCAN + SCAN, "it lasted {} s", lasted.secs());
    second.end().await;
}
