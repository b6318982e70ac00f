//! Platinum resistors Pt100 and Pt1000 by IEC 60751.
//!
//! R(t) = R0 (1 + A t + B t² + C (t − 100 °C) t³), C only below 0 °C, with A = 3.9083·10⁻³, B = −5.775·10⁻⁷ and
//! C = −4.183·10⁻¹². Everything below counts R/R0 in 10⁻⁷.

use super::{TemperatureSpan, fault};
use crate::acquire::adc::{AdcCounts, AdcInput, CalibrationError, Divider, Resistance, mul_div};
use crate::acquire::{Quality, Reading, SlowSensor};
use crate::units::Temperature;

/// R/R0 at 0 °C.
const ONE: u32 = 10_000_000;
/// A for t in m°C, in 2⁻²⁰: 39.083 × 2²⁰.
const A: i64 = 40_981_496;
/// B for t in m°C, in 2⁻⁴⁰: −5.775·10⁻⁶ × 2⁴⁰.
const B: i64 = -6_349_680;
/// C for the fourth power of t in units of 16 m°C, less twelve of its bits, in 2⁻⁴⁰: −4.183·10⁻¹⁷ × 2¹⁶ × 2¹² × 2⁴⁰.
const C: i64 = -12_346;
/// 100 °C in m°C.
const HUNDRED_DEGREES: i64 = 100_000;
/// 1/A for t in m°C, in 2⁻³⁰: 2³⁰ / 39.083.
const RECIPROCAL_A: i64 = 27_473_373;
/// −2 B / A for t in m°C, in 2⁻³⁰: how the slope falls.
const SLOPE_FALL: i64 = 317;
/// The range of the standard.
const COLDEST_MILLICELSIUS: i32 = -200_000;
const HOTTEST_MILLICELSIUS: i32 = 850_000;

/// R/R0 − 1 in 10⁻⁷. `t` is inside the range of the standard, so no product leaves 64 bits.
fn rise(t_millicelsius: i32) -> i64 {
    let t = i64::from(t_millicelsius);
    let quadratic = A.wrapping_add(B.wrapping_mul(t) >> 20_u32).wrapping_mul(t) >> 20_u32;
    if t >= 0 {
        return quadratic;
    }
    let coarse = t >> 4_u32;
    let below_hundred = t.wrapping_sub(HUNDRED_DEGREES) >> 4_u32;
    let fourth_power = coarse.wrapping_mul(coarse).wrapping_mul(coarse).wrapping_mul(below_hundred) >> 12_u32;
    quadratic.wrapping_add(fourth_power.wrapping_mul(C) >> 40_u32)
}

/// The resistance of a platinum resistor of `at_zero` at 0 °C, within 5 mΩ of the standard's table for a Pt100.
///
/// `None` outside −200 to 850 °C.
#[must_use]
pub fn resistance(at_zero: Resistance, temperature: Temperature) -> Option<Resistance> {
    let t = temperature.as_millicelsius();
    if !(COLDEST_MILLICELSIUS..=HOTTEST_MILLICELSIUS).contains(&t) {
        return None;
    }
    let ratio = u32::try_from(i64::from(ONE).saturating_add(rise(t))).ok()?;
    Some(Resistance::from_milliohms(mul_div(at_zero.as_milliohms(), ratio, ONE)))
}

/// The temperature of a platinum resistor of `at_zero` at 0 °C, within 5 m°C for a Pt1000 and 10 m°C for a Pt100 between
/// −60 and 300 °C.
///
/// `None` outside −200 to 850 °C.
#[must_use]
pub fn temperature(at_zero: Resistance, measured: Resistance) -> Option<Temperature> {
    let ratio = mul_div(measured.as_milliohms(), ONE, at_zero.as_milliohms());
    let target = i64::from(ratio).saturating_sub(i64::from(ONE));
    // Newton's method from the straight line; the slope is taken from the straight part of its own fall. At most four
    // steps are needed anywhere in the range; no division.
    let mut t = 0_i64;
    for _ in 0..6 {
        let held =
            i32::try_from(t.clamp(i64::from(COLDEST_MILLICELSIUS), i64::from(HOTTEST_MILLICELSIUS))).unwrap_or(0);
        let missing = target.saturating_sub(rise(held));
        let flatter = RECIPROCAL_A
            .wrapping_add((RECIPROCAL_A.wrapping_mul(i64::from(held)) >> 15_u32).wrapping_mul(SLOPE_FALL) >> 15_u32);
        let step = missing.wrapping_mul(flatter).wrapping_add(1 << 29_u32) >> 30_u32;
        t = i64::from(held).saturating_add(step);
        if step.unsigned_abs() <= 1 {
            break;
        }
    }
    let t = i32::try_from(t).ok()?;
    (COLDEST_MILLICELSIUS..=HOTTEST_MILLICELSIUS).contains(&t).then(|| Temperature::from_millicelsius(t))
}

/// Tolerance classes of the standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ToleranceClass {
    /// 0.1 + 0.0017 |t|
    Aa,
    /// 0.15 + 0.002 |t|
    A,
    /// 0.3 + 0.005 |t|
    B,
    /// 0.6 + 0.01 |t|
    C,
}

impl ToleranceClass {
    /// The permitted deviation at `temperature`, in m°C.
    #[must_use]
    pub fn permitted_millicelsius(self, temperature: Temperature) -> u32 {
        let (fixed, per_ten_kelvin) = match self {
            Self::Aa => (100, 17),
            Self::A => (150, 20),
            Self::B => (300, 50),
            Self::C => (600, 100),
        };
        mul_div(temperature.as_millicelsius().unsigned_abs(), per_ten_kelvin, 10_000).saturating_add(fixed)
    }

    /// Whether a sensor that reads `read` at the known temperature `known` (melting ice, boiling water) is in this class.
    #[must_use]
    pub fn accepts(self, known: Temperature, read: Temperature) -> bool {
        known.as_millicelsius().abs_diff(read.as_millicelsius()) <= self.permitted_millicelsius(known)
    }
}

/// Divider, sensor and leads of a platinum resistor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RtdCalibration {
    divider: Divider,
    at_zero: Resistance,
    leads: Resistance,
    span: TemperatureSpan,
}

impl RtdCalibration {
    /// A sensor of `at_zero` at 0 °C (100 or 1000 Ω, trimmed by up to 2 %) on two leads of `leads` altogether.
    ///
    /// # Errors
    /// Another resistance at 0 °C; leads of more than a tenth of it; a divider whose dead zones cover anything
    /// between −10 and 120 °C.
    pub fn new(
        divider: Divider,
        at_zero: Resistance,
        leads: Resistance,
        span: TemperatureSpan,
    ) -> Result<Self, CalibrationError> {
        let zero = at_zero.as_milliohms();
        if !(98_000..=102_000).contains(&zero) && !(980_000..=1_020_000).contains(&zero) {
            return Err(CalibrationError::RtdNominal);
        }
        if leads.as_milliohms() > zero / 10 {
            return Err(CalibrationError::RtdLeads);
        }
        let (least, most) = divider.usable_range();
        let needed =
            |at| resistance(at_zero, at).map(|sensor| sensor.as_milliohms().saturating_add(leads.as_milliohms()));
        let covered = needed(super::COLDEST_LEGAL_START).is_some_and(|cold| least.as_milliohms() <= cold)
            && needed(super::HOTTEST_NEEDED).is_some_and(|hot| most.as_milliohms() >= hot);
        if covered { Ok(Self { divider, at_zero, leads, span }) } else { Err(CalibrationError::DeadZoneCoversRange) }
    }

    /// The reading for one answer of the converter. Platinum rises: a short reads cold and an open lead reads hot.
    #[must_use]
    pub fn reading(&self, counts: AdcCounts) -> Reading<Temperature> {
        let measured = match self.divider.resistance(counts) {
            Ok(resistance) => resistance,
            Err(lead) => return fault(lead.into()),
        };
        // Less than the leads alone cannot be: something bridges them.
        let Some(sensor) = measured.as_milliohms().checked_sub(self.leads.as_milliohms()) else {
            return fault(Quality::Short);
        };
        match temperature(self.at_zero, Resistance::from_milliohms(sensor)) {
            Some(temperature) => self.span.judge(temperature, Quality::Short, Quality::Open),
            None if sensor < self.at_zero.as_milliohms() => fault(Quality::Short),
            None => fault(Quality::Open),
        }
    }
}

/// A platinum resistor on an input of a converter.
#[derive(Debug)]
pub struct Rtd<A> {
    input: A,
    calibration: RtdCalibration,
}

impl<A: AdcInput> Rtd<A> {
    /// A platinum resistor on `input`.
    #[must_use]
    pub const fn new(input: A, calibration: RtdCalibration) -> Self {
        Self { input, calibration }
    }
}

impl<A: AdcInput> SlowSensor for Rtd<A> {
    type Sample = Reading<Temperature>;
    type Error = A::Error;

    fn read(&mut self) -> nb::Result<Self::Sample, Self::Error> {
        self.input.read_counts().map(|counts| self.calibration.reading(counts))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::adc::{AdcScale, Pull};

    const PT100: Resistance = Resistance::from_ohms(100);
    const PT1000: Resistance = Resistance::from_ohms(1_000);

    /// The published formula, in ohms for R0 = 1.
    fn exact(t: f64) -> f64 {
        let cubic = if t < 0.0 { -4.183e-12 * (t - 100.0) * t.powi(3) } else { 0.0 };
        1.0 + 3.9083e-3 * t - 5.775e-7 * t * t + cubic
    }

    #[test]
    fn constants_are_the_published_coefficients() {
        let two = |exponent| 2.0_f64.powi(exponent);
        let cases = [
            ("A", A, 3.9083e-3 * 1e4 * two(20)),
            ("B", B, -5.775e-7 * 10.0 * two(40)),
            ("C", C, -4.183e-12 * 1e7 * 1e-12 * two(16) * two(12) * two(40)),
            ("1/A", RECIPROCAL_A, two(30) / 39.083),
            ("-2 B/A", SLOPE_FALL, 2.0 * 5.775e-6 / 39.083 * two(30)),
        ];
        for (name, ours, published) in cases {
            assert_eq!(ours as f64, published.round(), "{name}");
        }
    }

    #[test]
    fn forward_and_inverse_over_the_range_of_the_standard() {
        let (mut worst_forward, mut worst_inverse) = (0.0_f64, 0.0_f64);
        for t in (COLDEST_MILLICELSIUS..=HOTTEST_MILLICELSIUS).step_by(137) {
            let celsius = f64::from(t) / 1e3;
            let ours = resistance(PT1000, Temperature::from_millicelsius(t)).unwrap();
            worst_forward = worst_forward.max((f64::from(ours.as_milliohms()) / 1e6 - exact(celsius)).abs());
            let measured = Resistance::from_milliohms((exact(celsius) * 1e6).round() as u32);
            if let Some(back) = temperature(PT1000, measured) {
                worst_inverse = worst_inverse.max((f64::from(back.as_millicelsius()) / 1e3 - celsius).abs());
            } else {
                assert!(t.abs_diff(COLDEST_MILLICELSIUS) < 200 || t.abs_diff(HOTTEST_MILLICELSIUS) < 200, "{celsius}");
            }
        }
        assert!(worst_forward < 4e-6, "of R0: {worst_forward}");
        assert!(worst_inverse < 0.005, "{worst_inverse}");
    }

    #[test]
    fn beyond_the_standard_there_is_no_value() {
        assert_eq!(resistance(PT100, Temperature::from_millicelsius(-200_001)), None);
        assert_eq!(resistance(PT100, Temperature::from_millicelsius(850_001)), None);
        for milliohms in [0, 18_000, 392_000, 10_000_000, u32::MAX] {
            assert_eq!(temperature(PT100, Resistance::from_milliohms(milliohms)), None, "{milliohms}");
        }
    }

    fn calibration(leads: Resistance) -> Result<RtdCalibration, CalibrationError> {
        // A 16-bit converter and a resistor of the sensor's own size.
        let divider = Divider::new(AdcScale::new(65_535, 300, 300)?, Pull::Up, Resistance::from_ohms(1_000))?;
        RtdCalibration::new(divider, PT1000, leads, TemperatureSpan::DEFAULT)
    }

    #[test]
    fn leads_are_taken_off_and_faults_have_the_right_side() {
        let calibration = calibration(Resistance::from_ohms(2)).unwrap();
        let counts = |ohms: f64| AdcCounts::from_counts((65_535.0 * ohms / (ohms + 1_000.0)).round() as u32);
        let cases = [
            ("melting ice", 1_002.0, Quality::Good),
            ("boiling water", 1_387.06, Quality::Good),
            ("shorted", 0.0, Quality::Short),
            ("bridged near the sensor", 5.0, Quality::Short),
            ("wet connector", 700.0, Quality::Short),
            ("corroded terminal", 2_500.0, Quality::Open),
            ("open", 1e9, Quality::Open),
        ];
        for (name, ohms, expected) in cases {
            assert_eq!(calibration.reading(counts(ohms)).quality, expected, "{name}");
        }
        assert!(calibration.reading(counts(1_387.06)).value.as_millicelsius().abs_diff(100_000) < 20);
    }

    #[test]
    fn nonsense_is_refused() {
        assert_eq!(calibration(Resistance::from_ohms(101)), Err(CalibrationError::RtdLeads));
        let divider = |dead_low| {
            Divider::new(AdcScale::new(65_535, dead_low, 0).unwrap(), Pull::Up, Resistance::from_ohms(1_000)).unwrap()
        };
        let with = |divider, ohms| {
            RtdCalibration::new(divider, Resistance::from_ohms(ohms), Resistance::default(), TemperatureSpan::DEFAULT)
        };
        assert_eq!(with(divider(300), 500), Err(CalibrationError::RtdNominal), "a Pt500");
        assert_eq!(with(divider(32_700), 1_000), Err(CalibrationError::DeadZoneCoversRange));
        assert_eq!(with(divider(300), 1_000).map(|_| ()), Ok(()));
    }
}
