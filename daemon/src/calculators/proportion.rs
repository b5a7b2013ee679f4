//! `nightjar calc proportion`: a share with its interval.

use super::sheet::{Sheet, pairs};
use crate::cli::failure::Failure;
use clap::Args;
use nightjar_calc::proportion::{LEVEL, ProportionError, Sample, combine};

/// One or several dips.
#[derive(Debug, Args)]
#[command(allow_negative_numbers = true)]
pub struct Arguments {
    /// Counted in each dip: fertilized, eyed, hatched
    #[arg(long, num_args = 1.., required = true)]
    hits: Vec<u32>,
    /// Looked at in each dip
    #[arg(long, num_args = 1.., required = true)]
    of: Vec<u32>,
    /// Share of repetitions in which the interval holds the truth
    #[arg(long, default_value_t = LEVEL)]
    level: f64,
}

fn wrong(error: ProportionError) -> Failure {
    Failure::usage(error)
}

/// Tells the share.
///
/// # Errors
/// When a number makes no sense.
pub fn sheet(dips: &Arguments) -> Result<Sheet, Failure> {
    let samples: Vec<Sample> = pairs(("--hits", "--of"), &dips.hits, &dips.of)?
        .into_iter()
        .map(|(hits, of)| Sample::new(hits, of))
        .collect::<Result<_, _>>()
        .map_err(wrong)?;
    let all = combine(&samples, dips.level).map_err(wrong)?;
    let i = all.interval;
    let mut sheet = Sheet::new(format!(
        "{:.1} % ({:.1} to {:.1} %): {} of {}",
        100.0 * i.likely,
        100.0 * i.low,
        100.0 * i.high,
        all.sample.hits(),
        all.sample.of()
    ))
    .value("share", i.likely)
    .value("low", i.low)
    .value("high", i.high)
    .value("level", dips.level)
    .value("hits", all.sample.hits())
    .value("of", all.sample.of())
    .value("dispersion", all.dispersion)
    .value("dips_disagree", all.disagree)
    .how(format!("Wilson's score interval at {:.0} of 100", 100.0 * dips.level))
    .source("Wilson 1927");
    if samples.len() == 1 {
        sheet = sheet.caution("eggs of one dip are not independent: take several from different places");
    } else {
        sheet =
            sheet.how(format!("{} dips; spread {:.2} times that of chance", samples.len(), all.dispersion));
    }
    if all.disagree {
        sheet = sheet.caution("the dips disagree more than chance would have it: mix better and dip again");
    }
    Ok(sheet)
}
