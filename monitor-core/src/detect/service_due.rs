//! `service-due` and `fuel-old`: an item of the service plan is due, by running hours or by the calendar.
//!
//! The plan lies in flash and is not kept in RAM. It is read once after power-up and after each sign-off, and again when the
//! hours or the day are reached at which the next item becomes due; in between two numbers are compared.

use crate::finding::Finding;
use crate::ledger::{CarePlan, Day, Item};

/// Which items are due, and when to look again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CareWatch {
    /// A bit for each item that is due.
    due: u16,
    /// A bit for each item that has been raised, or may still stand from before the last power-up.
    raised: u16,
    /// Running seconds at which the next one becomes due.
    next_s: u32,
    /// The day on which the next one becomes due, where dates are known.
    next_day: Day,
}

impl CareWatch {
    /// Nothing is known yet: the plan is to be read.
    #[must_use]
    pub const fn new() -> Self {
        Self { due: 0, raised: 0, next_s: 0, next_day: Day::LAST }
    }

    /// Whether the plan is to be read and handed to [`CareWatch::review`]. `today` is the day by a clock that was told; without
    /// one dates say nothing.
    #[must_use]
    pub fn is_stale(&self, running_s: u32, today: Option<Day>) -> bool {
        running_s >= self.next_s || today.is_some_and(|today| today >= self.next_day)
    }

    /// The plan was changed, by a sign-off or by a profile: it is to be read again.
    pub const fn plan_changed(&mut self) {
        self.next_s = 0;
    }

    /// Judges every item of the plan for an engine of so many strokes. An item that nobody signed is due at its hours, or
    /// at those of the first service; what only goes by the calendar is not judged until somebody has told a day.
    pub fn review(&mut self, plan: &CarePlan, strokes: u8, running_s: u32, today: Option<Day>) {
        let is_first = self.next_s == 0;
        *self = Self { due: 0, next_s: u32::MAX, next_day: Day::LAST, ..*self };
        for item in plan.items() {
            let due = item.due();
            let due_s = due.at_s.unwrap_or(u32::MAX).min(item.first_service_s().unwrap_or(u32::MAX));
            let due_day = item.fuel_is_old_on(strokes).or(due.day).unwrap_or(Day::LAST);
            let by_hours = due_s < u32::MAX && running_s >= due_s;
            let by_date = due_day < Day::LAST && today.is_some_and(|today| today >= due_day);
            if by_hours || by_date {
                self.due |= bit(item.item);
                continue;
            }
            self.next_s = self.next_s.min(due_s);
            self.next_day = self.next_day.min(due_day);
        }
        if is_first {
            // What stands from before the last power-up is not known here: every item is looked at once.
            self.raised = ALL & !self.due;
        }
    }

    /// Whether an item was due when the plan was read last.
    #[must_use]
    pub const fn is_due(&self, item: Item) -> bool {
        self.due & bit(item) != 0
    }

    /// Whether something is to be said of an item: it is due and not raised, or raised and no longer due. Nothing is while
    /// the plan has not been read.
    pub(crate) const fn is_pending(&self, item: Item) -> bool {
        self.next_s > 0 && (self.due ^ self.raised) & bit(item) != 0
    }

    /// Whether anything is to be said at all.
    pub(crate) const fn is_any_pending(&self) -> bool {
        self.next_s > 0 && self.due != self.raised
    }

    /// Keeps whether a finding about the item stands.
    pub(crate) const fn set_raised(&mut self, item: Item, raised: bool) {
        if raised {
            self.raised |= bit(item);
        } else {
            self.raised &= !bit(item);
        }
    }

    /// What is found when this item is due: old fuel is a finding of its own.
    #[must_use]
    pub const fn finding(item: Item) -> Finding {
        match item {
            Item::FuelFill => Finding::FuelOld,
            _ => Finding::ServiceDue,
        }
    }
}

impl Default for CareWatch {
    fn default() -> Self {
        Self::new()
    }
}

/// A bit for every item.
const ALL: u16 = (1 << Item::COUNT) - 1;

const fn bit(item: Item) -> u16 {
    match 1_u16.checked_shl(item as u32) {
        Some(bit) => bit,
        None => 0,
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::ledger::{CareItem, Civil, Done, Role, SignOff};
    use std::vec::Vec;

    fn day(year: u16, month: u8, day: u8) -> Option<Day> {
        Day::from_civil(Civil { year, month, day })
    }

    fn item(item: Item, hours: u32, months: u16, done: Option<Done>) -> CareItem {
        CareItem { item, hours, months, run_in_hours: 0, done }
    }

    fn plan() -> CarePlan {
        let spring = |at_s| Some(Done { seq: 1, at_s, day: day(2026, 3, 31) });
        CarePlan::NONE
            .with(&item(Item::EngineOil, 100, 0, None))
            .with(&CareItem { run_in_hours: 20, ..item(Item::GearOil, 100, 0, None) })
            .with(&item(Item::Thermostat, 0, 12, None))
            .with(&item(Item::Impeller, 200, 11, spring(36_000)))
            .with(&item(Item::FuelFill, 0, 0, spring(36_000)))
    }

    fn due(watch: &CareWatch) -> Vec<&'static str> {
        Item::ALL.into_iter().filter(|item| watch.is_due(*item)).map(Item::name).collect()
    }

    #[test]
    fn what_is_due_when() {
        let cases: [(&str, u32, Option<Day>, &[&str]); 9] = [
            ("new, no clock", 0, None, &[]),
            ("a second before the first service", 71_999, None, &[]),
            ("the first service", 72_000, None, &["gear-oil"]),
            ("100 hours", 360_000, None, &["engine-oil", "gear-oil"]),
            ("210 hours", 756_000, None, &["engine-oil", "gear-oil", "impeller"]),
            ("ten weeks but a day", 0, day(2026, 6, 8), &[]),
            ("ten weeks", 0, day(2026, 6, 9), &["fuel-fill"]),
            ("eleven months, clamped", 0, day(2027, 2, 28), &["impeller", "fuel-fill"]),
            ("never signed has no date", 0, day(2106, 2, 7), &["impeller", "fuel-fill"]),
        ];
        for (name, running_s, today, expected) in cases {
            let mut watch = CareWatch::new();
            watch.review(&plan(), 4, running_s, today);
            assert_eq!(due(&watch), expected, "{name}");
        }
        let mut watch = CareWatch::new();
        watch.review(&plan(), 2, 0, day(2026, 5, 26));
        assert_eq!(due(&watch), ["fuel-fill"], "eight weeks with oil in it");
        assert_eq!(CareWatch::finding(Item::FuelFill), Finding::FuelOld);
        assert_eq!(CareWatch::finding(Item::Impeller), Finding::ServiceDue);
    }

    /// Looking only when it is stale finds the same as looking every time.
    #[test]
    fn nothing_is_missed_between_two_looks() {
        let mut watch = CareWatch::new();
        let mut looks = 0;
        for hour in 0..400_u32 {
            // Three hours a day from spring on.
            let (running_s, days) = (hour * 3_600, u16::try_from(hour / 3).unwrap());
            let today = day(2026, 3, 31).map(|first| first.plus_days(days));
            if watch.is_stale(running_s, today) {
                watch.review(&plan(), 4, running_s, today);
                looks += 1;
            }
            let mut fresh = CareWatch::new();
            fresh.review(&plan(), 4, running_s, today);
            assert_eq!(due(&watch), due(&fresh), "hour {hour}");
        }
        assert_eq!(looks, 4, "at power-up, and when something becomes due");
    }

    #[test]
    fn a_sign_off_ends_it() {
        let mut watch = CareWatch::new();
        watch.review(&plan(), 4, 360_000, None);
        assert_eq!(due(&watch), ["engine-oil", "gear-oil"]);
        let done = SignOff { item: Item::EngineOil, role: Role::Owner, at_s: 360_000, day: None, note_pieces: 0 };
        let signed = plan().signed(&done, 7);
        watch.plan_changed();
        assert!(watch.is_stale(0, None));
        watch.review(&signed, 4, 360_000, None);
        assert_eq!(due(&watch), ["gear-oil"]);
        assert!(watch.is_stale(720_000, None) && !watch.is_stale(719_999, None), "the next is 100 hours later");
    }

    #[test]
    fn an_empty_plan_is_never_read_again_and_it_is_small() {
        let mut watch = CareWatch::new();
        assert!(watch.is_stale(0, None));
        watch.review(&CarePlan::NONE, 4, 0, None);
        assert!(!watch.is_stale(u32::MAX - 1, day(2106, 2, 7)) && due(&watch).is_empty());
        assert!(size_of::<CareWatch>() <= 12);
    }
}
