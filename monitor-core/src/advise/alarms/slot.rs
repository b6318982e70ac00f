//! One finding that is followed, packed: every byte here is there a dozen times.

use super::Happening;
use crate::advise::subject::Subject;
use crate::event::{AlarmState, State};
use crate::finding::{Finding, Level};
use crate::num::low_bits;

/// What keeps a finding quiet although it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Aside {
    No,
    Shelved,
    Suppressed,
    OutOfService,
}

/// The condition stands: raised, and neither cleared nor replaced since.
const STANDING: u8 = 1;
const ACKNOWLEDGED: u8 = 1 << 1;
const RESET: u8 = 1 << 2;
const SILENCED: u8 = 1 << 3;
/// What keeps it aside, at most one of these.
const SHELVED: u8 = 1 << 4;
const SUPPRESSED: u8 = 1 << 5;
const OUT_OF_SERVICE: u8 = 1 << 6;

/// The condition is not absent.
const NOT_ABSENT: u16 = u16::MAX;
/// Ids begin at 1.
const NO_ID: u32 = 0;
/// Times have 40 bits: 34 years of milliseconds.
const LAST_MS: u64 = (1 << 40) - 1;

/// A finding from the moment it is raised until it is back to normal and its episode is over.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slot {
    pub(super) id: u32,
    since_low: u32,
    shelved_until_low: u32,
    replaced_by: u32,
    absent_ms: u16,
    since_high: u8,
    shelved_until_high: u8,
    pub(super) finding: Finding,
    pub(super) subject: Subject,
    pub(super) level: Level,
    bits: u8,
}

// Grown by accident it would cost more than a detector does.
const _: () = assert!(size_of::<Option<Slot>>() == 24);

impl Slot {
    /// A finding that does not stand, is not acknowledged and not held aside; `since_ms` by the clock of the alarms.
    pub(super) fn new(id: u32, finding: Finding, subject: Subject, level: Level, since_ms: u64) -> Self {
        let (since_low, since_high) = split(since_ms);
        Self {
            id,
            since_low,
            shelved_until_low: 0,
            replaced_by: NO_ID,
            absent_ms: NOT_ABSENT,
            since_high,
            shelved_until_high: 0,
            finding,
            subject,
            level,
            bits: 0,
        }
    }

    const fn is(&self, bit: u8) -> bool {
        self.bits & bit != 0
    }

    const fn set(&mut self, bit: u8, value: bool) {
        self.bits = if value { self.bits | bit } else { self.bits & !bit };
    }

    pub(super) const fn standing(&self) -> bool {
        self.is(STANDING)
    }

    pub(super) const fn set_standing(&mut self, value: bool) {
        self.set(STANDING, value);
    }

    /// It has gone or was replaced, now.
    pub(super) fn end_standing(&mut self, now_ms: u64) {
        self.set(STANDING | SILENCED, false);
        self.not_absent();
        self.set_since_ms(now_ms);
    }

    pub(super) const fn acknowledged(&self) -> bool {
        self.is(ACKNOWLEDGED)
    }

    pub(super) const fn set_acknowledged(&mut self, value: bool) {
        self.set(ACKNOWLEDGED, value);
    }

    pub(super) const fn reset(&self) -> bool {
        self.is(RESET)
    }

    pub(super) const fn set_reset(&mut self, value: bool) {
        self.set(RESET, value);
    }

    pub(super) const fn silenced(&self) -> bool {
        self.is(SILENCED)
    }

    pub(super) const fn set_silenced(&mut self, value: bool) {
        self.set(SILENCED, value);
    }

    pub(super) const fn aside(&self) -> Aside {
        if self.is(SHELVED) {
            Aside::Shelved
        } else if self.is(SUPPRESSED) {
            Aside::Suppressed
        } else if self.is(OUT_OF_SERVICE) {
            Aside::OutOfService
        } else {
            Aside::No
        }
    }

    pub(super) const fn set_aside(&mut self, aside: Aside) {
        self.set(SHELVED | SUPPRESSED | OUT_OF_SERVICE, false);
        match aside {
            Aside::No => {}
            Aside::Shelved => self.set(SHELVED, true),
            Aside::Suppressed => self.set(SUPPRESSED, true),
            Aside::OutOfService => self.set(OUT_OF_SERVICE, true),
        }
    }

    pub(super) fn shelve_until(&mut self, until_ms: u64) {
        self.set_aside(Aside::Shelved);
        (self.shelved_until_low, self.shelved_until_high) = split(until_ms);
    }

    /// When its shelving is over, by the clock of the alarms; says nothing of what is not shelved.
    pub(super) fn shelved_until_ms(&self) -> u64 {
        joined(self.shelved_until_low, self.shelved_until_high)
    }

    /// While it stands: when its present level was raised. Otherwise: when it cleared. By the clock of the alarms.
    pub(super) fn set_since_ms(&mut self, since_ms: u64) {
        (self.since_low, self.since_high) = split(since_ms);
    }

    /// How long ago it was raised to its present level or, if it does not stand, cleared.
    pub(super) fn age_ms(&self, now_ms: u64) -> u64 {
        now_ms.saturating_sub(joined(self.since_low, self.since_high))
    }

    /// The cause that replaced it, as long as that stands.
    pub(super) fn replaced_by(&self) -> Option<u32> {
        (self.replaced_by != NO_ID).then_some(self.replaced_by)
    }

    pub(super) fn set_replaced_by(&mut self, cause: Option<u32>) {
        self.replaced_by = cause.unwrap_or(NO_ID);
    }

    /// The condition is not absent, or not surely.
    pub(super) const fn not_absent(&mut self) {
        self.absent_ms = NOT_ABSENT;
    }

    /// The condition is absent, and `passed_ms` went by since the tick before; tells for how many milliseconds it has
    /// been absent while still standing by its off-delay.
    pub(super) fn lengthen_absence(&mut self, passed_ms: u32) -> u32 {
        self.absent_ms = if self.absent_ms == NOT_ABSENT {
            0
        } else {
            let passed_ms = u16::try_from(passed_ms).unwrap_or(u16::MAX);
            self.absent_ms.saturating_add(passed_ms).min(NOT_ABSENT.saturating_sub(1))
        };
        u32::from(self.absent_ms)
    }

    pub(super) fn alarm_state(&self) -> AlarmState {
        match self.aside() {
            Aside::OutOfService => AlarmState::OutOfService,
            Aside::Suppressed => AlarmState::SuppressedByDesign,
            Aside::Shelved => AlarmState::Shelved,
            Aside::No => self.plain_state(),
        }
    }

    /// The state without regard to what keeps it aside.
    fn plain_state(&self) -> AlarmState {
        if self.standing() {
            if self.acknowledged() { AlarmState::Acknowledged } else { AlarmState::Unacknowledged }
        } else if self.replaced_by().is_some() {
            AlarmState::Normal
        } else if self.finding.latches() {
            if self.acknowledged() && self.reset() { AlarmState::Normal } else { AlarmState::Latched }
        } else if self.acknowledged() {
            AlarmState::Normal
        } else {
            AlarmState::ReturnedUnacknowledged
        }
    }

    pub(super) fn is_open(&self) -> bool {
        self.standing() || self.alarm_state() != AlarmState::Normal
    }

    pub(super) fn happening(&self, state: State) -> Happening {
        Happening {
            id: self.id,
            finding: self.finding,
            channel: self.subject.channel(),
            item: self.subject.item(),
            level: self.level,
            state,
            alarm_state: self.alarm_state(),
            replaced_by: None,
        }
    }
}

/// Low 32 and high 8 bits of a time in milliseconds.
fn split(at_ms: u64) -> (u32, u8) {
    let at_ms = at_ms.min(LAST_MS);
    (low_bits(at_ms), u8::try_from(at_ms >> 32_u32).unwrap_or(u8::MAX))
}

fn joined(low: u32, high: u8) -> u64 {
    (u64::from(high) << 32_u32) | u64::from(low)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR_MS: u64 = 3_600_000;

    #[test]
    fn times_are_exact_for_34_years_and_hold_there() {
        let cases = [
            ("at first", 0, 0, 0),
            ("a second", 1_000, 2_000, 1_000),
            ("over the edge of 32 bits", 4_294_967_295, 4_294_967_296, 1),
            ("after 5,000 hours", 5_000 * HOUR_MS + 7, 5_001 * HOUR_MS, HOUR_MS - 7),
            ("a clock before it", 2_000, 1_000, 0),
            ("past the end", u64::MAX, LAST_MS, 0),
        ];
        for (name, since_ms, now_ms, age_ms) in cases {
            let mut slot = Slot::new(1, Finding::OverSpeed, Subject::of_channel(None), Level::Caution, since_ms);
            assert_eq!(slot.age_ms(now_ms), age_ms, "{name}");
            slot.shelve_until(since_ms);
            assert_eq!(slot.shelved_until_ms(), since_ms.min(LAST_MS), "{name}");
        }
    }

    #[test]
    fn each_mark_is_its_own() {
        let mut slot = Slot::new(1, Finding::OverSpeed, Subject::of_channel(None), Level::Caution, 0);
        let marks = |slot: &Slot| (slot.standing(), slot.acknowledged(), slot.reset(), slot.silenced(), slot.aside());
        slot.set_standing(true);
        slot.set_reset(true);
        slot.set_silenced(true);
        slot.set_aside(Aside::OutOfService);
        assert_eq!(marks(&slot), (true, false, true, true, Aside::OutOfService));
        slot.set_aside(Aside::Suppressed);
        slot.set_acknowledged(true);
        slot.end_standing(0);
        assert_eq!(marks(&slot), (false, true, true, false, Aside::Suppressed));
        slot.set_reset(false);
        slot.set_aside(Aside::No);
        assert_eq!(marks(&slot), (false, true, false, false, Aside::No));
    }

    #[test]
    fn absence_begins_with_its_first_tick() {
        let mut slot = Slot::new(1, Finding::OverSpeed, Subject::of_channel(None), Level::Caution, 0);
        assert_eq!(slot.lengthen_absence(4_000), 0);
        assert_eq!(slot.lengthen_absence(4_000), 4_000);
        assert_eq!(slot.lengthen_absence(u32::MAX), 65_534, "held where it is long enough for every delay");
        slot.not_absent();
        assert_eq!(slot.lengthen_absence(1_000), 0);
    }
}
