//! `nightjar calc`: the working calculators. The answer first, then how it was got and where from.

mod faults;

use super::failure::Failure;
use super::output::{Format, Output};
use crate::calculators::Question;
use clap::{Args, Subcommand, ValueEnum};

/// What to calculate.
///
/// Each prints the answer, how it was got, where formula and constants are from, and what to take care of.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct Arguments {
    #[command(subcommand)]
    what: What,
    /// Form of the result (csv only for faults)
    #[arg(long, value_enum, default_value_t, global = true)]
    format: Form,
}

const EXAMPLES: &str = "Examples:
  nightjar calc count trough --eggs 150 --length-in 12 --volume-qt 2.5
  nightjar calc proportion --hits 183 --of 200
  nightjar calc dose formalin --target-ul-per-l 1667 --flow-l-per-min 18.9 --minutes 15
  nightjar calc oxygen stopped --eggs 312500 --temp-c 10 --stage green
  nightjar calc sensor thermistor --ohms 32650 --curve 10K3
  nightjar calc breeders --females 60 --males 90
  nightjar calc faults --readings r.csv --time-column timestamp --value-column raw_c --format csv

With --format json one object comes out, its keys in snake_case with the unit in the key (temp_c, eggs_per_qt).
Exit 64: the numbers make no sense. Exit 65: a rule or a file refuses. Nothing here gives permission: label,
veterinarian and permit decide.";

/// Form of a result of this command.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
enum Form {
    /// For people.
    #[default]
    Text,
    /// For programs: one JSON object, keys in snake_case with the unit in the key.
    Json,
    /// A table with one row for each row of the file.
    Csv,
}

#[derive(Debug, Subcommand)]
enum What {
    #[command(flatten)]
    Question(Question),
    /// Which readings of a file can be trusted, one judgement for each row
    #[command(allow_negative_numbers = true)]
    Faults(faults::Arguments),
}

/// Calculates.
///
/// # Errors
/// Exit 64 when a number makes no sense, 65 when a dose is outside its rule or a file is broken, 74 when it
/// cannot be read.
pub fn run(arguments: &Arguments, output: &mut Output) -> Result<(), Failure> {
    let question = match &arguments.what {
        What::Question(question) => question,
        What::Faults(file) => return faults::run(file, arguments.format, output),
    };
    let sheet = question.answer()?;
    let format = match arguments.format {
        Form::Text => Format::Text,
        Form::Json => Format::Json,
        Form::Csv => {
            return Err(Failure::usage("this answer is no table; use --format text or --format json"));
        }
    };
    sheet.write(format, output)
}
