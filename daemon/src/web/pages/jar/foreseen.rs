//! The outlooks of this lot in this jar against what happened.

use crate::rack::Jar;
use crate::snapshot::JarView;
use crate::web::components::say;
use crate::web::foreseen;
use crate::web::view::View;
use crate::web::words::{days, jar::foreseen as said};
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
            h2 #h-foreseen { (said::TITLE) }
            figure.grown {
                (drawn)
                p.small { (say(said::READ, &[("link", html! { a href="/days#track" { (days::track::TITLE) } })])) }
            }
        }
    }
}
