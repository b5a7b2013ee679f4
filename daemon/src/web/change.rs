//! From a request for a change to its answer: who may ask, asking the core, and saying what became
//! of it.

use super::auth::{NotLetIn, Secret};
use super::backend::{Asked, Command, Reply, Role};
use super::forms::Filled;
use super::session::{self, Proof};
use super::view::{View, Who};
use super::words::{refusals, station};
use crate::ids::PersonId;
use std::time::Duration;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::oneshot;

/// Longest wait for the core. It answers within milliseconds, or something is very wrong.
const LONGEST_WAIT: Duration = Duration::from_secs(5);

/// What a change asks of the person.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Needs {
    /// Operator, or a PIN on site.
    Pin,
    /// This role with a password typed lately.
    Password(Role),
}

/// Why a change was not made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotDone {
    /// Not signed in, or the secret is wrong.
    #[error("{0}")]
    NotLetIn(#[from] NotLetIn),
    /// Nobody is signed in and no PIN was given.
    #[error("{}", refusals::SIGN_IN)]
    SignIn,
    /// The role is too small.
    #[error("{}", refusals::role(.0))]
    Role(&'static str),
    /// The password has to be typed again.
    #[error("{}", refusals::PASSWORD_AGAIN)]
    PasswordAgain,
    /// The form does not belong to this session.
    #[error("{}", refusals::OLD_FORM)]
    OldForm,
    /// The core refused, and why.
    #[error("{0}")]
    Refused(String),
    /// It could not be written; the same may work in a moment.
    #[error("{}", refusals::not_written(.0))]
    NotWritten(String),
    /// The core has too much to do.
    #[error("{}", refusals::BUSY)]
    Busy,
    /// The core is gone or does not answer.
    #[error("{}", refusals::NO_ANSWER)]
    NoAnswer,
}

/// Somebody allowed to make the change.
#[derive(Debug)]
pub struct Allowed {
    /// Who.
    pub by: PersonId,
    /// Token of a session that begins with this change.
    pub token: Option<String>,
}

/// Checks that the person may ask for this.
///
/// # Errors
/// With the reason why not.
pub async fn allowed(view: &View, filled: &Filled, needs: Needs) -> Result<Allowed, NotDone> {
    let typed = |name: &str| filled.get(name).map_or("", String::as_str);
    match &view.who {
        Who::Demo(by) => Ok(Allowed { by: by.clone(), token: None }),
        Who::Known { session, role, token, .. } => {
            if !session::same(typed("word"), &session::form_word(token)) {
                return Err(NotDone::OldForm);
            }
            let least = match needs {
                Needs::Pin => Role::Operator,
                Needs::Password(role) => role,
            };
            if *role < least {
                return Err(NotDone::Role(station::role(least)));
            }
            if needs != Needs::Pin && !session.freshly_proved(view.now.up) {
                if typed("password").is_empty() || session.proof == Proof::Pin {
                    return Err(NotDone::PasswordAgain);
                }
                let who = session.person.as_str();
                view.site.gate.check(who, typed("password"), Secret::Password, view.peer, view.now).await?;
                view.site.sessions.prove(token, view.now.up);
            }
            Ok(Allowed { by: session.person.clone(), token: None })
        }
        Who::Nobody => {
            if needs != Needs::Pin || typed("who").is_empty() || typed("pin").is_empty() {
                return Err(NotDone::SignIn);
            }
            let person =
                view.site.gate.check(typed("who"), typed("pin"), Secret::Pin, view.peer, view.now).await?;
            if person.role < Role::Operator {
                return Err(NotDone::Role(station::role(Role::Operator)));
            }
            let token = view.site.sessions.open(person.id.clone(), Proof::Pin, view.now);
            Ok(Allowed { by: person.id, token })
        }
    }
}

/// Asks the core.
///
/// # Errors
/// When it refuses, has no room, or does not answer.
pub async fn ask(view: &View, command: Command) -> Result<Reply, NotDone> {
    let (reply, answer) = oneshot::channel();
    view.site.backend.commands.try_send(Asked { command, reply }).map_err(|error| match error {
        TrySendError::Full(_) => NotDone::Busy,
        TrySendError::Closed(_) => NotDone::NoAnswer,
    })?;
    match tokio::time::timeout(LONGEST_WAIT, answer).await {
        Ok(Ok(Reply::Refused(why))) => Err(NotDone::Refused(why)),
        Ok(Ok(Reply::NotWritten(why))) => Err(NotDone::NotWritten(why)),
        Ok(Ok(reply)) => Ok(reply),
        Ok(Err(_)) | Err(_) => Err(NotDone::NoAnswer),
    }
}

impl NotDone {
    /// The status of the answer.
    pub fn status(&self) -> axum::http::StatusCode {
        use axum::http::StatusCode;
        match self {
            Self::NotLetIn(NotLetIn::Wait(_)) => StatusCode::TOO_MANY_REQUESTS,
            Self::NotLetIn(NotLetIn::Wrong) | Self::SignIn | Self::PasswordAgain => StatusCode::UNAUTHORIZED,
            Self::Role(_) | Self::OldForm => StatusCode::FORBIDDEN,
            Self::Refused(_) => StatusCode::UNPROCESSABLE_ENTITY,
            Self::NotWritten(_) | Self::Busy | Self::NotLetIn(NotLetIn::Busy) | Self::NoAnswer => {
                StatusCode::SERVICE_UNAVAILABLE
            }
        }
    }
}
