//! The task that waits for a drill to be asked for and carries it out.

use super::{Drill, KEY, Outcome, Output, Record, Seen, request};
use crate::alarm::engine::Fact;
use crate::alarm::event::{AlarmKind, EventId, Priority};
use crate::clock::{Clock, Now};
use crate::ids::PersonId;
use crate::snapshot::Snapshot;
use crate::store::{JournalFilter, JournalKind, MessageState, NewLine, StoreError, StoreHandle, Transition};
use nightjar_calc::time::Span;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

/// How often a request, and what became of a drill, is looked for.
const EVERY: Span = Span::from_secs(1);
/// Lines of the journal looked through for answers.
const LINES: u32 = 500;

/// What the task works with.
pub struct Watch {
    /// Data folder, where requests lie.
    pub folder: PathBuf,
    /// The disk.
    pub store: StoreHandle,
    /// The present.
    pub picture: watch::Receiver<Arc<Snapshot>>,
    /// The way to the alarms.
    pub facts: mpsc::Sender<Fact>,
    /// The time.
    pub clock: Arc<dyn Clock>,
}

impl Watch {
    /// Works until told to stop.
    pub async fn run(self, stop: CancellationToken) {
        let mut drill: Option<Drill> = None;
        self.clear_what_was_left().await;
        loop {
            let sleep = self.clock.sleep_until(self.clock.now().up.after(EVERY));
            tokio::select! {
                biased;
                () = stop.cancelled() => return,
                () = sleep => {}
            }
            let now = self.clock.now();
            match request::take(&self.folder) {
                Ok(None) => {}
                Ok(Some(id)) => match self.in_the_way(drill.is_some()) {
                    None => drill = Some(Drill::begin(&id, now)),
                    Some(why) => {
                        tracing::warn!(why, "a drill is not begun");
                        if drill.is_none() {
                            self.keep(&Record::refused(&id, &why, now), now).await;
                        }
                    }
                },
                Err(error) => tracing::warn!(%error, "a drill is not begun"),
            }
            if let Some(running) = &mut drill {
                let seen = self.look(running).await;
                running.handle_seen(&seen, now);
                running.handle_timeout(now);
                while let Some(output) = running.poll_output() {
                    self.carry_out(output, now).await;
                }
            }
            drill = drill.filter(|drill| drill.poll_timeout().is_some());
        }
    }

    /// A drill that a restart cut short must not go on for ever.
    async fn clear_what_was_left(&self) {
        let now = self.clock.now();
        let kept = self.store.read(|r| r.state(KEY)).await.ok().flatten();
        let Some(record) = kept.and_then(|kept| serde_json::from_value::<Record>(kept).ok()) else { return };
        if record.outcome == Outcome::Running {
            self.carry_out(Output::Alarm(false), now).await;
            self.keep(&Record { outcome: Outcome::CutShort, ..record }, now).await;
        }
    }

    /// Why no drill may begin now: a real alarm must not be taken for one.
    fn in_the_way(&self, running: bool) -> Option<String> {
        if running {
            return Some("another drill goes on".to_owned());
        }
        let picture = self.picture.borrow();
        let real = picture.alarms.iter().find(|alarm| alarm.on && alarm.priority == Priority::P1)?;
        Some(format!("a real alarm is on: {}", real.line))
    }

    async fn carry_out(&self, output: Output, now: Now) {
        match output {
            Output::Alarm(on) => {
                if self.facts.send(Fact::Drill { on }).await.is_err() {
                    tracing::error!(on, "the alarm of the drill was not switched");
                }
            }
            Output::Keep(record) => self.keep(&record, now).await,
        }
    }

    async fn keep(&self, record: &Record, now: Now) {
        let body = serde_json::to_value(record).unwrap_or_default();
        let line = serde_json::json!({ "drill": body });
        let transition = Transition {
            journal: vec![NewLine { now, kind: JournalKind::Other, event: record.event, body: line }],
            state: vec![(KEY.to_owned(), Some(body))],
            ..Transition::default()
        };
        if let Err(refused) = self.store.commit(transition).await {
            tracing::warn!(error = %refused.why, "the record of a drill is not on disk yet");
        }
    }

    async fn look(&self, drill: &Drill) -> Seen {
        let mut seen = Seen { event: drill.event(), ..Seen::default() };
        {
            let picture = self.picture.borrow();
            let alarm = picture.alarms.iter().find(|alarm| alarm.kind == AlarmKind::Drill && alarm.on);
            if let Some(alarm) = alarm {
                seen.event = seen.event.or(Some(alarm.event));
                let by = alarm.acknowledged.as_ref();
                seen.answered.extend(by.and_then(|(id, _)| PersonId::new(id).ok()));
            }
        }
        let Some(event) = seen.event else { return seen };
        match self.read(event, drill).await {
            Ok((taken, answered)) => {
                seen.taken = taken;
                seen.answered.extend(answered);
            }
            Err(error) => tracing::debug!(%error, "how a drill goes cannot be read now"),
        }
        seen
    }

    /// Messages taken, and texted answers, also those that came after another one's.
    async fn read(
        &self,
        event: EventId,
        drill: &Drill,
    ) -> Result<(Vec<(PersonId, String)>, Vec<PersonId>), StoreError> {
        let began = drill.began_at();
        self.store
            .read(move |r| {
                let taken = r
                    .messages_about(event)?
                    .into_iter()
                    .filter(|m| matches!(m.state, MessageState::Accepted | MessageState::Delivered))
                    .map(|m| (m.key.person, m.key.route))
                    .collect();
                let filter = JournalFilter {
                    kind: Some(JournalKind::Answer),
                    from: Some(began),
                    ..JournalFilter::default()
                };
                let lines = r.journal(&filter, LINES)?;
                let answered = lines.iter().flat_map(|line| acknowledged(&line.body, event)).collect();
                Ok((taken, answered))
            })
            .await
    }
}

/// Who acknowledged an event by a text, as the journal has it.
fn acknowledged(body: &serde_json::Value, event: EventId) -> Vec<PersonId> {
    let all = body.get("acknowledged").and_then(|all| all.as_array());
    all.into_iter()
        .flatten()
        .filter(|one| one.get("event").and_then(serde_json::Value::as_u64) == Some(event.0))
        .filter_map(|one| PersonId::new(one.get("by")?.as_str()?).ok())
        .collect()
}
