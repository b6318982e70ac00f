//! A resistive sensor in a divider with a fixed resistor, fed from the converter's own reference.

use super::{AdcCounts, AdcScale, CalibrationError, LeadFault, Zone, mul_div};

/// Resistance in milliohms, up to 4.29 MΩ.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Resistance(u32);

impl Resistance {
    /// From a number of milliohms.
    #[must_use]
    pub const fn from_milliohms(milliohms: u32) -> Self {
        Self(milliohms)
    }

    /// From a number of whole ohms; saturates at 4.29 MΩ.
    #[must_use]
    pub const fn from_ohms(ohms: u32) -> Self {
        Self(ohms.saturating_mul(1_000))
    }

    /// The number of milliohms.
    #[must_use]
    pub const fn as_milliohms(self) -> u32 {
        self.0
    }
}

/// Where the fixed resistor sits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Pull {
    /// From the pin to the reference; the sensor goes to ground.
    Up,
    /// From the pin to ground; the sensor goes to the reference.
    Down,
}

/// A sensor and a fixed resistor across the converter's reference. The reference voltage drops out of the result.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Divider {
    scale: AdcScale,
    pull: Pull,
    fixed: Resistance,
}

impl Divider {
    /// A divider with the fixed resistor `fixed` at the `pull` side.
    ///
    /// # Errors
    /// A fixed resistor of 0 Ω.
    pub const fn new(scale: AdcScale, pull: Pull, fixed: Resistance) -> Result<Self, CalibrationError> {
        if fixed.0 == 0 { Err(CalibrationError::Resistor) } else { Ok(Self { scale, pull, fixed }) }
    }

    /// The sensor's resistance, to half a milliohm; saturates at 4.29 MΩ.
    ///
    /// # Errors
    /// A count in a dead zone: the lead is open or shorted.
    pub fn resistance(self, counts: AdcCounts) -> Result<Resistance, LeadFault> {
        let at_pin = match (self.scale.zone(counts), self.pull) {
            (Zone::Low, Pull::Up) | (Zone::High, Pull::Down) => return Err(LeadFault::Short),
            (Zone::High, Pull::Up) | (Zone::Low, Pull::Down) => return Err(LeadFault::Open),
            (Zone::Usable, _) => counts.as_counts(),
        };
        let above_pin = self.scale.full_scale().saturating_sub(at_pin);
        Ok(Resistance(match self.pull {
            Pull::Up => mul_div(self.fixed.0, at_pin, above_pin),
            Pull::Down => mul_div(self.fixed.0, above_pin, at_pin),
        }))
    }

    /// The smallest and the largest resistance that is a value and not a fault.
    #[must_use]
    pub fn usable_range(self) -> (Resistance, Resistance) {
        let at = |counts| self.resistance(counts).unwrap_or_default();
        let (low, high) = (at(self.scale.lowest_usable()), at(self.scale.highest_usable()));
        if low <= high { (low, high) } else { (high, low) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn divider(pull: Pull) -> Divider {
        let scale = AdcScale::new(4095, 20, 20).unwrap();
        Divider::new(scale, pull, Resistance::from_ohms(10_000)).unwrap()
    }

    #[test]
    fn half_way_is_the_fixed_resistor() {
        let scale = AdcScale::new(4096, 0, 0).unwrap();
        for pull in [Pull::Up, Pull::Down] {
            let divider = Divider::new(scale, pull, Resistance::from_ohms(10_000)).unwrap();
            assert_eq!(divider.resistance(AdcCounts::from_counts(2048)), Ok(Resistance::from_ohms(10_000)), "{pull:?}");
        }
    }

    #[test]
    fn the_side_of_the_resistor_decides_what_a_rail_means() {
        let cases = [
            ("pull-up, low", Pull::Up, 0, LeadFault::Short),
            ("pull-up, top of the low zone", Pull::Up, 20, LeadFault::Short),
            ("pull-up, high", Pull::Up, 4095, LeadFault::Open),
            ("pull-up, bottom of the high zone", Pull::Up, 4075, LeadFault::Open),
            ("pull-down, low", Pull::Down, 0, LeadFault::Open),
            ("pull-down, high", Pull::Down, 4095, LeadFault::Short),
        ];
        for (name, pull, counts, expected) in cases {
            assert_eq!(divider(pull).resistance(AdcCounts::from_counts(counts)), Err(expected), "{name}");
        }
    }

    #[test]
    fn every_usable_count_agrees_with_exact_arithmetic() {
        for pull in [Pull::Up, Pull::Down] {
            for counts in 21..=4074_u32 {
                let ratio = f64::from(counts) / f64::from(4095 - counts);
                let exact = 1e7 * if pull == Pull::Up { ratio } else { 1.0 / ratio };
                let ours = divider(pull).resistance(AdcCounts::from_counts(counts)).unwrap().as_milliohms();
                assert!((f64::from(ours) - exact).abs() <= 0.500_001, "{pull:?} {counts}: {ours} {exact}");
            }
        }
    }

    #[test]
    fn range_is_in_order_on_both_sides() {
        for pull in [Pull::Up, Pull::Down] {
            let (least, most) = divider(pull).usable_range();
            assert!(least < most, "{pull:?}");
        }
    }

    #[test]
    fn no_resistor_no_divider() {
        let scale = AdcScale::new(4095, 0, 0).unwrap();
        let refused = Divider::new(scale, Pull::Up, Resistance::from_milliohms(0));
        assert_eq!(refused, Err(CalibrationError::Resistor));
    }
}
