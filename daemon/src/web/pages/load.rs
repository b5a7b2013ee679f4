//! Loading several jars at once: the same eggs, the same volume, one form. With a fresh take the
//! form makes the take and its lot too, so that last night's eggs are in the books in one go.
//!
//! Either everything is entered or nothing stays: when an entry is refused, those of the same form
//! before it are taken back. Names follow from the form's own, so that sending twice enters once.

use crate::ids::{JarId, LotId, TakeId};
use crate::logbook::{Act, CountMethod, Entry, EntryId, Load, Lot, Take, Void};
use crate::snapshot::JarState;
use crate::web::backend::{Command, Reply};
use crate::web::change::{self, Needs, NotDone};
use crate::web::components::{self, can_enter, need_a_person};
use crate::web::forms::when::{self, Leave};
use crate::web::forms::{self, Filled, Problems};
use crate::web::pages::entry;
use crate::web::session::entry_name;
use crate::web::units::{Quantity, Units};
use crate::web::view::View;
use crate::web::words::entering::{self, problem};
use crate::web::words::load as said;
use axum::extract::{Form, Query};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightjar_calc::time::Timestamp;
use std::collections::BTreeMap;

/// Chosen instead of a lot when the eggs are new.
const FRESH: &str = "new take";
/// Jars of one form.
const MOST_JARS: usize = 48;

/// The form.
pub async fn show(view: View, Query(query): Query<BTreeMap<String, String>>) -> Response {
    let done = query.get("done").zip(query.get("parts")).map(|(id, parts)| saved(&view, id, parts));
    page(&view, done, None, &Problems::new(), StatusCode::OK)
}

fn page(
    view: &View,
    done: Option<Markup>,
    filled: Option<&Filled>,
    problems: &Problems,
    status: StatusCode,
) -> Response {
    let body = html! {
        @if let Some(done) = done { (done) }
        h1 { (said::TITLE) }
        @if can_enter(view) { (form(view, filled, problems)) }
        @else { (need_a_person()) }
    };
    (status, components::page(view, said::TITLE, &body)).into_response()
}

/// "8 jars loaded", with the way back.
fn saved(view: &View, id: &str, parts: &str) -> Markup {
    let jars = parts.split('.').filter(|part| part.starts_with('j')).count();
    html! {
        div.saved role="status" {
            p { (said::loaded(jars)) }
            @if entry::is_entry_name(id) {
                form method="post" action="/load/undo" {
                    (components::form_word(view))
                    input type="hidden" name="id" value=(entry_name());
                    input type="hidden" name="done" value=(id);
                    input type="hidden" name="parts" value=(parts);
                    button { (entering::UNDO) }
                }
            }
            a.plain href="/" { (said::TO_RACK) }
        }
    }
}

fn form(view: &View, filled: Option<&Filled>, problems: &Problems) -> Markup {
    let typed = |name: &str| filled.and_then(|f| f.get(name)).map_or("", String::as_str);
    let units = filled.and_then(|f| f.get("units")).map_or(view.units, |code| Units::parse(code));
    let lots = &view.snap.lots;
    let chosen = match typed("lot") {
        "" if lots.is_empty() => FRESH,
        other => other,
    };
    html! {
        form.entry.load method="post" action="/load" data-entry {
            (components::form_word(view))
            input type="hidden" name="id" value=(entry_name());
            input type="hidden" name="units" value=(units.code());
            @if !problems.is_empty() {
                div.problem role="alert" { p { (entering::LOOK_AGAIN) } ul { @for problem in problems.values() { li { (problem) } } } }
            }
            fieldset {
                legend { (said::WHICH) }
                @for lot in lots { label.pill { input type="radio" name="lot" value=(lot.id) required checked[chosen == lot.id]; span { (lot.id) } } }
                label.pill.fresh { input type="radio" name="lot" value=(FRESH) required checked[chosen == FRESH]; span { (said::NEW_TAKE) } }
            }
            div.new-take { (new_take(view, filled)) }
            (jars(view, filled))
            div.field {
                label for="load-volume" { (said::VOLUME) }
                div.control { input id="load-volume" name="volume" inputmode="decimal" autocomplete="off" required value=(typed("volume")); span.unit { (units.name(Quantity::Litres)) } }
            }
            (when::draw(view, "load-when", "when", said::LOADED, Leave::Now, filled))
            (components::pin_fields(view, "load"))
            button.main { (said::SAVE) }
        }
    }
}

fn new_take(view: &View, filled: Option<&Filled>) -> Markup {
    let typed = |name: &str| filled.and_then(|f| f.get(name)).map_or("", String::as_str);
    let name = match typed("name") {
        "" => proposed(view),
        other => other.to_owned(),
    };
    let number = |id: &str, name: &str, label: &str, mode: &str| {
        html! {
            div.field { label for=(id) { (label) } div.control { input id=(id) name=(name) inputmode=(mode) autocomplete="off" value=(typed(name)); } }
        }
    };
    html! {
        div.field {
            label for="load-species" { (said::SPECIES) }
            select id="load-species" name="species" {
                @for species in view.site.backend.species.iter() { option value=(species.key) selected[species.key == typed("species")] { (species.name) } }
            }
        }
        div.field { label for="load-water" { (said::WATER) } input id="load-water" name="water" maxlength="80" value=(typed("water")); }
        (when::draw(view, "load-fertilized", "fertilized_at", said::FERTILIZED, Leave::Open, filled))
        div.side-by-side {
            (number("load-females", "females", said::FEMALES, "numeric"))
            (number("load-males", "males", said::MALES, "numeric"))
        }
        (number("load-per-litre", "eggs_per_l", said::PER_LITRE, "numeric"))
        div.field { label for="load-name" { (said::NAME) } input id="load-name" name="name" maxlength="32" value=(name); p.hint { (said::NAME_HINT) } }
    }
}

/// The first free name of the day.
fn proposed(view: &View) -> String {
    let day = view.zone().day_of(view.now.utc).date().format("%m%d").to_string();
    let taken =
        |name: &str| view.snap.lots.iter().any(|lot| lot.id == name || lot.takes.iter().any(|t| t == name));
    let mut name = format!("T-{day}");
    for letter in 'b'..='z' {
        if !taken(&name) {
            break;
        }
        name = format!("T-{day}{letter}");
    }
    name
}

fn jars(view: &View, filled: Option<&Filled>) -> Markup {
    let chosen = |jar: &str| filled.is_some_and(|f| f.contains_key(&format!("jar-{jar}")));
    let empty = |state: Option<JarState>| state.is_none_or(|state| state == JarState::Empty);
    let (free, full): (Vec<_>, Vec<_>) = view.jars().partition(|(_, _, now)| empty(now.map(|n| n.state)));
    html! {
        fieldset.jar-picks {
            legend { (said::EMPTY_JARS) }
            @if free.is_empty() { p.quiet { (said::NO_EMPTY) } }
            @for (_, jar, _) in &free {
                label.pill { input type="checkbox" name=(format!("jar-{}", jar.id)) value="yes" checked[chosen(jar.id.as_str())]; span { (jar.id) } }
            }
            @if !full.is_empty() {
                details { summary { (said::FULL_JARS) } @for (_, jar, now) in &full {
                    label.pill { input type="checkbox" name=(format!("jar-{}", jar.id)) value="yes" checked[chosen(jar.id.as_str())]; span { (jar.id) " – " (now.and_then(|n| n.lot.as_deref()).unwrap_or(said::EGGS)) } }
                } }
            }
        }
    }
}

/// One entry to be made: its part of the name, when, what.
struct Part {
    suffix: String,
    at: Timestamp,
    act: Act,
}

/// Reads the form.
fn parts(view: &View, filled: &Filled, problems: &mut Problems) -> Vec<Part> {
    let get = |name: &str| filled.get(name).map_or("", |text| text.trim());
    let units = Units::parse(get("units"));
    let at = forms::happened_at(view, filled, problems);
    let mut number = |name: &'static str, label: &str, high: f64| -> Option<f64> {
        let text = get(name);
        let typed = forms::number(text).filter(|n| (0.0..=high).contains(n));
        if typed.is_none() && !text.is_empty() {
            problems.insert(name, said::wrong::number(label, text, high));
        }
        typed
    };
    let volume = number("volume", said::wrong::VOLUME, 10_000.0);
    let (females, males) = (number("females", said::FEMALES, 1e5), number("males", said::MALES, 1e5));
    let per_litre = number("eggs_per_l", said::wrong::PER_LITRE, 1e7);
    if volume.is_none() {
        problems.entry("volume").or_insert_with(|| said::wrong::missing(said::wrong::VOLUME));
    }
    let volume_l = units.read(Quantity::Litres, volume.unwrap_or(0.0));
    let jars: Vec<JarId> = view
        .rack()
        .jars
        .iter()
        .map(|jar| jar.id.clone())
        .filter(|jar| filled.contains_key(&format!("jar-{jar}")))
        .take(MOST_JARS)
        .collect();
    if jars.is_empty() {
        problems.insert("jars", said::wrong::NO_JAR.into());
    }
    let mut parts = Vec::new();
    let lot = if get("lot") == FRESH {
        let fertilized = when::read(view.zone(), view.now.utc, filled, "fertilized_at");
        fresh(
            get,
            fertilized,
            [females, males],
            per_litre,
            volume_l * jars.len() as f64,
            &mut parts,
            problems,
        )
    } else {
        LotId::new(get("lot"))
            .map_err(|error| problems.insert("lot", problem::of(said::wrong::LOT, &error.to_string())))
            .ok()
    };
    let Some(lot) = lot else { return Vec::new() };
    for (i, jar) in jars.into_iter().enumerate() {
        let act = Act::Load(Load { jar, lot: lot.clone(), volume_l, eggs: per_litre.map(|e| e * volume_l) });
        parts.push(Part { suffix: format!("j{i}"), at, act });
    }
    parts
}

/// The take and the lot of new eggs.
fn fresh<'a>(
    get: impl Fn(&str) -> &'a str,
    fertilized: Result<Option<Timestamp>, String>,
    [females, males]: [Option<f64>; 2],
    per_litre: Option<f64>,
    volume_l: f64,
    parts: &mut Vec<Part>,
    problems: &mut Problems,
) -> Option<LotId> {
    let fertilized_at = match fertilized {
        Ok(Some(at)) => at,
        Ok(None) => {
            problems.insert("fertilized_at", problem::of(said::FERTILIZED, said::wrong::CHOOSE_WHEN));
            return None;
        }
        Err(error) => {
            problems.insert("fertilized_at", problem::of(said::FERTILIZED, &error));
            return None;
        }
    };
    let name = get("name");
    let (take, lot) = match (TakeId::new(name), LotId::new(name)) {
        (Ok(take), Ok(lot)) => (take, lot),
        (Err(error), _) | (_, Err(error)) => {
            problems.insert("name", problem::of(said::NAME, &error.to_string()));
            return None;
        }
    };
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 100,000, checked")]
    let whole = |n: Option<f64>| n.unwrap_or(0.0).round() as u32;
    for (field, label, value) in [("females", said::FEMALES, females), ("males", said::MALES, males)] {
        if value.is_none() {
            problems.entry(field).or_insert_with(|| said::wrong::missing(label));
        }
    }
    if get("water").is_empty() {
        problems.insert("water", said::wrong::missing(said::WATER));
    }
    let act = Act::Take(Box::new(Take {
        take: take.clone(),
        species: get("species").to_owned(),
        water: get("water").to_owned(),
        gear: String::new(),
        fertilized_at,
        females: whole(females),
        males: whole(males),
        males_reused: 0,
        parents: Vec::new(),
        crosses: Vec::new(),
        volume_l: (volume_l > 0.0).then_some(volume_l),
        hardened: true,
        count: per_litre.map(|eggs_per_l| CountMethod::PerLitre { eggs_per_l }),
        pan: String::new(),
        clay_minutes: None,
        hardening_from: None,
        hardening_to: None,
        hardening_temp_c: None,
        hardening_sensor: None,
        transport_temp_c: None,
        disinfection: String::new(),
    }));
    parts.push(Part { suffix: "t".into(), at: fertilized_at, act });
    let act = Act::Lot(Lot { lot: lot.clone(), takes: vec![take], strain: String::new() });
    parts.push(Part { suffix: "l".into(), at: fertilized_at, act });
    Some(lot)
}

/// Takes the form.
pub async fn make(view: View, Form(pairs): Form<Vec<(String, String)>>) -> Response {
    let filled = forms::filled(pairs);
    let mut problems = Problems::new();
    let parts = parts(&view, &filled, &mut problems);
    let again = |problems: &Problems, status| page(&view, None, Some(&filled), problems, status);
    if !problems.is_empty() || parts.is_empty() {
        return again(&problems, StatusCode::UNPROCESSABLE_ENTITY);
    }
    let id = filled.get("id").cloned().unwrap_or_default();
    match book(&view, &filled, &id, &parts).await {
        Ok(token) => {
            let names: Vec<&str> = parts.iter().map(|part| part.suffix.as_str()).collect();
            entry::finish(&view, token, &format!("/load?done={id}&parts={}", names.join(".")))
        }
        Err(not_done) => {
            problems.insert("", not_done.to_string());
            again(&problems, not_done.status())
        }
    }
}

async fn book(view: &View, filled: &Filled, id: &str, parts: &[Part]) -> Result<Option<String>, NotDone> {
    if !entry::is_entry_name(id) || id.len() > 40 {
        return Err(NotDone::OldForm);
    }
    let allowed = change::allowed(view, filled, Needs::Pin).await?;
    let entry = |suffix: &str, happened_at: Timestamp, act: Act| {
        let id = EntryId(format!("{id}-{suffix}"));
        Command::Entry(Box::new(Entry {
            id,
            happened_at,
            written_at: view.now.utc,
            who: allowed.by.clone(),
            act,
        }))
    };
    let mut made: Vec<&str> = Vec::new();
    for part in parts {
        match change::ask(view, entry(&part.suffix, part.at, part.act.clone())).await {
            // What an earlier sending of the same form made is not this one's to take back.
            Ok(Reply::Already | Reply::Refused(_) | Reply::NotWritten(_)) => {}
            Ok(Reply::Done) => made.push(&part.suffix),
            Err(why) => {
                for suffix in made.iter().rev() {
                    let gone = EntryId(format!("{id}-{suffix}"));
                    let void =
                        Act::Void(Void { entry: gone, reason: said::PART_REFUSED.into(), instead: None });
                    let undone = change::ask(view, entry(&format!("v{suffix}"), view.now.utc, void)).await;
                    if let Err(error) = undone {
                        tracing::warn!(%error, entry = %format!("{id}-{suffix}"), "part of a refused form stays");
                    }
                }
                return Err(why);
            }
        }
    }
    Ok(allowed.token)
}

/// Takes all entries of one form back, the last first.
pub async fn undo(view: View, Form(pairs): Form<Vec<(String, String)>>) -> Response {
    let filled = forms::filled(pairs);
    let get = |name: &str| filled.get(name).map_or("", |text| text.trim());
    let (own, done) = (get("id").to_owned(), get("done").to_owned());
    let names: Vec<String> = get("parts").split('.').take(MOST_JARS + 2).map(str::to_owned).collect();
    let sound = entry::is_entry_name(&own)
        && own.len() <= 40
        && names.iter().all(|n| n.len() <= 4 && n.bytes().all(|b| b.is_ascii_alphanumeric()));
    let undone = async {
        if !sound {
            return Err(NotDone::OldForm);
        }
        let allowed = change::allowed(&view, &filled, Needs::Pin).await?;
        for name in names.iter().rev() {
            let entry = EntryId(format!("{done}-{name}"));
            let act = Act::Void(Void { entry, reason: entering::UNDONE.into(), instead: None });
            let entry = Entry {
                id: EntryId(format!("{own}-{name}")),
                happened_at: view.now.utc,
                written_at: view.now.utc,
                who: allowed.by.clone(),
                act,
            };
            change::ask(&view, Command::Entry(Box::new(entry))).await?;
        }
        Ok(allowed.token)
    };
    match undone.await {
        Ok(token) => entry::finish(&view, token, "/logbook?done=void"),
        Err(not_done) => super::sign_in::problem(&view, not_done.status(), &not_done.to_string(), "/logbook"),
    }
}
