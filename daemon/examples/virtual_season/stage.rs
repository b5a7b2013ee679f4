//! The station on its virtual clock: started, fed, asked, closed and started again on the same database.

use crate::board::{NODES, node_of};
use crate::eggs::{JARS, jar_name};
use anyhow::{Context, Result, bail};
use nightjar::alarm::engine::Fact;
use nightjar::clock::{Clock, ManualClock};
use nightjar::config::{self, Config};
use nightjar::ids::PersonId;
use nightjar::notify::worker::{Backend, Handed, Memory};
use nightjar::notify::{MAIL, Sent, TEXT};
use nightjar::reading::{FromSource, RawReading, SourceIx};
use nightjar::snapshot::Snapshot;
use nightjar::supervise::{self, Station};
use nightjar::web::backend::{Asked, Command, Reply};
use nightjar_calc::time::{Span, Timestamp};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;

/// Turns in a row in which nothing is under way, before time goes on: what a worker says of a message
/// reaches the core, and from there the disk, within fewer.
const CALM: u32 = 6;
/// Groups of readings that may wait for the disk before time waits too: a disk that is half an hour of this
/// time behind would have failed.
const WAITING: usize = 64;
/// Turns without rest before the thread is given up for a moment, and how often before that is a fault.
const BUSY: u32 = 100;
const PATIENCE: u32 = 1_200_000;

/// A station and its outside.
pub struct Stage {
    config: Config,
    pub clock: Arc<ManualClock>,
    pub station: Station,
    feed: mpsc::Sender<FromSource>,
    stop: CancellationToken,
    pub texts: Arc<Memory>,
    pub mails: Arc<Memory>,
    /// Readings handed over since the start of the station, and altogether.
    fed: u64,
    pub sent: u64,
    /// When each run began.
    pub runs: BTreeMap<i64, Span>,
    /// Now, since the beginning.
    pub at: Span,
    begin: Timestamp,
    /// How far the wall clock is from what it should be.
    pub off_by: Span,
}

impl Stage {
    /// Starts the station for the first time.
    pub async fn open(folder: &Path, begin: Timestamp, scan: Span) -> Result<Self> {
        let text = configuration(folder, scan)?;
        let config = config::parse(&text, "the season").map_err(|refused| anyhow::anyhow!("{refused}"))?;
        let clock = Arc::new(ManualClock::new(begin));
        let (texts, mails) = (Memory::new(TEXT), Memory::new(MAIL));
        let stop = CancellationToken::new();
        let (station, feed) = start(&config, &clock, &stop, &texts, &mails).await?;
        let runs = BTreeMap::from([(station.store.run(), Span::ZERO)]);
        let (at, off_by) = (Span::ZERO, Span::ZERO);
        let mut stage = Self {
            config,
            clock,
            station,
            feed,
            stop,
            texts,
            mails,
            fed: 0,
            sent: 0,
            runs,
            at,
            begin,
            off_by,
        };
        stage.connect().await?;
        Ok(stage)
    }

    /// What the wall clock should show at a moment.
    pub fn wall(&self, at: Span) -> Timestamp {
        self.begin + at
    }

    /// The moment at which the wall clock, as it is set now, showed this.
    pub fn moment(&self, wall: Timestamp) -> Span {
        wall.since(self.begin) - self.off_by
    }

    /// Moves time on.
    pub fn advance(&mut self, at: Span) {
        self.clock.advance(at - self.at);
        self.at = at;
    }

    /// Sets the wall clock, as a time server does, to be off by so much.
    pub fn set_wall(&mut self, off_by: Span) {
        self.clock.step_wall(off_by - self.off_by);
        self.off_by = off_by;
    }

    async fn connect(&mut self) -> Result<()> {
        for node in 0..NODES {
            self.link(node, true).await?;
        }
        self.rest().await
    }

    /// A node comes or goes.
    pub async fn link(&mut self, node: usize, up: bool) -> Result<()> {
        let source = SourceIx(u16::try_from(node)?);
        let detail = if up { "opened" } else { "the port is gone" }.to_owned();
        let said = FromSource::Link { source, at: self.clock.now(), up, detail };
        self.feed.send(said).await.context("the core has ended")
    }

    /// Tells the core about site or monitor.
    pub async fn tell(&self, fact: Fact) -> Result<()> {
        self.station.facts.send(fact).await.context("the core has ended")
    }

    /// Hands a scan over as its nodes would, and waits until everything that follows from it is done.
    pub async fn feed(&mut self, said: [Vec<RawReading>; NODES]) -> Result<()> {
        for (node, readings) in said.into_iter().enumerate().filter(|(_, readings)| !readings.is_empty()) {
            self.fed += readings.len() as u64;
            self.sent += readings.len() as u64;
            let source = SourceIx(u16::try_from(node)?);
            let arrived = self.clock.now();
            let said = FromSource::Readings { source, arrived, readings, receipt: None };
            self.feed.send(said).await.context("the core has ended")?;
        }
        self.rest().await
    }

    /// Waits until nothing is under way at this moment, whatever the speed of the machine.
    pub async fn rest(&self) -> Result<()> {
        let (mut calm, mut turns) = (0, 0);
        while calm < CALM {
            tokio::task::yield_now().await;
            let done = self.station.core_done.load(Ordering::Acquire) >= self.fed;
            if done && self.station.is_at_rest() && self.station.store.queued().0 < WAITING {
                calm += 1;
                continue;
            }
            (calm, turns) = (0, turns + 1);
            if turns > BUSY {
                // The disk works in a thread of its own; this one has nothing else to do.
                std::thread::park_timeout(Duration::from_micros(50));
            }
            if turns > PATIENCE {
                bail!("the station does not come to rest at {}", self.wall(self.at));
            }
        }
        Ok(())
    }

    /// Asks the core for a change.
    pub async fn ask(&self, command: Command) -> Result<Reply> {
        let (reply, answer) = oneshot::channel();
        self.station.commands.send(Asked { command, reply }).await.context("the core has ended")?;
        let reply = answer.await.context("the core has ended")?;
        self.rest().await?;
        Ok(reply)
    }

    /// What everybody may see.
    pub fn picture(&self) -> Arc<Snapshot> {
        Arc::clone(&self.station.picture.borrow())
    }

    /// What the routes were handed since this was last asked.
    pub fn take_handed(&self) -> Vec<Handed> {
        let mut handed = self.texts.take_handed();
        handed.append(&mut self.mails.take_handed());
        handed
    }

    /// Lets the routes refuse, or not.
    pub fn refuse(&self, texts: bool, mails: bool) {
        let refusal = |refused: bool| refused.then(|| Sent::Retry("nobody answers".to_owned()));
        self.texts.refuse_with(refusal(texts));
        self.mails.refuse_with(refusal(mails));
    }

    /// Closes the station and starts it again after a time, with a wall clock that is off by so much.
    pub async fn restart(mut self, off_for: Span, off_by: Span, trusted: bool) -> Result<Self> {
        self.stop.cancel();
        self.station.run_to_end().await.context("the station does not close")?;
        self.at += off_for;
        self.off_by = off_by;
        self.clock = Arc::new(ManualClock::new(self.begin + self.at + off_by));
        self.clock.set_trusted(trusted);
        self.stop = CancellationToken::new();
        let (station, feed) = start(&self.config, &self.clock, &self.stop, &self.texts, &self.mails).await?;
        self.runs.insert(station.store.run(), self.at);
        (self.station, self.feed, self.fed) = (station, feed, 0);
        self.connect().await?;
        Ok(self)
    }

    /// Closes it for good.
    pub async fn close(self) -> Result<()> {
        self.stop.cancel();
        self.station.run_to_end().await.context("the station does not close")
    }
}

async fn start(
    config: &Config,
    clock: &Arc<ManualClock>,
    stop: &CancellationToken,
    texts: &Arc<Memory>,
    mails: &Arc<Memory>,
) -> Result<(Station, mpsc::Sender<FromSource>)> {
    let routes = vec![Backend::Memory(Arc::clone(mails)), Backend::Memory(Arc::clone(texts))];
    let clock = Arc::clone(clock) as Arc<dyn Clock>;
    supervise::start_fed(config, clock, stop.clone(), routes).await
}

/// Somebody of the crew.
pub fn person(name: &str) -> Result<PersonId> {
    PersonId::new(name).map_err(|error| anyhow::anyhow!("{error}"))
}

/// Two headers on one pump, 24 jars with meter and thermometer, two nodes. Readings are committed every
/// five minutes: each sync of the disk takes as long here as it takes by day, and a season has a million.
fn configuration(folder: &Path, scan: Span) -> Result<String> {
    let names = |jars: std::ops::Range<usize>| jars.map(jar_name).collect::<Vec<_>>();
    let seconds = scan.secs();
    let mut text = format!(
        "[station]\nname = \"Season\"\ntime-zone = \"America/Chicago\"\naltitude-m = 300\ncountry-code = \"1\"\n\
         [rack]\njar-temperature = \"{{jar}}T\"\njar-flow = \"{{jar}}F\"\n\
         [[rack.header]]\nid = \"A\"\nsupply = \"pump\"\nrows = [{:?}]\n\
         [[rack.header]]\nid = \"B\"\nsupply = \"pump\"\nrows = [{:?}]\n\
         [[people]]\nid = \"kim\"\nname = \"Kim\"\nphone = \"+12025550143\"\nemail = \"kim@station.example\"\n\
         [[people]]\nid = \"lee\"\nname = \"Lee\"\nphone = \"+12025550144\"\nemail = \"lee@station.example\"\n\
         [rota]\nweeks = [[\"kim\", \"lee\"], [\"lee\", \"kim\"]]\n\
         [notify.email]\nserver = \"localhost\"\ntls = \"implicit\"\nfrom = \"station@station.example\"\n\
         [notify.sms]\nport = \"/dev/null\"\n\
         [store]\nfolder = {folder:?}\ncommit-every = \"5m\"\n",
        names(0..JARS / 2),
        names(JARS / 2..JARS),
    );
    for node in ["node-a", "node-b"] {
        write!(
            text,
            "[[source.serial]]\nid = \"{node}\"\nport = \"/dev/null-{node}\"\ninterval = \"{seconds}s\"\n"
        )?;
    }
    for jar in 0..JARS {
        let node = ["node-a", "node-b"][node_of(jar)];
        for what in ["F", "T"] {
            write!(text, "[[sensor]]\nid = \"{}{what}\"\nsource = \"{node}\"\n", jar_name(jar))?;
        }
    }
    Ok(text)
}
