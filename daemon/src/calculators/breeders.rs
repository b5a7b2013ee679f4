//! `nightjar calc breeders`: effective number of breeders.

use super::sheet::{Sheet, pairs};
use crate::cli::failure::Failure;
use clap::Args;
use nightjar_calc::breeders::{Spawners, pooled};

/// Fish of one or several takes.
#[derive(Debug, Args)]
#[command(allow_negative_numbers = true)]
pub struct Arguments {
    /// Females of each take
    #[arg(long, num_args = 1.., required = true)]
    females: Vec<u32>,
    /// Males of each take
    #[arg(long, num_args = 1.., required = true)]
    males: Vec<u32>,
    /// Males of each take that an earlier one had used
    #[arg(long, num_args = 1..)]
    males_reused: Vec<u32>,
}

/// Calculates.
///
/// # Errors
/// When a number makes no sense.
pub fn sheet(fish: &Arguments) -> Result<Sheet, Failure> {
    let takes = pairs(("--females", "--males"), &fish.females, &fish.males)?;
    let reused = if fish.males_reused.is_empty() { vec![0; takes.len()] } else { fish.males_reused.clone() };
    let takes: Vec<Spawners> = pairs(("--females", "--males-reused"), &takes, &reused)?
        .into_iter()
        .map(|((females, males), males_reused)| Spawners { females, males, males_reused })
        .collect();
    let all = pooled(&takes).map_err(Failure::usage)?;
    Ok(Sheet::new(format!("at most {:.1} effective breeders", all.effective_at_most))
        .and(format!("inbreeding at least {:.3} % per generation", 100.0 * all.inbreeding_at_least))
        .value("effective_at_most", all.effective_at_most)
        .value("inbreeding_at_least", all.inbreeding_at_least)
        .value("females", all.females)
        .value("males", all.males)
        .value("males_reused", all.males_reused)
        .how(format!(
            "4 × females × males / (females + males), {} females and {} males",
            all.females, all.males
        ))
        .source("usual formula for unequal sexes; inbreeding 1 / (2 × effective number)")
        .caution(
            "an upper bound: pooled milt does not share out equally, so cross females with single males",
        ))
}
