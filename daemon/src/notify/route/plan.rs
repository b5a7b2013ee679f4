//! Steps and their waits, and who stands on each: people, addresses, rota.

use crate::alarm::event::Priority;
use crate::config::checked::{Config, Rota};
use crate::ids::PersonId;
use crate::notify::message::Words;
use crate::notify::rota;
use crate::notify::{FOLDER, MAIL, TEXT, WEBHOOK};
use chrono::Timelike;
use nightjar_calc::time::{Span, Timestamp, Zone};
use std::collections::BTreeMap;

/// The step that tells everyone; those after it repeat it.
pub(super) const EVERYONE: u32 = 3;

/// Time from step 0 to a step.
pub(super) fn offset(priority: Priority, step: u32) -> Span {
    let step = i64::from(step);
    match (priority, step) {
        (_, ..=0) => Span::ZERO,
        (Priority::P1, 1) => Span::from_minutes(5),
        (Priority::P1, 2) => Span::from_minutes(10),
        // Every 15 min from 20 min on, every 30 min once two hours have passed.
        (Priority::P1, 3..=10) => Span::from_minutes(20 + 15 * (step - 3)),
        (Priority::P1, _) => Span::from_minutes(125 + 30 * (step - 10)),
        (Priority::P2 | Priority::P3, 1) => Span::from_minutes(15),
        (Priority::P2 | Priority::P3, 2) => Span::from_minutes(30),
        (Priority::P2 | Priority::P3, _) => Span::from_minutes(120 + 240 * (step - 3)),
    }
}

/// Somebody who can be told.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Contact {
    /// International number.
    pub phone: Option<String>,
    /// E-mail address.
    pub email: Option<String>,
    /// Local minutes of day: from, until. May pass midnight.
    pub quiet_hours: Option<(u16, u16)>,
}

/// Which routes are set up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Routes {
    /// Text messages.
    pub text: bool,
    /// E-mail.
    pub mail: bool,
    /// Folder; gets a copy of every message.
    pub folder: bool,
}

impl Routes {
    /// The folder is all there is: whoever set it up so reads it.
    pub(super) const fn only_folder(self) -> bool {
        self.folder && !self.text && !self.mail
    }
}

/// Who there is, how they are reached, and who is on call.
#[derive(Clone, Debug)]
pub struct Directory {
    /// Everybody.
    pub contacts: BTreeMap<PersonId, Contact>,
    /// Who is on call.
    pub rota: Rota,
    /// Stays on call because who comes has not answered.
    pub stays: Option<PersonId>,
    /// Routes that work.
    pub routes: Routes,
    /// Receivers of web calls, by name.
    pub receivers: Vec<PersonId>,
    /// A message a day tells that all is well, or what is not.
    pub daily: bool,
    /// Local minute of day of the digest.
    pub digest_at: u16,
    /// Words for messages.
    pub words: Words,
}

impl Directory {
    /// From the configuration.
    #[must_use]
    pub fn new(config: &Config) -> Self {
        let contact = |p: &crate::config::checked::Person| Contact {
            phone: p.phone.clone(),
            email: p.email.clone(),
            quiet_hours: p.quiet_hours,
        };
        Self {
            contacts: config.people.iter().map(|p| (p.id.clone(), contact(p))).collect(),
            rota: config.rota.clone(),
            stays: None,
            routes: Routes {
                text: config.notify.sms.is_some(),
                mail: config.notify.email.is_some(),
                folder: config.notify.mail_folder.is_some(),
            },
            receivers: config.notify.webhooks.iter().filter_map(|w| PersonId::new(&w.id).ok()).collect(),
            daily: config.notify.daily_at.is_some(),
            digest_at: config.notify.daily_at.unwrap_or(7 * 60),
            words: Words {
                zone: config.rack.zone,
                station: config.rack.station.clone(),
                supply: config.supply.clone(),
                names: config.people.iter().map(|p| (p.id.clone(), p.name.clone())).collect(),
                actions: config.alarm.actions.clone(),
                page: config.web.public_url.clone(),
            },
        }
    }

    fn zone(&self) -> Zone {
        self.words.zone
    }

    /// Who is told at a step. With nobody on call everyone known is: an alarm must reach somebody.
    pub(super) fn people_at(&self, step: u32, at: Timestamp) -> Vec<PersonId> {
        let mut on_call = rota::on_call(&self.rota, self.zone(), at);
        if let Some(stays) = &self.stays {
            let comes = on_call.first.replace(stays.clone());
            on_call.second = comes.or(on_call.second);
            if !on_call.everyone.contains(stays) {
                on_call.everyone.push(stays.clone());
            }
        }
        let mut people: Vec<PersonId> = match step {
            0 | 1 => on_call.first.into_iter().collect(),
            2 => on_call.second.into_iter().chain(on_call.first).collect(),
            _ => on_call.everyone.clone(),
        };
        if people.is_empty() {
            people = on_call.everyone;
        }
        if people.is_empty() {
            people = self.contacts.keys().cloned().collect();
        }
        people
    }

    /// Time to the next moment at which a step has nobody. One person alone can be no second
    /// contact, so that only a moment without anybody counts then.
    pub(super) fn next_hole(&self, at: Timestamp, ahead: Span) -> Option<Span> {
        let hole = rota::first_hole(&self.rota, self.zone(), at, ahead)?;
        (hole.nobody || self.contacts.len() > 1).then(|| hole.from.since(at))
    }

    /// Routes by which somebody can be reached, best first.
    pub(super) fn ways(&self, person: &PersonId) -> Vec<&'static str> {
        [TEXT, MAIL, FOLDER].into_iter().filter(|way| self.address(person, way).is_some()).collect()
    }

    /// Where a route reaches somebody.
    pub(super) fn address(&self, person: &PersonId, way: &str) -> Option<String> {
        if way == WEBHOOK {
            return self.receivers.contains(person).then(|| person.to_string());
        }
        let contact = self.contacts.get(person)?;
        match way {
            TEXT => contact.phone.clone().filter(|_| self.routes.text),
            MAIL => contact.email.clone().filter(|_| self.routes.mail),
            FOLDER => self.routes.folder.then(|| person.to_string()),
            _ => None,
        }
    }

    /// How long somebody's quiet hours last from now; `None` outside of them.
    pub(super) fn quiet_left(&self, person: &PersonId, at: Timestamp) -> Option<Span> {
        let (from, until) = self.contacts.get(person)?.quiet_hours?;
        let minute = self.minute(at);
        let inside = if from <= until {
            (i64::from(from)..i64::from(until)).contains(&minute)
        } else {
            minute >= i64::from(from) || minute < i64::from(until)
        };
        inside.then(|| Span::from_minutes((i64::from(until) - minute).rem_euclid(24 * 60)))
    }

    fn minute(&self, at: Timestamp) -> i64 {
        let local = self.zone().local(at);
        i64::from(local.hour() * 60 + local.minute())
    }

    /// Time to the next digest.
    pub(super) fn until_digest(&self, at: Timestamp) -> Span {
        let zone = self.zone();
        let today = zone.day_of(at);
        let minutes = i64::from(self.digest_at);
        let of = |day: nightjar_calc::time::Day| {
            let local = day.date().and_time(chrono::NaiveTime::MIN) + chrono::TimeDelta::minutes(minutes);
            zone.instant_or_next(local)
        };
        let next = [of(today), of(today.plus(1)), of(today.plus(2))].into_iter().find(|next| *next > at);
        next.map_or(Span::from_hours(24), |next| next.since(at))
    }

    /// Number of the local day, for the key of the digest.
    pub(super) fn day_number(&self, at: Timestamp) -> u32 {
        let days =
            self.zone().day_of(at).date().signed_duration_since(chrono::NaiveDate::default()).num_days();
        u32::try_from(days).unwrap_or(0)
    }
}
