//! The outlooks of this lot in this jar against what happened.

use crate::rack::Jar;
use crate::snapshot::JarView;
use crate::web::foreseen;
use crate::web::view::View;
use maud::{Markup, html};

/// Nothing while there is no row of outlooks.
pub fn section(view: &View, jar: &Jar, now: Option<&JarView>) -> Markup {
    let lot = now.and_then(|n| n.lot.as_deref());
    let all = &view.snap.season_outlooks;
    let followed = all.iter().rev().find(|f| f.jar == jar.id.as_str() && Some(f.lot.as_str()) == lot);
    let Some(drawn) = followed.and_then(|followed| foreseen::draw(followed, view.zone())) else {
        return html! {};
    };
    html! {
        section aria-labelledby="h-foreseen" {
            h2 #h-foreseen { "Foreseen, and what happened" }
            figure.grown {
                (drawn)
                p.small { "To the right: the day of the outlook, one a day. Upward: the day it named, with its interval. Level line: when it came, dashed when only the sum says so. " a href="/days#track" { "How good outlooks were" } }
            }
        }
    }
}
