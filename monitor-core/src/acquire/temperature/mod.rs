//! Temperature sensors: thermistors, platinum resistors, thermocouples and digital one-wire sensors.
//!
//! Every driver answers a [`Reading`] of a [`Temperature`]: a value with a quality. A broken lead is a quality, not an
//! error; only a converter or a bus that cannot be reached is an error.

use super::adc::CalibrationError;
use super::{Quality, Reading};
use crate::units::Temperature;

mod log;
pub mod ntc;
pub mod one_wire;
pub mod rtd;
pub mod thermocouple;

/// Every temperature down to this is a legal cold start. A limit above it would call a winter morning a sensor fault.
pub const COLDEST_LEGAL_START: Temperature = Temperature::from_millicelsius(-10_000);
/// A divider must be able to measure up to this: above every head limit that is set.
pub const HOTTEST_NEEDED: Temperature = Temperature::from_millicelsius(120_000);

/// Outside this span a temperature says more about its lead than about the engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TemperatureSpan {
    coldest: Temperature,
    hottest: Temperature,
}

impl TemperatureSpan {
    /// −40 to 200 °C, the span that traces use too.
    pub const DEFAULT: Self =
        Self { coldest: Temperature::from_millicelsius(-40_000), hottest: Temperature::from_millicelsius(200_000) };

    /// A span of its own, for a sensor whose open lead reads a known cold temperature.
    ///
    /// # Errors
    /// `coldest` outside −60 to −10 °C: a start in a hard winter is no fault. `hottest` outside 130 to 300 °C.
    pub const fn new(coldest: Temperature, hottest: Temperature) -> Result<Self, CalibrationError> {
        let (low, high) = (coldest.as_millicelsius(), hottest.as_millicelsius());
        if low < -60_000 || low > COLDEST_LEGAL_START.as_millicelsius() {
            return Err(CalibrationError::ColdLimit);
        }
        if high < 130_000 || high > 300_000 {
            return Err(CalibrationError::HotLimit);
        }
        Ok(Self { coldest, hottest })
    }

    /// The reading of a value, whose quality is `colder` or `hotter` outside the span.
    #[must_use]
    fn judge(self, value: Temperature, colder: Quality, hotter: Quality) -> Reading<Temperature> {
        if value < self.coldest {
            fault(colder)
        } else if value > self.hottest {
            fault(hotter)
        } else {
            Reading::good(value)
        }
    }
}

/// A reading without a value.
fn fault(quality: Quality) -> Reading<Temperature> {
    Reading { quality, ..Reading::missing() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_that_would_hide_a_cold_start_or_an_overheat_are_refused() {
        let cases = [
            ("5 degrees, a spring morning", 5_000, 200_000, Err(CalibrationError::ColdLimit)),
            ("just too warm", -9_999, 200_000, Err(CalibrationError::ColdLimit)),
            ("colder than any sensor", -60_001, 200_000, Err(CalibrationError::ColdLimit)),
            ("boiling is an overheat, not a fault", -15_000, 100_000, Err(CalibrationError::HotLimit)),
            ("hotter than any sensor", -15_000, 300_001, Err(CalibrationError::HotLimit)),
            ("just under an open lead at -17", -15_000, 130_000, Ok(())),
        ];
        for (name, coldest, hottest, expected) in cases {
            let span =
                TemperatureSpan::new(Temperature::from_millicelsius(coldest), Temperature::from_millicelsius(hottest));
            assert_eq!(span.map(|_| ()), expected, "{name}");
        }
    }
}
