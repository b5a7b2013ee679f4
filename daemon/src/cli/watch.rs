//! `nightjar watch`: the outside watcher.

use super::failure::Failure;
use super::run::{runtime, watch_signals};
use crate::clock::{Clock, NotBeforeBuild, SystemClock};
use crate::watch::run as watch_run;
use crate::watch::settings::{self, Secrets};
use clap::Args;
use std::path::PathBuf;
use std::sync::Arc;
use tokio_util::sync::CancellationToken;

/// What to watch.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Configuration file of the watcher
    #[arg(long, value_name = "FILE", default_value = "/etc/nightjar/watch.toml")]
    config: PathBuf,
    /// Check the configuration and end
    #[arg(long)]
    check: bool,
}

/// Runs until a signal or a failure.
///
/// # Errors
/// Exit 78 when the configuration is refused, 74 when something cannot be opened at the start.
pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let secrets = if arguments.check { Secrets::Leave } else { Secrets::Read };
    let settings = settings::load(&arguments.config, secrets).map_err(Failure::configuration)?;
    if arguments.check {
        return Ok(());
    }
    crate::observe::start();
    runtime()?.block_on(async {
        let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(Box::new(NotBeforeBuild)));
        let stop = CancellationToken::new();
        let running = watch_run::start(settings, clock, stop.clone())
            .await
            .map_err(|error| Failure::input_output(format!("{error:#}")))?;
        tracing::info!(address = %running.address, "listening for signs of life");
        // Outside systemd there is nobody to notify.
        drop(sd_notify::notify(&[sd_notify::NotifyState::Ready]));
        watch_signals(stop)?;
        running.wait().await.map_err(|error| Failure::internal(format!("{error:#}")))
    })
}
