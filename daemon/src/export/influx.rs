//! Store and forward to an InfluxDB 2 server: readings and alarms by a cursor over the store, the
//! state of each jar every few minutes.
//!
//! A cursor moves once everything before it is at the far end, or set aside with the server's
//! words. When the server is away the same rows are read again later, so an outage costs no memory;
//! after a restart the cursor goes on where it was. Some rows may be sent twice; the same point
//! overwrites itself.

use super::line::Lines;
use super::sender::{Answer, NotAServer, Sender};
use crate::alarm::event::AlarmEvent;
use crate::clock::{Clock, Uptime};
use crate::config::checked::Influx;
use crate::rack::Rack;
use crate::snapshot::Snapshot;
use crate::store::{JournalKind, SetAside, StoreError, StoreHandle};
use nightjar_calc::time::{Span, Timestamp};
use std::collections::VecDeque;
use std::sync::Arc;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// Names of the cursors in the store.
pub const READINGS_CURSOR: &str = "influx/readings";
/// See [`READINGS_CURSOR`].
pub const ALARMS_CURSOR: &str = "influx/alarms";
/// Lines of jar states kept while the server is away: two days at 24 jars every ten minutes are
/// 6,912. Older ones make room.
const JARS_KEPT: usize = 20_000;
/// Lines refused one by one, with none taken between, after which it is the server or the set-up
/// that is wrong and not the lines.
const SUSPICIOUS: usize = 20;

/// How fast everything goes.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    /// How often new rows are looked for.
    pub poll: Span,
    /// Lines in a request, about.
    pub batch: usize,
    /// How often the state of each jar is noted.
    pub jars_every: Span,
    /// First wait after a failure; doubles.
    pub first_wait: Span,
    /// Longest wait after a failure.
    pub longest_wait: Span,
}

impl Default for Pace {
    fn default() -> Self {
        Self {
            poll: Span::from_secs(30),
            batch: 5_000,
            jars_every: Span::from_minutes(10),
            first_wait: Span::from_secs(2),
            longest_wait: Span::from_minutes(2),
        }
    }
}

/// How the export is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct InfluxHealth {
    /// The far end has everything that was stored by this moment.
    pub caught_up: Option<Timestamp>,
    /// Since when it fails, and why.
    pub failing: Option<(Timestamp, String)>,
    /// Lines the server took.
    pub lines_taken: u64,
    /// Lines set aside.
    pub lines_set_aside: u64,
    /// Jar states given up because the server was away for too long.
    pub jar_states_dropped: u64,
    /// True when somebody has to act: token, organisation or bucket.
    pub needs_somebody: bool,
}

/// Sends until told to stop.
pub struct Exporter {
    sender: Sender,
    lines: Lines,
    store: StoreHandle,
    picture: watch::Receiver<Arc<Snapshot>>,
    clock: Arc<dyn Clock>,
    pace: Pace,
    health: watch::Sender<InfluxHealth>,
    jar_lines: VecDeque<String>,
    jars_due: Uptime,
    wait: Span,
}

/// Why a batch did not get through.
enum Held {
    Later(String, Option<Span>),
    SetUp(String),
    Store(StoreError),
}

impl From<StoreError> for Held {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

impl Exporter {
    /// Ready to run; the receiver tells how it is.
    ///
    /// # Errors
    /// When the address makes no sense or TLS cannot be set up.
    pub fn new(
        settings: &Influx,
        rack: &Rack,
        store: StoreHandle,
        picture: watch::Receiver<Arc<Snapshot>>,
        clock: Arc<dyn Clock>,
    ) -> Result<(Self, watch::Receiver<InfluxHealth>), NotAServer> {
        let (health, seen) = watch::channel(InfluxHealth::default());
        let pace = Pace::default();
        let exporter = Self {
            sender: Sender::new(settings)?,
            lines: Lines::new(&settings.station_id, rack),
            store,
            picture,
            jars_due: clock.now().up,
            clock,
            pace,
            health,
            jar_lines: VecDeque::new(),
            wait: pace.first_wait,
        };
        Ok((exporter, seen))
    }

    /// With other times.
    #[must_use]
    pub fn at_pace(mut self, pace: Pace) -> Self {
        self.pace = pace;
        self.wait = pace.first_wait;
        self
    }

    /// By another way to the server.
    #[must_use]
    pub fn through(mut self, sender: Sender) -> Self {
        self.sender = sender;
        self
    }

    /// Runs until told to stop.
    pub async fn run(mut self, stop: CancellationToken) {
        let mut next_try = self.clock.now().up;
        loop {
            let wake = self.clock.sleep_until(next_try.min(self.jars_due));
            tokio::select! {
                biased;
                () = stop.cancelled() => return,
                () = wake => {}
            }
            self.note_jars();
            if self.clock.now().up < next_try {
                continue;
            }
            // What comes in during the round may be missed by it.
            let began = self.clock.now().utc;
            let round = tokio::select! {
                biased;
                () = stop.cancelled() => return,
                round = self.round() => round,
            };
            let wait = self.judge(round, began);
            next_try = self.clock.now().up.after(wait);
        }
    }

    /// Keeps the state of the jars when it is time to.
    fn note_jars(&mut self) {
        let now = self.clock.now();
        if now.up < self.jars_due {
            return;
        }
        self.jars_due = now.up.after(self.pace.jars_every);
        // A time nobody can vouch for would stand at the far end for ever.
        if now.trusted {
            let lines = self.lines.jars(&self.picture.borrow());
            self.jar_lines.extend(lines);
        }
        let extra = self.jar_lines.len().saturating_sub(JARS_KEPT);
        if extra > 0 {
            self.jar_lines.drain(..extra);
            self.health.send_modify(|health| health.jar_states_dropped += extra as u64);
        }
    }

    /// Everything there is, in batches. True when the end was reached.
    async fn round(&mut self) -> Result<bool, Held> {
        let at_end = self.readings().await?;
        self.alarms().await?;
        self.jar_states().await?;
        Ok(at_end)
    }

    async fn readings(&mut self) -> Result<bool, Held> {
        let batch = self.pace.batch;
        let (position, found) = self
            .store
            .read(move |r| {
                let position = r.cursor(READINGS_CURSOR)?.unwrap_or(0);
                Ok((position, r.following(position, batch)?))
            })
            .await?;
        let lines: Vec<String> =
            found.readings.iter().filter_map(|(sensor, sample)| self.lines.reading(sensor, sample)).collect();
        self.deliver(&lines).await?;
        if found.position != position {
            self.store.set_cursor(READINGS_CURSOR.into(), found.position).await?;
        }
        Ok(found.at_end)
    }

    async fn alarms(&mut self) -> Result<(), Held> {
        let limit = u32::try_from(self.pace.batch).unwrap_or(u32::MAX);
        let found = self
            .store
            .read(move |r| {
                let position = r.cursor(ALARMS_CURSOR)?.unwrap_or(0);
                r.journal_after(JournalKind::Alarm, position, limit)
            })
            .await?;
        let Some(last) = found.last().map(|line| line.id) else { return Ok(()) };
        let event = |line: &crate::store::JournalLine| -> Option<AlarmEvent> {
            serde_json::from_value(line.body.get("event")?.clone()).ok()
        };
        let lines: Vec<String> =
            found.iter().filter_map(event).filter_map(|event| self.lines.alarm(&event)).collect();
        self.deliver(&lines).await?;
        // Steps that become no line need no commit of their own.
        if !lines.is_empty() || found.len() >= self.pace.batch {
            self.store.set_cursor(ALARMS_CURSOR.into(), last).await?;
        }
        Ok(())
    }

    async fn jar_states(&mut self) -> Result<(), Held> {
        while !self.jar_lines.is_empty() {
            let lines: Vec<String> = self.jar_lines.iter().take(self.pace.batch).cloned().collect();
            self.deliver(&lines).await?;
            self.jar_lines.drain(..lines.len());
        }
        Ok(())
    }

    /// Sends lines until each is taken or set aside.
    async fn deliver(&mut self, lines: &[String]) -> Result<(), Held> {
        let mut parts = vec![lines];
        let mut refused: Vec<(&String, String)> = Vec::new();
        let mut any_taken = false;
        while let Some(part) = parts.pop() {
            if part.is_empty() {
                continue;
            }
            match self.sender.post(part).await {
                Answer::Taken => {
                    any_taken = true;
                    self.health.send_modify(|health| health.lines_taken += part.len() as u64);
                }
                Answer::Refused(why) => match part {
                    [line] => {
                        refused.push((line, why));
                        if !any_taken && refused.len() >= SUSPICIOUS {
                            let why = refused.pop().map(|(_, why)| why).unwrap_or_default();
                            return Err(Held::SetUp(format!("it refuses every line: {why}")));
                        }
                    }
                    _ => {
                        let (first, second) = part.split_at(part.len() / 2);
                        parts.extend([second, first]);
                    }
                },
                Answer::Later(why, after) => {
                    let after =
                        after.map(|d| Span::from_ms(i64::try_from(d.as_millis()).unwrap_or(i64::MAX)));
                    return Err(Held::Later(why, after));
                }
                Answer::SetUpWrong(why) => return Err(Held::SetUp(why)),
            }
        }
        for (line, why) in refused {
            let (at, raw) = (self.clock.now().utc, line.trim_end().to_owned());
            tracing::warn!(line = raw, why, "the server refuses a line; it is set aside");
            self.store.set_aside(SetAside { at, source: "influx".into(), raw, reason: why }).await?;
            self.health.send_modify(|health| health.lines_set_aside += 1);
        }
        Ok(())
    }

    /// Notes how the round went; how long to wait for the next.
    fn judge(&mut self, round: Result<bool, Held>, began: Timestamp) -> Span {
        let now = self.clock.now();
        let (why, wait, needs_somebody) = match round {
            Ok(at_end) => {
                self.wait = self.pace.first_wait;
                self.health.send_modify(|health| {
                    if let Some((since, why)) = health.failing.take() {
                        let away_s = now.utc.since(since).secs();
                        tracing::info!(away_s, why, "the export server takes rows again");
                    }
                    health.needs_somebody = false;
                    if at_end {
                        health.caught_up = Some(began);
                    }
                });
                return if at_end { self.pace.poll } else { Span::from_ms(0) };
            }
            Err(Held::SetUp(why)) => (why, self.pace.longest_wait, true),
            Err(Held::Later(why, after)) => (why, self.next_wait().max(after.unwrap_or_default()), false),
            Err(Held::Store(error)) => (error.to_string(), self.next_wait(), false),
        };
        self.health.send_modify(|health| {
            health.needs_somebody = needs_somebody;
            // Said once, not at each attempt.
            match &mut health.failing {
                Some((_, said)) => *said = why,
                None => {
                    tracing::warn!(why, "the export waits; rows are kept");
                    health.failing = Some((now.utc, why));
                }
            }
        });
        wait
    }

    fn next_wait(&mut self) -> Span {
        let wait = self.wait;
        self.wait = Span::from_ms(wait.ms().saturating_mul(2)).min(self.pace.longest_wait);
        wait
    }
}
