//! The filter of a slow channel: it starts with the first good sample and is not moved by one wild one.

use super::CalibrationError;

/// Largest shift: the state then still fits 32 bits for every channel.
const SHIFT_MAX: u8 = 4;
/// Largest value that the state can hold with the largest shift.
const VALUE_MAX: i32 = i32::MAX >> SHIFT_MAX;

/// Median of the last three good samples, then a smoothing of time constant 2^shift samples.
///
/// While fewer than three samples are there, the newest one is the output; nothing is assumed about the time before the
/// first sample. A constant comes out as the same constant after any number of samples, and the output never leaves the
/// span of the samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SlowFilter {
    shift: u8,
    /// Good samples so far, at most 3.
    filled: u8,
    newest: i32,
    second: i32,
    third: i32,
    /// The output times 2^shift.
    state: i32,
}

impl SlowFilter {
    /// An empty filter. Shift 0 is the median alone: a step is passed on with the second sample after it; shift `s`
    /// adds a time constant of 2^s samples.
    ///
    /// # Errors
    /// A shift over 4.
    pub const fn new(shift: u8) -> Result<Self, CalibrationError> {
        if shift > SHIFT_MAX { Err(CalibrationError::Smoothing) } else { Ok(Self::empty(shift)) }
    }

    const fn empty(shift: u8) -> Self {
        Self { shift, filled: 0, newest: 0, second: 0, third: 0, state: 0 }
    }

    /// Forgets all samples.
    pub fn restart(&mut self) {
        *self = Self::empty(self.shift);
    }

    /// Adds one good sample and returns the filtered value.
    pub fn add(&mut self, sample: i32) -> i32 {
        let sample = sample.clamp(-VALUE_MAX, VALUE_MAX);
        (self.third, self.second, self.newest) = (self.second, self.newest, sample);
        let input = if self.filled < 2 { sample } else { median(self.newest, self.second, self.third) };
        if self.filled < 3 {
            self.filled = self.filled.saturating_add(1);
            self.state = input << self.shift;
        } else {
            // The state keeps its fraction, so it comes to rest on the input and not beside it.
            self.state = self.state.saturating_sub(self.state >> self.shift).saturating_add(input);
        }
        self.state >> self.shift
    }
}

fn median(a: i32, b: i32, c: i32) -> i32 {
    a.max(b).min(a.min(b).max(c))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn run(shift: u8, samples: &[i32]) -> Vec<i32> {
        let mut filter = SlowFilter::new(shift).unwrap();
        samples.iter().map(|sample| filter.add(*sample)).collect()
    }

    extern crate std;
    use std::vec::Vec;

    #[test]
    fn starts_with_the_first_sample() {
        for shift in 0..=SHIFT_MAX {
            assert_eq!(run(shift, &[71_300]), [71_300], "shift {shift}");
        }
    }

    #[test]
    fn one_wild_sample_does_not_move_a_full_filter() {
        for shift in 0..=SHIFT_MAX {
            let out = run(shift, &[264, 264, 264, 1_554, 264, 264]);
            assert_eq!(out, [264; 6], "shift {shift}");
        }
    }

    #[test]
    fn a_wild_first_sample_is_forgotten_with_the_third() {
        for shift in 0..=SHIFT_MAX {
            let out = run(shift, &[1_554, 264, 264, 264]);
            assert_eq!(out, [1_554, 264, 264, 264], "shift {shift}");
        }
    }

    #[test]
    fn too_much_smoothing_is_refused() {
        assert_eq!(SlowFilter::new(5), Err(CalibrationError::Smoothing));
    }

    proptest! {
        #[test]
        fn constant_in_constant_out_at_every_fill_level(
            shift in 0..=SHIFT_MAX, value in -VALUE_MAX..=VALUE_MAX, count in 1_usize..40,
        ) {
            let mut filter = SlowFilter::new(shift).unwrap();
            for _ in 0..count {
                prop_assert_eq!(filter.add(value), value);
            }
        }

        #[test]
        fn comes_to_rest_exactly_on_a_constant(
            shift in 0..=SHIFT_MAX,
            before in prop::collection::vec(-200_000..200_000_i32, 0..20),
            value in -200_000..200_000_i32,
        ) {
            let mut filter = SlowFilter::new(shift).unwrap();
            for sample in before {
                filter.add(sample);
            }
            let settled = (0..400).map(|_| filter.add(value)).last();
            prop_assert_eq!(settled, Some(value));
        }

        #[test]
        fn never_leaves_the_span_of_its_samples(
            shift in 0..=SHIFT_MAX, samples in prop::collection::vec(any::<i32>(), 1..40),
        ) {
            let (mut low, mut high) = (i32::MAX, i32::MIN);
            let mut filter = SlowFilter::new(shift).unwrap();
            for sample in samples {
                let held = sample.clamp(-VALUE_MAX, VALUE_MAX);
                (low, high) = (low.min(held), high.max(held));
                let out = filter.add(sample);
                prop_assert!(low <= out && out <= high, "{low} {out} {high}");
            }
        }
    }
}
