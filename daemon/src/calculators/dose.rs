//! `nightjar calc dose`: amounts and rates of treatments, refused outside the rules.

use super::sheet::{Sheet, one_of};
use crate::cli::failure::Failure;
use clap::{Args, Subcommand, ValueEnum};
use nightjar_calc::quantity::{LITRES_PER_GALLON, Litres, LitresPerMinute};
use nightjar_calc::treatment::{
    Dose, DoseError, EggKind, Flow, Guard, Hatch, MINUTES, Method, Proposal, STOP_BEFORE_HATCH_H, Target,
    bath, flow_through, from_gallons_per_minute, safety,
};

/// US fluid ounces in a gallon (definition).
const OUNCES_PER_GALLON: f64 = 128.0;

/// What is dosed.
#[derive(Debug, Subcommand)]
pub enum Agent {
    /// Formalin, about 37 % formaldehyde
    #[command(allow_negative_numbers = true)]
    Formalin {
        /// Wanted concentration, µL of formalin to the litre (the same as ppm)
        #[arg(long, value_name = "UL_PER_L", default_value_t = 1667.0)]
        target_ul_per_l: f64,
        /// Coldest the formalin has been in store, °F
        #[arg(long, value_name = "F")]
        coldest_f: Option<f64>,
        #[command(flatten)]
        way: Way,
    },
    /// Hydrogen peroxide, 35 % by weight
    #[command(allow_negative_numbers = true)]
    Peroxide {
        /// Wanted concentration, mg of peroxide to the litre
        #[arg(long, value_name = "MG_PER_L", default_value_t = 500.0)]
        target_mg_per_l: f64,
        /// Hours since the last peroxide treatment of these eggs
        #[arg(long, value_name = "HOURS")]
        hours_since_last: Option<f64>,
        /// Thermal units of the eggs so far
        #[arg(long, value_name = "C_DAYS")]
        c_days: Option<f64>,
        #[command(flatten)]
        way: Way,
    },
}

/// The water it goes into.
#[derive(Clone, Copy, Debug, Args)]
pub struct Way {
    /// Measured flow, L/min
    #[arg(long)]
    flow_l_per_min: Option<f64>,
    /// Measured flow, US gallons a minute
    #[arg(long)]
    flow_gpm: Option<f64>,
    /// Standing bath instead: volume of water, L
    #[arg(long)]
    bath_l: Option<f64>,
    /// Standing bath instead: volume of water, US gallons
    #[arg(long)]
    bath_gal: Option<f64>,
    /// Duration
    #[arg(long, default_value_t = MINUTES)]
    minutes: f64,
    /// Make the stock up to this volume, mL
    #[arg(long)]
    stock_ml: Option<f64>,
    /// Flow the jar should have, L/min
    #[arg(long)]
    set_point_l_per_min: Option<f64>,
    /// Hours to the earliest hatch
    #[arg(long)]
    hours_to_hatch: Option<f64>,
    /// Which eggs
    #[arg(long, value_enum, default_value_t)]
    eggs: Eggs,
}

/// Eggs as the rules tell them apart.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Eggs {
    /// Walleye, pike, perch, whitefish, other trout and salmon
    #[default]
    Cool,
    /// Rainbow trout
    RainbowTrout,
    /// Catfish, bass and the like
    Warm,
    /// Sturgeons and paddlefish
    Sturgeon,
}

fn wrong(error: impl Into<DoseError>) -> Failure {
    Failure::usage(error.into())
}

/// Calculates a dose.
///
/// # Errors
/// Exit 64 when a number makes no sense, 65 when the rules refuse the dose.
pub fn sheet(agent: &Agent) -> Result<Sheet, Failure> {
    match *agent {
        Agent::Formalin { target_ul_per_l, coldest_f, way } => {
            let target = Target::Formalin { ul_per_l: target_ul_per_l };
            let sheet = dose(target, way, |p| Proposal { formalin_coldest_f: coldest_f, ..p })?;
            Ok(sheet
                .value("target_ul_per_l", target_ul_per_l)
                .how("mL of formalin = 0.001 × µL/L × litres of water"))
        }
        Agent::Peroxide { target_mg_per_l, hours_since_last, c_days, way } => {
            let target = Target::HydrogenPeroxide { mg_per_l: target_mg_per_l };
            let sheet =
                dose(target, way, |p| Proposal { hours_since_peroxide: hours_since_last, c_days, ..p })?;
            Ok(sheet
                .value("target_mg_per_l", target_mg_per_l)
                .how("mL of 35 % peroxide = mg/L × litres of water / 396.1"))
        }
    }
}

fn dose(target: Target, way: Way, more: impl Fn(Proposal) -> Proposal) -> Result<Sheet, Failure> {
    let ways = [
        ("--flow-l-per-min", way.flow_l_per_min),
        ("--flow-gpm", way.flow_gpm),
        ("--bath-l", way.bath_l),
        ("--bath-gal", way.bath_gal),
    ];
    let (which, amount) = one_of("the water", &ways)?;
    let set_point = way.set_point_l_per_min.map(LitresPerMinute::new).transpose().map_err(wrong)?;
    let water = match which {
        0 => Water::Flowing(LitresPerMinute::new(amount).map_err(wrong)?),
        1 => Water::Flowing(from_gallons_per_minute(amount).map_err(wrong)?),
        2 => Water::Standing(Litres::new(amount).map_err(wrong)?),
        _ => Water::Standing(Litres::new(amount * LITRES_PER_GALLON).map_err(wrong)?),
    };
    let (dose, method, flow) = match water {
        Water::Flowing(flow) => {
            let dose = flow_through(target, flow, way.minutes, way.stock_ml).map_err(wrong)?;
            (dose, Method::FlowThrough, Flow::Measured(flow))
        }
        Water::Standing(volume) => {
            (bath(target, volume, way.stock_ml).map_err(wrong)?, Method::Bath, Flow::Unknown)
        }
    };
    let proposal = more(Proposal {
        target,
        minutes: way.minutes,
        method,
        eggs: match way.eggs {
            Eggs::Cool => EggKind::ColdOrCoolWater,
            Eggs::RainbowTrout => EggKind::RainbowTrout,
            Eggs::Warm => EggKind::WarmWater,
            Eggs::Sturgeon => EggKind::Acipenseriformes,
        },
        flow,
        set_point,
        hatch: way.hours_to_hatch.map_or(Hatch::Unknown, Hatch::InHours),
        c_days: None,
        hours_since_peroxide: None,
        formalin_coldest_f: None,
    });
    let guard = Guard::look(&proposal, STOP_BEFORE_HATCH_H).map_err(wrong)?;
    if !guard.allows() {
        let why: Vec<String> =
            guard.refused_because().iter().map(|f| format!("{} ({})", f.text, f.citation)).collect();
        return Err(Failure::data(format!("refused: {}", why.join("; also: "))));
    }
    Ok(written(&dose, way, &water, &guard))
}

enum Water {
    Flowing(LitresPerMinute),
    Standing(Litres),
}

fn written(dose: &Dose, way: Way, water: &Water, guard: &Guard) -> Sheet {
    let agent = dose.target.agent();
    let ounces = dose.drug_ml / (LITRES_PER_GALLON * 1000.0 / OUNCES_PER_GALLON);
    let mut sheet = Sheet::new(format!("{:.1} mL of {} ({ounces:.2} US fl oz)", dose.drug_ml, agent.name()));
    if dose.make_up_water_ml > 0.0 {
        sheet = sheet.and(format!(
            "with {:.1} mL of water makes {:.1} mL of stock",
            dose.make_up_water_ml, dose.stock_ml
        ));
    }
    if let Some(rate) = dose.feed_ml_per_min {
        sheet = sheet.and(format!("fed at {rate:.2} mL/min for {} min", way.minutes));
    }
    sheet = sheet
        .how(format!("{} in {:.1} L of water", dose.target, dose.water_l))
        .source(agent.citation())
        .value("agent", agent.name())
        .value("minutes", way.minutes)
        .value("water_l", dose.water_l)
        .value("drug_ml", dose.drug_ml)
        .value("drug_us_fl_oz", ounces)
        .value("make_up_water_ml", dose.make_up_water_ml)
        .value("stock_ml", dose.stock_ml)
        .value("feed_ml_per_min", dose.feed_ml_per_min)
        .value("substance_g", dose.grams);
    sheet = match water {
        Water::Flowing(flow) => sheet.value("flow_l_per_min", flow.get()),
        Water::Standing(volume) => sheet.value("bath_l", volume.get()),
    };
    for finding in guard.think_of() {
        sheet = sheet.caution(format!("{} ({})", finding.text, finding.citation));
    }
    for note in safety(agent) {
        sheet = sheet.caution(format!("{} ({})", note.text, note.source));
    }
    sheet
}
