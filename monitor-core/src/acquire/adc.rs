//! Slow analogue inputs: counts of a converter, dividers, and the channel that turns answers into readings.
//!
//! A converter never reads its rails: an open or shorted lead ends a little inside them, and some converters cannot
//! see the last tenths of a volt at all. [`AdcScale`] therefore keeps a dead zone at both ends, and a count inside one
//! is a fault of the lead, never a value.

use core::fmt;

use super::Quality;

mod divider;
mod filter;
mod rate_gate;
mod slow_channel;
mod wide;

pub use divider::{Divider, Pull, Resistance};
pub use filter::SlowFilter;
pub use rate_gate::{RateGate, RateLimits};
pub use slow_channel::{SlowChannel, StaleAfter};
pub(super) use wide::{divide_wide, mul_div};

/// Largest full scale: 24 bits.
const FULL_SCALE_MAX: u32 = (1 << 24) - 1;
/// Smallest full scale: 8 bits.
const FULL_SCALE_MIN: u32 = 255;

/// What a converter answered, from 0 to the full scale of its [`AdcScale`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AdcCounts(u32);

impl AdcCounts {
    /// From a number of counts.
    #[must_use]
    pub const fn from_counts(counts: u32) -> Self {
        Self(counts)
    }

    /// The number of counts.
    #[must_use]
    pub const fn as_counts(self) -> u32 {
        self.0
    }
}

/// One input of an analogue-to-digital converter. A board implements it; nothing here waits.
pub trait AdcInput {
    /// What can go wrong on the way to the converter.
    type Error;

    /// Asks for a conversion.
    ///
    /// # Errors
    /// [`nb::Error::WouldBlock`] while the conversion is under way, [`nb::Error::Other`] when the converter cannot be
    /// reached.
    fn read_counts(&mut self) -> nb::Result<AdcCounts, Self::Error>;
}

impl<T: AdcInput + ?Sized> AdcInput for &mut T {
    type Error = T::Error;

    fn read_counts(&mut self) -> nb::Result<AdcCounts, Self::Error> {
        T::read_counts(self)
    }
}

/// The counts of a converter and how far they can be believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AdcScale {
    full_scale: u32,
    dead_low: u32,
    dead_high: u32,
}

/// Where a count lies on its scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Zone {
    /// In the dead zone at the low rail.
    Low,
    /// Between the dead zones.
    Usable,
    /// In the dead zone at the high rail, or above the full scale.
    High,
}

impl AdcScale {
    /// A scale from 0 to `full_scale` counts (4095 for 12 bits). Counts up to and including `dead_low`, and the topmost
    /// `dead_high` counts with the full scale itself, say nothing: 0 and the full scale are always dead.
    ///
    /// To find the zones, open the sensor's lead, note the count, then short it and note the count; add a margin.
    ///
    /// # Errors
    /// A full scale outside 8 to 24 bits, or dead zones that leave less than half of the scale.
    pub const fn new(full_scale: u32, dead_low: u32, dead_high: u32) -> Result<Self, CalibrationError> {
        if full_scale < FULL_SCALE_MIN || full_scale > FULL_SCALE_MAX {
            return Err(CalibrationError::FullScale);
        }
        if dead_low.saturating_add(dead_high) > full_scale / 2 {
            return Err(CalibrationError::DeadZones);
        }
        Ok(Self { full_scale, dead_low, dead_high })
    }

    /// The highest count.
    #[must_use]
    pub const fn full_scale(self) -> u32 {
        self.full_scale
    }

    /// The lowest count that means something.
    #[must_use]
    pub const fn lowest_usable(self) -> AdcCounts {
        AdcCounts(self.dead_low.saturating_add(1))
    }

    /// The highest count that means something.
    #[must_use]
    pub const fn highest_usable(self) -> AdcCounts {
        AdcCounts(self.full_scale.saturating_sub(self.dead_high).saturating_sub(1))
    }

    /// Where `counts` lies.
    #[must_use]
    pub const fn zone(self, counts: AdcCounts) -> Zone {
        if counts.0 < self.lowest_usable().0 {
            Zone::Low
        } else if counts.0 > self.highest_usable().0 {
            Zone::High
        } else {
            Zone::Usable
        }
    }
}

/// What the counts say about the lead instead of about the quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum LeadFault {
    /// The lead is open.
    Open,
    /// The lead is shorted, or the quantity is beyond what the circuit can measure on that side.
    Short,
}

impl From<LeadFault> for Quality {
    fn from(fault: LeadFault) -> Self {
        match fault {
            LeadFault::Open => Self::Open,
            LeadFault::Short => Self::Short,
        }
    }
}

/// Why a calibration cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum CalibrationError {
    /// The full scale of the converter is not 8 to 24 bits.
    FullScale,
    /// The dead zones leave less than half of the converter's scale.
    DeadZones,
    /// The fixed resistor of a divider is 0.
    Resistor,
    /// The thermistor's coefficients are no thermistor's.
    ThermistorCurve,
    /// The thermistor's table has too few rows, is not in order or jumps.
    ThermistorTable,
    /// The thermistor's table has more rows than there is room for.
    ThermistorRows,
    /// The cold limit would call a legal cold start a fault.
    ColdLimit,
    /// The hot limit lies in the range an overheating engine reaches.
    HotLimit,
    /// With this divider the lower dead zone or the upper one covers temperatures that must be measured.
    DeadZoneCoversRange,
    /// The resistance at 0 °C is not that of a Pt100 or Pt1000.
    RtdNominal,
    /// The resistance of the leads is more than a tenth of the sensor's.
    RtdLeads,
    /// The thermocouple amplifier's step is 0 or larger than a kelvin.
    AmplifierStep,
    /// The zero of the amplifier lies in a dead zone.
    AmplifierZero,
    /// The reference voltage is 0 or above 10 V.
    ReferenceVoltage,
    /// The divider ratio is under 1 or over 100.
    DividerRatio,
    /// The highest voltage that can be measured is under that of a charging 12 V system.
    SupplyRange,
    /// The sender's zero, span and limits are not in order.
    SenderSpan,
    /// The pressure at full span is not above that at zero.
    SenderPressure,
    /// The ratio between signal and reference counts is 0 or over 100.
    SenderGain,
    /// The shift of the filter is over 4.
    Smoothing,
    /// The age limit is 0 or the largest number.
    StaleLimit,
    /// A limit on the rate of change is 0.
    RateLimit,
}

impl CalibrationError {
    /// What is wrong and what to do about it, in one line.
    #[must_use]
    pub const fn message(self) -> &'static str {
        match self {
            Self::FullScale => "full scale must be 255 to 16777215 counts: give the converter's highest count",
            Self::DeadZones => {
                "dead zones take more than half of the scale: measure them again with the lead open and shorted"
            }
            Self::Resistor => "the divider's fixed resistor must be above 0 ohm: read its value off the board",
            Self::ThermistorCurve => "a, b and c do not describe a thermistor: check their powers of ten",
            Self::ThermistorTable => {
                "the table needs 2 rows or more, temperature rising by 1 to 60 K and resistance falling in each"
            }
            Self::ThermistorRows => "the table has more rows than there is room for: leave out every second row",
            Self::ColdLimit => "the cold limit must be -60 to -10 degrees: a colder start is legal and no sensor fault",
            Self::HotLimit => {
                "the hot limit must be 130 to 300 degrees: below that an overheat would be called a sensor fault"
            }
            Self::DeadZoneCoversRange => {
                "a dead zone covers temperatures between -10 and 120 degrees: change the fixed resistor or the zones"
            }
            Self::RtdNominal => {
                "the resistance at 0 degrees must be 98 to 102 or 980 to 1020 ohm: use a Pt100 or Pt1000"
            }
            Self::RtdLeads => "the leads must be under a tenth of the sensor's resistance: use thicker or shorter ones",
            Self::AmplifierStep => {
                "the amplifier's step must be 1 to 40000000 picovolts a count: check gain and reference"
            }
            Self::AmplifierZero => "the amplifier's zero lies in a dead zone: shift it towards the middle",
            Self::ReferenceVoltage => "the reference must be above 0 and at most 10000 mV",
            Self::DividerRatio => "the divider ratio must be 1 to 100: input voltage over voltage at the pin",
            Self::SupplyRange => "the divider must measure 16 V or more: a charging system reaches that",
            Self::SenderSpan => {
                "open limit, zero, full span and short limit must rise in this order, below the reference"
            }
            Self::SenderPressure => "the pressure at full span must be above that at zero",
            Self::SenderGain => "the gain between signal and reference counts must be above 0 and at most 100",
            Self::Smoothing => "smoothing must be 0 to 4",
            Self::StaleLimit => "the age limit must be 1 to 65534 ms",
            Self::RateLimit => "limits on the rate of change must be above 0",
        }
    }
}

impl fmt::Display for CalibrationError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.message())
    }
}

impl core::error::Error for CalibrationError {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_rails_are_dead_whatever_the_zones() {
        let scale = AdcScale::new(4095, 0, 0).unwrap();
        let cases = [
            ("low rail", 0, Zone::Low),
            ("lowest usable", 1, Zone::Usable),
            ("highest usable", 4094, Zone::Usable),
            ("high rail", 4095, Zone::High),
            ("beyond the scale", 70_000, Zone::High),
        ];
        for (name, counts, expected) in cases {
            assert_eq!(scale.zone(AdcCounts::from_counts(counts)), expected, "{name}");
        }
    }

    #[test]
    fn dead_zones_are_inclusive() {
        let scale = AdcScale::new(4095, 40, 20).unwrap();
        let cases = [(40, Zone::Low), (41, Zone::Usable), (4074, Zone::Usable), (4075, Zone::High)];
        for (counts, expected) in cases {
            assert_eq!(scale.zone(AdcCounts::from_counts(counts)), expected, "{counts}");
        }
    }

    #[test]
    fn nonsense_scales_are_refused() {
        let cases = [
            ("no converter", 0, 0, 0, CalibrationError::FullScale),
            ("7 bits", 127, 0, 0, CalibrationError::FullScale),
            ("25 bits", (1 << 25) - 1, 0, 0, CalibrationError::FullScale),
            ("nothing left", 4095, 2_000, 2_000, CalibrationError::DeadZones),
            ("overflowing zones", 4095, u32::MAX, u32::MAX, CalibrationError::DeadZones),
        ];
        for (name, full, low, high, expected) in cases {
            assert_eq!(AdcScale::new(full, low, high), Err(expected), "{name}");
        }
    }
}
