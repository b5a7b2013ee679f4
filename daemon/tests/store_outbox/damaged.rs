//! Messages whose row was damaged: each is named, and keeps back none of the others.

use crate::{due, get, message, one, open_at, start};
use nightjar::clock::{Clock, ManualClock};
use nightjar::notify::Body;
use nightjar::notify::worker::{Backend, Memory, Worker};
use nightjar::store::{Message, MessageId, MessageState, StoreError, StoreHandle};
use std::path::Path;
use std::sync::Arc;
use tokio_util::sync::CancellationToken;

/// Ways to damage a row, and what is said of it.
const DAMAGES: [(&str, &str); 5] = [
    ("person = 'no one, with spaces'", "no one, with spaces"),
    ("priority = 7", "priority 7"),
    ("body = '{\"text\": \"no fl'", "EOF"),
    ("body = CAST(x'C328' AS TEXT)", "utf-8"),
    ("seq = -1", "-1"),
];

fn damage(folder: &Path, id: MessageId, how: &str) {
    let db = rusqlite::Connection::open(folder.join("nightjar.db")).unwrap();
    assert_eq!(db.execute(&format!("UPDATE outbox SET {how} WHERE id = ?1"), [id.0]).unwrap(), 1);
}

async fn list(store: &StoreHandle) -> Vec<Message> {
    store.read(|look| look.messages(None, 10)).await.unwrap()
}

#[tokio::test]
async fn a_damaged_message_is_named_with_what_is_wrong() {
    for (how, what) in DAMAGES.into_iter().chain([("state = 'queue'", "state queue")]) {
        let folder = tempfile::tempdir().unwrap();
        let (store, _clock) = open_at(folder.path(), start());
        let id = one(&store, message(1, 1, 0)).await;
        damage(folder.path(), id, how);
        let error = store.read(move |look| look.message(id)).await.unwrap_err();
        assert!(matches!(error, StoreError::Damaged { .. }), "{how}: {error:?}");
        let said = error.to_string();
        assert!(said.starts_with("message 1 cannot be read") && said.contains(what), "{how}: {said}");
        store.close().await.unwrap();
    }
}

#[tokio::test]
async fn lists_of_messages_leave_out_what_is_damaged() {
    let folder = tempfile::tempdir().unwrap();
    let (store, _clock) = open_at(folder.path(), start());
    let lost = one(&store, message(1, 1, 0)).await;
    let sound = one(&store, message(1, 2, 0)).await;
    damage(folder.path(), lost, "priority = 7");
    assert_eq!(list(&store).await.into_iter().map(|m| m.id).collect::<Vec<_>>(), [sound]);
    let about =
        store.read(move |look| look.messages_about(nightjar::alarm::event::EventId(1))).await.unwrap();
    assert_eq!(about.into_iter().map(|m| m.id).collect::<Vec<_>>(), [sound]);
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_damaged_message_is_given_up_and_the_others_of_its_route_are_sent() {
    for (how, what) in DAMAGES {
        let folder = tempfile::tempdir().unwrap();
        let (store, clock) = open_at(folder.path(), start());
        let lost = one(&store, message(1, 1, 0)).await;
        let mut new = message(2, 1, 0);
        let body = Body { text: "no flow".into(), to: "+15550100".into(), ..Body::default() };
        new.body = serde_json::to_value(body).unwrap();
        let sound = one(&store, new).await;
        damage(folder.path(), lost, how);
        let memory = Memory::new("text");
        send(&store, &clock, &memory, sound).await;
        let handed: Vec<String> = memory.take_handed().into_iter().map(|handed| handed.key).collect();
        assert_eq!(handed, ["event-2/1/kim/text/0"], "{how}");
        assert_eq!(due(&store, &clock).await, [], "{how}: it is not tried again");
        let now = clock.now();
        let counts = store.read(move |look| look.outbox_counts(now)).await.unwrap();
        assert_eq!((counts.queued, counts.failed), (0, 1), "{how}");
        let db = rusqlite::Connection::open(folder.path().join("nightjar.db")).unwrap();
        let error: String =
            db.query_row("SELECT last_error FROM outbox WHERE id = ?1", [lost.0], |row| row.get(0)).unwrap();
        assert!(error.contains(what), "{how}: {error}");
        store.close().await.unwrap();
    }
}

/// Lets a worker send until the store says that this message was taken.
async fn send(store: &StoreHandle, clock: &Arc<ManualClock>, memory: &Arc<Memory>, wanted: MessageId) {
    let (reports, _reported) = tokio::sync::mpsc::channel(8);
    let backend = Backend::Memory(Arc::clone(memory));
    let (worker, _health) = Worker::new(backend, store.clone(), clock.clone() as Arc<dyn Clock>, reports);
    let stop = CancellationToken::new();
    let task = tokio::spawn(worker.run(stop.clone()));
    let taken = async {
        while get(store, wanted).await.state != MessageState::Accepted {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(std::time::Duration::from_secs(20), taken).await.expect("in time");
    stop.cancel();
    task.await.unwrap();
}
