//! Everything that was or would have been sent.

use crate::web::backend::{Fate, Message};
use crate::web::components::{self, say};
use crate::web::past;
use crate::web::view::View;
use crate::web::words::messages as said;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// Messages on the page.
const ON_A_PAGE: usize = 100;

/// The page.
pub async fn show(view: View) -> Response {
    let list_of = past::messages(&view, None, ON_A_PAGE).await;
    let body = html! {
        h1 { (said::TITLE) }
        p { (said::WHAT) }
        @match list_of {
            Ok(messages) => { (list(&view, &messages)) }
            Err(error) => { p.problem { (error) } }
        }
    };
    components::page(&view, said::TITLE, &body).into_response()
}

/// Messages as a list.
pub fn list(view: &View, messages: &[Message]) -> Markup {
    if messages.is_empty() {
        return html! { p.quiet { (said::NONE) } };
    }
    html! {
        ol.log.messages {
            @for message in messages {
                li {
                    p.quiet { (say(said::LINE, &[
                        ("when", view.moment(message.at)),
                        ("route", html! { (message.route) }),
                        ("person", html! { b { (message.to) } }),
                        ("fate", fate(view, &message.fate)),
                    ])) }
                    @if !message.subject.is_empty() { p.line { b { (message.subject) } } }
                    p.words { (message.text) }
                    @if let Some(event) = message.event { p { a href=(format!("/alarms/{}", event.0)) { (said::ABOUT) } } }
                }
            }
        }
    }
}

fn fate(view: &View, fate: &Fate) -> Markup {
    html! {
        @match fate {
            Fate::Sent { at } => { span.good { (said::SENT) } " " (view.ago(*at)) }
            Fate::Waiting { attempts, answer } => {
                span.mark { (said::WAITING) } @if *attempts > 0 { (said::tried(usize::try_from(*attempts).unwrap_or(usize::MAX))) } @if !answer.is_empty() { ": " (answer) }
            }
            Fate::Failed { answer } => { span.mark.bad { (said::NOT_SENT) } ": " (answer) }
            Fate::Withheld => { span.mark { (said::WITHHELD) } }
        }
    }
}
