//! Signed web calls to a real server on this machine: what it gets, and what its answers mean.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use http_body_util::{BodyExt, Full};
use hyper::body::{Bytes, Incoming};
use hyper::service::service_fn;
use hyper::{Request, Response};
use hyper_util::rt::TokioIo;
use nightjar::clock::{Clock, ManualClock};
use nightjar::config::checked::Webhook;
use nightjar::notify::webhook::{Limits, WebhookRoute, signature};
use nightjar::notify::{Body, Sent};
use nightjar_calc::time::{Span, Timestamp};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tempfile::TempDir;
use tokio::net::TcpListener;

const SECRET: &str = "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw";
const OTHER: &str = "AAECAwQFBgcICQoLDA0ODxAREhMUFRYX";
const LIMITS: Limits = Limits { connect: Duration::from_secs(5), total: Duration::from_secs(15) };

#[derive(Clone, Debug)]
struct Got {
    path: String,
    id: String,
    stamp: String,
    signatures: String,
    body: String,
}

/// Answers with the given statuses and headers, in turn; then 200.
struct Server {
    address: std::net::SocketAddr,
    got: Arc<Mutex<Vec<Got>>>,
}

type Answer = (u16, Vec<(&'static str, String)>, usize);

async fn serve(answers: Vec<Answer>) -> Server {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let got = Arc::new(Mutex::new(Vec::new()));
    let answers = Arc::new(Mutex::new(VecDeque::from(answers)));
    let seen = Arc::clone(&got);
    tokio::spawn(async move {
        loop {
            let (stream, _) = listener.accept().await.unwrap();
            let (seen, answers) = (Arc::clone(&seen), Arc::clone(&answers));
            let service = service_fn(move |request: Request<Incoming>| {
                let (seen, answers) = (Arc::clone(&seen), Arc::clone(&answers));
                async move {
                    let header = |name: &str| {
                        request
                            .headers()
                            .get(name)
                            .and_then(|v| v.to_str().ok())
                            .unwrap_or_default()
                            .to_owned()
                    };
                    let (id, stamp) = (header("webhook-id"), header("webhook-timestamp"));
                    let (signatures, path) = (header("webhook-signature"), request.uri().path().to_owned());
                    let body = request.into_body().collect().await?.to_bytes();
                    let body = String::from_utf8(body.to_vec()).unwrap();
                    seen.lock().unwrap().push(Got { path, id, stamp, signatures, body });
                    let (status, headers, size) =
                        answers.lock().unwrap().pop_front().unwrap_or((200, vec![], 0));
                    let mut answer = Response::builder().status(status);
                    for (name, value) in headers {
                        answer = answer.header(name, value);
                    }
                    Ok::<_, hyper::Error>(answer.body(Full::new(Bytes::from(vec![b'x'; size]))).unwrap())
                }
            });
            tokio::spawn(
                hyper::server::conn::http1::Builder::new().serve_connection(TokioIo::new(stream), service),
            );
        }
    });
    Server { address, got }
}

fn route(address: std::net::SocketAddr, secrets: &str, limits: Limits) -> (WebhookRoute, TempDir) {
    let folder = tempfile::tempdir().unwrap();
    let secret_file = folder.path().join("secret");
    std::fs::write(&secret_file, secrets).unwrap();
    let url = format!("http://{address}/hook");
    let webhook = Webhook { id: "pager".into(), url, secret_file, authority_file: None };
    (WebhookRoute::new(&[webhook], limits).unwrap(), folder)
}

fn body() -> Body {
    Body {
        subject: String::new(),
        text: r#"{"schema":1,"type":"alarm.active"}"#.into(),
        to: "pager".into(),
        about: "event-1".into(),
        ..Body::default()
    }
}

fn clock() -> ManualClock {
    ManualClock::new(Timestamp::parse("2026-04-12T09:14:21Z").unwrap())
}

const KEY: &str = "event-1/1/k.m/webhook/1";

#[tokio::test]
async fn a_call_carries_its_id_its_time_and_a_signature_for_each_secret() {
    let server = serve(vec![(503, vec![], 0)]).await;
    let (route, _folder) = route(server.address, &format!("whsec_{SECRET}\nwhsec_{OTHER}\n"), LIMITS);
    let clock = clock();
    assert!(matches!(route.send(KEY, &body(), clock.now()).await, Sent::Retry(_)));
    clock.advance(Span::from_secs(5));
    assert_eq!(route.send(KEY, &body(), clock.now()).await, Sent::Accepted(None));
    let got = server.got.lock().unwrap().clone();
    assert_eq!(got.len(), 2);
    assert_eq!(got[0].id, got[1].id, "the id stays over repeats");
    assert!(!got[0].id.contains('.'));
    assert_eq!(got[1].stamp.parse::<i64>().unwrap() - got[0].stamp.parse::<i64>().unwrap(), 5);
    let decode = |secret| base64::Engine::decode(&base64::engine::general_purpose::STANDARD, secret).unwrap();
    for got in got {
        assert_eq!((got.path.as_str(), got.body.as_str()), ("/hook", body().text.as_str()));
        let expected: Vec<String> = [SECRET, OTHER]
            .map(|secret| signature(&decode(secret), &got.id, got.stamp.parse().unwrap(), &got.body))
            .to_vec();
        assert_eq!(got.signatures, expected.join(" "));
    }
}

#[tokio::test]
async fn each_class_of_answers_has_its_meaning() {
    let other = serve(vec![]).await;
    let seconds = |s: &str| vec![("retry-after", s.to_owned())];
    let after = |span| Some(span);
    let moved = vec![("location", format!("http://{}/elsewhere", other.address))];
    for (status, headers, expected, wait) in [
        (200, vec![], "accepted", None),
        (202, vec![], "accepted", None),
        (204, vec![], "accepted", None),
        (301, moved.clone(), "retry", None),
        (307, moved, "retry", None),
        (400, vec![], "retry", None),
        (401, vec![], "retry", None),
        (404, vec![], "retry", None),
        (429, seconds("120"), "after", after(Span::from_secs(120))),
        (429, vec![], "retry", None),
        (500, vec![], "retry", None),
        (502, vec![], "retry", None),
        (503, seconds("Sun, 12 Apr 2026 09:16:21 GMT"), "after", after(Span::from_secs(120))),
        (503, seconds("999999999"), "after", after(Span::from_hours(1))),
        (503, seconds("soon"), "retry", None),
        (504, vec![], "retry", None),
        (410, vec![], "gone", None),
    ] {
        let size = if status == 204 { 0 } else { 100_000 };
        let server = serve(vec![(status, headers, size)]).await;
        let (route, _folder) = route(server.address, SECRET, LIMITS);
        let sent = route.send(KEY, &body(), clock().now()).await;
        let (class, waits) = match &sent {
            Sent::Accepted(_) => ("accepted", None),
            Sent::Retry(_) => ("retry", None),
            Sent::RetryAfter { after, .. } => ("after", Some(*after)),
            Sent::AddressDead(_) => ("gone", None),
            Sent::MessageRefused(_) | Sent::ChannelRefused(_) => ("other", None),
        };
        assert_eq!((class, waits), (expected, wait), "{status}: {sent:?}");
        if status == 410 {
            // Not called again.
            assert!(matches!(route.send(KEY, &body(), clock().now()).await, Sent::AddressDead(_)));
            assert_eq!(server.got.lock().unwrap().len(), 1);
            assert!(route.gone().contains("pager"));
        }
    }
    assert!(other.got.lock().unwrap().is_empty(), "a redirect was followed");
}

#[tokio::test]
async fn a_refusal_under_a_doubtful_clock_says_so_and_no_secret_is_no_call() {
    let server = serve(vec![(401, vec![], 10)]).await;
    let (route, folder) = route(server.address, SECRET, LIMITS);
    let clock = clock();
    clock.set_trusted(false);
    let sent = route.send(KEY, &body(), clock.now()).await;
    assert!(matches!(&sent, Sent::Retry(words) if words.contains("clock is not trusted")), "{sent:?}");
    std::fs::write(folder.path().join("secret"), "whsec_!").unwrap();
    assert!(matches!(route.send(KEY, &body(), clock.now()).await, Sent::ChannelRefused(_)));
    assert_eq!(server.got.lock().unwrap().len(), 1);
}

#[tokio::test]
async fn a_receiver_that_hangs_or_is_not_there_is_tried_again() {
    let hung = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let limits = Limits { connect: Duration::from_secs(1), total: Duration::from_millis(300) };
    let (to_hung, _folder) = route(hung.local_addr().unwrap(), SECRET, limits);
    let sent = to_hung.send(KEY, &body(), clock().now()).await;
    assert!(matches!(&sent, Sent::Retry(words) if !words.contains("hook")), "{sent:?}");
    let closed = TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap();
    let (to_closed, _folder) = route(closed, SECRET, LIMITS);
    let sent = to_closed.send(KEY, &body(), clock().now()).await;
    assert!(matches!(&sent, Sent::Retry(words) if !words.contains("hook")), "{sent:?}");
}
