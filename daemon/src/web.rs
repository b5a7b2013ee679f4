//! The page people look at and the interface other programs ask: HTML from the server, live
//! patches, JSON, health.
//!
//! Not for deciding anything: handlers read the snapshot or the record and write markup; a change
//! is a command to the core, and its answer is shown. Everything can be read and used without
//! script.

mod accounts;
mod answer;
mod api;
mod assets;
mod auth;
pub mod backend;
mod change;
mod chart;
mod components;
mod events;
mod fan;
mod foreseen;
mod forms;
mod health;
mod pages;
mod past;
mod pen;
mod router;
pub mod server;
mod session;
mod throttle;
pub mod tls;
mod units;
mod view;
pub(crate) mod words;

use auth::Gate;
use backend::Backend;
use session::Sessions;
use std::sync::Arc;
use throttle::Throttle;
use tokio::sync::Semaphore;

/// Everything the handlers share.
pub struct Site {
    backend: Backend,
    sessions: Sessions,
    gate: Gate,
    throttle: Arc<Throttle>,
    reads: Semaphore,
    streams: Arc<Semaphore>,
}

impl Site {
    fn new(backend: Backend) -> Self {
        let throttle = Arc::new(Throttle::default());
        Self {
            gate: Gate::new(Arc::clone(&backend.people), Arc::clone(&throttle)),
            sessions: Sessions::new(backend.sessions.clone()),
            throttle,
            reads: Semaphore::new(past::READS_AT_ONCE),
            streams: Arc::new(Semaphore::new(events::STREAMS)),
            backend,
        }
    }

    fn session_cookie(&self) -> &'static str {
        if self.backend.access.secure { view::SESSION_SECURE } else { view::SESSION }
    }

    fn secure(&self) -> &'static str {
        if self.backend.access.secure { "; Secure" } else { "" }
    }

    fn set_session(&self, token: &str) -> String {
        format!("{}={token}; Path=/; HttpOnly; SameSite=Strict{}", self.session_cookie(), self.secure())
    }
}

/// All pages and interfaces over a backend, ready to be served or to be asked by a test.
pub fn router(backend: Backend) -> axum::Router {
    router::routes(Arc::new(Site::new(backend)))
}
