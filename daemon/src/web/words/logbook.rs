//! The logbook: its page, and what each entry says.

use super::{agent, count, count_method, grouped, hatch_point, plain};
use crate::logbook::{Act, Check, PlannedUntil};
use crate::web::units::{Quantity, Units};
use nightjar_calc::time::Timestamp;

/// Title.
pub const TITLE: &str = "Logbook";
/// Kinds of entries as the work goes.
pub const GROUPS: [&str; 4] = ["At a jar", "Eggs come and go", "Fry", "Plan and sensors"];
/// The entries.
pub const ENTRIES: &str = "Entries";
/// Only those of a jar.
pub const OF_JAR: &str = "Entries of jar {jar}";
/// The next page.
pub const OLDER: &str = "Older entries";
/// None.
pub const NONE: &str = "No entries.";
/// The forms.
pub const NEW: &str = "New entry";
/// Opens the kinds.
pub const KINDS: &str = "Kinds";
/// The same when a form is open.
pub const ANOTHER: &str = "Another kind";
/// What they are, for those who listen.
pub const ALL_KINDS: &str = "Kinds of entries";
/// The filter.
pub const JAR: &str = "Jar";
/// Of which kind.
pub const KIND: &str = "Kind";
/// No filter.
pub const ALL: &str = "all";
/// Does it.
pub const SHOW: &str = "Show";
/// It is in the logbook.
pub const SAVED: &str = "Saved.";
/// When and by whom.
pub const MADE: &str = "{when} by {who}";
/// Written later than it happened.
pub const WRITTEN: &str = ", written {ago}";
/// No longer counts.
pub const VOIDED: &str = "Taken back by {who} {ago}: {why}";
/// Opens the form.
pub const TAKE_BACK: &str = "Take back";
/// A reason.
pub const WHY: &str = "Why";
/// Does it.
pub const TAKE_IT_BACK: &str = "Take it back";

/// What was done; `moment` says a day with its time.
pub fn sentence(act: &Act, units: Units, moment: &dyn Fn(Timestamp) -> String) -> String {
    let temp = |t: f64| units.text(Quantity::Temperature, t);
    let flow = |f: f64| units.text(Quantity::Flow, f);
    let litres = |v: f64| units.text(Quantity::Litres, v);
    let of_jar =
        |jar: &Option<crate::ids::JarId>| jar.as_ref().map_or_else(String::new, |j| format!(", jar {j}"));
    match act {
        Act::Take(t) => {
            let volume = t.volume_l.map_or_else(String::new, |v| format!(", {}", litres(v)));
            let count = t.count.as_ref().map_or_else(String::new, |c| format!(", {}", count_method(c)));
            format!(
                "{}: {} from {}, {} females, {} males, fertilized {}{volume}{count}",
                t.take,
                t.species.replace('_', " "),
                t.water,
                t.females,
                t.males,
                moment(t.fertilized_at)
            )
        }
        Act::Lot(l) => {
            let takes: Vec<&str> = l.takes.iter().map(crate::ids::TakeId::as_str).collect();
            format!("{} from takes {}", l.lot, takes.join(", "))
        }
        Act::Load(l) => {
            let eggs = l.eggs.map_or_else(String::new, |e| format!(", {} eggs", grouped(e)));
            format!("jar {} with lot {}: {}{eggs}", l.jar, l.lot, litres(l.volume_l))
        }
        Act::Move(m) => format!("all of jar {} into {}", m.from, m.to),
        Act::Split(s) => format!("{} % of jar {} into {}", plain(s.share * 100.0), s.from, s.to),
        Act::Pool(p) => format!("jar {} added to {}", p.from, p.into),
        Act::Empty(e) => {
            format!(
                "jar {}{}",
                e.jar,
                if e.reason.is_empty() { String::new() } else { format!(": {}", e.reason) }
            )
        }
        Act::FlowSetPoint(f) => format!("jar {} at {}", f.jar, flow(f.flow_l_per_min)),
        Act::HandReading(h) => {
            let parts = [h.temp_c.map(temp), h.flow_l_per_min.map(flow)];
            let parts: Vec<String> = parts.into_iter().flatten().collect();
            format!("jar {}: {}", h.jar, parts.join(", "))
        }
        Act::Siphon(s) => {
            format!(
                "jar {}: {}, {} % dead",
                s.jar,
                units.text(Quantity::Millilitres, s.volume_ml),
                plain(s.dead_share * 100.0)
            )
        }
        Act::Treatment(t) => {
            let (name, unit) = agent(t.agent);
            format!(
                "jar {}: {name} {} {unit} for {} min into {}, {} mL used",
                t.jar,
                plain(t.concentration),
                plain(t.minutes),
                flow(t.flow_l_per_min),
                plain(t.volume_ml)
            )
        }
        Act::TreatmentPlan(p) => {
            let (name, unit) = agent(p.agent);
            if p.until == PlannedUntil::Never {
                format!("{}: none", p.species)
            } else {
                format!(
                    "{}: {name} {} {unit} for {} min every {} h",
                    p.species,
                    plain(p.concentration),
                    plain(p.minutes),
                    plain(p.every_h)
                )
            }
        }
        Act::FertilizationSample(s) => {
            let hits: u64 = s.dips.iter().map(|d| u64::from(d.fertilized)).sum();
            let of: u64 = s.dips.iter().map(|d| u64::from(d.of)).sum();
            format!("take {}: {hits} of {of} fertilized in {}", s.take, count(s.dips.len(), "dip"))
        }
        Act::EyeUpSample(s) => {
            let eyed: u64 = s.dips.iter().map(|d| u64::from(d.eyed)).sum();
            let of: u64 = s.dips.iter().map(|d| u64::from(d.of)).sum();
            format!("jar {}: {eyed} of {of} eyed in {}", s.jar, count(s.dips.len(), "dip"))
        }
        Act::HatchSeen(h) => format!("jar {}: {}", h.jar, hatch_point(h.point)),
        Act::FryCount(f) => {
            format!(
                "lot {}{}: {} of {} mL, tank {}",
                f.lot,
                of_jar(&f.jar),
                count(f.counts.len(), "sub-sample"),
                plain(f.sample_ml),
                litres(f.tank_l)
            )
        }
        Act::Held(h) => format!("lot {}: {} fry {}", h.lot, grouped(h.fry), h.note),
        Act::Stocked(s) => {
            let temps = match (s.truck_temp_c, s.water_temp_c) {
                (Some(a), Some(b)) => format!(", truck {}, water {}", temp(a), temp(b)),
                (Some(a), None) => format!(", truck {}", temp(a)),
                (None, Some(b)) => format!(", water {}", temp(b)),
                (None, None) => String::new(),
            };
            format!("lot {}: {} fry into {}{temps}", s.lot, grouped(s.fry), s.water)
        }
        Act::Mortality(m) => {
            format!("lot {}{}: {}, {}", m.lot, of_jar(&m.jar), grouped(m.number), m.cause)
        }
        Act::Note(n) => {
            format!("{}{}", n.jar.as_ref().map_or_else(String::new, |j| format!("jar {j}: ")), n.text)
        }
        Act::Calibration(c) => match c.check {
            Check::IcePoint { reading_c } => {
                format!("{}: {} °C in melting ice", c.sensor, plain(reading_c))
            }
            Check::Bucket { litres, seconds, reading_l_per_min } => format!(
                "{}: {} L in {} s while it said {} L/min",
                c.sensor,
                plain(litres),
                plain(seconds),
                plain(reading_l_per_min)
            ),
            Check::Reference { reference, reading } => {
                format!("{}: said {} beside {}", c.sensor, plain(reading), plain(reference))
            }
        },
        Act::ProbeMove(p) => format!("{}: {}", p.sensor, p.text),
        Act::Void(v) => {
            let instead = v
                .instead
                .as_deref()
                .map_or_else(String::new, |act| format!("; instead: {}", sentence(act, units, moment)));
            format!("entry {}: {}{instead}", v.entry.0, v.reason)
        }
    }
}
