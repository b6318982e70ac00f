//! The 12 V system through a resistive divider.

use super::adc::{AdcCounts, AdcInput, AdcScale, CalibrationError, Zone, mul_div};
use super::{Quality, Reading, SlowSensor};
use crate::num::round_div;
use crate::units::Voltage;

/// A charging system without a regulator reaches this; a divider that cannot measure it hides a failed regulator.
const RANGE_NEEDED_MICROVOLTS: u32 = 16_000_000;

/// Supply voltage over voltage at the pin of the converter, in millionths.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(try_from = "u32", into = "u32"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct DividerRatio(u32);

impl DividerRatio {
    /// From millionths: 5,700,000 for 47 kΩ over 10 kΩ.
    ///
    /// # Errors
    /// [`CalibrationError::DividerRatio`] under 1 or over 100.
    pub const fn from_millionths(millionths: u32) -> Result<Self, CalibrationError> {
        if millionths < 1_000_000 || millionths > 100_000_000 {
            return Err(CalibrationError::DividerRatio);
        }
        Ok(Self(millionths))
    }

    /// The ratio in millionths.
    #[must_use]
    pub const fn as_millionths(self) -> u32 {
        self.0
    }
}

impl TryFrom<u32> for DividerRatio {
    type Error = CalibrationError;

    /// As [`DividerRatio::from_millionths`].
    fn try_from(millionths: u32) -> Result<Self, CalibrationError> {
        Self::from_millionths(millionths)
    }
}

impl From<DividerRatio> for u32 {
    fn from(ratio: DividerRatio) -> Self {
        ratio.0
    }
}

/// Converter, reference and divider of the supply input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SupplyCalibration {
    scale: AdcScale,
    /// Supply voltage at the full scale, in µV.
    full_scale_microvolts: u32,
}

impl SupplyCalibration {
    /// `reference_millivolts` is the voltage at the pin that gives the full scale; `ratio_millionths` is supply voltage
    /// over voltage at the pin: 5,700,000 for 47 kΩ over 10 kΩ. Measure the supply once and correct the ratio by it.
    ///
    /// # Errors
    /// A reference of 0 or over 10 V; a ratio under 1 or over 100; a range that ends under 16 V.
    pub fn new(scale: AdcScale, reference_millivolts: u32, ratio_millionths: u32) -> Result<Self, CalibrationError> {
        if reference_millivolts == 0 || reference_millivolts > 10_000 {
            return Err(CalibrationError::ReferenceVoltage);
        }
        let ratio = DividerRatio::from_millionths(ratio_millionths)?.as_millionths();
        let calibration = Self { scale, full_scale_microvolts: mul_div(reference_millivolts, ratio, 1_000) };
        if calibration.microvolts(scale.highest_usable()) < RANGE_NEEDED_MICROVOLTS {
            return Err(CalibrationError::SupplyRange);
        }
        Ok(calibration)
    }

    fn microvolts(self, counts: AdcCounts) -> u32 {
        mul_div(counts.as_counts(), self.full_scale_microvolts, self.scale.full_scale())
    }

    /// The reading for one answer of the converter.
    ///
    /// At the low rail the lead is open (or its fuse is): a flat battery still has volts. At the high rail the voltage is
    /// above what can be measured, and no number is given for it.
    #[must_use]
    pub fn reading(self, counts: AdcCounts) -> Reading<Voltage> {
        match self.scale.zone(counts) {
            Zone::Low => Reading { quality: Quality::Open, ..Reading::missing() },
            Zone::High => Reading { quality: Quality::Implausible, ..Reading::missing() },
            Zone::Usable => {
                let microvolts = i32::try_from(self.microvolts(counts)).unwrap_or(i32::MAX);
                Reading::good(Voltage::from_millivolts(round_div(microvolts, 1_000)))
            }
        }
    }
}

/// The supply on an input of a converter.
#[derive(Debug)]
pub struct Supply<A> {
    input: A,
    calibration: SupplyCalibration,
}

impl<A: AdcInput> Supply<A> {
    /// The supply on `input`.
    #[must_use]
    pub const fn new(input: A, calibration: SupplyCalibration) -> Self {
        Self { input, calibration }
    }
}

impl<A: AdcInput> SlowSensor for Supply<A> {
    type Sample = Reading<Voltage>;
    type Error = A::Error;

    fn read(&mut self) -> nb::Result<Self::Sample, Self::Error> {
        self.input.read_counts().map(|counts| self.calibration.reading(counts))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scale() -> AdcScale {
        AdcScale::new(4095, 10, 10).unwrap()
    }

    #[test]
    fn every_count_agrees_with_the_divider() {
        let calibration = SupplyCalibration::new(scale(), 3_300, 5_700_000).unwrap();
        for counts in 11..=4084_u32 {
            let exact = f64::from(counts) / 4095.0 * 3_300.0 * 5.7;
            let reading = calibration.reading(AdcCounts::from_counts(counts));
            assert_eq!(reading.quality, Quality::Good, "{counts}");
            assert!((f64::from(reading.value.as_millivolts()) - exact).abs() < 0.501, "{counts}");
        }
    }

    #[test]
    fn rails_are_no_voltage() {
        let calibration = SupplyCalibration::new(scale(), 3_300, 5_700_000).unwrap();
        let cases = [
            ("lead off", 0, Quality::Open),
            ("lead off, noise", 10, Quality::Open),
            ("flat battery", 700, Quality::Good),
            ("cranking sag to 7.5 V", 1_633, Quality::Good),
            ("above the range", 4_085, Quality::Implausible),
            ("saturated", 4_095, Quality::Implausible),
        ];
        for (name, counts, expected) in cases {
            assert_eq!(calibration.reading(AdcCounts::from_counts(counts)).quality, expected, "{name}");
        }
    }

    #[test]
    fn nonsense_is_refused() {
        let cases = [
            ("no reference", 0, 5_700_000, CalibrationError::ReferenceVoltage),
            ("reference in microvolts", 3_300_000, 5_700_000, CalibrationError::ReferenceVoltage),
            ("ratio upside down", 3_300, 175_439, CalibrationError::DividerRatio),
            ("ratio of a 500 V divider", 3_300, 150_000_000, CalibrationError::DividerRatio),
            ("ends under a charging system", 3_300, 4_700_000, CalibrationError::SupplyRange),
        ];
        for (name, reference, ratio, expected) in cases {
            assert_eq!(SupplyCalibration::new(scale(), reference, ratio), Err(expected), "{name}");
        }
    }
}
