//! Where log lines go: the journal under systemd, standard error elsewhere.

use tracing_subscriber::EnvFilter;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

/// Levels unless `NIGHTJAR_LOG` says otherwise. Libraries speak only when something is wrong.
const USUAL: &str = "info,rumqttc=warn,hyper=warn,reqwest=warn,tokio_modbus=warn";

/// Starts logging. A second call changes nothing.
pub fn start() {
    let filter = EnvFilter::try_from_env("NIGHTJAR_LOG").unwrap_or_else(|_| EnvFilter::new(USUAL));
    let registry = tracing_subscriber::registry().with(filter);
    let under_systemd = std::env::var_os("JOURNAL_STREAM").is_some();
    let journal = if under_systemd { tracing_journald::layer().ok() } else { None };
    let started = match journal {
        Some(journal) => registry.with(journal).try_init(),
        None => registry.with(tracing_subscriber::fmt::layer().with_writer(std::io::stderr)).try_init(),
    };
    // It only fails when logging has been started before, as in tests.
    drop(started);
}
