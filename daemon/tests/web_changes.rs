//! Changes: who may make them, what reaches the core, and what becomes of those that are refused.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod web_stand;

use axum::Router;
use axum::body::Body;
use axum::http::{Request, Response, StatusCode};
use http_body_util::BodyExt;
use nightjar::alarm::event::EventId;
use nightjar::clock::{Clock, ManualClock};
use nightjar::ids::PersonId;
use nightjar::logbook::Act;
use nightjar::web::backend::{Access, Asked, Command, Reply, Role};
use nightjar_calc::time::{Span, Timestamp};
use std::sync::Arc;
use tower::ServiceExt;
use web_stand::{Stand, person, play_core, stand};

const PASSWORD: &str = "a long enough secret";

struct Page {
    app: Router,
    clock: Arc<ManualClock>,
    memory: Arc<web_stand::Memory>,
}

/// A page with three people, on an open network, and a core that books what it is asked.
fn with_people() -> Page {
    let (page, asked) = without_core(|access| access.demo = None);
    tokio::spawn(play_core(asked, Arc::clone(&page.memory)));
    page
}

fn without_core(change: impl FnOnce(&mut Access)) -> (Page, tokio::sync::mpsc::Receiver<Asked>) {
    let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-25T02:16:00-05:00").unwrap()));
    let Stand { mut backend, present, asked, memory } = stand(Arc::clone(&clock) as Arc<dyn Clock>, true);
    // The present has to outlive its sender for the length of a test.
    std::mem::forget(present);
    backend.people = Arc::new(vec![
        person("kim", Role::Operator, Some(PASSWORD), Some("135790")),
        person("ada", Role::Manager, Some(PASSWORD), None),
        person("vic", Role::Viewer, Some(PASSWORD), Some("246801")),
    ]);
    change(&mut backend.access);
    (Page { app: nightjar::web::router(backend), clock, memory }, asked)
}

struct Answer {
    status: StatusCode,
    to: String,
    cookie: String,
    body: String,
}

async fn read(response: Response<Body>) -> Answer {
    let header = |name: &str| response.headers().get(name).map_or("", |v| v.to_str().unwrap()).to_owned();
    let (status, to, cookie) = (response.status(), header("location"), header("set-cookie"));
    let body = response.into_body().collect().await.unwrap().to_bytes();
    Answer { status, to, cookie, body: String::from_utf8(body.to_vec()).unwrap() }
}

impl Page {
    async fn get(&self, path: &str, cookie: &str) -> Answer {
        let request = Request::get(path)
            .header("host", "rack.local")
            .header("cookie", cookie)
            .body(Body::empty())
            .unwrap();
        read(self.app.clone().oneshot(request).await.unwrap()).await
    }

    async fn post(&self, path: &str, cookie: &str, fields: &[(&str, &str)]) -> Answer {
        let request = Request::post(path)
            .header("host", "rack.local")
            .header("origin", "http://rack.local")
            .header("sec-fetch-site", "same-origin")
            .header("content-type", "application/x-www-form-urlencoded")
            .header("cookie", cookie)
            .body(Body::from(encoded(fields)))
            .unwrap();
        read(self.app.clone().oneshot(request).await.unwrap()).await
    }

    async fn post_json(&self, authorization: &str, body: &str) -> Answer {
        let mut request = Request::post("/api/v1/entries")
            .header("host", "rack.local")
            .header("content-type", "application/json");
        if !authorization.is_empty() {
            request = request.header("authorization", authorization);
        }
        read(self.app.clone().oneshot(request.body(Body::from(body.to_owned())).unwrap()).await.unwrap())
            .await
    }

    /// Signs in and returns the cookie and the word forms must carry.
    async fn sign_in(&self, name: &str) -> (String, String) {
        let answer = self.post("/sign-in", "", &[("name", name), ("password", PASSWORD)]).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER);
        assert!(answer.cookie.contains("HttpOnly") && answer.cookie.contains("SameSite=Strict"));
        let cookie = answer.cookie.split(';').next().unwrap().to_owned();
        let page = self.get("/alarms", &cookie).await;
        let word = page.body.split("name=\"word\" value=\"").nth(1).unwrap();
        (cookie, word[..word.find('"').unwrap()].to_owned())
    }

    fn booked(&self) -> usize {
        self.memory.entries.lock().unwrap().len()
    }
}

fn encoded(fields: &[(&str, &str)]) -> String {
    let escape = |text: &str| -> String {
        text.bytes()
            .map(|b| if b.is_ascii_alphanumeric() { char::from(b).to_string() } else { format!("%{b:02X}") })
            .collect()
    };
    fields.iter().map(|(k, v)| format!("{}={}", escape(k), escape(v))).collect::<Vec<_>>().join("&")
}

const SIPHON: [(&str, &str); 6] = [
    ("id", "phone-entry-1"),
    ("jar", "J03"),
    ("volume", "35"),
    ("units", "clm"),
    ("when", "1h"),
    ("back", "/jar/J03"),
];

fn siphon(more: &[(&'static str, &'static str)]) -> Vec<(&'static str, &'static str)> {
    let mut fields: Vec<_> =
        SIPHON.iter().copied().filter(|(name, _)| !more.iter().any(|(other, _)| other == name)).collect();
    fields.extend_from_slice(more);
    fields
}

/// The page's own script is told in words where to go, and a second sending of the same entry, as
/// after an answer that got lost, makes nothing new.
#[tokio::test]
async fn the_script_of_a_page_is_told_the_way_in_words() {
    let page = with_people();
    let (cookie, word) = page.sign_in("kim").await;
    let mut fields = SIPHON.to_vec();
    fields.push(("word", &word));
    let before = page.booked();
    for _ in 0..2 {
        let request = Request::post("/entry/siphon")
            .header("host", "rack.local")
            .header("origin", "http://rack.local")
            .header("content-type", "application/x-www-form-urlencoded")
            .header("cookie", &cookie)
            .header("x-nightjar", "script")
            .body(Body::from(encoded(&fields)))
            .unwrap();
        let answer = read(page.app.clone().oneshot(request).await.unwrap()).await;
        assert_eq!(answer.status, StatusCode::OK);
        assert!(answer.body.ends_with("?done=phone-entry-1"), "{}", answer.body);
        assert_eq!(page.booked(), before + 1);
    }
}

#[tokio::test]
async fn bytes_that_are_no_text_get_an_answer_as_described() {
    let page = with_people();
    let request = Request::post("/api/v1/entries")
        .header("host", "rack.local")
        .header("content-type", "application/json")
        .body(Body::from(vec![b'6', 0xff, 0]))
        .unwrap();
    let answer = read(page.app.clone().oneshot(request).await.unwrap()).await;
    assert_eq!(answer.status, StatusCode::BAD_REQUEST);
    assert!(answer.body.contains("\"status\":400"), "{}", answer.body);
}

#[tokio::test]
async fn a_pin_makes_an_entry_once_however_often_the_phone_sends_it() {
    let page = with_people();
    let before = page.booked();
    let answer = page.post("/entry/siphon", "", &siphon(&[("who", "kim"), ("pin", "135790")])).await;
    assert_eq!((answer.status, answer.to.as_str()), (StatusCode::SEE_OTHER, "/jar/J03?done=phone-entry-1"));
    let again = page.post("/entry/siphon", "", &siphon(&[("who", "kim"), ("pin", "135790")])).await;
    assert_eq!((again.status, again.to), (StatusCode::SEE_OTHER, answer.to));
    assert_eq!(page.booked(), before + 1);
    let entries = page.memory.entries.lock().unwrap();
    let entry = &entries.last().unwrap().entry;
    assert_eq!(entry.who, PersonId::new("kim").unwrap());
    assert_eq!(entry.happened_at, page.clock.now().utc - Span::from_hours(1));
    assert!(matches!(&entry.act, Act::Siphon(s) if (s.volume_ml - 35.0).abs() < 1e-12));
}

#[tokio::test]
async fn a_pin_holds_for_a_round_but_opens_nothing_beyond_entries_and_acknowledging() {
    let page = with_people();
    let answer = page
        .post("/alarm/41/acknowledge", "", &[("who", "kim"), ("pin", "135790"), ("back", "/alarms")])
        .await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    let cookie = answer.cookie.split(';').next().unwrap().to_owned();
    let form = page.get("/alarms", &cookie).await.body;
    let word = form.split("name=\"word\" value=\"").nth(1).unwrap();
    let word = word[..word.find('"').unwrap()].to_owned();
    let entry = page.post("/entry/siphon", &cookie, &[&SIPHON[..], &[("word", &word)]].concat()).await;
    assert_eq!(entry.status, StatusCode::SEE_OTHER);
    let pause = [("word", word.as_str()), ("minutes", "15"), ("reason", "pump work"), ("password", PASSWORD)];
    assert_eq!(page.post("/alarm/41/pause", &cookie, &pause).await.status, StatusCode::UNAUTHORIZED);
    page.clock.advance(Span::from_minutes(16));
    let late = page.post("/entry/siphon", &cookie, &[&SIPHON[..], &[("word", &word)]].concat()).await;
    assert_eq!(late.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn wrong_pins_and_wrong_people_make_nothing() {
    let page = with_people();
    let before = page.booked();
    for (who, pin, status) in [
        ("kim", "000000", StatusCode::UNAUTHORIZED),
        ("ada", "135790", StatusCode::UNAUTHORIZED),
        ("nobody", "135790", StatusCode::UNAUTHORIZED),
        ("vic", "246801", StatusCode::FORBIDDEN),
        ("", "", StatusCode::UNAUTHORIZED),
    ] {
        let answer = page.post("/entry/siphon", "", &siphon(&[("who", who), ("pin", pin)])).await;
        assert_eq!(answer.status, status, "{who}");
        assert!(answer.body.contains("value=\"35\""), "what was typed is kept");
        assert!(!answer.body.contains("value=\"000000\""), "the PIN is not");
    }
    assert_eq!(page.booked(), before);
}

#[tokio::test]
async fn a_form_with_mistakes_comes_back_with_every_mistake_and_all_that_was_typed() {
    let page = with_people();
    let (cookie, word) = page.sign_in("kim").await;
    let fields = [
        ("word", word.as_str()),
        ("id", "phone-entry-1"),
        ("jar", "J03"),
        ("volume", "<b>lots"),
        ("dead", "140"),
        ("units", "clm"),
        ("when", "pick"),
        ("at", "2026-03-08T02:30"),
        ("back", "/jar/J03"),
    ];
    let before = page.booked();
    let answer = page.post("/entry/siphon", &cookie, &fields).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    for part in [
        "Eggs drawn off: &quot;&lt;b&gt;lots&quot; is not a number",
        "Dead among them: 140 is outside 0 to 100",
        "2026-03-08 02:30:00 does not exist in America/Chicago",
        "value=\"&lt;b&gt;lots\"",
        "value=\"2026-03-08T02:30\"",
        "value=\"phone-entry-1\"",
        "<details name=\"quick\" open",
    ] {
        assert!(answer.body.contains(part), "{part}");
    }
    assert_eq!(page.booked(), before);
}

#[tokio::test]
async fn what_the_core_refuses_is_said_in_its_words() {
    let page = with_people();
    let (cookie, word) = page.sign_in("kim").await;
    let fields = [&siphon(&[("volume", "2000")])[..], &[("word", word.as_str())]].concat();
    let answer = page.post("/entry/siphon", &cookie, &fields).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(answer.body.contains("2000 mL cannot be siphoned"));
    assert!(answer.body.contains("value=\"2000\""));
}

#[tokio::test]
async fn a_full_or_silent_core_is_said_and_nothing_hangs() {
    let (page, mut asked) = without_core(|_| {});
    let waiting: Vec<_> = (0..nightjar::web::backend::COMMANDS_WAITING)
        .map(|i| {
            let app = page.app.clone();
            let body = encoded(&[&SIPHON[1..], &[("id", format!("waiting-{i:03}").as_str())]].concat());
            tokio::spawn(async move {
                let request = Request::post("/entry/siphon")
                    .header("host", "rack.local")
                    .header("content-type", "application/x-www-form-urlencoded")
                    .body(Body::from(body))
                    .unwrap();
                app.oneshot(request).await.unwrap().status()
            })
        })
        .collect();
    while asked.len() < nightjar::web::backend::COMMANDS_WAITING {
        tokio::task::yield_now().await;
    }
    let answer = page.post("/entry/siphon", "", &SIPHON).await;
    assert_eq!(answer.status, StatusCode::SERVICE_UNAVAILABLE);
    assert!(answer.body.contains("busy; nothing was changed"));
    while let Ok(Asked { reply, .. }) = asked.try_recv() {
        reply.send(Reply::Done).unwrap();
    }
    for one in waiting {
        assert_eq!(one.await.unwrap(), StatusCode::SEE_OTHER);
    }
    drop(asked);
    let answer = page.post("/entry/siphon", "", &SIPHON).await;
    assert_eq!(answer.status, StatusCode::SERVICE_UNAVAILABLE);
    assert!(answer.body.contains("look whether it was done"));
}

#[tokio::test]
async fn a_form_without_the_word_of_its_session_changes_nothing() {
    let page = with_people();
    let (cookie, _) = page.sign_in("kim").await;
    let (other, word_of_other) = page.sign_in("ada").await;
    let before = page.booked();
    for word in ["", "made-up", word_of_other.as_str()] {
        let fields = [&SIPHON[..], &[("word", word)]].concat();
        let answer = page.post("/entry/siphon", &cookie, &fields).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{word}");
    }
    assert_eq!(page.booked(), before);
    assert_ne!(cookie, other);
}

#[tokio::test]
async fn signing_out_ends_the_session_and_a_token_of_before_is_not_taken_over() {
    let page = with_people();
    let (cookie, word) = page.sign_in("kim").await;
    let answer = page.post("/sign-in", &cookie, &[("name", "kim"), ("password", PASSWORD)]).await;
    let renewed = answer.cookie.split(';').next().unwrap().to_owned();
    assert_ne!(renewed, cookie, "a new token at each sign-in");
    let old = page.post("/entry/siphon", &cookie, &[&SIPHON[..], &[("word", &word)]].concat()).await;
    assert_eq!(old.status, StatusCode::UNAUTHORIZED);
    let form = page.get("/", &renewed).await.body;
    let word = form.split("name=\"word\" value=\"").nth(1).unwrap();
    let word = &word[..word.find('"').unwrap()];
    let out = page.post("/sign-out", &renewed, &[("word", word)]).await;
    assert!(out.cookie.contains("Max-Age=0"));
    let after = page.post("/entry/siphon", &renewed, &[&SIPHON[..], &[("word", word)]].concat()).await;
    assert_eq!(after.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn pausing_needs_a_role_a_reason_a_limit_and_a_fresh_password() {
    let page = with_people();
    let (cookie, word) = page.sign_in("kim").await;
    let ask = |minutes: &'static str, reason: &'static str, password: &'static str| {
        vec![("word", word.as_str()), ("minutes", minutes), ("reason", reason), ("password", password)]
    };
    for (minutes, reason) in [("31", "pump"), ("0", "pump"), ("-5", "pump"), ("x", "pump"), ("15", "  ")] {
        let answer = page.post("/alarm/41/pause", &cookie, &ask(minutes, reason, "")).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{minutes} {reason}");
    }
    let answer = page.post("/alarm/41/pause", &cookie, &ask("30", "pump work", "")).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER);
    page.clock.advance(Span::from_minutes(16));
    let stale = page.post("/alarm/41/pause", &cookie, &ask("30", "pump work", "")).await;
    assert_eq!(stale.status, StatusCode::UNAUTHORIZED);
    let wrong = page.post("/alarm/41/pause", &cookie, &ask("30", "pump work", "guess")).await;
    assert_eq!(wrong.status, StatusCode::UNAUTHORIZED);
    let fresh = page.post("/alarm/41/pause", &cookie, &ask("30", "pump work", PASSWORD)).await;
    assert_eq!(fresh.status, StatusCode::SEE_OTHER);
    let out = [("word", word.as_str()), ("days", "3"), ("reason", "probe away")];
    assert_eq!(page.post("/alarm/41/out-of-use", &cookie, &out).await.status, StatusCode::FORBIDDEN);
    let (cookie, word) = page.sign_in("vic").await;
    let answer = page.post("/alarm/41/acknowledge", &cookie, &[("word", &word)]).await;
    assert_eq!(answer.status, StatusCode::FORBIDDEN);
}

#[tokio::test]
async fn each_answer_to_an_alarm_reaches_the_core_as_itself() {
    let (page, mut asked) = without_core(|access| access.demo = Some(PersonId::new("demo").unwrap()));
    for (what, fields) in [
        ("acknowledge", vec![]),
        ("confirm", vec![]),
        ("resume", vec![]),
        ("pause", vec![("minutes", "15"), ("reason", "pump"), ("one_shot", "yes")]),
        ("out-of-use", vec![("days", "3"), ("reason", "probe away")]),
    ] {
        let app = page.app.clone();
        let request = Request::post(format!("/alarm/41/{what}"))
            .header("host", "rack.local")
            .header("content-type", "application/x-www-form-urlencoded")
            .body(Body::from(encoded(&fields)))
            .unwrap();
        let answer = tokio::spawn(async move { app.oneshot(request).await.unwrap().status() });
        let Asked { command, reply } = asked.recv().await.unwrap();
        reply.send(Reply::Done).unwrap();
        assert_eq!(answer.await.unwrap(), StatusCode::SEE_OTHER, "{what}");
        let now = page.clock.now().utc;
        let fits = match (what, command) {
            ("acknowledge", Command::Acknowledge { event, by }) => {
                event == EventId(41) && by.as_str() == "demo"
            }
            ("confirm", Command::Confirm { event, .. }) | ("resume", Command::Unshelve { event, .. }) => {
                event == EventId(41)
            }
            ("pause", Command::Shelve { until, one_shot, .. }) => {
                one_shot && until == now + Span::from_minutes(15)
            }
            ("out-of-use", Command::OutOfService { until, reason, .. }) => {
                until == now + Span::from_hours(72) && reason == "probe away"
            }
            (_, command) => panic!("{what} became {command:?}"),
        };
        assert!(fits, "{what}");
    }
    let gone = page.post("/alarm/9999/acknowledge", "", &[]).await;
    assert_eq!(gone.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn an_entry_is_taken_back_with_a_reason() {
    let page = with_people();
    let (cookie, word) = page.sign_in("kim").await;
    let none = page.post("/void/entry-0002", &cookie, &[("word", &word), ("reason", " ")]).await;
    assert_eq!(none.status, StatusCode::UNPROCESSABLE_ENTITY);
    let taken = page
        .post("/void/entry-0002", &cookie, &[("word", &word), ("reason", "wrong jar"), ("back", "/jar/J03")])
        .await;
    assert_eq!(taken.to, "/jar/J03?done=void");
    let body = page.get("/jar/J03", &cookie).await.body;
    assert!(body.contains("Taken back by kim"));
}

#[tokio::test]
async fn nobody_is_sent_to_another_site() {
    let page = with_people();
    let (cookie, word) = page.sign_in("kim").await;
    for back in [
        "https://evil.example/",
        "//evil.example",
        "/\\evil.example",
        "/a?b=c",
        "javascript:1",
        "/\r\nSet-Cookie: a=b",
    ] {
        let answer =
            page.post("/void/entry-0003", &cookie, &[("word", &word), ("reason", "x"), ("back", back)]).await;
        assert_eq!(answer.to, "/logbook?done=void", "{back}");
    }
}

fn basic(name: &str, secret: &str) -> String {
    use base64::Engine as _;
    format!("Basic {}", base64::engine::general_purpose::STANDARD.encode(format!("{name}:{secret}")))
}

const ENTRY: &str = r#"{"id":"script-0001","happened_at":"2026-04-25T01:00:00-05:00","who":"kim","act":{"kind":"siphon","jar":"J03","volume_ml":12.5}}"#;

#[tokio::test]
async fn a_program_makes_an_entry_once_by_name_and_secret() {
    let page = with_people();
    let first = page.post_json(&basic("kim", PASSWORD), ENTRY).await;
    assert_eq!(first.status, StatusCode::CREATED, "{}", first.body);
    let again = page.post_json(&basic("kim", "135790"), ENTRY).await;
    assert_eq!(again.status, StatusCode::OK, "{}", again.body);
    assert!(again.body.contains("\"repeated\":true"));
    for (authorization, status) in [
        (String::new(), StatusCode::UNAUTHORIZED),
        (basic("kim", "wrong"), StatusCode::UNAUTHORIZED),
        (basic("vic", PASSWORD), StatusCode::FORBIDDEN),
        (basic("ada", PASSWORD), StatusCode::UNPROCESSABLE_ENTITY),
        ("Basic %%%".into(), StatusCode::UNAUTHORIZED),
    ] {
        assert_eq!(page.post_json(&authorization, ENTRY).await.status, status, "{authorization}");
    }
}

/// A program that keeps its entry and tries again must be able to tell a full disk from a mistake.
#[tokio::test]
async fn an_entry_that_could_not_be_written_may_be_sent_again() {
    let (page, mut asked) = without_core(|_| ());
    tokio::spawn(async move {
        while let Some(Asked { reply, .. }) = asked.recv().await {
            drop(reply.send(Reply::NotWritten("storage is failing: the disk is full".into())));
        }
    });
    let answer = page.post_json(&basic("kim", PASSWORD), ENTRY).await;
    assert_eq!(answer.status, StatusCode::SERVICE_UNAVAILABLE);
    assert!(answer.body.contains("not written: storage is failing"), "{}", answer.body);
}

#[tokio::test]
async fn a_bad_entry_is_refused_with_the_place_of_the_mistake() {
    let page = with_people();
    let before = page.booked();
    let nested = format!("{}{}", "[".repeat(10_000), "]".repeat(10_000));
    for (body, part) in [
        ("", "EOF"),
        ("{", "EOF"),
        ("null", "null"),
        (nested.as_str(), "invalid type"),
        (&ENTRY.replace("12.5", "1e999"), "act"),
        (&ENTRY.replace("12.5", "\"12\""), "act"),
        (&ENTRY.replace("12.5", "NaN"), "act"),
        (&ENTRY.replace("volume_ml", "volume_l"), "volume_l"),
        (&ENTRY.replace("siphon", "syphon"), "syphon"),
        (&ENTRY.replace("J03", "../../etc/passwd"), "is not a name"),
        (&ENTRY.replace("script-0001", "short"), "8 to 64"),
        (&ENTRY.replace("script-0001", "with space and <b>"), "8 to 64"),
        (&ENTRY.replace("2026-04-25T01:00:00-05:00", "yesterday"), "is not a time"),
        (&format!("{ENTRY}{ENTRY}"), "one entry at a time"),
    ] {
        let answer = page.post_json(&basic("kim", PASSWORD), body).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{body:.80}: {}", answer.body);
        let message = serde_json::from_str::<serde_json::Value>(&answer.body).unwrap();
        let message = message["error"]["message"].as_str().unwrap();
        assert!(message.contains(part), "{body:.80}: {message}");
    }
    assert_eq!(page.booked(), before);
}

#[tokio::test]
async fn a_change_from_elsewhere_or_too_large_is_refused_before_anything_reads_it() {
    let page = with_people();
    let before = page.booked();
    let ask = |headers: &[(&str, &str)], body: String| {
        let mut request =
            Request::post("/entry/siphon").header("content-type", "application/x-www-form-urlencoded");
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        page.app.clone().oneshot(request.body(Body::from(body)).unwrap())
    };
    let good = encoded(&siphon(&[("who", "kim"), ("pin", "135790")]));
    for (headers, status) in [
        (vec![("host", "rack.local"), ("origin", "http://evil.example")], StatusCode::FORBIDDEN),
        (vec![("host", "rack.local"), ("sec-fetch-site", "cross-site")], StatusCode::FORBIDDEN),
        (vec![("host", "evil.example"), ("origin", "http://evil.example")], StatusCode::MISDIRECTED_REQUEST),
        (vec![], StatusCode::MISDIRECTED_REQUEST),
    ] {
        assert_eq!(ask(&headers, good.clone()).await.unwrap().status(), status, "{headers:?}");
    }
    let large = format!("{good}&more={}", "x".repeat(70_000));
    let answer = ask(&[("host", "rack.local")], large).await.unwrap();
    assert_eq!(answer.status(), StatusCode::PAYLOAD_TOO_LARGE);
    for method in ["PUT", "DELETE", "TRACE", "PATCH", "OPTIONS"] {
        let request = Request::builder().method(method).uri("/").header("host", "rack.local");
        let answer = page.app.clone().oneshot(request.body(Body::empty()).unwrap()).await.unwrap();
        assert_eq!(answer.status(), StatusCode::METHOD_NOT_ALLOWED, "{method}");
        assert!(answer.headers().contains_key("content-security-policy"));
    }
    assert_eq!(page.booked(), before);
}

/// A browser that says neither where the form was nor whose it is: the word of the session decides.
#[tokio::test]
async fn a_form_without_origin_needs_the_word_of_its_session() {
    let page = with_people();
    let (cookie, word) = page.sign_in("kim").await;
    let before = page.booked();
    let post = |fields: Vec<(&str, &str)>| {
        let request = Request::post("/entry/siphon")
            .header("host", "rack.local")
            .header("content-type", "application/x-www-form-urlencoded")
            .header("cookie", &cookie)
            .body(Body::from(encoded(&fields)))
            .unwrap();
        page.app.clone().oneshot(request)
    };
    for word in ["", "made-up"] {
        let answer = post([&SIPHON[..], &[("word", word)]].concat()).await.unwrap();
        assert_eq!(answer.status(), StatusCode::FORBIDDEN, "{word}");
    }
    assert_eq!(page.booked(), before);
    let answer = post([&SIPHON[..], &[("word", word.as_str())]].concat()).await.unwrap();
    assert_eq!((answer.status(), page.booked()), (StatusCode::SEE_OTHER, before + 1));
}

/// What somebody could type in the hope of harm is kept as it is, or refused with a word; on the page
/// it is text and nothing else.
#[tokio::test]
async fn names_meant_to_harm_are_text_and_nothing_else() {
    let page = with_people();
    let (cookie, word) = page.sign_in("kim").await;
    for (i, evil) in [
        "'; DROP TABLE jar;--",
        "<svg/onload=alert(1)>",
        "=cmd|' /C calc'!A0",
        "\u{202e}gnp.exe",
        "🐟🐟🐟",
        "Bcc: a@evil.example",
        "../../etc/passwd",
        "{{7*7}}",
        "%s%n%00",
    ]
    .into_iter()
    .enumerate()
    {
        let id = format!("evil-entry-{i}");
        let fields =
            [("word", word.as_str()), ("id", &id), ("text", evil), ("units", "clm"), ("back", "/logbook")];
        let answer = page.post("/entry/note", &cookie, &fields).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{evil}");
        let body = page.get("/logbook", &cookie).await.body;
        let shown =
            evil.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;");
        assert!(body.contains(&shown), "{evil}");
        assert!(!body.contains("<svg/onload"), "{evil}");
    }
    for (name, value) in
        [("jar", "../../etc/passwd"), ("jar", "<svg>"), ("jar", "J03\r\nBcc: a@evil.example")]
    {
        let mut fields =
            vec![("word", word.as_str()), ("id", "evil-entry-x"), ("text", "x"), ("back", "/logbook")];
        fields.push((name, value));
        let answer = page.post("/entry/note", &cookie, &fields).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{value}");
    }
    let long = "x".repeat(10_000);
    let fields =
        [("word", word.as_str()), ("id", "evil-entry-y"), ("text", long.as_str()), ("back", "/logbook")];
    assert_eq!(page.post("/entry/note", &cookie, &fields).await.status, StatusCode::UNPROCESSABLE_ENTITY);
}

#[tokio::test]
async fn choices_of_units_are_kept_and_nothing_else_can_be_put_into_a_cookie() {
    let page = with_people();
    let answer = page
        .post(
            "/settings",
            "",
            &[("t", "f"), ("f", "g\r\nSet-Cookie: x=y"), ("v", "q"), ("theme", "dark"), ("back", "/days")],
        )
        .await;
    assert_eq!((answer.status, answer.to.as_str()), (StatusCode::SEE_OTHER, "/days"));
    assert!(answer.cookie.starts_with("units=flq; Path=/"), "{}", answer.cookie);
}
