//! A whole station stopped with an alarm open, its database brought into the form of an earlier
//! release, and started again by the program of now: the alarm is still open, still has its code and
//! what a person said about it, is not told anew, and ends when the water runs.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod station_bench;

use nightjar::alarm::event::{AlarmKind, Change, EventId};
use nightjar::ids::PersonId;
use nightjar::web::backend::{Asked, Command, Reply};
use nightjar_calc::time::Span;
use serde_json::Value;
use station_bench::{Bench, bench, bench_at};
use std::path::Path;
use std::sync::Arc;

async fn acknowledge(bench: &Bench, event: EventId) {
    let (reply, answer) = tokio::sync::oneshot::channel();
    let command = Command::Acknowledge { event, by: PersonId::new("kim").unwrap() };
    bench.station.commands.send(Asked { command, reply }).await.unwrap();
    assert_eq!(answer.await.unwrap(), Reply::Done);
}

/// Takes out of stored state what the first release did not know.
fn forget(value: &mut Value) {
    match value {
        Value::Object(fields) => {
            ["over", "why"].iter().for_each(|newer| drop(fields.remove(*newer)));
            fields.values_mut().for_each(forget);
        }
        Value::Array(all) => all.iter_mut().for_each(forget),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// The file as the first release would have left it. Gives how many rows of state it holds.
fn as_first_release(folder: &Path) -> usize {
    let db = rusqlite::Connection::open(folder.join("nightjar.sqlite")).unwrap();
    let version: i64 = db.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
    assert_eq!(version, 2, "a newer schema: take back its step here too");
    db.execute_batch("DROP TABLE past_water; PRAGMA user_version = 1").unwrap();
    let mut all = db.prepare("SELECT key, body FROM state").unwrap();
    let rows: Vec<(String, String)> =
        all.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap().map(Result::unwrap).collect();
    for (key, body) in &rows {
        let mut body: Value = serde_json::from_str(body).unwrap();
        forget(&mut body);
        db.execute("UPDATE state SET body = ?2 WHERE key = ?1", (key, body.to_string())).unwrap();
    }
    rows.len()
}

/// The alarms that are on: what, its code, where, and who took it on.
fn standing(bench: &Bench) -> Vec<(AlarmKind, String, Vec<String>, Option<String>)> {
    let alarms = bench.station.picture.borrow().alarms.clone();
    alarms
        .iter()
        .filter(|alarm| alarm.on)
        .map(|alarm| {
            let by = alarm.acknowledged.as_ref().map(|(by, _)| by.clone());
            (alarm.kind, alarm.code.0.clone(), alarm.members.clone(), by)
        })
        .collect()
}

async fn upgraded_with_an_open_alarm(taken_on: bool) {
    let folder = tempfile::tempdir().unwrap();
    let more = format!("[notify]\nmail-folder = {:?}\n", folder.path().join("mail"));
    let mut before = bench(folder.path(), &more).await;
    before.load().await;
    before.scans(Span::from_minutes(5)).await;
    before.flow[0] = 0.0;
    before.scans(Span::from_minutes(2)).await;
    let first = before.raised().await.pop().unwrap();
    assert_eq!((first.kind, first.members.as_slice()), (AlarmKind::NoFlow, ["01".to_owned()].as_slice()));
    if taken_on {
        acknowledge(&before, first.event).await;
    }
    before.scans(Span::from_minutes(2)).await;
    let (known, told) = (before.events().await.len(), before.messages().await.len());
    let open = standing(&before);
    let by = taken_on.then(|| "kim".to_owned());
    assert_eq!(open, [(AlarmKind::NoFlow, first.code.0.clone(), vec!["01".to_owned()], by)]);
    let clock = Arc::clone(&before.clock);
    before.end().await;

    assert!(as_first_release(folder.path()) > 2);
    let mut after = bench_at(folder.path(), &more, clock).await;
    after.flow[0] = 0.0;
    after.scans(Span::from_secs(30)).await;
    assert_eq!(standing(&after), open);
    let since = after.events().await.split_off(known);
    assert!(since.iter().all(|event| event.kind != AlarmKind::NoFlow), "not raised again: {since:?}");
    let new = after.messages().await.split_off(told);
    assert!(new.iter().all(|message| message.key.event != Some(first.event)), "not told again: {new:?}");

    after.flow[0] = 3.0;
    after.scans(Span::from_minutes(5)).await;
    let since = after.events().await.split_off(known);
    let ended = since.iter().filter(|e| e.event == first.event && e.change == Change::Cleared).count();
    assert_eq!(ended, 1, "{since:?}");
    assert_eq!(standing(&after), []);
    after.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_open_alarm_is_still_open_after_an_upgrade() {
    upgraded_with_an_open_alarm(false).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_alarm_somebody_took_on_is_still_theirs_after_an_upgrade() {
    upgraded_with_an_open_alarm(true).await;
}
