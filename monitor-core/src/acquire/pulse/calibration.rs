//! What an installer measured at this engine and this flow meter, checked once and turned into times.

use core::fmt;

use super::rate::{div_rounded, div_rounded_u32};
use crate::units::{Flow, Rpm};

/// A time-out counts this many halves of the longest wanted period: a late pulse is not yet a standstill.
const TIME_OUT_HALF_PERIODS: u64 = 5;
/// Closer pulses cannot be told apart by stamps of one microsecond and interrupts of a small board.
const CLOSEST_PULSES_US: u32 = 20;
/// Without other knowledge a level must stand for this part of the shortest period.
const EDGE_PART_OF_PERIOD: u32 = 10;
const LONGEST_TACHOMETER_TIME_OUT_US: u32 = 10_000_000;
const LONGEST_FLOW_TIME_OUT_US: u32 = 120_000_000;
/// No engine turns faster, in ¼ rpm.
const FASTEST_QUARTERS: u32 = 30_000 * 4;
const MOST_PULSES_PER_REVOLUTION: u32 = 1_000;
const LONGEST_EDGE_TIME_US: u32 = 1_000_000;

/// Why a calibration is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum CalibrationError {
    /// Pulses per revolution are 0, over 1,000, or less than one in 100 revolutions.
    PulsesPerRevolution,
    /// The slowest speed is not above 0, not under the fastest, or the fastest is over 30,000 rpm.
    SpeedRange,
    /// Pulses per litre are 0.
    PulsesPerLitre,
    /// The least flow is not above 0 or not under the greatest.
    FlowRange,
    /// With this offset the meter gives no pulses at the least wanted flow.
    Offset,
    /// At the slowest wanted speed or flow the pulses are so far apart that a standstill would be seen too late.
    PulsesTooSlow,
    /// At the fastest speed or flow the pulses are closer than 20 µs.
    PulsesTooFast,
    /// A minimum low or high time is over one second, or both together leave no room for the fastest pulses.
    EdgeTimes,
}

impl fmt::Display for CalibrationError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::PulsesPerRevolution => {
                "pulses per revolution must lie between 0.01 and 1,000: count the poles or compare with a tachometer"
            }
            Self::SpeedRange => {
                "the slowest speed must be above 0 and under the fastest, the fastest at most 30,000 rpm"
            }
            Self::PulsesPerLitre => {
                "pulses per litre must be above 0: run a measured amount of water through the meter"
            }
            Self::FlowRange => "the least flow must be above 0 and under the greatest",
            Self::Offset => "with this offset the meter gives no pulses at the least flow: check its sign",
            Self::PulsesTooSlow => {
                "pulses are too far apart at the slowest speed or flow: raise it, or fit a sensor with more pulses"
            }
            Self::PulsesTooFast => "pulses are closer than 20 µs at the fastest speed or flow: check both numbers",
            Self::EdgeTimes => "the minimum low and high times leave no room for the fastest pulses: shorten them",
        })
    }
}

impl core::error::Error for CalibrationError {}

/// How long a level must stand to count, in microseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct EdgeTimes {
    min_low_us: u32,
    min_high_us: u32,
}

impl EdgeTimes {
    /// Minimum low and high times in microseconds; 0 where the hardware filters already.
    ///
    /// # Errors
    /// [`CalibrationError::EdgeTimes`] over one second.
    pub const fn new(min_low_us: u32, min_high_us: u32) -> Result<Self, CalibrationError> {
        if min_low_us > LONGEST_EDGE_TIME_US || min_high_us > LONGEST_EDGE_TIME_US {
            return Err(CalibrationError::EdgeTimes);
        }
        Ok(Self { min_low_us, min_high_us })
    }

    /// Times that suit pulses this far apart or more.
    const fn for_period(shortest_us: u32) -> Self {
        let part = shortest_us / EDGE_PART_OF_PERIOD;
        Self { min_low_us: part, min_high_us: part }
    }

    const fn fit_into(self, shortest_us: u32) -> bool {
        self.min_low_us.saturating_add(self.min_high_us) <= shortest_us
    }

    /// Minimum low time in microseconds.
    #[must_use]
    pub const fn min_low_us(self) -> u32 {
        self.min_low_us
    }

    /// Minimum high time in microseconds.
    #[must_use]
    pub const fn min_high_us(self) -> u32 {
        self.min_high_us
    }
}

/// Pulses of one crankshaft revolution, as a ratio of whole numbers: an alternator with 12 poles gives 6, a coil of a
/// four-stroke cylinder ½, a belt-driven alternator any fraction. A wheel with teeth missing is given by its full
/// number of teeth: the train passes over the gaps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(try_from = "(u32, u32)", into = "(u32, u32)"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PulsesPerRevolution {
    pulses: u32,
    revolutions: u32,
}

impl PulsesPerRevolution {
    /// `pulses` in `revolutions`.
    ///
    /// # Errors
    /// [`CalibrationError::PulsesPerRevolution`] for 0, over 1,000, or under 0.01 pulses per revolution.
    pub const fn new(pulses: u32, revolutions: u32) -> Result<Self, CalibrationError> {
        let least_revolutions = pulses.div_ceil(MOST_PULSES_PER_REVOLUTION);
        if pulses == 0 || revolutions < least_revolutions || revolutions > pulses.saturating_mul(100) {
            return Err(CalibrationError::PulsesPerRevolution);
        }
        // Bounds the products that are made of these numbers.
        if pulses > 1_000_000 || revolutions > 1_000_000 {
            return Err(CalibrationError::PulsesPerRevolution);
        }
        let divisor = greatest_common_divisor(pulses, revolutions);
        match (pulses.checked_div(divisor), revolutions.checked_div(divisor)) {
            (Some(pulses), Some(revolutions)) => Ok(Self { pulses, revolutions }),
            _ => Err(CalibrationError::PulsesPerRevolution),
        }
    }

    /// From thousandths of a pulse per revolution: 500 is half a pulse.
    ///
    /// # Errors
    /// As [`PulsesPerRevolution::new`].
    pub const fn from_thousandths(thousandths: u32) -> Result<Self, CalibrationError> {
        Self::new(thousandths, 1_000)
    }

    /// Pulses in [`PulsesPerRevolution::revolutions`], in lowest terms.
    #[must_use]
    pub const fn pulses(self) -> u32 {
        self.pulses
    }

    /// Revolutions that [`PulsesPerRevolution::pulses`] take.
    #[must_use]
    pub const fn revolutions(self) -> u32 {
        self.revolutions
    }

    /// Pulses of one whole revolution, rounded up.
    pub(super) const fn in_one_revolution(self) -> u32 {
        // The constructors refuse 0 revolutions; a plain division would bring a panic into the image all the same.
        match self.pulses.saturating_add(self.revolutions.saturating_sub(1)).checked_div(self.revolutions) {
            Some(pulses) => pulses,
            None => self.pulses,
        }
    }

    /// The speed at which `count` pulses take `span_us` microseconds, in ¼ rpm.
    pub(super) const fn quarters(self, count: u32, span_us: u32) -> u32 {
        // 60,000,000 µs in a minute, four quarters in a turn. The factors are at most 2²⁸, 2²⁰ and, for counts of an
        // hour at the closest pulses, 2²⁸: only a count beyond that saturates.
        let turns = (count as u64).saturating_mul(self.revolutions as u64).saturating_mul(240_000_000);
        div_rounded_u32(turns, (self.pulses as u64).saturating_mul(span_us as u64))
    }

    /// The time between two pulses at this speed, in microseconds; saturates.
    const fn period_us(self, quarters: u32) -> u32 {
        let time = (self.revolutions as u64).saturating_mul(240_000_000);
        div_rounded_u32(time, (self.pulses as u64).saturating_mul(quarters as u64))
    }
}

impl TryFrom<(u32, u32)> for PulsesPerRevolution {
    type Error = CalibrationError;

    /// As [`PulsesPerRevolution::new`].
    fn try_from((pulses, revolutions): (u32, u32)) -> Result<Self, CalibrationError> {
        Self::new(pulses, revolutions)
    }
}

impl From<PulsesPerRevolution> for (u32, u32) {
    fn from(ratio: PulsesPerRevolution) -> Self {
        (ratio.pulses, ratio.revolutions)
    }
}

const fn greatest_common_divisor(first: u32, second: u32) -> u32 {
    let (mut larger, mut smaller) = (first, second);
    while let Some(rest) = larger.checked_rem(smaller) {
        larger = smaller;
        smaller = rest;
    }
    larger
}

/// Calibration of a tachometer input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TachometerCalibration {
    pulses: PulsesPerRevolution,
    fastest_quarters: u32,
    shortest_us: u32,
    time_out_us: u32,
    edges: EdgeTimes,
}

impl TachometerCalibration {
    /// A tachometer that shall see everything from `slowest` (a standstill is said 2.5 periods of it after the last
    /// pulse; cranking is 150 rpm and more) to `fastest` (the bound of what this engine can do; half as much again as
    /// its maximum is a good choice). Minimum edge times: a tenth of the period at `fastest`.
    ///
    /// # Errors
    /// [`CalibrationError::SpeedRange`], [`CalibrationError::PulsesTooFast`], or [`CalibrationError::PulsesTooSlow`]
    /// where a standstill would be seen later than after 10 s.
    pub const fn new(pulses: PulsesPerRevolution, slowest: Rpm, fastest: Rpm) -> Result<Self, CalibrationError> {
        let (slow, fast) = (slowest.as_quarter_rpm(), fastest.as_quarter_rpm());
        if slow <= 0 || fast <= slow || fast.unsigned_abs() > FASTEST_QUARTERS {
            return Err(CalibrationError::SpeedRange);
        }
        let fastest_quarters = fast.unsigned_abs();
        let shortest_us = pulses.period_us(fastest_quarters);
        if shortest_us < CLOSEST_PULSES_US {
            return Err(CalibrationError::PulsesTooFast);
        }
        let time_out_us = time_out_us(pulses.period_us(slow.unsigned_abs()));
        if time_out_us > LONGEST_TACHOMETER_TIME_OUT_US {
            return Err(CalibrationError::PulsesTooSlow);
        }
        let edges = EdgeTimes::for_period(shortest_us);
        Ok(Self { pulses, fastest_quarters, shortest_us, time_out_us, edges })
    }

    /// The same with minimum edge times of the installer's own.
    ///
    /// # Errors
    /// [`CalibrationError::EdgeTimes`] where they would swallow the fastest pulses.
    pub const fn with_edge_times(self, edges: EdgeTimes) -> Result<Self, CalibrationError> {
        if edges.fit_into(self.shortest_us) { Ok(Self { edges, ..self }) } else { Err(CalibrationError::EdgeTimes) }
    }

    /// Pulses per revolution.
    #[must_use]
    pub const fn pulses_per_revolution(&self) -> PulsesPerRevolution {
        self.pulses
    }

    /// Microseconds after the last pulse until the engine is said to stand.
    #[must_use]
    pub const fn time_out_us(&self) -> u32 {
        self.time_out_us
    }

    /// The least time between two pulses that is believed, in microseconds.
    #[must_use]
    pub const fn shortest_period_us(&self) -> u32 {
        self.shortest_us
    }

    /// Minimum low and high times.
    #[must_use]
    pub const fn edge_times(&self) -> EdgeTimes {
        self.edges
    }

    pub(super) const fn fastest_quarters(&self) -> u32 {
        self.fastest_quarters
    }
}

/// Calibration of a flow meter: frequency in hertz = pulses per litre × litres per minute ÷ 60 + offset.
///
/// Meters of one type differ by a quarter and more, so both numbers belong to this very meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FlowCalibration {
    pulses_per_litre_milli: u32,
    offset_millihertz: i32,
    slowest_ml_per_min: u32,
    fastest_ml_per_min: u32,
    shortest_us: u32,
    time_out_us: u32,
    edges: EdgeTimes,
}

impl FlowCalibration {
    /// A flow meter with `pulses_per_litre_milli` thousandths of a pulse per litre and `offset_millihertz` thousandths
    /// of a hertz (mostly negative: friction), that shall see everything from `slowest` (the meter's own minimum; no
    /// flow is said 2.5 periods of it after the last pulse) to `fastest`. Minimum edge times: a tenth of the period at
    /// `fastest`.
    ///
    /// # Errors
    /// [`CalibrationError::PulsesPerLitre`], [`CalibrationError::FlowRange`], [`CalibrationError::Offset`],
    /// [`CalibrationError::PulsesTooFast`], or [`CalibrationError::PulsesTooSlow`] where a lost stream would be seen
    /// later than after two minutes.
    pub const fn new(
        pulses_per_litre_milli: u32,
        offset_millihertz: i32,
        slowest: Flow,
        fastest: Flow,
    ) -> Result<Self, CalibrationError> {
        if pulses_per_litre_milli == 0 {
            return Err(CalibrationError::PulsesPerLitre);
        }
        let (slow, fast) = (slowest.as_millilitres_per_minute(), fastest.as_millilitres_per_minute());
        if slow <= 0 || fast <= slow {
            return Err(CalibrationError::FlowRange);
        }
        let (slowest_ml_per_min, fastest_ml_per_min) = (slow.unsigned_abs(), fast.unsigned_abs());
        let at_slowest = microhertz_at(slowest_ml_per_min, pulses_per_litre_milli, offset_millihertz);
        let at_fastest = microhertz_at(fastest_ml_per_min, pulses_per_litre_milli, offset_millihertz);
        let (Some(at_slowest), Some(at_fastest)) = (at_slowest, at_fastest) else {
            return Err(CalibrationError::Offset);
        };
        let shortest_us = period_of_microhertz(at_fastest);
        if shortest_us < CLOSEST_PULSES_US {
            return Err(CalibrationError::PulsesTooFast);
        }
        let time_out_us = time_out_us(period_of_microhertz(at_slowest));
        if time_out_us > LONGEST_FLOW_TIME_OUT_US {
            return Err(CalibrationError::PulsesTooSlow);
        }
        let edges = EdgeTimes::for_period(shortest_us);
        Ok(Self {
            pulses_per_litre_milli,
            offset_millihertz,
            slowest_ml_per_min,
            fastest_ml_per_min,
            shortest_us,
            time_out_us,
            edges,
        })
    }

    /// The same with minimum edge times of the installer's own.
    ///
    /// # Errors
    /// [`CalibrationError::EdgeTimes`] where they would swallow the fastest pulses.
    pub const fn with_edge_times(self, edges: EdgeTimes) -> Result<Self, CalibrationError> {
        if edges.fit_into(self.shortest_us) { Ok(Self { edges, ..self }) } else { Err(CalibrationError::EdgeTimes) }
    }

    /// Thousandths of a pulse per litre.
    #[must_use]
    pub const fn pulses_per_litre_milli(&self) -> u32 {
        self.pulses_per_litre_milli
    }

    /// Thousandths of a hertz at no flow, by the straight line through the calibration points.
    #[must_use]
    pub const fn offset_millihertz(&self) -> i32 {
        self.offset_millihertz
    }

    /// Microseconds after the last pulse until no flow is said.
    #[must_use]
    pub const fn time_out_us(&self) -> u32 {
        self.time_out_us
    }

    /// The least time between two pulses that is believed, in microseconds.
    #[must_use]
    pub const fn shortest_period_us(&self) -> u32 {
        self.shortest_us
    }

    /// Minimum low and high times.
    #[must_use]
    pub const fn edge_times(&self) -> EdgeTimes {
        self.edges
    }

    pub(super) const fn slowest_ml_per_min(&self) -> u32 {
        self.slowest_ml_per_min
    }

    /// The flow at this frequency in mL/min: 0 under the offset, at most the greatest flow.
    pub(super) const fn ml_per_min(&self, microhertz: u64) -> u32 {
        let offset = (self.offset_millihertz.unsigned_abs() as u64).saturating_mul(1_000);
        let driven = if self.offset_millihertz < 0 {
            microhertz.saturating_add(offset)
        } else {
            microhertz.saturating_sub(offset)
        };
        // 1 µHz of a meter with 1 pulse per litre is 0.06 mL/min.
        let flow = div_rounded_u32(driven.saturating_mul(60), self.pulses_per_litre_milli as u64);
        if flow > self.fastest_ml_per_min { self.fastest_ml_per_min } else { flow }
    }
}

/// The frequency at which `count` pulses take `span_us` microseconds, in µHz.
pub(super) const fn microhertz(count: u32, span_us: u32) -> u64 {
    div_rounded((count as u64).saturating_mul(1_000_000_000_000), span_us as u64)
}

/// Frequency of the meter at this flow; none where the offset leaves nothing.
const fn microhertz_at(ml_per_min: u32, pulses_per_litre_milli: u32, offset_millihertz: i32) -> Option<u64> {
    let driven = div_rounded((ml_per_min as u64).saturating_mul(pulses_per_litre_milli as u64), 60);
    let offset = (offset_millihertz.unsigned_abs() as u64).saturating_mul(1_000);
    if offset_millihertz >= 0 {
        Some(driven.saturating_add(offset))
    } else if driven > offset {
        Some(driven.saturating_sub(offset))
    } else {
        None
    }
}

const fn period_of_microhertz(microhertz: u64) -> u32 {
    div_rounded_u32(1_000_000_000_000, microhertz)
}

const fn time_out_us(longest_period_us: u32) -> u32 {
    div_rounded_u32((longest_period_us as u64).saturating_mul(TIME_OUT_HALF_PERIODS), 2)
}

#[cfg(test)]
#[path = "calibration_tests.rs"]
mod tests;
