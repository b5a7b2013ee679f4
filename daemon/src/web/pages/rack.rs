//! The first page: is everything well, what needs me, what comes next, and the rack as it stands.

use crate::alarm::event::Priority;
use crate::rack::{Jar, JarIx};
use crate::snapshot::{AlarmView, JarState, JarView, Snapshot};
use crate::web::answer::{self, Mood};
use crate::web::components::{self, next_stage, say, sign, small_sign};
use crate::web::events::{self, Watched};
use crate::web::units::Quantity;
use crate::web::view::View;
use crate::web::words::{self, first};
use maud::{Markup, PreEscaped, html};

/// Most lines under "needs you" and "comes next".
const SHORT_LIST: usize = 5;

/// The page.
pub async fn show(view: View) -> Markup {
    let body = html! {
        div data-live="/live?view=rack" data-have=(events::version_of(&view, &Watched::Rack)) {
            div #answer { (answer_line(&view)) }
            div.two {
                section aria-labelledby="h-needs" { h2 #h-needs { (first::NEEDS) } div #needs { (needs(&view)) } }
                section aria-labelledby="h-next" { h2 #h-next { (first::NEXT) } div #next { (next(&view)) } }
            }
            section aria-labelledby="h-rack" {
                h2 #h-rack { (first::RACK) }
                @for (row, jars) in rows(&view) {
                    (shelf(&view, row, &jars))
                }
            }
        }
    };
    components::page(&view, first::TITLE, &body)
}

/// The first line.
pub fn answer_line(view: &View) -> Markup {
    let answer = answer::answer(view.rack(), &view.snap, view.now);
    let (class, mark) = match answer.mood {
        Mood::Well => ("well", small_sign("well")),
        Mood::Watched => ("watched", small_sign("pause")),
        Mood::Blind => ("blind", small_sign("unknown")),
        Mood::Needed(priority) => (
            match priority {
                Priority::P1 => "p1",
                Priority::P2 => "p2",
                Priority::P3 => "p3",
            },
            sign(priority),
        ),
    };
    html! {
        div.answer.(class) {
            (mark)
            div {
                h1 { (answer.line) }
                @if !answer.beside.is_empty() { p { (answer.beside.join(" · ")) } }
                p.told {
                    @match &view.snap.last_told {
                        Some((at, what)) => { (say(first::LAST_TOLD, &[("when", view.moment(*at)), ("what", html! { (what) })])) }
                        None => (first::NOBODY_TOLD)
                    }
                }
            }
        }
    }
}

/// What waits for a person.
pub fn needs(view: &View) -> Markup {
    let needs = answer::needs(view.rack(), &view.snap, view.now);
    html! {
        @if needs.is_empty() { p.quiet { (first::NO_NEEDS) } }
        @else {
            ul.list {
                @for need in needs.iter().take(SHORT_LIST) { li { a href=(need.path) { @if let Some(priority) = need.priority { (sign(priority)) " " } (need.what) } } }
                @if needs.len() > SHORT_LIST { li.quiet { (first::and_more(needs.len() - SHORT_LIST)) } }
            }
        }
    }
}

/// What comes next.
pub fn next(view: &View) -> Markup {
    let coming = answer::coming(view.rack(), &view.snap, false);
    html! {
        @if coming.is_empty() {
            p.quiet { (first::NO_DATES) }
            @if components::can_enter(view) { p { a.button href="/load" { (first::LOAD) } } }
        }
        @else {
            ul.list {
                @for item in coming.iter().take(SHORT_LIST) {
                    li { a href="/days" {
                        (say(first::COMING, &[
                            ("day", html! { b { (words::day(view.zone(), view.now.utc, item.likely)) } }),
                            ("stage", html! { (words::stage(item.stage)) }),
                            ("lot", html! { span.nb { (item.lot) } }),
                        ]))
                        @if let Some(spread) = words::spread(view.zone(), item.between) {
                            span.quiet { " (" (spread) ")" }
                        }
                    } }
                }
            }
        }
    }
}

type Cell<'a> = (JarIx, &'a Jar, Option<&'a JarView>);

/// Jars by shelf, as they stand.
fn rows(view: &View) -> Vec<(u16, Vec<Cell<'_>>)> {
    let mut rows: Vec<(u16, Vec<Cell<'_>>)> = Vec::new();
    for cell in view.jars() {
        match rows.iter_mut().find(|(row, _)| *row == cell.1.row) {
            Some((_, cells)) => cells.push(cell),
            None => rows.push((cell.1.row, vec![cell])),
        }
    }
    rows.sort_by_key(|(row, _)| *row);
    for (_, cells) in &mut rows {
        cells.sort_by_key(|(_, jar, _)| jar.place);
    }
    rows
}

fn shelf(view: &View, row: u16, cells: &[Cell<'_>]) -> Markup {
    let mut headers: Vec<&str> = cells
        .iter()
        .filter_map(|(_, jar, _)| view.rack().headers.get(usize::from(jar.header.0)))
        .map(|header| header.id.as_str())
        .collect();
    headers.dedup();
    let heading = first::shelf(row + 1, &headers.join(", "));
    html! {
        div.shelf role="group" aria-label=(heading) {
            p.shelf-name aria-hidden="true" { (heading) @for header in &headers { (header_words(view, header)) } }
            ol.cells.(format!("n{}", cells.len().min(12))) {
                @for (ix, jar, now) in cells {
                    li id=(format!("c{}", ix.0)) { (cell(view, *ix, jar, *now)) }
                }
            }
        }
    }
}

fn header_words(view: &View, id: &str) -> Markup {
    let at = view.rack().headers.iter().position(|h| h.id.as_str() == id);
    let Some((at, now)) = at.and_then(|at| view.snap.headers.get(at).map(|now| (at, now))) else {
        return html! {};
    };
    html! {
        span #(format!("h{at}")) {
            @if now.temperature.is_some() { " · " (view.reading(now.temperature.as_ref(), Quantity::Temperature)) }
            @if now.flow.is_some() { " · " (view.reading(now.flow.as_ref(), Quantity::Flow)) }
        }
    }
}

/// The most urgent mark of a jar.
fn mark_of<'a>(view: &'a View, jar: &JarView) -> Option<&'a AlarmView> {
    view.snap
        .alarms
        .iter()
        .filter(|a| jar.alarms.contains(&a.event))
        .min_by_key(|a| (a.suppressed.is_some(), a.acknowledged.is_some(), a.priority))
}

/// One jar in the rack.
pub fn cell(view: &View, ix: JarIx, jar: &Jar, now: Option<&JarView>) -> Markup {
    cell_of(view, jar, now, &now.map_or_else(Vec::new, |now| facts(view, ix, now)))
}

/// What changes often in the cell of a jar: thermal units, temperature, flow, as far as there are any.
fn facts(view: &View, ix: JarIx, now: &JarView) -> Vec<Piece> {
    let mut facts = Vec::new();
    if let Some(progress) = &now.progress {
        facts.push(Piece::leaf(&format!("u{}", ix.0), thermal_units(progress.c_days)));
    }
    if now.state != JarState::Empty || now.temperature.is_some() {
        facts.push(Piece::leaf(&format!("t{}", ix.0), components::temperature(view, now)));
        let bar = components::flow_bar(now.flow.map(|f| f.value), now.set_flow);
        facts.push(Piece::leaf(&format!("f{}", ix.0), html! { (components::flow(view, now)) (bar) }));
    }
    facts
}

/// The style of a fact, by the first letter of its id.
fn class_of(fact: &Piece) -> &'static str {
    match fact.id.as_bytes() {
        [b'u', ..] => "tu",
        [b't', ..] => "t",
        _ => "f",
    }
}

fn cell_of(view: &View, jar: &Jar, now: Option<&JarView>, facts: &[Piece]) -> Markup {
    let Some(now) = now else {
        return html! {
            a.cell.unknown href=(format!("/jar/{}", jar.id)) { b { (jar.id) } (small_sign("unknown")) span { (first::UNKNOWN) } }
        };
    };
    let mark = mark_of(view, now);
    let class = match mark {
        Some(a) if a.suppressed.is_some() => "paused",
        Some(a) if a.acknowledged.is_some() => "known",
        Some(a) => match a.priority {
            Priority::P1 => "p1",
            Priority::P2 => "p2",
            Priority::P3 => "p3",
        },
        None => "calm",
    };
    let development = now.progress.as_ref().map(|p| p.development);
    html! {
        a.cell.(class).empty[now.state == JarState::Empty] href=(format!("/jar/{}", jar.id)) {
            span.id { b { (jar.id) } @if let Some(mark) = mark { (mark_sign(mark)) } }
            (components::jar_drawing(now.state, development))
            span.facts {
                span.state { (words::jar_state(now.state)) }
                @for fact in facts {
                    span.(class_of(fact)) id=(fact.id) { (PreEscaped(&fact.html)) }
                }
                @if let Some(stage) = now.progress.as_deref().and_then(next_stage) && let Some(likely) = stage.likely {
                    span.due { (words::stage(stage.stage)) " " (words::near_day(view.zone(), view.now.utc, likely)) }
                }
                @if let Some(mark) = mark { span.why { (mark_words(view, mark)) } }
            }
        }
    }
}

/// Thermal units in both scales, always with their unit.
fn thermal_units(c_days: f64) -> Markup {
    html! { (format!("{c_days:.1}\u{202f}°C·d")) " " span.also { (format!("{:.0}\u{202f}°F\u{202f}TU", c_days * 1.8)) } }
}

fn mark_sign(alarm: &AlarmView) -> Markup {
    if alarm.suppressed.is_some() { small_sign("pause") } else { sign(alarm.priority) }
}

fn mark_words(view: &View, alarm: &AlarmView) -> Markup {
    html! {
        (words::priority(alarm.priority).0) " " (words::alarm_short(alarm.kind))
        @if let Some((why, until)) = &alarm.suppressed {
            ", " (why) @if let Some(until) = until { (say(first::UNTIL, &[("time", html! { (words::time(view.zone(), *until)) })])) }
        } @else if let Some((who, _)) = &alarm.acknowledged { (say(first::KNOWS, &[("who", html! { (who) })])) }
        @else if !alarm.on { (first::MARK_CLEARED) }
    }
}

/// Pieces of the page that change by themselves: id and content. Cells that look as an earlier picture had them
/// are left out: of a large rack few change in a second.
pub fn fragments(view: &View, since: Option<&Snapshot>) -> Vec<Piece> {
    let mut pieces = vec![
        Piece::leaf("answer", answer_line(view)),
        Piece::leaf("needs", needs(view)),
        Piece::leaf("next", next(view)),
    ];
    for (at, now) in view.snap.headers.iter().enumerate() {
        if let Some(header) = view.rack().headers.get(at)
            && (now.temperature.is_some() || now.flow.is_some())
        {
            let whole = header_words(view, header.id.as_str()).into_string();
            pieces.push(Piece { id: format!("h{at}"), html: inner(&whole), holds: Vec::new() });
        }
    }
    for (ix, jar, now) in view.jars() {
        let before = since.and_then(|since| Some((since, since.jars.get(usize::from(ix.0))?)));
        if let (Some((since, before)), Some(now)) = (before, now)
            && same_frame(view, now, since, before)
        {
            if !(same_temperature(view, now, before) && same_flow(view, now, before)) {
                pieces.extend(facts(view, ix, now));
            }
            continue;
        }
        let holds = now.map_or_else(Vec::new, |now| facts(view, ix, now));
        pieces.push(Piece {
            id: format!("c{}", ix.0),
            html: cell_of(view, jar, now, &holds).into_string(),
            holds,
        });
    }
    pieces
}

/// Whether the cell of a jar looks as an earlier picture had it, but for what it measures.
fn same_frame(view: &View, now: &JarView, since: &Snapshot, before: &JarView) -> bool {
    let unmarked = now.alarms.is_empty() && before.alarms.is_empty();
    now.state == before.state
        && now.temperature.is_some() == before.temperature.is_some()
        && now.progress == before.progress
        && (unmarked || (now.alarms == before.alarms && view.snap.alarms == since.alarms))
}

fn same_temperature(view: &View, now: &JarView, before: &JarView) -> bool {
    now.temperature_borrowed == before.temperature_borrowed
        && view.reads_alike(now.temperature.as_ref(), before.temperature.as_ref(), Quantity::Temperature)
}

fn same_flow(view: &View, now: &JarView, before: &JarView) -> bool {
    let bar = |jar: &JarView| components::flow_share(jar.flow.map(|f| f.value), jar.set_flow);
    now.set_flow == before.set_flow
        && bar(now) == bar(before)
        && view.reads_alike(now.flow.as_ref(), before.flow.as_ref(), Quantity::Flow)
}

/// A piece of a page, and smaller pieces inside it that may change alone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    /// Its id on the page.
    pub id: String,
    /// What is inside that element.
    pub html: String,
    /// Smaller pieces inside.
    pub holds: Vec<Piece>,
}

impl Piece {
    /// A piece without smaller ones.
    pub fn leaf(id: &str, html: Markup) -> Self {
        Self { id: id.to_owned(), html: html.into_string(), holds: Vec::new() }
    }

    /// What stays when the smaller pieces are taken out, which are in the order in which they stand:
    /// equal frames need no new piece.
    pub fn frame(&self) -> String {
        let mut frame = String::with_capacity(self.html.len());
        let mut rest = self.html.as_str();
        for piece in &self.holds {
            let Some((before, after)) = rest.split_once(&piece.html) else { continue };
            frame.push_str(before);
            rest = after;
        }
        frame.push_str(rest);
        frame
    }
}

/// What is inside the outermost element.
fn inner(html: &str) -> String {
    match (html.find('>'), html.rfind("</")) {
        (Some(a), Some(b)) if a < b => html[a + 1..b].to_owned(),
        _ => html.to_owned(),
    }
}
