//! From electrical signals to water temperature and flow.
//!
//! Conversions only: whether a value can be believed is judged elsewhere. Temperatures here are
//! plain °C numbers, because a probe lying on the bench in the sun is a legal input.
//!
//! * [`thermistor`]: Steinhart-Hart curves, beta, the divider, tables of a probe's maker
//! * [`platinum`]: Pt100 and Pt1000 by IEC 60751
//! * [`pulse_flow`]: turbine meters that send pulses
//! * [`current_loop`]: transmitters of 4 to 20 mA
//! * [`calibration`]: ice point, bucket and watch, and which correction held when

pub mod calibration;
pub mod current_loop;
pub mod platinum;
pub mod pulse_flow;
pub mod thermistor;
