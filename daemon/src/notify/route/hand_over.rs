//! The weekly hand-over: who comes on call is sent a text and answers it, which proves number, phone
//! settings and credit. Until they do, who goes stays on.

use super::{Body, Router, TEXT};
use crate::alarm::event::{Code, Priority};
use crate::clock::Now;
use crate::ids::PersonId;
use crate::notify::{message, rota};
use crate::store::MessageKey;
use nightjar_calc::time::{Span, Timestamp};
use serde::{Deserialize, Serialize};

/// What people answer with. No alarm can be called so: theirs have three letters.
pub const WORD: &str = "DUTY";
/// An answer has this long.
pub const ANSWER_WITHIN: Span = Span::from_hours(2);
/// A hand-over that passed while the station was off is asked about within this time only.
const STILL_ASKED: Span = Span::from_hours(1);
/// The rota is looked at this often.
const LOOK: Span = Span::from_minutes(1);

/// A hand-over that was asked about.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HandOver {
    /// When the week began.
    pub began: Timestamp,
    /// Who comes on call.
    pub comes: PersonId,
    /// Who was on call.
    pub goes: PersonId,
    /// When the text left.
    pub asked_at: Timestamp,
    /// It was answered.
    pub answered: bool,
    /// Who goes knows that they stay.
    pub told: bool,
}

impl HandOver {
    /// Who stays on call because nobody answered.
    #[must_use]
    pub fn stays(&self) -> Option<&PersonId> {
        (self.told && !self.answered).then_some(&self.goes)
    }

    /// Who still has to answer.
    #[must_use]
    pub fn asked(&self) -> Option<&PersonId> {
        (!self.answered).then_some(&self.comes)
    }
}

impl Router {
    /// Begins to look at the rota, from what an earlier run knew.
    pub fn watch_rota(&mut self, saved: Option<HandOver>, now: Now) {
        self.directory.stays = saved.as_ref().and_then(HandOver::stays).cloned();
        self.hand_over = saved.clone();
        self.hand_over_written = saved;
        self.rota_due = Some(now.up);
    }

    /// The hand-over of this week, when there was somebody to ask.
    #[must_use]
    pub fn hand_over(&self) -> Option<&HandOver> {
        self.hand_over.as_ref()
    }

    /// The hand-over as it is to be kept; `None` when that is as it was at the last call.
    pub fn take_hand_over(&mut self) -> Option<Option<HandOver>> {
        let changed = self.hand_over != self.hand_over_written;
        changed.then(|| {
            self.hand_over_written.clone_from(&self.hand_over);
            self.hand_over.clone()
        })
    }

    /// Somebody answered the text of the hand-over.
    ///
    /// # Errors
    /// When nobody asked them.
    pub fn answer_hand_over(&mut self, by: &PersonId, now: Now) -> Result<(), String> {
        let asked = self.hand_over.as_mut().filter(|h| h.comes == *by && !h.answered);
        let Some(hand_over) = asked else {
            return Err("Nobody asked you whether you are on call.".to_owned());
        };
        hand_over.answered = true;
        let (goes, stayed) = (hand_over.goes.clone(), hand_over.told);
        self.directory.stays = None;
        let words = &self.directory.words;
        let comes = words.name_of(by, 20);
        let text = format!("Thank you, {comes}: you are on call at {}.", words.station_name(40));
        self.say(by, "answered", text, Priority::P2, now);
        if stayed {
            let text = format!("{comes} has answered and is on call now. You are off.");
            self.say(&goes, "relieved", text, Priority::P3, now);
        }
        Ok(())
    }

    /// Asks who comes on call, and says to who goes that they stay when nobody answers.
    pub(super) fn look_at_rota(&mut self, now: Now) {
        self.rota_due = Some(now.up.after(LOOK));
        // What week it is cannot be known by a clock that nobody set.
        if !now.trusted {
            return;
        }
        let zone = self.directory.words.zone;
        let Some(began) = rota::last_hand_over(&self.directory.rota, zone, now.utc) else { return };
        match &mut self.hand_over {
            Some(known) if known.began == began => {
                if known.answered || known.told || now.utc.since(known.asked_at) < ANSWER_WITHIN {
                    return;
                }
                known.told = true;
                let (comes, goes) = (known.comes.clone(), known.goes.clone());
                self.directory.stays = Some(goes.clone());
                let text = format!(
                    "P3 {} has not answered the text of the hand-over. You stay on call at {} until they do.",
                    self.directory.words.name_of(&comes, 20),
                    self.directory.words.station_name(40)
                );
                self.say(&goes, "stay", text, Priority::P3, now);
            }
            _ => self.begin_week(began, now),
        }
    }

    fn begin_week(&mut self, began: Timestamp, now: Now) {
        let zone = self.directory.words.zone;
        let rota = &self.directory.rota;
        let first = |at| rota::on_call(rota, zone, at).first;
        let (comes, goes) = (first(now.utc), first(began - Span::from_minutes(1)));
        let until = rota::next_hand_over(rota, zone, now.utc);
        self.hand_over = None;
        self.directory.stays = None;
        let (Some(comes), Some(goes), Some(until)) = (comes, goes, until) else { return };
        if comes == goes
            || now.utc.since(began) > STILL_ASKED
            || self.directory.address(&comes, TEXT).is_none()
        {
            return;
        }
        let text = message::hand_over(&comes, until, &Code(WORD.into()), &self.directory.words, now);
        self.say(&comes, "asked", text, Priority::P2, now);
        let asked_at = now.utc;
        self.hand_over = Some(HandOver { began, comes, goes, asked_at, answered: false, told: false });
    }

    /// A message about the hand-over, by the best way somebody has.
    fn say(&mut self, person: &PersonId, what: &str, text: String, priority: Priority, now: Now) {
        let Some(way) = self.directory.ways(person).into_iter().next() else { return };
        let Some(to) = self.directory.address(person, way) else { return };
        let about = format!("hand-over-{what}");
        let key = MessageKey {
            about: about.clone(),
            event: None,
            seq: self.directory.day_number(now.utc),
            person: person.clone(),
            route: way.to_owned(),
            step: 0,
        };
        let subject = format!("Hand-over - {}", self.directory.words.station_name(40));
        let body = Body { subject, text, to, about, ..Body::default() };
        self.queue(key, priority, &body, Some(Span::from_hours(12)));
    }
}
