//! What sightings at this station taught about the species of a jar: before, after, and how to undo it.

use crate::snapshot::{JarView, LearningView};
use crate::web::components::say;
use crate::web::view::View;
use crate::web::words::{self, jar::learnt as said};
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
            h2 #h-learnt { (said::TITLE) }
            p {
                (say(said::FROM, &[
                    ("species", html! { (learnt.name) }),
                    ("sightings", html! { (said::sightings(learnt.sightings_used)) }),
                    ("sums", html! { (sums(learnt)) }),
                ]))
                @if !learnt.in_use { " " b { (said::NOT_IN_USE) } }
            }
            details { summary { (said::SEEN) }
                ul.plain-list { @for s in learnt.sightings.iter().rev().take(LISTED) {
                    li {
                        (say(said::SIGHTING, &[
                            ("day", html! { (words::date(view.zone(), s.at)) }),
                            ("stage", html! { (words::stage(s.stage)) }),
                            ("lot", html! { span.nb { (s.lot) } }),
                        ]))
                        @if let Some(multiple) = s.multiple { (said::against_the_table(100.0 * (multiple - 1.0))) }
                        @if s.doubtful { " " b { (said::DOUBTFUL) } }
                    }
                } }
                p.small { (say(said::SPREAD, &[
                    ("before", html! { (percent(learnt.spread_before)) }),
                    ("after", html! { (percent(learnt.spread_after)) }),
                    ("window", html! { (format!("{:.2}", learnt.window_after)) }),
                    ("undo", html! { (said::UNDO) }),
                ])) }
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
        Some((before, after)) => said::sum(before, after, change),
        None => said::development(change),
    }
}
