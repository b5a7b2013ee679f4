//! How good outlooks were: in past springs, and this season so far.

use crate::progress::followed::{Followed, SeasonScore, scores};
use crate::web::view::View;
use crate::web::words;
use maud::{Markup, html};
use nightjar_calc::outlook::TrackRecord;

/// Lots listed with their own outlooks, at most.
const LISTED: usize = 24;

/// Both, or a word why there is nothing to compare.
pub fn section(view: &View) -> Markup {
    let season = scores(&view.snap.season_outlooks);
    html! {
        section #track aria-labelledby="h-track" {
            h2 #h-track { "How good outlooks were" }
            @match &view.snap.past_outlooks {
                Some(record) => (past(record)),
                None => p.quiet { "Past springs: nothing to compare yet; two springs of this water are needed (" code { "nightjar import" } ")." },
            }
            @if season.is_empty() { p.quiet { "This season: no stage that was foreseen has come yet." } }
            @else { (this_season(view, &season)) }
        }
    }
}

fn past(record: &TrackRecord) -> Markup {
    html! {
        p { "Past springs: each of " (record.seasons) " springs forecast from the others, as if issued then." }
        table.needs {
            thead { tr { th scope="col" { "Issued at" } th scope="col" { "Off by" } th scope="col" { "Late by" } th scope="col" { "In the interval" } } }
            tbody { @for s in &record.scores {
                tr {
                    th scope="row" { (format!("{:.0} % of the sum", 100.0 * s.share)) }
                    td.n { (days(s.mean_absolute_error_days)) }
                    td.n { (late(s.bias_days)) }
                    td { (format!("{:.0} % of {}", 100.0 * s.coverage, s.cases)) }
                }
            } }
        }
        p.small { "The intervals are meant to hold 80 %." }
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
        p { "This season: one outlook a day for each jar, against what happened since." }
        table.needs {
            thead { tr { th scope="col" { "Issued at" } th scope="col" { "Off by" } th scope="col" { "Late by" } th scope="col" { "In the interval" } } }
            tbody { @for s in season {
                tr {
                    th scope="row" { (format!("from {:.0} % on", 100.0 * s.from)) }
                    td.n { (days(s.mean_absolute_error_days)) }
                    td.n { (late(s.bias_days)) }
                    td { (format!("{:.0} % of {}", 100.0 * s.coverage, s.cases)) @if s.seen < s.cases { span.quiet { ", " (s.seen) " seen by people" } } }
                }
            } }
        }
        details { summary { "Lot by lot" }
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
                    "Lot " span.nb { (followed.lot) } ", jar " (followed.jar) ": " (words::stage(stage)) " "
                    b { (words::date(zone, happened.at)) } @if !happened.seen { span.quiet { " by the sum" } }
                    "; foreseen for " (words::date(zone, early.likely)) " on " (words::date(zone, first.at))
                    ", for " (words::date(zone, late.likely)) " on " (words::date(zone, last.at)) "."
                }
            }
        }
    }
}
