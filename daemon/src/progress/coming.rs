//! Which of the coming days need people, tank and truck, over all lots in jars.

use crate::snapshot::{JarView, ProgressView, StageView};
use nightjar_calc::plan::{DayNeeds, Habits, LotDates, Window, calendar};
use nightjar_calc::time::{Timestamp, Zone};
use std::collections::BTreeMap;

/// The days that need something, from the dates of each lot.
#[must_use]
pub fn coming_days(jars: &[JarView], zone: Zone, habits: &Habits) -> Vec<DayNeeds> {
    calendar(&hatch_of_lots(jars), zone, habits)
}

/// Start and end of the hatch of each lot. A lot in several jars spans from the earliest of them to the latest; one
/// whose dates are not known (water too cold for it to hatch at all) is left out.
#[must_use]
pub fn hatch_of_lots(jars: &[JarView]) -> Vec<LotDates> {
    let mut lots: BTreeMap<&str, LotDates> = BTreeMap::new();
    for jar in jars {
        let (Some(lot), Some(progress)) = (&jar.lot, &jar.progress) else { continue };
        let (Some(start), Some(end)) = (window(progress, "hatch_start"), window(progress, "hatch_end"))
        else {
            continue;
        };
        lots.entry(lot)
            .and_modify(|known| {
                known.start = both(known.start, start, Timestamp::min);
                known.end = both(known.end, end, Timestamp::max);
            })
            .or_insert_with(|| LotDates { lot: lot.clone(), start, end });
    }
    lots.into_values().collect()
}

fn window(progress: &ProgressView, stage: &str) -> Option<Window> {
    let StageView { at, earliest, likely, latest, .. } =
        progress.stages.iter().find(|view| view.stage == stage)?;
    let likely = at.or(*likely)?;
    if at.is_some() {
        return Some(Window { earliest: likely, likely, latest: likely });
    }
    Some(Window { earliest: earliest.unwrap_or(likely), likely, latest: latest.unwrap_or(likely) })
}

/// One window around two: a lot begins with its first jar and has ended with its last.
fn both(a: Window, b: Window, likely: fn(Timestamp, Timestamp) -> Timestamp) -> Window {
    Window {
        earliest: a.earliest.min(b.earliest),
        likely: likely(a.likely, b.likely),
        latest: a.latest.max(b.latest),
    }
}
