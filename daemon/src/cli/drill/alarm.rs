//! `nightjar drill alarm`: asks the station at work to raise a P1 that means nothing. It goes
//! through ladder and routes like any other; how soon each phone answered is written down, and its
//! age stands on the page of the station.

use crate::cli::backup::{configuration, database};
use crate::cli::failure::Failure;
use crate::cli::output::{Format, Output};
use crate::clock::{Clock, NotBeforeBuild, SystemClock, Uptime};
use crate::config::Config;
use crate::drill::{KEY, LONGEST, Outcome, Record, request};
use crate::ids::PersonId;
use crate::store::{StoreError, look_at};
use clap::Args;
use nightjar_calc::time::Span;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// How the drill is asked for.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Configuration file of the station
    #[arg(long, value_name = "FILE", default_value = "/etc/nightjar/nightjar.toml")]
    config: PathBuf,
    /// Return once the drill has begun
    #[arg(long)]
    no_wait: bool,
    /// Form of the result
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// A station at work takes a request within seconds; after this long there is none.
const TAKEN_WITHIN: Span = Span::from_secs(20);
/// How often is looked.
const EVERY: Span = Span::from_ms(500);
/// Longest wait for the end beyond the longest drill.
const SLACK: Span = Span::from_minutes(2);

/// Asks for a drill and waits for its end.
///
/// # Errors
/// Exit 74 when no station takes the request, nobody answers, or the request cannot be written; 65
/// when the station refuses it; 78 when the configuration is refused.
pub fn run(arguments: &Arguments, output: &mut Output) -> Result<(), Failure> {
    let config = configuration(&arguments.config)?;
    let path = database(&config)?;
    let clock = SystemClock::new(Box::new(NotBeforeBuild));
    let id = format!("{}-{}", clock.now().utc.rfc3339(), std::process::id());
    let folder = &config.store.folder;
    request::ask(folder, &id).map_err(|error| {
        Failure::input_output(format!(
            "cannot ask for a drill in {}: {error}; run this as the user of the station, or as root",
            folder.display()
        ))
    })?;
    let runtime = super::super::run::runtime()?;
    let wait = Wait { config: &config, path: &path, clock: &clock, id: &id, arguments };
    runtime.block_on(wait.to_end(output))
}

struct Wait<'a> {
    config: &'a Config,
    path: &'a Path,
    clock: &'a SystemClock,
    id: &'a str,
    arguments: &'a Arguments,
}

impl Wait<'_> {
    async fn to_end(&self, output: &mut Output) -> Result<(), Failure> {
        let began = self.clock.now().up;
        let mut told: BTreeSet<String> = BTreeSet::new();
        loop {
            let record = self.record()?;
            let up = self.clock.now().up;
            match &record {
                None if up >= began.after(TAKEN_WITHIN) => return Err(self.not_taken()),
                None => {}
                Some(record) => {
                    if self.arguments.format == Format::Text {
                        self.progress(record, &mut told, output)?;
                    }
                    if self.arguments.no_wait || record.outcome != Outcome::Running {
                        return self.end(record, output);
                    }
                    if up >= began.after(LONGEST).after(SLACK) {
                        return Err(Failure::input_output(
                            "the station does not bring the drill to an end; look at its log",
                        ));
                    }
                }
            }
            self.clock.sleep_until(next(up)).await;
        }
    }

    /// The record of this drill, once there is one.
    fn record(&self) -> Result<Option<Record>, Failure> {
        let kept = look_at(self.path, |reader| reader.state(KEY)).map_err(|error: StoreError| {
            Failure::input_output(format!("cannot read {}: {error}", self.path.display()))
        })?;
        let record = kept.and_then(|kept| serde_json::from_value::<Record>(kept).ok());
        Ok(record.filter(|record| record.id == self.id))
    }

    fn not_taken(&self) -> Failure {
        let folder = &self.config.store.folder;
        // What nobody took must not be taken tomorrow.
        match std::fs::remove_file(request::path(folder)) {
            Ok(()) => Failure::input_output(format!(
                "no station took the request within {:.0} s: is `nightjar run` at work on {}?",
                TAKEN_WITHIN.secs(),
                folder.display()
            )),
            Err(_) => {
                Failure::input_output("the station took the request and began no drill; its log says why")
            }
        }
    }

    fn name(&self, person: &PersonId) -> String {
        let known = self.config.people.iter().find(|known| known.id == *person);
        known.map_or_else(|| person.to_string(), |known| known.name.clone())
    }

    fn progress(
        &self,
        record: &Record,
        told: &mut BTreeSet<String>,
        output: &mut Output,
    ) -> Result<(), Failure> {
        let mut lines = Vec::new();
        if !matches!(record.outcome, Outcome::Refused(_)) {
            lines.push(
                "The drill is on. Whoever gets it should answer with its code, as to any alarm.".to_owned(),
            );
        }
        for (person, routes) in &record.taken_after_s {
            for (route, after) in routes {
                lines.push(format!("{after:6.0} s  {} was sent it by {route}", self.name(person)));
            }
        }
        for (person, after) in &record.answered_after_s {
            lines.push(format!("{after:6.0} s  {} answered", self.name(person)));
        }
        for line in lines {
            if told.insert(line.clone()) {
                output.line(line)?;
            }
        }
        output.flush().map_err(|error| Failure::input_output(error.to_string()))
    }

    fn end(&self, record: &Record, output: &mut Output) -> Result<(), Failure> {
        let words = record.words(|person| self.name(person));
        match self.arguments.format {
            Format::Json => output.json(record)?,
            Format::Text => output.line(format_args!(
                "Drill of {}: {words}.",
                self.config.rack.zone.rfc3339(record.began_at)
            ))?,
        }
        match &record.outcome {
            Outcome::Running | Outcome::Answered => Ok(()),
            Outcome::Refused(why) => {
                Err(Failure::data(format!("the drill was not begun: {why}; deal with that first")))
            }
            Outcome::Unanswered => Err(Failure::input_output(format!(
                "{words}; check phones, numbers and routes, then try again"
            ))),
            Outcome::CutShort => {
                Err(Failure::input_output("the station was restarted during the drill; try again"))
            }
        }
    }
}

fn next(up: Uptime) -> Uptime {
    up.after(EVERY)
}
