//! Refuses changes that are too fast to be real.
//!
//! An unplugged thermistor often does not end at the converter's rail: leakage and protection parts hold it at a
//! believable cold temperature. What gives it away is the fall from a warm engine to that temperature within one sample.

use core::marker::PhantomData;

use super::CalibrationError;
use crate::acquire::{Quality, Reading};
use crate::units::{Quantity, Temperature};

/// A refused value that is back within this time was a glitch; later it has to prove itself.
const GLITCH_MS: u32 = 2_000;

/// How fast a quantity can really change, and what a faster change means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RateLimits<Q> {
    /// Fastest real rise, in the quantity's unit per second.
    pub rise_per_s: u32,
    /// Fastest real fall, in the quantity's unit per second.
    pub fall_per_s: u32,
    /// Difference that is always believed, in the quantity's unit: noise and resolution.
    pub slack: u32,
    /// After a fall that was too fast, nothing below this is believed until the sensor was above it again.
    pub lowest_after_fall: Q,
    /// After a fall that was too fast, the readings must agree with each other for this long, in milliseconds.
    pub settle_ms: u32,
    /// What a fall that is too fast says about the lead.
    pub fall_means: Quality,
}

impl RateLimits<Temperature> {
    /// For a cylinder head or raw water and a sensor whose open lead reads cold (a thermistor).
    ///
    /// 30 K/s up is several times what the full coolant heat of a 60 kW engine does to its block; 15 K/s down is
    /// several times what cold water does to the thinnest head. A raw-water engine that was warm cannot be colder
    /// than the water, which is never under −2 °C.
    #[must_use]
    pub const fn thermistor() -> Self {
        Self {
            rise_per_s: 30_000,
            fall_per_s: 15_000,
            slack: 3_000,
            lowest_after_fall: Temperature::from_millicelsius(-5_000),
            settle_ms: 5_000,
            fall_means: Quality::Open,
        }
    }

    /// As [`RateLimits::thermistor`], for a sensor whose shorted lead reads cold (Pt100, thermocouple).
    #[must_use]
    pub const fn shorting_cold() -> Self {
        Self { fall_means: Quality::Short, ..Self::thermistor() }
    }
}

/// What the gate has lost trust in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Doubt {
    /// The refused value that the next one is compared with; absent after a fault that the driver itself saw.
    last: Option<i32>,
    /// How long the refused values have agreed, in milliseconds.
    agreed_ms: u32,
    /// Since the last believed value, in milliseconds.
    since_ms: u32,
}

/// Passes readings on or takes their good quality away.
///
/// Up: one sample is held back as [`Quality::Implausible`]; if the next agrees, both are believed, so that a real overheat
/// is late by one sample at most. Down: the value is a fault until it comes back or proves itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RateGate<Q> {
    limits: RateLimits<Q>,
    believed: Option<i32>,
    /// Time since the sample before, in milliseconds.
    since_sample_ms: u32,
    doubt: Option<Doubt>,
    quantity: PhantomData<Q>,
}

impl<Q: Quantity> RateGate<Q> {
    /// A gate that believes the first good reading.
    ///
    /// # Errors
    /// A limit of 0 on rise or fall.
    pub const fn new(limits: RateLimits<Q>) -> Result<Self, CalibrationError> {
        if limits.rise_per_s == 0 || limits.fall_per_s == 0 {
            return Err(CalibrationError::RateLimit);
        }
        Ok(Self { limits, believed: None, since_sample_ms: 0, doubt: None, quantity: PhantomData })
    }

    /// Time that passed without a sample.
    pub fn pass_time(&mut self, elapsed_ms: u32) {
        self.since_sample_ms = self.since_sample_ms.saturating_add(elapsed_ms);
    }

    /// Judges a sample taken now.
    pub fn judge(&mut self, sample: Reading<Q>) -> Reading<Q> {
        let elapsed_ms = core::mem::take(&mut self.since_sample_ms);
        if let Some(doubt) = &mut self.doubt {
            doubt.since_ms = doubt.since_ms.saturating_add(elapsed_ms);
        }
        match sample.quality {
            Quality::Good => {}
            // A lead that came off once is not believed at once, whatever it reads next.
            Quality::Open | Quality::Short => {
                let since_ms = self.doubt.map_or(elapsed_ms, |doubt| doubt.since_ms);
                self.doubt = Some(Doubt { last: None, agreed_ms: 0, since_ms });
                return sample;
            }
            _ => return sample,
        }
        let raw = sample.value.raw();
        match self.verdict(raw, elapsed_ms) {
            Quality::Good => {
                self.believed = Some(raw);
                self.doubt = None;
                sample
            }
            quality => Reading { quality, ..sample },
        }
    }

    fn verdict(&mut self, raw: i32, elapsed_ms: u32) -> Quality {
        let Some(believed) = self.believed else { return Quality::Good };
        let Some(doubt) = self.doubt else {
            if self.can_reach(believed, raw, elapsed_ms) {
                return Quality::Good;
            }
            self.doubt = Some(Doubt { last: Some(raw), agreed_ms: 0, since_ms: elapsed_ms });
            return self.refused(believed, raw);
        };
        if doubt.since_ms <= GLITCH_MS && self.can_reach(believed, raw, doubt.since_ms) {
            return Quality::Good;
        }
        let agrees = doubt.last.is_some_and(|last| self.can_reach(last, raw, elapsed_ms));
        let agreed_ms = if agrees { doubt.agreed_ms.saturating_add(elapsed_ms) } else { 0 };
        let proven = if raw < believed {
            agreed_ms >= self.limits.settle_ms && raw >= self.limits.lowest_after_fall.raw()
        } else {
            agrees
        };
        if proven {
            return Quality::Good;
        }
        self.doubt = Some(Doubt { last: Some(raw), agreed_ms, since_ms: doubt.since_ms });
        self.refused(believed, raw)
    }

    fn refused(&self, believed: i32, raw: i32) -> Quality {
        if raw < believed { self.limits.fall_means } else { Quality::Implausible }
    }

    /// Whether the quantity can have gone from one value to the other in that time.
    fn can_reach(&self, from: i32, to: i32, elapsed_ms: u32) -> bool {
        let per_s = if to < from { self.limits.fall_per_s } else { self.limits.rise_per_s };
        let needed = from.abs_diff(to).saturating_sub(self.limits.slack);
        // needed / per_s seconds ≤ elapsed, without a division; two 32-bit numbers always multiply into 64 bits.
        u64::from(needed).wrapping_mul(1_000) <= u64::from(per_s).wrapping_mul(u64::from(elapsed_ms))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn gate() -> RateGate<Temperature> {
        RateGate::new(RateLimits::thermistor()).unwrap()
    }

    /// Feeds whole degrees one second apart.
    fn qualities<const N: usize>(degrees: [i32; N]) -> [Quality; N] {
        let mut gate = gate();
        degrees.map(|degree| {
            gate.pass_time(1_000);
            gate.judge(Reading::good(Temperature::from_millicelsius(degree * 1_000))).quality
        })
    }

    use Quality::{Good, Implausible, Open};

    #[test]
    fn verdicts() {
        assert_eq!(qualities([3, 4, 4]), [Good; 3], "cold start");
        assert_eq!(qualities([-25, -25]), [Good; 2], "arctic start: nothing known against it");
        assert_eq!(qualities([70, 72, 90, 115]), [Good; 4], "fast overheat");
        assert_eq!(qualities([70, 130, 131]), [Good, Implausible, Good], "jump up proves itself with the next");
        assert_eq!(qualities([70, 130, 70]), [Good, Implausible, Good], "glitch up");
        assert_eq!(qualities([70, -20, 70]), [Good, Open, Good], "glitch down");
        assert_eq!(qualities([70, 60, 50, 40]), [Good; 4], "cold water comes back");
    }

    #[test]
    fn a_fall_to_a_possible_temperature_proves_itself_after_the_settling_time() {
        let out = qualities([90, 20, 20, 20, 20, 20, 20, 20]);
        assert_eq!(out, [Good, Open, Open, Open, Open, Open, Good, Good]);
    }

    #[test]
    fn an_open_lead_in_between_is_not_trusted_at_a_cold_value() {
        let mut gate = gate();
        let mut quality = |degrees: i32, quality| {
            gate.pass_time(1_000);
            let value = Temperature::from_millicelsius(degrees * 1_000);
            gate.judge(Reading { value, quality, age_ms: 0 }).quality
        };
        assert_eq!(quality(70, Good), Good);
        for second in 0..60 {
            assert_eq!(quality(0, Open), Open, "rail, second {second}");
        }
        for second in 0..600 {
            assert_eq!(quality(-18, Good), Open, "floating, second {second}");
        }
        assert_eq!(quality(71, Good), Implausible, "plugged in again");
        assert_eq!(quality(71, Good), Good, "and agreeing");
    }

    #[test]
    fn a_limit_of_zero_is_refused() {
        let limits = RateLimits { rise_per_s: 0, ..RateLimits::thermistor() };
        assert_eq!(RateGate::new(limits), Err(CalibrationError::RateLimit));
    }

    proptest! {
        #[test]
        fn what_changes_slowly_enough_always_passes(
            start in -30_000..120_000_i32,
            steps in prop::collection::vec((50_u32..5_000, -100..=100_i32), 1..60),
        ) {
            let (mut gate, mut now) = (gate(), start);
            for (elapsed_ms, percent) in steps {
                let per_s = if percent < 0 { 15_000 } else { 30_000 };
                now += i32::try_from(i64::from(per_s) * i64::from(elapsed_ms) * i64::from(percent) / 100_000).unwrap();
                gate.pass_time(elapsed_ms);
                let judged = gate.judge(Reading::good(Temperature::from_millicelsius(now)));
                prop_assert_eq!(judged.quality, Good);
            }
        }

        #[test]
        fn a_rise_is_never_held_back_twice(steps in prop::collection::vec(0..150_000_i32, 1..40)) {
            // Only values at or above everything before: a rising head.
            let (mut gate, mut highest, mut refused) = (gate(), -20_000, 0);
            for step in steps {
                highest = highest.max(step);
                for _ in 0..2 {
                    gate.pass_time(1_000);
                    let judged = gate.judge(Reading::good(Temperature::from_millicelsius(highest)));
                    refused = if judged.quality == Good { 0 } else { refused + 1 };
                    prop_assert!(refused < 2);
                }
            }
        }
    }
}
