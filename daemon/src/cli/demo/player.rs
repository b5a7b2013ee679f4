//! Moves the season on, scan by scan, in step with the daemon.

use super::crew;
use crate::alarm::event::{EventId, Priority};
use crate::alarm::state::longest_shelving;
use crate::clock::{Clock, ManualClock};
use crate::ids::PersonId;
use crate::snapshot::ProgressView;
use crate::supervise;
use crate::web::backend::{Asked, Command, Reply};
use anyhow::{Context, Result, bail};
use nightjar_calc::time::{Span, Timestamp};
use nightjar_simulator::frame::{Encoder, Format};
use nightjar_simulator::station::Station;
use nightjar_simulator::truth::Truth;
use serialport::{SerialPort, TTYPort};
use std::collections::VecDeque;
use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::sync::oneshot;
use tokio_util::sync::CancellationToken;

/// Longest real time one scan may take before the season goes on without it.
const SCAN_LIMIT: Duration = Duration::from_secs(60);
/// How often predictions are kept for the report.
const LOOK_EVERY: Span = Span::from_hours(1);
/// How long exact sums are remembered: what is shown is made anew once an hour and after entries.
const REMEMBERED: Span = Span::from_hours(2);
/// The crew answers an alarm after this long, as somebody does who has to find the lamp first.
const ANSWERED_AFTER: Span = Span::from_minutes(4);
/// An alarm that stands this long is one they can only wait out: they pause it.
const WAITED_OUT_AFTER: Span = Span::from_hours(2);

/// The board's end of the pseudo-terminal, and the path of the other.
pub struct Wire {
    board: TTYPort,
    /// What the daemon opens.
    pub path: String,
}

impl Wire {
    /// A new pseudo-terminal.
    pub fn open() -> Result<Self> {
        // The other end is closed here, so that the daemon gets it for itself.
        let (board, other) = TTYPort::pair().context("cannot make a pseudo-terminal")?;
        let path = other.name().context("the pseudo-terminal has no name")?;
        Ok(Self { board, path })
    }
}

/// What a jar looked like at one moment: as shown and as it was.
pub struct Look {
    /// When.
    pub at: Timestamp,
    /// The jar.
    pub jar: String,
    /// As shown.
    pub shown: Arc<ProgressView>,
    /// The exact integral, °C·days.
    pub exact_c_days: f64,
}

/// What was seen of a season.
pub struct Played {
    /// The truth at its end.
    pub truth: Truth,
    /// Looks, in order.
    pub looks: Vec<Look>,
    /// Lines written to the wire.
    pub lines: u64,
    /// Readings in them.
    pub readings: u64,
    /// Entries that were refused, with the reason.
    pub refused: Vec<String>,
}

/// Plays a season.
pub struct Player {
    station: Station,
    wire: Wire,
    clock: Arc<ManualClock>,
    crew: PersonId,
    speed: Option<f64>,
    entries: u64,
    /// Exact sums of the last scans, by jar.
    exact: VecDeque<(Timestamp, Vec<Option<f64>>)>,
}

impl Player {
    /// `speed` in simulated seconds a second; none for as fast as possible.
    pub fn new(
        station: Station,
        wire: Wire,
        clock: Arc<ManualClock>,
        crew: PersonId,
        speed: Option<f64>,
    ) -> Self {
        Self { station, wire, clock, crew, speed, entries: 0, exact: VecDeque::new() }
    }

    /// Plays to the end, or until told to stop.
    pub async fn play(&mut self, daemon: &supervise::Station, stop: &CancellationToken) -> Result<Played> {
        wait_for(|| daemon.counters[0].is_up())
            .await
            .context("the daemon did not open the pseudo-terminal")?;
        // What the start wrote is on the disk: limits of the store run on the season's time.
        wait_for(|| daemon.is_settled()).await.context("the daemon did not come to rest")?;
        let mut encoder = Encoder::new(Format::Xdr, false, 1);
        let mut played = Played {
            truth: self.station.truth(),
            looks: Vec::new(),
            lines: 0,
            readings: 0,
            refused: Vec::new(),
        };
        let mut next_look = self.station.start();
        let began = tokio::time::interval(Duration::from_millis(10));
        let mut ticks = began;
        let (mut allowed_s, start) = (0.0, self.station.start());
        while !self.station.finished() && !stop.is_cancelled() {
            if let Some(speed) = self.speed {
                while self.station.now().since(start).secs() > allowed_s {
                    ticks.tick().await;
                    allowed_s += speed * 0.01;
                }
            }
            let step = self.station.step();
            self.clock.advance(step.scan.at.since(self.clock.now().utc));
            // A question that changes nothing: what is due now is done before the scan of now comes, on a slow
            // machine and on a quick one, so that a seed gives the same digits on all.
            let nothing = Command::Acknowledge { event: EventId(u64::MAX), by: self.crew.clone() };
            ask(daemon, nothing).await?;
            for event in &step.events {
                for entry in crew::entries(event, &self.crew, &mut self.entries)? {
                    let text = format!("{:?}", entry.act);
                    if let Reply::Refused(why) | Reply::NotWritten(why) =
                        ask(daemon, Command::Entry(Box::new(entry))).await?
                    {
                        played.refused.push(format!("{why}: {text}"));
                    }
                }
            }
            let lines = encoder.lines(&step.scan);
            self.wire.board.write_all(&lines.concat()).context("cannot write to the pseudo-terminal")?;
            played.lines += lines.len() as u64;
            played.readings += step.scan.readings.iter().filter(|r| r.value.is_some()).count() as u64;
            let sent = played.lines;
            wait_for(|| {
                daemon.counters[0].frames_taken() >= sent
                    && daemon.core_done.load(Ordering::Acquire) >= daemon.counters[0].readings()
                    && daemon.is_settled()
            })
            .await
            .with_context(|| format!("the daemon did not take the scan of {}", step.scan.at))?;
            self.remember(step.scan.at);
            self.answer(daemon).await?;
            if step.scan.at >= next_look {
                next_look = step.scan.at + LOOK_EVERY;
                self.look(daemon, &mut played.looks);
            }
        }
        played.truth = self.station.truth();
        Ok(played)
    }

    fn remember(&mut self, at: Timestamp) {
        let sums = self.station.jars().iter().map(|(jar, _)| self.station.thermal_units(jar)).collect();
        self.exact.push_back((at, sums));
        while self.exact.front().is_some_and(|(then, _)| at.since(*then) > REMEMBERED) {
            self.exact.pop_front();
        }
    }

    /// Somebody of the crew says that they know, or pauses what they can only wait out.
    async fn answer(&self, daemon: &supervise::Station) -> Result<()> {
        let picture = Arc::clone(&daemon.picture.borrow());
        let unanswered = picture.alarms.iter().filter(|alarm| {
            alarm.on
                && alarm.acknowledged.is_none()
                && alarm.suppressed.is_none()
                && picture.now.utc.since(alarm.since) >= ANSWERED_AFTER
        });
        for alarm in unanswered {
            let (event, by, now) = (alarm.event, self.crew.clone(), picture.now.utc);
            let command = if alarm.priority == Priority::P1 || now.since(alarm.since) < WAITED_OUT_AFTER {
                Command::Acknowledge { event, by }
            } else {
                let until = now + longest_shelving(alarm.priority);
                let reason = "seen to; nothing to do but wait".to_owned();
                Command::Shelve { event, until, one_shot: true, reason, by }
            };
            // It may have cleared meanwhile.
            ask(daemon, command).await?;
        }
        Ok(())
    }

    fn look(&self, daemon: &supervise::Station, looks: &mut Vec<Look>) {
        let picture = Arc::clone(&daemon.picture.borrow());
        let named = self.station.jars();
        for (at, ((jar, _), view)) in named.iter().zip(&picture.jars).enumerate() {
            let Some(shown) = &view.progress else { continue };
            // Set beside the truth of the very moment that is shown.
            let then = self.exact.iter().find(|(then, _)| *then == shown.as_of);
            let Some(exact) = then.and_then(|(_, sums)| sums[at]) else { continue };
            looks.push(Look { at: shown.as_of, jar: jar.clone(), shown: shown.clone(), exact_c_days: exact });
        }
    }
}

/// Asks the core for a change and waits for its answer.
async fn ask(daemon: &supervise::Station, command: Command) -> Result<Reply> {
    let (reply, answer) = oneshot::channel();
    daemon.commands.send(Asked { command, reply }).await.context("the core has ended")?;
    answer.await.context("the core has ended")
}

/// Waits until something is so, with a limit in real time.
async fn wait_for(mut so: impl FnMut() -> bool) -> Result<()> {
    let waiting = async {
        let mut turns = 0_u32;
        while !so() {
            turns += 1;
            if turns < 50 {
                tokio::task::yield_now().await;
            } else {
                // Timers of the runtime wake once a millisecond, which is long beside a scan.
                tokio::task::block_in_place(|| std::thread::park_timeout(Duration::from_micros(50)));
                // The limit is looked at only in between.
                tokio::task::yield_now().await;
            }
        }
    };
    match tokio::time::timeout(SCAN_LIMIT, waiting).await {
        Ok(()) => Ok(()),
        Err(_) => bail!("nothing happened for {} s", SCAN_LIMIT.as_secs()),
    }
}
