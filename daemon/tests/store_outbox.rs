//! Messages through the store: written with the change they belong to, repeated after a crash but
//! never lost, overtaken by newer ones, and timed by lengths that no step of the wall clock moves.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]
#![expect(clippy::unwrap_used, reason = "what a test needs to begin must be there")]

use nightjar::alarm::event::{EventId, Priority};
use nightjar::clock::{Clock, ManualClock};
use nightjar::ids::PersonId;
use nightjar::store::{
    IncomingText, JournalFilter, JournalKind, Message, MessageId, MessageKey, MessageState, NewLine,
    NewMessage, Outcome, StoreError, StoreHandle, StoreOptions, Transition, open,
};
use nightjar_calc::time::{Span, Timestamp};
use serde_json::json;
use std::path::Path;
use std::sync::Arc;

#[path = "store_outbox/damaged.rs"]
mod damaged;

fn kim() -> PersonId {
    PersonId::new("kim").unwrap()
}

fn start() -> Timestamp {
    Timestamp::parse("2026-04-18T02:00:00Z").unwrap()
}

fn open_at(folder: &Path, utc: Timestamp) -> (StoreHandle, Arc<ManualClock>) {
    let clock = Arc::new(ManualClock::new(utc));
    let mut options = StoreOptions::new(folder.join("nightjar.db"), Vec::new());
    options.ballast_bytes = 0;
    options.must_open = true;
    (open(options, clock.clone() as Arc<dyn Clock>).unwrap(), clock)
}

fn message(event: u64, seq: u32, step: u32) -> NewMessage {
    NewMessage {
        key: MessageKey::event(EventId(event), seq, kim(), "text", step),
        priority: Priority::P1,
        body: json!({"text": format!("no flow, change {seq}")}),
        delay: Span::ZERO,
        life: None,
    }
}

async fn queue(store: &StoreHandle, messages: Vec<NewMessage>) -> Vec<Option<MessageId>> {
    store.commit(Transition { outbox: messages, ..Transition::default() }).await.unwrap()
}

async fn one(store: &StoreHandle, new: NewMessage) -> MessageId {
    queue(store, vec![new]).await[0].unwrap()
}

async fn get(store: &StoreHandle, id: MessageId) -> Message {
    store.read(move |look| look.message(id)).await.unwrap().unwrap()
}

async fn due(store: &StoreHandle, clock: &ManualClock) -> Vec<MessageId> {
    let now = clock.now();
    let due = store.read(move |look| look.due("text", now, 10)).await.unwrap();
    due.into_iter().map(|m| m.id).collect()
}

fn retry(seconds: i64) -> Outcome {
    Outcome::Retry { error: "no network".into(), after: Span::from_secs(seconds) }
}

#[tokio::test]
async fn journal_state_and_message_are_there_together_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path(), start());
    let line = NewLine {
        now: clock.now(),
        kind: JournalKind::Alarm,
        event: Some(EventId(12)),
        body: json!({"change": "raised"}),
    };
    let transition = Transition {
        journal: vec![line.clone()],
        state: vec![("alarm/12".into(), Some(json!({"on": true})))],
        outbox: vec![message(12, 1, 0)],
        shorten: Vec::new(),
    };
    let ids = store.commit(transition.clone()).await.unwrap();
    // The same once more: the key is there already, and no second message comes of it.
    assert_eq!(store.commit(transition).await.unwrap(), vec![None]);
    let (lines, state, message, highest) = store
        .read(move |look| {
            let filter = JournalFilter { event: Some(EventId(12)), ..JournalFilter::default() };
            Ok((
                look.journal(&filter, 10)?,
                look.states("alarm/")?,
                look.message(ids[0].unwrap())?,
                look.highest_event()?,
            ))
        })
        .await
        .unwrap();
    assert_eq!(lines.len(), 2);
    assert_eq!((lines[0].run, lines[0].kind, lines[0].at), (store.run(), JournalKind::Alarm, start()));
    assert_eq!(state["alarm/12"], json!({"on": true}));
    let message = message.unwrap();
    assert_eq!((message.state, message.key.event), (MessageState::Queued, Some(EventId(12))));
    assert_eq!(highest, Some(EventId(12)));
    let gone = Transition { state: vec![("alarm/12".into(), None)], ..Transition::default() };
    store.commit(gone).await.unwrap();
    assert!(store.read(|look| look.states("alarm/")).await.unwrap().is_empty());
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_message_goes_its_way_and_no_step_is_taken_twice() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path(), start());
    let id = one(&store, message(1, 1, 0)).await;
    assert_eq!(due(&store, &clock).await, [id]);
    assert!(store.mark(id, Outcome::Sending).await.unwrap());
    assert!(due(&store, &clock).await.is_empty());
    assert!(!store.mark(id, Outcome::Sending).await.unwrap(), "it is being sent already");
    assert!(store.mark(id, retry(5)).await.unwrap());
    clock.advance(Span::from_ms(4_999));
    assert!(due(&store, &clock).await.is_empty());
    let next = store.read(|look| look.next_due("text")).await.unwrap().unwrap();
    clock.advance(next.since(clock.now().up));
    assert_eq!(due(&store, &clock).await, [id]);
    assert!(store.mark(id, Outcome::Sending).await.unwrap());
    assert!(store.mark(id, Outcome::Accepted(Some("ref 17".into()))).await.unwrap());
    let by_name = store.read(|look| look.message_by_provider("text", "ref 17")).await.unwrap().unwrap();
    assert_eq!(by_name.id, id);
    assert!(store.mark(id, Outcome::Delivered).await.unwrap());
    assert!(!store.mark(id, retry(1)).await.unwrap(), "a delivered message is not sent again");
    let sent = get(&store, id).await;
    assert_eq!((sent.state, sent.attempts, sent.repeated), (MessageState::Delivered, 2, false));
    assert_eq!(sent.last_error.as_deref(), Some("no network"));
    let missing = store.mark(MessageId(99), Outcome::Delivered).await;
    assert!(matches!(missing, Err(StoreError::Missing { .. })), "{missing:?}");
    let other = one(&store, message(2, 1, 0)).await;
    assert!(store.mark(other, Outcome::Failed { error: "no such number".into() }).await.unwrap());
    assert_eq!(get(&store, other).await.state, MessageState::Failed);
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_step_of_the_wall_clock_moves_no_message() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path(), start());
    let mut later = message(1, 1, 0);
    (later.delay, later.life) = (Span::from_minutes(2), Some(Span::from_hours(1)));
    let id = one(&store, later).await;
    clock.step_wall(Span::from_hours(500));
    assert!(due(&store, &clock).await.is_empty());
    assert_eq!(store.expire_messages().await.unwrap(), 0);
    clock.step_wall(Span::from_hours(-5_000));
    clock.advance(Span::from_minutes(2));
    assert_eq!(due(&store, &clock).await, [id]);
    clock.advance(Span::from_minutes(58));
    assert!(due(&store, &clock).await.is_empty(), "its life is over");
    store.expire_messages().await.unwrap();
    assert_eq!(get(&store, id).await.state, MessageState::Expired);
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_route_that_works_again_is_given_what_failed_at_once_most_urgent_first() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path(), start());
    let mut minor = message(1, 1, 0);
    minor.priority = Priority::P2;
    let minor = one(&store, minor).await;
    let urgent = one(&store, message(2, 1, 0)).await;
    let mut quiet = message(3, 1, 0);
    quiet.delay = Span::from_hours(4);
    let quiet = one(&store, quiet).await;
    for failed in [urgent, minor] {
        assert!(store.mark(failed, Outcome::Sending).await.unwrap());
        assert!(store.mark(failed, retry(60)).await.unwrap());
    }
    assert!(due(&store, &clock).await.is_empty());
    assert_eq!(store.bring_forward("mail").await.unwrap(), 0, "another route");
    assert_eq!(store.bring_forward("text").await.unwrap(), 2);
    assert_eq!(due(&store, &clock).await, [urgent, minor]);
    clock.advance(Span::from_hours(4));
    assert!(due(&store, &clock).await.contains(&quiet), "what was never tried keeps its delay");
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_newer_message_takes_the_place_of_an_unsent_older_one() {
    let folder = tempfile::tempdir().unwrap();
    let (store, _clock) = open_at(folder.path(), start());
    let first = one(&store, message(1, 1, 0)).await;
    let other_event = one(&store, message(2, 1, 0)).await;
    let second = one(&store, message(1, 2, 0)).await;
    assert_eq!(get(&store, first).await.state, MessageState::Superseded);
    assert_eq!(get(&store, other_event).await.state, MessageState::Queued);
    // One that is on its way is left alone, until its attempt fails.
    assert!(store.mark(second, Outcome::Sending).await.unwrap());
    let third = one(&store, message(1, 3, 0)).await;
    assert_eq!(get(&store, second).await.state, MessageState::Sending);
    assert!(store.mark(second, retry(5)).await.unwrap());
    assert_eq!(get(&store, second).await.state, MessageState::Superseded);
    assert_eq!(get(&store, third).await.state, MessageState::Queued);
    // A reminder of the same change is newer too; a late older change is not.
    let reminder = one(&store, message(1, 3, 1)).await;
    assert_eq!(get(&store, third).await.state, MessageState::Superseded);
    one(&store, message(1, 2, 7)).await;
    assert_eq!(get(&store, reminder).await.state, MessageState::Queued);
    store.close().await.unwrap();
}

#[tokio::test]
async fn after_a_crash_what_was_on_its_way_is_sent_once_more_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path(), start());
    let sending = one(&store, message(1, 1, 0)).await;
    assert!(store.mark(sending, Outcome::Sending).await.unwrap());
    let accepted = one(&store, message(2, 1, 0)).await;
    assert!(store.mark(accepted, Outcome::Sending).await.unwrap());
    assert!(store.mark(accepted, Outcome::Accepted(None)).await.unwrap());
    let mut waiting = message(3, 1, 0);
    (waiting.priority, waiting.life) = (Priority::P2, Some(Span::from_hours(6)));
    let waiting = one(&store, waiting).await;
    let mut short = message(4, 1, 0);
    (short.priority, short.life) = (Priority::P3, Some(Span::from_hours(1)));
    let short = one(&store, short).await;
    assert!(store.mark(waiting, Outcome::Sending).await.unwrap());
    assert!(store.mark(waiting, retry(3_600)).await.unwrap());
    clock.advance(Span::from_minutes(10));
    // A crash closes nothing in order: the file is taken as it lies there, log and all.
    let after = tempfile::tempdir().unwrap();
    for name in ["nightjar.db", "nightjar.db-wal"] {
        std::fs::copy(folder.path().join(name), after.path().join(name)).unwrap();
    }
    let (next, clock) = open_at(after.path(), start() + Span::from_hours(3));
    assert_eq!(next.run(), store.run() + 1);
    let message = get(&next, sending).await;
    assert_eq!((message.state, message.repeated, message.attempts), (MessageState::Queued, true, 1));
    assert!(!get(&next, waiting).await.repeated);
    assert_eq!(get(&next, accepted).await.state, MessageState::Accepted);
    // Both are due at once, the urgent one first; the one that lived an hour is not.
    assert_eq!(due(&next, &clock).await, [sending, waiting]);
    next.expire_messages().await.unwrap();
    assert_eq!(get(&next, short).await.state, MessageState::Expired);
    // Three of its six hours are left.
    clock.advance(Span::from_hours(3) - Span::from_ms(1));
    assert_eq!(due(&next, &clock).await, [sending, waiting]);
    clock.advance(Span::from_ms(1));
    assert_eq!(due(&next, &clock).await, [sending]);
    let now = clock.now();
    let counts = next.read(move |look| look.outbox_counts(now)).await.unwrap();
    assert_eq!(counts.oldest_unsent_p1, Some(Span::from_hours(6)), "since it was first to go out");
    next.close().await.unwrap();
    store.close().await.unwrap();
}

#[tokio::test]
async fn the_age_of_the_oldest_urgent_message_does_not_start_anew_with_each_attempt() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path(), start());
    let mut delayed = message(9, 1, 0);
    delayed.delay = Span::from_minutes(30);
    one(&store, delayed).await;
    let age = async || {
        let now = clock.now();
        store.read(move |look| look.outbox_counts(now)).await.unwrap().oldest_unsent_p1
    };
    assert_eq!(age().await, None, "it is not to go out yet");
    let id = one(&store, message(1, 1, 0)).await;
    for minute in 0..4 {
        assert_eq!(age().await, Some(Span::from_minutes(minute)));
        assert!(store.mark(id, Outcome::Sending).await.unwrap());
        assert!(store.mark(id, retry(60)).await.unwrap());
        clock.advance(Span::from_minutes(1));
    }
    assert!(store.mark(id, Outcome::Sending).await.unwrap());
    assert!(store.mark(id, Outcome::Accepted(None)).await.unwrap());
    assert_eq!(age().await, None);
    store.close().await.unwrap();
}

#[tokio::test]
async fn once_an_event_is_over_its_messages_have_a_little_longer_only() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path(), start());
    let endless = one(&store, message(1, 1, 0)).await;
    let mut brief = message(2, 1, 0);
    brief.life = Some(Span::from_minutes(1));
    let brief = one(&store, brief).await;
    let over = vec![(EventId(1), Span::from_minutes(10)), (EventId(2), Span::from_minutes(10))];
    store.commit(Transition { shorten: over, ..Transition::default() }).await.unwrap();
    assert_eq!(due(&store, &clock).await, [endless, brief]);
    clock.advance(Span::from_minutes(1));
    assert_eq!(due(&store, &clock).await, [endless], "a shorter life stays as it is");
    clock.advance(Span::from_minutes(9));
    assert!(due(&store, &clock).await.is_empty());
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_waiting_sender_is_told_of_work() {
    let folder = tempfile::tempdir().unwrap();
    let (store, _clock) = open_at(folder.path(), start());
    let mut changes = store.outbox_changes();
    changes.mark_unchanged();
    one(&store, message(1, 1, 0)).await;
    changes.changed().await.unwrap();
    store.close().await.unwrap();
}

#[tokio::test]
async fn the_same_incoming_text_counts_once_across_restarts() {
    let folder = tempfile::tempdir().unwrap();
    let text = IncomingText {
        sender: "+15550100".into(),
        centre_time: "26/04/18,02:15:00-20".into(),
        body: "K7Q".into(),
        received_at: start(),
    };
    let (store, _clock) = open_at(folder.path(), start());
    assert!(store.take_incoming(text.clone()).await.unwrap());
    store.close().await.unwrap();
    let (store, _clock) = open_at(folder.path(), start());
    assert!(
        !store
            .take_incoming(IncomingText { received_at: start() + Span::from_hours(1), ..text.clone() })
            .await
            .unwrap()
    );
    assert!(store.take_incoming(IncomingText { centre_time: "later".into(), ..text }).await.unwrap());
    store.close().await.unwrap();
}

#[tokio::test]
async fn what_was_tried_in_vain_is_found_before_its_turn() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path(), start());
    let tried = |route: &'static str| {
        let (store, now) = (store.clone(), clock.now());
        async move {
            let found = store.read(move |look| look.tried(route, now, 10)).await.unwrap();
            found.into_iter().map(|m| m.id).collect::<Vec<_>>()
        }
    };
    let mortal = NewMessage { life: Some(Span::from_secs(60)), ..message(1, 1, 0) };
    let first = one(&store, mortal).await;
    let second = one(&store, message(2, 1, 0)).await;
    one(&store, message(3, 1, 0)).await;
    assert_eq!(tried("text").await, []);
    for id in [second, first] {
        assert!(store.mark(id, Outcome::Sending).await.unwrap());
        store.mark(id, retry(600)).await.unwrap();
    }
    assert_eq!(tried("text").await, [first, second], "and not the third, nor by another route");
    assert_eq!(tried("mail").await, []);
    clock.advance(Span::from_secs(60));
    assert_eq!(tried("text").await, [second], "the first has outlived its use");
    store.mark(second, Outcome::Sending).await.unwrap();
    store.mark(second, Outcome::Accepted(None)).await.unwrap();
    assert_eq!(tried("text").await, []);
}
