//! `nightjar calc sensor`: temperature or flow from a raw signal, and back.

use super::sheet::{Sheet, one_of};
use crate::cli::failure::Failure;
use clap::{Args, Subcommand};
use nightjar_calc::sensor::current_loop::Loop;
use nightjar_calc::sensor::platinum::{Class, Platinum};
use nightjar_calc::sensor::pulse_flow::Meter;
use nightjar_calc::sensor::thermistor::{Curve, Divider};

/// Which kind of sensor.
#[derive(Debug, Subcommand)]
pub enum Sensor {
    /// Thermistor: resistance, converter reading or temperature
    #[command(allow_negative_numbers = true)]
    Thermistor(Thermistor),
    /// Pt100 or Pt1000: resistance or temperature
    #[command(allow_negative_numbers = true)]
    Platinum {
        /// Resistance, ohms
        #[arg(long)]
        ohms: Option<f64>,
        /// Temperature, °C, to get the resistance
        #[arg(long)]
        temp_c: Option<f64>,
        /// Resistance at 0 °C: 100 or 1000
        #[arg(long, default_value_t = 100.0)]
        r0_ohm: f64,
    },
    /// Meter that sends pulses
    #[command(allow_negative_numbers = true)]
    Pulses {
        /// Pulses counted
        #[arg(long)]
        pulses: f64,
        /// Seconds counted over
        #[arg(long)]
        seconds: f64,
        /// Pulses per litre (K-factor)
        #[arg(long)]
        per_litre: Option<f64>,
        /// Or its frequency at one litre a minute, Hz
        #[arg(long)]
        hz_per_l_per_min: Option<f64>,
    },
    /// Transmitter of 4 to 20 mA
    #[command(allow_negative_numbers = true)]
    Current {
        /// Current, mA
        #[arg(long)]
        ma: f64,
        /// Value at 4 mA
        #[arg(long, value_name = "VALUE")]
        at_4_ma: f64,
        /// Value at 20 mA
        #[arg(long, value_name = "VALUE")]
        at_20_ma: f64,
    },
}

/// A thermistor.
#[derive(Debug, Args)]
pub struct Thermistor {
    /// Resistance, ohms
    #[arg(long)]
    ohms: Option<f64>,
    /// Converter reading of a divider, counts
    #[arg(long)]
    counts: Option<f64>,
    /// Temperature, °C, to get the resistance
    #[arg(long)]
    temp_c: Option<f64>,
    /// Curve by name: 10K3, 103JL1A or 44031
    #[arg(long, value_name = "NAME")]
    curve: Option<String>,
    /// Own Steinhart-Hart coefficients A B C, and D if there is one
    #[arg(long, num_args = 3..=4, value_name = "X")]
    coefficients: Vec<f64>,
    /// Beta of the thermistor, K
    #[arg(long)]
    beta_k: Option<f64>,
    /// Resistance at 25 °C, for --beta-k
    #[arg(long, default_value_t = 10_000.0)]
    r25_ohm: f64,
    /// Fixed resistor of the divider, ohms
    #[arg(long, default_value_t = 10_000.0)]
    reference_ohm: f64,
    /// Counts of the converter at full supply
    #[arg(long, default_value_t = 4095.0)]
    full_scale: f64,
    /// The thermistor is between the reading point and the supply
    #[arg(long)]
    thermistor_high: bool,
}

/// Converts.
///
/// # Errors
/// When a number makes no sense.
pub fn sheet(sensor: &Sensor) -> Result<Sheet, Failure> {
    match sensor {
        Sensor::Thermistor(thermistor) => by_thermistor(thermistor),
        Sensor::Platinum { ohms, temp_c, r0_ohm } => by_platinum(*ohms, *temp_c, *r0_ohm),
        Sensor::Pulses { pulses, seconds, per_litre, hz_per_l_per_min } => {
            let factors = [("--per-litre", *per_litre), ("--hz-per-l-per-min", *hz_per_l_per_min)];
            let (which, factor) = one_of("the meter's factor", &factors)?;
            let meter = if which == 0 { Meter::new(factor) } else { Meter::from_hz_per_l_per_min(factor) };
            by_pulses(meter.map_err(Failure::usage)?, *pulses, *seconds)
        }
        Sensor::Current { ma, at_4_ma, at_20_ma } => by_current(*ma, *at_4_ma, *at_20_ma),
    }
}

fn curve(thermistor: &Thermistor) -> Result<(Curve, String), Failure> {
    let given = [
        ("--curve", thermistor.curve.is_some().then_some(())),
        ("--coefficients", (!thermistor.coefficients.is_empty()).then_some(())),
        ("--beta-k", thermistor.beta_k.is_some().then_some(())),
    ];
    one_of("the curve", &given)?;
    let (curve, words) = if let Some(name) = &thermistor.curve {
        (Curve::named(name), format!("curve {}", name.to_uppercase()))
    } else if let Some(beta_k) = thermistor.beta_k {
        (
            Curve::beta(thermistor.r25_ohm, beta_k),
            format!("beta {beta_k} K, {} ohm at 25 °C", thermistor.r25_ohm),
        )
    } else {
        let x = |i: usize| thermistor.coefficients.get(i).copied().unwrap_or(0.0);
        (Curve::steinhart_hart(x(0), x(1), x(2), x(3)), "own Steinhart-Hart coefficients".to_owned())
    };
    Ok((curve.map_err(Failure::usage)?, words))
}

fn by_thermistor(thermistor: &Thermistor) -> Result<Sheet, Failure> {
    let (curve, words) = curve(thermistor)?;
    let given =
        [("--ohms", thermistor.ohms), ("--counts", thermistor.counts), ("--temp-c", thermistor.temp_c)];
    let (which, value) = one_of("what is known", &given)?;
    if which == 2 {
        let ohms = curve.ohms(value).map_err(Failure::usage)?;
        return Ok(Sheet::new(format!("{ohms:.1} ohm at {value} °C"))
            .value("ohms", ohms)
            .value("temp_c", value)
            .how(words));
    }
    let (ohms, step) = if which == 0 {
        (value, None)
    } else {
        let divider =
            Divider::new(thermistor.reference_ohm, thermistor.full_scale, !thermistor.thermistor_high)
                .map_err(Failure::usage)?;
        let ohms = divider.ohms(value).map_err(Failure::usage)?;
        let celsius = curve.celsius(ohms).map_err(Failure::usage)?;
        (ohms, Some(divider.step_c(curve, celsius).map_err(Failure::usage)?))
    };
    let celsius = curve.celsius(ohms).map_err(Failure::usage)?;
    let sheet = Sheet::new(degrees(celsius))
        .value("temp_c", celsius)
        .value("ohms", ohms)
        .how(format!("{words}, {ohms:.1} ohm"))
        .source("Steinhart-Hart: 1/T = A + B ln R + C (ln R)³")
        .caution("the wrong curve is off by degrees: check one point in melting ice");
    Ok(match step {
        Some(step) => sheet.value("step_c", step).how(format!("one count is {step:.3} °C")),
        None => sheet,
    })
}

/// Hundredths of a degree; melting ice is not minus nothing.
fn degrees(celsius: f64) -> String {
    let hundredths = (celsius * 100.0).round();
    format!("{:.2} °C", if hundredths == 0.0 { 0.0 } else { celsius })
}

fn by_platinum(ohms: Option<f64>, temp_c: Option<f64>, r0_ohm: f64) -> Result<Sheet, Failure> {
    let (which, value) = one_of("what is known", &[("--ohms", ohms), ("--temp-c", temp_c)])?;
    let sensor = Platinum::new(r0_ohm).map_err(Failure::usage)?;
    let (ohms, celsius, answer) = if which == 0 {
        let celsius = sensor.celsius(value).map_err(Failure::usage)?;
        (value, celsius, degrees(celsius))
    } else {
        let ohms = sensor.ohms(value).map_err(Failure::usage)?;
        (ohms, value, format!("{ohms:.3} ohm at {value} °C"))
    };
    Ok(Sheet::new(answer)
        .value("temp_c", celsius)
        .value("ohms", ohms)
        .value("r0_ohm", r0_ohm)
        .value("class_a_tolerance_c", Class::A.tolerance_c(celsius))
        .value("class_b_tolerance_c", Class::B.tolerance_c(celsius))
        .how(format!(
            "{r0_ohm} ohm at 0 °C; a new part may be off by {:.2} °C (class A) or {:.2} °C (class B)",
            Class::A.tolerance_c(celsius),
            Class::B.tolerance_c(celsius)
        ))
        .source("IEC 60751"))
}

fn by_pulses(meter: Meter, pulses: f64, seconds: f64) -> Result<Sheet, Failure> {
    let flow = meter.flow_l_per_min(pulses, seconds).map_err(Failure::usage)?;
    let step = meter.resolution_l_per_min(seconds).map_err(Failure::usage)?;
    Ok(Sheet::new(format!("{flow:.2} L/min, in steps of {step:.3} L/min"))
        .value("flow_l_per_min", flow)
        .value("step_l_per_min", step)
        .value("pulses_per_litre", meter.per_litre())
        .how(format!("60 × {pulses} pulses / ({} per litre × {seconds} s)", meter.per_litre()))
        .source("definition of the K-factor")
        .caution("measure the factor with bucket and watch; a stopped rotor and a cut wire look alike"))
}

fn by_current(ma: f64, at_4_ma: f64, at_20_ma: f64) -> Result<Sheet, Failure> {
    let found = Loop::new(at_4_ma, at_20_ma).and_then(|scale| scale.value(ma)).map_err(Failure::usage)?;
    let sheet = Sheet::new(format!("{:.3}", found.value))
        .value("value", found.value)
        .value("current_ma", ma)
        .value("at_end_of_range", found.at_end_of_range)
        .how(format!("{at_4_ma} at 4 mA, {at_20_ma} at 20 mA, straight between"));
    Ok(if found.at_end_of_range {
        sheet.caution("the transmitter is at the end of its range: the true value may lie further out")
    } else {
        sheet
    })
}
