//! The journal: what happened, in order, in a ring of 768 entries.
//!
//! A ring of six sectors of 128 entries. Before the oldest sector is erased, the events in it are summed: one entry for
//! each 50 hours of running, in the last slots of the newest sector. The sums count once all of them are written; from
//! then on the events that they stand for are gone. So no total is lost, and none is counted twice, whenever the power
//! goes.
//!
//! What does not fit into the entry of an event stands in one of its own right before it, so that an event is seen whole
//! or not at all. Every entry carries a tag of the chain (see `chain.rs`).
//!
//! The first act at power-up is to write the newest entry once more: a word that was cut short may read well only once.

use embedded_storage::nor_flash::NorFlash;

use super::chain::{Key, NO_TAG};
use super::crc::Crc32;
use super::error::StoreError;
use super::flash::{Look, SectorErase, check_geometry, look, unreadable, write};
use super::journal_entry::{Content, ENTRY_BYTES, Entry, NewRecord, Tag};
use super::journal_sums::Summing;
use super::journal_walk::{SECTORS, SLOTS_A_SECTOR, Sector, Seen, examine, place};
use super::layout::{Area, sector_at};
use super::work::{Conditions, Progress, Work};

/// Entries that the journal can hold.
pub const JOURNAL_ENTRIES: u16 = 768;

const _: () = assert!(SECTORS as u16 * SLOTS_A_SECTOR as u16 == JOURNAL_ENTRIES);

/// Slots at the end of a sector that are kept for the sums of the next one.
const RESERVE: u8 = 32;
/// Slots of the reserve that are left for what power cuts spoil.
const SLACK: u8 = 4;
/// Slots left in a sector at which the next one is erased ahead, while the engine stands.
const ERASE_AHEAD: u8 = 8;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Closed,
    /// The newest entry is to be written once more.
    Repeat,
    Ready,
}

/// How full the journal is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Fullness {
    /// Places in use.
    pub used: u16,
    /// Places in all. Events are summed, oldest first, before all are used.
    pub places: u16,
}

/// Journal in flash.
#[derive(Debug)]
pub struct Journal {
    phase: Phase,
    pub(super) start: u32,
    boot: u32,
    pub(super) key: Option<Key>,
    /// The sector in use.
    pub(super) head: Sector,
    /// The first slot of it that has not been written.
    pub(super) fresh: u8,
    /// Where the newest entry stands.
    newest: Option<(Sector, u8)>,
    seq: u32,
    /// Chain tag of the newest entry.
    pub(super) tag: Tag,
    /// Running seconds at the newest seal.
    pub(super) sealed_s: u32,
    /// What was written for the next entry as its companion: its sequence, and a check of what it says.
    companion: Option<(u32, u32)>,
    /// Whether nothing of the oldest sector, the one behind the head, is needed any more.
    oldest_is_summed: bool,
    summing: Option<Summing>,
    sector_ahead: SectorErase,
    damaged: u16,
    unsummed_sectors: u8,
}

impl Journal {
    /// A journal that has not been opened.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            phase: Phase::Closed,
            start: 0,
            boot: 0,
            key: None,
            // The next sector is the first one of lap 0.
            head: Sector { index: SECTORS - 1, lap: u8::MAX },
            fresh: SLOTS_A_SECTOR,
            newest: None,
            seq: 0,
            tag: NO_TAG,
            sealed_s: 0,
            companion: None,
            oldest_is_summed: true,
            summing: None,
            sector_ahead: SectorErase::not_begun(),
            damaged: 0,
            unsummed_sectors: 0,
        }
    }

    /// Reads the area that begins `start` bytes into the part; writes nothing. `boot` counts power-ups.
    ///
    /// # Errors
    /// The part cannot hold the area, or nothing of it can be read.
    pub fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32, boot: u32) -> Result<(), StoreError> {
        check_geometry(flash, start, Area::JOURNAL.length)?;
        *self = Self { start, boot, ..Self::new() };
        self.find(flash)?;
        self.phase = Phase::Repeat;
        Ok(())
    }

    /// Whether the first act after power-up is done.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        matches!(self.phase, Phase::Ready)
    }

    /// Places that held something and could not be read at the last opening.
    #[must_use]
    pub const fn damaged(&self) -> u16 {
        self.damaged
    }

    /// Sectors that had to be erased since power-up although they were not summed: it takes more than ten power cuts in
    /// a row, each while making room.
    #[must_use]
    pub const fn unsummed_sectors(&self) -> u8 {
        self.unsummed_sectors
    }

    /// How full it is. Lap numbers come again after 256 laps, when the ring counts as in its first one for a while.
    #[must_use]
    pub fn fullness(&self) -> Fullness {
        let older_sectors = match (self.newest, self.head.lap) {
            (None, _) => return Fullness { used: 0, places: JOURNAL_ENTRIES },
            (Some(_), 0) => self.head.index,
            (Some(_), _) => SECTORS.saturating_sub(if self.oldest_is_summed { 2 } else { 1 }),
        };
        let in_older = u16::from(older_sectors).saturating_mul(u16::from(SLOTS_A_SECTOR));
        Fullness { used: in_older.saturating_add(u16::from(self.fresh)), places: JOURNAL_ENTRIES }
    }

    /// Does the next thing that is to be done, with one flash operation at most: the first act after power-up, making
    /// room, or erasing ahead while the engine stands. To be called until it says [`Work::Nothing`].
    ///
    /// # Errors
    /// The flash refused. Nothing that was acknowledged is lost; the next call tries again.
    pub fn service<F: NorFlash>(&mut self, flash: &mut F, conditions: Conditions) -> Result<Work, StoreError> {
        if !conditions.supply_is_good {
            return Ok(Work::Nothing);
        }
        match self.phase {
            Phase::Closed => Ok(Work::Nothing),
            Phase::Repeat => self.repeat(flash),
            Phase::Ready => {
                if self.sums_are_due() {
                    return self.sum(flash);
                }
                let ahead = self.fresh_slots_left() <= ERASE_AHEAD && !self.sector_ahead.is_finished();
                if ahead && !conditions.engine_runs {
                    return self.erase_ahead(flash);
                }
                Ok(Work::Nothing)
            }
        }
    }

    /// From here on entries are tagged with this key; without one they are not. Opening forgets the key.
    pub const fn use_key(&mut self, key: Option<Key>) {
        self.key = key;
    }

    /// Appends a record. `running_s` are the running seconds of the engine. One flash operation a call: to be repeated
    /// with the same record until it says [`Progress::Done`]; until then nothing of it is seen.
    ///
    /// # Errors
    /// Not ready, or the flash refused; the record is not in the journal then.
    pub fn append<F: NorFlash>(
        &mut self,
        flash: &mut F,
        running_s: u32,
        record: &NewRecord,
    ) -> Result<Progress, StoreError> {
        if !self.is_ready() {
            return Err(StoreError::NotReady);
        }
        if self.make_room(flash)? != Work::Nothing {
            return Ok(Progress::Again);
        }
        let main = self.next_entry(record.content(self.boot, running_s), running_s);
        let is_there = self.write_pair(flash, record.companion(), main)?;
        if is_there && matches!(record, NewRecord::Seal { .. }) {
            self.sealed_s = running_s;
        }
        Ok(if is_there { Progress::Done } else { Progress::Again })
    }

    fn fresh_slots_left(&self) -> u8 {
        SLOTS_A_SECTOR.saturating_sub(self.fresh)
    }

    fn sums_are_due(&self) -> bool {
        !self.oldest_is_summed && self.fresh_slots_left() <= RESERVE
    }

    /// Does what has to be done before the next entry can be written.
    fn make_room<F: NorFlash>(&mut self, flash: &mut F) -> Result<Work, StoreError> {
        if self.sums_are_due() {
            let work = self.sum(flash)?;
            if work != Work::Nothing {
                return Ok(work);
            }
        }
        if self.fresh_slots_left() > 0 {
            return Ok(Work::Nothing);
        }
        if !self.sector_ahead.is_finished() {
            return self.erase_ahead(flash);
        }
        self.head = self.head.next();
        self.fresh = 0;
        self.sector_ahead = SectorErase::not_begun();
        self.oldest_is_summed = false;
        self.summing = None;
        Ok(Work::Nothing)
    }

    fn erase_ahead<F: NorFlash>(&mut self, flash: &mut F) -> Result<Work, StoreError> {
        self.sector_ahead.step(flash, sector_at(self.start, self.head.next().index))?;
        Ok(Work::Erased)
    }

    /// Writes the next sum of the oldest sector.
    fn sum<F: NorFlash>(&mut self, flash: &mut F) -> Result<Work, StoreError> {
        let left = self.fresh_slots_left();
        // Each takes two slots.
        let room = (left.saturating_sub(SLACK) / 2).max(1);
        let summing = match self.summing {
            Some(summing) => summing,
            None => Summing::plan(flash, self.start, self.head.oldest(), room)?,
        };
        self.summing = Some(summing);
        let Some((sum, after)) = summing.next(flash, self.start)? else {
            self.oldest_is_summed = true;
            return Ok(Work::Nothing);
        };
        if left == 0 {
            self.unsummed_sectors = self.unsummed_sectors.saturating_add(1);
            self.oldest_is_summed = true;
            return Ok(Work::Nothing);
        }
        let content = Content::Sum { tally: sum.tally, first: !summing.first_is_written, last: sum.last };
        let entry = self.next_entry(content, sum.running_s);
        if self.write_pair(flash, Some(Content::Replaced { tag: sum.replaces }), entry)? {
            self.summing = Some(after);
            self.oldest_is_summed = sum.last;
        }
        Ok(Work::Wrote)
    }

    /// Writes the newest entry once more. Where there is none, or where it is a sum and a new sector begins, in which it
    /// would stand for another one than it does, a mark is made instead.
    fn repeat<F: NorFlash>(&mut self, flash: &mut F) -> Result<Work, StoreError> {
        let newest = match self.newest {
            None => None,
            Some((sector, slot)) => match examine(flash, self.start, sector.index, slot)? {
                Seen::Entry(entry) => Some((sector, entry)),
                // It read well a moment ago: it was cut short.
                _ => {
                    self.find(flash)?;
                    return Ok(Work::Nothing);
                }
            },
        };
        if self.fresh_slots_left() == 0 {
            let work = self.make_room(flash)?;
            if work != Work::Nothing {
                return Ok(work);
            }
        }
        let copy = match newest {
            Some((sector, entry)) if sector == self.head || !matches!(entry.content, Content::Sum { .. }) => {
                Entry { lap: self.head.lap, ..entry }
            }
            Some((_, sum)) => self.next_entry(Content::Mark, sum.running_s),
            None => self.next_entry(Content::Mark, 0),
        };
        if self.write(flash, copy)? {
            // The last sum of a set may have been cut short: only now it is sure whether it counts.
            self.oldest_is_summed = self.has_sums(flash)?;
            self.phase = Phase::Ready;
        }
        Ok(Work::Wrote)
    }

    /// The next entry, with its place in the sequence and in the chain.
    fn next_entry(&self, content: Content, running_s: u32) -> Entry {
        let seq = self.seq.saturating_add(1);
        let boot = u16::try_from(self.boot & u32::from(u16::MAX)).unwrap_or(0);
        let entry = Entry { seq, boot, running_s, content, tag: NO_TAG, lap: self.head.lap };
        Entry { tag: self.key.map_or(NO_TAG, |key| key.tag(self.tag, &entry)), ..entry }
    }

    /// Writes an entry, or what belongs right before it if that is not there yet; whether the entry itself is there.
    fn write_pair<F: NorFlash>(
        &mut self,
        flash: &mut F,
        companion: Option<Content>,
        main: Entry,
    ) -> Result<bool, StoreError> {
        if let Some(content) = companion {
            let entry = self.next_entry(content, main.running_s);
            // Without the entry's own check: a CRC over a message and its CRC is the same for every message.
            let bytes = Entry { seq: 0, tag: NO_TAG, lap: 0, ..entry }.encode();
            let says = Crc32::new().with(bytes.get(..28).unwrap_or_default()).finish();
            if self.companion != Some((self.seq, says)) {
                if self.write(flash, entry)? {
                    self.companion = Some((self.seq, says));
                }
                return Ok(false);
            }
        }
        self.write(flash, main)
    }

    /// Writes an entry into the next fresh slot; whether it reads back.
    fn write<F: NorFlash>(&mut self, flash: &mut F, entry: Entry) -> Result<bool, StoreError> {
        let slot = self.fresh;
        let at = place(self.start, self.head.index, slot);
        let bytes = entry.encode();
        self.fresh = self.fresh.saturating_add(1);
        write(flash, at, &bytes)?;
        let reads_back = look::<F, ENTRY_BYTES>(flash, at)? == Look::Bytes(bytes);
        if reads_back {
            self.seq = entry.seq;
            self.tag = entry.tag;
            self.newest = Some((self.head, slot));
        }
        Ok(reads_back)
    }

    /// Looks for the sector in use, the newest entry and the first fresh slot.
    fn find<F: NorFlash>(&mut self, flash: &mut F) -> Result<(), StoreError> {
        *self = Self { phase: self.phase, start: self.start, boot: self.boot, key: self.key, ..Self::new() };
        let mut sealed_s = 0;
        // Where each sector was begun, of those that hold an entry.
        let mut sectors = [None; SECTORS as usize];
        let mut unreadable_places = 0_u16;
        for (index, sector) in (0..).zip(&mut sectors) {
            for slot in 0..SLOTS_A_SECTOR {
                match examine(flash, self.start, index, slot)? {
                    Seen::Blank => {}
                    Seen::Entry(entry) => {
                        *sector = Some(Sector { index, lap: entry.lap });
                        if let Content::Seal { running_s, .. } = entry.content {
                            sealed_s = running_s.max(sealed_s);
                        }
                    }
                    seen => {
                        self.damaged = self.damaged.saturating_add(1);
                        let refused = u16::from(seen == Seen::Unreadable);
                        unreadable_places = unreadable_places.saturating_add(refused);
                    }
                }
            }
        }
        if unreadable_places >= JOURNAL_ENTRIES {
            return Err(unreadable(self.start));
        }
        // An only entry that was cut short may read well once and not again: then the sector before is in use.
        while let Some(newest) = sectors.iter().flatten().copied().reduce(Sector::later) {
            if self.take_head(flash, newest)? {
                self.sealed_s = sealed_s;
                return Ok(());
            }
            for sector in sectors.iter_mut().filter(|sector| **sector == Some(newest)) {
                *sector = None;
            }
        }
        Ok(())
    }

    /// Goes on in a sector; `false` if no entry of it reads well.
    fn take_head<F: NorFlash>(&mut self, flash: &mut F, head: Sector) -> Result<bool, StoreError> {
        let (mut fresh, mut newest) = (0, None);
        for slot in 0..SLOTS_A_SECTOR {
            let seen = examine(flash, self.start, head.index, slot)?;
            if seen != Seen::Blank {
                fresh = slot.saturating_add(1);
            }
            if let Seen::Entry(entry) = seen
                && entry.lap == head.lap
            {
                newest = Some((slot, entry.seq, entry.tag));
            }
        }
        let Some((slot, seq, tag)) = newest else { return Ok(false) };
        (self.head, self.fresh, self.newest) = (head, fresh, Some((head, slot)));
        (self.seq, self.tag) = (seq, tag);
        self.oldest_is_summed = self.has_sums(flash)?;
        Ok(true)
    }

    /// Whether the sector in use holds the sums of the oldest one.
    fn has_sums<F: NorFlash>(&self, flash: &mut F) -> Result<bool, StoreError> {
        let mut walk = self.newest();
        while walk.older_in_sector(flash, self.start)?.is_some() {}
        Ok(walk.oldest_is_summed())
    }
}

impl Default for Journal {
    fn default() -> Self {
        Self::new()
    }
}
