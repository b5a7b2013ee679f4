//! Logbook, journal, settings, sessions, runs, clock steps, lines set aside; migrations; backups.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]
#![expect(clippy::unwrap_used, reason = "what a test needs to begin must be there")]

use nightjar::alarm::event::EventId;
use nightjar::clock::{Clock, ManualClock, Uptime};
use nightjar::ids::{JarId, PersonId, SensorId};
use nightjar::logbook::{Act, Entry, EntryId, Note, Void};
use nightjar::store::{
    Appended, JournalFilter, JournalKind, NewLine, Session, SetAside, StoreError, StoreHandle, StoreOptions,
    Transition, backup, check_backup, corrected, open,
};
use nightjar_calc::time::{Span, Timestamp};
use serde_json::json;
use std::path::Path;
use std::sync::Arc;

fn start() -> Timestamp {
    Timestamp::parse("2026-04-18T02:00:00Z").unwrap()
}

fn options(folder: &Path) -> StoreOptions {
    let mut options = StoreOptions::new(folder.join("nightjar.db"), vec![SensorId::new("J07T").unwrap()]);
    options.ballast_bytes = 0;
    options.must_open = true;
    options
}

fn open_at(folder: &Path) -> (StoreHandle, Arc<ManualClock>) {
    let clock = Arc::new(ManualClock::new(start()));
    (open(options(folder), clock.clone() as Arc<dyn Clock>).unwrap(), clock)
}

fn note(id: &str, text: &str) -> Entry {
    Entry {
        id: EntryId(id.into()),
        happened_at: start(),
        written_at: start(),
        who: PersonId::new("ana").unwrap(),
        act: Act::Note(Note { jar: Some(JarId::new("B-07").unwrap()), text: text.into() }),
    }
}

#[tokio::test]
async fn an_entry_is_taken_once_and_never_changed() {
    let folder = tempfile::tempdir().unwrap();
    let (store, _clock) = open_at(folder.path());
    assert_eq!(store.append_entry(note("entry-0001", "rolls well")).await.unwrap(), Appended::Stored);
    // A phone sends it again, and it reaches the logbook a minute later.
    let again = Entry { written_at: start() + Span::from_minutes(1), ..note("entry-0001", "rolls well") };
    assert_eq!(store.append_entry(again).await.unwrap(), Appended::AlreadyHave);
    let other = store.append_entry(note("entry-0001", "rolls badly")).await;
    assert!(matches!(other, Err(StoreError::OtherContent { .. })), "{other:?}");
    let void = Entry {
        act: Act::Void(Void {
            entry: EntryId("entry-0001".into()),
            reason: "wrong jar".into(),
            instead: None,
        }),
        ..note("entry-0002", "")
    };
    store.append_entry(void.clone()).await.unwrap();
    for n in 3..8 {
        store.append_entry(note(&format!("entry-{n:04}"), "'; DROP TABLE entry;--")).await.unwrap();
    }
    store.close().await.unwrap();
    let (store, _clock) = open_at(folder.path());
    let mut all = Vec::new();
    loop {
        let after = all.last().map_or(0, |(seq, _)| *seq);
        let page = store.read(move |look| look.entries_after(after, 3)).await.unwrap();
        if page.is_empty() {
            break;
        }
        all.extend(page);
    }
    let ids: Vec<&str> = all.iter().map(|(_, entry)| entry.id.0.as_str()).collect();
    assert_eq!(ids, (1..8).map(|n| format!("entry-{n:04}")).collect::<Vec<_>>());
    assert_eq!(all[0].1, note("entry-0001", "rolls well"));
    assert_eq!(all[1].1, void);
    let newest = store.read(|look| look.entries_before(None, 2)).await.unwrap();
    assert_eq!(newest[0].1.id.0, "entry-0007");
    let before = newest[1].0;
    let older = store.read(move |look| look.entries_before(Some(before), 1)).await.unwrap();
    assert_eq!(older[0].1.id.0, "entry-0005");
    store.close().await.unwrap();
}

#[tokio::test]
async fn an_entry_and_what_it_causes_are_written_together_and_once() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path());
    let caused = Transition {
        journal: vec![NewLine {
            now: clock.now(),
            kind: JournalKind::Other,
            event: None,
            body: json!({"a": 1}),
        }],
        ..Transition::default()
    };
    for expected in [Appended::Stored, Appended::AlreadyHave] {
        let appended = store.append_entry_with(note("entry-0001", "x"), caused.clone()).await.unwrap();
        assert_eq!(appended, expected);
    }
    assert!(store.append_entry_with(note("entry-0001", "y"), caused).await.is_err());
    let lines = store.read(|look| look.journal(&JournalFilter::default(), 10)).await.unwrap();
    assert_eq!(lines.len(), 1);
    store.close().await.unwrap();
}

#[tokio::test]
async fn the_journal_is_read_newest_first_by_page_and_filter() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path());
    for n in 0..30_u64 {
        let (kind, event) =
            if n % 3 == 0 { (JournalKind::Alarm, Some(EventId(n / 6))) } else { (JournalKind::Source, None) };
        let journal = vec![NewLine { now: clock.now(), kind, event, body: json!({ "n": n }) }];
        store.commit(Transition { journal, ..Transition::default() }).await.unwrap();
        clock.advance(Span::from_minutes(1));
    }
    let numbers = |filter: JournalFilter, limit| {
        let lines = store.read_blocking(move |look| look.journal(&filter, limit)).unwrap();
        (lines.last().map(|l| l.id), lines.iter().map(|l| l.body["n"].as_u64().unwrap()).collect::<Vec<_>>())
    };
    let (last, page) = numbers(JournalFilter::default(), 4);
    assert_eq!(page, [29, 28, 27, 26]);
    assert_eq!(numbers(JournalFilter { before: last, ..Default::default() }, 2).1, [25, 24]);
    let alarms = JournalFilter { kind: Some(JournalKind::Alarm), ..Default::default() };
    assert_eq!(numbers(alarms, 3).1, [27, 24, 21]);
    assert_eq!(numbers(JournalFilter { event: Some(EventId(2)), ..Default::default() }, 9).1, [15, 12]);
    let (from, to) = (Some(start() + Span::from_minutes(5)), Some(start() + Span::from_minutes(8)));
    assert_eq!(numbers(JournalFilter { from, to, ..Default::default() }, 9).1, [7, 6, 5]);
    store.close().await.unwrap();
}

#[tokio::test]
async fn settings_sessions_and_lines_set_aside_are_kept() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path());
    store.set_setting("drill/last".into(), Some(json!({"at": 5}))).await.unwrap();
    let session = Session {
        person: PersonId::new("ana").unwrap(),
        role: "operator".into(),
        created_at: start(),
        used_at: start(),
    };
    store.put_session(vec![1; 32], session.clone()).await.unwrap();
    store.put_session(vec![2; 32], session.clone()).await.unwrap();
    clock.advance(Span::from_hours(11));
    store.touch_session(vec![2; 32], clock.now().utc).await.unwrap();
    clock.advance(Span::from_hours(2));
    assert_eq!(store.end_old_sessions(Span::from_hours(12), Span::from_days(30.0)).await.unwrap(), 1);
    for n in 0..1_005 {
        let line =
            SetAside { at: start(), source: "export".into(), raw: "å".repeat(3_000), reason: n.to_string() };
        store.set_aside(line).await.unwrap();
    }
    let (setting, gone, kept, aside) = store
        .read(|look| {
            Ok((
                look.setting("drill/last")?,
                look.session(&[1; 32])?,
                look.session(&[2; 32])?,
                look.set_aside(5_000)?,
            ))
        })
        .await
        .unwrap();
    assert_eq!(setting, Some(json!({"at": 5})));
    assert_eq!(gone, None);
    assert_eq!(kept.unwrap().used_at, start() + Span::from_hours(11));
    assert_eq!((aside.len(), aside[0].reason.as_str(), aside[0].raw.len()), (1_000, "1004", 4_096));
    store.end_sessions_of(session.person).await.unwrap();
    assert_eq!(store.read(|look| look.session(&[2; 32])).await.unwrap(), None);
    store.close().await.unwrap();
}

#[tokio::test]
async fn records_of_a_run_are_corrected_by_its_clock_steps_when_read() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path());
    let run = store.run();
    clock.advance(Span::from_secs(60));
    let old = clock.now().utc;
    clock.step_wall(Span::from_hours(30));
    store.record_clock_step(old, clock.now()).await.unwrap();
    let steps = store.read(|look| look.clock_steps()).await.unwrap();
    assert_eq!(steps.len(), 1);
    let before = corrected(start(), run, Uptime::from_ms(0), &steps);
    assert_eq!(before, start() + Span::from_hours(30));
    let after = clock.now().utc;
    assert_eq!(corrected(after, run, Uptime::from_ms(60_000), &steps), after);
    assert_eq!(corrected(start(), run + 1, Uptime::from_ms(0), &steps), start(), "another run");
    let runs = store.read(|look| look.runs(5)).await.unwrap();
    assert_eq!((runs.len(), runs[0].id, runs[0].started_at), (1, run, start()));
    store.close().await.unwrap();
}

/// The first released schema, as a program of that time left it: written out here once more, so
/// that an edit of the released step shows.
const FIRST_RELEASE: &str = include_str!("fixtures/schema_v1.sql");

#[tokio::test]
async fn a_file_of_the_first_release_opens_with_all_it_holds() {
    assert!(
        FIRST_RELEASE.starts_with(include_str!("../src/store/schema/v1.sql")),
        "a released step was edited"
    );
    let folder = tempfile::tempdir().unwrap();
    {
        let db = rusqlite::Connection::open(folder.path().join("nightjar.db")).unwrap();
        db.execute_batch(FIRST_RELEASE).unwrap();
    }
    let (store, clock) = open_at(folder.path());
    let now = clock.now();
    let (samples, entries, lines, state, due) = store
        .read(move |look| {
            let from = Timestamp::from_ms(0);
            Ok((
                look.samples_between(&SensorId::new("J07T").unwrap(), from, start() + Span::from_days(1.0))?,
                look.entries_after(0, 10)?,
                look.journal(&JournalFilter::default(), 10)?,
                look.states("")?,
                look.due("text", now, 10)?,
            ))
        })
        .await
        .unwrap();
    // By hand from the bytes in the fixture: 11.0000 °C and, 10 s later, 11.0001 °C.
    let values: Vec<(i64, i32)> = samples.iter().map(|s| (s.at.ms(), s.value.0)).collect();
    assert_eq!(values, [(1_776_470_400_000, 110_000), (1_776_470_410_000, 110_001)]);
    assert_eq!(entries.len(), 1);
    assert_eq!(lines.len(), 1);
    assert_eq!(state["alarm/1"], json!({"on": true}));
    assert_eq!((due.len(), due[0].repeated), (1, true));
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_file_of_a_newer_program_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("nightjar.db");
    {
        let db = rusqlite::Connection::open(&path).unwrap();
        db.execute_batch("CREATE TABLE later (a); PRAGMA user_version = 1000").unwrap();
    }
    let before = std::fs::read(&path).unwrap();
    let mut options = options(folder.path());
    // Even an unattended start, which otherwise goes on in memory, refuses.
    options.must_open = false;
    let clock = Arc::new(ManualClock::new(start()));
    let refused = open(options, clock as Arc<dyn Clock>);
    assert!(matches!(refused, Err(StoreError::NewerSchema { found: 1000, .. })), "{refused:?}");
    assert_eq!(std::fs::read(&path).unwrap(), before);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing was put beside it");
}

#[tokio::test]
async fn backups_are_whole_checked_and_the_newest_are_kept() {
    let folder = tempfile::tempdir().unwrap();
    let copies = folder.path().join("copies");
    let (store, _clock) = open_at(folder.path());
    for n in 0..5 {
        store.append_entry(note(&format!("entry-{n:04}"), "x")).await.unwrap();
        let stamp = format!("2026-04-{:02}", 18 + n);
        let (path, report) = store.backup(copies.clone(), stamp, 3).await.unwrap();
        assert_eq!(report.entries, n + 1);
        assert_eq!(check_backup(&path).unwrap(), report);
    }
    let mut names: Vec<String> =
        std::fs::read_dir(&copies).unwrap().map(|f| f.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    assert_eq!(names, ["nightjar-2026-04-20.db", "nightjar-2026-04-21.db", "nightjar-2026-04-22.db"]);
    store.close().await.unwrap();

    // The drill: a copy put in the place of the file opens and goes on.
    let restored = tempfile::tempdir().unwrap();
    std::fs::copy(copies.join(&names[2]), restored.path().join("nightjar.db")).unwrap();
    let (store, _clock) = open_at(restored.path());
    assert_eq!(store.read(|look| look.entries_after(0, 10)).await.unwrap().len(), 5);
    assert_eq!(store.append_entry(note("entry-0009", "y")).await.unwrap(), Appended::Stored);
    store.close().await.unwrap();

    // A damaged copy is told from a good one.
    let mut bytes = std::fs::read(copies.join(&names[2])).unwrap();
    for byte in bytes.iter_mut().skip(4096).take(4096 * 3) {
        *byte ^= 0x5a;
    }
    let damaged = folder.path().join("damaged.db");
    std::fs::write(&damaged, bytes).unwrap();
    assert!(check_backup(&damaged).is_err());
    // Nowhere to write: one clear error, and the copies stay.
    let nowhere = folder.path().join("nightjar.db").join("copies");
    assert!(backup(&folder.path().join("nightjar.db"), &nowhere, "x", 1).is_err());
    assert_eq!(std::fs::read_dir(&copies).unwrap().count(), 3);
}
