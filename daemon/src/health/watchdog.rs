//! Feeds the service manager's watchdog (`WATCHDOG=1`, sd_notify(3)) while every vital task works.

use super::Beats;
use crate::clock::Clock;
use crate::store::StoreHandle;
use nightjar_calc::time::Span;
use sd_notify::NotifyState;
use std::sync::Arc;
use tokio_util::sync::CancellationToken;

/// How often the beats are looked at where no watchdog is set.
const USUAL: Span = Span::from_secs(15);
/// The store must answer within this.
const STORE_LIMIT: Span = Span::from_secs(20);

/// How often the service manager wants to hear of us: half of what it allows, as its manual
/// recommends. `None` when it does not watch.
#[must_use]
pub fn period() -> Option<Span> {
    let allowed = sd_notify::watchdog_enabled()?;
    Some(Span::from_ms(i64::try_from(allowed.as_millis() / 2).unwrap_or(i64::MAX).max(50)))
}

/// Looks at the beats until told to stop. The store's beat is fetched here: its writer has to
/// answer, whether it can write or not.
pub async fn run(beats: Beats, store: StoreHandle, clock: Arc<dyn Clock>, stop: CancellationToken) {
    let period = period();
    let every = period.unwrap_or(USUAL);
    let store_beat = beats.register("store", STORE_LIMIT.max(every + every), clock.now().up);
    let mut next = clock.now().up;
    let mut silent = false;
    loop {
        tokio::select! {
            biased;
            () = stop.cancelled() => return,
            () = clock.sleep_until(next) => {}
        }
        next = clock.now().up.after(every);
        tokio::select! {
            biased;
            () = stop.cancelled() => return,
            // A store that fails and says so works: watching goes on from memory.
            _answer = store.flush() => store_beat.beat(clock.now().up),
            () = clock.sleep_until(next) => {}
        }
        let late = beats.late(clock.now().up);
        if late.is_empty() {
            silent = false;
            if period.is_some() {
                // Outside of a service there is nobody to tell.
                drop(sd_notify::notify(&[NotifyState::Watchdog]));
            }
        } else if !silent {
            silent = true;
            for age in late {
                tracing::error!(task = age.name, age_s = age.age.secs(), "a vital task does nothing");
            }
        }
    }
}
