//! The working calculators: numbers by name in, a sheet with the answer out. The command line, the page
//! and the JSON interface ask the same questions by the same names.

mod breeders;
mod count;
mod dose;
mod oxygen;
mod proportion;
mod sensor;
mod sheet;

pub use sheet::Sheet;

use crate::cli::failure::Failure;
use clap::{Parser, Subcommand};

/// What can be asked.
#[derive(Debug, Subcommand)]
pub enum Question {
    /// Number of eggs by trough, volume, weight or displacement, with its interval
    #[command(subcommand)]
    Count(count::Method),
    /// A share counted in one or several dips, with its interval
    Proportion(proportion::Arguments),
    /// Amount and rate of a treatment against fungus
    #[command(subcommand)]
    Dose(dose::Agent),
    /// Oxygen at saturation; or how long a stopped jar has
    Oxygen(oxygen::Arguments),
    /// Temperature or flow from a raw signal
    #[command(subcommand)]
    Sensor(sensor::Sensor),
    /// Effective number of breeders
    Breeders(breeders::Arguments),
}

impl Question {
    /// The answer.
    ///
    /// # Errors
    /// When a number makes no sense (exit 64) or a rule refuses (exit 65).
    pub fn answer(&self) -> Result<Sheet, Failure> {
        match self {
            Self::Count(method) => count::sheet(method),
            Self::Proportion(dips) => proportion::sheet(dips),
            Self::Dose(agent) => dose::sheet(agent),
            Self::Oxygen(question) => oxygen::sheet(question),
            Self::Sensor(sensor) => sensor::sheet(sensor),
            Self::Breeders(fish) => breeders::sheet(fish),
        }
    }
}

/// A question alone, so that others than the command line can ask.
#[derive(Debug, Parser)]
#[command(name = "calculator", disable_help_flag = true, disable_help_subcommand = true)]
struct Asked {
    #[command(subcommand)]
    question: Question,
}

/// More names than this are no honest question.
const NAMES: usize = 64;

/// Answers a question given by its path (`count/trough`) and its numbers by name (`length_in`, `12`). A
/// name may come several times where several numbers are wanted; `true` sets a switch.
///
/// # Errors
/// When there is no such calculator, a name is not one of its own, or as [`Question::answer`].
pub fn ask<'a>(path: &str, given: impl IntoIterator<Item = (&'a str, &'a str)>) -> Result<Sheet, Failure> {
    let plain = |text: &str| {
        !text.is_empty() && text.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
    };
    let mut words = vec!["calculator".to_owned()];
    for step in path.split('/') {
        if !plain(step) {
            return Err(Failure::usage("no such calculator"));
        }
        words.push(step.to_owned());
    }
    for (at, (name, value)) in given.into_iter().enumerate() {
        if at >= NAMES {
            return Err(Failure::usage(format!("more than {NAMES} numbers are given")));
        }
        if !plain(name) {
            let shown: String = name.chars().take(24).collect();
            return Err(Failure::usage(format!("{shown:?} is no name of a number")));
        }
        let name = name.replace('_', "-");
        match value.trim() {
            "" | "false" => {}
            "true" => words.push(format!("--{name}")),
            value => words.push(format!("--{name}={value}")),
        }
    }
    let answer = match Asked::try_parse_from(words) {
        Ok(asked) => asked.question.answer(),
        Err(error) => Err(Failure::of_arguments(&error)
            .unwrap_or_else(|| Failure::usage("this names several calculators; take one of them"))),
    };
    answer.map_err(|failure| Failure { message: by_name(&failure.message), ..failure })
}

/// A message of the command line in the names used here: `--length-in <X>` is `length_in`.
fn by_name(message: &str) -> String {
    let message = message.trim_end_matches("; --help shows how");
    let words = message.split(' ').filter(|word| !(word.starts_with('<') && word.ends_with(['>', ','])));
    let words = words.map(|word| match word.split_once("--") {
        Some((before, name)) => format!("{before}{}", name.replace('-', "_")),
        None => word.to_owned(),
    });
    words.collect::<Vec<_>>().join(" ")
}

/// A number a calculator can be given.
#[derive(Debug)]
pub struct Wanted {
    /// Its name.
    pub name: String,
    /// What it is, with its unit.
    pub help: String,
    /// Must be given.
    pub required: bool,
    /// May be given several times.
    pub many: bool,
    /// Is a switch.
    pub switch: bool,
    /// Words to choose from; empty when it is a number.
    pub words: Vec<String>,
}

/// A calculator as described.
#[derive(Debug)]
pub struct Described {
    /// Its path, like `count/trough`.
    pub path: String,
    /// What it does.
    pub about: String,
    /// What it can be given.
    pub wants: Vec<Wanted>,
}

/// All calculators, from the definitions that also read the questions.
#[must_use]
pub fn described() -> Vec<Described> {
    let mut all = Vec::new();
    for command in <Asked as clap::CommandFactory>::command().get_subcommands() {
        describe(command, "", &mut all);
    }
    all
}

fn describe(command: &clap::Command, under: &str, all: &mut Vec<Described>) {
    let path = format!("{under}{}", command.get_name());
    if !command.is_subcommand_required_set() {
        let about = command.get_about().map(ToString::to_string).unwrap_or_default();
        let wants = command.get_arguments().map(wanted).collect();
        all.push(Described { path: path.clone(), about, wants });
    }
    for deeper in command.get_subcommands() {
        describe(deeper, &format!("{path}/"), all);
    }
}

fn wanted(argument: &clap::Arg) -> Wanted {
    let action = argument.get_action();
    let possible = argument.get_possible_values();
    let switch = matches!(action, clap::ArgAction::SetTrue);
    Wanted {
        name: argument.get_id().to_string(),
        help: argument.get_help().map(ToString::to_string).unwrap_or_default(),
        required: argument.is_required_set(),
        many: matches!(action, clap::ArgAction::Append),
        switch,
        words: if switch { Vec::new() } else { possible.iter().map(|v| v.get_name().to_owned()).collect() },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_question_by_path_and_names_is_the_one_of_the_command_line() {
        // 150 eggs to 12 in: published as 132,000 or so to the quart by von Bayer's table.
        let sheet =
            ask("count/trough", [("eggs", "150"), ("length_in", "12"), ("volume_qt", "2.5")]).unwrap();
        assert!(sheet.answers()[0].starts_with("330,000 "), "{sheet:?}");
        let dips = [("hits", "92"), ("of", "100"), ("hits", "91"), ("of", "100")];
        assert!(ask("proportion", dips).unwrap().answers()[0].starts_with("91.5 %"));
    }

    #[test]
    fn what_is_no_question_gets_one_line() {
        let refused: [(&str, &[(&str, &str)]); 10] = [
            ("", &[]),
            ("count", &[]),
            ("count/spoon", &[]),
            ("--help", &[]),
            ("help", &[]),
            ("count/trough", &[("eggs", "150")]),
            ("count/trough", &[("eggs", "x"), ("length_in", "12"), ("volume_qt", "2.5")]),
            ("count/trough", &[("help", "true")]),
            ("breeders", &[("females", "60"), ("males", "90"), ("--format", "json")]),
            ("proportion", &[("hits", "--of"), ("of", "1")]),
        ];
        for (path, given) in refused {
            let failure = ask(path, given.iter().copied()).unwrap_err();
            assert!(!failure.message.is_empty() && !failure.message.contains('\n'), "{failure:?}");
        }
        let many: Vec<_> = (0..1000).map(|_| ("hits", "1")).collect();
        assert!(ask("proportion", many).is_err());
    }

    #[test]
    fn every_calculator_is_described_with_what_it_wants() {
        let all = described();
        let paths: Vec<&str> = all.iter().map(|c| c.path.as_str()).collect();
        for path in ["count/trough", "proportion", "dose/formalin", "oxygen", "oxygen/stopped", "breeders"] {
            assert!(paths.contains(&path), "{path} in {paths:?}");
        }
        assert!(!paths.contains(&"count"), "a family of calculators answers nothing");
        for calculator in &all {
            assert!(!calculator.about.is_empty() && !calculator.wants.is_empty(), "{calculator:?}");
            assert!(calculator.wants.iter().all(|w| !w.help.is_empty()), "{calculator:?}");
        }
    }
}
