//! What is done when the modem does not answer, or answers that it cannot.

use super::{CANCEL, Fault, Machine, Meaning, Output, Phase, Step, Uptime, Verdict};
use nightjar_calc::time::Span;

/// Tries of the first command before the next rung.
const MOST_ATTEMPTS: u32 = 10;
/// Failures in a row before the modem is reset.
const MOST_FAILURES: u32 = 3;
/// Highest rung of the ladder.
pub(super) const TOP: u32 = 4;
/// Rung that resets the modem.
const RESET: u32 = 2;

impl Machine {
    /// The running command got no answer in its time.
    pub(super) fn unanswered(&mut self, now: Uptime) {
        let Some(running) = self.running.take() else { return };
        let starting = self.phase == Phase::Starting;
        let step = running.step;
        if step == Step::Attention && starting && self.attempts + 1 < MOST_ATTEMPTS {
            self.attempts += 1;
            self.start(Step::Attention, now);
        } else if let Some(line) = running.lines.last().filter(|_| step == Step::Unit) {
            // The network said it has it; only the end of the answer is missing.
            self.write(CANCEL);
            self.accept(line, now);
        } else if matches!(step, Step::Announce(_) | Step::Unit) {
            self.write(CANCEL);
            if let Some(work) = self.work.take() {
                let words = "no answer from the modem".to_owned();
                let unknown = step == Step::Unit || work.at > 0;
                let verdict = if unknown { Verdict::Unknown(words) } else { Verdict::NotNow(words) };
                self.output.push_back(Output::Done(work.job.id, verdict));
            }
            self.failures += 1;
            self.trouble("no answer to a text".into(), now);
        } else {
            self.trouble(format!("no answer to {}", step.command()), now);
        }
    }

    fn accept(&mut self, line: &str, now: Uptime) {
        self.running = None;
        self.taken(line, now);
    }

    /// The network or the modem turned a text away.
    pub(super) fn turned_away(&mut self, fault: Fault, now: Uptime) {
        if let Some(work) = self.work.take() {
            // Of a joined text some parts may be there already; the whole is tried again.
            self.output.push_back(Output::Done(work.job.id, Verdict::Refused(fault)));
        }
        let words = fault.to_string();
        self.health.last_error = Some(words.clone());
        match fault.meaning() {
            Meaning::NumberDead | Meaning::TurnedAway | Meaning::CardBusy | Meaning::Nothing => {}
            Meaning::Later => self.count_failure(words, now),
            Meaning::Network => {
                self.queue.extend([Step::Registered, Step::RegisteredLte, Step::Signal]);
                self.count_failure(words, now);
            }
            Meaning::Refused => {
                self.texting_refused = true;
                self.health.needs_people = Some(words);
            }
            Meaning::Setup if self.started_anew => self.health.needs_people = Some(words),
            Meaning::Setup => {
                self.started_anew = true;
                self.begin(now);
            }
            Meaning::Card => self.block(words, Span::from_secs(60), now),
            Meaning::Full => self.queue.push_back(Step::List),
        }
    }

    fn count_failure(&mut self, words: String, now: Uptime) {
        self.failures += 1;
        if self.failures >= MOST_FAILURES {
            self.failures = 0;
            self.rung = self.rung.max(RESET);
            self.trouble(format!("{MOST_FAILURES} failures in a row, the last: {words}"), now);
        }
    }

    /// Climbs one rung.
    pub(super) fn trouble(&mut self, why: String, now: Uptime) {
        self.give_back(&why);
        if self.failures >= MOST_FAILURES {
            self.failures = 0;
            self.rung = self.rung.max(RESET);
        }
        let rung = self.rung;
        self.rung = rung.saturating_add(1);
        self.health.recoveries = self.health.recoveries.saturating_add(1);
        self.fail(why.clone(), now);
        self.running = None;
        self.queue.clear();
        match rung {
            0 => {
                self.note(format!("{why}; asking again"));
                self.begin(now);
            }
            1 => {
                self.note(format!("{why}; abandoning and asking again"));
                self.write(CANCEL);
                self.begin(now);
            }
            RESET => {
                self.note(format!("{why}; resetting the modem"));
                self.phase = Phase::Starting;
                self.not_ready(now);
                self.queue.push_back(Step::Reset);
            }
            3 => self.reopen(format!("{why}; closing and opening the port"), Span::from_secs(2), now),
            TOP if self.can_cut_power => {
                self.output.push_back(Output::CutPower);
                self.reopen(format!("{why}; cutting the modem's power"), Span::from_secs(12), now);
            }
            _ => self.reopen(format!("{why}; opening the port once more"), Span::from_secs(10), now),
        }
    }

    fn reopen(&mut self, words: String, wait: Span, now: Uptime) {
        self.note(words);
        self.output.push_back(Output::Close);
        self.drop_everything();
        self.phase = Phase::Closed { open_at: now.after(wait) };
        self.not_ready(now);
    }

    /// Nothing helps but a person.
    pub(super) fn block(&mut self, why: String, again: Span, now: Uptime) {
        if let Some(work) = self.work.take() {
            self.output.push_back(Output::Done(work.job.id, Verdict::Blocked(why.clone())));
        }
        self.note(format!("{why}; waiting for somebody to see to it"));
        self.health.needs_people = Some(why.clone());
        self.running = None;
        self.queue.clear();
        self.fail(why.clone(), now);
        self.phase = Phase::Blocked { why, again_at: now.after(again) };
    }

    /// What was being sent ends with what is known about it.
    pub(super) fn give_back(&mut self, why: &str) {
        let Some(work) = self.work.take() else { return };
        let under_way = self.running.as_ref().is_some_and(|running| running.step == Step::Unit);
        let verdict = if under_way || work.at > 0 {
            Verdict::Unknown(why.to_owned())
        } else {
            Verdict::NotNow(why.to_owned())
        };
        self.output.push_back(Output::Done(work.job.id, verdict));
    }

    pub(super) fn fail(&mut self, why: String, now: Uptime) {
        self.health.last_error = Some(why);
        self.not_ready(now);
    }

    pub(super) fn drop_everything(&mut self) {
        self.running = None;
        self.queue.clear();
        self.chores.clear();
        self.expected.clear();
        self.splitter.clear();
    }
}
