//! Ratiometric pressure senders: 0.5 to 4.5 V of a 5 V supply, measured against that same supply.

use super::adc::{AdcCounts, AdcInput, AdcScale, CalibrationError, Zone, divide_wide, mul_div};
use super::{Quality, Reading, SlowSensor};
use crate::units::Pressure;

/// Ratios are counted in millionths of the sender's supply.
const ONE: u32 = 1_000_000;

/// What a ratiometric sender gives, in millionths of its own supply.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SenderSpan {
    /// Under this the lead is open.
    pub open_below: u32,
    /// Output at the pressure of zero.
    pub zero: u32,
    /// Output at the full pressure.
    pub full: u32,
    /// Over this the lead is shorted to the supply.
    pub short_above: u32,
}

impl SenderSpan {
    /// 0.5 to 4.5 V of 5 V; under 0.25 V open, over 4.75 V short.
    pub const HALF_TO_FOUR_AND_A_HALF_VOLTS: Self =
        Self { open_below: 50_000, zero: 100_000, full: 900_000, short_above: 950_000 };

    const fn is_in_order(self) -> bool {
        0 < self.open_below
            && self.open_below < self.zero
            && self.zero < self.full
            && self.full < self.short_above
            && self.short_above < ONE
    }
}

/// Sender and converter of a pressure input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PressureCalibration {
    scale: AdcScale,
    span: SenderSpan,
    at_zero: Pressure,
    at_full: Pressure,
    gain_millionths: u32,
}

impl PressureCalibration {
    /// `at_zero` and `at_full` are the pressures at the ends of the sender's span, on its label.
    ///
    /// `gain_millionths` makes equal voltages equal counts: divider ratio of the signal over divider ratio of the measured
    /// supply, 1,000,000 where both are divided alike.
    ///
    /// # Errors
    /// A span out of order, pressures out of order, a gain of 0 or over 100.
    pub fn new(
        scale: AdcScale,
        span: SenderSpan,
        at_zero: Pressure,
        at_full: Pressure,
        gain_millionths: u32,
    ) -> Result<Self, CalibrationError> {
        if !span.is_in_order() {
            return Err(CalibrationError::SenderSpan);
        }
        if at_full <= at_zero {
            return Err(CalibrationError::SenderPressure);
        }
        if gain_millionths == 0 || gain_millionths > 100 * ONE {
            return Err(CalibrationError::SenderGain);
        }
        Ok(Self { scale, span, at_zero, at_full, gain_millionths })
    }

    /// The reading for one answer of the signal's input and one of the sender's supply.
    ///
    /// Between the open limit and zero, and between full and the short limit, it is the pressure of that end: the sender's own
    /// tolerance is no negative pressure. Without a supply nothing is said about the signal's lead: the sender is open.
    #[must_use]
    pub fn reading(&self, signal: AdcCounts, supply: AdcCounts) -> Reading<Pressure> {
        match self.scale.zone(supply) {
            Zone::Low => return fault(Quality::Open),
            // A saturated converter: the ratio would be too large by an unknown amount.
            Zone::High => return fault(Quality::Implausible),
            Zone::Usable => {}
        }
        match self.scale.zone(signal) {
            Zone::Low => return fault(Quality::Open),
            Zone::High => return fault(Quality::Short),
            Zone::Usable => {}
        }
        self.at_ratio(mul_div(signal.as_counts(), self.gain_millionths, supply.as_counts()))
    }

    /// The reading where the sender is fed from the converter's own reference: the full scale is its supply.
    #[must_use]
    pub fn reading_of_full_scale(&self, signal: AdcCounts) -> Reading<Pressure> {
        match self.scale.zone(signal) {
            Zone::Low => fault(Quality::Open),
            Zone::High => fault(Quality::Short),
            Zone::Usable => self.at_ratio(mul_div(signal.as_counts(), self.gain_millionths, self.scale.full_scale())),
        }
    }

    fn at_ratio(&self, ratio: u32) -> Reading<Pressure> {
        if ratio < self.span.open_below {
            return fault(Quality::Open);
        }
        if ratio > self.span.short_above {
            return fault(Quality::Short);
        }
        let over = ratio.min(self.span.full).saturating_sub(self.span.zero);
        let whole = self.at_full.as_pascals().abs_diff(self.at_zero.as_pascals());
        // Two 32-bit numbers always multiply into 64 bits.
        let part =
            divide_wide(u64::from(over).wrapping_mul(u64::from(whole)), self.span.full.saturating_sub(self.span.zero));
        Reading::good(Pressure::from_pascals(self.at_zero.as_pascals().saturating_add_unsigned(part)))
    }
}

fn fault(quality: Quality) -> Reading<Pressure> {
    Reading { quality, ..Reading::missing() }
}

/// A ratiometric sender on one input, its supply on another.
#[derive(Debug)]
pub struct PressureSender<A, S> {
    signal: A,
    supply: S,
    calibration: PressureCalibration,
    /// The signal's answer while the supply is still being measured.
    answered: Option<AdcCounts>,
}

impl<A: AdcInput, S: AdcInput<Error = A::Error>> PressureSender<A, S> {
    /// A sender on `signal` whose supply is measured on `supply`.
    #[must_use]
    pub const fn new(signal: A, supply: S, calibration: PressureCalibration) -> Self {
        Self { signal, supply, calibration, answered: None }
    }
}

impl<A, S> SlowSensor for PressureSender<A, S>
where
    A: AdcInput,
    S: AdcInput<Error = A::Error>,
{
    type Sample = Reading<Pressure>;
    type Error = A::Error;

    fn read(&mut self) -> nb::Result<Self::Sample, Self::Error> {
        let signal = match self.answered {
            Some(counts) => counts,
            None => self.signal.read_counts()?,
        };
        self.answered = Some(signal);
        match self.supply.read_counts() {
            Ok(supply) => {
                self.answered = None;
                Ok(self.calibration.reading(signal, supply))
            }
            Err(nb::Error::WouldBlock) => Err(nb::Error::WouldBlock),
            Err(nb::Error::Other(error)) => {
                self.answered = None;
                Err(nb::Error::Other(error))
            }
        }
    }
}

/// A ratiometric sender that is fed from the converter's own reference.
#[derive(Debug)]
pub struct PressureSenderOnReference<A> {
    signal: A,
    calibration: PressureCalibration,
}

impl<A: AdcInput> PressureSenderOnReference<A> {
    /// A sender on `signal`.
    #[must_use]
    pub const fn new(signal: A, calibration: PressureCalibration) -> Self {
        Self { signal, calibration }
    }
}

impl<A: AdcInput> SlowSensor for PressureSenderOnReference<A> {
    type Sample = Reading<Pressure>;
    type Error = A::Error;

    fn read(&mut self) -> nb::Result<Self::Sample, Self::Error> {
        self.signal.read_counts().map(|counts| self.calibration.reading_of_full_scale(counts))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn calibration() -> PressureCalibration {
        // Signal and supply divided alike, 5 V at three quarters of the scale; 0 to 1 MPa.
        let span = SenderSpan::HALF_TO_FOUR_AND_A_HALF_VOLTS;
        let scale = AdcScale::new(4095, 10, 10).unwrap();
        let pascals = Pressure::from_pascals;
        PressureCalibration::new(scale, span, pascals(0), pascals(1_000_000), ONE).unwrap()
    }

    /// Reading of a signal of so many millivolts at a supply of so many.
    fn at(signal_millivolts: u32, supply_millivolts: u32) -> Reading<Pressure> {
        let counts = |millivolts: u32| AdcCounts::from_counts((millivolts * 3_071 + 2_500) / 5_000);
        calibration().reading(counts(signal_millivolts), counts(supply_millivolts))
    }

    #[test]
    fn the_span_and_what_lies_outside() {
        let cases = [
            ("lead off", 0, Quality::Open, 0),
            ("lead off, leaking", 240, Quality::Open, 0),
            ("sender reads low at rest", 300, Quality::Good, 0),
            ("zero", 500, Quality::Good, 0),
            ("a quarter", 1_500, Quality::Good, 250_000),
            ("half", 2_500, Quality::Good, 500_000),
            ("full", 4_500, Quality::Good, 1_000_000),
            ("sender reads high", 4_700, Quality::Good, 1_000_000),
            ("shorted to its supply", 4_800, Quality::Short, 0),
            ("shorted to 12 V, clamped", 6_660, Quality::Short, 0),
        ];
        for (name, millivolts, quality, pascals) in cases {
            let reading = at(millivolts, 5_000);
            assert_eq!(reading.quality, quality, "{name}");
            assert!(reading.value.as_pascals().abs_diff(pascals) < 500, "{name}: {reading:?}");
        }
    }

    #[test]
    fn a_sagging_supply_drops_out_of_the_result() {
        for supply in [4_500, 4_800, 5_200, 5_500] {
            let reading = at(supply / 2, supply);
            assert!(reading.value.as_pascals().abs_diff(500_000) < 600, "{supply}: {reading:?}");
        }
    }

    #[test]
    fn without_its_supply_a_sender_is_open() {
        assert_eq!(at(2_500, 0).quality, Quality::Open, "supply lead off");
        assert_eq!(at(2_500, 6_660).quality, Quality::Implausible, "supply input saturated");
    }

    #[test]
    fn a_sender_on_the_reference_is_measured_against_the_full_scale() {
        let counts = |millivolts: u32| AdcCounts::from_counts(millivolts * 4_095 / 5_000);
        let cases = [
            ("lead off", 100, Quality::Open, 0),
            ("half", 2_500, Quality::Good, 500_000),
            ("shorted", 5_000, Quality::Short, 0),
        ];
        for (name, millivolts, quality, pascals) in cases {
            let reading = calibration().reading_of_full_scale(counts(millivolts));
            assert_eq!(reading.quality, quality, "{name}");
            assert!(reading.value.as_pascals().abs_diff(pascals) < 500, "{name}: {reading:?}");
        }
    }

    #[test]
    fn nonsense_is_refused() {
        let scale = AdcScale::new(4095, 10, 10).unwrap();
        let good = SenderSpan::HALF_TO_FOUR_AND_A_HALF_VOLTS;
        let upside_down = SenderSpan { zero: good.full, full: good.zero, ..good };
        let no_room = SenderSpan { open_below: 0, ..good };
        let beyond = SenderSpan { short_above: ONE, ..good };
        let cases = [
            ("upside down", upside_down, 0, 1_000_000, ONE, CalibrationError::SenderSpan),
            ("open is never seen", no_room, 0, 1_000_000, ONE, CalibrationError::SenderSpan),
            ("short is never seen", beyond, 0, 1_000_000, ONE, CalibrationError::SenderSpan),
            ("no pressure", good, 1_000, 1_000, ONE, CalibrationError::SenderPressure),
            ("no gain", good, 0, 1_000_000, 0, CalibrationError::SenderGain),
        ];
        for (name, span, zero, full, gain, expected) in cases {
            let pascals = Pressure::from_pascals;
            let refused = PressureCalibration::new(scale, span, pascals(zero), pascals(full), gain);
            assert_eq!(refused, Err(expected), "{name}");
        }
    }
}
