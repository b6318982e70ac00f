//! Time is handed in: an [`Instant`] with every call, never read from a clock.

/// A point on the caller's clock, in milliseconds.
///
/// On a board it is time since power-up, made from a wrapping counter by [`TickCounter`]; in a replay it is the
/// stamp of the trace row. It may step back: the monitor then counts no elapsed time (see `condition::Timeline`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Instant(i64);

impl Instant {
    /// From milliseconds on the caller's clock.
    #[must_use]
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// Milliseconds on the caller's clock.
    #[must_use]
    pub const fn as_millis(self) -> i64 {
        self.0
    }

    /// The low 32 bits of the milliseconds: differences of them are cheap, and right up to 49.7 days.
    #[must_use]
    pub(crate) fn low_millis(self) -> u32 {
        u32::try_from(self.0 & i64::from(u32::MAX)).unwrap_or(0)
    }

    /// This instant moved forward; saturates at the end of the range.
    #[must_use]
    pub const fn saturating_add_millis(self, millis: u32) -> Self {
        Self(self.0.saturating_add(millis as i64))
    }

    /// Milliseconds from `earlier` to `self`: 0 where `self` is not later, saturating at [`u32::MAX`] (49.7 days).
    #[must_use]
    pub fn millis_since(self, earlier: Self) -> u32 {
        if self <= earlier {
            return 0;
        }
        // What lies between two signed numbers always fits an unsigned one.
        u32::try_from(self.0.wrapping_sub(earlier.0).cast_unsigned()).unwrap_or(u32::MAX)
    }
}

/// Turns a 32-bit millisecond counter that wraps every 49.7 days into [`Instant`]s that do not.
///
/// The counter must be read at least once in 49.7 days. A counter that is really made from 32-bit microseconds wraps
/// after 71.6 minutes and must not be fed here: widen it before it is divided.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct TickCounter {
    last: u32,
    total: i64,
}

impl TickCounter {
    /// A counter whose first reading is measured from `start`.
    #[must_use]
    pub const fn starting_at(start: u32) -> Self {
        Self { last: start, total: 0 }
    }

    /// The instant of the raw counter value `now`, measured from the start.
    pub fn extend(&mut self, now: u32) -> Instant {
        let passed = now.wrapping_sub(self.last);
        self.last = now;
        self.total = self.total.saturating_add(i64::from(passed));
        Instant(self.total)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counter_started_one_minute_before_its_wrap_goes_on_counting() {
        let start = u32::MAX - 60_000;
        let mut counter = TickCounter::starting_at(start);
        for second in 1..=120_u32 {
            let instant = counter.extend(start.wrapping_add(second * 1_000));
            assert_eq!(instant.as_millis(), i64::from(second) * 1_000);
        }
    }

    #[test]
    fn elapsed_time_is_never_negative_and_saturates() {
        let cases = [
            ("forward", 5_000, 2_000, 3_000),
            ("equal", 2_000, 2_000, 0),
            ("backward", 2_000, 5_000, 0),
            ("longer than the range", i64::MAX, i64::MIN, u32::MAX),
        ];
        for (name, now, earlier, expected) in cases {
            let passed = Instant::from_millis(now).millis_since(Instant::from_millis(earlier));
            assert_eq!(passed, expected, "{name}");
        }
    }
}
