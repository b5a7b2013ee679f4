//! The books as the page and the JSON interface need them: replayed from the logbook, off the async
//! threads.

use super::backend::EntryFilter;
use super::past;
use super::view::View;
use super::words::refusals;
use crate::logbook::{Act, Entry, standing};
use crate::progress::books::{Books, Known};
use crate::rack::JarIx;
use crate::season::{Answered, Material, Table, Way, answered, tables};
use crate::today::{self, Item, Situation, TANK_READY};
use nightjar_calc::time::Timestamp;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Alarm events looked at for the report.
const EVENTS: usize = 5_000;

/// The logbook and what follows from it.
pub struct Accounts {
    /// All entries.
    pub entries: Vec<Entry>,
    /// The books.
    pub books: Books,
}

/// Replays the logbook.
pub async fn accounts(view: &View) -> Result<Arc<Accounts>, String> {
    let filter = EntryFilter { limit: usize::MAX, ..EntryFilter::default() };
    let entries: Vec<Entry> =
        past::entries(view, filter).await?.into_iter().map(|booked| booked.entry).collect();
    let (rack, species) = (Arc::clone(&view.site.backend.rack), Arc::clone(&view.site.backend.species));
    let replay = move || {
        let plain = |name: &str| name.replace([' ', '-'], "_").to_lowercase();
        let key = |name: &str| {
            let found = species
                .iter()
                .find(|s| s.key == name || plain(&s.key) == plain(name) || plain(&s.name) == plain(name));
            found.map(|s| s.key.clone()).ok_or_else(|| refusals::no_species(name))
        };
        let books = Books::from_entries(&entries, Known { rack: &rack, species: &key });
        Arc::new(Accounts { entries, books })
    };
    tokio::task::spawn_blocking(replay).await.map_err(|_| refusals::NO_BOOKS.to_owned())
}

impl Accounts {
    /// When the tank of a jar was last noted as ready.
    fn tank_ready(&self) -> BTreeMap<String, Timestamp> {
        let (done, _) = standing(&self.entries);
        let mut ready = BTreeMap::new();
        for done in done {
            if let Act::Note(note) = done.act
                && let Some(jar) = &note.jar
                && note.text.trim().eq_ignore_ascii_case(TANK_READY)
            {
                let last = ready.entry(jar.to_string()).or_insert(done.at);
                *last = done.at.max(*last);
            }
        }
        ready
    }

    /// The work list now.
    pub fn work(&self, view: &View) -> Vec<Item> {
        let ready = self.tank_ready();
        let of_jar = |jar: JarIx| ready.get(view.rack().jar(jar).id.as_str()).copied();
        today::work(&Situation {
            rack: view.rack(),
            snapshot: &view.snap,
            books: &self.books,
            tank_ready: &of_jar,
            now: view.now.utc,
        })
    }

    /// The report with what the page knows of thermal history: the jars that hold eggs now.
    pub fn with_report<T>(
        &self,
        view: &View,
        alarms: &[Answered],
        make: impl FnOnce(&Material<'_>, &[Table]) -> T,
    ) -> T {
        let (done, _) = standing(&self.entries);
        let ways: Vec<Way> = view
            .jars()
            .filter_map(|(ix, jar, now)| {
                let content = self.books.in_jar(ix)?;
                Some(Way {
                    jar: jar.id.to_string(),
                    lot: content.lot.to_string(),
                    loaded_at: content.segments.first()?.from,
                    left_at: None,
                    progress: now?.progress.as_deref().cloned(),
                    forecast: None,
                })
            })
            .collect();
        let material = Material {
            rack: view.rack(),
            books: &self.books,
            done: &done,
            ways: &ways,
            alarms,
            days: &[],
            now: view.now.utc,
        };
        make(&material, &tables(&material))
    }
}

/// Alarms of the journal with what people did.
pub async fn alarms(view: &View) -> Result<Vec<Answered>, String> {
    Ok(answered(&past::journal(view, None, EVENTS).await?))
}
