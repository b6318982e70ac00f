//! The service plan: what is due by running hours or by the calendar, whichever comes first, and who did it last.
//!
//! An item that nobody has signed is unknown: it is due at its hours counted from 0, and has no date. It is never taken for
//! done in 1970.

use super::calendar::Day;
use super::item::Item;
use super::store::codes::{item_code, item_of};

const SECONDS_AN_HOUR: u32 = 3_600;
/// Ten weeks: when petrol begins to gum (common practice).
const FUEL_DAYS: u16 = 70;
/// Eight weeks: the same with two-stroke oil in it (our own reading of "sooner").
const MIXED_FUEL_DAYS: u16 = 56;

/// Who signs. It is a word that somebody typed, no proof.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Role {
    /// The owner of the boat.
    Owner,
    /// A mechanic.
    Mechanic,
    /// A yard, or whoever hires boats out.
    Yard,
}

impl Role {
    /// Every role.
    pub const ALL: [Self; 3] = [Self::Owner, Self::Mechanic, Self::Yard];

    /// Name on the command line and in exports.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Owner => "owner",
            Self::Mechanic => "mechanic",
            Self::Yard => "yard",
        }
    }

    /// The role of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.name() == name)
    }
}

/// A service that was done. A correction is another one: the newest of an item counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SignOff {
    /// What was done.
    pub item: Item,
    /// Who says so.
    pub role: Role,
    /// Running seconds of the engine at which it was done.
    pub at_s: u32,
    /// The day, where somebody told it.
    pub day: Option<Day>,
    /// Pieces of a note that stand before it in the journal.
    pub note_pieces: u8,
}

/// When an item was done last, as the plan keeps it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Done {
    /// Sequence of its entry in the journal.
    pub seq: u32,
    /// Running seconds of the engine.
    pub at_s: u32,
    /// The day, where somebody told it.
    pub day: Option<Day>,
}

/// When an item is due: at whichever comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Due {
    /// Running seconds of the engine; `None` where it does not go by hours.
    pub at_s: Option<u32>,
    /// The day; `None` where it does not go by months, or where the day of the last service is not known.
    pub day: Option<Day>,
}

/// An item of the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CareItem {
    /// What is to be done.
    pub item: Item,
    /// Running hours between two services; 0: it does not go by hours.
    pub hours: u32,
    /// Months between two services; 0: it does not go by the calendar.
    pub months: u16,
    /// Running hours at which a new engine has its first service; 0: it has none of its own.
    pub run_in_hours: u32,
    /// When it was done last; `None`: unknown.
    pub done: Option<Done>,
}

impl CareItem {
    /// Whether the profile asks for it. What is only remembered as done is not.
    #[must_use]
    pub const fn is_planned(&self) -> bool {
        self.hours > 0 || self.months > 0
    }

    /// When it is due: so many hours after it was done last, or from 0 while that is unknown.
    #[must_use]
    pub fn due(&self) -> Due {
        let every_s = (self.hours > 0).then(|| self.hours.saturating_mul(SECONDS_AN_HOUR));
        let done_s = self.done.map_or(0, |done| done.at_s);
        let day = self.done.and_then(|done| done.day).filter(|_| self.months > 0);
        Due {
            at_s: every_s.map(|every_s| done_s.saturating_add(every_s)),
            day: day.map(|day| day.plus_months(self.months)),
        }
    }

    /// The day on which the fuel in the tank is old; `None` for other items, and while nobody has told the day of the fill.
    ///
    /// Petrol begins to gum after 10 to 12 weeks, sooner with two-stroke oil in it, which is taken to be so for every
    /// two-stroke engine here, and later with stabiliser (common practice): whoever uses that gives the item `fuel-fill` months of its own,
    /// and they hold instead.
    #[must_use]
    pub fn fuel_is_old_on(&self, strokes: u8) -> Option<Day> {
        if self.item != Item::FuelFill {
            return None;
        }
        let filled = self.done?.day?;
        if self.months > 0 {
            return Some(filled.plus_months(self.months));
        }
        Some(filled.plus_days(if strokes == 2 { MIXED_FUEL_DAYS } else { FUEL_DAYS }))
    }

    /// Running seconds at which a new engine wants its first service, where that comes before the interval; `None` once the
    /// item was signed.
    #[must_use]
    pub fn first_service_s(&self) -> Option<u32> {
        let comes_first = self.run_in_hours > 0 && (self.hours == 0 || self.run_in_hours < self.hours);
        (self.done.is_none() && comes_first).then(|| self.run_in_hours.saturating_mul(SECONDS_AN_HOUR))
    }
}

/// Bytes of an item as the settings keep it.
const ITEM_BYTES: usize = 18;

/// The items of an engine, in the order of its profile.
///
/// It is kept as the bytes of the store, so that the board passes it on without taking it apart:
///
/// ```text
/// 0  1  item      6  3  run-in hours     12  4  running seconds when it was done
/// 1  3  hours     9  3  sequence of the sign-off, 0: never signed
/// 4  2  months                           16  2  its day since 1970, plus 1; 0: not known
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CarePlan {
    bytes: [[u8; ITEM_BYTES]; Item::COUNT],
    count: u8,
}

impl CarePlan {
    /// No items.
    pub const NONE: Self = Self { bytes: [[0; ITEM_BYTES]; Item::COUNT], count: 0 };

    /// Bytes of a plan with every item.
    pub(crate) const MOST_BYTES: usize = ITEM_BYTES * Item::COUNT;

    /// Whether there are no items.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// The items, in their order.
    pub fn items(&self) -> impl Iterator<Item = CareItem> + '_ {
        self.used().iter().filter_map(decode)
    }

    /// The plan with this item: in the place of the one of that name, or else at the end.
    #[must_use]
    pub fn with(mut self, item: &CareItem) -> Self {
        let code = item_code(item.item);
        let place = self.used().iter().position(|bytes| bytes.first() == Some(&code));
        let index = place.unwrap_or(usize::from(self.count));
        if let Some(bytes) = self.bytes.get_mut(index) {
            *bytes = encode(item);
            if place.is_none() {
                self.count = self.count.saturating_add(1);
            }
        }
        self
    }

    /// The items and intervals of `profile`, with what this plan knows of the last services. Items that the profile no
    /// longer asks for stay at the end, without an interval, as long as they were signed.
    #[must_use]
    pub fn follow(&self, profile: &Self) -> Self {
        let known = |item: Item| self.items().find(|known| known.item == item).and_then(|known| known.done);
        let planned = profile.items().fold(Self::NONE, |plan, item| {
            plan.with(&CareItem { done: item.done.or_else(|| known(item.item)), ..item })
        });
        let is_planned = |item: Item| planned.items().any(|planned| planned.item == item);
        self.items()
            .filter(|item| item.done.is_some() && !is_planned(item.item))
            .fold(planned, |plan, item| plan.with(&CareItem { hours: 0, months: 0, run_in_hours: 0, ..item }))
    }

    /// The plan after a sign-off with that sequence. An older one than is known changes nothing.
    #[must_use]
    pub fn signed(&self, sign_off: &SignOff, seq: u32) -> Self {
        let none = CareItem { item: sign_off.item, hours: 0, months: 0, run_in_hours: 0, done: None };
        let item = self.items().find(|known| known.item == sign_off.item).unwrap_or(none);
        if item.done.is_some_and(|known| known.seq >= seq) {
            return *self;
        }
        self.with(&CareItem { done: Some(Done { seq, at_s: sign_off.at_s, day: sign_off.day }), ..item })
    }

    /// The bytes of the store.
    pub(crate) fn as_bytes(&self) -> &[u8] {
        self.used().as_flattened()
    }

    /// From the bytes of the store.
    pub(crate) fn from_bytes(stored: &[u8]) -> Self {
        let mut plan = Self::NONE;
        for (place, found) in plan.bytes.iter_mut().zip(stored.chunks_exact(ITEM_BYTES)) {
            for (to, from) in place.iter_mut().zip(found) {
                *to = *from;
            }
            plan.count = plan.count.saturating_add(1);
        }
        plan
    }

    fn used(&self) -> &[[u8; ITEM_BYTES]] {
        self.bytes.get(..usize::from(self.count)).unwrap_or_default()
    }
}

impl Default for CarePlan {
    fn default() -> Self {
        Self::NONE
    }
}

fn encode(item: &CareItem) -> [u8; ITEM_BYTES] {
    let day = |day: Option<Day>| day.map_or(0, |day| u32::from(day.days_since_1970()).saturating_add(1));
    let done = item.done.unwrap_or(Done { seq: 0, at_s: 0, day: None });
    let [h0, h1, h2, _] = item.hours.min(0xFF_FFFF).to_le_bytes();
    let [m0, m1] = item.months.to_le_bytes();
    let [r0, r1, r2, _] = item.run_in_hours.min(0xFF_FFFF).to_le_bytes();
    let [s0, s1, s2, _] = done.seq.min(0xFF_FFFF).to_le_bytes();
    let [a0, a1, a2, a3] = done.at_s.to_le_bytes();
    let [d0, d1, ..] = day(done.day).min(u32::from(u16::MAX)).to_le_bytes();
    [item_code(item.item), h0, h1, h2, m0, m1, r0, r1, r2, s0, s1, s2, a0, a1, a2, a3, d0, d1]
}

/// `None` for an item that this version does not know.
fn decode(bytes: &[u8; ITEM_BYTES]) -> Option<CareItem> {
    let [code, h0, h1, h2, m0, m1, r0, r1, r2, s0, s1, s2, a0, a1, a2, a3, d0, d1] = *bytes;
    let seq = u32::from_le_bytes([s0, s1, s2, 0]);
    let day = u16::from_le_bytes([d0, d1]).checked_sub(1).map(Day::from_days_since_1970);
    let done = Done { seq, at_s: u32::from_le_bytes([a0, a1, a2, a3]), day };
    Some(CareItem {
        item: item_of(code)?,
        hours: u32::from_le_bytes([h0, h1, h2, 0]),
        months: u16::from_le_bytes([m0, m1]),
        run_in_hours: u32::from_le_bytes([r0, r1, r2, 0]),
        done: (seq > 0).then_some(done),
    })
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::vec::Vec;

    const OIL: CareItem = CareItem { item: Item::EngineOil, hours: 100, months: 12, run_in_hours: 0, done: None };

    fn day(year: u16, month: u8, day: u8) -> Day {
        Day::from_civil(super::super::calendar::Civil { year, month, day }).unwrap()
    }

    fn done(at_s: u32, day: Option<Day>) -> Option<Done> {
        Some(Done { seq: 9, at_s, day })
    }

    #[test]
    fn when_an_item_is_due() {
        let spring = Some(day(2026, 3, 31));
        let cases = [
            ("never signed", OIL, Some(360_000), None),
            ("never signed, run-in", CareItem { run_in_hours: 20, ..OIL }, Some(360_000), None),
            ("signed without a day", CareItem { done: done(7_200, None), ..OIL }, Some(367_200), None),
            ("signed with a day", CareItem { done: done(0, spring), ..OIL }, Some(360_000), Some(day(2027, 3, 31))),
            ("by hours only", CareItem { months: 0, done: done(0, spring), ..OIL }, Some(360_000), None),
            ("by months only, never signed", CareItem { hours: 0, ..OIL }, None, None),
            ("by months only", CareItem { hours: 0, done: done(5, spring), ..OIL }, None, Some(day(2027, 3, 31))),
            ("longer than any engine runs", CareItem { hours: 0xFF_FFFF, ..OIL }, Some(u32::MAX), None),
        ];
        for (name, item, at_s, day) in cases {
            assert_eq!(item.due(), Due { at_s, day }, "{name}");
        }
    }

    #[test]
    fn a_new_engine_has_its_first_service_earlier() {
        let run_in = CareItem { run_in_hours: 20, ..OIL };
        let cases = [
            ("never signed", run_in, Some(72_000)),
            ("no run-in", OIL, None),
            ("run-in later than the interval", CareItem { run_in_hours: 150, ..OIL }, None),
            ("by months and run-in", CareItem { hours: 0, ..run_in }, Some(72_000)),
            ("signed", CareItem { done: done(0, None), ..run_in }, None),
        ];
        for (name, item, expected) in cases {
            assert_eq!(item.first_service_s(), expected, "{name}");
        }
    }

    #[test]
    fn when_fuel_is_old() {
        let filled = done(0, Some(day(2026, 1, 1)));
        let fill = CareItem { item: Item::FuelFill, hours: 0, months: 0, done: filled, ..OIL };
        let cases = [
            ("petrol", fill, 4, Some(day(2026, 3, 12))),
            ("with oil in it", fill, 2, Some(day(2026, 2, 26))),
            ("with stabiliser", CareItem { months: 6, ..fill }, 4, Some(day(2026, 7, 1))),
            ("nobody told the day", CareItem { done: done(0, None), ..fill }, 4, None),
            ("never filled", CareItem { done: None, ..fill }, 4, None),
            ("another item", CareItem { done: filled, ..OIL }, 4, None),
        ];
        for (name, item, strokes, expected) in cases {
            assert_eq!(item.fuel_is_old_on(strokes), expected, "{name}");
        }
    }

    #[test]
    fn a_new_profile_keeps_what_was_signed() {
        let signed = SignOff { item: Item::Impeller, role: Role::Yard, at_s: 3_600, day: None, note_pieces: 0 };
        let impeller = CareItem { item: Item::Impeller, hours: 200, ..OIL };
        let old = CarePlan::NONE.with(&impeller).with(&OIL).signed(&signed, 5);
        let names = |plan: &CarePlan| plan.items().map(|item| (item.item.name(), item.hours)).collect::<Vec<_>>();
        assert_eq!(names(&old), [("impeller", 200), ("engine-oil", 100)]);

        let without = old.follow(&CarePlan::NONE.with(&OIL));
        assert_eq!(names(&without), [("engine-oil", 100), ("impeller", 0)], "what was never signed is forgotten");
        let back = without.follow(&CarePlan::NONE.with(&CareItem { hours: 300, ..impeller }));
        let [item] = back.items().collect::<Vec<_>>()[..] else { panic!("{:?}", names(&back)) };
        assert_eq!((item.hours, item.done.map(|done| done.at_s)), (300, Some(3_600)));
    }

    #[test]
    fn the_newest_sign_off_counts_in_whatever_order_they_are_read() {
        let sign_off = |at_s| SignOff { item: Item::EngineOil, role: Role::Owner, at_s, day: None, note_pieces: 0 };
        let plan = CarePlan::NONE.with(&OIL);
        for plan in [
            plan.signed(&sign_off(10), 4).signed(&sign_off(5), 7),
            plan.signed(&sign_off(5), 7).signed(&sign_off(10), 4),
        ] {
            let found = plan.items().next().and_then(|item| item.done);
            assert_eq!(found, Some(Done { seq: 7, at_s: 5, day: None }));
        }
    }

    #[test]
    fn golden_bytes_of_an_item() {
        let item = CareItem {
            item: Item::Impeller,
            hours: 0x01_0203,
            months: 0x0405,
            run_in_hours: 0x06_0708,
            done: Some(Done { seq: 0x09_0A0B, at_s: 0x0C0D_0E0F, day: Some(Day::from_days_since_1970(0x1010)) }),
        };
        let plan = CarePlan::NONE.with(&item);
        assert_eq!(plan.as_bytes(), [8, 3, 2, 1, 5, 4, 8, 7, 6, 0x0B, 0x0A, 9, 0x0F, 0x0E, 0x0D, 0x0C, 0x11, 0x10]);
        assert_eq!(CarePlan::from_bytes(plan.as_bytes()), plan);
        assert_eq!(plan.items().collect::<Vec<_>>(), [item]);
    }

    #[test]
    fn every_item_fits_and_strange_bytes_are_passed_over() {
        let full = Item::ALL.into_iter().fold(CarePlan::NONE, |plan, item| plan.with(&CareItem { item, ..OIL }));
        assert_eq!(full.as_bytes().len(), CarePlan::MOST_BYTES);
        assert_eq!(full.items().count(), Item::COUNT);
        let again = full.with(&CareItem { hours: 7, ..OIL });
        assert_eq!((again.items().count(), again.items().next().map(|item| item.hours)), (Item::COUNT, Some(7)));
        let strange = CarePlan::from_bytes(&[0xEE; CarePlan::MOST_BYTES + 30]);
        assert_eq!(strange.items().count(), 0);
        assert_eq!(CarePlan::from_bytes(&[1; 17]), CarePlan::NONE, "half an item");
    }
}
