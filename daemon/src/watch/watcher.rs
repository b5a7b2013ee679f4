//! When to tell people about a station. Takes signs of life and the time, gives notices.

use crate::clock::{Now, Uptime};
use crate::heartbeat::document::{Beat, Status};
use nightjar_calc::time::{Span, Timestamp, Zone};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};

/// Expected time between two signs of life of a station that was not heard yet.
const USUAL_EVERY: Span = Span::from_secs(60);
/// First reminder of an alarm that lasts.
const FIRST_REMINDER: Span = Span::from_minutes(30);
/// Later reminders.
const REMINDER: Span = Span::from_hours(2);
/// Good signs of life in a row after which an alarm is over.
const GOOD_AGAIN: u32 = 2;
/// So many starts within [`LOOP_LENGTH`] are a program that falls over again and again.
const LOOP_STARTS: usize = 4;
/// See [`LOOP_STARTS`].
const LOOP_LENGTH: Span = Span::from_minutes(30);
/// Runs of the past whose signs of life are refused when they come again.
const RUNS_KEPT: usize = 32;
/// A sign of life whose moment is further from the watcher's clock is an old one sent again.
const MOMENT_LIMIT: Span = Span::from_minutes(5);

/// What is wrong with a station.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Trouble {
    /// Nothing is heard.
    Silent,
    /// It says itself that its silence cannot be trusted.
    Failing,
}

/// An alarm about a station.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Alarm {
    /// What is wrong.
    pub trouble: Trouble,
    /// Since when, RFC 3339.
    pub since: String,
    /// How often people were reminded.
    pub reminders: u32,
}

/// What is kept of a station over a restart.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Kept {
    /// The alarm, if there is one.
    pub alarm: Option<Alarm>,
    /// When it was last heard, RFC 3339.
    pub heard_at: Option<String>,
    /// Names of its runs, newest last.
    pub runs: VecDeque<String>,
    /// Number of the last sign of life of the newest run.
    pub seq: u64,
    /// Channels it had.
    pub channels: usize,
}

#[derive(Debug)]
struct Station {
    kept: Kept,
    grace: Span,
    /// Moment of the last sign of life, or of our own start.
    heard: Uptime,
    every: Span,
    last: Option<Beat>,
    good: u32,
    remind_at: Option<Uptime>,
    starts: VecDeque<Uptime>,
    loop_told: Option<Uptime>,
}

/// Something to tell people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notice {
    /// Which station, or the watcher itself.
    pub about: String,
    /// First line.
    pub subject: String,
    /// All of it.
    pub text: String,
    /// True when somebody has to get up.
    pub urgent: bool,
}

/// Why a sign of life does not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotTaken {
    /// Nobody told us of this station.
    #[error("no station of this name is watched here")]
    Unknown,
    /// It was here before.
    #[error("this sign of life, or a later one, was here before")]
    Again,
    /// Its moment is far from ours.
    #[error("its time is more than five minutes from the watcher's: check both clocks")]
    Moment,
}

/// All stations.
#[derive(Debug)]
pub struct Watcher {
    stations: BTreeMap<String, Station>,
    zone: Zone,
    outputs: VecDeque<Notice>,
}

impl Watcher {
    /// Begins with what was kept. A station counts as heard now, unless it is in alarm already.
    #[must_use]
    pub fn new(
        stations: &BTreeMap<String, Span>,
        mut kept: BTreeMap<String, Kept>,
        zone: Zone,
        now: Now,
    ) -> Self {
        let stations = stations.iter().map(|(id, grace)| {
            let kept = kept.remove(id).unwrap_or_default();
            let station = Station {
                remind_at: kept.alarm.as_ref().map(|_| now.up.after(REMINDER)),
                kept,
                grace: *grace,
                heard: now.up,
                every: USUAL_EVERY,
                last: None,
                good: 0,
                starts: VecDeque::new(),
                loop_told: None,
            };
            (id.clone(), station)
        });
        Self { stations: stations.collect(), zone, outputs: VecDeque::new() }
    }

    /// What must survive a restart.
    #[must_use]
    pub fn kept(&self) -> BTreeMap<String, Kept> {
        self.stations.iter().map(|(id, station)| (id.clone(), station.kept.clone())).collect()
    }

    /// A sign of life whose signature was right. `moment` is that of the signature.
    ///
    /// # Errors
    /// When it does not count; nothing has changed then.
    pub fn handle_beat(&mut self, beat: Beat, moment: Option<Timestamp>, now: Now) -> Result<(), NotTaken> {
        let zone = self.zone;
        let station = self.stations.get_mut(&beat.station).ok_or(NotTaken::Unknown)?;
        let newest = station.kept.runs.back() == Some(&beat.run);
        if (newest && beat.seq <= station.kept.seq) || (!newest && station.kept.runs.contains(&beat.run)) {
            return Err(NotTaken::Again);
        }
        let off = moment.map(|moment| now.utc.since(moment).ms().abs());
        if beat.clock_trusted && now.trusted && off.is_some_and(|off| off > MOMENT_LIMIT.ms()) {
            return Err(NotTaken::Moment);
        }
        let mut notices = Vec::new();
        if !newest {
            notices.extend(station.started(&beat, now));
        }
        if beat.channels_total < station.kept.channels && beat.uptime_s > 60 {
            notices.push(notice(
                &beat.station,
                "watches fewer channels",
                format!(
                    "It has {} channels, and had {} before. If sensors were taken out on purpose, all is well.",
                    beat.channels_total, station.kept.channels
                ),
                false,
            ));
        }
        if beat.uptime_s > 60 || station.kept.channels == 0 {
            station.kept.channels = beat.channels_total;
        }
        station.kept.seq = beat.seq;
        station.kept.heard_at = Some(now.utc.rfc3339());
        station.heard = now.up;
        #[expect(clippy::cast_possible_truncation, reason = "clamped to a day")]
        let every_ms = (beat.every_s.clamp(0.1, 86_400.0) * 1000.0) as i64;
        station.every = Span::from_ms(every_ms);
        match beat.status {
            Status::Ok => notices.extend(station.well(&beat, now, zone)),
            Status::Fail => notices.extend(station.unwell(&beat, now)),
            Status::Stopping => station.good = 0,
        }
        station.last = Some(beat);
        self.outputs.extend(notices);
        Ok(())
    }

    /// When to call [`Self::handle_timeout`].
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Uptime> {
        self.stations.values().filter_map(Station::due).min()
    }

    /// Lets deadlines take effect that have passed.
    pub fn handle_timeout(&mut self, now: Now) {
        let zone = self.zone;
        for (id, station) in &mut self.stations {
            if station.due().is_some_and(|due| due <= now.up) {
                self.outputs.extend(station.time_is_up(id, now, zone));
            }
        }
    }

    /// The next notice.
    pub fn poll_output(&mut self) -> Option<Notice> {
        self.outputs.pop_front()
    }

    /// The daily report: that the watcher itself still watches, and how each station is.
    #[must_use]
    pub fn daily(&self, name: &str, now: Now) -> Notice {
        let mut text =
            String::from("Still watching. If this message does not come, look after the watcher.\n\n");
        for (id, station) in &self.stations {
            let line = match (&station.kept.alarm, &station.last) {
                (Some(alarm), _) => {
                    format!("{id}: IN ALARM since {} ({:?})", alarm.since, alarm.trouble).to_lowercase()
                }
                (None, Some(beat)) => {
                    let [p1, p2, p3] = beat.alarms;
                    format!(
                        "{id}: heard {:.0} s ago, {} of {} channels good, alarms {p1}/{p2}/{p3}",
                        now.up.since(station.heard).secs(),
                        beat.channels_good,
                        beat.channels_total
                    )
                }
                (None, None) => format!("{id}: not heard since the watcher started"),
            };
            text.push_str(&line);
            text.push('\n');
        }
        Notice { about: "watcher".into(), subject: format!("{name}: still watching"), text, urgent: false }
    }
}

impl Station {
    fn deadline(&self) -> Uptime {
        self.heard.after(self.every + self.grace)
    }

    fn due(&self) -> Option<Uptime> {
        let silent = self.kept.alarm.as_ref().is_some_and(|alarm| alarm.trouble == Trouble::Silent);
        let deadline = (!silent).then(|| self.deadline());
        [deadline, self.remind_at].into_iter().flatten().min()
    }

    fn time_is_up(&mut self, id: &str, now: Now, zone: Zone) -> Option<Notice> {
        let silent = self.kept.alarm.as_ref().is_some_and(|alarm| alarm.trouble == Trouble::Silent);
        if !silent && self.deadline() <= now.up {
            return Some(self.raise(id, Trouble::Silent, &self.last_words(zone), now));
        }
        let alarm = self.kept.alarm.as_mut()?;
        alarm.reminders += 1;
        self.remind_at = Some(now.up.after(REMINDER));
        let (since, n) = (alarm.since.clone(), alarm.reminders);
        let words = self.last_words(zone);
        Some(notice(id, "still in alarm", format!("Since {since}. Reminder {n}. {words}"), true))
    }

    fn last_words(&self, zone: Zone) -> String {
        let heard = self.kept.heard_at.as_deref().and_then(|text| Timestamp::parse(text).ok());
        let heard = heard.map_or_else(
            || "Nothing was ever heard from it.".to_owned(),
            |at| format!("Last heard {} local time.", zone.local(at).format("%Y-%m-%d %H:%M:%S")),
        );
        let stopped = self.last.as_ref().is_some_and(|beat| beat.status == Status::Stopping);
        let said = self.last.as_ref().map_or_else(String::new, |beat| {
            let [p1, p2, p3] = beat.alarms;
            format!(
                " It had {} of {} channels good and {p1} P1, {p2} P2, {p3} P3 alarms on.",
                beat.channels_good, beat.channels_total
            )
        });
        let stopped = if stopped { " It was stopped on purpose and has not come back." } else { "" };
        format!(
            "{heard}{stopped}{said} Nobody watches the eggs there now: go and look at flow and temperature, \
             then at power, network and the monitor."
        )
    }

    fn raise(&mut self, id: &str, trouble: Trouble, text: &str, now: Now) -> Notice {
        let subject = match trouble {
            Trouble::Silent => "is silent",
            Trouble::Failing => "cannot be trusted",
        };
        self.good = 0;
        self.kept.alarm = Some(Alarm { trouble, since: now.utc.rfc3339(), reminders: 0 });
        self.remind_at = Some(now.up.after(FIRST_REMINDER));
        notice(id, subject, text.to_owned(), true)
    }

    fn unwell(&mut self, beat: &Beat, now: Now) -> Option<Notice> {
        self.good = 0;
        if self.kept.alarm.as_ref().is_some_and(|alarm| alarm.trouble == Trouble::Failing) {
            return None;
        }
        let text = format!(
            "It says itself that its silence cannot be trusted: {}. Alarms may not reach you: look after it, and \
             look at the eggs meanwhile.",
            beat.reasons.join("; ")
        );
        Some(self.raise(&beat.station, Trouble::Failing, &text, now))
    }

    fn well(&mut self, beat: &Beat, now: Now, zone: Zone) -> Option<Notice> {
        self.good = self.good.saturating_add(1);
        if self.good < GOOD_AGAIN {
            return None;
        }
        let alarm = self.kept.alarm.take()?;
        self.remind_at = None;
        let local = zone.local(now.utc).format("%Y-%m-%d %H:%M:%S");
        let text = format!(
            "It is heard again and well, since {local} local time. It was in alarm since {}.",
            alarm.since
        );
        Some(notice(&beat.station, "is well again", text, false))
    }

    fn started(&mut self, beat: &Beat, now: Now) -> Option<Notice> {
        self.kept.runs.push_back(beat.run.clone());
        while self.kept.runs.len() > RUNS_KEPT {
            self.kept.runs.pop_front();
        }
        self.starts.push_back(now.up);
        while self.starts.front().is_some_and(|at| now.up.since(*at) > LOOP_LENGTH) {
            self.starts.pop_front();
        }
        let told = self.loop_told.is_some_and(|at| now.up.since(at) < REMINDER);
        if self.starts.len() < LOOP_STARTS || told {
            return None;
        }
        self.loop_told = Some(now.up);
        let text =
            format!("It started {} times within half an hour. Look at its journal.", self.starts.len());
        Some(notice(&beat.station, "starts again and again", text, true))
    }
}

fn notice(station: &str, what: &str, text: String, urgent: bool) -> Notice {
    Notice { about: station.to_owned(), subject: format!("{station} {what}"), text, urgent }
}
