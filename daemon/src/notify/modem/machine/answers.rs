//! Lines of the modem: answers of the running command, and what it says unasked, at any moment.

use super::{CANCEL, Fault, Machine, Meaning, Output, Registration, Running, SETTLE, Step, Uptime, Verdict};
use crate::notify::gsm::Received;
use nightjar_calc::time::Span;

/// Ends a unit.
const SEND: u8 = 0x1A;
/// Most lines of one answer that are kept.
const MOST_LINES: usize = 32;
/// Most units announced and not yet there.
const MOST_EXPECTED: usize = 8;
/// A card may be busy for so many questions in a row.
const MOST_BUSY: u32 = 12;
/// A card wakes up this long after its PIN.
const CARD_WAKES: Span = Span::from_secs(2);

/// A unit that has been announced: its line follows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Expected {
    /// Place in the store; none when it is handed over directly.
    index: Option<u16>,
    /// Octets without the service centre.
    octets: usize,
}

impl Machine {
    pub(super) fn line(&mut self, line: &str, now: Uptime) {
        let line = line.trim();
        if self.unit(line) || self.unasked(line) || self.quiet_until > now {
            return;
        }
        let Some(step) = self.running.as_ref().map(|running| running.step) else { return };
        if let Some(result) = final_result(line) {
            // An `OK` where only a prompt can be the answer belongs to something older.
            let stray = result == Ok(()) && matches!(step, Step::Announce(_));
            let nothing = result.is_err_and(|fault| fault.meaning() == Meaning::Nothing);
            if !stray && !nothing {
                self.finish(result, now);
            }
            return;
        }
        let belongs = step.prefix().is_some_and(|prefix| line.starts_with(prefix));
        if let Some(running) = self.running.as_mut().filter(|r| belongs && r.lines.len() < MOST_LINES) {
            running.lines.push(line.to_owned());
        }
    }

    pub(super) fn prompt(&mut self, now: Uptime) {
        let announced = self.running.as_ref().is_some_and(|r| matches!(r.step, Step::Announce(_)));
        let unit = self.work.as_ref().and_then(|work| work.job.units.get(work.at));
        let Some((hex, _)) = unit.filter(|_| announced) else {
            // Whatever the modem waits for, it is nothing of ours.
            return self.write(CANCEL);
        };
        let mut bytes = hex.clone().into_bytes();
        bytes.push(SEND);
        self.output.push_back(Output::Write(bytes));
        let deadline = now.after(Step::Unit.limit());
        self.running = Some(Running { step: Step::Unit, deadline, lines: Vec::new() });
    }

    /// A unit that was announced.
    fn unit(&mut self, line: &str) -> bool {
        let digits = line.len() >= 2 && line.bytes().all(|b| b.is_ascii_hexdigit());
        if !digits || self.expected.is_empty() {
            return false;
        }
        let centre = u8::from_str_radix(&line[..2], 16).map_or(0, usize::from);
        let octets = (line.len() / 2).saturating_sub(1 + centre);
        let at = self.expected.iter().position(|expected| expected.octets == octets).unwrap_or(0);
        let expected = self.expected.remove(at);
        match Received::from_hex(line) {
            Ok(what) => self.output.push_back(Output::Arrived { index: expected.index, what }),
            Err(error) => {
                self.health.unreadable = self.health.unreadable.saturating_add(1);
                let shown: String = line.chars().take(400).collect();
                self.note(format!("something that cannot be read arrived: {error}: {shown}"));
                // It is in the journal now and would only fill the store.
                if let Some(index) = expected.index {
                    self.chore(Step::Delete(index));
                }
            }
        }
        true
    }

    fn unasked(&mut self, line: &str) -> bool {
        let Some((name, rest)) = line.split_once(':') else { return line == "RING" };
        let fields: Vec<&str> = rest.split(',').map(str::trim).collect();
        let last = || fields.last().and_then(|field| field.parse::<usize>().ok());
        let listing = self.running.as_ref().map(|running| running.step);
        match (name, listing) {
            ("+CMTI" | "+CDSI", _) => {
                if let Some(index) = fields.get(1).and_then(|field| field.parse().ok()) {
                    self.chore(Step::Read(index));
                }
                true
            }
            ("+CDS" | "+CMT", _) => {
                self.expect(None, last());
                true
            }
            ("+CMGR", Some(Step::Read(index))) => {
                self.expect(Some(index), last());
                true
            }
            ("+CMGL", Some(Step::List)) => {
                if let Some(index) = fields.first().and_then(|field| field.parse().ok()) {
                    self.expect(Some(index), last());
                }
                true
            }
            // With one number it is news, with two the answer to our question.
            ("+CREG" | "+CEREG", _) if fields.len() == 1 => {
                self.registered(name == "+CEREG", fields.first().copied());
                true
            }
            _ => false,
        }
    }

    fn expect(&mut self, index: Option<u16>, octets: Option<usize>) {
        if let Some(octets) = octets.filter(|_| self.expected.len() < MOST_EXPECTED) {
            self.expected.push(Expected { index, octets });
        }
    }

    fn registered(&mut self, lte: bool, stat: Option<&str>) {
        let Some(stat) = stat.and_then(|stat| stat.parse().ok()) else { return };
        let found = Registration::from_stat(stat);
        if lte {
            self.registrations.1 = found;
        } else {
            self.registrations.0 = found;
        }
        let (plain, lte) = self.registrations;
        let known = |registration| registration != Registration::Unknown;
        let registration = if plain.registered() || !known(lte) { plain } else { lte };
        self.health.registration = registration;
    }

    fn finish(&mut self, result: Result<(), Fault>, now: Uptime) {
        let Some(running) = self.running.take() else { return };
        let (step, lines) = (running.step, running.lines);
        let line = lines.last().map(String::as_str).unwrap_or_default();
        match (step, result) {
            (Step::Announce(_) | Step::Unit, Err(fault)) => self.turned_away(fault, now),
            (Step::Announce(_), Ok(())) => {}
            (Step::Unit, Ok(())) => self.taken(line, now),
            (Step::Attention, Ok(())) => self.quiet_until = now.after(SETTLE),
            (Step::Card, Ok(())) => self.card(line, now),
            (Step::Card, Err(Fault::Equipment(14))) if self.attempts < MOST_BUSY => {
                self.attempts += 1;
                self.quiet_until = now.after(Span::from_secs(5));
                self.queue.push_front(Step::Card);
            }
            (Step::Card, Err(fault)) => {
                self.block(format!("the modem finds no card that works: {fault}"), Span::from_secs(60), now);
            }
            (Step::EnterPin, Ok(())) => {
                self.quiet_until = now.after(CARD_WAKES);
                self.queue.push_front(Step::Card);
            }
            (Step::EnterPin, Err(fault)) => {
                self.block(
                    format!("the PIN was {fault}; it is not tried again"),
                    Span::from_minutes(10),
                    now,
                );
            }
            (Step::Function, Ok(())) if !line.ends_with('1') => self.queue.push_front(Step::FunctionOn),
            (Step::Registered | Step::RegisteredLte, Ok(())) => {
                let stat = line.split(',').nth(1).map(str::trim);
                self.registered(step == Step::RegisteredLte, stat);
            }
            (Step::Signal, Ok(())) => {
                let strength = line.trim_start_matches("+CSQ:").split(',').next();
                self.health.signal =
                    strength.and_then(|s| s.trim().parse().ok()).filter(|strength| *strength <= 31);
            }
            (Step::Operator, Ok(())) => {
                self.health.operator = line.split('"').nth(1).unwrap_or_default().chars().take(40).collect();
            }
            (Step::Model, Ok(())) => self.health.model = line.chars().take(40).collect(),
            (Step::Store, Err(_)) => self.queue.push_front(Step::StoreOnCard),
            (Step::Notice, Err(_)) => self.queue.push_front(Step::NoticeDirect),
            (Step::Reset, Ok(())) => {
                self.quiet_until = now.after(Span::from_secs(5));
                self.begin(now);
            }
            (step, Err(fault)) if !step.may_fail() => {
                self.trouble(format!("{}: {fault}", step.command()), now);
            }
            (step @ (Step::Read(_) | Step::Delete(_)), Err(fault)) => {
                self.note(format!("{}: {fault}", step.command()));
            }
            (Step::Reset, Err(_)) => self.trouble("the modem refuses to be reset".into(), now),
            _ => {}
        }
        if matches!(step, Step::Read(_) | Step::List) {
            self.expected.retain(|expected| expected.index.is_none());
        }
    }

    fn card(&mut self, line: &str, now: Uptime) {
        match line.trim_start_matches("+CPIN:").trim() {
            // The PIN is right, then: after a reset it may be entered again.
            "READY" => self.pin_spent = false,
            "SIM PIN" if self.pin.is_some() && !self.pin_spent => {
                // Once and never again: three wrong ones lock the card.
                self.pin_spent = true;
                self.queue.push_front(Step::EnterPin);
            }
            "SIM PIN" if self.pin_spent => {
                self.block("the card wants a PIN again".into(), Span::from_minutes(10), now);
            }
            "SIM PIN" => self.block("the card wants a PIN and none is set".into(), Span::from_secs(60), now),
            locked if locked.contains("PUK") || locked.starts_with("PH-") => {
                let words = format!("the card is locked: {}", locked.chars().take(20).collect::<String>());
                self.block(words, Span::from_minutes(10), now);
            }
            _ => self.trouble("the card does not say whether it is ready".into(), now),
        }
    }

    /// The network took a unit.
    pub(super) fn taken(&mut self, line: &str, now: Uptime) {
        let Some(work) = self.work.as_mut() else { return };
        let number = line.trim_start_matches("+CMGS:").split(',').next();
        work.references.extend(number.and_then(|number| number.trim().parse::<u8>().ok()));
        work.at += 1;
        if work.at < work.job.units.len() {
            return;
        }
        let (id, references) = (work.job.id, std::mem::take(&mut work.references));
        self.work = None;
        self.failures = 0;
        self.rung = 0;
        self.started_anew = false;
        self.texting_refused = false;
        self.health.needs_people = None;
        self.health.last_error = None;
        self.health.since = self.health.since.min(now);
        self.output.push_back(Output::Done(id, Verdict::Accepted(references)));
    }
}

fn final_result(line: &str) -> Option<Result<(), Fault>> {
    let number = |rest: &str, unknown| rest.trim().parse().unwrap_or(unknown);
    match line {
        "OK" => Some(Ok(())),
        "ERROR" | "NO CARRIER" => Some(Err(Fault::Plain)),
        _ => {
            let message = line.strip_prefix("+CMS ERROR:").map(|rest| Fault::Message(number(rest, 500)));
            let equipment =
                || line.strip_prefix("+CME ERROR:").map(|rest| Fault::Equipment(number(rest, 100)));
            message.or_else(equipment).map(Err)
        }
    }
}
