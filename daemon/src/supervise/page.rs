//! What the page needs from the rest: sessions in the store, facts about the station, encryption.

use super::reach::Reach;
use crate::clock::Clock;
use crate::config::Config;
use crate::config::checked::Tls;
use crate::drill;
use crate::notify::rota;
use crate::notify::worker::RouteHealth;
use crate::store::{Session, StoreHandle};
use crate::web::backend::{KeptSession, SessionBook, StationFacts};
use crate::web::server::{Limits, serve_encrypted};
use crate::web::tls;
use anyhow::{Context, Result};
use axum::Router;
use nightjar_calc::time::Timestamp;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::net::TcpListener;
use tokio::sync::watch;
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;

/// Requests that wait for the disk or a password at one time; further ones wait their turn.
const MOST_BLOCKED: usize = 16;

/// Password sessions in the store.
pub struct StoreSessions(pub StoreHandle);

impl StoreSessions {
    /// Hands a write to the store without waiting for it: what fails costs a sign-in after the next
    /// restart and nothing else. The store's queue bounds what may wait.
    fn later<F>(&self, write: impl FnOnce(StoreHandle) -> F)
    where
        F: Future<Output = Result<(), crate::store::StoreError>> + Send + 'static,
    {
        let written = write(self.0.clone());
        tokio::spawn(async move {
            if let Err(error) = written.await {
                tracing::debug!(%error, "a session of the page was not written down");
            }
        });
    }
}

impl SessionBook for StoreSessions {
    fn put(&self, token_hash: [u8; 32], session: KeptSession) {
        let session = Session {
            person: session.person,
            // The role is the one the configuration gives at the time of each request.
            role: String::new(),
            created_at: session.created_at,
            used_at: session.used_at,
        };
        self.later(|store| async move { store.put_session(token_hash.to_vec(), session).await });
    }

    fn find(&self, token_hash: &[u8; 32]) -> Option<KeptSession> {
        let session = self.0.read_blocking(|r| r.session(token_hash)).ok()??;
        Some(KeptSession { person: session.person, created_at: session.created_at, used_at: session.used_at })
    }

    fn touch(&self, token_hash: [u8; 32], at: Timestamp) {
        self.later(|store| async move { store.touch_session(token_hash.to_vec(), at).await });
    }

    fn end(&self, token_hash: [u8; 32]) {
        self.later(|store| async move { store.end_session(token_hash.to_vec()).await });
    }
}

/// Serves the page on a thread of its own, so that however many look at it, alarms do not wait for
/// their turn. The future given ends when the page does.
///
/// # Errors
/// When the system gives no thread.
pub fn serve_apart(
    listener: TcpListener,
    app: Router,
    encryption: Option<TlsAcceptor>,
    stop: CancellationToken,
) -> Result<impl Future<Output = ()> + Send + 'static> {
    let listener = listener.into_std().context("the page has no address")?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .max_blocking_threads(MOST_BLOCKED)
        .thread_name("page")
        .enable_all()
        .build()
        .context("cannot start the thread of the page")?;
    let serving = runtime.spawn(async move {
        // An address belongs to the thread that waits for it.
        let listener = TcpListener::from_std(listener)?;
        serve_encrypted(listener, app, encryption, Limits::default(), stop).await;
        Ok::<(), std::io::Error>(())
    });
    Ok(async move {
        match serving.await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => tracing::error!(%error, "the page cannot be served"),
            Err(error) => tracing::error!(%error, "the page ended"),
        }
        runtime.shutdown_background();
    })
}

/// Folder of the station's own authority.
fn authority_folder(config: &Config) -> PathBuf {
    config.store.folder.join("authority")
}

/// What the page is encrypted with, when it is.
///
/// # Errors
/// When the files of the configuration cannot be used, or the authority cannot be made.
pub fn encryption(config: &Config, now: Timestamp) -> Result<Option<TlsAcceptor>> {
    match &config.web.tls {
        None => Ok(None),
        Some(Tls::Files { certificate, key }) => {
            tls::from_files(certificate, key).map(Some).context("the page cannot be encrypted")
        }
        Some(Tls::OwnAuthority) => {
            let names = tls::names(config.web.listen.ip(), config.web.public_url.as_deref());
            tls::local(&authority_folder(config), &names, now)
                .map(Some)
                .context("the page cannot be encrypted")
        }
    }
}

/// Facts for the station page, gathered when it is asked for.
pub fn facts(
    config: &Config,
    clock: Arc<dyn Clock>,
    store: StoreHandle,
    routes: Vec<(String, watch::Receiver<RouteHealth>)>,
    reach: Reach,
) -> Arc<dyn Fn() -> StationFacts + Send + Sync> {
    let (on_call, zone) = (config.rota.clone(), config.rack.zone);
    let people: Vec<(String, String)> =
        config.people.iter().map(|p| (p.id.to_string(), p.name.clone())).collect();
    let authority = matches!(config.web.tls, Some(Tls::OwnAuthority))
        .then(|| std::fs::read_to_string(authority_folder(config).join(tls::AUTHORITY)).ok())
        .flatten();
    Arc::new(move || {
        let now = clock.now();
        let name = |id: &crate::ids::PersonId| {
            people
                .iter()
                .find(|(known, _)| known == id.as_str())
                .map_or_else(|| id.to_string(), |(_, n)| n.clone())
        };
        StationFacts {
            rota: rota_lines(&rota::on_call(&on_call, zone, now.utc), name),
            routes: routes.iter().map(|(id, health)| (id.clone(), route_words(&health.borrow()))).collect(),
            last_drill: last_drill(&store, name),
            stores: store_lines(&store, now).into_iter().chain(reach.lines(zone)).collect(),
            authority: authority.clone(),
        }
    })
}

/// When the chain was last tried out, and how that went.
fn last_drill(
    store: &StoreHandle,
    name: impl Fn(&crate::ids::PersonId) -> String,
) -> Option<(Timestamp, String)> {
    let kept = store.read_blocking(|r| r.state(drill::KEY)).ok()??;
    let record: drill::Record = serde_json::from_value(kept).ok()?;
    Some((record.began_at, record.words(name)))
}

fn rota_lines(now: &rota::OnCall, name: impl Fn(&crate::ids::PersonId) -> String) -> Vec<(String, String)> {
    let nobody = || "nobody".to_owned();
    let mut lines = vec![
        ("told first".to_owned(), now.first.as_ref().map_or_else(nobody, &name)),
        ("told second".to_owned(), now.second.as_ref().map_or_else(nobody, &name)),
    ];
    let rest: Vec<String> = now
        .everyone
        .iter()
        .filter(|p| Some(*p) != now.first.as_ref() && Some(*p) != now.second.as_ref())
        .map(&name)
        .collect();
    if !rest.is_empty() {
        lines.push(("told last".to_owned(), rest.join(", ")));
    }
    lines
}

fn route_words(health: &RouteHealth) -> String {
    let state = if health.refused {
        "refused as a whole, tried once an hour"
    } else if health.failing_since.is_some() {
        "failing"
    } else if health.accepted_at.is_some() {
        "took its last message"
    } else if health.let_in {
        "let us in when last tried, nothing sent since the start"
    } else {
        "nothing sent since the start"
    };
    match &health.last_error {
        Some(error) => format!("{state}; last said: {error}"),
        None => state.to_owned(),
    }
}

fn store_lines(store: &StoreHandle, now: crate::clock::Now) -> Vec<(String, String)> {
    let health = store.health();
    let megabytes = |bytes: u64| format!("{:.1} MB", bytes as f64 / 1e6);
    let line = |name: &str, words: String| (name.to_owned(), words);
    let mut lines = vec![
        line(
            "database",
            format!("{} and {} of log", megabytes(health.database_bytes), megabytes(health.wal_bytes)),
        ),
        line("free space", health.free_bytes.map_or_else(|| "unknown".to_owned(), megabytes)),
        line(
            "readings waiting",
            format!("{}, {} given up", health.waiting_readings, health.dropped_readings),
        ),
        line(
            "alarm records waiting",
            format!("{}, {} given up", health.waiting_transitions, health.dropped_transitions),
        ),
    ];
    if let Ok(outbox) = store.read_blocking(|r| r.outbox_counts(now)) {
        lines.push(line(
            "messages",
            format!(
                "{} waiting, {} being sent, {} refused for good",
                outbox.queued, outbox.sending, outbox.failed
            ),
        ));
    }
    lines.extend(
        health.moved_aside.iter().map(|path| line("damaged file moved aside", path.display().to_string())),
    );
    lines.extend(health.carried_over.iter().map(|words| line("carried over from it", words.clone())));
    lines
}
