//! One entry after the other, in the order things happened. An entry is looked at whole before
//! anything is changed, so one that is refused leaves no trace.

use super::{Books, Content, Known, LotBooks, Refusal, Seen, Segment, Work};
use crate::ids::{JarId, LotId};
use crate::logbook::{
    Act, Agent, CountMethod, EyeUpSample, FryCount, HatchPoint, HatchSeen, Load, Lot, Mortality, Siphon,
    Split, Take, Treatment,
};
use crate::rack::{JarIx, Rack};
use nightjar_calc::breeders::Spawners;
use nightjar_calc::enumeration::{
    CountError, EggsPerLitre, Estimate, Hardened, SHARED_ERROR, SINGLE_ERROR, State, Subsample, displacement,
    gravimetric, volumetric, von_bayer,
};
use nightjar_calc::ledger::{BookError, TakeRecord, fry_count};
use nightjar_calc::proportion::Sample;
use nightjar_calc::time::{Span, Timestamp};
use std::collections::{BTreeMap, BTreeSet};

/// Fertilized eggs of no species here hatch sooner than this (own choice; the fastest of the table,
/// pike in warm water, need more than four days).
const SOONEST_HATCH: Span = Span::from_hours(72);
/// A sample without one eyed egg speaks against a hatch for so long (own choice).
const NO_EYES_NO_HATCH: Span = Span::from_hours(24);

fn refuse<T>(text: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal(text.into()))
}

impl From<BookError> for Refusal {
    fn from(error: BookError) -> Self {
        Self(error.to_string())
    }
}

fn find(rack: &Rack, jar: &JarId) -> Result<JarIx, Refusal> {
    rack.jar_named(jar.as_str()).ok_or_else(|| Refusal(format!("there is no jar {jar}")))
}

/// Settled eggs in a litre by the count of a take.
///
/// # Errors
/// When the numbers of the count make no sense.
pub fn egg_density(count: &CountMethod) -> Result<Estimate, CountError> {
    fn one<S: State>(count: &CountMethod) -> Result<EggsPerLitre<S>, CountError> {
        match *count {
            CountMethod::VonBayer { eggs, length_in } => Ok(von_bayer::<S>(eggs, length_in)?.per_litre),
            CountMethod::Volumetric { eggs, sample_ml } => {
                volumetric(&[Subsample { eggs, amount: sample_ml }])
            }
            CountMethod::Gravimetric { eggs, sample_g } => {
                gravimetric(&[Subsample { eggs, amount: sample_g }])?.per_settled_litre()
            }
            CountMethod::Displacement { eggs, displaced_ml } => {
                displacement(&[Subsample { eggs, amount: displaced_ml }])
            }
            CountMethod::PerLitre { eggs_per_l } => EggsPerLitre::given(eggs_per_l),
        }
    }
    // The state of the eggs does not change the arithmetic; who uses the number looks at the take.
    one::<Hardened>(count).map(EggsPerLitre::estimate)
}

impl Books {
    pub(super) fn apply(&mut self, act: &Act, at: Timestamp, known: Known<'_>) -> Result<(), Refusal> {
        let rack = known.rack;
        match act {
            Act::Take(take) => self.take(take, at, known),
            Act::Lot(lot) => self.lot(lot),
            Act::Load(load) => self.load(load, at, rack),
            Act::Move(m) => self.carry(find(rack, &m.from)?, find(rack, &m.to)?, at, rack),
            Act::Split(split) => self.split(split, at, rack),
            Act::Pool(pool) => self.pool(find(rack, &pool.from)?, find(rack, &pool.into)?, at, rack),
            Act::Empty(empty) => self.empty(find(rack, &empty.jar)?, at, rack),
            Act::FlowSetPoint(flow) => {
                let jar = find(rack, &flow.jar)?;
                self.set_flow.insert(jar, flow.flow_l_per_min);
                self.did(jar, Work::Flow, at);
                Ok(())
            }
            Act::Siphon(siphon) => self.siphon(siphon, at, rack),
            Act::EyeUpSample(sample) => self.eye_up(sample, at, rack),
            Act::HatchSeen(hatch) => self.hatch(hatch, at, rack),
            Act::HandReading(reading) => {
                self.did(find(rack, &reading.jar)?, Work::HandReading, at);
                Ok(())
            }
            Act::Treatment(treatment) => self.treatment(treatment, at, rack),
            Act::TreatmentPlan(plan) => {
                let key = (known.species)(&plan.species).map_err(Refusal)?;
                self.plans.insert(key, plan.clone());
                Ok(())
            }
            Act::FertilizationSample(sample) => {
                let dips = dips(sample.dips.iter().map(|dip| (dip.fertilized, dip.of)))?;
                match self.takes.get(&sample.take) {
                    Some(take) if take.fertilized_at > at => {
                        refuse("the sample was before the take; check the times")
                    }
                    Some(_) => Ok(self.ledger.fertilized(sample.take.as_str(), &dips)?),
                    None => refuse(format!("take {} is not in the logbook", sample.take)),
                }
            }
            Act::FryCount(count) => self.fry(count, at, rack),
            Act::Held(held) => {
                self.account(&held.lot, at)?;
                Ok(self.ledger.held(held.lot.as_str(), held.fry)?)
            }
            Act::Stocked(stocked) => {
                self.account(&stocked.lot, at)?;
                Ok(self.ledger.stocked(stocked.lot.as_str(), stocked.water.trim(), stocked.fry)?)
            }
            Act::Mortality(mortality) => self.mortality(mortality, at, rack),
            Act::Calibration(calibration) => {
                self.checked.insert(calibration.sensor.clone(), at);
                Ok(())
            }
            Act::Note(note) => note.jar.as_ref().map_or(Ok(()), |jar| find(rack, jar).map(drop)),
            Act::ProbeMove(_) | Act::Void(_) => Ok(()),
        }
    }

    fn did(&mut self, jar: JarIx, work: Work, at: Timestamp) {
        if let Some(content) = self.jars.get_mut(&jar) {
            content.done.insert(work, at);
        }
    }

    fn take(&mut self, take: &Take, at: Timestamp, known: Known<'_>) -> Result<(), Refusal> {
        let species = (known.species)(&take.species).map_err(Refusal)?;
        if self.takes.contains_key(&take.take) {
            return refuse(format!("take {} is in the logbook already", take.take));
        }
        if take.fertilized_at > at {
            return refuse(
                "the eggs were fertilized after the entry says the take was made; check the times",
            );
        }
        let density = take.count.as_ref().map(egg_density).transpose().map_err(|e| Refusal(e.to_string()))?;
        let record = TakeRecord {
            season: known.rack.zone.day_of(take.fertilized_at).year(),
            species: species.clone(),
            water: take.water.trim().to_owned(),
            spawners: Spawners { females: take.females, males: take.males, males_reused: take.males_reused },
            eggs: density.zip(take.volume_l).map(|(density, litres)| density.scaled(litres)),
        };
        self.ledger.take(take.take.as_str(), record)?;
        // A take can be loaded under its own name without a lot being written first.
        if let Ok(lot) = LotId::new(take.take.as_str()) {
            let takes = vec![take.take.clone()];
            let own = LotBooks { takes, species: species.clone(), strain: String::new(), written: false };
            self.lots.entry(lot).or_insert(own);
        }
        self.takes.insert(take.take.clone(), Take { species, ..take.clone() });
        Ok(())
    }

    fn lot(&mut self, lot: &Lot) -> Result<(), Refusal> {
        if self.lots.get(&lot.lot).is_some_and(|there| there.written) {
            return refuse(format!("lot {} is in the logbook already", lot.lot));
        }
        let mut species = BTreeSet::new();
        for id in &lot.takes {
            match self.takes.get(id) {
                Some(take) => species.insert(take.species.clone()),
                None => return refuse(format!("take {id} is not in the logbook")),
            };
        }
        match (species.len(), species.pop_first()) {
            (1, Some(species)) => {
                let (takes, strain) = (lot.takes.clone(), lot.strain.clone());
                self.lots.insert(lot.lot.clone(), LotBooks { takes, species, strain, written: true });
                Ok(())
            }
            (0, _) => refuse("a lot needs at least one take"),
            _ => refuse("a lot holds one species"),
        }
    }

    /// Makes sure the ledger knows the lot, and that its eggs were there at that time.
    fn account(&mut self, id: &LotId, at: Timestamp) -> Result<(), Refusal> {
        let Some(lot) = self.lots.get(id) else {
            return refuse(format!("lot {id} is not in the logbook; write its take first"));
        };
        if self.takes_of(lot).any(|take| take.fertilized_at > at) {
            return refuse(format!("the eggs of lot {id} were fertilized later than that; check the times"));
        }
        if !self.accounted.contains(id) {
            let takes: Vec<String> = lot.takes.iter().map(ToString::to_string).collect();
            self.ledger.lot(id.as_str(), &takes)?;
            self.accounted.insert(id.clone());
        }
        Ok(())
    }

    /// Eggs to the litre of a lot: the mean of its hardened counts, by the litres of each take.
    fn density(&self, lot: &LotBooks) -> Option<Estimate> {
        // A count made before the eggs took up water is useless after it.
        let counted: Vec<(Estimate, f64)> = self
            .takes_of(lot)
            .filter(|take| take.hardened)
            .filter_map(|take| Some((egg_density(take.count.as_ref()?).ok()?, take.volume_l.unwrap_or(1.0))))
            .collect();
        let whole: f64 = counted.iter().map(|(_, litres)| litres).sum();
        counted
            .into_iter()
            .map(|(density, litres)| density.scaled(litres / whole))
            .reduce(|sum, part| sum.plus(part))
    }

    fn load(&mut self, load: &Load, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        let jar = find(rack, &load.jar)?;
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
        self.account(&load.lot, at)?;
        let Some(lot) = self.lots.get(&load.lot) else { return Ok(()) };
        if self.takes_of(lot).any(|take| take.hardening_to.is_some_and(|end| end > at)) {
            return refuse("the eggs were still hardening then; check the times");
        }
        let eggs = load
            .eggs
            .map(|eggs| Estimate::relative(eggs, SINGLE_ERROR, SHARED_ERROR))
            .or_else(|| self.density(lot).map(|density| density.scaled(load.volume_l)));
        match eggs {
            Some(eggs) => self.ledger.load(load.jar.as_str(), load.lot.as_str(), load.volume_l, eggs)?,
            None => self.uncounted_l += load.volume_l,
        }
        let content = Content {
            lot: load.lot.clone(),
            segments: vec![Segment { jar, from: at, to: None }],
            eggs: eggs.map(|eggs| eggs.value),
            litres: load.volume_l,
            seen: BTreeMap::new(),
            done: BTreeMap::new(),
            sampled: None,
            eyed_between: None,
            poured_in: Vec::new(),
        };
        self.jars.insert(jar, content);
        Ok(())
    }

    fn full(&self, jar: JarIx) -> Result<&Content, Refusal> {
        self.jars.get(&jar).ok_or_else(was_empty)
    }

    fn leave(&mut self, jar: JarIx, at: Timestamp) -> Result<Content, Refusal> {
        let mut content = self.jars.remove(&jar).ok_or_else(was_empty)?;
        content.leave(at);
        self.set_flow.remove(&jar);
        Ok(content)
    }

    fn check_free(&self, jar: JarIx) -> Result<(), Refusal> {
        if self.jars.contains_key(&jar) {
            return refuse("the other jar is not empty; pool instead");
        }
        Ok(())
    }

    fn carry(&mut self, from: JarIx, to: JarIx, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        self.check_free(to)?;
        if self.full(from)?.litres > rack.jar(to).volume_l {
            return refuse("the other jar is too small");
        }
        counted(self.ledger.move_all(rack.jar(from).id.as_str(), rack.jar(to).id.as_str()))?;
        let mut content = self.leave(from, at)?;
        content.arrive(to, at);
        self.jars.insert(to, content);
        Ok(())
    }

    fn split(&mut self, split: &Split, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        let (from, to) = (find(rack, &split.from)?, find(rack, &split.to)?);
        if !(split.share > 0.0 && split.share < 1.0) {
            return refuse("the share moved is more than 0 and less than 1");
        }
        self.check_free(to)?;
        if self.full(from)?.litres * split.share > rack.jar(to).volume_l {
            return refuse("the other jar is too small");
        }
        counted(self.ledger.split(split.from.as_str(), split.to.as_str(), split.share))?;
        let Some(content) = self.jars.get_mut(&from) else { return Ok(()) };
        let mut moved = content.take_out(split.share);
        moved.leave(at);
        moved.arrive(to, at);
        self.jars.insert(to, moved);
        Ok(())
    }

    fn pool(&mut self, from: JarIx, into: JarIx, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        if from == into {
            return refuse("a jar cannot be pooled with itself");
        }
        let (source, target) = (self.full(from)?, self.full(into)?);
        if source.litres + target.litres > rack.jar(into).volume_l {
            return refuse("the eggs of both do not go into one jar");
        }
        let species = |content: &Content| self.lots.get(&content.lot).map(|lot| lot.species.clone());
        if species(source) != species(target) {
            return refuse("eggs of two species are not poured together");
        }
        counted(self.ledger.pool(rack.jar(from).id.as_str(), rack.jar(into).id.as_str()))?;
        let mut gone = self.leave(from, at)?;
        gone.arrive(into, at);
        if let Some(content) = self.jars.get_mut(&into) {
            content.pour_in(gone);
        }
        Ok(())
    }

    fn empty(&mut self, jar: JarIx, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        self.full(jar)?;
        counted(self.ledger.empty(rack.jar(jar).id.as_str()))?;
        let content = self.leave(jar, at)?;
        self.past.push(content);
        Ok(())
    }

    fn siphon(&mut self, siphon: &Siphon, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        let jar = find(rack, &siphon.jar)?;
        let content = self.full(jar)?;
        let litres = siphon.volume_ml / 1000.0;
        if !(litres > 0.0 && litres <= content.litres) {
            return refuse(format!(
                "{} mL cannot be drawn off {:.0} mL of eggs",
                siphon.volume_ml,
                content.litres * 1000.0
            ));
        }
        if content.eggs.is_some() {
            self.ledger.siphon(siphon.jar.as_str(), litres, siphon.dead_share)?;
        }
        if let Some(content) = self.jars.get_mut(&jar) {
            // Live eggs drawn off with the dead are put back.
            content.scale(1.0 - litres * siphon.dead_share / content.litres);
            content.done.insert(Work::Siphon, at);
        }
        Ok(())
    }

    fn eye_up(&mut self, sample: &EyeUpSample, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        let jar = find(rack, &sample.jar)?;
        let pairs = dips(sample.dips.iter().map(|dip| (dip.eyed, dip.of)))?;
        let content = self.full(jar)?;
        if content.seen.contains_key(&Seen::First) {
            return refuse(format!(
                "hatching was already seen in jar {}; an eye-up sample comes before it",
                sample.jar
            ));
        }
        if content.eggs.is_some() {
            self.ledger.eye_up(sample.jar.as_str(), &pairs)?;
        }
        let (eyed, of) = pairs
            .iter()
            .fold((0, 0), |(eyed, of), dip| (eyed + u64::from(dip.hits()), of + u64::from(dip.of())));
        if let Some(content) = self.jars.get_mut(&jar) {
            content.done.insert(Work::EyeUpSample, at);
            let before = content.sampled.replace((at, eyed, of));
            if eyed * 2 >= of {
                // A sample before the first with half of them eyed was one without.
                if let Some((without, ..)) = before.filter(|_| !content.seen.contains_key(&Seen::Eyed)) {
                    content.eyed_between = Some((without, at));
                }
                content.see(Seen::Eyed, at);
            }
        }
        Ok(())
    }

    fn hatch(&mut self, hatch: &HatchSeen, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        let jar = find(rack, &hatch.jar)?;
        let content = self.full(jar)?;
        let oldest = content
            .parts()
            .filter_map(|part| self.lots.get(&part.lot))
            .flat_map(|lot| self.takes_of(lot))
            .map(|take| take.fertilized_at)
            .min();
        if oldest.is_some_and(|fertilized| at.since(fertilized) < SOONEST_HATCH) {
            return refuse(
                "eggs fertilized less than three days before do not hatch; is it the right jar and time?",
            );
        }
        if let Some((sampled, 0, of)) = content.sampled
            && at.since(sampled) < NO_EYES_NO_HATCH
        {
            return refuse(format!(
                "hatch comes after eye-up: none of {of} eggs was eyed {:.0} h before; is it the right jar?",
                at.since(sampled).hours()
            ));
        }
        let seen = |stage| content.seen.contains_key(&stage);
        let (stage, too_late) = match hatch.point {
            HatchPoint::First => (Seen::First, seen(Seen::Peak) || seen(Seen::Last)),
            HatchPoint::Peak => (Seen::Peak, seen(Seen::Last)),
            HatchPoint::Last => (Seen::Last, false),
        };
        if too_late {
            return refuse("a later point of the hatch was already seen in this jar; check the times");
        }
        counted(self.ledger.hatch_seen(hatch.jar.as_str()))?;
        if let Some(content) = self.jars.get_mut(&jar) {
            content.see(stage, at);
        }
        Ok(())
    }

    fn treatment(&mut self, treatment: &Treatment, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        let jar = find(rack, &treatment.jar)?;
        self.full(jar)?;
        self.did(jar, Work::Treatment, at);
        if treatment.agent == Agent::HydrogenPeroxide {
            self.did(jar, Work::Peroxide, at);
        }
        Ok(())
    }

    fn fry(&mut self, count: &FryCount, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        count.jar.as_ref().map_or(Ok(()), |jar| find(rack, jar).map(drop))?;
        self.account(&count.lot, at)?;
        let fry =
            fry_count(&count.counts, count.sample_ml, count.tank_l).map_err(|e| Refusal(e.to_string()))?;
        Ok(self.ledger.fry_out(count.lot.as_str(), count.jar.as_ref().map(JarId::as_str), fry)?)
    }

    fn mortality(&mut self, dead: &Mortality, at: Timestamp, rack: &Rack) -> Result<(), Refusal> {
        self.account(&dead.lot, at)?;
        let Some(id) = &dead.jar else {
            return Ok(self.ledger.mortality(dead.lot.as_str(), None, dead.number)?);
        };
        let jar = find(rack, id)?;
        let content = self.full(jar)?;
        let Some(eggs) = content.eggs else {
            if content.parts().all(|part| part.lot != dead.lot) {
                return refuse(format!("jar {id} holds no eggs of lot {}", dead.lot));
            }
            return Ok(());
        };
        self.ledger.mortality(dead.lot.as_str(), Some(id.as_str()), dead.number)?;
        if let Some(content) = self.jars.get_mut(&jar)
            && eggs > 0.0
        {
            content.scale((1.0 - dead.number / eggs).max(0.0));
        }
        Ok(())
    }
}

fn was_empty() -> Refusal {
    Refusal("the jar was empty at that time".into())
}

/// Eggs that were never counted are in jars but not in the ledger: to it the jar is empty.
fn counted<T>(done: Result<T, BookError>) -> Result<(), Refusal> {
    match done {
        Ok(_) | Err(BookError::JarEmpty(_)) => Ok(()),
        Err(error) => Err(error.into()),
    }
}

fn dips(pairs: impl Iterator<Item = (u32, u32)>) -> Result<Vec<Sample>, Refusal> {
    let samples: Result<Vec<Sample>, _> = pairs.map(|(hits, of)| Sample::new(hits, of)).collect();
    match samples {
        Ok(samples) if !samples.is_empty() => Ok(samples),
        Ok(_) => refuse("a sample needs at least one dip"),
        Err(error) => refuse(error.to_string()),
    }
}
