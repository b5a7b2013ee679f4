//! The command line: one file a command.
//!
//! Results go to standard output, problems to standard error as one message. Exit codes follow
//! sysexits: 0 done, 64 usage, 65 data, 70 internal, 74 input or output, 78 configuration.

pub mod backup;
pub mod calc;
pub mod check;
pub mod demo;
pub mod drill;
pub mod export;
pub mod failure;
pub mod generate;
pub mod hash_secret;
pub mod import;
pub mod outlook;
pub mod output;
pub mod records;
pub mod replay;
pub mod run;
pub mod season;
pub mod temperatures;
pub mod watch;

use clap::{Parser, Subcommand};
use failure::{Failure, OrFail};
use output::Output;
use std::process::ExitCode;

/// Watches a rack of egg incubation jars: flow, temperature, thermal units, hatch days, alarms.
#[derive(Debug, Parser)]
#[command(name = "nightjar", version, about, max_term_width = 100)]
pub struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// A consistent copy of the database, made while the station works; or everything as CSV
    Backup(backup::Arguments),
    /// Validate a configuration: all problems at once, exit 78 when refused
    Check(check::Arguments),
    /// Counts, shares, doses, oxygen, sensors, breeders
    Calc(calc::Arguments),
    /// Play an invented season over a real pseudo-terminal, with its page
    Demo(demo::Arguments),
    /// Try out what is needed when something breaks: an alarm to every phone, the newest copy
    Drill(drill::Arguments),
    /// Man pages and completions for the package
    #[command(hide = true)]
    Generate(generate::Arguments),
    /// What is stored, as CSV
    Export(export::Arguments),
    /// Hash a password or PIN for the configuration
    HashSecret(hash_secret::Arguments),
    /// Take temperatures of past springs over into the station's database; or records of past years
    Import(Box<import::Arguments>),
    /// Thermal units and stage dates from a file of temperatures
    Outlook(Box<outlook::Arguments>),
    /// The alarms over a recorded trace: what would have been sent, and deadbands from its noise
    Replay(Box<replay::Arguments>),
    /// The season report: a page to print, and CSV files
    Season(season::Arguments),
    /// Watch the station until told to stop
    Run(run::Arguments),
    /// The outside watcher: hears the signs of life of several stations, alarms when they stop
    Watch(watch::Arguments),
}

/// Runs the command named by the arguments of this process.
#[must_use]
pub fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            if let Some(failure) = Failure::of_arguments(&error) {
                return failure.report();
            }
            let wanted = !error.use_stderr();
            // Nobody is left to tell when even this cannot be written.
            drop(error.print());
            return if wanted { ExitCode::SUCCESS } else { ExitCode::from(failure::USAGE) };
        }
    };
    let mut output = Output::standard();
    let result = match arguments.command {
        Command::Backup(arguments) => backup::run(&arguments, &mut output),
        Command::Check(arguments) => check::run(&arguments, &mut output),
        Command::Calc(arguments) => calc::run(&arguments, &mut output),
        Command::Demo(arguments) => demo::run(&arguments, &mut output),
        Command::Drill(arguments) => drill::run(&arguments, &mut output),
        Command::Generate(arguments) => generate::run(&arguments),
        Command::Export(arguments) => export::run(&arguments, &mut output),
        Command::HashSecret(arguments) => hash_secret::run(&arguments, &mut output),
        Command::Import(arguments) => import::run(&arguments, &mut output),
        Command::Outlook(arguments) => outlook::run(&arguments, &mut output),
        Command::Replay(arguments) => replay::run(&arguments, &mut output),
        Command::Season(arguments) => season::run(&arguments, &mut output),
        Command::Run(arguments) => run::run(&arguments),
        Command::Watch(arguments) => watch::run(&arguments),
    };
    match result.and_then(|()| output.flush().or_fail("write to standard output")) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => failure.report(),
    }
}

/// What a command ends with.
pub type CommandResult = Result<(), Failure>;
