//! `nightjar calc count`: eggs by trough, volume, weight or displacement.

use super::sheet::{Sheet, one_of, pairs};
use crate::cli::failure::Failure;
use clap::{Args, Subcommand};
use nightjar_calc::enumeration::{
    CountError, EggsPerLitre, Estimate, Hardened, PACKING, Settled, Subsample, VON_BAYER_K, displacement,
    gravimetric, volumetric, von_bayer,
};
use nightjar_calc::quantity::{LITRES_PER_QUART, MILLIMETRES_PER_INCH};

/// How the eggs were counted.
#[derive(Debug, Subcommand)]
pub enum Method {
    /// Touching eggs in a row of known length
    #[command(allow_negative_numbers = true)]
    Trough(Trough),
    /// Eggs counted in small settled volumes
    #[command(allow_negative_numbers = true)]
    Volume(Volume),
    /// Eggs counted in small drained weights
    #[command(allow_negative_numbers = true)]
    Weight(Weight),
    /// Eggs counted and the water they displaced
    #[command(allow_negative_numbers = true)]
    Displacement(Displacement),
}

/// Settled volume of all eggs.
#[derive(Clone, Copy, Debug, Args)]
pub struct Whole {
    /// Settled volume of all eggs, US liquid quarts
    #[arg(long, value_name = "QUARTS")]
    volume_qt: Option<f64>,
    /// Settled volume of all eggs, litres
    #[arg(long, value_name = "LITRES")]
    volume_l: Option<f64>,
    /// The eggs were counted and measured before water-hardening
    #[arg(long)]
    unhardened: bool,
}

/// Row of eggs.
#[derive(Debug, Args)]
pub struct Trough {
    /// Eggs in the row
    #[arg(long)]
    eggs: f64,
    /// Length of the row, inches
    #[arg(long)]
    length_in: Option<f64>,
    /// Length of the row, millimetres
    #[arg(long)]
    length_mm: Option<f64>,
    #[command(flatten)]
    whole: Whole,
}

/// Sub-samples by volume.
#[derive(Debug, Args)]
pub struct Volume {
    /// Eggs counted in each sub-sample
    #[arg(long, num_args = 1.., required = true)]
    eggs: Vec<f64>,
    /// Settled volume of each sub-sample, mL
    #[arg(long, num_args = 1.., required = true)]
    sample_ml: Vec<f64>,
    #[command(flatten)]
    whole: Whole,
}

/// Sub-samples by weight.
#[derive(Debug, Args)]
pub struct Weight {
    /// Eggs counted in each sub-sample
    #[arg(long, num_args = 1.., required = true)]
    eggs: Vec<f64>,
    /// Drained weight of each sub-sample, g
    #[arg(long, num_args = 1.., required = true)]
    sample_g: Vec<f64>,
    /// Drained weight of all eggs, g
    #[arg(long)]
    weight_g: Option<f64>,
}

/// Sub-samples by displaced water.
#[derive(Debug, Args)]
pub struct Displacement {
    /// Eggs counted in each sub-sample
    #[arg(long, num_args = 1.., required = true)]
    eggs: Vec<f64>,
    /// Water displaced by each sub-sample, mL
    #[arg(long, num_args = 1.., required = true)]
    displaced_ml: Vec<f64>,
    #[command(flatten)]
    whole: Whole,
}

fn wrong(error: CountError) -> Failure {
    Failure::usage(error)
}

/// Counts.
///
/// # Errors
/// When a number makes no sense.
pub fn sheet(method: &Method) -> Result<Sheet, Failure> {
    match method {
        Method::Trough(trough) => by_trough(trough),
        Method::Volume(volume) => {
            let per_litre =
                volumetric(&samples(&volume.eggs, &volume.sample_ml, "--sample-ml")?).map_err(wrong)?;
            let sheet = by_volume(per_litre, volume.whole, "volume")?;
            Ok(sheet
                .how(format!("pooled over {} sub-samples: sum of eggs / sum of volumes", volume.eggs.len())))
        }
        Method::Displacement(d) => {
            let per_litre =
                displacement(&samples(&d.eggs, &d.displaced_ml, "--displaced-ml")?).map_err(wrong)?;
            let sheet = by_volume(per_litre, d.whole, "displacement")?;
            Ok(sheet
                .how(format!(
                    "pooled over {} sub-samples; {PACKING:.3} of a settled bed is egg",
                    d.eggs.len()
                ))
                .source("share of egg in a settled bed from the trough's constant, loose random packing"))
        }
        Method::Weight(weight) => by_weight(weight),
    }
}

fn samples(eggs: &[f64], amounts: &[f64], name: &str) -> Result<Vec<Subsample>, Failure> {
    let found = pairs(("--eggs", name), eggs, amounts)?;
    Ok(found.into_iter().map(|(eggs, amount)| Subsample { eggs, amount }).collect())
}

fn by_trough(trough: &Trough) -> Result<Sheet, Failure> {
    let (which, length) =
        one_of("the row", &[("--length-in", trough.length_in), ("--length-mm", trough.length_mm)])?;
    let inches = if which == 0 { length } else { length / MILLIMETRES_PER_INCH };
    let row = von_bayer(trough.eggs, inches).map_err(wrong)?;
    let sheet = by_volume(row.per_litre, trough.whole, "trough")?;
    Ok(sheet
        .value("diameter_in", row.diameter_in)
        .value("diameter_mm", row.diameter_mm)
        .how(format!(
            "d = length / eggs = {:.4} in ({:.2} mm); {VON_BAYER_K} / d³ eggs to the quart",
            row.diameter_in, row.diameter_mm
        ))
        .source("method: von Bayer 1910; constant fitted to published pairs of diameter and count"))
}

fn by_volume(per_litre: EggsPerLitre<Hardened>, whole: Whole, method: &str) -> Result<Sheet, Failure> {
    let state = if whole.unhardened { "unhardened" } else { "hardened" };
    let quart = per_litre.per_quart();
    let per_quart = format!("{quart} {state} eggs to the quart");
    let volume = match (whole.volume_qt, whole.volume_l) {
        (None, None) => None,
        (quarts, litres) => {
            let (which, volume) = one_of("the volume", &[("--volume-qt", quarts), ("--volume-l", litres)])?;
            Some(if which == 0 { volume * LITRES_PER_QUART } else { volume })
        }
    };
    let sheet = match volume {
        Some(litres) => {
            let settled = Settled::litres(litres).map_err(wrong)?;
            let eggs = per_litre.eggs_in(settled);
            let sheet = Sheet::new(format!("{eggs} {state} eggs")).and(per_quart);
            with("eggs", eggs, sheet).value("volume_l", litres)
        }
        None => Sheet::new(per_quart),
    };
    Ok(with("eggs_per_qt", quart, with("eggs_per_l", per_litre.estimate(), sheet))
        .value("method", method)
        .value("state", state)
        .how("bounds hold 95 of 100; figures are shown with the digits that are known")
        .caution("a count made before water-hardening is useless after it: measure count and volume in the same state"))
}

fn by_weight(weight: &Weight) -> Result<Sheet, Failure> {
    let per_gram =
        gravimetric::<Hardened>(&samples(&weight.eggs, &weight.sample_g, "--sample-g")?).map_err(wrong)?;
    let each = per_gram.estimate();
    let bounds = each.interval();
    let line = format!("{:.1} eggs to the gram ({:.1} to {:.1})", bounds.likely, bounds.low, bounds.high);
    let sheet = match weight.weight_g {
        Some(grams) => {
            let eggs = per_gram.eggs_in_grams(grams).map_err(wrong)?;
            with("eggs", eggs, Sheet::new(format!("{eggs} eggs")).and(line)).value("weight_g", grams)
        }
        None => Sheet::new(line),
    };
    Ok(with("eggs_per_g", each, sheet)
        .value("method", "weight")
        .how(format!("pooled over {} sub-samples: sum of eggs / sum of weights", weight.eggs.len()))
        .source("method: Piper et al. 1982")
        .caution("surface water is the main error: drain sub-samples and the whole in the same way"))
}

fn with(key: &str, estimate: Estimate, sheet: Sheet) -> Sheet {
    let bounds = estimate.interval();
    sheet
        .value(key, bounds.likely)
        .value(&format!("{key}_low"), bounds.low)
        .value(&format!("{key}_high"), bounds.high)
}
