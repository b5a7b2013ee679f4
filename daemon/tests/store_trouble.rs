//! A full disk, a read-only file, a damaged one: the caller is told at once, alarms go on, nothing
//! that was acknowledged is lost, and the store comes back by itself.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]
#![expect(clippy::unwrap_used, reason = "what a test needs to begin must be there")]

use nightjar::alarm::event::{EventId, Priority};
use nightjar::clock::{Clock, ManualClock};
use nightjar::ids::{PersonId, SensorId};
use nightjar::logbook::{Act, Entry, EntryId, Note};
use nightjar::reading::{Quality, Reading, Reason, Receipt, SensorIx, Value};
use nightjar::store::{
    JournalFilter, JournalKind, MessageKey, MessageState, NewLine, NewMessage, StoreError, StoreHandle,
    StoreHealth, StoreOptions, Transition, Trouble, open,
};
use nightjar_calc::time::{Span, Timestamp};
use serde_json::json;
use std::io::{Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::Arc;
use tokio::sync::mpsc;

fn sensor() -> SensorId {
    SensorId::new("J07T").unwrap()
}

fn start() -> Timestamp {
    Timestamp::parse("2026-04-18T02:00:00Z").unwrap()
}

fn options(folder: &Path) -> StoreOptions {
    let mut options = StoreOptions::new(folder.join("nightjar.db"), vec![sensor()]);
    options.ballast_bytes = 0;
    options
}

fn open_with(options: StoreOptions) -> (StoreHandle, Arc<ManualClock>) {
    let clock = Arc::new(ManualClock::new(start()));
    (open(options, clock.clone() as Arc<dyn Clock>).unwrap(), clock)
}

/// A number as good as random, the same for the same input.
fn scrambled(n: i64) -> i32 {
    let mut h = n.unsigned_abs().wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    h = (h ^ (h >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    h = (h ^ (h >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    i32::try_from(h >> 33).unwrap()
}

fn readings(from: i64, n: i64) -> Vec<Reading> {
    (from..from + n)
        .map(|second| Reading {
            sensor: SensorIx(0),
            at: start() + Span::from_secs(second),
            // Every bit different, so that packing does not make them small.
            value: Value(scrambled(second)),
            quality: Quality::Good,
            reason: Reason::None,
        })
        .collect()
}

fn raised(clock: &ManualClock, event: u64) -> Transition {
    Transition {
        journal: vec![NewLine {
            now: clock.now(),
            kind: JournalKind::Alarm,
            event: Some(EventId(event)),
            body: json!({"change": "raised"}),
        }],
        state: vec![(format!("alarm/{event}"), Some(json!({"on": true})))],
        outbox: vec![NewMessage {
            key: MessageKey::event(EventId(event), 1, PersonId::new("kim").unwrap(), "text", 0),
            priority: Priority::P1,
            body: json!({"text": "no flow"}),
            delay: Span::ZERO,
            life: None,
        }],
        shorten: Vec::new(),
    }
}

fn note(id: &str) -> Entry {
    Entry {
        id: EntryId(id.into()),
        happened_at: start(),
        written_at: start(),
        who: PersonId::new("ana").unwrap(),
        act: Act::Note(Note { jar: None, text: "rolls well".into() }),
    }
}

async fn stored(store: &StoreHandle) -> usize {
    let all = store
        .read(|look| look.samples_between(&sensor(), Timestamp::from_ms(0), start() + Span::from_days(9.0)))
        .await;
    all.unwrap().len()
}

async fn wait_for(store: &StoreHandle, condition: impl FnMut(&StoreHealth) -> bool) {
    let mut changes = store.health_changes();
    let limit = std::time::Duration::from_secs(20);
    tokio::time::timeout(limit, changes.wait_for(condition)).await.expect("in time").unwrap();
}

/// Fills the file up to its page limit, which SQLite reports as it reports a full disk.
async fn fill(store: &StoreHandle) -> i64 {
    let mut sent = 0;
    loop {
        store.append(readings(sent, 1_000), None).unwrap();
        sent += 1_000;
        match store.flush().await {
            Ok(()) => assert!(sent < 1_000_000, "the limit was never reached"),
            Err(StoreError::Failing(Trouble::Full(_))) => return sent,
            Err(other) => panic!("{other}"),
        }
    }
}

#[tokio::test]
async fn a_full_disk_is_said_at_once_kept_in_memory_and_made_good_later() {
    let folder = tempfile::tempdir().unwrap();
    let mut limited = options(folder.path());
    limited.max_pages = Some(60);
    let (store, clock) = open_with(limited);
    store.append_entry(note("entry-0001")).await.unwrap();
    let sent = fill(&store).await;
    let health = store.health();
    assert!(matches!(health.failing.as_ref().unwrap().trouble, Trouble::Full(_)));
    let safe = stored(&store).await;
    assert!(
        safe >= usize::try_from(sent).unwrap() - 1_000,
        "what was committed before is still there: {safe} of {sent}"
    );

    // An alarm now: refused at once, and its message comes back to be sent directly.
    let refused = store.commit(raised(&clock, 5)).await.unwrap_err();
    assert!(matches!(refused.why, StoreError::Failing(Trouble::Full(_))), "{refused:?}");
    assert_eq!(refused.messages, raised(&clock, 5).outbox);
    // An entry is refused, so that the person can write it on paper.
    assert!(matches!(store.append_entry(note("entry-0002")).await, Err(StoreError::Failing(_))));
    wait_for(&store, |health| health.waiting_transitions == 1).await;

    // Room is made from outside: old readings go.
    store.close().await.unwrap_err();
    drop(store);
    let (store, clock) = open_with(options(folder.path()));
    assert_eq!(stored(&store).await, safe);
    assert!(store.health().failing.is_none());
    store.commit(raised(&clock, 6)).await.unwrap();
    store.close().await.unwrap();
}

#[tokio::test]
async fn space_given_back_brings_the_store_back_without_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("nightjar.db");
    let (store, clock) = open_with(options(folder.path()));
    store.append(readings(0, 100), None).unwrap();
    store.flush().await.unwrap();
    // Another program takes the write lock and does not give it back: nothing can be written.
    let other = rusqlite::Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let (to, mut receipts) = mpsc::channel(8);
    store.append(readings(100, 50), Some(Receipt { epoch: 1, packet: 1, to: to.clone() })).unwrap();
    // Told within the 5 s that a foreign lock is waited for.
    assert!(matches!(store.flush().await, Err(StoreError::Failing(Trouble::Unusable(_)))));
    let refused = store.commit(raised(&clock, 5)).await.unwrap_err();
    assert!(matches!(refused.why, StoreError::Failing(_)));
    assert!(receipts.try_recv().is_err(), "not on disk, so not acknowledged");
    assert_eq!(stored(&store).await, 100, "reading goes on");

    // Too long: the broker must not stop delivering, so receipts are given, and counted as early.
    clock.advance(Span::from_secs(30));
    assert_eq!(receipts.recv().await, Some((1, 1)));
    wait_for(&store, |health| health.early_receipts == 1 && health.failing.is_some()).await;

    other.execute_batch("ROLLBACK").unwrap();
    clock.advance(Span::from_secs(60));
    wait_for(&store, |health| health.failing.is_none() && health.readings == 150).await;
    assert_eq!(stored(&store).await, 150);
    let (lines, state, message) = store
        .read(|look| {
            Ok((
                look.journal(&JournalFilter::default(), 10)?,
                look.states("alarm/")?,
                look.messages(None, 10)?.remove(0),
            ))
        })
        .await
        .unwrap();
    assert_eq!((lines.len(), lines[0].at), (1, start()), "written later, dated when it happened");
    assert_eq!(state["alarm/5"], json!({"on": true}));
    assert_eq!(message.state, MessageState::Direct, "it was sent directly, and is not sent again");
    store.close().await.unwrap();
}

#[tokio::test]
async fn memory_is_bounded_while_nothing_can_be_written() {
    let folder = tempfile::tempdir().unwrap();
    // A folder where the file should be: it can never be opened.
    std::fs::create_dir(folder.path().join("nightjar.db")).unwrap();
    let (store, clock) = open_with(options(folder.path()));
    assert!(matches!(store.health().failing.unwrap().trouble, Trouble::Unusable(_)));
    for minute in 0..180 {
        store.append(readings(minute * 60, 60), None).unwrap();
        let refused = store.commit(raised(&clock, u64::try_from(minute).unwrap())).await.unwrap_err();
        assert_eq!(refused.messages.len(), 1);
        while store.queued().0 > 0 {
            tokio::task::yield_now().await;
        }
        clock.advance(Span::from_minutes(1));
    }
    wait_for(&store, |health| health.dropped_readings >= 60 * 110).await;
    let health = store.health();
    assert!(health.waiting_readings <= 60 * 62, "an hour of readings: {}", health.waiting_readings);
    assert_eq!(health.waiting_transitions, 180, "a day of transitions");
    assert!(matches!(store.read(|look| look.sensors()).await, Err(StoreError::Failing(_))));
    // A day later they have gone too, each counted.
    clock.advance(Span::from_hours(25));
    wait_for(&store, |health| health.dropped_transitions == 180 && health.waiting_readings == 0).await;

    // What stood in the way is gone: the run begins in the file only then.
    assert_eq!(store.run(), 0);
    std::fs::remove_dir(folder.path().join("nightjar.db")).unwrap();
    clock.advance(Span::from_secs(60));
    wait_for(&store, |health| health.failing.is_none()).await;
    assert_eq!(store.run(), 1);
    store.append(readings(0, 5), None).unwrap();
    store.flush().await.unwrap();
    assert_eq!(stored(&store).await, 5);
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_file_that_must_open_is_told_at_the_start() {
    let folder = tempfile::tempdir().unwrap();
    let mut strict = options(folder.path());
    strict.path = folder.path().join("no such folder").join("nightjar.db");
    strict.must_open = true;
    let clock = Arc::new(ManualClock::new(start()));
    assert!(matches!(open(strict, clock as Arc<dyn Clock>), Err(StoreError::Failing(Trouble::Unusable(_)))));
}

#[tokio::test]
async fn ballast_makes_room_for_alarms_when_the_disk_is_full() {
    // A real full disk needs a file system of our own: a small one in memory, where we may mount.
    let folder = tempfile::tempdir().unwrap();
    let mounted = std::process::Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=8m", "tmpfs"])
        .arg(folder.path())
        .output()
        .is_ok_and(|done| done.status.success());
    if !mounted {
        // SQLite's own page limit stands for the full disk in the tests above.
        println!("not allowed to mount: the real full disk was not tried");
        return;
    }
    let unmount = Unmount(folder.path().to_owned());
    let mut with_ballast = options(folder.path());
    with_ballast.ballast_bytes = 512 * 1024;
    let (store, clock) = open_with(with_ballast);
    let ballast = folder.path().join("nightjar.db.ballast");
    wait_for(&store, |health| health.free_bytes.is_some()).await;
    assert_eq!(std::fs::metadata(&ballast).unwrap().len(), 512 * 1024);
    // Somebody's log file eats the rest.
    let mut hog = std::fs::File::create(folder.path().join("hog")).unwrap();
    while hog.write_all(&[7; 4096]).is_ok() {}
    let ids = store.commit(raised(&clock, 5)).await.unwrap();
    assert_eq!(ids.len(), 1, "written, in the room the ballast left");
    assert!(!ballast.exists());
    // Now there is nothing left to give: told, and kept in memory.
    while hog.write_all(&[7; 4096]).is_ok() {}
    let mut event = 6;
    let refused = loop {
        match store.commit(raised(&clock, event)).await {
            Ok(_) => event += 1,
            Err(refused) => break refused,
        }
        assert!(event < 2_000, "the disk was never full");
    };
    assert!(matches!(refused.why, StoreError::Failing(Trouble::Full(_) | Trouble::Io(_))), "{refused:?}");
    drop(hog);
    std::fs::remove_file(folder.path().join("hog")).unwrap();
    clock.advance(Span::from_secs(60));
    wait_for(&store, |health| health.failing.is_none()).await;
    let highest = store.read(|look| look.highest_event()).await.unwrap();
    assert_eq!(highest, Some(EventId(event)), "the one refused is in the journal now");
    clock.advance(Span::from_secs(61));
    // What is due is done after each request: the second answer comes after it.
    store.set_setting("a".into(), None).await.unwrap();
    store.set_setting("a".into(), None).await.unwrap();
    assert!(ballast.exists(), "there is room again");
    store.close().await.unwrap();
    drop(store);
    drop(unmount);
}

struct Unmount(std::path::PathBuf);

impl Drop for Unmount {
    fn drop(&mut self) {
        let done = std::process::Command::new("umount").arg("-l").arg(&self.0).status();
        assert!(done.is_ok_and(|status| status.success()) || std::thread::panicking());
    }
}

#[tokio::test]
async fn a_read_only_file_is_told_and_watched_over_in_memory() {
    let folder = tempfile::tempdir().unwrap();
    let (store, _clock) = open_with(options(folder.path()));
    store.append(readings(0, 10), None).unwrap();
    store.close().await.unwrap();
    drop(store);
    // Root may write any file, so permissions prove nothing: a file system mounted read-only does.
    let mount = |args: &[&str]| {
        std::process::Command::new("mount").args(args).output().is_ok_and(|done| done.status.success())
    };
    let place = folder.path().to_str().unwrap();
    if !mount(&["--bind", place, place]) {
        println!("not allowed to mount: the read-only file was not tried");
        return;
    }
    let _unmount = Unmount(folder.path().to_owned());
    assert!(mount(&["-o", "remount,ro,bind", place, place]));
    let (store, clock) = open_with(options(folder.path()));
    assert!(matches!(store.health().failing.unwrap().trouble, Trouble::ReadOnly(_) | Trouble::Unusable(_)));
    let refused = store.commit(raised(&clock, 5)).await.unwrap_err();
    assert_eq!(refused.messages.len(), 1);
    store.append(readings(10, 10), None).unwrap();
    assert!(store.flush().await.is_err());
    assert!(mount(&["-o", "remount,rw,bind", place, place]));
    clock.advance(Span::from_secs(60));
    wait_for(&store, |health| health.failing.is_none()).await;
    assert_eq!(stored(&store).await, 20);
    assert_eq!(store.read(|look| look.highest_event()).await.unwrap(), Some(EventId(5)));
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_file_that_is_no_database_is_moved_aside_never_deleted() {
    let folder = tempfile::tempdir().unwrap();
    let rubbish = vec![0xa5_u8; 20_000];
    std::fs::write(folder.path().join("nightjar.db"), &rubbish).unwrap();
    let (store, clock) = open_with(options(folder.path()));
    let health = store.health();
    assert!(health.failing.is_none());
    assert_eq!(health.moved_aside.len(), 1);
    assert_eq!(std::fs::read(&health.moved_aside[0]).unwrap(), rubbish);
    store.commit(raised(&clock, 1)).await.unwrap();
    store.close().await.unwrap();
}

#[tokio::test]
async fn what_can_be_read_of_a_damaged_file_is_carried_over() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_with(options(folder.path()));
    for n in 0..20 {
        store.append_entry(note(&format!("entry-{n:04}"))).await.unwrap();
        store.commit(raised(&clock, n)).await.unwrap();
    }
    // A long record, so that a page in the middle of the file is one of its pages.
    for hour in 0..200 {
        store.append(readings(hour * 3_600, 500), None).unwrap();
    }
    clock.advance(Span::from_days(10.0));
    store.compact().await.unwrap();
    let run = store.run();
    store.close().await.unwrap();
    drop(store);
    let path = folder.path().join("nightjar.db");
    let page = {
        let db = rusqlite::Connection::open(&path).unwrap();
        let sql = "SELECT pageno FROM dbstat WHERE name = 'chunk' AND pagetype = 'leaf' LIMIT 1 OFFSET 40";
        db.query_row(sql, [], |row| row.get::<_, u32>(0)).unwrap()
    };
    let mut file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
    file.seek(SeekFrom::Start(u64::from(page - 1) * 4096)).unwrap();
    file.write_all(&[0x5a; 4096]).unwrap();
    drop(file);

    let (store, _clock) = open_with(options(folder.path()));
    assert!(store.health().moved_aside.is_empty(), "nobody has looked yet");
    // Looking it over finds it, as does any reader that comes to the page.
    store.quick_check().await.unwrap_err();
    wait_for(&store, |health| health.failing.is_none() && !health.moved_aside.is_empty()).await;
    let (entries, states, messages) = store
        .read(|look| Ok((look.entries_after(0, 100)?, look.states("alarm/")?, look.messages(None, 100)?)))
        .await
        .unwrap();
    println!("carried over: {}", store.health().carried_over.unwrap());
    assert_eq!((entries.len(), states.len(), messages.len()), (20, 20, 20));
    let kept = stored(&store).await;
    println!("{kept} of 100000 readings carried around one damaged page");
    assert!(kept > 90_000 && kept < 100_000, "{kept}");
    assert!(store.run() > run, "the run goes on under its number");
    assert_eq!(store.read(|look| look.runs(1)).await.unwrap()[0].id, store.run());
    store.quick_check().await.unwrap();
    store.append_entry(note("entry-9999")).await.unwrap();
    store.close().await.unwrap();
    let aside: Vec<_> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|file| file.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.contains(".damaged-"))
        .collect();
    assert!(!aside.is_empty());
}

#[tokio::test]
async fn a_reader_that_meets_damage_has_the_file_looked_over() {
    let folder = tempfile::tempdir().unwrap();
    let (store, _clock) = open_with(options(folder.path()));
    for n in 0..200 {
        store.append_entry(note(&format!("entry-{n:04}"))).await.unwrap();
    }
    store.close().await.unwrap();
    drop(store);
    let path = folder.path().join("nightjar.db");
    let page = {
        let db = rusqlite::Connection::open(&path).unwrap();
        let sql = "SELECT rootpage FROM sqlite_schema WHERE name = 'entry'";
        db.query_row(sql, [], |row| row.get::<_, u32>(0)).unwrap()
    };
    let mut file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
    file.seek(SeekFrom::Start(u64::from(page - 1) * 4096)).unwrap();
    file.write_all(&[0x5a; 4096]).unwrap();
    drop(file);
    let (store, _clock) = open_with(options(folder.path()));
    assert!(store.read(|look| look.entries_after(0, 500)).await.is_err());
    wait_for(&store, |health| !health.moved_aside.is_empty() && health.failing.is_none()).await;
    store.append_entry(note("entry-9999")).await.unwrap();
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_queue_that_is_full_drops_the_newest_and_counts() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_with(options(folder.path()));
    // Readers keep nothing up, but a foreign lock stops the writer in its tracks for up to 5 s.
    let other = rusqlite::Connection::open(folder.path().join("nightjar.db")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let first = store.commit(raised(&clock, 1));
    while store.queued().1 > 0 {
        tokio::task::yield_now().await;
    }
    let mut dropped = 0;
    for n in 0..5_000 {
        dropped += usize::from(store.append(readings(n, 1), None).is_err());
    }
    assert_eq!(dropped, 5_000 - 4_096);
    assert_eq!(store.health().dropped_readings, 904);
    let waiting: Vec<_> = (0..300).map(|event| store.commit(raised(&clock, event))).collect();
    let mut lagging = 0;
    other.execute_batch("ROLLBACK").unwrap();
    for commit in waiting {
        if let Err(refused) = commit.await {
            assert!(matches!(refused.why, StoreError::Lagging), "{refused:?}");
            assert_eq!(refused.messages.len(), 1, "handed back to be sent directly");
            lagging += 1;
        }
    }
    assert_eq!(lagging, 300 - 256);
    assert_eq!(store.health().dropped_transitions, 44);
    first.await.unwrap();
    store.flush().await.unwrap();
    assert_eq!(stored(&store).await, 4_096);
    store.close().await.unwrap();
}
