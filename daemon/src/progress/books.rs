//! Which eggs are where, replayed from the logbook.
//!
//! The replay goes by the time things happened, so entries written late or out of order give the
//! same books. An entry that makes no sense at its place is left out, with the reason.

use crate::ids::{JarId, LotId, TakeId};
use crate::logbook::{Act, CountMethod, Entry, EntryId, HatchPoint, Load, Split, Take};
use crate::rack::{JarIx, Rack};
use nightjar_calc::development::species::{Species, find_among};
use nightjar_calc::time::Timestamp;
use std::collections::{BTreeMap, BTreeSet};

/// Why an entry cannot stand, for people.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Refusal(pub String);

fn refuse<T>(text: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal(text.into()))
}

/// A stretch of time in one jar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Segment {
    /// Where.
    pub jar: JarIx,
    /// Since when.
    pub from: Timestamp,
    /// Until when; `None` while it lasts.
    pub to: Option<Timestamp>,
}

/// Eggs of one lot in one jar, with their way there.
#[derive(Clone, Debug, PartialEq)]
pub struct Content {
    /// Of which lot.
    pub lot: LotId,
    /// Where they have been since they were first poured into a jar.
    pub segments: Vec<Segment>,
    /// Eggs poured in, less those drawn off.
    pub eggs: Option<f64>,
    /// Settled litres poured in, less those drawn off.
    pub litres: f64,
    /// Stages seen by people.
    pub seen: BTreeMap<Seen, Timestamp>,
}

/// A stage somebody saw.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Seen {
    /// At least half of the live eggs eyed.
    Eyed,
    /// First fry.
    First,
    /// Most hatching.
    Peak,
    /// Last fry.
    Last,
}

/// Eggs kept together.
#[derive(Clone, Debug, PartialEq)]
pub struct LotBooks {
    /// Its takes.
    pub takes: Vec<TakeId>,
    /// Key of its species.
    pub species: String,
}

/// What is where.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Books {
    takes: BTreeMap<TakeId, Take>,
    lots: BTreeMap<LotId, LotBooks>,
    jars: BTreeMap<JarIx, Content>,
    past: Vec<Content>,
    set_flow: BTreeMap<JarIx, f64>,
}

impl Books {
    /// Replays the logbook. Answers the books and the entries left out.
    #[must_use]
    pub fn from_entries(
        entries: &[Entry],
        rack: &Rack,
        species: &[Species],
    ) -> (Self, Vec<(EntryId, Refusal)>) {
        let mut refused = Vec::new();
        let mut voided = BTreeSet::new();
        for entry in entries {
            if let Act::Void(void) = &entry.act {
                if void.entry == entry.id || !entries.iter().any(|other| other.id == void.entry) {
                    refused.push((entry.id.clone(), Refusal(format!("there is no entry {}", void.entry.0))));
                } else {
                    voided.insert(&void.entry);
                }
            }
        }
        let mut order: Vec<&Entry> = entries.iter().filter(|entry| !voided.contains(&entry.id)).collect();
        order.sort_by(|a, b| (a.happened_at, rank(&a.act), &a.id).cmp(&(b.happened_at, rank(&b.act), &b.id)));
        let mut books = Self::default();
        for entry in order {
            if let Err(refusal) = books.apply(entry, rack, species) {
                refused.push((entry.id.clone(), refusal));
            }
        }
        (books, refused)
    }

    /// Eggs in a jar.
    #[must_use]
    pub fn in_jar(&self, jar: JarIx) -> Option<&Content> {
        self.jars.get(&jar)
    }

    /// Lots that are in a jar now, as often as they are.
    pub fn lots_in_jars(&self) -> impl Iterator<Item = &LotId> {
        self.jars.values().map(|content| &content.lot)
    }

    /// All eggs that are or were in jars.
    pub fn contents(&self) -> impl Iterator<Item = &Content> {
        self.jars.values().chain(&self.past)
    }

    /// Flow a jar should have.
    #[must_use]
    pub fn set_flow(&self, jar: JarIx) -> Option<f64> {
        self.set_flow.get(&jar).copied()
    }

    /// Lots by name.
    #[must_use]
    pub const fn lots(&self) -> &BTreeMap<LotId, LotBooks> {
        &self.lots
    }

    /// Takes of a lot that are known.
    pub fn takes_of<'a>(&'a self, lot: &'a LotBooks) -> impl Iterator<Item = &'a Take> {
        lot.takes.iter().filter_map(|id| self.takes.get(id))
    }

    fn apply(&mut self, entry: &Entry, rack: &Rack, species: &[Species]) -> Result<(), Refusal> {
        let at = entry.happened_at;
        match &entry.act {
            Act::Take(take) => self.take(take, species),
            Act::Lot(lot) => self.lot(&lot.lot, &lot.takes),
            Act::Load(load) => self.load(load, at, rack),
            Act::Move(m) => self.carry(find(rack, &m.from)?, find(rack, &m.to)?, at),
            Act::Split(split) => self.split(split, at, rack),
            Act::Pool(pool) => self.pool(find(rack, &pool.from)?, find(rack, &pool.into)?, at),
            Act::Empty(empty) => self.empty(find(rack, &empty.jar)?, at),
            Act::FlowSetPoint(flow) => {
                if !(0.0..=200.0).contains(&flow.flow_l_per_min) {
                    return refuse(format!("{} L/min is not a flow of a jar", flow.flow_l_per_min));
                }
                self.set_flow.insert(find(rack, &flow.jar)?, flow.flow_l_per_min);
                Ok(())
            }
            Act::Siphon(siphon) => self.siphon(find(rack, &siphon.jar)?, siphon.volume_ml, siphon.dead_share),
            Act::EyeUpSample(sample) => {
                let (eyed, of) = sample
                    .dips
                    .iter()
                    .fold((0, 0), |(eyed, of), dip| (eyed + u64::from(dip.eyed), of + u64::from(dip.of)));
                if of == 0 || sample.dips.iter().any(|dip| dip.eyed > dip.of) {
                    return refuse("a dip needs at least one egg, and no more eyed eggs than eggs");
                }
                let content = self.full(find(rack, &sample.jar)?)?;
                if eyed * 2 >= of {
                    content.seen.entry(Seen::Eyed).or_insert(at);
                }
                Ok(())
            }
            Act::HatchSeen(hatch) => {
                let content = self.full(find(rack, &hatch.jar)?)?;
                let point = match hatch.point {
                    HatchPoint::First => Seen::First,
                    HatchPoint::Peak => Seen::Peak,
                    HatchPoint::Last => Seen::Last,
                };
                content.seen.entry(point).or_insert(at);
                Ok(())
            }
            Act::HandReading(reading) => find(rack, &reading.jar).map(drop),
            Act::Treatment(treatment) => find(rack, &treatment.jar).map(drop),
            Act::FryCount(_)
            | Act::Held(_)
            | Act::Stocked(_)
            | Act::Mortality(_)
            | Act::Note(_)
            | Act::Calibration(_)
            | Act::ProbeMove(_)
            | Act::Void(_) => Ok(()),
        }
    }

    fn take(&mut self, take: &Take, species: &[Species]) -> Result<(), Refusal> {
        if let Err(unknown) = find_among(species, &take.species) {
            return refuse(unknown.to_string());
        }
        if self.takes.contains_key(&take.take) {
            return refuse(format!("take {} is in the logbook already", take.take));
        }
        self.takes.insert(take.take.clone(), take.clone());
        // A take can be loaded under its own name without a lot being written first.
        if let Ok(lot) = LotId::new(take.take.as_str()) {
            let own = LotBooks { takes: vec![take.take.clone()], species: take.species.clone() };
            self.lots.entry(lot).or_insert(own);
        }
        Ok(())
    }

    fn lot(&mut self, lot: &LotId, takes: &[TakeId]) -> Result<(), Refusal> {
        let mut species = BTreeSet::new();
        for id in takes {
            match self.takes.get(id) {
                Some(take) => species.insert(take.species.clone()),
                None => return refuse(format!("take {id} is not in the logbook")),
            };
        }
        match (species.len(), species.pop_first()) {
            (1, Some(species)) => {
                self.lots.insert(lot.clone(), LotBooks { takes: takes.to_vec(), species });
                Ok(())
            }
            (0, _) => refuse("a lot needs at least one take"),
            _ => refuse("a lot holds one species"),
        }
    }

    fn load(&mut self, load: &Load, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        let jar = find(rack, &load.jar)?;
        let Some(lot) = self.lots.get(&load.lot) else {
            return refuse(format!("lot {} is not in the logbook; write its take first", load.lot));
        };
        if let Some(other) = self.jars.get(&jar) {
            return refuse(format!("jar {} holds lot {}; empty it, or pool", load.jar, other.lot));
        }
        if !(load.volume_l > 0.0 && load.volume_l <= rack.jar(jar).volume_l) {
            return refuse(format!(
                "{} L of eggs do not go into a jar of {} L",
                load.volume_l,
                rack.jar(jar).volume_l
            ));
        }
        if self.takes_of(lot).any(|take| take.fertilized_at > at) {
            return refuse("the eggs were fertilized after they were loaded; check the times");
        }
        let per_litre = self.takes_of(lot).find_map(eggs_per_litre);
        let content = Content {
            lot: load.lot.clone(),
            segments: vec![Segment { jar, from: at, to: None }],
            eggs: load.eggs.or_else(|| per_litre.map(|n| n * load.volume_l)),
            litres: load.volume_l,
            seen: BTreeMap::new(),
        };
        self.jars.insert(jar, content);
        Ok(())
    }

    fn full(&mut self, jar: JarIx) -> Result<&mut Content, Refusal> {
        self.jars.get_mut(&jar).ok_or_else(|| Refusal("the jar was empty at that time".into()))
    }

    fn leave(&mut self, jar: JarIx, at: Timestamp) -> Result<Content, Refusal> {
        let Some(mut content) = self.jars.remove(&jar) else {
            return refuse("the jar was empty at that time");
        };
        if let Some(last) = content.segments.last_mut() {
            last.to = Some(at);
        }
        Ok(content)
    }

    fn carry(&mut self, from: JarIx, to: JarIx, at: Timestamp) -> Result<(), Refusal> {
        if self.jars.contains_key(&to) {
            return refuse("the other jar is not empty; pool instead");
        }
        let mut content = self.leave(from, at)?;
        content.segments.push(Segment { jar: to, from: at, to: None });
        self.jars.insert(to, content);
        Ok(())
    }

    fn split(&mut self, split: &Split, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        let (from, to) = (find(rack, &split.from)?, find(rack, &split.to)?);
        if !(split.share > 0.0 && split.share < 1.0) {
            return refuse("the share moved is more than 0 and less than 1");
        }
        if self.jars.contains_key(&to) {
            return refuse("the other jar is not empty; pool instead");
        }
        let content = self.full(from)?;
        let mut moved = content.clone();
        moved.eggs = content.eggs.map(|eggs| eggs * split.share);
        moved.litres = content.litres * split.share;
        content.eggs = content.eggs.map(|eggs| eggs * (1.0 - split.share));
        content.litres *= 1.0 - split.share;
        if let Some(last) = moved.segments.last_mut() {
            last.to = Some(at);
        }
        moved.segments.push(Segment { jar: to, from: at, to: None });
        self.jars.insert(to, moved);
        Ok(())
    }

    fn pool(&mut self, from: JarIx, into: JarIx, at: Timestamp) -> Result<(), Refusal> {
        if from == into {
            return refuse("a jar cannot be pooled with itself");
        }
        self.full(into)?;
        let gone = self.leave(from, at)?;
        let content = self.full(into)?;
        content.litres += gone.litres;
        content.eggs = content.eggs.zip(gone.eggs).map(|(a, b)| a + b);
        self.past.push(gone);
        Ok(())
    }

    fn empty(&mut self, jar: JarIx, at: Timestamp) -> Result<(), Refusal> {
        let content = self.leave(jar, at)?;
        self.past.push(content);
        self.set_flow.remove(&jar);
        Ok(())
    }

    fn siphon(&mut self, jar: JarIx, volume_ml: f64, dead_share: f64) -> Result<(), Refusal> {
        if !(0.0..=1.0).contains(&dead_share) {
            return refuse("the share of dead eggs is 0 to 1");
        }
        let content = self.full(jar)?;
        let litres = volume_ml / 1000.0;
        if !(litres > 0.0 && litres <= content.litres) {
            return refuse(format!("{volume_ml} mL cannot be drawn off {:.2} L of eggs", content.litres));
        }
        let left = 1.0 - litres / content.litres;
        content.eggs = content.eggs.map(|eggs| eggs * left);
        content.litres -= litres;
        Ok(())
    }
}

/// Acts of the same moment happen in this order.
fn rank(act: &Act) -> u8 {
    match act {
        Act::Take(_) => 0,
        Act::Lot(_) => 1,
        Act::Load(_) => 2,
        Act::Void(_) => 9,
        Act::Empty(_) => 8,
        Act::Move(_)
        | Act::Split(_)
        | Act::Pool(_)
        | Act::FlowSetPoint(_)
        | Act::HandReading(_)
        | Act::Siphon(_)
        | Act::Treatment(_)
        | Act::EyeUpSample(_)
        | Act::HatchSeen(_)
        | Act::FryCount(_)
        | Act::Held(_)
        | Act::Stocked(_)
        | Act::Mortality(_)
        | Act::Note(_)
        | Act::Calibration(_)
        | Act::ProbeMove(_) => 3,
    }
}

fn find(rack: &Rack, jar: &JarId) -> Result<JarIx, Refusal> {
    rack.jar_named(jar.as_str()).ok_or_else(|| Refusal(format!("there is no jar {jar}")))
}

/// Settled eggs in a litre by the count of a take; `None` where the count needs more than it says.
fn eggs_per_litre(take: &Take) -> Option<f64> {
    match take.count? {
        CountMethod::VonBayer { eggs, length_in } => {
            // N = k / d³ eggs to the quart, k = 67.65 (see calc::enumeration).
            let d = length_in / eggs;
            Some(67.65 / (d * d * d) / nightjar_calc::quantity::LITRES_PER_QUART)
        }
        CountMethod::Volumetric { eggs, sample_ml } => Some(eggs / sample_ml * 1000.0),
        CountMethod::PerLitre { eggs_per_l } => Some(eggs_per_l),
        CountMethod::Gravimetric { .. } | CountMethod::Displacement { .. } => None,
    }
}
