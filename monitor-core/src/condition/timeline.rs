//! Elapsed time from stamps that may stand still, step back or jump.

use crate::time::Instant;

/// Adds up the forward steps of a caller's clock.
///
/// A stamp that is equal or earlier counts as no elapsed time, and later stamps are measured from it.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Timeline {
    last: Option<Instant>,
    elapsed_ms: u64,
    /// Position inside the current whole second since power-up, 0 to 999.
    within_second_ms: u32,
}

/// What one stamp added.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Advance {
    /// Milliseconds since the stamp before.
    pub(crate) passed_ms: u32,
    /// Whether this stamp lies in a later whole second since power-up than the one before.
    pub(crate) new_second: bool,
}

impl Timeline {
    pub(crate) const fn new() -> Self {
        Self { last: None, elapsed_ms: 0, within_second_ms: 0 }
    }

    /// Power-up: seconds are counted from the next stamp; the time since the last trip counts nothing.
    pub(crate) fn restart(&mut self) {
        self.last = None;
        self.within_second_ms = 0;
    }

    /// Milliseconds of all trips so far.
    pub(crate) const fn elapsed_ms(&self) -> u64 {
        self.elapsed_ms
    }

    pub(crate) fn advance(&mut self, now: Instant) -> Advance {
        let passed_ms = self.last.map_or(0, |last| now.millis_since(last));
        self.last = Some(now);
        // It would wrap after 584 million years.
        self.elapsed_ms = self.elapsed_ms.wrapping_add(u64::from(passed_ms));
        let position = self.within_second_ms.saturating_add(passed_ms);
        // A division costs a small core dearly, and samples are mostly less than two seconds apart.
        self.within_second_ms = match position {
            0..=999 => position,
            1_000..=1_999 => position.wrapping_sub(1_000),
            _ => within_second(position),
        };
        Advance { passed_ms, new_second: position >= 1_000 }
    }
}

/// Apart from its caller, or the compiler sees that the division would do for the short ways too.
#[cold]
#[inline(never)]
const fn within_second(position_ms: u32) -> u32 {
    position_ms % 1_000
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_clock_that_steps_back_adds_nothing_and_goes_on_from_there() {
        let mut timeline = Timeline::new();
        for (stamp, expected) in [(1_000, 0), (1_400, 400), (1_000, 400), (1_000, 400), (1_300, 700)] {
            timeline.advance(Instant::from_millis(stamp));
            assert_eq!(timeline.elapsed_ms(), expected, "stamp {stamp}");
        }
    }

    proptest! {
        #[test]
        fn seconds_are_those_since_power_up(start in -5_000_i64..5_000, steps in prop::collection::vec(0_i64..3_000, 1..50)) {
            let mut timeline = Timeline::new();
            let mut stamp = start;
            timeline.advance(Instant::from_millis(stamp));
            for step in steps {
                let before = (stamp - start) / 1_000;
                stamp += step;
                let advance = timeline.advance(Instant::from_millis(stamp));
                prop_assert_eq!(advance.new_second, (stamp - start) / 1_000 > before);
            }
            prop_assert_eq!(timeline.elapsed_ms(), u64::try_from(stamp - start).unwrap());
        }
    }
}
