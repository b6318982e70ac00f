//! The curve of Steinhart and Hart in floating point; with c = 0 it is the beta model.

use monitor_core::acquire::adc::Resistance;
use monitor_core::acquire::temperature::ntc::{NtcCurve, SteinhartHart};

/// 0 °C in kelvin.
pub(super) const KELVIN: f64 = 273.15;
/// ln of 1 mΩ and of 4.29 MΩ, all that the core can say.
const LN_OHMS: (f64, f64) = (-6.9, 15.27);
/// Of the core's coefficients, one in 1/K.
const PICOS: f64 = 1e12;

/// 1/T = a + b ln R + c (ln R)³, T in K, R in Ω.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Curve {
    pub(super) a: f64,
    pub(super) b: f64,
    pub(super) c: f64,
    three: bool,
}

impl Curve {
    /// From two or three coefficients.
    pub(super) fn new(coefficients: &[f64]) -> Self {
        let at = |place: usize| coefficients.get(place).copied().unwrap_or(0.0);
        Self { a: at(0), b: at(1), c: at(2), three: coefficients.len() > 2 }
    }

    /// What the coefficients are multiplied by at this resistance.
    pub(super) fn row(ohm: f64, three: bool) -> Vec<f64> {
        let l = ohm.ln();
        if three { vec![1.0, l, l * l * l] } else { vec![1.0, l] }
    }

    /// Whether there are three coefficients.
    pub(super) const fn is_three(self) -> bool {
        self.three
    }

    /// The coefficients in 10⁻¹² / K, as the core keeps them.
    pub(super) fn picos(self) -> (i64, i64, i64) {
        #[expect(clippy::cast_possible_truncation, reason = "saturates; the core refuses what is out of range")]
        let picos = |coefficient: f64| (coefficient * PICOS).round() as i64;
        (picos(self.a), picos(self.b), picos(self.c))
    }

    /// The curve as the board will work with it; `None` where it is no thermistor's.
    pub(super) fn core(self) -> Option<SteinhartHart> {
        let (a, b, c) = self.picos();
        SteinhartHart::new(a, b, c).ok()
    }

    /// The temperature in °C at this resistance.
    pub(super) fn celsius(self, ohm: f64) -> f64 {
        1.0 / self.reciprocal(ohm.ln()) - KELVIN
    }

    /// The resistance in Ω at this temperature in °C, by halving: the curve falls all the way.
    pub(super) fn ohms(self, celsius: f64) -> f64 {
        falling_root(|ln_ohms| self.reciprocal(ln_ohms) > 1.0 / (celsius + KELVIN))
    }

    /// The beta in kelvin that the curve has at this temperature: 1 / (d(1/T) / d ln R).
    pub(super) fn beta_at(self, celsius: f64) -> f64 {
        let l = self.ohms(celsius).ln();
        1.0 / (self.b + 3.0 * self.c * l * l)
    }

    fn reciprocal(self, l: f64) -> f64 {
        self.a + self.b * l + self.c * l * l * l
    }
}

/// The resistance at which a curve of the core shows this temperature in °C.
pub(in crate::fit) fn resistance_at(curve: &impl NtcCurve, celsius: f64) -> f64 {
    falling_root(|ln_ohms| {
        let Some(milliohms) = super::milliohms(ln_ohms.exp()) else { return true };
        match curve.temperature(Resistance::from_milliohms(milliohms)) {
            Ok(temperature) => f64::from(temperature.as_millicelsius()) / 1_000.0 < celsius,
            Err(beyond) => beyond == monitor_core::acquire::temperature::ntc::BeyondCurve::Colder,
        }
    })
}

/// The resistance in Ω above which `is_colder` holds.
fn falling_root(is_colder: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = LN_OHMS;
    // 22 over 2⁵⁰ is far finer than a milliohm.
    for _ in 0..50 {
        let middle = f64::midpoint(low, high);
        if is_colder(middle) { high = middle } else { low = middle }
    }
    f64::midpoint(low, high).exp()
}
