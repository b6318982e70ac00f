//! How much an engine is used, from dates that people gave with its running hours.

use monitor_core::ledger::Day;

use crate::ledger::Ledger;

/// Days that must lie between two dated entries before they tell a rate: a single weekend says nothing of a season.
const LEAST_DAYS: u16 = 14;
/// Older entries say little of how it is used now.
const MOST_DAYS: u16 = 400;

/// Running hours by the calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct UseRate {
    /// Running seconds of the engine on `until`.
    until_s: u32,
    /// The newest day on which its hours are known.
    until: Day,
    /// Running seconds in so many days before.
    passed_s: u32,
    days: u16,
}

impl UseRate {
    /// The rate of this engine; `None` unless its hours are known on two days that are far enough apart.
    #[must_use]
    pub fn of(ledger: &Ledger) -> Option<Self> {
        let signed = ledger.sign_offs.iter().filter_map(|signed| Some((signed.sign_off.day?, signed.sign_off.at_s)));
        let told = ledger.clocks.iter().map(|told| (Day::of_unix_s(told.anchor.unix_s), told.running_s));
        Self::from_points(&signed.chain(told).collect::<Vec<_>>())
    }

    fn from_points(points: &[(Day, u32)]) -> Option<Self> {
        let (until, until_s) = points.iter().copied().max()?;
        let days_before = |day: Day| until.days_since_1970() - day.days_since_1970();
        let known = points.iter().copied().filter(|(day, at_s)| days_before(*day) <= MOST_DAYS && *at_s < until_s);
        let (from, from_s) = known.min_by_key(|(day, at_s)| (*day, u32::MAX - at_s))?;
        let days = days_before(from);
        (days >= LEAST_DAYS).then(|| Self { until_s, until, passed_s: until_s - from_s, days })
    }

    /// The day on which the engine will have run for so many seconds if it is used as before; `None` for what lies further
    /// ahead than the calendar goes, or lies back.
    #[must_use]
    pub fn day_of(&self, at_s: u32) -> Option<Day> {
        let ahead_s = u64::from(at_s.checked_sub(self.until_s)?);
        let days = ahead_s.saturating_mul(u64::from(self.days)) / u64::from(self.passed_s.max(1));
        let days = u16::try_from(days).ok()?.checked_add(self.until.days_since_1970())?;
        Some(Day::from_days_since_1970(days))
    }

    /// The newest day on which its hours are known.
    #[must_use]
    pub const fn until(&self) -> Day {
        self.until
    }

    /// Running seconds in a week.
    #[must_use]
    pub fn a_week_s(&self) -> u64 {
        u64::from(self.passed_s) * 7 / u64::from(self.days.max(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_needs_two_days_that_are_far_enough_apart() {
        let day = Day::from_days_since_1970;
        let hours = |hours: u32| hours * 3_600;
        type Points<'a> = &'a [(u16, u32)];
        let cases: [(&str, Points<'_>, Option<u64>); 8] = [
            ("nothing", &[], None),
            ("one day", &[(20_000, hours(10))], None),
            ("a weekend", &[(20_000, hours(10)), (20_002, hours(20))], None),
            ("two weeks", &[(20_014, hours(18)), (20_000, hours(10))], Some(hours(4).into())),
            (
                "the same day twice",
                &[(20_000, hours(10)), (20_000, hours(4)), (20_014, hours(18))],
                Some(hours(4).into()),
            ),
            ("no running", &[(20_000, hours(10)), (20_100, hours(10))], None),
            ("hours that went back", &[(20_000, hours(50)), (20_100, hours(10))], None),
            ("years ago", &[(10_000, 0), (20_000, hours(10)), (20_014, hours(18))], Some(hours(4).into())),
        ];
        for (name, points, expected) in cases {
            let points: Vec<_> = points.iter().map(|(days, at_s)| (day(*days), *at_s)).collect();
            assert_eq!(UseRate::from_points(&points).map(|rate| rate.a_week_s()), expected, "{name}");
        }
    }

    #[test]
    fn the_day_of_hours_to_come() {
        let day = Day::from_days_since_1970;
        let rate = UseRate::from_points(&[(day(20_000), 0), (day(20_020), 72_000)]).unwrap();
        let cases = [
            ("now", 72_000, Some(day(20_020))),
            ("an hour, a day", 75_600, Some(day(20_021))),
            ("back", 71_999, None),
            ("further than the calendar", u32::MAX, None),
        ];
        for (name, at_s, expected) in cases {
            assert_eq!(rate.day_of(at_s), expected, "{name}");
        }
    }
}
