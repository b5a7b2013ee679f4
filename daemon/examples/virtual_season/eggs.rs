//! Eggs that come and go: three groups of jars, each filled again a day after it was emptied, so that
//! most jars hold eggs on every day, and what is written down about them.

use crate::take::taken;
use anyhow::{Result, anyhow};
use nightjar::ids::{JarId, LotId, TakeId};
use nightjar::logbook::{Act, Empty, FlowSetPoint, Load, Siphon};
use nightjar_calc::time::{Span, Timestamp};

/// Jars of the rack.
pub const JARS: usize = 24;
/// L/min of every jar.
pub const FLOW: f64 = 3.0;
/// Groups of jars that are filled together.
const GROUPS: usize = 3;
/// Days between the fillings of two groups at the beginning.
const APART: f64 = 3.0;
/// Days that eggs stay in their jar, and days from one filling to the next.
const STAY: f64 = 26.0;
const CYCLE: f64 = 27.0;
/// Dead eggs are drawn off every so many days.
const SIPHON_EVERY: f64 = 6.0;

/// Name of a jar.
pub fn jar_name(jar: usize) -> String {
    format!("{:02}", jar + 1)
}

/// From when to when each filling of a jar stays, until the season ends.
pub fn stays(jar: usize, length: Span) -> Vec<(Span, Span)> {
    let first = (jar % GROUPS) as f64 * APART;
    let begin = |n: i32| Span::from_days(first + f64::from(n) * CYCLE) + Span::from_hours(1);
    (0..)
        .map(begin)
        .take_while(|from| *from < length)
        .map(|from| (from, from + Span::from_days(STAY)))
        .collect()
}

/// Whether a jar holds eggs during the whole of a stretch.
pub fn holds_eggs(jar: usize, from: Span, until: Span, length: Span) -> bool {
    stays(jar, length).iter().any(|(load, empty)| *load < from && until < *empty)
}

/// Everything that is written into the logbook, in order. `wall` says what the clock shows at a moment.
pub fn acts(length: Span, wall: impl Fn(Span) -> Timestamp) -> Result<Vec<(Span, Act)>> {
    let mut acts = Vec::new();
    for group in 0..GROUPS {
        let jars: Vec<usize> = (group..JARS).step_by(GROUPS).collect();
        for (n, (from, until)) in stays(group, length).into_iter().enumerate() {
            let name = format!("T{n}{}", ["A", "B", "C"][group]);
            let take = TakeId::new(&name).map_err(|error| anyhow!("{error}"))?;
            acts.push((from, taken(take, wall(from), Some(16.0))));
            for jar in &jars {
                let id = JarId::new(&jar_name(*jar)).map_err(|error| anyhow!("{error}"))?;
                let lot = LotId::new(&name).map_err(|error| anyhow!("{error}"))?;
                let flow = FlowSetPoint { jar: id.clone(), flow_l_per_min: FLOW };
                acts.push((from, Act::Load(Load { jar: id.clone(), lot, volume_l: 2.0, eggs: None })));
                acts.push((from, Act::FlowSetPoint(flow)));
                let mut day = 1.0;
                while day < STAY && from + Span::from_days(day) < length {
                    let siphon = Siphon { jar: id.clone(), volume_ml: 15.0, dead_share: 0.9 };
                    acts.push((from + Span::from_days(day), Act::Siphon(siphon)));
                    day += SIPHON_EVERY;
                }
                if until < length {
                    acts.push((until, Act::Empty(Empty { jar: id, reason: "hatched".to_owned() })));
                }
            }
        }
    }
    // Stable: what happens at one moment stays in the order in which it is done.
    acts.sort_by_key(|(at, _)| *at);
    Ok(acts)
}
