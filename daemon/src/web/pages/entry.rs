//! Making an entry, and taking one back.

use crate::logbook::{Act, Entry, EntryId, Void};
use crate::web::backend::Command;
use crate::web::change::{self, Allowed, Needs, NotDone};
use crate::web::forms::{self, Filled, Problems};
use crate::web::pages::{jar, logbook, sign_in};
use crate::web::session::entry_name;
use crate::web::view::View;
use crate::web::words::entering;
use axum::extract::{Form, Path};
use axum::http::header::SET_COOKIE;
use axum::response::{IntoResponse, Redirect, Response};

/// Takes an entry from a form.
pub async fn make(
    view: View,
    Path(kind): Path<String>,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Response {
    let Some(form) = forms::form_of(&kind) else {
        return sign_in::not_found(&view, entering::NO_SUCH_KIND);
    };
    let filled = forms::filled(pairs);
    let mut problems = Problems::new();
    let happened_at = forms::happened_at(&view, &filled, &mut problems);
    let plain = forms::when::settled(&view, form, &filled, &mut problems);
    let act = forms::act(form, &plain, view.zone(), &mut problems);
    let back = back_of(&filled, "/logbook");
    let Some(act) = act.filter(|_| problems.is_empty()) else {
        return again(&view, &kind, filled, problems).await;
    };
    let id = EntryId(filled.get("id").cloned().unwrap_or_default());
    match book(&view, &filled, id.clone(), happened_at, act).await {
        Ok(allowed) => finish(&view, allowed.token, &format!("{back}?done={}", id.0)),
        Err(not_done) => {
            problems.insert("", not_done.to_string());
            let mut answer = again(&view, &kind, filled, problems).await;
            *answer.status_mut() = not_done.status();
            answer
        }
    }
}

async fn book(
    view: &View,
    filled: &Filled,
    id: EntryId,
    happened_at: nightjar_calc::time::Timestamp,
    act: Act,
) -> Result<Allowed, NotDone> {
    if !is_entry_name(&id.0) {
        return Err(NotDone::OldForm);
    }
    let allowed = change::allowed(view, filled, Needs::Pin).await?;
    let entry = Entry { id, happened_at, written_at: view.now.utc, who: allowed.by.clone(), act };
    change::ask(view, Command::Entry(Box::new(entry))).await?;
    Ok(allowed)
}

/// 8 to 64 letters, digits or hyphens.
pub fn is_entry_name(text: &str) -> bool {
    (8..=64).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
}

/// A form that did not succeed, where it came from, with what was typed.
async fn again(view: &View, kind: &str, filled: Filled, problems: Problems) -> Response {
    let back = back_of(&filled, "/logbook");
    let tried = jar::Try { kind: kind.to_owned(), filled, problems };
    match back.strip_prefix("/jar/") {
        Some(id) => jar::page(view, id, jar::Shown::default(), None, Some(&tried)).await,
        None => logbook::page(view, &logbook::Wanted::default(), Some(&tried)).await,
    }
}

/// Takes an entry back.
pub async fn void(view: View, Path(id): Path<String>, Form(pairs): Form<Vec<(String, String)>>) -> Response {
    let filled = forms::filled(pairs);
    let reason = filled.get("reason").map_or("", |r| r.trim()).to_owned();
    let back = back_of(&filled, "/logbook");
    if reason.is_empty() || reason.chars().count() > 400 {
        return sign_in::problem(
            &view,
            axum::http::StatusCode::UNPROCESSABLE_ENTITY,
            entering::SAY_WHY,
            &back,
        );
    }
    let own = filled.get("id").filter(|id| is_entry_name(id)).cloned().unwrap_or_else(entry_name);
    let act = Act::Void(Void { entry: EntryId(id), reason, instead: None });
    match book(&view, &filled, EntryId(own), view.now.utc, act).await {
        Ok(allowed) => finish(&view, allowed.token, &format!("{back}?done=void")),
        Err(not_done) => sign_in::problem(&view, not_done.status(), &not_done.to_string(), &back),
    }
}

/// Where to go afterwards: a path of this site and nothing else.
pub fn back_of(filled: &Filled, default: &str) -> String {
    let wanted = filled.get("back").map_or("", String::as_str);
    let plain = wanted.starts_with('/')
        && !wanted.starts_with("//")
        && wanted.len() <= 200
        && wanted.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'/' | b'-' | b'_' | b'.'));
    if plain { wanted.to_owned() } else { default.to_owned() }
}

/// Goes on to another page, beginning a session when one was opened. The script of the page is told
/// the place in words: it cannot read where a redirect leads.
pub fn finish(view: &View, token: Option<String>, to: &str) -> Response {
    let mut answer =
        if view.by_script { to.to_owned().into_response() } else { Redirect::to(to).into_response() };
    if let Some(token) = token
        && let Ok(value) = view.site.set_session(&token).parse()
    {
        answer.headers_mut().append(SET_COOKIE, value);
    }
    answer
}
