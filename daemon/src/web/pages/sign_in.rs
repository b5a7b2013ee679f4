//! Signing in and out, choosing units, and the pages that say no.

use crate::web::auth::Secret;
use crate::web::components::{self, say};
use crate::web::forms;
use crate::web::pages::entry;
use crate::web::session::Proof;
use crate::web::view::{View, Who};
use crate::web::words::{refusals, sign_in as said};
use crate::web::{Site, session};
use axum::extract::{Form, State};
use axum::http::header::SET_COOKIE;
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Redirect, Response};
use maud::html;
use std::sync::Arc;

/// A year in seconds, for choices of units and colours.
const A_YEAR: u32 = 31_536_000;

/// A request that anybody may make, also where reading is not open.
pub struct Anybody(pub View);

impl axum::extract::FromRequestParts<Arc<Site>> for Anybody {
    type Rejection = std::convert::Infallible;
    async fn from_request_parts(
        parts: &mut axum::http::request::Parts,
        site: &Arc<Site>,
    ) -> Result<Self, Self::Rejection> {
        Ok(Self(View::of(parts, site)))
    }
}

/// The form.
pub async fn show(Anybody(view): Anybody) -> Response {
    form(&view, StatusCode::OK, "", None)
}

fn form(view: &View, status: StatusCode, name: &str, problem: Option<&str>) -> Response {
    let body = html! {
        h1 { (said::TITLE) }
        @if let Some(problem) = problem { div.problem role="alert" { p { (problem) } } }
        @if !view.site.backend.access.sign_in {
            p { (said::NOT_ENCRYPTED) }
            @if view.pins() { p { (said::WITH_A_PIN) } }
        } @else if view.site.backend.people.is_empty() {
            p { (say(said::NOBODY, &[("command", html! { code { "nightjar hash-secret" } })])) }
        } @else {
            form.entry method="post" action="/sign-in" {
                div.field { label for="name" { (said::NAME) } div.control { input id="name" name="name" value=(name) autocomplete="username" autocapitalize="none" required maxlength="32"; } }
                div.field { label for="password" { (said::PASSWORD) } div.control { input id="password" name="password" type="password" autocomplete="current-password" required maxlength="512"; } }
                button.main { (said::TITLE) }
            }
        }
    };
    (status, components::page(view, said::TITLE, &body)).into_response()
}

/// Lets somebody in.
pub async fn enter(Anybody(view): Anybody, Form(pairs): Form<Vec<(String, String)>>) -> Response {
    let filled = forms::filled(pairs);
    let typed = |name: &str| filled.get(name).map_or("", String::as_str);
    if !view.site.backend.access.sign_in {
        return form(&view, StatusCode::FORBIDDEN, "", None);
    }
    match view.site.gate.check(typed("name"), typed("password"), Secret::Password, view.peer, view.now).await
    {
        Err(why) => {
            let status = match why {
                crate::web::auth::NotLetIn::Wait(_) => StatusCode::TOO_MANY_REQUESTS,
                crate::web::auth::NotLetIn::Wrong => StatusCode::UNAUTHORIZED,
                crate::web::auth::NotLetIn::Busy => StatusCode::SERVICE_UNAVAILABLE,
            };
            form(&view, status, typed("name"), Some(&why.to_string()))
        }
        Ok(person) => {
            if let Who::Known { token, .. } = &view.who {
                view.site.sessions.close(token);
            }
            let token = view.site.sessions.open(person.id, Proof::Password, view.now);
            entry::finish(&view, token, "/")
        }
    }
}

/// Lets somebody out.
pub async fn leave(Anybody(view): Anybody, Form(pairs): Form<Vec<(String, String)>>) -> Response {
    let filled = forms::filled(pairs);
    let mut answer = Redirect::to("/").into_response();
    if let Who::Known { token, .. } = &view.who
        && session::same(filled.get("word").map_or("", String::as_str), &session::form_word(token))
    {
        view.site.sessions.close(token);
        let gone = format!(
            "{}=; Path=/; Max-Age=0; HttpOnly; SameSite=Strict{}",
            view.site.session_cookie(),
            view.site.secure()
        );
        if let Ok(value) = HeaderValue::from_str(&gone) {
            answer.headers_mut().append(SET_COOKIE, value);
        }
    }
    answer
}

/// Keeps units and colours on the device.
pub async fn settings(State(site): State<Arc<Site>>, Form(pairs): Form<Vec<(String, String)>>) -> Response {
    let filled = forms::filled(pairs);
    let one = |name: &str, options: &[&'static str]| -> &'static str {
        let typed = filled.get(name).map_or("", String::as_str);
        options.iter().find(|o| **o == typed).copied().unwrap_or(options[0])
    };
    let units = format!("{}{}{}", one("t", &["c", "f"]), one("f", &["l", "g"]), one("v", &["m", "q"]));
    let units = format!("{units}{}", if one("d", &["d", "n"]) == "n" { "n" } else { "" });
    let theme = one("theme", &["auto", "dark", "light"]);
    let mut answer = Redirect::to(&entry::back_of(&filled, "/")).into_response();
    for (name, value) in [("units", units.as_str()), ("theme", theme)] {
        let cookie = format!("{name}={value}; Path=/; Max-Age={A_YEAR}; SameSite=Lax{}", site.secure());
        if let Ok(value) = HeaderValue::from_str(&cookie) {
            answer.headers_mut().append(SET_COOKIE, value);
        }
    }
    answer
}

/// A page that says no and leads on.
pub fn problem(view: &View, status: StatusCode, why: &str, back: &str) -> Response {
    let body = html! {
        h1 { (said::NOTHING_CHANGED) }
        div.problem role="alert" { p { (why) } }
        p { a.button href=(back) { (said::BACK) } }
    };
    (status, components::page(view, said::NOTHING_CHANGED, &body)).into_response()
}

/// A page that is not there.
pub fn not_found(view: &View, what: &str) -> Response {
    let body = html! {
        h1 { (said::NOT_HERE) }
        p { (what) }
        p { a.button href="/" { (said::TO_RACK) } }
    };
    (StatusCode::NOT_FOUND, components::page(view, said::NOT_HERE, &body)).into_response()
}

/// Any other path.
pub async fn nowhere(Anybody(view): Anybody) -> Response {
    if view.path.starts_with("/api/") {
        return crate::web::api::problem(StatusCode::NOT_FOUND, refusals::interface::NO_SUCH);
    }
    not_found(&view, said::NO_SUCH_PAGE)
}
