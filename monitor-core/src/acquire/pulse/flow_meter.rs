//! Telltale flow from the pulses of a turbine meter.

use super::calibration::{FlowCalibration, microhertz};
use super::edge_filter::EdgeFilter;
use super::micros::Micros;
use super::polled_input::LevelSink;
use super::train::{IN_A_ROW, Observation, PulseStatistics, PulseTrain, SuspectRatio, Tolerance, TrainLimits};
use crate::acquire::{Quality, Reading};
use crate::units::{Flow, Quantity};

/// Water swinging in the hose turns the rotor to and fro by a few millilitres; a stream moves more than this in one go.
const STREAM_MILLILITRES: u64 = 12;
const LEAST_AGREEING_PERIODS: u64 = 3;
const MOST_AGREEING_PERIODS: u64 = 48;
/// The rotor speeds up from rest: its first periods say nothing.
const SETTLING_PERIODS: u16 = 2;
/// Water has no strokes: periods of a stream agree better than those of an engine.
const TOLERANCE: Tolerance = Tolerance { more: 4, less: 3 };
/// A mean is made of this many periods or this much time, whichever is reached first.
const WINDOW_PERIODS: u32 = 4;
const WINDOW_US: u32 = 1_000_000;
/// The flow shown is at most what three pulses since the last one would be.
const SILENT_PULSES: u32 = 3;

/// A flow meter input: levels of a pin, or finished pulses, in; flow out.
///
/// Pulses with no steady train behind them, as when the boat rocks and water swings in the hose, are below range and no
/// flow.
#[derive(Debug, Clone, Copy)]
pub struct FlowMeter {
    calibration: FlowCalibration,
    filter: EdgeFilter,
    train: PulseTrain,
    /// The last mean, in µHz.
    shown_microhertz: Option<u64>,
    /// The raw count when the engine stopped, while it stands.
    pulses_at_stop: Option<u32>,
}

impl FlowMeter {
    /// A flow meter that has seen nothing yet.
    #[must_use]
    pub const fn new(calibration: FlowCalibration) -> Self {
        let limits = TrainLimits {
            shortest_us: calibration.shortest_period_us(),
            time_out_us: calibration.time_out_us(),
            agreeing: agreeing_periods(&calibration),
            slip: IN_A_ROW,
            settling: SETTLING_PERIODS,
            tolerance: TOLERANCE,
        };
        Self {
            calibration,
            filter: EdgeFilter::new(calibration.edge_times()),
            train: PulseTrain::new(limits),
            shown_microhertz: None,
            pulses_at_stop: None,
        }
    }

    /// Takes a pulse that the board has filtered already; instead of levels, not beside them.
    pub fn pulse(&mut self, at: Micros) {
        self.train.pulse(at);
    }

    /// The flow at `now`.
    ///
    /// Good 0 after the time-out, also where no pulse has ever come; missing before that at power-up; below range where
    /// pulses come that are slower than the calibration's least flow, or that do not make a steady train. The age is
    /// the time since the last pulse that agreed.
    pub fn read(&mut self, now: Micros) -> Reading<Flow> {
        if let Some(at) = self.filter.settle(now) {
            self.train.pulse(at);
        }
        match self.train.observe(now) {
            Observation::Unknown => Reading::missing(),
            Observation::Still => {
                self.shown_microhertz = None;
                Reading::good(Flow::from_raw(0))
            }
            Observation::Unsteady { .. } => {
                self.shown_microhertz = None;
                Reading { quality: Quality::BelowRange, ..Reading::missing() }
            }
            Observation::Steady { silent_us, age_us } => self.stream(silent_us, age_us),
        }
    }

    fn stream(&mut self, silent_us: u32, age_us: u32) -> Reading<Flow> {
        let gathered = self.train.gathered();
        let full = gathered.count >= WINDOW_PERIODS || gathered.span_us >= WINDOW_US;
        if full || (self.shown_microhertz.is_none() && gathered.count > 0) {
            let mean = self.train.take();
            self.shown_microhertz = Some(microhertz(mean.count, mean.span_us));
        }
        // Behind the mean, so that no mean keeps an old flow alive.
        let bounded = self.shown_microhertz.unwrap_or(0).min(microhertz(SILENT_PULSES, silent_us));
        let flow = self.calibration.ml_per_min(bounded);
        let quality = if flow < self.calibration.slowest_ml_per_min() { Quality::BelowRange } else { Quality::Good };
        Reading {
            value: Flow::from_raw(i32::try_from(flow).unwrap_or(i32::MAX)),
            quality,
            age_ms: u16::try_from(age_us / 1_000).unwrap_or(u16::MAX),
        }
    }

    /// Tells whether the engine stands. Pulses from then on are counted apart: water from a hose, rocking, or noise.
    pub fn set_engine_stopped(&mut self, stopped: bool) {
        if !stopped {
            self.pulses_at_stop = None;
        } else if self.pulses_at_stop.is_none() {
            self.pulses_at_stop = Some(self.train.statistics().pulses);
        }
    }

    /// Pulses since the engine stopped; 0 while it runs.
    #[must_use]
    pub fn pulses_since_stopped(&self) -> u32 {
        self.pulses_at_stop.map_or(0, |at_stop| self.train.statistics().pulses.wrapping_sub(at_stop))
    }

    /// A step of the flow by 2 or ½ that is held back now, or was passed on because it lasted.
    #[must_use]
    pub fn suspect_ratio(&self) -> Option<SuspectRatio> {
        self.train.suspect_ratio()
    }

    /// Counts since power-up. The raw count divided by a measured amount of water is this meter's calibration.
    #[must_use]
    pub fn statistics(&self) -> PulseStatistics {
        PulseStatistics { glitches: self.filter.glitches(), ..self.train.statistics() }
    }
}

impl LevelSink for FlowMeter {
    fn level(&mut self, active: bool, at: Micros) {
        if let Some(at) = self.filter.level(active, at) {
            self.train.pulse(at);
        }
    }
}

/// Periods in a row that must agree before they are called a stream.
const fn agreeing_periods(calibration: &FlowCalibration) -> u16 {
    let pulses_milli = (calibration.pulses_per_litre_milli() as u64).saturating_mul(STREAM_MILLILITRES);
    // Thousandths of a pulse per litre times millilitres: a million to the pulse.
    let wanted = super::rate::div_rounded(pulses_milli, 1_000_000);
    let within = if wanted < LEAST_AGREEING_PERIODS {
        LEAST_AGREEING_PERIODS
    } else if wanted > MOST_AGREEING_PERIODS {
        MOST_AGREEING_PERIODS
    } else {
        wanted
    };
    let [low, high, ..] = within.to_le_bytes();
    u16::from_le_bytes([low, high])
}

#[cfg(test)]
#[path = "flow_meter_tests.rs"]
mod tests;
