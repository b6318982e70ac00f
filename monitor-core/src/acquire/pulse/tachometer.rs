//! Engine speed from pulses.

use super::calibration::TachometerCalibration;
use super::edge_filter::EdgeFilter;
use super::micros::Micros;
use super::polled_input::LevelSink;
use super::train::{Observation, PulseStatistics, PulseTrain, SuspectRatio, Tolerance, TrainLimits};
use crate::acquire::{Quality, Reading};
use crate::units::{Quantity, Rpm};

/// Periods that must agree before a speed is believed: those of two revolutions, within these bounds.
const LEAST_AGREEING_PERIODS: u16 = 6;
const MOST_AGREEING_PERIODS: u16 = 12;
/// A dead diode swallows one pulse in each turn: such a gap costs three of the agreeing periods, not all.
const SLIP: u16 = 3;
/// An engine at idle speeds up and slows down within each turn: one period may be half as long again as the next.
const TOLERANCE: Tolerance = Tolerance { more: 3, less: 2 };
/// The speed shown is at most what three pulses since the last one would be: one late pulse is no news, silence is.
const SILENT_PULSES: u32 = 3;

/// A tachometer input: levels of a pin, or finished pulses, in; engine speed out.
///
/// Each reading is the mean over the time since the reading before, from the times of whole periods: exact to ¼ rpm at
/// idle and at full speed alike where the stamps are exact to a microsecond. The first revolution after a standstill is
/// not looked at, and those of the next two (at least six periods, at most twelve) must agree.
#[derive(Debug, Clone, Copy)]
pub struct Tachometer {
    calibration: TachometerCalibration,
    filter: EdgeFilter,
    train: PulseTrain,
    /// The last mean, in ¼ rpm.
    shown_quarters: u32,
}

impl Tachometer {
    /// A tachometer that has seen nothing yet.
    #[must_use]
    pub const fn new(calibration: TachometerCalibration) -> Self {
        let revolution = periods_of_a_revolution(&calibration);
        let limits = TrainLimits {
            shortest_us: calibration.shortest_period_us(),
            time_out_us: calibration.time_out_us(),
            agreeing: agreeing_periods(revolution),
            slip: SLIP,
            settling: revolution,
            tolerance: TOLERANCE,
        };
        Self {
            calibration,
            filter: EdgeFilter::new(calibration.edge_times()),
            train: PulseTrain::new(limits),
            shown_quarters: 0,
        }
    }

    /// Takes a pulse that the board has filtered already; instead of levels, not beside them.
    pub fn pulse(&mut self, at: Micros) {
        self.train.pulse(at);
    }

    /// The engine speed at `now`.
    ///
    /// Good 0 after the time-out, also where no pulse has ever come; missing before that, and while pulses do not agree
    /// yet; implausible where pulses have come for longer than the time-out and still do not agree. The age is the time
    /// since the last pulse that agreed.
    pub fn read(&mut self, now: Micros) -> Reading<Rpm> {
        if let Some(at) = self.filter.settle(now) {
            self.train.pulse(at);
        }
        match self.train.observe(now) {
            Observation::Unknown | Observation::Unsteady { lasting: false } => Reading::missing(),
            Observation::Unsteady { lasting: true } => Reading { quality: Quality::Implausible, ..Reading::missing() },
            Observation::Still => {
                self.shown_quarters = 0;
                Reading::good(Rpm::from_raw(0))
            }
            Observation::Steady { silent_us, age_us } => {
                let pulses = self.calibration.pulses_per_revolution();
                let gathered = self.train.take();
                if gathered.count > 0 {
                    self.shown_quarters =
                        pulses.quarters(gathered.count, gathered.span_us).min(self.calibration.fastest_quarters());
                }
                // Last in the chain, so that nothing behind it keeps an old speed alive.
                let bounded = self.shown_quarters.min(pulses.quarters(SILENT_PULSES, silent_us));
                Reading {
                    value: Rpm::from_raw(i32::try_from(bounded).unwrap_or(i32::MAX)),
                    quality: Quality::Good,
                    age_ms: u16::try_from(age_us / 1_000).unwrap_or(u16::MAX),
                }
            }
        }
    }

    /// A step of the speed by 2 or ½ that is held back now, or was passed on because it lasted.
    #[must_use]
    pub fn suspect_ratio(&self) -> Option<SuspectRatio> {
        self.train.suspect_ratio()
    }

    /// Counts since power-up.
    #[must_use]
    pub fn statistics(&self) -> PulseStatistics {
        PulseStatistics { glitches: self.filter.glitches(), ..self.train.statistics() }
    }
}

impl LevelSink for Tachometer {
    fn level(&mut self, active: bool, at: Micros) {
        if let Some(at) = self.filter.level(active, at) {
            self.train.pulse(at);
        }
    }
}

const fn agreeing_periods(revolution: u16) -> u16 {
    let two_revolutions = revolution.saturating_mul(2);
    if two_revolutions < LEAST_AGREEING_PERIODS {
        LEAST_AGREEING_PERIODS
    } else if two_revolutions > MOST_AGREEING_PERIODS {
        MOST_AGREEING_PERIODS
    } else {
        two_revolutions
    }
}

const fn periods_of_a_revolution(calibration: &TachometerCalibration) -> u16 {
    // At most 1,000 pulses make a revolution: the low bytes hold them all.
    let [low, high, ..] = calibration.pulses_per_revolution().in_one_revolution().to_le_bytes();
    u16::from_le_bytes([low, high])
}

#[cfg(test)]
#[path = "tachometer_tests.rs"]
mod tests;
