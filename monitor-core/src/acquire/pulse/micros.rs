//! Stamps of edges: microseconds that wrap, and the way to milliseconds that do not.

use crate::time::Instant;

/// A stamp on a free-running 32-bit microsecond counter, which wraps every 71.6 minutes.
///
/// Two stamps have no order, only a distance: subtract first, then compare. Stamps up to 35.7 minutes apart can be
/// told from each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Micros(u32);

/// Half the range: a greater distance means that the "earlier" stamp is in truth the later one.
const HALF_RANGE_US: u32 = 1 << 31;

impl Micros {
    /// From the counter.
    #[must_use]
    pub const fn from_counter(microseconds: u32) -> Self {
        Self(microseconds)
    }

    /// The counter.
    #[must_use]
    pub const fn as_counter(self) -> u32 {
        self.0
    }

    /// Microseconds from `earlier` to `self`, across a wrap of the counter too. 0 where `earlier` is the later one: an
    /// interrupt may stamp an edge after the main loop has read its clock.
    #[must_use]
    pub const fn since(self, earlier: Self) -> u32 {
        let passed = self.0.wrapping_sub(earlier.0);
        if passed >= HALF_RANGE_US { 0 } else { passed }
    }

    /// This stamp moved forward, across a wrap of the counter too.
    #[must_use]
    pub const fn wrapping_add_micros(self, microseconds: u32) -> Self {
        Self(self.0.wrapping_add(microseconds))
    }
}

/// Turns the wrapping microsecond counter into [`Instant`]s that do not wrap.
///
/// A millisecond clock made by dividing the counter would fall back to 0 every 71.6 minutes and look like a reboot. This
/// one knows the true wrap: it adds up what has passed before it divides. It must be asked at least once in 71.6 minutes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MicrosClock {
    last: Micros,
    total_ms: i64,
    /// Part of a millisecond that has passed beyond `total_ms`; always under 1,000.
    rest_us: u32,
}

impl MicrosClock {
    /// A clock that shows 0 at the counter reading `start`.
    #[must_use]
    pub const fn starting_at(start: Micros) -> Self {
        Self { last: start, total_ms: 0, rest_us: 0 }
    }

    /// The instant of the counter reading `now`, measured from the start.
    pub fn extend(&mut self, now: Micros) -> Instant {
        // Not `since`: a clock that is asked seldom needs the whole range, and its own stamps are never out of order.
        let passed_us = now.0.wrapping_sub(self.last.0);
        self.last = now;
        let rest_us = self.rest_us.saturating_add(passed_us % 1_000);
        self.rest_us = rest_us % 1_000;
        let passed_ms = (passed_us / 1_000).saturating_add(rest_us / 1_000);
        self.total_ms = self.total_ms.saturating_add(i64::from(passed_ms));
        Instant::from_millis(self.total_ms)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn distances() {
        let cases = [
            ("forward", 1_000, 400, 600),
            ("equal", 7, 7, 0),
            ("across the wrap", 500, u32::MAX - 499, 1_000),
            ("out of order", 400, 1_000, 0),
            ("out of order across the wrap", u32::MAX, 3, 0),
            ("just under half the range", HALF_RANGE_US - 1, 0, HALF_RANGE_US - 1),
        ];
        for (name, now, earlier, expected) in cases {
            assert_eq!(Micros::from_counter(now).since(Micros::from_counter(earlier)), expected, "{name}");
        }
    }

    #[test]
    fn d16_milliseconds_go_on_where_the_microsecond_counter_wraps() {
        // One second before the wrap; a clock made by dividing would fall from 4,294,967 ms to 0.
        let start = Micros::from_counter(u32::MAX - 999_999);
        let mut clock = MicrosClock::starting_at(start);
        for step in 1..=40_u32 {
            let now = start.wrapping_add_micros(step * 50_000);
            assert_eq!(clock.extend(now).as_millis(), i64::from(step) * 50);
        }
        // And on through three more whole ranges, asked once an hour.
        let mut now = start.wrapping_add_micros(2_000_000);
        let mut expected_ms = 2_000_i64;
        for _ in 0..4 {
            now = now.wrapping_add_micros(3_600_000_000);
            expected_ms += 3_600_000;
            assert_eq!(clock.extend(now).as_millis(), expected_ms);
        }
    }

    proptest! {
        #[test]
        fn no_microsecond_is_lost(start in any::<u32>(), steps in prop::collection::vec(0_u32..5_000, 1..200)) {
            let mut now = Micros::from_counter(start);
            let mut clock = MicrosClock::starting_at(now);
            let mut total_us = 0_i64;
            for step in steps {
                now = now.wrapping_add_micros(step);
                total_us += i64::from(step);
                prop_assert_eq!(clock.extend(now).as_millis(), total_us / 1_000);
            }
        }
    }
}
