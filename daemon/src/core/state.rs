//! Everything that is true at the moment, and what follows from what happens. Pure.
//!
//! Contract: after each call, drain [`State::poll_output`]; then sleep until
//! [`State::poll_timeout`] and call [`State::handle_timeout`].

use super::trend::Trend;
use super::water::Water;
use crate::alarm::engine::{Engine, Fact, JarContext, Plan, Shelving, Target};
use crate::alarm::event::{AlarmEvent, Change};
use crate::alarm::record::{Output as AlarmOutput, StateDelta, Stored};
use crate::clock::{Now, Uptime};
use crate::config::checked::WaterType;
use crate::guard::{FlowNow, window_length};
use crate::ids::PersonId;
use crate::ingest::judge::{Expectation, Judged, judge};
use crate::logbook::{Act, Check, Done, Entry, Treatment, standing};
use crate::notify::route::{Router, Routes};
use crate::notify::worker::{Fate, Report};
use crate::notify::{FOLDER, MAIL, TEXT};
use crate::progress::Progress;
use crate::progress::books::Seen;
use crate::progress::followed::Season;
use crate::rack::{Correction, JarIx, Measure, Rack, Sensor};
use crate::reading::{FromSource, Quality, RawReading, Reading, Reason, Receipt, SensorIx, SourceIx};
use crate::snapshot::{JarState, Latest, ProgressView};
use crate::store::{JournalKind, NewLine, Transition};
use crate::web::backend::Command;
use nightjar_calc::time::{Span, Timestamp};
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

/// What the shell must do.
#[derive(Debug)]
pub enum Output {
    /// Store these; the receipt goes back once they are on disk.
    Readings(Vec<Reading>, Option<Receipt>),
    /// Store this at once: what changed, its lines, and the messages it causes.
    Commit(Box<Transition>),
}

/// What the routes of messages say.
#[derive(Clone, Debug)]
pub enum FromRoute {
    /// What became of a message.
    Fate(Report),
    /// A route fares otherwise than before.
    Health {
        /// Its place in the plan.
        route: usize,
        /// Every attempt fails.
        failing: bool,
        /// It turns us away as a whole.
        refused: bool,
    },
}

/// What a station begins with.
#[derive(Debug)]
pub struct Begin {
    /// What there is.
    pub rack: Arc<Rack>,
    /// What the alarms watch.
    pub plan: Plan,
    /// Alarms as stored.
    pub stored: Stored,
    /// How long the program was off, when that can be said.
    pub off_for: Option<Span>,
    /// Lots and sums.
    pub progress: Progress,
    /// What kind of water comes in.
    pub water_type: WaterType,
    /// Who is told, with the ladders as stored.
    pub router: Router,
    /// Outlooks of this season as stored.
    pub followed: Season,
    /// When somebody was last told, and what.
    pub last_told: Option<(Timestamp, String)>,
}

/// How often sums and dates are made anew.
const REFRESH: Span = Span::from_hours(1);
/// Sooner when readings of the past have come in, or the first of a thermometer.
const REFRESH_SOON: Span = Span::from_secs(60);
/// Minor journal lines wait for at most this long.
const MINOR_WAIT: Span = Span::from_secs(10);
/// Minor journal lines kept waiting.
const MINOR_KEPT: usize = 500;

/// How far ahead a hole in the rota is looked for.
const HOLE_AHEAD: Span = Span::from_hours(48);
/// Unsent messages of an alarm that has cleared are sent for this much longer.
const AFTER_CLEARED: Span = Span::from_minutes(10);
/// A treatment written down so soon after it began is being given: the meter of the jar speaks of it. As
/// long as a treatment lasts.
const TREATED_NOW: Span = Span::from_minutes(15);
/// Where the hand-over of the week is kept among the stored states.
pub const HAND_OVER: &str = "hand-over";
/// Where ladders are kept among the stored states.
pub const LADDERS: &str = "ladder/";

/// One sensor as last heard.
#[derive(Clone, Debug)]
pub struct SensorLive {
    pub(super) latest: Option<Latest>,
    pub(super) expectation: Expectation,
    pub(super) readings: u64,
    pub(super) rejected: u64,
}

/// One source as last heard.
#[derive(Clone, Debug, Default)]
pub struct SourceLive {
    pub(super) up: bool,
    pub(super) since: Option<Timestamp>,
    pub(super) detail: String,
}

/// Everything that is true at the moment.
#[derive(Debug)]
pub struct State {
    pub(super) rack: Arc<Rack>,
    pub(super) names: BTreeMap<String, SensorIx>,
    pub(super) sensors: Vec<SensorLive>,
    pub(super) sources: Vec<SourceLive>,
    pub(super) engine: Engine,
    pub(super) progress: Progress,
    pub(super) water: Water,
    trend: Trend,
    pub(super) followed: Season,
    pub(super) views: Vec<Option<Arc<ProgressView>>>,
    /// As the alarms were told; none: not yet. An empty jar is told too.
    pub(super) contexts: Vec<Option<JarContext>>,
    assumed: Option<JarContext>,
    /// Sensors as their latest check corrects them.
    checked: BTreeMap<SensorIx, Sensor>,
    outputs: VecDeque<Output>,
    pending: Transition,
    minor: Vec<NewLine>,
    minor_due: Option<Uptime>,
    refresh_due: Uptime,
    clock_trusted: bool,
    latest: Now,
    pub(super) router: Router,
    routes: Vec<String>,
    routes_refused: Vec<bool>,
    hole: Option<Span>,
    daily_due: Option<Uptime>,
    pub(super) last_told: Option<(Timestamp, String)>,
}

impl State {
    /// Goes on from what was stored.
    #[must_use]
    pub fn new(begin: Begin, now: Now) -> Self {
        let Begin { rack, plan, stored, off_for, progress, water_type, router, followed, last_told } = begin;
        let routes = plan.routes.clone();
        let names = rack
            .sensors
            .iter()
            .enumerate()
            .filter_map(|(at, s)| Some((s.id.to_string(), SensorIx(u16::try_from(at).ok()?))))
            .collect();
        let sensors = rack
            .sensors
            .iter()
            .map(|s| SensorLive {
                latest: None,
                expectation: Expectation::new(s.interval, now.up),
                readings: 0,
                rejected: 0,
            })
            .collect();
        let sources = plan.sources.iter().map(|_| SourceLive::default()).collect();
        let jars = rack.jars.len();
        let mut state = Self {
            names,
            trend: Trend::new(rack.sensors.len()),
            sensors,
            sources,
            engine: Engine::new(plan, stored, off_for, now),
            water: Water::new(Arc::clone(&rack), water_type),
            followed,
            views: vec![None; jars],
            contexts: vec![None; jars],
            assumed: None,
            checked: checked(&progress, &rack),
            outputs: VecDeque::new(),
            pending: Transition::default(),
            minor: Vec::new(),
            minor_due: None,
            refresh_due: now.up,
            clock_trusted: now.trusted,
            latest: now,
            progress,
            rack,
            router,
            routes_refused: vec![false; routes.len()],
            routes,
            hole: None,
            daily_due: None,
            last_told,
        };
        state.daily_due = state.router.until_daily(now.utc).map(|wait| now.up.after(wait));
        for (treatment, at, by) in treatments(&state.progress) {
            state.open_window(&treatment, at, &by, now);
        }
        state
    }

    /// What is to be done next.
    pub fn poll_output(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// When to be called next.
    #[must_use]
    pub fn poll_timeout(&self) -> Uptime {
        let engine = self.engine.poll_timeout().map(|(at, _)| at);
        [engine, self.router.poll_timeout(), self.minor_due, self.daily_due]
            .into_iter()
            .flatten()
            .fold(self.refresh_due, Uptime::min)
    }

    /// Time never goes back here: a message that waited in a queue is dealt with now, whenever it
    /// arrived.
    fn forward(&mut self, at: Now) -> Now {
        if at.up >= self.latest.up {
            self.latest = at;
        }
        self.latest
    }

    /// Lets every deadline take effect that has passed.
    pub fn handle_timeout(&mut self, now: Now) {
        let now = self.forward(now);
        self.engine.handle_timeout(now);
        if self.minor_due.is_some_and(|due| due <= now.up) {
            self.minor_due = None;
            self.pending.journal.append(&mut self.minor);
        }
        if now.up >= self.refresh_due {
            self.refresh(now);
        }
        if self.daily_due.is_some_and(|due| due <= now.up) {
            let standing = super::picture::standing_of(self, now);
            self.router.send_daily(&standing, now);
            self.daily_due = self.router.until_daily(now.utc).map(|wait| now.up.after(wait));
        }
        self.collect(now);
    }

    /// Takes what a source delivers.
    pub fn handle_source(&mut self, message: FromSource) {
        match message {
            FromSource::Readings { source, arrived, readings, receipt } => {
                let now = self.forward(arrived);
                self.readings(source, known_since(arrived, now), now, &readings, receipt);
                self.collect(now);
            }
            FromSource::Link { source, at, up, detail } => {
                let at = self.forward(at);
                self.engine.handle_source_link(source, up, at);
                if let Some(live) = self.sources.get_mut(usize::from(source.0)) {
                    *live = SourceLive { up, since: Some(at.utc), detail: detail.clone() };
                }
                self.pending.journal.push(NewLine {
                    now: at,
                    kind: JournalKind::Source,
                    event: None,
                    body: serde_json::json!({"source": source.0, "up": up, "detail": detail}),
                });
                self.collect(at);
            }
        }
    }

    fn readings(
        &mut self,
        _source: SourceIx,
        arrived: Now,
        now: Now,
        raw: &[RawReading],
        receipt: Option<Receipt>,
    ) {
        let mut judged = Vec::with_capacity(raw.len());
        for raw in raw {
            let Some(ix) = self.names.get(&raw.name).copied() else { continue };
            let sensor = self.checked.get(&ix).unwrap_or_else(|| self.rack.sensor(ix));
            match judge(ix, sensor, raw, arrived) {
                Judged::Reading { reading, fresh } => {
                    self.take(&reading, fresh, now);
                    judged.push(reading);
                }
                Judged::NoValue { reason, .. } => {
                    let live = &mut self.sensors[usize::from(ix.0)];
                    live.rejected += 1;
                    self.engine.handle_reading(ix, f64::NAN, Quality::Bad, reason, now);
                }
            }
        }
        if !judged.is_empty() || receipt.is_some() {
            self.outputs.push_back(Output::Readings(judged, receipt));
        }
    }

    fn take(&mut self, reading: &Reading, fresh: bool, now: Now) {
        if reading.reason != Reason::UntrustedClock && self.progress.handle_reading(reading) {
            self.refresh_soon(now);
        }
        let live = &mut self.sensors[usize::from(reading.sensor.0)];
        live.readings += 1;
        live.rejected += u64::from(reading.quality == Quality::Bad);
        if !fresh {
            return;
        }
        live.expectation.handle_reading(now.up);
        live.latest = Some(Latest {
            value: reading.value.get(),
            at: reading.at,
            quality: reading.quality,
            reason: reading.reason,
        });
        let value = reading.value.get();
        if reading.quality != Quality::Bad {
            self.trend.take(reading.sensor, value, now.up);
        }
        self.engine.handle_reading(reading.sensor, value, reading.quality, reading.reason, now);
        if self.rack.sensor(reading.sensor).measure == Measure::Mains {
            let fact = Fact::Mains { on: value > 0.5, battery_percent: None, runtime_min: None };
            self.engine.handle_fact(&fact, now);
        }
    }

    /// Tells the alarms something about the site or the monitor.
    pub fn handle_fact(&mut self, fact: &Fact, now: Now) {
        let now = self.forward(now);
        self.engine.handle_fact(fact, now);
        self.collect(now);
    }

    /// Takes what the routes of messages say.
    pub fn handle_route(&mut self, said: &FromRoute, now: Now) {
        let now = self.forward(now);
        match said {
            FromRoute::Fate(report) => {
                if report.fate == Fate::Accepted && report.key.event.is_some() {
                    let what = format!("{} by {}", self.router.name(&report.key.person), report.key.route);
                    self.last_told = Some((now.utc, what));
                }
                self.router.handle_fate(&report.key, report.fate, now);
            }
            FromRoute::Health { route, failing, refused } => {
                if let Some(known) = self.routes_refused.get_mut(*route) {
                    *known = *refused;
                    self.follow_routes();
                }
                let fact = Fact::Route { route: *route, failing: *failing || *refused };
                self.engine.handle_fact(&fact, now);
            }
        }
        self.collect(now);
    }

    fn follow_routes(&mut self) {
        let usable = |name: &str| {
            self.routes.iter().zip(&self.routes_refused).any(|(route, refused)| route == name && !refused)
        };
        self.router.set_routes(Routes { text: usable(TEXT), mail: usable(MAIL), folder: usable(FOLDER) });
    }

    /// A hole in the rota is seen two days ahead.
    fn look_for_hole(&mut self, now: Now) {
        let hole = self.router.next_hole(now.utc, HOLE_AHEAD);
        if hole != self.hole {
            self.hole = hole;
            let in_hours = hole.map(|wait| wait.secs() / 3600.0);
            self.engine.handle_fact(&Fact::RotaHole { in_hours }, now);
        }
    }

    /// Whether an entry may be written.
    ///
    /// # Errors
    /// Why not, for people.
    pub fn check_entry(&self, entry: &Entry, now: Now) -> Result<(), String> {
        let measured = self.measured_flow(entry, now);
        self.progress.check_in_flow(entry, measured).map_err(|refusal| refusal.to_string())
    }

    /// What the meter says while a treatment is written down; `None` where the jar has no meter, or the
    /// entry tells of a treatment that is over.
    fn measured_flow(&self, entry: &Entry, now: Now) -> Option<FlowNow> {
        let treatment = self.progress.treatment_of(entry)?;
        if now.utc.since(entry.happened_at) > TREATED_NOW {
            return None;
        }
        let meter = self.rack.jar(self.rack.jar_named(treatment.jar.as_str())?).flow?;
        Some(FlowNow::of(super::picture::latest(self, meter, now)))
    }

    /// Takes an entry over that is on disk.
    pub fn entry_written(&mut self, entry: Entry, now: Now) {
        let now = self.forward(now);
        let act = if let Act::Void(void) = &entry.act { void.instead.as_deref() } else { Some(&entry.act) };
        if let Some(Act::Treatment(treatment)) = act {
            self.open_window(treatment, entry.happened_at, &entry.who, now);
        }
        self.progress.add_entry(entry);
        self.checked = checked(&self.progress, &self.rack);
        self.refresh(now);
        self.collect(now);
    }

    /// A treatment opens a window of its own limits on flow, which ends by itself.
    fn open_window(&mut self, treatment: &Treatment, at: Timestamp, by: &PersonId, now: Now) {
        let left = (at + window_length(treatment)).since(now.utc);
        let Some(jar) = self.rack.jar_named(treatment.jar.as_str()).filter(|_| left > Span::ZERO) else {
            return;
        };
        if let Err(error) = self.engine.open_treatment_window(&[jar], left, by, now) {
            tracing::warn!(jar = %treatment.jar, %error, "a treatment opens no window");
        }
    }

    /// Carries out a command about alarms.
    ///
    /// # Errors
    /// Why not, for people.
    pub fn handle_command(&mut self, command: &Command, now: Now) -> Result<(), String> {
        let now = self.forward(now);
        if let Command::OnCall { by } = command {
            let done = self.router.answer_hand_over(by, now);
            self.collect(now);
            return done;
        }
        let engine = &mut self.engine;
        let done = match command {
            Command::Acknowledge { event, by } => {
                engine.acknowledge(&Target::Event(*event), by, now).map(drop)
            }
            Command::Confirm { event, by } => engine.confirm(&Target::Event(*event), by, now).map(drop),
            Command::Shelve { event, until, one_shot, by, .. } => {
                let shelving = Shelving { length: until.since(now.utc), one_shot: *one_shot };
                engine.shelve(&Target::Event(*event), shelving, by, now).map(drop)
            }
            Command::Unshelve { event, by } => engine.unshelve(&Target::Event(*event), by, now),
            Command::OutOfService { kind, asset, until, reason, by } => engine
                .out_of_service(&Target::Alarm(*kind, asset.clone()), until.since(now.utc), reason, by, now)
                .map(drop),
            Command::BackInService { kind, asset, by } => {
                engine.return_to_service(&Target::Alarm(*kind, asset.clone()), by, now)
            }
            Command::Entry(_) | Command::OnCall { .. } => Ok(()),
        };
        self.collect(now);
        done.map_err(|refused| refused.to_string())
    }

    /// What was learnt of the past changes the sums: they are made anew within a minute.
    pub fn refresh_soon(&mut self, now: Now) {
        self.refresh_due = self.refresh_due.min(now.up.after(REFRESH_SOON));
    }

    /// Makes sums, dates and what the alarms know about jars anew.
    pub fn refresh(&mut self, now: Now) {
        self.refresh_due = now.up.after(REFRESH);
        self.look_for_hole(now);
        self.progress.settle();
        self.views = self.water.views(&self.progress, now.utc);
        for at in 0..self.rack.jars.len() {
            let Ok(jar) = u16::try_from(at).map(JarIx) else { continue };
            let context = self.context(jar);
            if self.contexts[at].as_ref() != Some(&context) {
                self.contexts[at] = Some(context.clone());
                self.engine.handle_jar(jar, context, now);
            }
        }
        if now.trusted {
            self.note_outlooks();
        }
    }

    /// What is shown about each jar, once a day, so that it can be compared with what happens.
    fn note_outlooks(&mut self) {
        let shown = self.rack.jars.iter().zip(&self.views).enumerate().filter_map(|(at, (jar, view))| {
            let content = self.progress.books().in_jar(JarIx(u16::try_from(at).ok()?))?;
            Some((jar.id.as_str(), content.lot.as_str(), view.as_deref()?))
        });
        let changed = self.followed.note(shown, self.rack.zone);
        self.pending.state.extend(changed);
    }

    /// Takes every jar to hold this, whatever the logbook says: for traces without one.
    pub fn assume_loaded(&mut self, context: JarContext) {
        self.assumed = Some(context);
    }

    fn context(&self, jar: JarIx) -> JarContext {
        if let Some(assumed) = &self.assumed {
            return assumed.clone();
        }
        let Some(content) = self.progress.books().in_jar(jar) else { return JarContext::default() };
        let stage = self.stage(jar);
        let temperature = self.temperature(jar).map_or(10.0, |(latest, _)| latest.value);
        JarContext {
            occupied: true,
            stage,
            set_flow: self.progress.books().set_flow(jar),
            temps: None,
            eggs_last: super::picture::eggs_last(content.litres, temperature, self.rack.altitude_m, stage),
            header_offset_c: 0.0,
        }
    }

    /// How the eggs of a jar stand, by what was seen and by the sum.
    #[must_use]
    pub fn stage(&self, jar: JarIx) -> JarState {
        let Some(content) = self.progress.books().in_jar(jar) else { return JarState::Empty };
        let reached = |stage: &str| {
            self.views[usize::from(jar.0)]
                .as_ref()
                .is_some_and(|view| view.stages.iter().any(|s| s.stage == stage && s.at.is_some()))
        };
        let seen = |seen| content.seen.contains_key(&seen);
        if seen(Seen::Last) {
            JarState::Hatched
        } else if seen(Seen::First) || seen(Seen::Peak) || reached("hatch_start") {
            JarState::Hatching
        } else if seen(Seen::Eyed) || reached("eyed") {
            JarState::Eyed
        } else {
            JarState::Green
        }
    }

    /// Temperature of a jar's water, and whether it is the header's.
    #[must_use]
    pub fn temperature(&self, jar: JarIx) -> Option<(Latest, bool)> {
        let jar = self.rack.jar(jar);
        let header = self.rack.header(jar.header);
        let latest = |sensor: Option<SensorIx>| {
            self.sensors[usize::from(sensor?.0)].latest.filter(|l| l.quality != Quality::Bad)
        };
        latest(jar.temperature).map(|l| (l, false)).or_else(|| latest(header.temperature).map(|l| (l, true)))
    }

    /// Gathers what the alarms want done into one transition.
    fn collect(&mut self, now: Now) {
        if now.trusted != self.clock_trusted {
            self.clock_trusted = now.trusted;
            let body = serde_json::json!({"trusted": now.trusted});
            self.pending.journal.push(NewLine { now, kind: JournalKind::Clock, event: None, body });
        }
        while let Some(output) = self.engine.poll_output() {
            match output {
                AlarmOutput::Event(event) => {
                    self.line(now, event.event.into(), "event", &event, false);
                    if event.change == Change::Cleared {
                        // What was not sent by then is worth little; the page has it.
                        self.pending.shorten.push((event.event, AFTER_CLEARED));
                    }
                    self.router.set_hour(event.event, self.trend.line(&self.rack, &event, now.up));
                    self.router.handle_event(&event, now);
                }
                AlarmOutput::Journal(line) => self.line(now, line.event, "step", &line, line.minor),
                AlarmOutput::Persist(delta) => {
                    let (key, value) = keyed(&delta);
                    self.pending.state.push((key, value));
                }
                AlarmOutput::Flood { on, announced } => {
                    self.router.handle_flood(on, announced, now);
                    let body = serde_json::json!({"flood": on, "announced": announced});
                    self.pending.journal.push(NewLine { now, kind: JournalKind::Alarm, event: None, body });
                }
            }
        }
        if self.router.poll_timeout().is_some_and(|due| due <= now.up) {
            let hour = |event: &AlarmEvent| (event.event, self.trend.line(&self.rack, event, now.up));
            let hours: Vec<_> = self.router.open().map(hour).collect();
            for (event, line) in hours {
                self.router.set_hour(event, line);
            }
            self.router.handle_timeout(now);
        }
        while let Some(message) = self.router.poll_output() {
            self.pending.outbox.push(message);
        }
        if let Some(hand_over) = self.router.take_hand_over() {
            let body = hand_over.map(|kept| serde_json::to_value(kept).unwrap_or_default());
            self.pending.state.push((HAND_OVER.to_owned(), body));
        }
        for (event, saved) in self.router.take_changes(now) {
            let body = saved.map(|saved| serde_json::to_value(saved).unwrap_or_default());
            self.pending.state.push((format!("{LADDERS}{}", event.0), body));
        }
        if self.pending != Transition::default() {
            self.pending.journal.append(&mut self.minor);
            self.minor_due = None;
            if let Some(newest) = self.pending.journal.last() {
                // A restart counts from its newest line on: how far the alarms' time had come is kept with it.
                let moment = self.engine.moment().before(now.up.since(newest.now.up));
                self.pending.state.push(keyed(&StateDelta::Mark { moment }));
            }
            self.outputs.push_back(Output::Commit(Box::new(std::mem::take(&mut self.pending))));
        }
    }

    fn line(
        &mut self,
        now: Now,
        event: Option<crate::alarm::event::EventId>,
        what: &str,
        body: &impl serde::Serialize,
        minor: bool,
    ) {
        let body = serde_json::to_value(body).unwrap_or_default();
        let line = NewLine { now, kind: JournalKind::Alarm, event, body: serde_json::json!({ what: body }) };
        if minor {
            self.minor_due.get_or_insert(now.up.after(MINOR_WAIT));
            if self.minor.len() < MINOR_KEPT {
                self.minor.push(line);
            }
        } else {
            self.pending.journal.push(line);
        }
    }
}

/// When a message arrived, by the clock as it is known by now: one that waited while the clock was set
/// arrived so long before.
fn known_since(arrived: Now, latest: Now) -> Now {
    if arrived.trusted || !latest.trusted {
        return arrived;
    }
    Now { up: arrived.up, utc: latest.utc - latest.up.since(arrived.up), trusted: true }
}

/// Treatments that stand, with when and by whom.
fn treatments(progress: &Progress) -> Vec<(Treatment, Timestamp, PersonId)> {
    let treated = |done: Done<'_>| {
        let Act::Treatment(treatment) = done.act else { return None };
        Some(((**treatment).clone(), done.at, done.entry.who.clone()))
    };
    standing(progress.entries()).0.into_iter().filter_map(treated).collect()
}

/// Sensors with the correction of their latest check; before a check, that of the configuration holds.
fn checked(progress: &Progress, rack: &Rack) -> BTreeMap<SensorIx, Sensor> {
    let mut found: BTreeMap<SensorIx, Sensor> = BTreeMap::new();
    for (id, check) in progress.checks() {
        let Some(ix) = rack.sensor_named(id.as_str()) else { continue };
        let sensor = found.entry(ix).or_insert_with(|| rack.sensor(ix).clone());
        sensor.correction = corrected(sensor.correction, check);
    }
    found
}

/// The correction after a check. What the sensor said was corrected already, so the new one is
/// laid over the old.
fn corrected(old: Correction, check: &Check) -> Correction {
    let shifted = |by: f64| Correction { factor: old.factor, offset: old.offset + by };
    match check {
        Check::IcePoint { reading_c } => shifted(-reading_c),
        Check::Reference { reference, reading } => shifted(reference - reading),
        Check::Bucket { litres, seconds, reading_l_per_min } => {
            let scale = litres / seconds * 60.0 / reading_l_per_min;
            if scale.is_finite() && scale > 0.0 {
                Correction { factor: old.factor * scale, offset: old.offset * scale }
            } else {
                old
            }
        }
    }
}

/// Where a change of stored state is kept. `None` takes the key away.
fn keyed(delta: &StateDelta) -> (String, Option<serde_json::Value>) {
    let name = |value: &dyn erased::Text| value.text();
    let (key, keep) = match delta {
        StateDelta::Alarm { kind, asset, state } => {
            (format!("alarm/{}/{}", name(kind), name(asset)), state.is_some())
        }
        StateDelta::Event { id, state } => (format!("event/{}", id.0), state.is_some()),
        StateDelta::Code { code, .. } => (format!("code/{}", code.0), true),
        StateDelta::Counters { .. } => ("counters".to_owned(), true),
        StateDelta::Mark { .. } => ("mark".to_owned(), true),
    };
    (format!("engine/{key}"), keep.then(|| serde_json::to_value(delta).unwrap_or_default()))
}

/// Puts stored changes back together.
#[must_use]
pub fn restored(states: &BTreeMap<String, serde_json::Value>) -> Stored {
    let mut stored = Stored::default();
    for value in states.values() {
        match serde_json::from_value::<StateDelta>(value.clone()) {
            Ok(delta) => stored.apply(&delta),
            Err(error) => tracing::error!(%error, "a stored alarm state cannot be read and is left out"),
        }
    }
    stored
}

mod erased {
    //! Text forms for keys.
    pub trait Text {
        fn text(&self) -> String;
    }
    impl<T: serde::Serialize> Text for T {
        fn text(&self) -> String {
            serde_json::to_string(self).unwrap_or_default()
        }
    }
}
