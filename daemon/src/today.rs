//! The work list: what each jar needs today. A pure function of how things stand and of the time;
//! an item goes when the entry it asks for has been made.

use crate::guard::{self, FlowNow, Standing, Wanted};
use crate::logbook::PlannedUntil;
use crate::progress::books::{Books, Content, Work};
use crate::rack::{JarIx, Measure, Place, Rack};
use crate::snapshot::{JarState, JarView, ProgressView, Snapshot};
use nightjar_calc::time::{Span, Timestamp};

/// Dead eggs are drawn off about daily (common practice, no source).
const SIPHON_EVERY: Span = Span::from_hours(24);
/// Hours in the jar before the first siphon: dead eggs must turn white first (common practice, no source).
const SIPHON_FIRST: Span = Span::from_hours(48);
/// Jars without a meter or probe are read by hand so often (common practice, no source).
const READ_EVERY: Span = Span::from_hours(12);
/// A probe is checked in ice before the season and then monthly (own choice).
const CHECK_EVERY: Span = Span::from_hours(24 * 30);
/// Fry screen and tank are made ready so long before the earliest hatch (own choice).
const READY_BEFORE: Span = Span::from_hours(48);
/// Work due within this is on the list (own choice: a working day ahead).
const AHEAD: Span = Span::from_hours(12);

/// Note that says the tank is ready; written by the button of its item.
pub const TANK_READY: &str = "fry screen and tank ready";

/// Kinds of work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Give the jar a flow set-point.
    SetFlow,
    /// Raise the flow for eyed eggs.
    RaiseFlow,
    /// Give the planned treatment.
    Treat,
    /// Draw off dead eggs.
    Siphon,
    /// Dip a sample of eyed eggs.
    SampleEyed,
    /// Look whether hatching has begun.
    LookForHatch,
    /// Fry screen and tank.
    TankReady,
    /// The last day on which the plan treats.
    LastTreatment,
    /// Count the fry and empty the jar.
    CountFry,
    /// Read temperature or flow by hand.
    ReadByHand,
    /// Check a sensor against something known.
    Calibrate,
}

impl Kind {
    /// Key in JSON.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::SetFlow => "set_flow",
            Self::RaiseFlow => "raise_flow",
            Self::Treat => "treat",
            Self::Siphon => "siphon",
            Self::SampleEyed => "sample_eyed",
            Self::LookForHatch => "look_for_hatch",
            Self::TankReady => "tank_ready",
            Self::LastTreatment => "last_treatment",
            Self::CountFry => "count_fry",
            Self::ReadByHand => "read_by_hand",
            Self::Calibrate => "calibrate",
        }
    }

    /// The entry that ticks it off; `None` for a reminder.
    #[must_use]
    pub const fn entry(self) -> Option<&'static str> {
        match self {
            Self::SetFlow | Self::RaiseFlow => Some("flow_set_point"),
            Self::Treat => Some("treatment"),
            Self::Siphon => Some("siphon"),
            Self::SampleEyed => Some("eye_up_sample"),
            Self::LookForHatch => Some("hatch_seen"),
            Self::TankReady => Some("note"),
            Self::LastTreatment => None,
            Self::CountFry => Some("empty"),
            Self::ReadByHand => Some("hand_reading"),
            Self::Calibrate => Some("calibration"),
        }
    }
}

/// One piece of work.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    /// What.
    pub kind: Kind,
    /// At which jar, if at one.
    pub jar: Option<JarIx>,
    /// Of which lot, if of one.
    pub lot: Option<String>,
    /// In words.
    pub what: String,
    /// Why now.
    pub why: String,
    /// Since when or until when.
    pub due: Timestamp,
    /// What is to be said to the treatment it asks for.
    pub treatment: Option<guard::Answer>,
}

/// How things stand.
#[derive(Clone, Copy)]
pub struct Situation<'a> {
    /// The rack.
    pub rack: &'a Rack,
    /// The present.
    pub snapshot: &'a Snapshot,
    /// Which eggs are where.
    pub books: &'a Books,
    /// Jars whose tank was noted as ready, with the time of the note.
    pub tank_ready: &'a dyn Fn(JarIx) -> Option<Timestamp>,
    /// Now.
    pub now: Timestamp,
}

/// The list, most overdue first.
#[must_use]
pub fn work(at: &Situation<'_>) -> Vec<Item> {
    let mut items = Vec::new();
    for ix in (0..at.rack.jars.len()).filter_map(|i| u16::try_from(i).ok()).map(JarIx) {
        let (Some(content), Some(view)) = (at.books.in_jar(ix), at.snapshot.jars.get(usize::from(ix.0)))
        else {
            continue;
        };
        let mut jar = AtJar { at, ix, content, view, items: &mut items };
        jar.flow();
        jar.siphon();
        jar.treat();
        jar.watch();
        jar.hatch();
        jar.read();
    }
    items.extend(checks(at));
    items.retain(|item| item.due <= at.now + AHEAD);
    items.sort_by_key(|item| (item.due, item.jar, item.kind));
    items
}

struct AtJar<'a, 'b> {
    at: &'a Situation<'a>,
    ix: JarIx,
    content: &'a Content,
    view: &'a JarView,
    items: &'b mut Vec<Item>,
}

impl AtJar<'_, '_> {
    fn add(&mut self, kind: Kind, what: impl Into<String>, why: impl Into<String>, due: Timestamp) {
        self.items.push(Item {
            kind,
            jar: Some(self.ix),
            lot: Some(self.content.lot.to_string()),
            what: what.into(),
            why: why.into(),
            due,
            treatment: None,
        });
    }

    fn last(&self, work: Work) -> Option<Timestamp> {
        self.content.done.get(&work).copied().filter(|at| *at <= self.at.now)
    }

    fn here_since(&self) -> Timestamp {
        self.content.segments.last().map_or(self.at.now, |segment| segment.from)
    }

    fn loaded(&self) -> Timestamp {
        self.content.segments.first().map_or(self.at.now, |segment| segment.from)
    }

    fn progress(&self) -> Option<&ProgressView> {
        self.view.progress.as_deref()
    }

    fn reached(&self, stage: &str) -> Option<Timestamp> {
        self.progress()?.stages.iter().find(|s| s.stage == stage)?.at
    }

    fn first_hatch(&self) -> Option<Timestamp> {
        let stage = self.progress()?.stages.iter().find(|s| s.stage == "hatch_start")?;
        stage.at.or(stage.earliest)
    }

    fn before_hatch(&self) -> bool {
        matches!(self.view.state, JarState::Green | JarState::Eyed)
    }

    fn flow(&mut self) {
        if !self.before_hatch() {
            return;
        }
        match (self.at.books.set_flow(self.ix), self.last(Work::Flow), self.reached("eyed")) {
            (None, ..) => {
                let since = self.here_since();
                self.add(Kind::SetFlow, "Write the flow set-point", "the flow alarm needs one", since);
            }
            (Some(_), Some(set), Some(eyed)) if self.view.state == JarState::Eyed && set < eyed => {
                self.add(
                    Kind::RaiseFlow,
                    "Raise the flow",
                    "eyed eggs breathe more (common practice: about double)",
                    eyed,
                );
            }
            (Some(_), ..) => {}
        }
    }

    fn siphon(&mut self) {
        if !self.before_hatch() {
            return;
        }
        let due = self.last(Work::Siphon).map_or(self.loaded() + SIPHON_FIRST, |last| last + SIPHON_EVERY);
        self.add(Kind::Siphon, "Siphon dead eggs", "daily while there are eggs", due);
    }

    fn treat(&mut self) {
        let at = self.at;
        let Some(species) = at.books.lots().get(&self.content.lot).map(|lot| lot.species.as_str()) else {
            return;
        };
        let Some(plan) = at.books.plan(species) else { return };
        let ends = match plan.until {
            PlannedUntil::Never => return,
            PlannedUntil::Eyed => self.view.state != JarState::Green,
            PlannedUntil::BeforeHatch => !self.before_hatch(),
        };
        if ends {
            return;
        }
        let hours = |h: f64| Span::from_days(h / 24.0);
        let last_day = self.first_hatch().map(|hatch| hatch - hours(plan.stop_before_hatch_h));
        if let Some(last_day) = last_day
            && last_day > at.now
            && last_day <= at.now + Span::from_hours(24)
        {
            let why =
                format!("no treatment from {:.0} h before the earliest hatch", plan.stop_before_hatch_h);
            self.add(Kind::LastTreatment, "Last day for a treatment", why, at.now);
        }
        let due = self
            .last(Work::Treatment)
            .map_or(self.loaded() + hours(plan.first_after_h), |last| last + hours(plan.every_h));
        if last_day.is_some_and(|last_day| due >= last_day || at.now >= last_day) {
            return;
        }
        let flow = FlowNow::of(self.view.flow);
        let standing = Standing::of(at.books, self.ix, self.progress(), at.now);
        let answer = standing.and_then(|standing| guard::look(&Wanted::planned(plan), &standing, flow).ok());
        let why = format!("plan: every {:.0} h", plan.every_h);
        self.add(Kind::Treat, "Treat against fungus", why, due);
        if let Some(item) = self.items.last_mut() {
            item.treatment = answer;
        }
    }

    fn watch(&mut self) {
        let eyed = self.progress().and_then(|p| p.stages.iter().find(|s| s.stage == "eyed"));
        let due = eyed.and_then(|stage| stage.at.or(stage.likely));
        let sampled = self.last(Work::EyeUpSample);
        if let Some(due) = due
            && self.before_hatch()
            && sampled.is_none_or(|sampled| sampled + Span::from_hours(12) < due)
        {
            self.add(Kind::SampleEyed, "Take an eye-up sample, several dips", "eyes show about now", due);
        }
        if self.view.state == JarState::Hatching
            && let Some(stage) =
                self.progress().and_then(|p| p.stages.iter().find(|s| s.stage == "hatch_start"))
            && !stage.seen
            && let Some(due) = stage.at
        {
            self.add(
                Kind::LookForHatch,
                "Look for fry",
                "the sum for hatch is reached; write what you see",
                due,
            );
        }
    }

    fn hatch(&mut self) {
        let first = self.first_hatch();
        if let Some(first) = first
            && (self.before_hatch() || self.view.state == JarState::Hatching)
            && (self.at.tank_ready)(self.ix).is_none_or(|noted| noted < self.loaded())
        {
            self.add(
                Kind::TankReady,
                "Fry screen and tank ready",
                "from two days before the earliest hatch",
                first - READY_BEFORE,
            );
        }
        if self.view.state == JarState::Hatched
            && let Some(last) = self.content.seen.get(&crate::progress::books::Seen::Last)
        {
            self.add(Kind::CountFry, "Count the fry, then empty the jar", "the last fry were seen", *last);
        }
    }

    fn read(&mut self) {
        let jar = self.at.rack.jar(self.ix);
        let header = self.at.rack.header(jar.header);
        let missing = match (jar.flow, jar.temperature.or(header.temperature)) {
            (Some(_), Some(_)) => return,
            (None, Some(_)) => "flow",
            (Some(_), None) => "temperature",
            (None, None) => "temperature and flow",
        };
        let due = self.last(Work::HandReading).map_or(self.here_since(), |last| last + READ_EVERY);
        self.add(Kind::ReadByHand, format!("Read {missing} by hand"), "no sensor measures it here", due);
    }
}

/// Sensors of jars and headers in use that were not checked lately, one item for a kind of check.
fn checks(at: &Situation<'_>) -> Vec<Item> {
    let in_use = |place: Place| match place {
        Place::Jar(jar) => at.books.in_jar(jar).is_some(),
        Place::Header(header) => at.rack.jars.iter().enumerate().any(|(i, jar)| {
            jar.header == header && u16::try_from(i).is_ok_and(|i| at.books.in_jar(JarIx(i)).is_some())
        }),
        Place::Site => false,
    };
    let mut items = Vec::new();
    for (measure, what) in [
        (Measure::Temperature, "Check thermometers in melting ice"),
        (Measure::Flow, "Check flow meters with bucket and watch"),
    ] {
        let mut names = Vec::new();
        let mut due: Option<Timestamp> = None;
        for sensor in at.rack.sensors.iter().filter(|s| s.measure == measure && in_use(s.place)) {
            let next = at.books.checked(&sensor.id).map_or(at.now, |last| last + CHECK_EVERY);
            if next <= at.now {
                names.push(sensor.id.to_string());
                due = Some(due.map_or(next, |due| due.min(next)));
            }
        }
        if let Some(due) = due {
            items.push(Item {
                kind: Kind::Calibrate,
                jar: None,
                lot: None,
                what: format!("{what}: {}", names.join(", ")),
                why: "not checked for a month, or never".into(),
                due,
                treatment: None,
            });
        }
    }
    items
}
