//! The time of day, as far as somebody told it.
//!
//! The monitor has no clock of its own: sequence and power-ups order everything. A clock that is told at some moment makes an
//! anchor in the journal; what happened in the same power-up can then be dated.

/// 2026-01-01T00:00:00Z. No monitor ran before; a clock that shows an earlier time was never set.
pub const EARLIEST_BELIEVABLE_UNIX_S: u32 = 1_767_225_600;

/// Where a time comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ClockQuality {
    /// Somebody typed it.
    Typed,
    /// The clock of a connected computer.
    Host,
    /// The boat's bus, which has it from satellites as a rule.
    Bus,
}

impl ClockQuality {
    /// Every quality, worst first.
    pub const ALL: [Self; 3] = [Self::Typed, Self::Host, Self::Bus];

    /// Name in exports.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Typed => "typed",
            Self::Host => "host",
            Self::Bus => "bus",
        }
    }
}

/// A time that was told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ClockAnchor {
    /// Seconds since 1970-01-01T00:00:00Z; the last one that fits is 2106-02-07T06:28:15Z.
    pub unix_s: u32,
    /// The same moment on the clock that stamps the events of this power-up, in whole seconds; `None` where it does not fit
    /// into 0 to 16,777,214.
    pub stamp_s: Option<u32>,
    /// Where it comes from.
    pub quality: ClockQuality,
}

impl ClockAnchor {
    /// Greatest stamp that the journal can hold.
    pub(crate) const MOST_STAMP_S: u32 = 0xFF_FFFE;

    /// An anchor; `None` if nobody can believe that time: before 2026, or after 2106-02-07T06:28:15Z.
    #[must_use]
    pub fn new(unix_s: i64, stamp_ms: i64, quality: ClockQuality) -> Option<Self> {
        let unix_s = u32::try_from(unix_s).ok().filter(|unix_s| *unix_s >= EARLIEST_BELIEVABLE_UNIX_S)?;
        let stamp_s = u32::try_from(stamp_ms / 1_000).ok().filter(|_| stamp_ms >= 0);
        Some(Self { unix_s, stamp_s: stamp_s.filter(|stamp_s| *stamp_s <= Self::MOST_STAMP_S), quality })
    }

    /// The time of day at a stamp of the same power-up, in seconds since 1970; `None` where it cannot be told.
    #[must_use]
    pub fn unix_s_at(&self, stamp_ms: i64) -> Option<u32> {
        let passed_s = (stamp_ms / 1_000).checked_sub(i64::from(self.stamp_s?))?;
        let unix_s = i64::from(self.unix_s).checked_add(passed_s)?;
        u32::try_from(unix_s).ok().filter(|unix_s| *unix_s >= EARLIEST_BELIEVABLE_UNIX_S)
    }

    /// Seconds by which a later anchor of the same power-up differs from what this one foretells: how far the clock was
    /// set forward, or back where it is negative. `None` where it cannot be told.
    #[must_use]
    pub fn set_by_s(&self, later: &Self) -> Option<i64> {
        let foretold = self.unix_s_at(i64::from(later.stamp_s?).checked_mul(1_000)?)?;
        i64::from(later.unix_s).checked_sub(i64::from(foretold))
    }
}

/// What another hour meter or board showed when the monitor took over from it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct MeterChange {
    /// Who signs it.
    pub role: super::service_plan::Role,
    /// Running seconds that the engine had by the old one.
    pub old_s: u32,
    /// Running seconds that this monitor had counted at that moment.
    pub new_s: u32,
}

impl MeterChange {
    /// Running seconds of the engine, with what it ran before, after `running_s` counted by this monitor.
    #[must_use]
    pub fn engine_s(&self, running_s: u64) -> u64 {
        running_s.saturating_sub(u64::from(self.new_s)).saturating_add(u64::from(self.old_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SUMMER_2026: i64 = 1_782_864_000;

    #[test]
    fn which_times_are_believed() {
        let earliest = i64::from(EARLIEST_BELIEVABLE_UNIX_S);
        let cases = [
            ("never set", 0, false),
            ("a second too early", earliest - 1, false),
            ("the earliest", earliest, true),
            ("2038-01-19T03:14:08Z", 1 << 31, true),
            ("2106-02-07T06:28:15Z", i64::from(u32::MAX), true),
            ("a second later", 1 << 32, false),
            ("before 1970", -1, false),
            ("the end of 64 bits", i64::MAX, false),
        ];
        for (name, unix_s, believed) in cases {
            assert_eq!(ClockAnchor::new(unix_s, 0, ClockQuality::Host).is_some(), believed, "{name}");
        }
    }

    #[test]
    fn what_happened_in_the_same_power_up_is_dated() {
        let anchor = ClockAnchor::new(SUMMER_2026, 90_500, ClockQuality::Bus).unwrap();
        let cases = [
            ("then", 90_500, Some(SUMMER_2026)),
            ("a minute later", 150_500, Some(SUMMER_2026 + 60)),
            ("at power-up", 0, Some(SUMMER_2026 - 90)),
            ("49.7 days later", i64::from(u32::MAX) + 90_500, Some(SUMMER_2026 + 4_294_967)),
            ("centuries later", 10_000_000_000_000, None),
            ("before the earliest", -20_000_000_000_000, None),
            ("the end of 64 bits", i64::MAX, None),
            ("the other end", i64::MIN, None),
        ];
        for (name, stamp_ms, unix_s) in cases {
            assert_eq!(anchor.unix_s_at(stamp_ms).map(i64::from), unix_s, "{name}");
        }
    }

    #[test]
    fn a_clock_that_was_set_is_noticed() {
        let at = |unix_s: i64, stamp_s: i64| ClockAnchor::new(unix_s, stamp_s * 1_000, ClockQuality::Host).unwrap();
        let first = at(SUMMER_2026, 100);
        let cases = [
            ("true", at(SUMMER_2026 + 3_600, 3_700), Some(0)),
            ("put forward", at(SUMMER_2026 + 7_200, 3_700), Some(3_600)),
            ("stepped back", at(SUMMER_2026 - 3_600, 3_700), Some(-7_200)),
            ("no stamp", ClockAnchor { stamp_s: None, ..first }, None),
        ];
        for (name, later, expected) in cases {
            assert_eq!(first.set_by_s(&later), expected, "{name}");
        }
    }

    #[test]
    fn the_engine_has_run_before_the_monitor_did() {
        let role = super::super::service_plan::Role::Mechanic;
        let change = MeterChange { role, old_s: 1_800_000, new_s: 3_600 };
        assert_eq!(change.engine_s(7_200), 1_803_600);
        assert_eq!(change.engine_s(0), 1_800_000, "hours that went back are told elsewhere");
    }
}
