//! The writer: one thread that takes readings and requests one after the other, and wakes by the
//! clock for what is due.

use super::StoreOptions;
use super::desk::Desk;
use super::error::StoreError;
use super::file::ReadGate;
use super::health::StoreHealth;
use super::journal::Transition;
use super::outbox::MessageId;
use super::tail::Moved;
use crate::clock::{Clock, Now, sleep_or_never};
use crate::reading::{Reading, Receipt};
use rusqlite::Connection;
use std::sync::Arc;
use std::sync::mpsc::SyncSender;
use tokio::sync::{mpsc, oneshot, watch};

/// Readings that came together.
#[derive(Debug)]
pub(super) struct Group {
    pub readings: Vec<Reading>,
    pub receipt: Option<Receipt>,
}

/// Which run, and when.
#[derive(Clone, Copy, Debug)]
pub(super) struct At {
    pub run: i64,
    pub now: Now,
}

/// Work that is done in one transaction and answers by itself.
pub(super) type Job = Box<dyn FnOnce(&mut Desk) + Send>;

type Reply<T> = oneshot::Sender<Result<T, StoreError>>;

/// What the writer is asked to do.
pub(super) enum Request {
    Commit { transition: Box<Transition>, reply: Reply<Vec<Option<MessageId>>> },
    Work(Job),
    Flush { reply: Reply<()> },
    Compact { reply: Reply<Moved> },
    QuickCheck { reply: Reply<()> },
    Close { reply: Reply<()> },
}

/// Wraps work so that its answer is sent when it is on disk. The work may be called twice: again
/// after space was freed.
pub(super) fn job<T: Send + 'static>(
    mut work: impl FnMut(&Connection, At) -> Result<T, StoreError> + Send + 'static,
    reply: Reply<T>,
) -> Job {
    Box::new(move |desk| answer(reply, desk.write(&mut work)))
}

/// The one who asked may have gone; then nobody wants to know.
fn answer<T>(reply: Reply<T>, result: Result<T, StoreError>) {
    drop(reply.send(result));
}

/// Everything the writer begins with.
pub(super) struct Start {
    pub options: StoreOptions,
    pub clock: Arc<dyn Clock>,
    pub gate: Arc<ReadGate>,
    pub health: watch::Sender<StoreHealth>,
    pub outbox_changed: watch::Sender<u64>,
    pub run: Arc<std::sync::atomic::AtomicI64>,
    pub samples: mpsc::Receiver<Group>,
    pub requests: mpsc::Receiver<Request>,
}

/// Groups taken from the queue at once: they share a commit when they came faster than the disk.
const TAKE: usize = 512;

/// The thread. Tells `opened` how opening went, then works until closed.
pub(super) fn run(start: Start, opened: &SyncSender<Result<(), StoreError>>) {
    let Start { options, clock, gate, health, outbox_changed, run, mut samples, mut requests } = start;
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_time().build() {
        Ok(runtime) => runtime,
        Err(source) => {
            let path = options.path;
            drop(opened.send(Err(StoreError::File { action: "start the writer of", path, source })));
            return;
        }
    };
    let must_open = options.must_open;
    let mut desk = Desk::new(options, Arc::clone(&clock), gate, health, outbox_changed, run);
    match desk.first_open() {
        Ok(()) => drop(opened.send(Ok(()))),
        Err(error @ StoreError::NewerSchema { .. }) => return drop(opened.send(Err(error))),
        Err(error) if must_open => return drop(opened.send(Err(error))),
        Err(error) => {
            tracing::error!(%error, "the store cannot be opened, readings and alarms are kept in memory");
            drop(opened.send(Ok(())));
        }
    }
    runtime.block_on(serve(&mut desk, &*clock, &mut samples, &mut requests));
}

async fn serve(
    desk: &mut Desk,
    clock: &dyn Clock,
    samples: &mut mpsc::Receiver<Group>,
    requests: &mut mpsc::Receiver<Request>,
) {
    let mut groups = Vec::with_capacity(TAKE);
    loop {
        tokio::select! {
            // Alarms and entries before readings, readings before housekeeping.
            biased;
            request = requests.recv() => match request {
                Some(Request::Close { reply }) => {
                    take_rest(desk, samples);
                    return answer(reply, desk.close());
                }
                Some(request) => handle(desk, samples, request),
                None => {
                    take_rest(desk, samples);
                    return report(desk.close());
                }
            },
            taken = samples.recv_many(&mut groups, TAKE), if !samples.is_closed() || !samples.is_empty() => {
                if taken > 0 {
                    groups.drain(..).for_each(|group| desk.take(group));
                }
            }
            () = sleep_or_never(clock, desk.wake_at()) => {}
        }
        desk.do_what_is_due();
    }
}

fn handle(desk: &mut Desk, samples: &mut mpsc::Receiver<Group>, request: Request) {
    match request {
        Request::Commit { transition, reply } => answer(reply, desk.commit(*transition)),
        Request::Work(job) => job(desk),
        Request::Flush { reply } => {
            take_rest(desk, samples);
            answer(reply, desk.flush());
        }
        Request::Compact { reply } => {
            take_rest(desk, samples);
            answer(reply, desk.flush().and_then(|()| desk.compact_all()));
        }
        Request::QuickCheck { reply } => answer(reply, desk.quick_check()),
        Request::Close { reply } => answer(reply, desk.close()),
    }
}

/// Readings that were handed over before a request belong before it.
fn take_rest(desk: &mut Desk, samples: &mut mpsc::Receiver<Group>) {
    while let Ok(group) = samples.try_recv() {
        desk.take(group);
    }
}

fn report(result: Result<(), StoreError>) {
    if let Err(error) = result {
        tracing::error!(%error, "the store was not closed cleanly");
    }
}
