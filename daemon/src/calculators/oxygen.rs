//! `nightjar calc oxygen`: saturation, the minutes of a stopped jar, the drop in a flowing one.

use super::sheet::{Sheet, one_of};
use crate::cli::failure::Failure;
use clap::{Args, Subcommand, ValueEnum};
use nightjar_calc::oxygen::{
    Bed, CRITICAL_MG_PER_L, OxygenError, Pressure, StageForOxygen, outlet_drop_mg_per_l, saturation,
    stopped_minutes, uptake,
};
use nightjar_calc::quantity::{Celsius, Impossible, LITRES_PER_QUART, LitresPerMinute, Metres};

/// Water-hardened walleye eggs to the quart (common practice, no source).
const EGGS_PER_QUART: f64 = 125_000.0;

/// Saturation, or what a jar does.
#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    subcommand_negates_reqs = true,
    allow_negative_numbers = true
)]
pub struct Arguments {
    #[command(subcommand)]
    jar: Option<Jar>,
    /// Water temperature, °C
    #[arg(long, required = true)]
    temp_c: Option<f64>,
    /// Height above the sea
    #[arg(long, default_value_t = 0.0)]
    altitude_m: f64,
    /// Pressure at the station (not reduced to sea level), hPa, instead of a height
    #[arg(long, conflicts_with = "altitude_m")]
    pressure_hpa: Option<f64>,
    /// Practical salinity
    #[arg(long, default_value_t = 0.0)]
    salinity: f64,
}

#[derive(Debug, Subcommand)]
enum Jar {
    /// Minutes until the bed of a stopped jar runs low
    #[command(allow_negative_numbers = true)]
    Stopped(Load),
    /// Drop of oxygen through a flowing jar
    #[command(allow_negative_numbers = true)]
    Flowing {
        #[command(flatten)]
        load: Load,
        /// Flow through the jar
        #[arg(long)]
        flow_l_per_min: f64,
    },
}

/// Eggs in a jar.
#[derive(Clone, Copy, Debug, Args)]
struct Load {
    /// Number of eggs
    #[arg(long)]
    eggs: Option<f64>,
    /// Settled volume of the eggs instead, L
    #[arg(long, conflicts_with = "eggs")]
    volume_l: Option<f64>,
    /// Eggs to the litre (default: 125,000 to the quart)
    #[arg(long, requires = "eggs")]
    eggs_per_l: Option<f64>,
    /// Diameter of an egg instead of eggs to the litre
    #[arg(long, requires = "eggs", conflicts_with = "eggs_per_l")]
    egg_diameter_mm: Option<f64>,
    /// Water temperature, °C
    #[arg(long)]
    temp_c: f64,
    /// Height above the sea
    #[arg(long, default_value_t = 0.0)]
    altitude_m: f64,
    /// How far the embryos are
    #[arg(long, value_enum)]
    stage: Stage,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Stage {
    /// Fertilized, no eyes yet
    Green,
    /// Eyes seen
    Eyed,
    /// Hatching soon or under way
    NearHatch,
    /// Hatched and still in the jar
    Fry,
}

impl Stage {
    const fn of(self) -> (StageForOxygen, &'static str) {
        match self {
            Self::Green => (StageForOxygen::Green, "green"),
            Self::Eyed => (StageForOxygen::Eyed, "eyed"),
            Self::NearHatch => (StageForOxygen::NearHatch, "near-hatch"),
            Self::Fry => (StageForOxygen::Fry, "fry"),
        }
    }
}

fn wrong(error: impl Into<OxygenError>) -> Failure {
    Failure::usage(error.into())
}

fn impossible(error: Impossible) -> Failure {
    wrong(error)
}

/// Calculates.
///
/// # Errors
/// When a number makes no sense.
pub fn sheet(question: &Arguments) -> Result<Sheet, Failure> {
    match &question.jar {
        Some(Jar::Stopped(load)) => stopped(load),
        Some(Jar::Flowing { load, flow_l_per_min }) => flowing(load, *flow_l_per_min),
        None => full(question),
    }
}

fn full(question: &Arguments) -> Result<Sheet, Failure> {
    let temp_c = question.temp_c.ok_or_else(|| Failure::usage("give --temp-c"))?;
    let temperature = Celsius::new(temp_c).map_err(impossible)?;
    let pressure = match question.pressure_hpa {
        Some(hpa) => Pressure::from_hpa(hpa).map_err(wrong)?,
        None => {
            Pressure::at_altitude(Metres::new(question.altitude_m).map_err(impossible)?).map_err(wrong)?
        }
    };
    let most = saturation(temperature, pressure, question.salinity).map_err(wrong)?.get();
    let sheet = Sheet::new(format!("{most:.2} mg/L at saturation"))
        .value("saturation_mg_per_l", most)
        .value("temp_c", temp_c)
        .value("pressure_atm", pressure.atm())
        .value("salinity_g_per_kg", question.salinity)
        .how(format!("{temp_c} °C, {:.3} atm, salinity {}", pressure.atm(), question.salinity))
        .source("Benson and Krause, in the form adopted for routine water analysis");
    Ok(match question.pressure_hpa {
        Some(_) => sheet,
        None => sheet
            .value("altitude_m", question.altitude_m)
            .how("pressure from the height by the standard atmosphere; weather moves it by about 3 %"),
    })
}

fn bed(load: &Load) -> Result<(Bed, String), Failure> {
    let (which, amount) = one_of("the eggs", &[("--eggs", load.eggs), ("--volume-l", load.volume_l)])?;
    let bed = if which == 1 {
        (Bed::of_volume(amount), format!("{amount} L of settled eggs"))
    } else if let Some(mm) = load.egg_diameter_mm {
        (Bed::of_diameter(amount, mm), format!("{amount} eggs of {mm} mm"))
    } else if let Some(per_l) = load.eggs_per_l {
        (Bed::of_count(amount, per_l), format!("{amount} eggs, {per_l} to the litre"))
    } else {
        let per_l = EGGS_PER_QUART / LITRES_PER_QUART;
        (
            Bed::of_count(amount, per_l),
            format!("{amount} eggs, taken as {EGGS_PER_QUART} to the quart like walleye"),
        )
    };
    Ok((bed.0.map_err(wrong)?, bed.1))
}

fn stopped(load: &Load) -> Result<Sheet, Failure> {
    let (bed, words) = bed(load)?;
    let (stage, name) = load.stage.of();
    let temperature = Celsius::new(load.temp_c).map_err(impossible)?;
    let altitude = Metres::new(load.altitude_m).map_err(impossible)?;
    let minutes = stopped_minutes(bed, temperature, altitude, stage).map_err(wrong)?;
    Ok(Sheet::new(format!("{minutes} until the settled bed is down to {CRITICAL_MG_PER_L} mg/L"))
        .value("minutes_likely", minutes.likely)
        .value("minutes_short", minutes.short)
        .value("critical_mg_per_l", CRITICAL_MG_PER_L)
        .value("settled_l", bed.settled_l())
        .value("egg_mass_kg", bed.mass_kg())
        .value("temp_c", load.temp_c)
        .value("altitude_m", load.altitude_m)
        .value("stage", name)
        .how(format!(
            "{words}: {:.2} L settled, {:.2} L of water between them",
            bed.settled_l(),
            bed.void_l()
        ))
        .how(format!("oxygen in that water / uptake of {:.1} mg/(kg h)", uptake(stage, temperature)))
        .source("uptake: Kamler 2008, steps between stages assumed; limit from abnormal fry of lake herring")
        .caution("rough, and meant to be too short: restore the flow first, then calculate"))
}

fn flowing(load: &Load, flow: f64) -> Result<Sheet, Failure> {
    let (bed, words) = bed(load)?;
    let (stage, name) = load.stage.of();
    let temperature = Celsius::new(load.temp_c).map_err(impossible)?;
    let flow = LitresPerMinute::new(flow).map_err(impossible)?;
    let rate = uptake(stage, temperature);
    let drop = outlet_drop_mg_per_l(bed.mass_kg(), rate, flow).map_err(wrong)?;
    Ok(Sheet::new(format!("{drop:.2} mg/L less at the outlet than at the inlet"))
        .value("drop_mg_per_l", drop)
        .value("flow_l_per_min", flow.get())
        .value("egg_mass_kg", bed.mass_kg())
        .value("uptake_mg_per_kg_h", rate)
        .value("temp_c", load.temp_c)
        .value("stage", name)
        .how(format!("{words}: {:.2} kg × {rate:.1} mg/(kg h) / (60 × {} L/min)", bed.mass_kg(), flow.get()))
        .source("conservation of mass; uptake: Kamler 2008, steps between stages assumed")
        .caution("rough: the uptake of most jar species was never published"))
}
