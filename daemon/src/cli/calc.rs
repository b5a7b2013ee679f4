//! `nightjar calc`: the working calculators. The answer first, then how it was got and where from.

mod breeders;
mod count;
mod dose;
mod oxygen;
mod proportion;
mod sensor;
mod sheet;

use super::failure::Failure;
use super::output::{Format, Output};
use clap::{Args, Subcommand};
use sheet::Sheet;

/// What to calculate.
#[derive(Debug, Args)]
pub struct Arguments {
    #[command(subcommand)]
    what: What,
    /// Form of the result
    #[arg(long, value_enum, default_value_t, global = true)]
    format: Format,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Number of eggs by trough, volume, weight or displacement
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

/// Calculates.
///
/// # Errors
/// Exit 64 when a number makes no sense, 65 when a dose is outside its rule.
pub fn run(arguments: &Arguments, output: &mut Output) -> Result<(), Failure> {
    let sheet: Sheet = match &arguments.what {
        What::Count(method) => count::sheet(method)?,
        What::Proportion(dips) => proportion::sheet(dips)?,
        What::Dose(agent) => dose::sheet(agent)?,
        What::Oxygen(question) => oxygen::sheet(question)?,
        What::Sensor(sensor) => sensor::sheet(sensor)?,
        What::Breeders(fish) => breeders::sheet(fish)?,
    };
    sheet.write(arguments.format, output)
}
