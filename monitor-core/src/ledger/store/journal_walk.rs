//! Reading the journal from the newest entry to the oldest.

use embedded_storage::nor_flash::NorFlash;

use super::error::StoreError;
use super::flash::{Look, look};
use super::journal_entry::{Content, ENTRY_BYTES, Entry};
use super::layout::sector_at;

/// Sectors of the journal.
pub(super) const SECTORS: u8 = 6;
/// Entries that fit into a sector.
pub(super) const SLOTS_A_SECTOR: u8 = 128;

/// A place in the ring.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Sector {
    pub(super) index: u8,
    /// Times the ring had been filled when it was begun, low 8 bits.
    pub(super) lap: u8,
}

impl Sector {
    pub(super) fn next(self) -> Self {
        if self.index.saturating_add(1) >= SECTORS {
            Self { index: 0, lap: self.lap.wrapping_add(1) }
        } else {
            Self { index: self.index.saturating_add(1), lap: self.lap }
        }
    }

    pub(super) fn previous(self) -> Self {
        match self.index.checked_sub(1) {
            Some(index) => Self { index, lap: self.lap },
            None => Self { index: SECTORS.saturating_sub(1), lap: self.lap.wrapping_sub(1) },
        }
    }

    /// What the sector behind this one holds until it is erased: it was written a lap ago.
    pub(super) fn oldest(self) -> Self {
        let next = self.next();
        Self { index: next.index, lap: next.lap.wrapping_sub(1) }
    }

    /// The one that was begun later, as long as they are less than 128 laps apart.
    pub(super) fn later(self, other: Self) -> Self {
        let is_later = match self.lap.wrapping_sub(other.lap) {
            0 => self.index > other.index,
            laps => laps < 128,
        };
        if is_later { self } else { other }
    }
}

/// What stands in a slot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Seen {
    Blank,
    Entry(Entry),
    Damaged,
    Unreadable,
}

pub(super) fn place(start: u32, sector: u8, slot: u8) -> u32 {
    sector_at(start, sector).saturating_add(u32::from(slot).saturating_mul(32))
}

#[inline(never)]
pub(super) fn examine<F: NorFlash>(flash: &mut F, start: u32, sector: u8, slot: u8) -> Result<Seen, StoreError> {
    Ok(match look::<F, ENTRY_BYTES>(flash, place(start, sector, slot))? {
        Look::Blank => Seen::Blank,
        Look::Bytes(bytes) => Entry::decode(&bytes).map_or(Seen::Damaged, Seen::Entry),
        Look::Unsteady => Seen::Damaged,
        Look::Unreadable => Seen::Unreadable,
    })
}

/// A walk back through one sector or all of them.
///
/// An entry counts only if its sequence is lower than that of the one before it in the walk. So the copy that is made at
/// power-up counts, and its original and whatever was cut short between them does not, however well they read one day.
/// Sums count only if the last of their set is there: until then the entries that they stand for are still there. Of two
/// sets in one sector the later counts, for both stand for the same entries.
#[derive(Debug, Clone, Copy)]
pub struct Walk {
    sector: Sector,
    /// Slots of the sector that are still to be read.
    slots_left: u8,
    sectors_left: u8,
    lowest_seq: Option<u32>,
    within_set: bool,
    set_is_over: bool,
    /// Whether the sector where the walk began holds sums for the oldest one.
    oldest_is_summed: bool,
}

/// An entry of the sequence.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    pub(super) entry: Entry,
    /// Whether it is a record of its own: not a mark, not what belongs to another entry, not a sum without its set.
    pub(super) is_record: bool,
}

/// What a look at one slot of a walk found.
#[derive(Debug, Clone, Copy)]
pub(super) enum Glance {
    Step(Step),
    /// Nothing that counts.
    Passed,
    /// There are no more slots in the sector.
    SectorIsOver,
}

impl Walk {
    pub(super) const fn back_from(sector: Sector, slots: u8, sectors: u8, below_seq: Option<u32>) -> Self {
        Self {
            sector,
            slots_left: slots,
            sectors_left: sectors,
            lowest_seq: below_seq,
            within_set: false,
            set_is_over: false,
            oldest_is_summed: false,
        }
    }

    /// The next older record.
    pub(super) fn older<F: NorFlash>(&mut self, flash: &mut F, start: u32) -> Result<Option<Entry>, StoreError> {
        while let Some(step) = self.older_step(flash, start)? {
            if step.is_record {
                return Ok(Some(step.entry));
            }
        }
        Ok(None)
    }

    /// The entry right before that of the last step, if it is there: where an event has its detail.
    pub(super) fn companion<F: NorFlash>(&self, flash: &mut F, start: u32) -> Result<Option<Content>, StoreError> {
        let mut ahead = *self;
        let before = ahead.older_step(flash, start)?.map(|step| step.entry);
        let wanted = self.lowest_seq.map(|seq| seq.saturating_sub(1));
        Ok(before.filter(|entry| Some(entry.seq) == wanted).map(|entry| entry.content))
    }

    /// The next older entry, whatever it is.
    pub(super) fn older_step<F: NorFlash>(&mut self, flash: &mut F, start: u32) -> Result<Option<Step>, StoreError> {
        loop {
            if let Some(step) = self.older_in_sector(flash, start)? {
                return Ok(Some(step));
            }
            self.sectors_left = self.sectors_left.saturating_sub(1);
            if self.sectors_left == 0 || (self.sectors_left == 1 && self.oldest_is_summed) {
                self.sectors_left = 0;
                return Ok(None);
            }
            self.sector = self.sector.previous();
            self.slots_left = SLOTS_A_SECTOR;
            self.within_set = false;
            self.set_is_over = false;
        }
    }

    /// The next older entry of the same sector, whatever it is.
    pub(super) fn older_in_sector<F: NorFlash>(
        &mut self,
        flash: &mut F,
        start: u32,
    ) -> Result<Option<Step>, StoreError> {
        loop {
            match self.glance(flash, start)? {
                Glance::Step(step) => return Ok(Some(step)),
                Glance::Passed => {}
                Glance::SectorIsOver => return Ok(None),
            }
        }
    }

    /// Looks at the next slot of the same sector, and at no other: for whoever may not read all of it at once.
    #[inline(never)]
    pub(super) fn glance<F: NorFlash>(&mut self, flash: &mut F, start: u32) -> Result<Glance, StoreError> {
        let Some(slot) = self.slots_left.checked_sub(1) else { return Ok(Glance::SectorIsOver) };
        self.slots_left = slot;
        if let Seen::Entry(entry) = examine(flash, start, self.sector.index, slot)?
            && entry.lap == self.sector.lap
            && self.lowest_seq.is_none_or(|lowest| entry.seq < lowest)
        {
            self.lowest_seq = Some(entry.seq);
            return Ok(Glance::Step(Step { is_record: self.is_record(&entry.content), entry }));
        }
        Ok(Glance::Passed)
    }

    fn is_record(&mut self, content: &Content) -> bool {
        let (first, last) = match content {
            Content::Sum { first, last, .. } => (*first, *last),
            Content::Detail(_) | Content::Replaced { .. } | Content::Note(_) | Content::Mark => return false,
            _ => return true,
        };
        if last && !self.set_is_over {
            self.within_set = true;
            // Only the newest sector can stand for one that is still there: the others' have been written over.
            self.oldest_is_summed |= self.sectors_left == SECTORS;
        }
        let counts = self.within_set;
        if first && counts {
            self.within_set = false;
            self.set_is_over = true;
        }
        counts
    }
}
