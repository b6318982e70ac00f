//! Thermocouples type K by ITS-90, with a cold junction.
//!
//! What the driver cannot see: a thermocouple shorted on its way measures the temperature of the short; swapped leads
//! make it read colder as the head gets hotter.

use super::{TemperatureSpan, fault};
use crate::acquire::adc::{AdcCounts, AdcInput, AdcScale, CalibrationError, Zone, mul_div};
use crate::acquire::{Quality, Reading, SlowSensor};
use crate::units::Temperature;

/// Temperature of the first row of [`EMF_NANOVOLTS`].
const FIRST_MILLICELSIUS: i32 = -50_000;
/// Distance between its rows.
const STEP_MILLICELSIUS: i32 = 10_000;
/// Voltage of type K against 0 °C every 10 K from −50 to 600 °C, in nV: the ITS-90 reference function, rounded.
const EMF_NANOVOLTS: [i32; 66] = [
    -1_889_383, -1_526_948, -1_156_131, -777_540, -391_854, 0, 396_862, 798_120, 1_203_275, 1_611_792, 2_023_078,
    2_436_472, 2_851_249, 3_266_642, 3_681_879, 4_096_230, 4_509_060, 4_919_882, 5_328_395, 5_734_508, 6_138_344,
    6_540_216, 6_940_588, 7_340_023, 7_739_124, 8_138_473, 8_538_590, 8_939_893, 9_342_685, 9_747_152, 10_153_369,
    10_561_326, 10_970_948, 11_382_118, 11_794_703, 12_208_566, 12_623_577, 13_039_627, 13_456_620, 13_874_481,
    14_293_149, 14_712_576, 15_132_723, 15_553_553, 15_975_037, 16_397_142, 16_819_837, 17_243_088, 17_666_860,
    18_091_113, 18_515_807, 18_940_899, 19_366_342, 19_792_087, 20_218_086, 20_644_286, 21_070_635, 21_497_078,
    21_923_562, 22_350_030, 22_776_428, 23_202_702, 23_628_796, 24_054_656, 24_480_231, 24_905_467,
];

/// Thermoelectric voltage in nanovolts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Emf(i32);

impl Emf {
    /// From a number of nanovolts.
    #[must_use]
    pub const fn from_nanovolts(nanovolts: i32) -> Self {
        Self(nanovolts)
    }

    /// The number of nanovolts.
    #[must_use]
    pub const fn as_nanovolts(self) -> i32 {
        self.0
    }
}

/// One interval of the table: where it starts, how far it rises, and its bend.
struct Interval {
    start: i32,
    rise: i32,
    /// Half the mean second difference of the table around the interval.
    bend: i32,
}

impl Interval {
    fn at(index: usize) -> Option<Self> {
        let row = |at: usize| EMF_NANOVOLTS.get(at).copied();
        let (start, end) = (row(index)?, row(index.checked_add(1)?)?);
        let rise = end.saturating_sub(start);
        // Second differences on both sides; where the table ends, the one side stands for both.
        let left = index.checked_sub(1).and_then(row).map(|before| rise.saturating_sub(start.saturating_sub(before)));
        let right = index.checked_add(2).and_then(row).map(|after| after.saturating_sub(end).saturating_sub(rise));
        let bend = left.or(right)?.saturating_add(right.or(left)?) >> 2_u32;
        Some(Self { start, rise, bend })
    }

    /// What the curve misses the straight line by at `part` of the interval (in 2⁻¹⁶): bend × part × (part − 1).
    fn correction(&self, part: i32) -> i32 {
        // part × (1 − part), at most a quarter; bends are under 2¹³ nV, so neither product leaves 32 bits.
        let weight = part.saturating_mul((1_i32 << 16_u32).saturating_sub(part)) >> 16_u32;
        self.bend.saturating_mul(weight).saturating_neg() >> 16_u32
    }
}

/// The voltage of type K at `temperature` against a junction at 0 °C, within 0.1 µV of ITS-90; `None` outside −50 to 600 °C.
#[must_use]
pub fn emf(temperature: Temperature) -> Option<Emf> {
    let above = u32::try_from(temperature.as_millicelsius().checked_sub(FIRST_MILLICELSIUS)?).ok()?;
    let step = STEP_MILLICELSIUS.unsigned_abs();
    let (index, rest) = (above.checked_div(step)?, above.checked_rem(step)?);
    let index = usize::try_from(index).ok()?;
    let Some(interval) = Interval::at(index) else {
        // The last row itself.
        return EMF_NANOVOLTS.get(index).filter(|_| rest == 0).copied().map(Emf);
    };
    let part = i32::try_from((rest << 16_u32).checked_div(step)?).ok()?;
    let straight = mul_div(interval.rise.unsigned_abs(), rest, step);
    let straight = interval.start.saturating_add_unsigned(straight);
    Some(Emf(straight.saturating_add(interval.correction(part))))
}

/// The temperature of type K at `emf` against a junction at 0 °C, within 0.01 K of ITS-90; `None` outside −50 to 600 °C.
#[must_use]
pub fn temperature(emf: Emf) -> Option<Temperature> {
    let after = EMF_NANOVOLTS.partition_point(|row| *row <= emf.0);
    if after == EMF_NANOVOLTS.len() {
        let at_the_end = EMF_NANOVOLTS.last() == Some(&emf.0);
        return at_the_end.then_some(Temperature::from_millicelsius(600_000));
    }
    let index = after.checked_sub(1)?;
    let interval = Interval::at(index)?;
    let rise = interval.rise.unsigned_abs();
    let over = emf.0.saturating_sub(interval.start);
    // First along the straight line, then along it again with what the curve misses there.
    let first = mul_div(over.unsigned_abs(), 1 << 16_u32, rise);
    let missed = interval.correction(i32::try_from(first).ok()?);
    let corrected = over.saturating_sub(missed).max(0);
    let part = mul_div(corrected.unsigned_abs(), STEP_MILLICELSIUS.unsigned_abs(), rise);
    let rows = i32::try_from(index).ok()?.saturating_mul(STEP_MILLICELSIUS);
    Some(Temperature::from_millicelsius(FIRST_MILLICELSIUS.saturating_add(rows).saturating_add_unsigned(part)))
}

/// The temperature of the hot junction from the measured voltage and the temperature of the cold junction.
///
/// `None` where one of them or the result is outside −50 to 600 °C.
#[must_use]
pub fn compensated(measured: Emf, cold_junction: Temperature) -> Option<Temperature> {
    temperature(Emf(measured.0.checked_add(emf(cold_junction)?.0)?))
}

/// Amplifier and converter of a thermocouple.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ThermocoupleCalibration {
    scale: AdcScale,
    zero: AdcCounts,
    picovolts_per_count: u32,
    span: TemperatureSpan,
}

impl ThermocoupleCalibration {
    /// `zero` is the count at 0 V, `picovolts_per_count` the voltage of the thermocouple for one count.
    ///
    /// A bias current must drive an open thermocouple into the upper dead zone.
    ///
    /// # Errors
    /// A step of 0 or of more than about 1 K; a zero inside a dead zone.
    pub fn new(
        scale: AdcScale,
        zero: AdcCounts,
        picovolts_per_count: u32,
        span: TemperatureSpan,
    ) -> Result<Self, CalibrationError> {
        if picovolts_per_count == 0 || picovolts_per_count > 40_000_000 {
            return Err(CalibrationError::AmplifierStep);
        }
        if scale.zone(zero) != Zone::Usable {
            return Err(CalibrationError::AmplifierZero);
        }
        Ok(Self { scale, zero, picovolts_per_count, span })
    }

    /// The reading for one answer of the converter and the temperature of the cold junction.
    ///
    /// Without a good cold junction there is no temperature: the reading then has the cold junction's quality.
    #[must_use]
    pub fn reading(&self, counts: AdcCounts, cold_junction: Reading<Temperature>) -> Reading<Temperature> {
        match self.scale.zone(counts) {
            Zone::Low => return fault(Quality::Short),
            Zone::High => return fault(Quality::Open),
            Zone::Usable => {}
        }
        if cold_junction.quality != Quality::Good {
            return fault(cold_junction.quality);
        }
        let (at, zero) = (counts.as_counts(), self.zero.as_counts());
        let size = mul_div(at.abs_diff(zero), self.picovolts_per_count, 1_000);
        let size = i32::try_from(size).unwrap_or(i32::MAX);
        let measured = Emf(if at < zero { size.saturating_neg() } else { size });
        match compensated(measured, cold_junction.value) {
            Some(temperature) => {
                let judged = self.span.judge(temperature, Quality::Short, Quality::Open);
                Reading { age_ms: cold_junction.age_ms, ..judged }
            }
            None if at < zero => fault(Quality::Short),
            None => fault(Quality::Open),
        }
    }
}

/// A thermocouple on an input of a converter, with its cold junction beside it.
#[derive(Debug)]
pub struct Thermocouple<A, J> {
    input: A,
    cold_junction: J,
    calibration: ThermocoupleCalibration,
    /// The converter's answer while the cold junction is still measuring.
    answered: Option<AdcCounts>,
}

/// What could not be reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ThermocoupleError<E, J> {
    /// The converter of the thermocouple.
    Input(E),
    /// The sensor of the cold junction.
    ColdJunction(J),
}

impl<A, J> Thermocouple<A, J>
where
    A: AdcInput,
    J: SlowSensor<Sample = Reading<Temperature>>,
{
    /// A thermocouple on `input` whose cold junction has the temperature of `cold_junction`.
    #[must_use]
    pub const fn new(input: A, cold_junction: J, calibration: ThermocoupleCalibration) -> Self {
        Self { input, cold_junction, calibration, answered: None }
    }
}

impl<A, J> SlowSensor for Thermocouple<A, J>
where
    A: AdcInput,
    J: SlowSensor<Sample = Reading<Temperature>>,
{
    type Sample = Reading<Temperature>;
    type Error = ThermocoupleError<A::Error, J::Error>;

    fn read(&mut self) -> nb::Result<Self::Sample, Self::Error> {
        let counts = match self.answered {
            Some(counts) => counts,
            None => self.input.read_counts().map_err(|error| error.map(ThermocoupleError::Input))?,
        };
        self.answered = Some(counts);
        match self.cold_junction.read() {
            Ok(cold_junction) => {
                self.answered = None;
                Ok(self.calibration.reading(counts, cold_junction))
            }
            Err(nb::Error::WouldBlock) => Err(nb::Error::WouldBlock),
            Err(nb::Error::Other(error)) => {
                self.answered = None;
                Err(nb::Error::Other(ThermocoupleError::ColdJunction(error)))
            }
        }
    }
}

#[cfg(test)]
mod tests;
