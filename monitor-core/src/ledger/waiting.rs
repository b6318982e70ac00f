//! Records of the journal that wait for the flash, in the form that they have there.

use super::store::{Body, NewRecord};

/// Places for entries that wait; an event takes one, or two with its numbers. One for every finding that can be open at
/// once, and some: an acknowledgement of all of them loses none.
const PLACES: u8 = 16;

/// A queue of records.
#[derive(Debug)]
pub(super) struct Waiting {
    entries: [Body; PLACES as usize],
    /// Where the oldest stands.
    first: u8,
    used: u8,
}

impl Waiting {
    pub(super) const fn new() -> Self {
        Self { entries: [Body::EMPTY; PLACES as usize], first: 0, used: 0 }
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.used == 0
    }

    /// Puts a record behind the others; `false` if there is no room for it. The numbers of an event are left out when
    /// room gets scarce: earlier if they can be `spared`.
    pub(super) fn add(&mut self, record: &NewRecord, boot: u32, running_s: u32, spared: bool) -> bool {
        let free = PLACES.saturating_sub(self.used);
        if free == 0 {
            return false;
        }
        let (detail, main) = record.bodies(boot, running_s);
        let least = if spared { PLACES / 2 } else { 1 };
        if let Some(detail) = detail.filter(|_| free > least) {
            self.push(detail);
        }
        self.push(main);
        true
    }

    fn push(&mut self, entry: Body) {
        let place = self.place(self.used);
        if let Some(free) = self.entries.get_mut(place) {
            *free = entry;
            self.used = self.used.saturating_add(1);
        }
    }

    /// The oldest record: the numbers of an event, if they are there, and the entry itself.
    pub(super) fn oldest(&self) -> Option<(Option<&Body>, &Body)> {
        let first = self.entry(0)?;
        if first.is_detail() { Some((Some(first), self.entry(1)?)) } else { Some((None, first)) }
    }

    /// The oldest record has been written.
    pub(super) fn remove_oldest(&mut self) {
        let length = if self.entry(0).is_some_and(Body::is_detail) { 2 } else { 1 };
        self.first = u8::try_from(self.place(length)).unwrap_or(0);
        self.used = self.used.saturating_sub(length);
    }

    /// Everything that waits happened so many running seconds later than was known when it was noted.
    pub(super) fn shift(&mut self, running_s: u32) {
        for entry in &mut self.entries {
            *entry = entry.later_by(running_s);
        }
    }

    fn entry(&self, number: u8) -> Option<&Body> {
        if number < self.used { self.entries.get(self.place(number)) } else { None }
    }

    fn place(&self, number: u8) -> usize {
        usize::from(self.first.wrapping_add(number) % PLACES)
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::event::{AlarmState, EvidenceItem, EvidenceKey, State};
    use crate::finding::{Finding, Level};
    use crate::ledger::store::JournalEvent;
    use crate::time::Instant;
    use std::vec::Vec;

    fn event(id: u32) -> NewRecord {
        let value = Some(EvidenceItem { key: EvidenceKey::Eta, value: Some(7) });
        NewRecord::Event(JournalEvent {
            trip: 0,
            stamp: Instant::from_millis(0),
            id,
            finding: Finding::OverSpeed,
            channel: None,
            item: None,
            level: Level::Warning,
            state: State::Acknowledged,
            alarm_state: AlarmState::Acknowledged,
            evidence: [value, None],
            candidate: None,
            replaced_by: None,
            detail_missing: false,
        })
    }

    /// Takes everything out: running seconds, and whether the numbers are there.
    fn drain(waiting: &mut Waiting) -> Vec<(u32, bool)> {
        let mut found = Vec::new();
        while let Some((detail, main)) = waiting.oldest() {
            found.push((main.running_s(), detail.is_some()));
            waiting.remove_oldest();
        }
        found
    }

    #[test]
    fn records_come_out_in_their_order_with_their_numbers() {
        let mut waiting = Waiting::new();
        for round in 0..9 {
            assert!(waiting.add(&event(1), 1, round, false));
            assert!(waiting.add(&NewRecord::Hole { seconds: 5 }, 1, round + 100, false));
            assert_eq!(drain(&mut waiting), [(round, true), (round + 100, false)]);
        }
    }

    #[test]
    fn an_acknowledgement_of_all_that_can_be_open_loses_none() {
        let mut waiting = Waiting::new();
        let all = u32::try_from(crate::advise::Alarms::POSITIONS).unwrap();
        assert!((0..all).all(|id| waiting.add(&event(id), 1, id, true)));
        let found = drain(&mut waiting);
        assert!(found.iter().map(|(running_s, _)| *running_s).eq(0..all), "{found:?}");
        assert_eq!(found.iter().filter(|(_, with_numbers)| *with_numbers).count(), 4);
    }

    #[test]
    fn what_finds_no_room_is_refused_and_changes_nothing() {
        let mut waiting = Waiting::new();
        assert!((0..8).all(|id| waiting.add(&event(id), 1, id, false)));
        assert!(!waiting.add(&event(8), 1, 8, false));
        assert_eq!(drain(&mut waiting).len(), 8);
    }

    #[test]
    fn what_was_noted_before_the_hours_were_known_is_set_right() {
        let mut waiting = Waiting::new();
        assert!(waiting.add(&event(1), 1, 3, false));
        waiting.shift(1_000);
        assert_eq!(drain(&mut waiting), [(1_003, true)]);
    }
}
