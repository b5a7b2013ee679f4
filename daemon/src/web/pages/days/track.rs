//! How good outlooks were: in past springs, and this season so far.

use crate::progress::followed::{Followed, SeasonScore, scores};
use crate::web::components::say;
use crate::web::view::View;
use crate::web::words::{self, days::track as said};
use maud::{Markup, html};
use nightjar_calc::outlook::TrackRecord;

/// Lots listed with their own outlooks, at most.
const LISTED: usize = 24;

/// Both, or a word why there is nothing to compare.
pub fn section(view: &View) -> Markup {
    let season = scores(&view.snap.season_outlooks);
    html! {
        section #track aria-labelledby="h-track" {
            h2 #h-track { (said::TITLE) }
            @match &view.snap.past_outlooks {
                Some(record) => (past(record)),
                None => p.quiet { (say(said::NO_PAST, &[("command", html! { code { "nightjar import" } })])) },
            }
            @if season.is_empty() { p.quiet { (said::NO_SEASON) } }
            @else { (this_season(view, &season)) }
        }
    }
}

fn past(record: &TrackRecord) -> Markup {
    html! {
        p { (said::past(record.seasons)) }
        table.needs {
            thead { tr { @for name in said::COLUMNS { th scope="col" { (name) } } } }
            tbody { @for s in &record.scores {
                tr {
                    th scope="row" { (said::of_the_sum(100.0 * s.share)) }
                    td.n { (days(s.mean_absolute_error_days)) }
                    td.n { (late(s.bias_days)) }
                    td { (said::held(100.0 * s.coverage, s.cases)) }
                }
            } }
        }
        p.small { (said::PROMISE) }
    }
}

fn days(days: f64) -> String {
    format!("{days:.1}\u{202f}d")
}

/// Days late, or early with a minus; what rounds to nothing has no sign.
fn late(days: f64) -> String {
    let tenths = (days * 10.0).round();
    let sign = if tenths > 0.0 {
        "+"
    } else if tenths < 0.0 {
        "−"
    } else {
        ""
    };
    format!("{sign}{:.1}\u{202f}d", tenths.abs() / 10.0)
}

fn this_season(view: &View, season: &[SeasonScore]) -> Markup {
    let came = view.snap.season_outlooks.iter().filter(|f| f.pairs().next().is_some());
    html! {
        p { (said::SEASON) }
        table.needs {
            thead { tr { @for name in said::COLUMNS { th scope="col" { (name) } } } }
            tbody { @for s in season {
                tr {
                    th scope="row" { (said::from_on(100.0 * s.from)) }
                    td.n { (days(s.mean_absolute_error_days)) }
                    td.n { (late(s.bias_days)) }
                    td { (said::held(100.0 * s.coverage, s.cases)) @if s.seen < s.cases { span.quiet { (said::seen(s.seen)) } } }
                }
            } }
        }
        details { summary { (said::LOTS) }
            ul.plain-list { @for followed in came.take(LISTED) { (lot(view, followed)) } }
        }
    }
}

/// The first and the last outlook before each stage that came.
fn lot(view: &View, followed: &Followed) -> Markup {
    let zone = view.zone();
    html! {
        @for (stage, happened) in &followed.happened {
            @let said: Vec<_> = followed.pairs().filter(|(_, f, _)| f.stage == *stage).collect();
            @if let (Some((first, early, _)), Some((last, late, _))) = (said.first(), said.last()) {
                li {
                    (say(said::LOT, &[
                        ("lot", html! { span.nb { (followed.lot) } }),
                        ("jar", html! { (followed.jar) }),
                        ("stage", html! { (words::stage(stage)) }),
                        ("came", html! { b { (words::date(zone, happened.at)) } @if !happened.seen { span.quiet { (said::BY_SUM) } } }),
                        ("early", html! { (words::date(zone, early.likely)) }),
                        ("first", html! { (words::date(zone, first.at)) }),
                        ("late", html! { (words::date(zone, late.likely)) }),
                        ("last", html! { (words::date(zone, last.at)) }),
                    ]))
                }
            }
        }
    }
}
