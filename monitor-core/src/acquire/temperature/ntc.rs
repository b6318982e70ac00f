//! Thermistors (NTC) in a divider: by the Steinhart–Hart equation or by a table.
//!
//! What the driver cannot see: water in a connector lies in parallel with the sensor and makes it read hotter; a corroded
//! terminal lies in series and makes it read colder. Both are left to the detectors that compare channels.

use super::log::{FRACTION_BITS, LN_1000, ln};
use super::{COLDEST_LEGAL_START, HOTTEST_NEEDED, TemperatureSpan, fault};
use crate::acquire::adc::{AdcInput, CalibrationError, Divider, Resistance, divide_wide};
use crate::acquire::{Quality, Reading, SlowSensor};
use crate::units::Temperature;

/// 0 °C in mK.
const ZERO_CELSIUS_MILLIKELVIN: i32 = 273_150;
/// 1 / 298.15 K (25 °C) in 10⁻¹² / K.
const RECIPROCAL_AT_25_CELSIUS: i64 = 3_354_016_435;
/// Reciprocal temperatures in 10⁻¹² / K that are evaluated: 500 °C and −148 °C.
const RECIPROCALS: core::ops::RangeInclusive<i64> = 1_293_000_000..=8_000_000_000;

/// A curve from resistance to temperature that falls all the way.
pub trait NtcCurve {
    /// The temperature at `resistance`, or on which side of the curve it lies.
    ///
    /// # Errors
    /// A resistance that the curve does not reach.
    fn temperature(&self, resistance: Resistance) -> Result<Temperature, BeyondCurve>;
}

/// On which side of a curve a resistance lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum BeyondCurve {
    /// Resistance above the curve.
    Colder,
    /// Resistance below the curve.
    Hotter,
}

/// ln of the resistance in ohms, in 2⁻²⁴.
fn ln_ohms(resistance: Resistance) -> i32 {
    // From ln 0.001 to ln 4.3e6: far inside 32 bits.
    ln(resistance.as_milliohms().max(1)).wrapping_sub(LN_1000)
}

/// From 1/T in 10⁻¹² / K.
fn from_reciprocal(reciprocal: i64) -> Result<Temperature, BeyondCurve> {
    if reciprocal < *RECIPROCALS.start() {
        return Err(BeyondCurve::Hotter);
    }
    if reciprocal > *RECIPROCALS.end() {
        return Err(BeyondCurve::Colder);
    }
    // T in mK is 10¹⁵ over the reciprocal; both are halved so that the divisor fits 32 bits.
    let half = u32::try_from(reciprocal >> 1_u32).unwrap_or(u32::MAX);
    let millikelvin = i32::try_from(divide_wide(500_000_000_000_000, half)).unwrap_or(i32::MAX);
    Ok(Temperature::from_millicelsius(millikelvin.saturating_sub(ZERO_CELSIUS_MILLIKELVIN)))
}

/// The Steinhart–Hart equation 1/T = a + b ln R + c (ln R)³ with T in K and R in Ω.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(try_from = "(i64, i64, i64)", into = "(i64, i64, i64)"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SteinhartHart {
    a: i64,
    b: i64,
    c: i64,
}

impl SteinhartHart {
    /// From the coefficients in 10⁻¹² / K: 1.12924e-3 is 1,129,240,000 and 8.7755e-8 is 87,755.
    ///
    /// The arithmetic adds at most 2 m°C between −40 and 150 °C to the error of the coefficients themselves.
    ///
    /// # Errors
    /// Coefficients with which resistance would not fall with temperature, or no resistance from 1 Ω to 1 MΩ would read
    /// 25 °C: usually a power of ten.
    pub fn new(a: i64, b: i64, c: i64) -> Result<Self, CalibrationError> {
        // These bounds also keep every product below inside 64 bits.
        let in_range =
            a.unsigned_abs() <= 10_000_000_000 && (1..=1_000_000_000).contains(&b) && c.unsigned_abs() <= 10_000_000;
        let curve = Self { a, b, c };
        // The slope b + 3 c (ln R)² is least at one of the ends; 191 is (ln 1 MΩ)².
        let falls = b.saturating_add(c.saturating_mul(3 * 191)) > 0;
        let reads_25_degrees = curve.reciprocal(0) < RECIPROCAL_AT_25_CELSIUS
            && curve.reciprocal(ln_ohms(Resistance::from_ohms(1_000_000))) > RECIPROCAL_AT_25_CELSIUS;
        if in_range && falls && reads_25_degrees { Ok(curve) } else { Err(CalibrationError::ThermistorCurve) }
    }

    /// The beta model R = R25 exp(β (1/T − 1/298.15 K)), with β in hundredths of a kelvin.
    ///
    /// Common data sheets give only this; it errs by up to 0.8 K between 0 and 100 °C where the three coefficients err by less
    /// than 0.1 K.
    ///
    /// # Errors
    /// R25 or β that are no thermistor's (see [`SteinhartHart::new`]).
    pub fn from_beta(at_25_celsius: Resistance, beta_centikelvin: u32) -> Result<Self, CalibrationError> {
        if !(100_000..=1_000_000).contains(&beta_centikelvin) {
            return Err(CalibrationError::ThermistorCurve);
        }
        let b = i64::from(divide_wide(100_000_000_000_000, beta_centikelvin));
        let a = RECIPROCAL_AT_25_CELSIUS.saturating_sub(scaled(b, i64::from(ln_ohms(at_25_celsius))));
        Self::new(a, b, 0)
    }

    /// a, b and c in 10⁻¹² / K.
    #[must_use]
    pub const fn coefficients(self) -> (i64, i64, i64) {
        (self.a, self.b, self.c)
    }

    /// 1/T in 10⁻¹² / K for ln R in 2⁻²⁴.
    fn reciprocal(self, ln_ohms: i32) -> i64 {
        let l = i64::from(ln_ohms);
        let l3 = scaled(scaled(l, l), l);
        self.a.wrapping_add(scaled(self.b, l)).wrapping_add(scaled(self.c, l3))
    }
}

impl TryFrom<(i64, i64, i64)> for SteinhartHart {
    type Error = CalibrationError;

    /// As [`SteinhartHart::new`].
    fn try_from((a, b, c): (i64, i64, i64)) -> Result<Self, CalibrationError> {
        Self::new(a, b, c)
    }
}

impl From<SteinhartHart> for (i64, i64, i64) {
    fn from(curve: SteinhartHart) -> Self {
        curve.coefficients()
    }
}

/// `value × factor` where `factor` is in 2⁻²⁴, rounded.
///
/// Callers keep the product inside 64 bits: |ln R| is under 16, so its cube is under 2³⁶ in 2⁻²⁴; b is under 2³⁰, c under 2²⁴.
fn scaled(value: i64, factor: i64) -> i64 {
    value.wrapping_mul(factor).wrapping_add(1 << 23_u32) >> FRACTION_BITS
}

impl NtcCurve for SteinhartHart {
    fn temperature(&self, resistance: Resistance) -> Result<Temperature, BeyondCurve> {
        from_reciprocal(self.reciprocal(ln_ohms(resistance)))
    }
}

/// How far a table is continued beyond its ends, in m°C.
const EXTRAPOLATED_MILLICELSIUS: i32 = 30_000;

/// A table of resistances, with 1/T straight in ln R between its rows (each pair of rows has its own beta).
///
/// With rows 10 K apart it errs by less than 0.02 K between them. Beyond each end the last pair of rows is continued for 30 K,
/// within 1 K: an overheating head is not taken for a broken sensor because the table stops at 100 °C.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NtcTable<const ROWS: usize> {
    /// ln R in 2⁻²⁴ and 1/T in 10⁻¹² / K, from the coldest row to the hottest; zeros from `used` on.
    rows: [(i32, i64); ROWS],
    used: usize,
    coldest: Temperature,
    hottest: Temperature,
}

impl<const ROWS: usize> NtcTable<ROWS> {
    /// From rows of temperature and resistance, the coldest first.
    ///
    /// # Errors
    /// Fewer than two rows; a temperature that does not rise by 1 to 60 K or a resistance that does not fall from row to
    /// row; a row outside −60 to 300 °C.
    pub fn new(rows: [(Temperature, Resistance); ROWS]) -> Result<Self, CalibrationError> {
        Self::from_slice(&rows)
    }

    /// From as many rows as there are, up to `ROWS`; for a table whose length is known only at run time.
    ///
    /// # Errors
    /// [`CalibrationError::ThermistorRows`] for more rows; else as [`NtcTable::new`].
    pub fn from_slice(rows: &[(Temperature, Resistance)]) -> Result<Self, CalibrationError> {
        let (Some((coldest, _)), Some((hottest, _)), true) =
            (rows.first().copied(), rows.last().copied(), rows.len() >= 2)
        else {
            return Err(CalibrationError::ThermistorTable);
        };
        let in_order = rows.windows(2).all(|pair| {
            let &[(cold, high), (warm, low)] = pair else { return false };
            let step = warm.as_millicelsius().saturating_sub(cold.as_millicelsius());
            (1_000..=60_000).contains(&step) && low < high && low.as_milliohms() > 0
        });
        let in_range = coldest.as_millicelsius() >= -60_000 && hottest.as_millicelsius() <= 300_000;
        if !in_order || !in_range {
            return Err(CalibrationError::ThermistorTable);
        }
        if rows.len() > ROWS {
            return Err(CalibrationError::ThermistorRows);
        }
        let mut kept = [(0, 0); ROWS];
        for (place, (at, resistance)) in kept.iter_mut().zip(rows) {
            *place = (ln_ohms(*resistance), reciprocal_of(*at));
        }
        Ok(Self { rows: kept, used: rows.len(), coldest, hottest })
    }

    /// Whether `temperature` lies between the first row and the last, where the stated error holds.
    #[must_use]
    pub fn covers(&self, temperature: Temperature) -> bool {
        self.coldest <= temperature && temperature <= self.hottest
    }
}

/// 1/T in 10⁻¹² / K of a temperature between −60 and 300 °C.
fn reciprocal_of(temperature: Temperature) -> i64 {
    let millikelvin = temperature.as_millicelsius().saturating_add(ZERO_CELSIUS_MILLIKELVIN);
    let half = divide_wide(500_000_000_000_000, u32::try_from(millikelvin).unwrap_or(1));
    i64::from(half).wrapping_mul(2)
}

impl<const ROWS: usize> NtcCurve for NtcTable<ROWS> {
    fn temperature(&self, resistance: Resistance) -> Result<Temperature, BeyondCurve> {
        let ln_r = ln_ohms(resistance);
        let rows = self.rows.get(..self.used).unwrap_or_default();
        // The first row that is not colder, but never the first of all: the pair before it is used.
        let after = rows.partition_point(|(ln_row, _)| *ln_row > ln_r).clamp(1, self.used.saturating_sub(1).max(1));
        let (Some((ln_cold, cold)), Some((ln_warm, warm))) = (rows.get(after.saturating_sub(1)), rows.get(after))
        else {
            return Err(BeyondCurve::Colder);
        };
        let (run, span) = (ln_cold.wrapping_sub(ln_r), ln_cold.wrapping_sub(*ln_warm));
        let rise = warm.wrapping_sub(*cold);
        // Up to 60 K are under 2³¹ in 10⁻¹² / K; a run so long that it saturates lies far beyond the 30 K allowed below.
        let part = divide_wide(
            u64::from(run.unsigned_abs())
                .wrapping_mul(u64::from(u32::try_from(rise.unsigned_abs()).unwrap_or(u32::MAX))),
            span.unsigned_abs(),
        );
        // 1/T falls as R falls.
        let part = if run < 0 { i64::from(part) } else { i64::from(part).wrapping_neg() };
        let temperature = from_reciprocal(cold.wrapping_add(part))?;
        let at = temperature.as_millicelsius();
        if at < self.coldest.as_millicelsius().saturating_sub(EXTRAPOLATED_MILLICELSIUS) {
            Err(BeyondCurve::Colder)
        } else if at > self.hottest.as_millicelsius().saturating_add(EXTRAPOLATED_MILLICELSIUS) {
            Err(BeyondCurve::Hotter)
        } else {
            Ok(temperature)
        }
    }
}

/// Divider, curve and span of a thermistor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NtcCalibration<C> {
    divider: Divider,
    curve: C,
    span: TemperatureSpan,
}

impl<C: NtcCurve> NtcCalibration<C> {
    /// A thermistor with `curve` in `divider`.
    ///
    /// # Errors
    /// A divider whose dead zones cover anything between −10 and 120 °C: a cold start or an overheat would then be
    /// called a broken lead.
    pub fn new(divider: Divider, curve: C, span: TemperatureSpan) -> Result<Self, CalibrationError> {
        let (least, most) = divider.usable_range();
        let reaches_hot = match curve.temperature(least) {
            Ok(hottest) => hottest >= HOTTEST_NEEDED,
            Err(beyond) => beyond == BeyondCurve::Hotter,
        };
        let reaches_cold = match curve.temperature(most) {
            Ok(coldest) => coldest <= COLDEST_LEGAL_START,
            Err(beyond) => beyond == BeyondCurve::Colder,
        };
        if reaches_hot && reaches_cold {
            Ok(Self { divider, curve, span })
        } else {
            Err(CalibrationError::DeadZoneCoversRange)
        }
    }

    /// The reading for one answer of the converter. Near the hot rail it is [`Quality::Short`]: a shorted lead and a head
    /// hotter than can be measured look alike there, and neither is a normal temperature.
    #[must_use]
    pub fn reading(&self, counts: crate::acquire::adc::AdcCounts) -> Reading<Temperature> {
        let resistance = match self.divider.resistance(counts) {
            Ok(resistance) => resistance,
            Err(lead) => return fault(lead.into()),
        };
        match self.curve.temperature(resistance) {
            Ok(temperature) => self.span.judge(temperature, Quality::Open, Quality::Short),
            Err(BeyondCurve::Colder) => fault(Quality::Open),
            Err(BeyondCurve::Hotter) => fault(Quality::Short),
        }
    }
}

/// A thermistor on an input of a converter.
#[derive(Debug)]
pub struct Ntc<A, C> {
    input: A,
    calibration: NtcCalibration<C>,
}

impl<A: AdcInput, C: NtcCurve> Ntc<A, C> {
    /// A thermistor on `input`.
    #[must_use]
    pub const fn new(input: A, calibration: NtcCalibration<C>) -> Self {
        Self { input, calibration }
    }
}

impl<A: AdcInput, C: NtcCurve> SlowSensor for Ntc<A, C> {
    type Sample = Reading<Temperature>;
    type Error = A::Error;

    fn read(&mut self) -> nb::Result<Self::Sample, Self::Error> {
        self.input.read_counts().map(|counts| self.calibration.reading(counts))
    }
}

#[cfg(test)]
mod tests;
