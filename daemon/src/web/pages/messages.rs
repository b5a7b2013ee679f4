//! Everything that was or would have been sent.

use crate::web::backend::{Fate, Message};
use crate::web::components;
use crate::web::past;
use crate::web::view::View;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// Messages on the page.
const ON_A_PAGE: usize = 100;

/// The page.
pub async fn show(view: View) -> Response {
    let list_of = past::messages(&view, None, ON_A_PAGE).await;
    let body = html! {
        h1 { "Messages" }
        p { "Everything that was sent, waits to be sent, or would have been sent. The newest is on top." }
        @match list_of {
            Ok(messages) => { (list(&view, &messages)) }
            Err(error) => { p.problem { (error) } }
        }
    };
    components::page(&view, "Messages", &body).into_response()
}

/// Messages as a list.
pub fn list(view: &View, messages: &[Message]) -> Markup {
    if messages.is_empty() {
        return html! { p.quiet { "No messages." } };
    }
    html! {
        ol.log.messages {
            @for message in messages {
                li {
                    p.quiet { (view.moment(message.at)) " · " (message.route) " to " b { (message.to) } " · " (fate(view, &message.fate)) }
                    @if !message.subject.is_empty() { p.line { b { (message.subject) } } }
                    p.words { (message.text) }
                    @if let Some(event) = message.event { p { a href=(format!("/alarms/{}", event.0)) { "About this alarm" } } }
                }
            }
        }
    }
}

fn fate(view: &View, fate: &Fate) -> Markup {
    html! {
        @match fate {
            Fate::Sent { at } => { span.good { "sent" } " " (view.ago(*at)) }
            Fate::Waiting { attempts, answer } => {
                span.mark { "waiting" } @if *attempts > 0 { ", tried " (attempts) " times" } @if !answer.is_empty() { ": " (answer) }
            }
            Fate::Failed { answer } => { span.mark.bad { "not sent" } ": " (answer) }
            Fate::Withheld => { span.mark { "would have been sent" } }
        }
    }
}
