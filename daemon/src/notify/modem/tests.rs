use super::*;
use crate::notify::gsm::Received;
use nightjar_calc::time::Span;

fn up(ms: u64) -> Uptime {
    Uptime::from_ms(ms)
}

#[test]
fn lines_are_found_however_the_bytes_come() {
    let mut splitter = Splitter::default();
    let mut take = |bytes: &[u8]| bytes.iter().filter_map(|b| splitter.push(*b)).collect::<Vec<_>>();
    assert_eq!(take(b"\r\nOK\r\n\0\r\n> "), [Piece::Line("OK".into()), Piece::Prompt]);
    assert_eq!(take(b"+CM"), []);
    assert_eq!(take(b"TI: \"ME\",3\r"), [Piece::Line("+CMTI: \"ME\",3".into())]);
    let long = [b'x'; LONGEST_LINE + 1];
    assert_eq!(take(&long), []);
    assert_eq!(take(b"tail\r\nOK\r\n"), [Piece::Overlong, Piece::Line("OK".into())]);
    assert_eq!(take(&[b'y'; LONGEST_LINE]), []);
    assert_eq!(take(b"\n").len(), 1);
}

#[test]
fn strength_and_registration_are_read_as_the_standard_says() {
    let health = |signal| ModemHealth { signal, ..ModemHealth::default() };
    assert_eq!(health(Some(0)).dbm(), Some(-113));
    assert_eq!(health(Some(10)).dbm(), Some(-93));
    assert_eq!(health(Some(31)).dbm(), Some(-51));
    assert!(health(Some(5)).weak() && !health(Some(6)).weak() && !health(None).weak());
    let registered: Vec<u8> = (0..=9).filter(|n| Registration::from_stat(*n).registered()).collect();
    assert_eq!(registered, [1, 5]);
}

/// The whole table, by meaning.
#[test]
fn refusals_mean_what_the_table_says() {
    for (codes, meaning) in [
        (&[38, 41, 42, 47, 192, 194][..], Meaning::Later),
        (&[331, 332, 500, 512, 532], Meaning::Network),
        (&[314], Meaning::CardBusy),
        (&[1, 28, 30, 195, 196], Meaning::NumberDead),
        (&[8, 10, 50, 69, 193], Meaning::Refused),
        (&[21, 27], Meaning::TurnedAway),
        (&[302, 303, 304, 305, 330], Meaning::Setup),
        (&[310, 311, 312, 313, 315, 316, 317, 318], Meaning::Card),
        (&[208, 211, 322], Meaning::Full),
        (&[340], Meaning::Nothing),
    ] {
        for code in codes {
            assert_eq!(Fault::Message(*code).meaning(), meaning, "{code}");
        }
    }
}

/// A machine that has been answered `OK` to everything, and what it wrote.
fn ready() -> (Machine, Uptime) {
    let mut now = up(0);
    let mut machine = Machine::new(None, false, now);
    for _ in 0..200 {
        while let Some(output) = machine.poll_output() {
            match output {
                Output::Open => machine.opened(now),
                Output::Write(bytes) => {
                    let command = String::from_utf8(bytes).unwrap();
                    let said = match command.trim() {
                        "AT+CFUN?" => "+CFUN: 1\r\nOK\r\n",
                        "AT+CPIN?" => "+CPIN: READY\r\nOK\r\n",
                        "AT+CREG?" => "+CREG: 0,2\r\nOK\r\n",
                        "AT+CEREG?" => "+CEREG: 0,1\r\nOK\r\n",
                        "AT+CSQ" => "+CSQ: 18,99\r\nOK\r\n",
                        "AT+COPS?" => "+COPS: 0,0,\"Carrier\",7\r\nOK\r\n",
                        "AT+CPMS=\"ME\",\"ME\",\"ME\"" => "ERROR\r\n",
                        _ => "OK\r\n",
                    };
                    said.bytes().for_each(|byte| machine.handle_byte(byte, now));
                }
                Output::Close
                | Output::CutPower
                | Output::Done(..)
                | Output::Arrived { .. }
                | Output::Note(_) => {}
            }
        }
        if machine.health().ready {
            return (machine, now);
        }
        now = now.max(machine.poll_timeout().unwrap());
        machine.handle_timeout(now);
    }
    panic!("never ready: {machine:?}");
}

fn say(machine: &mut Machine, said: &str, now: Uptime) -> Vec<Output> {
    said.bytes().for_each(|byte| machine.handle_byte(byte, now));
    std::iter::from_fn(|| machine.poll_output()).collect()
}

fn job() -> Job {
    Job { id: JobId(7), units: vec![("0001000B912120550541F3000007C1E112D4A45101".into(), 20)] }
}

fn written(output: &[Output]) -> String {
    let bytes = output.iter().filter_map(|output| match output {
        Output::Write(bytes) => Some(String::from_utf8_lossy(bytes).into_owned()),
        Output::Open
        | Output::Close
        | Output::CutPower
        | Output::Done(..)
        | Output::Arrived { .. }
        | Output::Note(_) => None,
    });
    bytes.collect()
}

#[test]
fn a_text_goes_out_with_news_in_between() {
    let (mut machine, now) = ready();
    assert_eq!(machine.health().signal, Some(18));
    assert_eq!(machine.health().operator, "Carrier");
    machine.send(job(), now);
    let output = say(&mut machine, "", now);
    assert_eq!(written(&output), "AT+CMGS=20\r");
    let output = say(&mut machine, "AT+CMGS=20\r\r\n+CMTI: \"ME\",3\r\n\r\n> ", now);
    assert_eq!(written(&output), "0001000B912120550541F3000007C1E112D4A45101\u{1a}");
    let output = say(&mut machine, "\r\n+CMGS: 113\r\n\r\nRING\r\nOK\r\n", now);
    assert_eq!(output[0], Output::Done(JobId(7), Verdict::Accepted(vec![113])));
    assert_eq!(written(&output), "AT+CMGR=3\r");
    let unit = "0791448720003023240C914477581006500000916042113312800AE8329BFD4697D9EC37";
    let output = say(&mut machine, &format!("+CMGR: 0,,28\r\n{unit}\r\n\r\nOK\r\n"), now);
    let arrived = Output::Arrived { index: Some(3), what: Received::from_hex(unit).unwrap() };
    assert_eq!(output, [arrived]);
    machine.committed(3, now);
    assert_eq!(written(&say(&mut machine, "", now)), "AT+CMGD=3\r");
}

#[test]
fn silence_after_the_unit_is_unknown_and_before_it_nothing_has_left() {
    let (mut machine, now) = ready();
    machine.send(job(), now);
    say(&mut machine, "", now);
    let before = now.after(Span::from_secs(10));
    machine.handle_timeout(before);
    let output = say(&mut machine, "", before);
    assert!(output.iter().any(|o| matches!(o, Output::Done(_, Verdict::NotNow(_)))), "{output:?}");
    assert!(written(&output).starts_with("\u{1b}AT\r"), "{output:?}");

    let (mut machine, now) = ready();
    machine.send(job(), now);
    say(&mut machine, "\r\n> ", now);
    machine.handle_timeout(now.after(Span::from_secs(60)));
    let output = say(&mut machine, "", now);
    assert!(output.iter().any(|o| matches!(o, Output::Done(_, Verdict::Unknown(_)))), "{output:?}");
}

#[test]
fn the_ladder_of_recovery_has_its_rungs_in_order() {
    let (mut machine, mut now) = ready();
    machine.send(job(), now);
    let mut seen = Vec::new();
    while seen.len() < 6 && now < up(3_600_000) {
        now = now.max(machine.poll_timeout().unwrap());
        machine.handle_timeout(now);
        while let Some(output) = machine.poll_output() {
            match output {
                Output::Note(words) if words.contains(';') => {
                    seen.push(words.split("; ").last().unwrap().to_owned())
                }
                Output::Open => machine.opened(now),
                Output::Write(_)
                | Output::Close
                | Output::CutPower
                | Output::Done(..)
                | Output::Arrived { .. }
                | Output::Note(_) => {}
            }
        }
    }
    let expected = [
        "asking again",
        "abandoning and asking again",
        "resetting the modem",
        "closing and opening the port",
        "opening the port once more",
        "opening the port once more",
    ];
    assert_eq!(seen, expected);
}

#[test]
fn a_wrong_pin_is_entered_once_only() {
    let mut now = up(0);
    let mut machine = Machine::new(Some("1234".into()), false, now);
    let mut entered = 0;
    for _ in 0..2000 {
        while let Some(output) = machine.poll_output() {
            match output {
                Output::Open => machine.opened(now),
                Output::Write(bytes) => {
                    let command = String::from_utf8(bytes).unwrap();
                    entered += usize::from(command.contains("CPIN=\"1234\""));
                    let said = match command.trim() {
                        "AT+CPIN?" => "+CPIN: SIM PIN\r\nOK\r\n",
                        "AT+CPIN=\"1234\"" => "+CME ERROR: 16\r\n",
                        _ => "OK\r\n",
                    };
                    said.bytes().for_each(|byte| machine.handle_byte(byte, now));
                }
                Output::Close
                | Output::CutPower
                | Output::Done(..)
                | Output::Arrived { .. }
                | Output::Note(_) => {}
            }
        }
        now = now.max(machine.poll_timeout().unwrap());
        machine.handle_timeout(now);
    }
    assert!(now > up(24 * 3_600_000), "{now:?}");
    assert_eq!(entered, 1);
    assert!(machine.health().needs_people.is_some());
}
