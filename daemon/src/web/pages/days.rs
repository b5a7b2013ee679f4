//! Coming days: when lots will be eyed and hatch, against the tank, the truck and the people that
//! are needed, the last day to treat, and a planner for the day of hatch.

mod calendar;
mod planner;
mod track;

use crate::progress::coming::hatch_of_lots;
use crate::web::answer::{self, Coming};
use crate::web::components::{self, say};
use crate::web::view::View;
use crate::web::words::{self, days as said, first};
use axum::extract::Query;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightjar_calc::plan::LotDates;
use nightjar_calc::time::{Span, Timestamp};
use nightjar_calc::treatment::STOP_BEFORE_HATCH_H;
use std::collections::BTreeMap;

/// The page.
pub async fn show(view: View, Query(query): Query<BTreeMap<String, String>>) -> Response {
    let coming = answer::coming(view.rack(), &view.snap, true);
    let lots = lots(&view, &coming);
    let body = html! {
        h1 { (said::TITLE) }
        @if lots.is_empty() { p.quiet { (first::NO_DATES) } }
        @else {
            (calendar::draw(&view, &lots))
            section aria-labelledby="h-lots" { h2 #h-lots { (said::LOTS) } div.lots { @for lot in &lots { (lot_card(&view, lot)) } } }
            (calendar::needs(&view, &lots))
            (planner::section(&view, &lots, &query))
            (care(&view))
        }
        (track::section(&view))
    };
    components::page(&view, said::TITLE, &body).into_response()
}

/// A lot in jars, with what is known about its hatch.
pub struct Lot {
    /// Its name.
    pub name: String,
    /// Species key.
    pub species: String,
    /// Jars it is in.
    pub jars: Vec<String>,
    /// Stages that have not come.
    pub coming: Vec<Coming>,
    /// Start and end of hatch, when both can be said.
    pub dates: Option<LotDates>,
    /// Development by now, 1 at the median hatch: of the jar that is furthest.
    pub development: f64,
    /// Water now, °C.
    pub water_c: Option<f64>,
    /// Confidence of its dates.
    pub confidence: String,
}

impl Lot {
    /// Last moment of a treatment: a day before the earliest hatch. `None` once hatch has begun.
    pub fn last_treatment(&self) -> Option<Timestamp> {
        let start = self.coming.iter().find(|c| c.stage == "hatch_start")?;
        let earliest = start.between.map_or(start.likely, |(a, _)| a);
        Some(earliest - Span::from_days(STOP_BEFORE_HATCH_H / 24.0))
    }
}

fn lots(view: &View, coming: &[Coming]) -> Vec<Lot> {
    let mut lots: Vec<Lot> = Vec::new();
    let hatch = hatch_of_lots(&view.snap.jars);
    for (_, jar, now) in view.jars() {
        let Some((now, name, progress)) = now.and_then(|n| Some((n, n.lot.as_ref()?, n.progress.as_ref()?)))
        else {
            continue;
        };
        match lots.iter_mut().find(|l| l.name == *name) {
            Some(lot) => {
                lot.jars.push(jar.id.to_string());
                lot.development = lot.development.max(progress.development);
            }
            None => lots.push(Lot {
                name: name.clone(),
                species: now.species.clone().unwrap_or_default(),
                jars: vec![jar.id.to_string()],
                coming: coming.iter().filter(|c| c.lot == *name).cloned().collect(),
                dates: hatch.iter().find(|dates| dates.lot == *name).cloned(),
                development: progress.development,
                water_c: now.temperature.map(|t| t.value),
                confidence: progress.confidence.clone(),
            }),
        }
    }
    lots.sort_by_key(|lot| lot.coming.first().map(|c| c.likely));
    lots
}

fn lot_card(view: &View, lot: &Lot) -> Markup {
    let (zone, now) = (view.zone(), view.now.utc);
    html! {
        article.lot {
            h3 { (say(said::LOT, &[("lot", html! { span.nb { (lot.name) } })])) span.quiet { " (" (lot.species.replace(['_', '-'], " ")) ")" } }
            p.quiet { (said::jars(lot.jars.len())) ": " @for (i, jar) in lot.jars.iter().enumerate() { @if i > 0 { ", " } a href=(format!("/jar/{jar}")) { (jar) } } }
            ul.plain-list {
                @for item in &lot.coming {
                    li {
                        b { (words::day(zone, now, item.likely)) } " " (view.ago(item.likely)) ": " (words::stage(item.stage))
                        @if let Some(spread) = words::spread(zone, item.between) { span.quiet { " (" (spread) ")" } }
                        @if let Some(hint) = words::what_to_have(item.stage) { br; span.quiet { (hint) } }
                    }
                }
            }
            div.treat {
                @match lot.last_treatment() {
                    Some(last) if last > now => { (say(said::TREAT_UNTIL, &[("day", html! { b { (words::day(zone, now, last)) } }), ("time", html! { (words::time(zone, last)) })])) " " }
                    Some(_) => { b { (said::NO_MORE) } " " }
                    None => { (say(said::HATCHING, &[("no_more", html! { b { (said::NO_MORE_WITHIN) } })])) " " }
                }
                details.source { summary aria-label=(said::TREAT_WHY) { "?" }
                    p { (said::treat_source(STOP_BEFORE_HATCH_H, &lot.confidence)) }
                }
            }
        }
    }
}

fn care(view: &View) -> Markup {
    let low =
        view.snap.jars.iter().filter_map(|j| j.progress.as_ref()).filter(|p| p.confidence == "low").count();
    html! {
        @if low > 0 { p.caution { (said::low_confidence(low)) } }
        p.small { (said::PERMITS) }
    }
}
