//! What sightings at this station taught about the species of a jar: before, after, and how to undo it.

use crate::snapshot::{JarView, LearningView};
use crate::web::api::UNDO;
use crate::web::view::View;
use crate::web::words;
use maud::{Markup, html};

/// Sightings listed, the newest first.
const LISTED: usize = 12;

/// Nothing while nothing was seen of this species.
pub fn section(view: &View, now: Option<&JarView>) -> Markup {
    let species = now.and_then(|n| n.species.as_deref());
    let Some(learnt) = species.and_then(|key| view.snap.learning.iter().find(|l| l.species == key)) else {
        return html! {};
    };
    html! {
        section aria-labelledby="h-learnt" {
            h2 #h-learnt { "Learnt at this station" }
            p {
                (learnt.name) ", from " (words::count(learnt.sightings_used, "sighting")) ": "
                (sums(learnt)) "."
                @if !learnt.in_use { " " b { "Not in use: learning is turned off." } }
            }
            details { summary { "What was seen, and how to undo it" }
                ul.plain-list { @for s in learnt.sightings.iter().rev().take(LISTED) {
                    li {
                        (words::date(view.zone(), s.at)) ": " (words::stage(s.stage)) " of lot " span.nb { (s.lot) }
                        @if let Some(multiple) = s.multiple { ", " (format!("{:+.0} %", 100.0 * (multiple - 1.0))) " against the table" }
                        @if s.doubtful { " " b { "doubtful, counts for little" } }
                    }
                } }
                p.small { "Spread between lots (one standard deviation): " (percent(learnt.spread_before)) " by the table, " (percent(learnt.spread_after)) " now; the hatch window is " (format!("{:.2}", learnt.window_after)) " times the table's. " (UNDO) }
            }
        }
    }
}

fn percent(share: f64) -> String {
    format!("{:.1} %", 100.0 * share)
}

fn sums(learnt: &LearningView) -> String {
    let change = 100.0 * (learnt.factor_after / learnt.factor_before - 1.0);
    match learnt.hatch_c_days {
        Some((before, after)) => {
            format!(
                "the sum to hatch was {before:.0} °C·d by the table and is {after:.0} °C·d now ({change:+.1} %)"
            )
        }
        None => format!("development to hatch takes {change:+.1} % against the table"),
    }
}
