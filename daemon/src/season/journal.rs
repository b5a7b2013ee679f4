//! Tables of water, treatments, alarms and what else was written down.

use super::Material;
use super::table::{Cell, Table, columns};
use crate::alarm::event::{AlarmEvent, Change, EventId};
use crate::guard;
use crate::logbook::{Act, Check, Done};
use crate::web::words;
use nightjar_calc::time::{Span, Timestamp};
use std::collections::BTreeMap;

/// An alarm, when somebody answered, and when it was over.
#[derive(Clone, Debug, PartialEq)]
pub struct Answered {
    /// Number of the event.
    pub event: EventId,
    /// What was wrong, in words.
    pub what: &'static str,
    /// About what.
    pub about: String,
    /// Urgency.
    pub priority: &'static str,
    /// First raised.
    pub raised_at: Timestamp,
    /// First acknowledged, and by whom.
    pub acknowledged: Option<(Timestamp, String)>,
    /// Last time it cleared.
    pub cleared_at: Option<Timestamp>,
}

/// Puts what alarms did together by event.
#[must_use]
pub fn answered(events: &[AlarmEvent]) -> Vec<Answered> {
    let mut by_event: BTreeMap<EventId, Vec<&AlarmEvent>> = BTreeMap::new();
    for event in events {
        by_event.entry(event.event).or_default().push(event);
    }
    by_event
        .into_values()
        .filter_map(|mut steps| {
            steps.sort_by_key(|step| (step.at, step.seq));
            let first = steps.first()?;
            let acknowledged = steps.iter().find_map(|step| {
                if let Change::Acknowledged { by, .. } = &step.change {
                    Some((step.at, by.to_string()))
                } else {
                    None
                }
            });
            let cleared =
                steps.iter().rev().find(|step| matches!(step.change, Change::Cleared)).map(|step| step.at);
            Some(Answered {
                event: first.event,
                what: words::alarm(first.kind),
                about: words::asset(&first.asset),
                priority: words::priority(first.priority).0,
                raised_at: first.at,
                acknowledged,
                cleared_at: cleared,
            })
        })
        .collect()
}

fn minutes(span: Span) -> Cell {
    Cell::Number(span.secs() / 60.0, 1)
}

pub(super) fn alarms(material: &Material<'_>) -> Table {
    let rows = material
        .alarms
        .iter()
        .map(|alarm| {
            vec![
                Cell::text(alarm.priority),
                Cell::text(alarm.what),
                Cell::text(&alarm.about),
                Cell::At(alarm.raised_at),
                Cell::when(alarm.acknowledged.as_ref().map(|(at, _)| *at)),
                alarm.acknowledged.as_ref().map_or(Cell::Empty, |(_, by)| Cell::text(by)),
                alarm.acknowledged.as_ref().map_or(Cell::Empty, |(at, _)| minutes(at.since(alarm.raised_at))),
                Cell::when(alarm.cleared_at),
                alarm.cleared_at.map_or(Cell::Empty, |at| minutes(at.since(alarm.raised_at))),
            ]
        })
        .collect();
    Table {
        name: "alarms",
        title: "Alarms",
        about: "",
        columns: columns(&[
            ("priority", "urgency: P1, P2 or P3"),
            ("what", "what was wrong"),
            ("about", "jar, header or part of the site"),
            ("raised_at", "first raised"),
            ("acknowledged_at", "first acknowledged"),
            ("acknowledged_by", "by whom"),
            ("response_min", "minutes from raised to acknowledged"),
            ("cleared_at", "last cleared"),
            ("lasted_min", "minutes from raised to last cleared"),
        ]),
        rows,
    }
}

pub(super) fn thermal(material: &Material<'_>) -> Table {
    let rows = material
        .ways
        .iter()
        .map(|way| {
            let p = way.progress.as_ref();
            vec![
                Cell::text(&way.jar),
                Cell::text(&way.lot),
                Cell::when(p.map(|p| p.fertilized_at)),
                Cell::At(way.loaded_at),
                Cell::when(way.left_at),
                Cell::maybe(p.map(|p| p.c_days), 1),
                Cell::maybe(p.map(|p| p.c_days * 1.8), 0),
                Cell::maybe(p.map(|p| p.coverage), 3),
                Cell::maybe(p.map(|p| p.bridged_h), 1),
                Cell::maybe(p.map(|p| p.uncounted_h), 1),
                p.map_or(Cell::Empty, |p| Cell::text(&p.confidence)),
            ]
        })
        .collect();
    Table {
        name: "thermal",
        title: "Thermal history",
        about: "Sums belong to the eggs: pan, hardening basket and every jar they were in. 1 °C·day is 1.8 °F TU.",
        columns: columns(&[
            ("jar", "jar they are in, or were in last"),
            ("lot", "lot"),
            ("fertilized_at", "moment of fertilization"),
            ("loaded_at", "first poured into a jar"),
            ("left_at", "emptied or poured elsewhere"),
            ("c_days", "thermal units above 0 °C, °C·days"),
            ("f_days", "the same above 32 °F, °F·days"),
            ("coverage_share", "share of the time that was measured"),
            ("bridged_h", "hours carried over short gaps"),
            ("uncounted_h", "hours in long gaps, not counted"),
            ("confidence", "how sure the dates of this species are"),
        ]),
        rows,
    }
}

pub(super) fn stages(material: &Material<'_>) -> Table {
    let mut rows = Vec::new();
    for way in material.ways {
        let Some(progress) = &way.progress else { continue };
        for stage in &progress.stages {
            let early = way.forecast.filter(|_| stage.stage == "hatch_start");
            let likely = early.and_then(|forecast| forecast.hatch_start.1);
            let coming = |at: Option<Timestamp>| at.filter(|_| stage.at.is_none());
            rows.push(vec![
                Cell::text(&way.jar),
                Cell::text(&way.lot),
                Cell::text(stage.stage),
                Cell::when(stage.at),
                Cell::text(match (stage.at, stage.seen) {
                    (Some(_), true) => "seen",
                    (Some(_), false) => "by the sum",
                    (None, _) => "",
                }),
                Cell::when(coming(stage.earliest)),
                Cell::when(coming(stage.likely)),
                Cell::when(coming(stage.latest)),
                Cell::when(early.map(|forecast| forecast.as_of)),
                Cell::when(likely),
                Cell::maybe(
                    likely.zip(stage.at.filter(|_| stage.seen)).map(|(said, seen)| seen.since(said).days()),
                    2,
                ),
            ]);
        }
    }
    Table {
        name: "stages",
        title: "Stages, foreseen and seen",
        about: "",
        columns: columns(&[
            ("jar", "jar they are in, or were in last"),
            ("lot", "lot"),
            ("stage", "eyed, hatch_start, hatch_peak or hatch_end"),
            ("reached_at", "when it was reached"),
            ("reached_by", "seen by a person, or by the sum only"),
            ("earliest", "while it has not come: early end of the interval"),
            ("likely", "while it has not come: likely moment"),
            ("latest", "while it has not come: late end of the interval"),
            ("forecast_made", "time of an early forecast from the first days in the jar"),
            ("forecast_likely", "what that forecast said"),
            ("late_by_days", "days the stage was seen after the early forecast; below zero: before it"),
        ]),
        rows,
    }
}

/// Rows in the order things happened.
fn in_order(material: &Material<'_>, row: impl Fn(&Done<'_>) -> Option<Vec<Cell>>) -> Vec<Vec<Cell>> {
    let mut rows: Vec<(Timestamp, Vec<Cell>)> =
        material.done.iter().filter_map(|done| Some((done.at, row(done)?))).collect();
    rows.sort_by_key(|(at, _)| *at);
    rows.into_iter().map(|(_, row)| row).collect()
}

pub(super) fn samples(material: &Material<'_>) -> Table {
    let rows = in_order(material, |done| {
        let (kind, about, pairs): (_, _, Vec<(u32, u32)>) = if let Act::EyeUpSample(s) = done.act {
            ("eye_up", s.jar.to_string(), s.dips.iter().map(|dip| (dip.eyed, dip.of)).collect())
        } else if let Act::FertilizationSample(s) = done.act {
            ("fertilization", s.take.to_string(), s.dips.iter().map(|dip| (dip.fertilized, dip.of)).collect())
        } else {
            return None;
        };
        let samples: Result<Vec<_>, _> =
            pairs.iter().map(|(hits, of)| nightjar_calc::proportion::Sample::new(*hits, *of)).collect();
        let combined =
            nightjar_calc::proportion::combine(&samples.ok()?, nightjar_calc::proportion::LEVEL).ok();
        let sum = |pick: fn(&(u32, u32)) -> u32| pairs.iter().map(|pair| f64::from(pick(pair))).sum::<f64>();
        let mut row = vec![
            Cell::At(done.at),
            Cell::text(kind),
            Cell::text(about),
            Cell::whole(pairs.len() as f64),
            Cell::whole(sum(|pair| pair.0)),
            Cell::whole(sum(|pair| pair.1)),
        ];
        row.extend(Cell::interval(combined.map(|combined| combined.interval), 4));
        Some(row)
    });
    Table {
        name: "samples",
        title: "Samples",
        about: "Wilson intervals at 95 %, wider when dips disagree more than chance.",
        columns: columns(&[
            ("at", "when"),
            ("kind", "fertilization or eye_up"),
            ("of", "take or jar"),
            ("dips", "number of dips"),
            ("hits", "fertilized or eyed eggs"),
            ("eggs", "all eggs of the dips"),
            ("share", "share"),
            ("share_low", "lower bound"),
            ("share_high", "upper bound"),
        ]),
        rows,
    }
}

pub(super) fn treatments(material: &Material<'_>) -> Table {
    let rows = in_order(material, |done| {
        let Act::Treatment(t) = done.act else { return None };
        let (agent, unit) = words::agent(t.agent);
        Some(vec![
            Cell::At(done.at),
            Cell::text(t.jar.as_str()),
            Cell::text(agent),
            Cell::Number(t.concentration, 0),
            Cell::text(unit),
            Cell::Number(t.minutes, 1),
            Cell::Number(t.flow_l_per_min, 2),
            Cell::Number(t.volume_ml, 1),
            Cell::Number(guard::grams(t.agent, t.volume_ml), 1),
            Cell::text(&t.batch),
            Cell::text(done.entry.who.as_str()),
            Cell::text(&t.despite),
        ])
    });
    Table {
        name: "treatments",
        title: "Treatments",
        about: "",
        columns: columns(&[
            ("at", "when"),
            ("jar", "jar"),
            ("agent", "what was dosed"),
            ("concentration", "wanted concentration"),
            ("unit", "its unit"),
            ("minutes", "for how long"),
            ("flow_l_per_min", "flow it was dosed into"),
            ("volume_ml", "solution used, mL"),
            ("grams", "grams: peroxide itself; formalin as solution at 1.08 g/mL"),
            ("batch", "batch on the bottle"),
            ("who", "who wrote it down"),
            ("despite", "why it was given although a rule spoke against it"),
        ]),
        rows,
    }
}

pub(super) fn amounts(material: &Material<'_>) -> Table {
    let given = material
        .done
        .iter()
        .filter_map(|done| if let Act::Treatment(t) = done.act { Some(&**t) } else { None });
    let rows = guard::used(given)
        .into_iter()
        .map(|(agent, used)| {
            vec![
                Cell::text(words::agent(agent).0),
                Cell::whole(f64::from(used.treatments)),
                Cell::Number(used.volume_ml, 1),
                Cell::Number(used.grams, 1),
                Cell::Number(used.water_l, 0),
            ]
        })
        .collect();
    Table {
        name: "chemicals",
        title: "Chemicals used",
        about: "For the discharge record. Whether a permit is needed is decided where the station stands.",
        columns: columns(&[
            ("agent", "what was dosed"),
            ("treatments", "number of treatments"),
            ("volume_ml", "solution used, mL"),
            ("grams", "grams: peroxide itself; formalin as solution at 1.08 g/mL"),
            ("water_l", "litres of water that got it"),
        ]),
        rows,
    }
}

pub(super) fn days(material: &Material<'_>) -> Table {
    let rows = material
        .days
        .iter()
        .map(|day| {
            vec![
                Cell::text(&day.place),
                Cell::text(day.day.date().to_string()),
                Cell::Number(day.mean_c, 2),
                Cell::Number(day.coverage, 3),
            ]
        })
        .collect();
    Table {
        name: DAILY,
        title: "Daily water temperatures",
        about: "Local calendar days.",
        columns: columns(&[
            ("place", "header or jar"),
            ("date", "local day"),
            ("mean_c", "mean of what was measured, °C"),
            ("coverage_share", "share of the day that was measured"),
        ]),
        rows,
    }
}

/// Name of the table of daily temperatures, which is printed in its own way.
pub(super) const DAILY: &str = "daily_temperatures";

pub(super) fn checks(material: &Material<'_>) -> Table {
    let rows = in_order(material, |done| {
        let (sensor, how, known, read) = if let Act::Calibration(c) = done.act {
            match c.check {
                Check::IcePoint { reading_c } => {
                    (&c.sensor, "melting ice".to_owned(), Some(0.0), Some(reading_c))
                }
                Check::Bucket { litres, seconds, reading_l_per_min } => (
                    &c.sensor,
                    "bucket and watch".to_owned(),
                    Some(litres / seconds * 60.0),
                    Some(reading_l_per_min),
                ),
                Check::Reference { reference, reading } => {
                    (&c.sensor, "thermometer beside it".to_owned(), Some(reference), Some(reading))
                }
            }
        } else if let Act::ProbeMove(p) = done.act {
            (&p.sensor, p.text.clone(), None, None)
        } else {
            return None;
        };
        Some(vec![
            Cell::At(done.at),
            Cell::text(sensor.as_str()),
            Cell::text(how),
            Cell::maybe(known, 3),
            Cell::maybe(read, 3),
        ])
    });
    Table {
        name: "sensor_checks",
        title: "Sensor checks and swaps",
        about: "",
        columns: columns(&[
            ("at", "when"),
            ("sensor", "sensor"),
            ("how", "how it was checked, or what was done"),
            ("known", "what it should have read, °C or L/min"),
            ("read", "what it read"),
        ]),
        rows,
    }
}

pub(super) fn losses(material: &Material<'_>) -> Table {
    let rows = in_order(material, |done| {
        let Act::Mortality(m) = done.act else { return None };
        Some(vec![
            Cell::At(done.at),
            Cell::text(m.lot.as_str()),
            m.jar.as_ref().map_or(Cell::Empty, |jar| Cell::text(jar.as_str())),
            Cell::whole(m.number),
            Cell::text(&m.cause),
        ])
    });
    Table {
        name: "losses",
        title: "Losses",
        about: "",
        columns: columns(&[
            ("at", "when"),
            ("lot", "lot"),
            ("jar", "jar, if in one"),
            ("number", "eggs or fry found dead"),
            ("cause", "why, as far as known"),
        ]),
        rows,
    }
}

pub(super) fn left_out(material: &Material<'_>) -> Table {
    let rows = material
        .books
        .left_out()
        .iter()
        .map(|(id, why)| vec![Cell::text(&id.0), Cell::text(&why.0)])
        .collect();
    Table {
        name: "left_out",
        title: "Entries that do not fit",
        about: "They count for nothing above. Take them back, or write what is missing.",
        columns: columns(&[
            ("entry", "number of the entry"),
            ("why", "why it does not fit beside the others"),
        ]),
        rows,
    }
}
