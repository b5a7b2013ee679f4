//! Mail through a scripted server on this machine, without TLS and without sign-in: what is said,
//! what the answers mean, and that a server that hangs does not hold the route.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use nightjar::alarm::event::{EventId, Priority};
use nightjar::clock::{Clock, ManualClock};
use nightjar::ids::PersonId;
use nightjar::notify::email::{EmailRoute, Limits};
use nightjar::notify::worker::{Backend, Fate, Worker};
use nightjar::notify::{Body, MAIL, Sent};
use nightjar::store::{MessageKey, MessageState, NewMessage, StoreOptions, Transition, open};
use nightjar_calc::time::{Span, Timestamp};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

const LIMITS: Limits = Limits {
    connect: Duration::from_secs(5),
    command: Duration::from_millis(300),
    dot: Duration::from_secs(5),
};

/// One dialogue. `rcpt` answers the recipient; empty means silence. Gives back what the client said.
async fn serve(listener: TcpListener, rcpt: &'static str) -> String {
    let (stream, _) = listener.accept().await.unwrap();
    let (read, mut write) = stream.into_split();
    let mut lines = BufReader::new(read).lines();
    let mut said = String::new();
    write.write_all(b"220 stub ESMTP\r\n").await.unwrap();
    let mut in_message = false;
    while let Ok(Some(line)) = lines.next_line().await {
        said.push_str(&line);
        said.push('\n');
        let answer = match line.split(' ').next().unwrap_or_default() {
            "." if in_message => {
                in_message = false;
                "250 2.0.0 Ok: queued as 4Xk2\r\n"
            }
            _ if in_message => continue,
            "EHLO" => "250-stub\r\n250 8BITMIME\r\n",
            "RCPT" => rcpt,
            "DATA" => {
                in_message = true;
                "354 go on\r\n"
            }
            "QUIT" => "221 bye\r\n",
            _ => "250 2.1.0 Ok\r\n",
        };
        if write.write_all(answer.as_bytes()).await.is_err() {
            break;
        }
    }
    said
}

fn body() -> Body {
    let (subject, text) = ("[P1] No flow".into(), "P1 NO FLOW header A".into());
    Body { subject, text, to: "kim@example.org".into(), about: "event-1".into(), ..Body::default() }
}

async fn exchange(rcpt: &'static str) -> (Sent, String) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let route = EmailRoute::for_stub(listener.local_addr().unwrap(), "alarms@site.example", LIMITS).unwrap();
    let server = tokio::spawn(serve(listener, rcpt));
    let clock = ManualClock::new(Timestamp::parse("2026-04-12T09:14:21Z").unwrap());
    let sent = route.send("event-1/1/kim/mail/1", &body(), true, clock.now()).await;
    (sent, server.await.unwrap())
}

#[tokio::test]
async fn a_message_is_taken_with_its_own_id() {
    let (sent, said) = exchange("250 2.1.5 Ok\r\n").await;
    assert_eq!(sent, Sent::Accepted(Some("2.0.0 Ok: queued as 4Xk2".into())));
    for line in [
        "MAIL FROM:<alarms@site.example>\n",
        "RCPT TO:<kim@example.org>\n",
        "Message-ID: <event-1.1.kim.mail.1@site.example>\n",
        "Importance: high\n",
    ] {
        assert!(said.contains(line), "{line:?} in {said}");
    }
    assert!(!said.contains("AUTH"), "{said}");
}

#[tokio::test]
async fn answers_and_silence_are_told_apart() {
    let (sent, _) = exchange("450 4.2.1 busy\r\n").await;
    assert!(matches!(sent, Sent::Retry(_)), "{sent:?}");
    let (sent, _) = exchange("550 5.1.1 no such user\r\n").await;
    assert!(matches!(sent, Sent::AddressDead(_)), "{sent:?}");
    let (sent, said) = exchange("").await;
    assert!(matches!(&sent, Sent::Retry(e) if e.contains("no answer")), "{sent:?}");
    assert!(!said.contains("DATA"));
}

#[test]
fn without_tls_only_this_machine_can_be_reached() {
    let other = "192.0.2.1:25".parse().unwrap();
    assert!(EmailRoute::for_stub(other, "alarms@site.example", LIMITS).is_err());
}

#[tokio::test]
async fn the_worker_takes_a_message_from_the_outbox_to_the_server() {
    let folder = tempfile::tempdir().unwrap();
    let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-12T09:14:21Z").unwrap()));
    let mut options = StoreOptions::new(folder.path().join("nightjar.db"), Vec::new());
    options.ballast_bytes = 0;
    let store = open(options, clock.clone() as Arc<dyn Clock>).unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let route = EmailRoute::for_stub(listener.local_addr().unwrap(), "alarms@site.example", LIMITS).unwrap();
    let server = tokio::spawn(serve(listener, "250 2.1.5 Ok\r\n"));
    let (reports, mut reported) = tokio::sync::mpsc::channel(8);
    let (worker, health) =
        Worker::new(Backend::Mail(route), store.clone(), clock.clone() as Arc<dyn Clock>, reports);
    let stop = CancellationToken::new();
    let task = tokio::spawn(worker.run(stop.clone()));
    let key = MessageKey::event(EventId(1), 1, PersonId::new("kim").unwrap(), MAIL, 1);
    let message = NewMessage {
        key: key.clone(),
        priority: Priority::P1,
        body: serde_json::to_value(body()).unwrap(),
        delay: Span::ZERO,
        life: None,
    };
    let ids = store.commit(Transition { outbox: vec![message], ..Transition::default() }).await.unwrap();
    let limit = Duration::from_secs(20);
    let report = tokio::time::timeout(limit, reported.recv()).await.unwrap().unwrap();
    assert_eq!((report.key, report.fate), (key, Fate::Accepted));
    stop.cancel();
    // The record follows the report; a worker told to stop may leave it to the next run.
    tokio::time::timeout(limit, task).await.unwrap().unwrap();
    let id = ids[0].unwrap();
    let state = store.read(move |look| look.message(id)).await.unwrap().unwrap().state;
    assert!(matches!(state, MessageState::Accepted | MessageState::Sending), "{state:?}");
    assert!(health.borrow().accepted_at.is_some());
    assert!(server.await.unwrap().contains("Subject: [P1] No flow"));
}

/// What the server does at one step of the dialogue.
#[derive(Clone, Copy, Debug)]
enum Does {
    Says(&'static str),
    Closes,
    Stalls,
}

/// A dialogue that goes well but for one step. Gives back whether the whole message was handed over.
async fn serve_but(listener: TcpListener, step: &'static str, does: Does) -> bool {
    let (stream, _) = listener.accept().await.unwrap();
    let (read, mut write) = stream.into_split();
    let mut lines = BufReader::new(read).lines();
    let (mut in_message, mut handed_over) = (false, false);
    let mut next = Some("greeting".to_owned());
    loop {
        let said = match next.take() {
            Some(said) => said,
            None => match lines.next_line().await {
                Ok(Some(line)) => line,
                Ok(None) | Err(_) => return handed_over,
            },
        };
        let word = said.split([' ', ':']).next().unwrap_or_default();
        if in_message && word != "." {
            continue;
        }
        handed_over |= in_message;
        in_message = false;
        if word == step {
            match does {
                Does::Says(words) => {
                    let _gone = write.write_all(format!("{words}\r\n").as_bytes()).await;
                    continue;
                }
                Does::Closes => return handed_over,
                // Until the other side gives up.
                Does::Stalls => continue,
            }
        }
        let answer = match word {
            "greeting" => "220 stub ESMTP\r\n",
            "EHLO" => "250-stub\r\n250 8BITMIME\r\n",
            "DATA" => {
                in_message = true;
                "354 go on\r\n"
            }
            "QUIT" => "221 bye\r\n",
            _ => "250 2.0.0 Ok\r\n",
        };
        if write.write_all(answer.as_bytes()).await.is_err() {
            return handed_over;
        }
    }
}

fn class(sent: &Sent) -> &'static str {
    match sent {
        Sent::Accepted(_) => "accepted",
        Sent::Retry(_) | Sent::RetryAfter { .. } => "retry",
        Sent::AddressDead(_) => "address",
        Sent::MessageRefused(_) => "message",
        Sent::ChannelRefused(_) => "route",
    }
}

/// Classes of replies: RFC 5321, section 4.2; enhanced codes: RFC 3463.
#[tokio::test]
async fn every_reply_at_every_step_a_close_and_a_stall_have_their_class() {
    const REPLIES: [&str; 15] = [
        "421 4.3.2 closing",
        "450 4.2.1 busy",
        "451 4.7.1 greylisted",
        "452 4.3.1 full",
        "454 4.7.0 not now",
        "530 5.7.0 sign in",
        "534 5.7.9 too weak",
        "535 5.7.8 wrong",
        "550 5.1.1 nobody",
        "551 5.1.6 moved",
        "552 5.2.2 full",
        "553 5.1.3 bad name",
        "554 5.7.1 policy",
        "571 5.7.1 policy",
        "599 5.0.0 what",
    ];
    let limits = Limits {
        connect: Duration::from_millis(400),
        command: Duration::from_millis(400),
        dot: Duration::from_millis(400),
    };
    let mut dialogues = 0;
    for step in ["greeting", "EHLO", "MAIL", "RCPT", "DATA", "."] {
        let says = REPLIES.map(Does::Says);
        for does in says.into_iter().chain([Does::Closes, Does::Stalls]) {
            let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
            let route =
                EmailRoute::for_stub(listener.local_addr().unwrap(), "alarms@site.example", limits).unwrap();
            let server = tokio::spawn(serve_but(listener, step, does));
            let clock = ManualClock::new(Timestamp::parse("2026-04-12T09:14:21Z").unwrap());
            let sent = route.send("event-1/1/kim/mail/1", &body(), true, clock.now()).await;
            let expected = match (step, does) {
                (_, Does::Closes | Does::Stalls) => "retry",
                (_, Does::Says(words)) if words.starts_with('4') => "retry",
                // Signed in or not, the server wants it otherwise: nothing of ours will pass.
                (_, Does::Says(words))
                    if words.starts_with("530") || words.starts_with("534") || words.starts_with("535") =>
                {
                    "route"
                }
                // No reply codes by the grammar of RFC 5321, section 4.2: not understood, tried again.
                (_, Does::Says(words)) if words.starts_with("571") || words.starts_with("599") => "retry",
                ("greeting" | "EHLO", _) => "retry",
                ("MAIL", _) => "route",
                ("RCPT", Does::Says(words)) if words.contains(" 5.1.") || words.starts_with("552") => {
                    "address"
                }
                (_, Does::Says(_)) => "message",
            };
            assert_eq!(class(&sent), expected, "{step} {does:?}: {sent:?}");
            let handed_over = tokio::time::timeout(Duration::from_secs(20), server).await.unwrap().unwrap();
            // Only a stall or a close after the final dot can make a duplicate.
            assert_eq!(handed_over, step == ".", "{step} {does:?}");
            dialogues += 1;
        }
    }
    println!("{dialogues} dialogues, each with its class of action");
}

#[tokio::test]
async fn a_message_outlives_a_server_that_is_down_for_an_hour() {
    let folder = tempfile::tempdir().unwrap();
    let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-12T09:14:21Z").unwrap()));
    let mut options = StoreOptions::new(folder.path().join("nightjar.db"), Vec::new());
    options.ballast_bytes = 0;
    let store = open(options, clock.clone() as Arc<dyn Clock>).unwrap();
    let address = TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap();
    let route = EmailRoute::for_stub(address, "alarms@site.example", LIMITS).unwrap();
    let (reports, mut reported) = tokio::sync::mpsc::channel(8);
    let (worker, mut health) =
        Worker::new(Backend::Mail(route), store.clone(), clock.clone() as Arc<dyn Clock>, reports);
    let stop = CancellationToken::new();
    let task = tokio::spawn(worker.run(stop.clone()));
    let key = MessageKey::event(EventId(1), 1, PersonId::new("kim").unwrap(), MAIL, 1);
    let message = NewMessage {
        key: key.clone(),
        priority: Priority::P1,
        body: serde_json::to_value(body()).unwrap(),
        delay: Span::ZERO,
        life: None,
    };
    let ids = store.commit(Transition { outbox: vec![message], ..Transition::default() }).await.unwrap();
    let id = ids[0].unwrap();
    let limit = Duration::from_secs(20);
    tokio::time::timeout(limit, health.wait_for(|health| health.failing_since.is_some()))
        .await
        .unwrap()
        .unwrap();
    let attempts = async || {
        let message = store.read(move |look| look.message(id)).await.unwrap().unwrap();
        (message.attempts, message.state)
    };
    // The longest wait is 15 min and a fifth: every 20 min there is another attempt.
    for _ in 0..4 {
        // Once the worker has written down that it failed: the wait counts from there.
        let settled = async {
            loop {
                if let (before, MessageState::Queued) = attempts().await {
                    return before;
                }
                tokio::task::yield_now().await;
            }
        };
        let before = tokio::time::timeout(limit, settled).await.unwrap();
        let again = async {
            while !matches!(attempts().await, (n, MessageState::Queued) if n > before) {
                // The worker may just have decided to rest a little.
                clock.advance(Span::from_ms(250));
            }
        };
        clock.advance(Span::from_minutes(20));
        tokio::time::timeout(limit, again).await.unwrap();
    }
    println!("{} attempts in 80 min without a server", attempts().await.0);
    let listener = TcpListener::bind(address).await.unwrap();
    let server = tokio::spawn(serve(listener, "250 2.1.5 Ok\r\n"));
    let arrived = async {
        loop {
            clock.advance(Span::from_minutes(1));
            if let Ok(Some(report)) = tokio::time::timeout(Duration::from_millis(200), reported.recv()).await
            {
                return report;
            }
        }
    };
    let report = tokio::time::timeout(limit, arrived).await.unwrap();
    assert_eq!((report.key, report.fate), (key, Fate::Accepted));
    assert!(server.await.unwrap().contains("Subject: [P1] No flow"));
    stop.cancel();
    tokio::time::timeout(limit, task).await.unwrap().unwrap();
}
