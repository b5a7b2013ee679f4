//! Lots in jars and how far they have come. Pure: entries and readings in, thermal units and dates
//! out.
//!
//! [`books`] says from the logbook which eggs are where; [`record`] keeps the temperature of each
//! sensor in hour blocks; [`dates`] joins the two; [`coming`] says which days need people, tank and truck. Nothing here depends on the order, repetition
//! or delay in which entries and readings arrive.

pub mod books;
pub mod coming;
pub mod dates;
pub mod followed;
mod learning;
pub mod record;
mod way;

use crate::guard;
use crate::logbook::{Act, Check, Entry, EntryId, Treatment, standing};
use crate::rack::{JarIx, Measure, Rack};
use crate::reading::{Quality, Reading, SensorIx};
use crate::season::Forecast;
use crate::snapshot::{LearningView, ProgressView};
use books::{Books, Content, Known, Refusal};
use learning::Lessons;
use nightjar_calc::development::species::{Species, find_among};
use nightjar_calc::outlook::Futures;
use nightjar_calc::stages::Courses;
use nightjar_calc::thermal::{Sample, hour_of};
use nightjar_calc::time::{Span, Timestamp};
use record::SensorRecord;
use std::borrow::Borrow;
use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;
use std::sync::Arc;

/// Everything known about the eggs.
#[derive(Debug)]
pub struct Progress {
    rack: Arc<Rack>,
    species: Vec<Species>,
    books: Books,
    entries: BTreeSet<ById>,
    records: BTreeMap<SensorIx, SensorRecord>,
    /// Sensors of which whole hours are needed; looked at with every reading, so not searched for.
    late: BTreeSet<SensorIx>,
    /// As of the last [`Progress::settle`].
    lessons: Lessons,
    learns: bool,
}

/// An entry in the order of the ids, by which it is found.
#[derive(Debug)]
struct ById(Entry);

impl Borrow<EntryId> for ById {
    fn borrow(&self) -> &EntryId {
        &self.0.id
    }
}

impl Ord for ById {
    fn cmp(&self, other: &Self) -> Ordering {
        self.0.id.cmp(&other.0.id)
    }
}

impl PartialOrd for ById {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl PartialEq for ById {
    fn eq(&self, other: &Self) -> bool {
        self.0.id == other.0.id
    }
}

impl Eq for ById {}

/// Key of a species by what people call it, or why there is none.
type KeyOf<'a> = dyn Fn(&str) -> Result<String, String> + 'a;

/// A station's rack and species as the books ask for them.
struct StationSpecies<'a> {
    rack: &'a Rack,
    key: Box<KeyOf<'a>>,
}

impl<'a> StationSpecies<'a> {
    fn new(rack: &'a Rack, species: &'a [Species]) -> Self {
        let key = |name: &str| match find_among(species, name) {
            Ok(found) => Ok(found.key.to_string()),
            Err(unknown) => Err(unknown.to_string()),
        };
        Self { rack, key: Box::new(key) }
    }

    fn as_known(&self) -> Known<'_> {
        Known { rack: self.rack, species: &*self.key }
    }
}

/// Puts the dates of eggs with another clock to those of a jar. Hatch begins with the first of them; eye-up, peak and
/// end have come when the last has come there, so that every interval is the union.
fn unite(first: &mut ProgressView, other: ProgressView) {
    for (mine, theirs) in first.stages.iter_mut().zip(&other.stages) {
        let begins = mine.stage == "hatch_start";
        let (earliest, latest) = (
            [mine.at.or(mine.earliest), theirs.at.or(theirs.earliest)].into_iter().flatten().min(),
            mine.at.or(mine.latest).max(theirs.at.or(theirs.latest)),
        );
        let likely = [mine.at.or(mine.likely), theirs.at.or(theirs.likely)].into_iter().flatten();
        let likely = if begins { likely.min() } else { likely.max() };
        let at = if begins {
            [mine.at, theirs.at].into_iter().flatten().min()
        } else {
            mine.at.zip(theirs.at).map(|(a, b)| a.max(b))
        };
        mine.seen = at.is_some() && (mine.seen || theirs.seen);
        mine.at = at;
        if at.is_none() {
            (mine.earliest, mine.likely, mine.latest) = (earliest, likely, latest);
        }
    }
    let new = other.warnings.into_iter().filter(|warning| !first.warnings.contains(warning));
    let new: Vec<String> = new.collect();
    first.warnings.extend(new);
    first.clocks.extend(other.clocks);
}

/// Length of the past that the simplest outlook rests on.
const LOOK_BACK: Span = Span::from_hours(72);
/// Days looked ahead.
const DAYS_AHEAD: usize = 120;

impl Progress {
    /// Nothing known yet.
    #[must_use]
    pub fn new(rack: Arc<Rack>, species: Vec<Species>) -> Self {
        let temperatures = rack.sensors.iter().enumerate().filter(|(_, s)| s.measure == Measure::Temperature);
        let records = temperatures
            .filter_map(|(at, sensor)| {
                let ix = SensorIx(u16::try_from(at).ok()?);
                Some((ix, SensorRecord::new(sensor.interval)))
            })
            .collect();
        Self {
            books: Books::default(),
            entries: BTreeSet::new(),
            records,
            late: BTreeSet::new(),
            rack,
            species,
            lessons: Lessons::default(),
            learns: true,
        }
    }

    /// Whether dates use what eye-ups and hatches seen here taught (they do unless told otherwise).
    pub const fn set_learning(&mut self, on: bool) {
        self.learns = on;
    }

    /// What the station's own sightings taught, per species, before and after. Call [`Self::settle`] before.
    #[must_use]
    pub fn learning(&self) -> &[LearningView] {
        self.lessons.views()
    }

    /// Takes the whole logbook over, as after a restart. Entries that make no sense beside the
    /// others are left out, see [`Books::left_out`].
    pub fn set_entries(&mut self, entries: Vec<Entry>) {
        // Of two with one id the later counts.
        self.entries = entries.into_iter().map(ById).collect();
        self.books = self.replay();
        self.follow_species();
    }

    /// Development is summed for species whose eggs are in the logbook, from their first fertilization
    /// on. What is missing of it is asked for by [`Self::take_needed_hours`].
    fn follow_species(&mut self) {
        let mut first: BTreeMap<&str, Timestamp> = BTreeMap::new();
        for take in self.books.takes().values() {
            let at = first.entry(take.species.as_str()).or_insert(take.fertilized_at);
            *at = take.fertilized_at.min(*at);
        }
        for (name, at) in first {
            let Ok(species) = find_among(&self.species, name) else { continue };
            for (ix, record) in &mut self.records {
                if !record.follow(species, hour_of(at)) {
                    self.late.insert(*ix);
                }
            }
        }
    }

    fn replay(&self) -> Books {
        Books::from_entries(self.entries(), self.known().as_known())
    }

    fn known(&self) -> StationSpecies<'_> {
        StationSpecies::new(&self.rack, &self.species)
    }

    /// Whether an entry makes sense by itself, beside those already written, and, for a treatment
    /// about to be given, by the rules for treatments with the flow written in it.
    ///
    /// # Errors
    /// Why not, for people.
    pub fn check(&self, entry: &Entry) -> Result<(), Refusal> {
        self.check_in_flow(entry, None)
    }

    /// The same with what the meter of the jar says at this moment. The flow written in the entry is the
    /// one of the moment its form was opened, and counts only where nothing measures.
    ///
    /// # Errors
    /// Why not, for people.
    pub fn check_in_flow(&self, entry: &Entry, measured: Option<guard::FlowNow>) -> Result<(), Refusal> {
        entry.act.sound().map_err(|unsound| Refusal(unsound.to_string()))?;
        self.check_names(&entry.act)?;
        if let Act::Void(void) = &entry.act {
            if self.entries().any(|e| matches!(&e.act, Act::Void(v) if v.entry == void.entry)) {
                return Err(Refusal(format!("entry {} has been taken back already", void.entry.0)));
            }
            if let Some(act) = void.instead.as_deref() {
                self.check_names(act)?;
            }
        }
        let mut books = self.books.clone();
        let known = self.known();
        if let Some(done) = books.take_in(entry, known.as_known()) {
            done?;
        } else {
            let with = self.entries().chain(std::iter::once(entry));
            books = Books::from_entries(with, known.as_known());
            if let Some((_, refusal)) = books.left_out().iter().find(|(id, _)| *id == entry.id) {
                return Err(refusal.clone());
            }
        }
        match self.treatment_of(entry) {
            Some(given) if given.despite.trim().is_empty() => self.guard(given, entry.happened_at, measured),
            Some(_) | None => Ok(()),
        }
    }

    /// The treatment that an entry says is given. One that corrects the record of a treatment gives none.
    #[must_use]
    pub fn treatment_of<'a>(&self, entry: &'a Entry) -> Option<&'a Treatment> {
        if let Act::Treatment(treatment) = &entry.act {
            return Some(treatment);
        }
        let Act::Void(void) = &entry.act else { return None };
        let Some(Act::Treatment(treatment)) = void.instead.as_deref() else { return None };
        let of_same_jar = |e: &Entry| matches!(&e.act, Act::Treatment(was) if was.jar == treatment.jar);
        let corrects = self.entries().any(|e| e.id == void.entry && of_same_jar(e));
        (!corrects).then_some(treatment)
    }

    /// Names of sensors must be on the rack when they are written. Later the rack may change.
    fn check_names(&self, act: &Act) -> Result<(), Refusal> {
        let sensor = if let Act::Calibration(made) = act {
            Some(&made.sensor)
        } else if let Act::ProbeMove(made) = act {
            Some(&made.sensor)
        } else if let Act::Take(take) = act {
            take.hardening_sensor.as_ref()
        } else {
            None
        };
        let Some(id) = sensor else { return Ok(()) };
        let Some(ix) = self.rack.sensor_named(id.as_str()) else {
            return Err(Refusal(format!("there is no sensor {id}")));
        };
        if matches!(act, Act::Take(_)) && self.rack.sensor(ix).measure != Measure::Temperature {
            return Err(Refusal(format!("{id} is no thermometer; name the probe in the basket")));
        }
        Ok(())
    }

    /// The rules for treatments at the moment of the entry.
    fn guard(
        &self,
        treatment: &Treatment,
        at: Timestamp,
        measured: Option<guard::FlowNow>,
    ) -> Result<(), Refusal> {
        let Some(jar) = self.rack.jar_named(treatment.jar.as_str()) else { return Ok(()) };
        let view = self.view(jar, at, None);
        let Some(standing) = guard::Standing::of(&self.books, jar, view.as_ref(), at) else { return Ok(()) };
        let flow = measured.unwrap_or(guard::FlowNow::Measured(treatment.flow_l_per_min));
        let wanted = guard::Wanted::of(treatment);
        let found = guard::look(&wanted, &standing, flow).map_err(|error| Refusal(error.to_string()))?;
        if found.allows() {
            return Ok(());
        }
        let why: Vec<String> = found.refusals.iter().map(|f| format!("{} ({})", f.text, f.source)).collect();
        Err(Refusal(format!("{}. If it was given all the same, write why", why.join("; "))))
    }

    /// Takes an entry over that has been checked and stored.
    pub fn add_entry(&mut self, entry: Entry) {
        let mut books = std::mem::take(&mut self.books);
        let taken_in = books.take_in(&entry, self.known().as_known());
        self.entries.replace(ById(entry));
        self.books = if matches!(taken_in, Some(Ok(()))) { books } else { self.replay() };
        self.follow_species();
    }

    /// The entry of this id, if it is there.
    #[must_use]
    pub fn entry(&self, id: &EntryId) -> Option<&Entry> {
        self.entries.get(id).map(|ById(entry)| entry)
    }

    /// Entries in no particular order of time.
    pub fn entries(&self) -> impl Iterator<Item = &Entry> {
        self.entries.iter().map(|ById(entry)| entry)
    }

    /// Checks of sensors in the order they were made, those taken back left out.
    #[must_use]
    pub fn checks(&self) -> Vec<(&crate::ids::SensorId, &Check)> {
        let (done, _) = standing(self.entries());
        let mut checks: Vec<_> = done
            .into_iter()
            .filter_map(
                |done| {
                    if let Act::Calibration(made) = done.act { Some((done.at, made)) } else { None }
                },
            )
            .collect();
        checks.sort_by_key(|(at, _)| *at);
        checks.into_iter().map(|(_, made)| (&made.sensor, &made.check)).collect()
    }

    /// What is where.
    #[must_use]
    pub const fn books(&self) -> &Books {
        &self.books
    }

    /// Species known here.
    #[must_use]
    pub fn species(&self) -> &[Species] {
        &self.species
    }

    /// Takes a judged reading for the record. Bad ones are for nobody's sum. True for the first of a
    /// thermometer: sums that could not be made before can be made now.
    pub fn handle_reading(&mut self, reading: &Reading) -> bool {
        if reading.quality == Quality::Bad {
            return false;
        }
        let Some(record) = self.records.get_mut(&reading.sensor) else { return false };
        let first = record.is_empty();
        let sample = Sample { at: reading.at, ten_thousandths: reading.value.0 };
        if !record.add(sample) {
            self.late.insert(reading.sensor);
        }
        first
    }

    /// Readings have taken their place in a stretch of the record: its hours are needed whole.
    pub fn need_again(&mut self, from: Timestamp, to: Timestamp) {
        let sensors: Vec<SensorIx> = self.records.keys().copied().collect();
        for sensor in sensors {
            self.need_hours(sensor, hour_of(from)..=hour_of(to));
        }
    }

    /// Hours that must be given again whole because a late reading fell into them.
    pub fn take_needed_hours(&mut self) -> Vec<(SensorIx, i64)> {
        let mut needed = Vec::new();
        for ix in std::mem::take(&mut self.late) {
            let Some(record) = self.records.get_mut(&ix) else { continue };
            needed.extend(record.take_needed().into_iter().map(|hour| (ix, hour)));
        }
        needed
    }

    /// Hours that are needed whole, or could not be given, are asked for.
    pub fn need_hours(&mut self, sensor: SensorIx, hours: RangeInclusive<i64>) {
        if let Some(record) = self.records.get_mut(&sensor) {
            hours.for_each(|hour| record.need(hour));
            self.late.insert(sensor);
        }
    }

    /// Takes all readings of these hours over, and of any other hour that is among them.
    pub fn set_hours(
        &mut self,
        sensor: SensorIx,
        hours: impl IntoIterator<Item = i64>,
        samples: impl IntoIterator<Item = Sample>,
    ) {
        let Some(record) = self.records.get_mut(&sensor) else { return };
        let mut by_hour: BTreeMap<i64, Vec<Sample>> =
            hours.into_iter().map(|hour| (hour, Vec::new())).collect();
        for sample in samples {
            by_hour.entry(hour_of(sample.at)).or_default().push(sample);
        }
        // The newest first: hours before it are summed at once instead of being kept open.
        for (hour, samples) in by_hour.into_iter().rev() {
            record.set_hour(hour, &samples);
        }
    }

    /// The earliest moment whose temperatures are still needed.
    #[must_use]
    pub fn needed_since(&self) -> Option<Timestamp> {
        let parts = || self.books.present().flat_map(Content::parts);
        let jars = parts().filter_map(|content| content.segments.first()).map(|s| s.from);
        let probed = parts()
            .filter_map(|content| self.books.lots().get(&content.lot))
            .flat_map(|lot| self.books.takes_of(lot))
            .filter(|take| take.hardening_sensor.is_some())
            .map(|take| take.fertilized_at);
        jars.chain(probed).min()
    }

    /// Puts what has arrived into the sums, and draws what the station's own sightings teach.
    pub fn settle(&mut self) {
        self.condense();
        self.lessons = Lessons::draw(self);
    }

    /// Puts what has arrived into the sums, and forgets single readings no longer needed.
    pub fn condense(&mut self) {
        let keep = self.whole_hours();
        self.records.values_mut().for_each(|record| record.settle(&keep));
    }

    /// The same for one thermometer.
    pub fn condense_one(&mut self, sensor: SensorIx) {
        let keep = self.whole_hours();
        if let Some(record) = self.records.get_mut(&sensor) {
            record.settle(&keep);
        }
    }

    /// Hours in which something begins or ends.
    fn whole_hours(&self) -> Vec<i64> {
        let hours: BTreeSet<i64> = self
            .books
            .contents()
            .flat_map(|content| content.segments.iter())
            .flat_map(|s| [Some(s.from), s.to])
            .chain(
                self.books
                    .takes()
                    .values()
                    .flat_map(|take| [Some(take.fertilized_at), take.hardening_from, take.hardening_to]),
            )
            .flatten()
            .map(nightjar_calc::thermal::hour_of)
            .collect();
        hours.into_iter().collect()
    }

    /// The rack.
    #[must_use]
    pub fn rack(&self) -> &Rack {
        &self.rack
    }

    /// Thermal units and dates of the eggs of a jar. Call [`Self::settle`] before.
    #[must_use]
    pub fn view(&self, jar: JarIx, as_of: Timestamp, courses: Option<&Courses<'_>>) -> Option<ProgressView> {
        let content = self.books.in_jar(jar)?;
        let (held, of_held);
        let courses = match courses {
            Some(courses) => courses,
            None => {
                held = self.hold(content, as_of)?;
                of_held = Courses::new(&held);
                &of_held
            }
        };
        // Eggs that were poured together keep their own clocks: the window is the union.
        let mut views = content.parts().filter_map(|part| dates::view(self, part, as_of, courses));
        let mut first = views.next()?;
        for other in views {
            unite(&mut first, other);
        }
        Some(first)
    }

    /// Thermal units and dates of eggs that are or were in a jar, by themselves.
    #[must_use]
    pub fn view_of(&self, content: &Content, as_of: Timestamp) -> Option<ProgressView> {
        let futures = self.hold(content, as_of).unwrap_or_else(|| Futures {
            from: as_of,
            step: Span::from_hours(24),
            paths: Vec::new(),
            basis: "no forecast".to_owned(),
        });
        dates::view(self, content, as_of, &Courses::new(&futures))
    }

    /// The first hatch as it would have been foreseen so long after the eggs were loaded, with nothing
    /// known of what came after.
    #[must_use]
    pub fn early_forecast(&self, content: &Content, after: Span) -> Option<Forecast> {
        let as_of = content.segments.first()?.from + after;
        let mut then = Content { seen: BTreeMap::new(), poured_in: Vec::new(), ..content.clone() };
        then.segments.retain(|segment| segment.from < as_of);
        if then.segments.last()?.to.is_some_and(|left| left < as_of) {
            return None;
        }
        let futures = self.hold(&then, as_of)?;
        let view = dates::view(self, &then, as_of, &Courses::new(&futures))?;
        let stage = view.stages.iter().find(|stage| stage.stage == "hatch_start" && stage.at.is_none())?;
        Some(Forecast { as_of, hatch_start: (stage.earliest, stage.likely, stage.latest) })
    }

    /// Mean of what a thermometer measured, °C above 0, and the share of the time that was measured.
    #[must_use]
    pub fn mean_between(&self, sensor: SensorIx, from: Timestamp, to: Timestamp) -> Option<(f64, f64)> {
        let tally = self.records.get(&sensor)?.thermal_units(from, to);
        let (counted, whole) = (tally.measured + tally.bridged, to.since(from));
        (counted > Span::ZERO && whole > Span::ZERO).then(|| {
            let sum = tally.sum as f64 / nightjar_calc::thermal::PER_C_DAY as f64;
            (sum / counted.days(), tally.measured.hours() / whole.hours())
        })
    }

    /// The simplest outlook: the water stays as it was over the last three days.
    fn hold(&self, content: &Content, as_of: Timestamp) -> Option<Futures> {
        let from = as_of - LOOK_BACK;
        let jar = content.segments.last()?.jar;
        let (sum, span) = self.sources(jar).into_iter().find_map(|record| {
            let tally = record.thermal_units(from, as_of);
            let counted = tally.measured + tally.bridged;
            (counted > Span::ZERO).then_some((tally.sum, counted))
        })?;
        let mean = sum as f64 / nightjar_calc::thermal::PER_C_DAY as f64 / span.days();
        Some(Futures {
            from: as_of,
            step: Span::from_hours(24),
            paths: vec![vec![mean; DAYS_AHEAD]],
            basis: "held at the mean of the last three days".to_owned(),
        })
    }

    /// Records of the water of a jar, best first: its own probe, then its header's.
    fn sources(&self, jar: JarIx) -> Vec<&SensorRecord> {
        let jar = self.rack.jar(jar);
        let header = self.rack.header(jar.header);
        [jar.temperature, header.temperature]
            .into_iter()
            .flatten()
            .filter_map(|sensor| self.records.get(&sensor))
            .collect()
    }
}

impl Progress {
    /// Hourly means of the water of a header, by its own probe or else by those of its jars.
    #[must_use]
    pub fn hourly_of_header(&self, header: usize, from: Timestamp, to: Timestamp) -> Vec<(Timestamp, f64)> {
        let own = self.rack.headers[header].temperature;
        let of_jars = self
            .rack
            .jars
            .iter()
            .filter(|jar| usize::from(jar.header.0) == header)
            .filter_map(|jar| jar.temperature);
        let records: Vec<&SensorRecord> =
            own.into_iter().chain(of_jars).filter_map(|sensor| self.records.get(&sensor)).collect();
        let hour = Span::from_hours(1);
        let mut means = Vec::new();
        let mut start = from;
        while start + hour <= to {
            let mean = records.iter().find_map(|record| {
                let tally = record.thermal_units(start, start + hour);
                let measured = tally.measured + tally.bridged;
                (measured > Span::from_minutes(30))
                    .then(|| tally.sum as f64 / nightjar_calc::thermal::PER_C_DAY as f64 / measured.days())
            });
            means.extend(mean.map(|mean| (start + Span::from_minutes(30), mean)));
            start = start + hour;
        }
        means
    }
}
