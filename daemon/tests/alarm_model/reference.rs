//! A second, slow, obvious telling of the table of transitions: a clock that ticks every second
//! and asks each row whether its time has come.

use super::Input;
use nightjar::alarm::event::Priority;
use nightjar::alarm::state::{Tuning, Verdict};

const MINUTE: u64 = 60;
const HOUR: u64 = 3600;

pub struct Reference {
    on: u64,
    off: u64,
    min_good: u32,
    latching: bool,
    base: Priority,
    escalates: Option<(u64, Priority)>,
    settle_for: u64,

    t: u64,
    condition: char, // N, P, A, O
    timer: u64,      // when P or O began
    good: u32,
    last_was_doubt: bool,
    recognition: char, // n, u, c
    unanswered_since: u64,
    answered_until: u64,
    cleared_at: Option<u64>,
    latch: bool,
    shelf: Option<(u64, bool)>,
    covered: bool,
    empty: bool,
    settling: Option<u64>,
    settling_longer: bool,
    out: Option<u64>,
    overdue: bool,
    priority: Priority,
    times: u32,
    activations: Vec<u64>,
    chattering: bool,
    unverified: bool,
    pub rows: Vec<u8>,
}

fn s(span: nightjar_calc::time::Span) -> u64 {
    u64::try_from(span.ms() / 1000).unwrap()
}

impl Reference {
    pub fn new(tuning: Tuning) -> Self {
        Self {
            on: s(tuning.on_delay),
            off: s(tuning.off_delay),
            min_good: u32::from(tuning.min_good),
            latching: tuning.latched,
            base: tuning.priority,
            escalates: tuning.escalates.map(|(after, priority)| (s(after), priority)),
            settle_for: s(tuning.settle),
            t: 0,
            condition: 'N',
            timer: 0,
            good: 0,
            last_was_doubt: false,
            recognition: 'n',
            unanswered_since: 0,
            answered_until: 0,
            cleared_at: None,
            latch: false,
            shelf: None,
            covered: false,
            empty: false,
            settling: None,
            settling_longer: false,
            out: None,
            overdue: false,
            priority: tuning.priority,
            times: 0,
            activations: Vec::new(),
            chattering: false,
            unverified: false,
            rows: Vec::new(),
        }
    }

    fn is_on(&self) -> bool {
        self.condition == 'A' || self.condition == 'O'
    }

    fn by_design(&self) -> bool {
        self.covered || self.empty || self.settling.is_some()
    }

    fn letter(&self) -> char {
        if self.out.is_some() {
            return 'I';
        }
        if self.shelf.is_some() {
            return 'G';
        }
        if self.by_design() {
            return 'H';
        }
        match (self.is_on(), self.recognition, self.latch) {
            (true, 'c', _) => 'C',
            (true, _, _) => 'B',
            (false, 'c', true) => 'F',
            (false, _, true) => 'E',
            (false, 'u', false) => 'D',
            (false, _, false) => 'A',
        }
    }

    pub fn picture(&self) -> String {
        format!(
            "{}{}{} {:?} x{} unverified {} chattering {}",
            self.letter(),
            self.condition,
            self.recognition,
            self.priority,
            self.times,
            self.unverified,
            self.chattering
        )
    }

    pub fn apply(&mut self, input: Input) {
        match input {
            Input::Wait(seconds) => {
                for _ in 0..seconds {
                    self.t += 1;
                    self.tick();
                }
                return;
            }
            Input::Verdict(verdict) => self.sample(verdict),
            Input::Acknowledge => self.acknowledge(),
            Input::Confirm => {
                self.rows.push(0);
                if self.latch && !self.is_on() {
                    self.close();
                    self.rows.push(12);
                }
            }
            Input::Worsen(priority) => {
                if priority < self.priority {
                    self.priority = priority;
                    if self.is_on() {
                        self.unanswered();
                        self.rows.push(11);
                    }
                }
            }
            Input::Shelve { for_s, one_shot } => {
                if self.out.is_none() {
                    self.shelf = Some((self.t + for_s, one_shot));
                    self.rows.push(15);
                }
            }
            Input::Unshelve => {
                if self.shelf.is_some() {
                    self.end_shelf();
                }
            }
            Input::Cover => {
                self.settling = None;
                if !self.covered {
                    self.covered = true;
                    self.rows.push(18);
                }
            }
            Input::Uncover => {
                if self.covered {
                    self.covered = false;
                    self.settling = Some(self.t + self.settle_for);
                }
            }
            Input::Empty(true) => {
                if !self.empty {
                    self.empty = true;
                    self.settling = None;
                    self.rows.push(18);
                }
            }
            Input::Empty(false) => {
                if self.empty {
                    self.empty = false;
                    self.settling = Some(self.t + self.settle_for);
                }
            }
            Input::Settle(seconds) => {
                if !self.is_on() && !self.by_design() {
                    self.settling = Some(self.t + seconds);
                    self.rows.push(18);
                }
            }
            Input::Out(seconds) => {
                self.out = Some(self.t + seconds);
                self.overdue = false;
                self.rows.push(20);
            }
            Input::Return => {
                if self.out.is_some() {
                    self.out = None;
                    self.shelf = None;
                    self.covered = false;
                    self.condition = 'N';
                    self.unverified = false;
                    self.chattering = false;
                    self.activations.clear();
                    self.close();
                    self.rows.push(21);
                }
            }
        }
        self.tick();
    }

    fn unanswered(&mut self) {
        self.recognition = 'u';
        self.unanswered_since = self.t;
    }

    fn close(&mut self) {
        self.recognition = 'n';
        self.latch = false;
        self.times = 0;
        self.cleared_at = None;
        self.priority = self.base;
    }

    fn acknowledge(&mut self) {
        if self.recognition != 'u' {
            return;
        }
        if self.is_on() || self.latch {
            self.recognition = 'c';
            self.answered_until = self.t
                + match self.priority {
                    Priority::P1 => 30 * MINUTE,
                    Priority::P2 => 2 * HOUR,
                    Priority::P3 => 24 * HOUR,
                };
            self.rows.push(9);
        } else {
            self.close();
            self.rows.push(12);
        }
    }

    fn sample(&mut self, verdict: Verdict) {
        let good = verdict != Verdict::Unknown;
        self.last_was_doubt = !good;
        if good {
            self.unverified = false;
        }
        match (self.condition, verdict) {
            ('N', Verdict::Beyond) => {
                self.condition = 'P';
                self.timer = self.t;
                self.good = 1;
                self.rows.push(1);
            }
            ('P', Verdict::Beyond) => self.good += 1,
            ('P', Verdict::Margin | Verdict::Inside) => {
                self.condition = 'N';
                self.rows.push(2);
            }
            ('A', Verdict::Inside) => {
                self.condition = 'O';
                self.timer = self.t;
                self.good = 1;
                self.rows.push(5);
            }
            ('O', Verdict::Inside) => self.good += 1,
            ('O', Verdict::Beyond | Verdict::Margin) => {
                self.condition = 'A';
                self.rows.push(6);
            }
            ('A' | 'O', Verdict::Unknown) => {
                self.condition = 'A';
                if !self.unverified {
                    self.unverified = true;
                    self.rows.push(8);
                }
            }
            _ => {}
        }
    }

    fn off_delay(&self) -> u64 {
        if self.chattering { self.off.max((4 * self.off).min(10 * MINUTE)) } else { self.off }
    }

    /// Asks every row that a clock can set off. Several may follow each other at one moment.
    fn tick(&mut self) {
        for _ in 0..8 {
            if !(self.condition_rows() || self.recognition_rows() || self.suppression_rows()) {
                break;
            }
        }
    }

    fn condition_rows(&mut self) -> bool {
        if self.condition == 'P' {
            if self.good >= self.min_good && self.t >= self.timer + self.on {
                self.activate();
                return true;
            }
            if self.good < self.min_good && self.last_was_doubt && self.t >= self.timer + 2 * self.on {
                self.condition = 'N';
                self.rows.push(3);
                return true;
            }
        }
        if self.condition == 'O' && self.good >= self.min_good && self.t >= self.timer + self.off_delay() {
            self.clear();
            return true;
        }
        false
    }

    fn activate(&mut self) {
        let again =
            self.recognition == 'u' && self.cleared_at.is_some_and(|at| self.timer <= at + 30 * MINUTE);
        if again {
            self.times += 1;
            self.rows.push(13);
        } else {
            self.times = 1;
            self.priority = self.base;
            self.rows.push(4);
        }
        self.condition = 'A';
        self.cleared_at = None;
        self.latch = self.latching;
        self.unverified = self.last_was_doubt;
        self.unanswered();
        let window = (10 * MINUTE).max(4 * (self.on + self.off));
        self.activations.push(self.t);
        let recent = self.activations.iter().filter(|at| self.t - **at <= window).count();
        let chattering = recent >= 3;
        if chattering && !self.chattering {
            self.rows.push(14);
        }
        self.chattering = chattering;
    }

    fn clear(&mut self) {
        self.condition = 'N';
        self.unverified = false;
        self.cleared_at = Some(self.t);
        if self.latch {
            self.rows.push(7);
            return;
        }
        let one_shot = matches!(self.shelf, Some((_, true)));
        let covered = self.by_design();
        if one_shot {
            self.shelf = None;
            self.rows.push(17);
        } else {
            self.rows.push(7);
        }
        if one_shot || covered || self.recognition != 'u' {
            self.close();
        }
    }

    fn recognition_rows(&mut self) -> bool {
        if self.recognition == 'c' && self.is_on() && self.t >= self.answered_until {
            self.unanswered();
            self.rows.push(10);
            return true;
        }
        if self.recognition == 'u' && self.is_on() {
            if let Some((after, priority)) = self.escalates
                && priority < self.priority
                && self.t >= self.unanswered_since + after
            {
                self.priority = priority;
                self.rows.push(11);
                return true;
            }
        } else if self.recognition == 'u'
            && !self.latch
            && self.cleared_at.is_some_and(|at| self.t >= at + 24 * HOUR)
        {
            self.close();
            self.rows.push(12);
            return true;
        }
        false
    }

    fn end_shelf(&mut self) {
        self.shelf = None;
        if self.is_on() {
            self.unanswered();
        }
        self.rows.push(16);
    }

    fn suppression_rows(&mut self) -> bool {
        let settled = self.settling.is_some_and(|until| self.t >= until);
        if settled && self.condition == 'O' && !self.settling_longer {
            let clears = self.timer + self.off_delay();
            if clears > self.t {
                self.settling = Some(clears);
                self.settling_longer = true;
                return true;
            }
        }
        if self.shelf.is_some_and(|(until, _)| self.t >= until) {
            self.end_shelf();
            return true;
        }
        if settled {
            self.settling = None;
            self.settling_longer = false;
            if !self.by_design() {
                if self.is_on() {
                    self.unanswered();
                }
                self.rows.push(19);
            }
            return true;
        }
        if let Some(until) = self.out
            && !self.overdue
            && self.t >= until
        {
            self.overdue = true;
            self.rows.push(20);
            return true;
        }
        false
    }
}
