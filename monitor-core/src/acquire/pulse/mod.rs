//! Pulses: from the level of a pin to engine speed and telltale flow.
//!
//! ```text
//! pin ─ PolledInput ─┐
//! capture hardware ──┴─ EdgeFilter ─ train ─┬─ Tachometer ─ Reading<Rpm>
//!                       (pulse or glitch?)  └─ FlowMeter ── Reading<Flow>
//! ```
//!
//! The filter decides what a pulse is, the train which pulses belong together, the driver what they mean. Stamps are
//! [`Micros`], which wrap; all drivers must be read at least every half hour, and a board reads them ten times a second.

mod calibration;
mod edge_filter;
mod flow_meter;
mod micros;
mod polled_input;
mod rate;
#[cfg(test)]
mod signal;
mod tachometer;
mod train;

pub use calibration::{CalibrationError, EdgeTimes, FlowCalibration, PulsesPerRevolution, TachometerCalibration};
pub use edge_filter::EdgeFilter;
pub use flow_meter::FlowMeter;
pub use micros::{Micros, MicrosClock};
pub use polled_input::{ActiveLevel, LevelSink, PolledInput};
pub use tachometer::Tachometer;
pub use train::{PulseStatistics, SuspectRatio};
