//! `nightjar-sim` as a program: its answers to bad input, its files, its wire and its broker.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on shall fail")]

use serde_json::Value;
use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};
use std::time::Duration;

fn sim(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_nightjar-sim"));
    command.args(arguments).stdin(Stdio::null());
    command
}

fn run(arguments: &[&str]) -> Output {
    sim(arguments).output().unwrap()
}

/// A path that no other test uses.
fn scratch(name: &str) -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR"));
    let path = folder.join(name);
    drop(std::fs::remove_file(&path));
    path
}

#[test]
fn bad_input_gets_one_clear_error_and_its_exit_code() {
    let broken = scratch("broken.toml");
    std::fs::write(&broken, "name = \"x\"\ncolour = 3\n").unwrap();
    let broken = broken.to_str().unwrap();
    for (arguments, code, says) in [
        (&["--scenario", "storm"][..], 64, "no scenario is called \"storm\""),
        (&["--scenario", broken], 64, "colour"),
        (&["--scenario", "/nowhere/x.toml"], 64, "cannot read scenario"),
        (&["--speed", "-1"], 64, "not a pace"),
        (&["--days", "NaN"], 64, "days"),
        (&["--jars", "23"], 64, "multiple of 4"),
        (&["--interval", "0"], 64, "interval-s"),
        (&["--start", "yesterday"], 64, "2026-04-18T14:00:00-05:00"),
        (&["--frobnicate"], 64, "--frobnicate"),
        (&["--serial", "/dev/nowhere"], 74, "/dev/nowhere"),
        (&["--mqtt", "127.0.0.1:1"], 74, "cannot reach the broker"),
        (&["--mqtt", "127.0.0.1:port"], 74, "HOST:PORT"),
        (&["--csv", "/nowhere/x.csv"], 74, "/nowhere/x.csv"),
        (&["--truth", "/nowhere/x.json"], 74, "/nowhere/x.json"),
    ] {
        // An option may be given once: length and pace are added unless they are what is tested.
        let tested = arguments.contains(&"--days") || arguments.contains(&"--speed");
        let short: &[&str] = if tested { &[] } else { &["--days", "0.02", "--speed", "0"] };
        let output = run(&[arguments, short].concat());
        let text = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {text}");
        assert!(text.contains(says), "{arguments:?}: {text}");
        assert!(output.stdout.is_empty());
    }
}

#[test]
fn files_tell_the_same_story_every_time() {
    let play = |name: &str| {
        let (csv, truth) = (scratch(&format!("{name}.csv")), scratch(&format!("{name}.json")));
        let output = run(&[
            "--scenario",
            "pump-trip",
            "--seed",
            "9",
            "--speed",
            "0",
            "--interval",
            "60",
            "--csv",
            csv.to_str().unwrap(),
            "--truth",
            truth.to_str().unwrap(),
        ]);
        assert!(output.status.success(), "{output:?}");
        (std::fs::read_to_string(csv).unwrap(), std::fs::read_to_string(truth).unwrap())
    };
    let (csv, truth) = play("first");
    assert!((csv.clone(), truth.clone()) == play("second"));
    assert_eq!(csv.lines().count(), 1 + 5 * 1440);
    let truth: Value = serde_json::from_str(&truth).unwrap();
    assert_eq!(truth["jars"].as_array().unwrap().len(), 24);
    assert_eq!(truth["faults"][0]["cause"], "pump-trip");
    assert_eq!(truth["faults"][0]["begins_at"], "2026-04-19T07:17:00Z");
}

#[test]
fn a_reader_of_the_pseudo_terminal_gets_every_line() {
    let mut child = sim(&["--pty", "--speed", "0", "--days", "0.1", "--jars", "24"])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut path = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut path).unwrap();
    let mut end = std::fs::File::open(path.trim()).unwrap();
    let (mut bytes, mut piece) = (Vec::new(), [0; 4096]);
    // The line ends with an error once the program has closed it.
    while let Ok(read) = end.read(&mut piece) {
        if read == 0 {
            break;
        }
        bytes.extend_from_slice(&piece[..read]);
    }
    assert!(child.wait().unwrap().success());
    let text = String::from_utf8(bytes).unwrap();
    // 864 scans of 56 sensors.
    assert_eq!(
        text.lines().filter(|l| l.starts_with("$NJXDR,") && l.contains('*')).count(),
        text.lines().count()
    );
    assert_eq!(text.matches(",C,J24T").count(), 864);
    assert_eq!(text.matches(",L,HDF").count(), 864);
}

#[test]
fn a_reader_may_have_the_pseudo_terminal_for_itself() {
    let mut child = sim(&["--pty", "--speed", "0", "--days", "0.1"])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut path = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut path).unwrap();
    // As the daemon opens a port: locked against everybody else.
    let opened = serialport::new(path.trim(), 115_200).timeout(Duration::from_secs(10)).open_native();
    let mut first = [0];
    let read = opened.map(|mut port| port.read_exact(&mut first).is_ok());
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(read.unwrap());
    assert_eq!(&first, b"$");
}

/// A broker of the barest kind, MQTT 3.1.1 sections 3.1 to 3.4: it takes connections and QoS 1
/// messages, and hangs up without a word every so many of them. Gives the payloads it acknowledged.
fn broker(listener: &TcpListener, expected: usize, hang_up_after: usize) -> BTreeSet<String> {
    let mut taken = BTreeSet::new();
    for client in listener.incoming() {
        serve(client.unwrap(), &mut taken, hang_up_after, expected);
        if taken.len() >= expected {
            break;
        }
    }
    taken
}

fn serve(mut client: TcpStream, taken: &mut BTreeSet<String>, hang_up_after: usize, expected: usize) {
    let mut left = hang_up_after;
    while let Some((kind, body)) = packet(&mut client) {
        match kind >> 4 {
            1 => client.write_all(&[0x20, 2, 0, 0]).unwrap(),
            3 => {
                assert_eq!(kind & 0b0111, 0b0010, "QoS 1, not retained");
                if left == 0 && taken.len() < expected {
                    return;
                }
                left = left.saturating_sub(1);
                let topic = usize::from(u16::from_be_bytes([body[0], body[1]]));
                let id = [body[2 + topic], body[3 + topic]];
                let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
                taken.insert(format!("{} {}", text(&body[2..2 + topic]), text(&body[4 + topic..])));
                client.write_all(&[0x40, 2, id[0], id[1]]).unwrap();
            }
            12 => client.write_all(&[0xd0, 0]).unwrap(),
            14 => return,
            other => panic!("packet type {other}"),
        }
    }
}

fn packet(client: &mut TcpStream) -> Option<(u8, Vec<u8>)> {
    let mut byte = [0];
    client.read_exact(&mut byte).ok()?;
    let kind = byte[0];
    let (mut length, mut shift) = (0_usize, 0);
    loop {
        client.read_exact(&mut byte).ok()?;
        length |= usize::from(byte[0] & 0x7f) << shift;
        shift += 7;
        if byte[0] & 0x80 == 0 {
            break;
        }
    }
    let mut body = vec![0; length];
    client.read_exact(&mut body).ok()?;
    Some((kind, body))
}

#[test]
fn every_reading_gets_through_to_a_broker_that_hangs_up_and_the_log_knows_it() {
    // 180 scans of 20 sensors.
    const READINGS: usize = 180 * 20;
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let server = std::thread::spawn(move || broker(&listener, READINGS, 700));
    let log = scratch("acknowledged.csv");
    let output = run(&[
        "--scenario",
        "quiet",
        "--mqtt",
        &address,
        "--acked-log",
        log.to_str().unwrap(),
        "--stamp",
        "--speed",
        "0",
        "--interval",
        "8",
        "--days",
        "0.016666",
    ]);
    assert!(output.status.success(), "{output:?}");
    let taken = server.join().unwrap();
    let logged: Vec<String> = std::fs::read_to_string(log)
        .unwrap()
        .lines()
        .map(|line| {
            let [sensor, at, value] = line.split(',').collect::<Vec<_>>()[..] else { panic!("{line}") };
            format!("sensors/{sensor} {{\"value\":{value},\"at\":\"{at}\"}}")
        })
        .collect();
    assert_eq!(logged.len(), READINGS);
    assert!(logged.iter().all(|reading| taken.contains(reading)));
    let told = String::from_utf8(output.stderr).unwrap();
    assert!(told.contains("acknowledged 3600 readings") && !told.contains(" 0 reconnections"), "{told}");
}
