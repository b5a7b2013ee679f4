//! The modem's machine against a scripted modem: every refusal at every step, news between any two
//! bytes, silence, a port that goes away; and the whole route over a pseudo-terminal.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

#[path = "notify_modem/fake.rs"]
mod fake;

use fake::{FakeModem, Trouble};
use nightjar::alarm::event::{EventId, Priority};
use nightjar::clock::{Clock, NotBeforeBuild, SystemClock, Uptime};
use nightjar::config::checked::Sms;
use nightjar::ids::PersonId;
use nightjar::notify::gsm::{Address, CentreTime, Deliver, StatusReport, Submit, UserData};
use nightjar::notify::modem::{Fault, Job, JobId, Machine, Meaning, Output, Verdict, open};
use nightjar::notify::worker::{Backend, Fate, Worker};
use nightjar::notify::{Body, TEXT};
use nightjar::store::{MessageKey, MessageState, NewMessage, StoreOptions, Transition};
use nightjar_calc::time::{Span, Timestamp};
use serialport::{SerialPort, TTYPort};
use std::io::{Read, Write};
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

const UNIT: &str = "0001000B912120550541F3000007C1E112D4A45101";
const NEWS: &[u8] = b"\r\n+CMTI: \"ME\",9\r\n";
/// Waits of the route's worker after each failure.
const WAITS: [i64; 5] = [5, 10, 20, 30, 60];

/// What came of trying to send one text until it was taken or turned away for good.
#[derive(Debug)]
struct Course {
    taken: bool,
    /// Another route would have been used at once.
    elsewhere: bool,
    unknown: usize,
    seconds: u64,
    sent: usize,
    /// Bytes the modem said.
    said: usize,
}

/// A modem and the machine, in time that passes only when both have nothing to say. `news` puts
/// words between two bytes of what the modem says.
fn course(mut modem: FakeModem, news: Option<usize>) -> Course {
    let mut now = Uptime::from_ms(0);
    let mut machine = Machine::new(None, false, now);
    let (mut attempt, mut said) = (0_usize, 0_usize);
    let mut try_at = Some(now);
    let mut course = Course { taken: false, elsewhere: false, unknown: 0, seconds: 0, sent: 0, said: 0 };
    let end = Uptime::from_ms(3_600_000);
    while now < end && !course.taken && !course.elsewhere {
        while let Some(output) = machine.poll_output() {
            match output {
                Output::Open => {
                    modem.vanished = false;
                    machine.opened(now);
                }
                Output::Write(bytes) => {
                    for byte in bytes {
                        for answer in modem.hear(byte) {
                            if news == Some(said) {
                                NEWS.iter().for_each(|byte| machine.handle_byte(*byte, now));
                            }
                            said += 1;
                            machine.handle_byte(answer, now);
                        }
                    }
                    if modem.vanished {
                        machine.lost("no such device", now);
                    }
                }
                Output::Done(_, verdict) => {
                    match verdict {
                        Verdict::Accepted(_) => course.taken = true,
                        Verdict::Unknown(_) => course.unknown += 1,
                        Verdict::Blocked(_) => course.elsewhere = true,
                        Verdict::Refused(fault) => {
                            let meaning = fault.meaning();
                            course.elsewhere =
                                matches!(meaning, Meaning::NumberDead | Meaning::Refused | Meaning::Card);
                        }
                        Verdict::NotNow(_) => {}
                    }
                    let wait = WAITS[attempt.min(WAITS.len() - 1)];
                    attempt += 1;
                    try_at = Some(now.after(Span::from_secs(wait)));
                }
                Output::Close | Output::CutPower | Output::Arrived { .. } | Output::Note(_) => {}
            }
        }
        let next = [machine.poll_timeout(), try_at].into_iter().flatten().min().unwrap();
        now = now.max(next);
        if try_at.is_some_and(|at| at <= now) {
            try_at = None;
            machine.send(Job { id: JobId(1), units: vec![(UNIT.into(), 20)] }, now);
        }
        machine.handle_timeout(now);
    }
    course.seconds = now.ms() / 1000;
    course.sent = modem.sent.len();
    course.said = said;
    course
}

const STEPS: [&str; 19] = [
    "AT",
    "ATE0",
    "ATV1",
    "AT+CMEE",
    "AT+CGSN",
    "AT+CGMM",
    "AT+CFUN?",
    "AT+CPIN?",
    "AT+CREG?",
    "AT+CEREG?",
    "AT+CSQ",
    "AT+COPS?",
    "AT+CSCA?",
    "AT+CMGF",
    "AT+CPMS",
    "AT+CNMI",
    "AT+CMGL",
    "AT+CMGS",
    "unit",
];

fn refusals() -> Vec<String> {
    let codes = [
        1, 8, 10, 21, 27, 28, 30, 38, 41, 42, 47, 50, 69, 192, 193, 194, 195, 196, 208, 211, 302, 303, 304,
        305, 310, 311, 312, 313, 314, 315, 316, 317, 318, 322, 330, 331, 332, 340, 500, 512, 532,
    ];
    let mut all: Vec<String> = codes.iter().map(|code| format!("+CMS ERROR: {code}")).collect();
    all.extend(
        ["ERROR", "NO CARRIER", "+CME ERROR: 10", "+CME ERROR: 14", "+CME ERROR: 100", "+CMS ERROR: ?"]
            .map(str::to_owned),
    );
    all
}

#[test]
fn every_refusal_at_every_step_ends_with_the_text_taken_or_another_route() {
    let (mut runs, mut slowest, mut elsewhere) = (0, 0, 0);
    for step in STEPS {
        for refusal in refusals() {
            let mut modem = FakeModem::new();
            modem.script.push_back((step.to_owned(), Trouble::Says(refusal.clone())));
            let course = course(modem, None);
            assert!(course.taken || course.elsewhere, "{step} {refusal}: {course:?}");
            assert!(course.sent <= 1 + course.unknown, "{step} {refusal}: {course:?}");
            assert!(course.seconds <= 150, "{step} {refusal}: {course:?}");
            runs += 1;
            slowest = slowest.max(course.seconds);
            elsewhere += u32::from(course.elsewhere);
        }
    }
    println!("{runs} dialogues: 0 lost, {elsewhere} by another route, the slowest took {slowest} s");
}

#[test]
fn silence_and_a_port_that_goes_away_at_every_step_lose_nothing() {
    let mut slowest = (0, "");
    for trouble in [Trouble::Silence, Trouble::Vanishes, Trouble::Lost] {
        for step in STEPS {
            let mut modem = FakeModem::new();
            modem.script.push_back((step.to_owned(), trouble.clone()));
            let course = course(modem, None);
            assert!(course.taken, "{step} {trouble:?}: {course:?}");
            assert!(course.sent <= 1 + course.unknown, "{step} {trouble:?}: {course:?}");
            slowest = slowest.max((course.seconds, step));
        }
    }
    println!("{} dialogues: 0 lost, the slowest took {} s, at {}", 3 * STEPS.len(), slowest.0, slowest.1);
}

#[test]
fn news_between_any_two_bytes_with_echo_on_loses_nothing() {
    let mut unknown = 0;
    let mut slowest = 0;
    let stubborn = || {
        let mut modem = FakeModem::new();
        modem.stubborn = true;
        modem
    };
    let positions = course(stubborn(), None).said;
    for position in 0..positions {
        let course = course(stubborn(), Some(position));
        assert!(course.said > position);
        assert!(course.taken, "at byte {position}: {course:?}");
        assert!(course.sent <= 1 + course.unknown, "at byte {position}: {course:?}");
        unknown += course.unknown;
        slowest = slowest.max(course.seconds);
    }
    println!("{positions} positions: 0 lost, {unknown} not known, the slowest took {slowest} s");
}

#[test]
fn three_refusals_in_a_row_reset_the_modem() {
    let mut modem = FakeModem::new();
    for _ in 0..3 {
        modem.script.push_back(("unit".into(), Trouble::Says("+CMS ERROR: 500".into())));
    }
    modem.script.push_back(("AT+CFUN=1,1".into(), Trouble::Says("OK".into())));
    let course = course(modem, None);
    assert!(course.taken && course.sent == 1, "{course:?}");
    assert_eq!(Fault::Message(500).meaning(), Meaning::Network);
}

/// The scripted modem on a pseudo-terminal, one byte at a time.
struct OnPort {
    modem: Arc<Mutex<FakeModem>>,
    say: std::sync::mpsc::Sender<Vec<u8>>,
    unplug: CancellationToken,
    thread: std::thread::JoinHandle<()>,
}

fn plug(stable_name: &Path, modem: Arc<Mutex<FakeModem>>) -> OnPort {
    let (mut board, port) = TTYPort::pair().unwrap();
    let device = port.name().unwrap();
    drop(port);
    let _absent = std::fs::remove_file(stable_name);
    std::os::unix::fs::symlink(device, stable_name).unwrap();
    let (say, to_say) = std::sync::mpsc::channel::<Vec<u8>>();
    let unplug = CancellationToken::new();
    let (gone, fake) = (unplug.clone(), Arc::clone(&modem));
    let thread = std::thread::spawn(move || {
        board.set_timeout(Duration::from_millis(20)).unwrap();
        let mut byte = [0];
        while !gone.is_cancelled() {
            let mut said = to_say.try_recv().unwrap_or_default();
            // An error is silence, or nobody on the other side yet.
            if matches!(board.read(&mut byte), Ok(1)) {
                said.extend(fake.lock().unwrap().hear(byte[0]));
            }
            for byte in said {
                let _nobody_there = board.write_all(&[byte]);
            }
        }
    });
    OnPort { modem, say, unplug, thread }
}

fn body(text: &str) -> Body {
    Body {
        subject: String::new(),
        text: text.into(),
        to: "+12025550143".into(),
        about: "event-1".into(),
        ..Body::default()
    }
}

async fn until(what: &str, mut done: impl AsyncFnMut() -> bool) {
    let wait = async {
        while !done().await {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    };
    assert!(tokio::time::timeout(Duration::from_secs(60), wait).await.is_ok(), "never {what}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_text_leaves_by_the_port_its_report_and_an_answer_come_back_and_a_pulled_cable_is_survived() {
    let folder = tempfile::tempdir().unwrap();
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(Box::new(NotBeforeBuild)));
    let mut options = StoreOptions::new(folder.path().join("nightjar.db"), Vec::new());
    options.ballast_bytes = 0;
    let store = nightjar::store::open(options, Arc::clone(&clock)).unwrap();
    let port = folder.path().join("modem");
    let plugged = plug(&port, Arc::new(Mutex::new(FakeModem::new())));
    let sms = Sms { port: port.clone(), baud: 115_200, pin_file: None, power_file: None, own_number: None };
    let (reports, mut reported) = tokio::sync::mpsc::channel(8);
    let (route, modem, mut texts, mut health) =
        open(&sms, store.clone(), Arc::clone(&clock), reports.clone());
    let (worker, _) = Worker::new(Backend::Text(route), store.clone(), Arc::clone(&clock), reports);
    let stop = CancellationToken::new();
    let tasks = [tokio::spawn(modem.run(stop.clone())), tokio::spawn(worker.run(stop.clone()))];
    let limit = Duration::from_secs(60);
    tokio::time::timeout(limit, health.wait_for(|health| health.ready)).await.unwrap().unwrap();

    let key = |seq| MessageKey::event(EventId(1), seq, PersonId::new("kim").unwrap(), TEXT, 1);
    let message = |seq, text: &str| NewMessage {
        key: key(seq),
        priority: Priority::P1,
        body: serde_json::to_value(body(text)).unwrap(),
        delay: Span::ZERO,
        life: None,
    };
    let outbox = vec![message(1, "P1 NO FLOW header A. Reply ACK M4T")];
    let ids = store.commit(Transition { outbox, ..Transition::default() }).await.unwrap();
    let report = tokio::time::timeout(limit, reported.recv()).await.unwrap().unwrap();
    assert_eq!((report.key, report.fate), (key(1), Fate::Accepted));
    let unit = plugged.modem.lock().unwrap().sent[0].clone();
    let submit = Submit::from_hex(&unit).unwrap();
    assert_eq!(submit.data.text, "P1 NO FLOW header A. Reply ACK M4T");
    assert!(submit.report && submit.validity.unwrap().span() == Span::from_hours(1));

    // Its delivery report.
    let kim = Address::from_number("+12025550143").unwrap();
    let at = CentreTime { at: Timestamp::parse("2026-04-12T02:14:00Z").unwrap(), quarters: -32 };
    let report =
        StatusReport { centre: None, reference: 1, to: kim.clone(), submitted: at, done: at, status: 0 };
    plugged.modem.lock().unwrap().stored.insert(4, report.hex().unwrap());
    plugged.say.send(b"\r\n+CDSI: \"ME\",4\r\n".to_vec()).unwrap();
    let id = ids[0].unwrap();
    until("delivered", async || {
        let message = store.read(move |look| look.message(id)).await.unwrap().unwrap();
        message.state == MessageState::Delivered
    })
    .await;
    until("the report deleted", async || !plugged.modem.lock().unwrap().stored.contains_key(&4)).await;

    // An answer: read, acted upon, and deleted only after that.
    let data = UserData::whole("ack m4t.");
    let answer = Deliver { centre: None, from: kim.clone(), at, last: true, report: false, data };
    plugged.modem.lock().unwrap().stored.insert(5, answer.hex().unwrap());
    plugged.say.send(b"\r\n+CMTI: \"ME\",5\r\n".to_vec()).unwrap();
    let text = tokio::time::timeout(limit, texts.recv()).await.unwrap().unwrap();
    assert_eq!((text.from, text.body.as_str()), (kim, "ack m4t."));
    assert!(plugged.modem.lock().unwrap().stored.contains_key(&5));
    text.done.send(()).unwrap();
    until("the answer deleted", async || !plugged.modem.lock().unwrap().stored.contains_key(&5)).await;

    // The cable is pulled and put back into another socket.
    plugged.unplug.cancel();
    plugged.thread.join().unwrap();
    std::fs::remove_file(&port).unwrap();
    tokio::time::timeout(limit, health.wait_for(|health| !health.ready)).await.unwrap().unwrap();
    let outbox = vec![message(2, "second")];
    store.commit(Transition { outbox, ..Transition::default() }).await.unwrap();
    let again = plug(&port, Arc::new(Mutex::new(FakeModem::new())));
    let report = tokio::time::timeout(limit, reported.recv()).await.unwrap().unwrap();
    assert_eq!((report.key, report.fate), (key(2), Fate::Accepted));
    assert_eq!(again.modem.lock().unwrap().sent.len(), 1);

    stop.cancel();
    for task in tasks {
        tokio::time::timeout(limit, task).await.unwrap().unwrap();
    }
    again.unplug.cancel();
    again.thread.join().unwrap();
}

/// A flood of incoming texts must not hold up an alarm.
#[test]
fn a_thousand_incoming_texts_do_not_delay_an_alarm() {
    let mut now = Uptime::from_ms(0);
    let mut modem = FakeModem::new();
    let mut machine = Machine::new(None, false, now);
    let kim = Address::from_number("+12025550143").unwrap();
    let at = CentreTime { at: Timestamp::parse("2026-04-12T02:14:00Z").unwrap(), quarters: 0 };
    let (mut sent_at, mut taken_at, mut read) = (None, None, 0);
    while (taken_at.is_none() || !modem.stored.is_empty()) && now < Uptime::from_ms(3_600_000) {
        while let Some(output) = machine.poll_output() {
            match output {
                Output::Open => machine.opened(now),
                Output::Write(bytes) => {
                    // The line takes its time: 11,520 bytes a second.
                    let mut count = bytes.len();
                    for byte in bytes {
                        for answer in modem.hear(byte) {
                            count += 1;
                            machine.handle_byte(answer, now);
                        }
                    }
                    now = now.after(Span::from_ms(1 + i64::try_from(count * 1000 / 11_520).unwrap()));
                }
                Output::Arrived { index: Some(index), .. } => {
                    read += 1;
                    machine.committed(index, now);
                }
                Output::Done(_, Verdict::Accepted(_)) => taken_at = Some(now),
                Output::Done(_, verdict) => panic!("{verdict:?}"),
                Output::Arrived { index: None, .. } | Output::Close | Output::CutPower | Output::Note(_) => {}
            }
        }
        if machine.health().ready && sent_at.is_none() {
            for n in 0..1000_u16 {
                let data = UserData::whole(&format!("ack {n}"));
                let text = Deliver { centre: None, from: kim.clone(), at, last: false, report: false, data };
                modem.stored.insert(n, text.hex().unwrap());
                for byte in format!("\r\n+CMTI: \"ME\",{n}\r\n").bytes() {
                    machine.handle_byte(byte, now);
                }
            }
            sent_at = Some(now);
            machine.send(Job { id: JobId(1), units: vec![(UNIT.into(), 20)] }, now);
            continue;
        }
        now = now.max(machine.poll_timeout().unwrap());
        machine.handle_timeout(now);
    }
    let delay = taken_at.unwrap().since(sent_at.unwrap());
    println!("{read} texts read, {} left, the alarm was taken after {} ms", modem.stored.len(), delay.ms());
    assert!(delay < Span::from_secs(60));
    assert!(modem.stored.is_empty());
}
