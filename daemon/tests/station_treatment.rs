//! A treatment is judged by the flow that the jar's meter measures when it is written down, not by the flow
//! its form was opened with.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod station_bench;

use nightjar::clock::Clock;
use nightjar::ids::{JarId, PersonId};
use nightjar::logbook::{Act, Agent, Entry, EntryId, Note, Treatment, Void};
use nightjar::web::backend::{Asked, Command, Reply};
use nightjar_calc::time::Span;
use station_bench::{Bench, bench};

/// Writes a treatment of jar 01 down; its form said 3.0 L/min, the set-point.
async fn treat(bench: &Bench, id: &str, ago: Span, despite: &str) -> Reply {
    write(bench, id, ago, formalin(despite)).await
}

fn formalin(despite: &str) -> Act {
    Act::Treatment(Box::new(Treatment {
        jar: JarId::new("01").unwrap(),
        agent: Agent::Formalin,
        concentration: 1_667.0,
        minutes: 15.0,
        flow_l_per_min: 3.0,
        volume_ml: 75.0,
        batch: String::new(),
        store_coldest_c: None,
        despite: despite.into(),
    }))
}

/// Takes an entry back, with a treatment in its place.
async fn treat_instead(bench: &Bench, id: &str, of: &str) -> Reply {
    let instead = Some(Box::new(formalin("")));
    let void = Void { entry: EntryId(of.into()), reason: "written wrong".into(), instead };
    write(bench, id, Span::ZERO, Act::Void(void)).await
}

async fn write(bench: &Bench, id: &str, ago: Span, act: Act) -> Reply {
    let now = bench.clock.now().utc;
    let who = PersonId::new("kim").unwrap();
    let entry = Entry { id: EntryId(id.into()), happened_at: now - ago, written_at: now, who, act };
    let (reply, answer) = tokio::sync::oneshot::channel();
    bench.station.commands.send(Asked { command: Command::Entry(Box::new(entry)), reply }).await.unwrap();
    answer.await.unwrap()
}

fn refused(reply: &Reply, why: &str) {
    assert!(matches!(reply, Reply::Refused(said) if said.contains(why)), "{reply:?} without \"{why}\"");
}

#[tokio::test]
async fn the_guard_asks_the_meter_when_the_treatment_is_written_down() {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = bench(folder.path(), "").await;
    bench.load().await;
    // Nothing has been heard of the jar yet.
    refused(&treat(&bench, "before-anything", Span::ZERO, "").await, "flow");
    bench.scans(Span::from_minutes(20)).await;
    assert_eq!(treat(&bench, "in-full-flow", Span::ZERO, "").await, Reply::Done);
    // The flow falls to a third after the form was opened.
    bench.flow[0] = 1.0;
    bench.scans(Span::from_minutes(2)).await;
    refused(&treat(&bench, "flow-has-fallen", Span::ZERO, "").await, "below");
    // In the place of something else it is a treatment like any other; corrected, it is a record.
    let note = Act::Note(Note { jar: None, text: "a note".into() });
    assert_eq!(write(&bench, "note", Span::ZERO, note).await, Reply::Done);
    refused(&treat_instead(&bench, "instead-of-a-note", "note").await, "below");
    assert_eq!(treat_instead(&bench, "corrected", "in-full-flow").await, Reply::Done);
    assert_eq!(treat(&bench, "given-all-the-same", Span::ZERO, "valve opened by hand").await, Reply::Done);
    // Of a treatment that is long over the meter of now says nothing.
    assert_eq!(treat(&bench, "twenty-minutes-ago", Span::from_minutes(20), "").await, Reply::Done);
    // A meter that has gone silent is not believed.
    bench.flow[0] = 3.0;
    bench.scans(Span::from_minutes(2)).await;
    assert_eq!(treat(&bench, "in-full-flow-again", Span::ZERO, "").await, Reply::Done);
    bench.pull().await;
    bench.scans(Span::from_minutes(2)).await;
    refused(&treat(&bench, "silent-meter", Span::ZERO, "").await, "flow");
    bench.stop.cancel();
}
