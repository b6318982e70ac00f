//! The look at all slots of the journal after power-up: which sector is in use, and where it goes on.
//!
//! One slot a step, each of them once, so that it can be spread over many calls.

use embedded_storage::nor_flash::NorFlash;

use super::error::StoreError;
use super::journal_entry::{Content, Entry, Tag};
use super::journal_walk::{SECTORS, SLOTS_A_SECTOR, Sector, Seen, examine};

/// What was found in one sector.
#[derive(Debug, Clone, Copy)]
pub(super) struct Found {
    pub(super) sector: Sector,
    /// The first slot that has not been written.
    pub(super) fresh: u8,
    /// Where its newest entry stands.
    pub(super) slot: u8,
    pub(super) seq: u32,
    pub(super) tag: Tag,
    /// The sequence of a sum that is the last of its set, if there is one that counts: one with a lower sequence than all
    /// entries behind it. Of several the first, which is the last to lose its standing.
    pub(super) last_sum_seq: Option<u32>,
}

impl Found {
    fn first(index: u8, slot: u8, entry: &Entry) -> Self {
        let sector = Sector { index, lap: entry.lap };
        let found = Self { sector, fresh: 0, slot, seq: entry.seq, tag: entry.tag, last_sum_seq: None };
        found.and(slot, entry)
    }

    fn and(self, slot: u8, entry: &Entry) -> Self {
        let is_last_sum = matches!(entry.content, Content::Sum { last: true, .. });
        let last_sum_seq = match self.last_sum_seq {
            Some(seq) if seq < entry.seq => Some(seq),
            _ => is_last_sum.then_some(entry.seq),
        };
        Self { slot, seq: entry.seq, tag: entry.tag, last_sum_seq, ..self }
    }
}

/// How far the look has come.
#[derive(Debug, Clone, Copy)]
pub(super) struct Search {
    index: u8,
    slot: u8,
    /// The first slot of the sector behind all that were written.
    fresh: u8,
    /// The sector under way, as soon as it shows an entry.
    current: Option<Found>,
    /// The newest sector that holds an entry.
    pub(super) newest: Option<Found>,
    /// Running seconds at the newest seal.
    pub(super) sealed_s: u32,
    /// Slots that hold something and cannot be read.
    pub(super) damaged: u16,
    /// Of those, slots that the part refuses.
    pub(super) unreadable: u16,
}

impl Search {
    /// Nothing looked at.
    pub(super) const fn new() -> Self {
        Self { index: 0, slot: 0, fresh: 0, current: None, newest: None, sealed_s: 0, damaged: 0, unreadable: 0 }
    }

    /// Looks at the next slot; whether it was the last one.
    pub(super) fn step<F: NorFlash>(&mut self, flash: &mut F, start: u32) -> Result<bool, StoreError> {
        let slot = self.slot;
        let seen = examine(flash, start, self.index, slot)?;
        self.slot = slot.saturating_add(1);
        if seen != Seen::Blank {
            self.fresh = self.slot;
        }
        match seen {
            Seen::Blank => {}
            Seen::Entry(entry) => self.take(slot, &entry),
            Seen::Damaged => self.damaged = self.damaged.saturating_add(1),
            Seen::Unreadable => {
                self.damaged = self.damaged.saturating_add(1);
                self.unreadable = self.unreadable.saturating_add(1);
            }
        }
        if self.slot >= SLOTS_A_SECTOR {
            self.end_sector();
        }
        Ok(self.index >= SECTORS)
    }

    fn take(&mut self, slot: u8, entry: &Entry) {
        if let Content::Seal { running_s, .. } = entry.content {
            self.sealed_s = self.sealed_s.max(running_s);
        }
        self.current = Some(match self.current {
            Some(found) if found.sector.lap == entry.lap => found.and(slot, entry),
            // A sector is erased before it is written anew, so that this is its first entry.
            _ => Found::first(self.index, slot, entry),
        });
    }

    fn end_sector(&mut self) {
        if let Some(current) = self.current.map(|found| Found { fresh: self.fresh, ..found }) {
            let is_newer = self.newest.is_none_or(|newest| current.sector.later(newest.sector) == current.sector);
            if is_newer {
                self.newest = Some(current);
            }
        }
        self.current = None;
        self.index = self.index.saturating_add(1);
        (self.slot, self.fresh) = (0, 0);
    }
}
