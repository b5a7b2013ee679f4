//! Treatments against fungus at this station: what speaks against one at one jar now, how much drug
//! it needs at the measured flow, and how long its window stays open.
//!
//! Nothing here runs a pump, and nothing here is permission: the label, the prescribing
//! veterinarian, the discharge permit and local rules decide.

use crate::ids::{JarId, PersonId};
use crate::logbook::{Act, Agent, Done, Treatment, TreatmentPlan};
use crate::progress::books::{Books, Seen, Work};
use crate::rack::JarIx;
use crate::reading::Quality;
use crate::snapshot::{Latest, ProgressView};
use nightjar_calc::quantity::LitresPerMinute;
use nightjar_calc::time::{Span, Timestamp};
use nightjar_calc::treatment::{
    self, Dose, DoseError, EggKind, Flow, Guard, Hatch, Method, Proposal, STOP_BEFORE_HATCH_H, Target,
};
use std::collections::BTreeMap;

/// After the feed stops drug still comes, and the flow is set back by hand (own choice).
const RINSE: Span = Span::from_minutes(15);
/// A window never lasts longer than this, whatever was written.
pub const LONGEST_WINDOW: Span = Span::from_hours(2);

/// A treatment somebody thinks of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// What.
    pub agent: Agent,
    /// µL/L for formalin, mg/L for peroxide.
    pub concentration: f64,
    /// For how long.
    pub minutes: f64,
    /// Coldest the formalin store has been, °C, if known.
    pub store_coldest_c: Option<f64>,
}

impl Wanted {
    /// As written in an entry.
    #[must_use]
    pub const fn of(treatment: &Treatment) -> Self {
        Self {
            agent: treatment.agent,
            concentration: treatment.concentration,
            minutes: treatment.minutes,
            store_coldest_c: treatment.store_coldest_c,
        }
    }

    /// As planned.
    #[must_use]
    pub const fn planned(plan: &TreatmentPlan) -> Self {
        Self {
            agent: plan.agent,
            concentration: plan.concentration,
            minutes: plan.minutes,
            store_coldest_c: None,
        }
    }

    const fn target(&self) -> Target {
        match self.agent {
            Agent::Formalin => Target::Formalin { ul_per_l: self.concentration },
            Agent::HydrogenPeroxide => Target::HydrogenPeroxide { mg_per_l: self.concentration },
        }
    }
}

/// What the flow meter of the jar says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FlowNow {
    /// L/min, believed.
    Measured(f64),
    /// A reading that is not believed.
    Bad,
    /// None.
    Unknown,
}

impl FlowNow {
    /// What the last reading of a jar's meter is worth.
    #[must_use]
    pub fn of(latest: Option<Latest>) -> Self {
        match latest {
            Some(latest) if latest.quality == Quality::Good => Self::Measured(latest.value),
            Some(_) => Self::Bad,
            None => Self::Unknown,
        }
    }
}

/// How the eggs of a jar stand, as the rules ask.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Standing {
    /// Which eggs.
    pub eggs: EggKind,
    /// Flow the jar should have, L/min.
    pub set_point: Option<f64>,
    /// The hatch.
    pub hatch: Hatch,
    /// Thermal units.
    pub c_days: Option<f64>,
    /// Hours since peroxide was given.
    pub hours_since_peroxide: Option<f64>,
    /// Hours before the earliest hatch from which nothing is given.
    pub stop_before_hatch_h: f64,
}

impl Standing {
    /// From books and forecast. `None` for an empty jar.
    #[must_use]
    pub fn of(books: &Books, jar: JarIx, view: Option<&ProgressView>, at: Timestamp) -> Option<Self> {
        let content = books.in_jar(jar)?;
        let species = books.lots().get(&content.lot).map_or("", |lot| lot.species.as_str());
        let hatching = [Seen::First, Seen::Peak, Seen::Last]
            .iter()
            .any(|seen| content.seen.get(seen).is_some_and(|t| *t <= at));
        let start = view.and_then(|view| view.stages.iter().find(|stage| stage.stage == "hatch_start"));
        let hatch = match start {
            _ if hatching => Hatch::Started,
            // Reached by the sum, though nobody has looked.
            Some(stage) if stage.at.is_some() => Hatch::InHours(0.0),
            Some(stage) => {
                stage.earliest.map_or(Hatch::Unknown, |first| Hatch::InHours(first.since(at).hours()))
            }
            None => Hatch::Unknown,
        };
        Some(Self {
            eggs: if species == "rainbow-trout" { EggKind::RainbowTrout } else { EggKind::ColdOrCoolWater },
            set_point: books.set_flow(jar),
            hatch,
            c_days: view.map(|view| view.c_days),
            hours_since_peroxide: content
                .done
                .get(&Work::Peroxide)
                .filter(|given| **given < at)
                .map(|given| at.since(*given).hours()),
            stop_before_hatch_h: books
                .plan(species)
                .map_or(STOP_BEFORE_HATCH_H, |plan| plan.stop_before_hatch_h),
        })
    }
}

/// A finding in words, with the source of its rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// What is wrong, and what to do.
    pub text: String,
    /// Where the rule is from.
    pub source: &'static str,
}

/// What is to be said to a treatment.
#[derive(Clone, Debug, PartialEq)]
pub struct Answer {
    /// What speaks against it; empty when nothing known here does.
    pub refusals: Vec<Found>,
    /// What to think of.
    pub cautions: Vec<Found>,
    /// Care with the chemical; always shown.
    pub care: Vec<Found>,
    /// What to measure out at the measured flow; only when nothing speaks against it.
    pub dose: Option<Dose>,
}

impl Answer {
    /// Whether nothing known here speaks against it.
    #[must_use]
    pub fn allows(&self) -> bool {
        self.refusals.is_empty()
    }
}

/// Looks at a treatment into moving water.
///
/// # Errors
/// When a number is not above zero.
pub fn look(wanted: &Wanted, standing: &Standing, flow: FlowNow) -> Result<Answer, DoseError> {
    let measured = if let FlowNow::Measured(flow) = flow { LitresPerMinute::new(flow).ok() } else { None };
    let proposal = Proposal {
        target: wanted.target(),
        minutes: wanted.minutes,
        method: Method::FlowThrough,
        eggs: standing.eggs,
        flow: match (flow, measured) {
            (FlowNow::Unknown, _) => Flow::Unknown,
            (FlowNow::Measured(_), Some(flow)) => Flow::Measured(flow),
            (FlowNow::Bad | FlowNow::Measured(_), _) => Flow::Bad,
        },
        set_point: standing.set_point.and_then(|flow| LitresPerMinute::new(flow).ok()),
        hatch: standing.hatch,
        c_days: standing.c_days,
        hours_since_peroxide: standing.hours_since_peroxide,
        formalin_coldest_f: wanted.store_coldest_c.map(|c| c * 1.8 + 32.0),
    };
    let guard = Guard::look(&proposal, standing.stop_before_hatch_h)?;
    let found = |finding: treatment::Finding| Found { text: finding.text, source: finding.citation };
    let care = treatment::safety(wanted.target().agent());
    Ok(Answer {
        dose: match measured {
            Some(flow) if guard.allows() => {
                Some(treatment::flow_through(wanted.target(), flow, wanted.minutes, None)?)
            }
            Some(_) | None => None,
        },
        refusals: guard.refused_because().into_iter().map(found).collect(),
        cautions: guard.think_of().into_iter().map(found).collect(),
        care: care.iter().map(|note| Found { text: note.text.to_owned(), source: note.source }).collect(),
    })
}

/// A time in which flow alarms of a jar use the limits of a treatment. It ends by itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Window {
    /// Which jar.
    pub jar: JarId,
    /// Its name, for people.
    pub name: String,
    /// Who opened it by writing the treatment down.
    pub by: PersonId,
    /// When it began.
    pub from: Timestamp,
    /// When it ends.
    pub until: Timestamp,
}

/// How long the window of a treatment lasts: the feed, and the time until the flow is as before.
#[must_use]
pub fn window_length(treatment: &Treatment) -> Span {
    let feed = if treatment.minutes.is_finite() { treatment.minutes.clamp(0.0, 1_440.0) } else { 0.0 };
    (Span::from_days(feed / 1_440.0) + RINSE).min(LONGEST_WINDOW)
}

/// The window a treatment opens.
#[must_use]
pub fn window(done: &Done<'_>) -> Option<Window> {
    let Act::Treatment(treatment) = done.act else { return None };
    let agent = wanted_name(treatment.agent);
    Some(Window {
        jar: treatment.jar.clone(),
        name: format!("{agent} in jar {}", treatment.jar),
        by: done.entry.who.clone(),
        from: done.at,
        until: done.at + window_length(treatment),
    })
}

/// The window that applies to a jar at a moment, the one that lasts longest when there are several.
#[must_use]
pub fn window_at(done: &[Done<'_>], jar: &JarId, at: Timestamp) -> Option<Window> {
    done.iter()
        .filter_map(window)
        .filter(|window| window.jar == *jar && window.from <= at && at < window.until)
        .max_by_key(|window| window.until)
}

fn wanted_name(agent: Agent) -> &'static str {
    match agent {
        Agent::Formalin => treatment::Agent::Formalin.name(),
        Agent::HydrogenPeroxide => treatment::Agent::HydrogenPeroxide.name(),
    }
}

/// What was used of one agent, for the discharge record.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Used {
    /// Treatments.
    pub treatments: u32,
    /// Millilitres of the solution as bought.
    pub volume_ml: f64,
    /// Grams: peroxide itself; for formalin the solution at 1.08 g/mL.
    pub grams: f64,
    /// Litres of water that got it.
    pub water_l: f64,
}

/// Sums of what was used, by agent.
#[must_use]
pub fn used<'a>(treatments: impl IntoIterator<Item = &'a Treatment>) -> BTreeMap<Agent, Used> {
    let mut sums: BTreeMap<Agent, Used> = BTreeMap::new();
    for given in treatments {
        let sum = sums.entry(given.agent).or_default();
        sum.treatments += 1;
        sum.volume_ml += given.volume_ml;
        sum.water_l += given.flow_l_per_min * given.minutes;
        sum.grams += grams(given.agent, given.volume_ml);
    }
    sums
}

/// Density of formalin, g/mL (memory; the label has it).
const FORMALIN_G_PER_ML: f64 = 1.08;

/// Grams in so many millilitres, as [`Used::grams`].
#[must_use]
pub fn grams(agent: Agent, volume_ml: f64) -> f64 {
    match agent {
        Agent::Formalin => volume_ml * FORMALIN_G_PER_ML,
        Agent::HydrogenPeroxide => volume_ml * treatment::PEROXIDE_MG_PER_ML / 1_000.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn standing() -> Standing {
        Standing {
            eggs: EggKind::ColdOrCoolWater,
            set_point: Some(18.9),
            hatch: Hatch::InHours(120.0),
            c_days: Some(60.0),
            hours_since_peroxide: None,
            stop_before_hatch_h: 24.0,
        }
    }

    const FORMALIN: Wanted =
        Wanted { agent: Agent::Formalin, concentration: 1_667.0, minutes: 15.0, store_coldest_c: Some(12.0) };

    /// Published: 5 gpm for 15 min at 1,667 ppm needs 472.6 mL (DRIP; exact conversion 473.3 mL).
    #[test]
    fn the_dose_follows_the_measured_flow() {
        let answer = look(&FORMALIN, &standing(), FlowNow::Measured(5.0 * 3.785_411_784)).unwrap();
        assert!(answer.allows());
        let dose = answer.dose.unwrap();
        assert!((dose.drug_ml - 473.3).abs() < 0.05, "{dose:?}");
        assert!((dose.feed_ml_per_min.unwrap() - 473.3 / 15.0).abs() < 0.01);
    }

    #[test]
    fn a_dose_against_a_rule_has_no_amount() {
        let ok = FlowNow::Measured(18.9);
        for (wanted, standing, flow) in [
            (Wanted { concentration: 2_500.0, ..FORMALIN }, standing(), ok),
            (Wanted { store_coldest_c: Some(1.0), ..FORMALIN }, standing(), ok),
            (FORMALIN, standing(), FlowNow::Unknown),
            (FORMALIN, standing(), FlowNow::Bad),
            (FORMALIN, standing(), FlowNow::Measured(9.0)),
            (FORMALIN, Standing { hatch: Hatch::InHours(23.0), ..standing() }, ok),
            (FORMALIN, Standing { hatch: Hatch::Started, ..standing() }, ok),
            (
                Wanted { agent: Agent::HydrogenPeroxide, concentration: 500.0, ..FORMALIN },
                Standing { hours_since_peroxide: Some(6.0), ..standing() },
                ok,
            ),
        ] {
            let answer = look(&wanted, &standing, flow).unwrap();
            assert_eq!(answer.refusals.len(), 1, "{answer:?}");
            assert_eq!(answer.dose, None);
        }
    }

    #[test]
    fn a_window_ends_by_itself() {
        let entry: crate::logbook::Entry = serde_json::from_value(serde_json::json!({
            "id": "treat-0001", "happened_at": "2026-04-20T08:00:00Z", "who": "ada",
            "act": {"kind": "treatment", "jar": "J01", "agent": "formalin", "concentration": 1667.0,
                    "minutes": 15.0, "flow_l_per_min": 4.0, "volume_ml": 100.0}
        }))
        .unwrap();
        let (done, _) = crate::logbook::standing([&entry]);
        let at = |minutes| entry.happened_at + Span::from_minutes(minutes);
        let open = |jar: &str, minutes| window_at(&done, &JarId::new(jar).unwrap(), at(minutes)).is_some();
        assert_eq!([-1, 0, 29, 30].map(|minutes| open("J01", minutes)), [false, true, true, false]);
        assert!(!open("J02", 5));
    }
}
