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
use super::flash::{SectorErase, check_geometry, reads_back, unreadable, write};
use super::journal_entry::{Body, Content, Entry, NewRecord, Tag};
use super::journal_search::Search;
use super::journal_sums::{Progress as Summed, Sum, Summing};
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
/// Slots that are read in one call of `service` or `append`, so that none takes long.
const SLOTS_A_CALL: u8 = 8;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Closed,
    /// All slots are being looked at.
    Search,
    /// The newest entry is to be written once more.
    Repeat,
    Ready,
}

/// What is being read, a few slots a call.
#[derive(Debug, Clone, Copy)]
enum Reading {
    Nothing,
    Everything(Search),
    Oldest(Summing),
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
    /// A check of what was written last as the companion of the next entry, and of its sequence.
    companion: Option<u32>,
    /// Whether nothing of the oldest sector, the one behind the head, is needed any more.
    oldest_is_summed: bool,
    reading: Reading,
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
            reading: Reading::Nothing,
            sector_ahead: SectorErase::not_begun(),
            damaged: 0,
            unsummed_sectors: 0,
        }
    }

    /// Reads the area that begins `start` bytes into the part; writes nothing. `boot` counts power-ups.
    ///
    /// # Errors
    /// The part cannot hold the area, or nothing of it can be read.
    #[inline(never)]
    pub fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32, boot: u32) -> Result<(), StoreError> {
        check_geometry(flash, start, Area::JOURNAL.length)?;
        *self = Self { start, boot, ..Self::new() };
        let mut search = Search::new();
        while !search.step(flash, start)? {}
        self.take_found(&search)?;
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
    #[inline(never)]
    pub fn service<F: NorFlash>(&mut self, flash: &mut F, conditions: Conditions) -> Result<Work, StoreError> {
        if !conditions.supply_is_good {
            return Ok(Work::Nothing);
        }
        match self.phase {
            Phase::Closed => Ok(Work::Nothing),
            Phase::Search => self.search_on(flash),
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
        let content = record.content(self.boot, running_s);
        self.append_pair(flash, record.companion(), content, running_s)
    }

    /// Appends an entry that waited, and the detail of an event before it, as [`Journal::append`] does.
    pub(in crate::ledger) fn append_waiting<F: NorFlash>(
        &mut self,
        flash: &mut F,
        detail: Option<&Body>,
        main: &Body,
    ) -> Result<Progress, StoreError> {
        // What this program packed it can unpack.
        let Some((content, running_s)) = main.content() else { return Ok(Progress::Done) };
        let detail = detail.and_then(Body::content).map(|(detail, _)| detail);
        self.append_pair(flash, detail, content, running_s)
    }

    #[inline(never)]
    fn append_pair<F: NorFlash>(
        &mut self,
        flash: &mut F,
        companion: Option<Content>,
        content: Content,
        running_s: u32,
    ) -> Result<Progress, StoreError> {
        if !self.is_ready() {
            return Err(StoreError::NotReady);
        }
        if self.make_room(flash)? != Work::Nothing {
            return Ok(Progress::Again);
        }
        let is_there = self.write_pair(flash, companion, content, running_s)?;
        if is_there && matches!(content, Content::Seal { .. }) {
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
        self.reading = Reading::Nothing;
        Ok(Work::Nothing)
    }

    fn erase_ahead<F: NorFlash>(&mut self, flash: &mut F) -> Result<Work, StoreError> {
        self.sector_ahead.step(flash, sector_at(self.start, self.head.next().index))?;
        Ok(Work::Erased)
    }

    /// Reads on in the oldest sector, or writes the next sum of it.
    #[inline(never)]
    fn sum<F: NorFlash>(&mut self, flash: &mut F) -> Result<Work, StoreError> {
        let left = self.fresh_slots_left();
        // Each takes two slots.
        let room = (left.saturating_sub(SLACK) / 2).max(1);
        let oldest = self.head.oldest();
        if !matches!(self.reading, Reading::Oldest(_)) {
            self.reading = Reading::Oldest(Summing::of(oldest));
        }
        let Reading::Oldest(summing) = &mut self.reading else { return Ok(Work::Nothing) };
        match summing.next() {
            Summed::Reading => {
                summing.read_on(flash, self.start, oldest, room, SLOTS_A_CALL)?;
                return Ok(Work::Looked);
            }
            Summed::Sum { sum, running_s, first } if left > 0 => return self.write_sum(flash, &sum, running_s, first),
            Summed::Sum { .. } => self.unsummed_sectors = self.unsummed_sectors.saturating_add(1),
            Summed::Over => {}
        }
        self.oldest_is_summed = true;
        self.reading = Reading::Nothing;
        Ok(Work::Nothing)
    }

    #[inline(never)]
    fn write_sum<F: NorFlash>(
        &mut self,
        flash: &mut F,
        sum: &Sum,
        running_s: u32,
        first: bool,
    ) -> Result<Work, StoreError> {
        let content = Content::Sum { tally: sum.tally, first, last: sum.last };
        if self.write_pair(flash, Some(Content::Replaced { tag: sum.replaces }), content, running_s)? {
            if let Reading::Oldest(summing) = &mut self.reading {
                summing.is_written();
            }
            self.oldest_is_summed = sum.last;
        }
        Ok(Work::Wrote)
    }

    /// Writes the newest entry once more.
    #[inline(never)]
    fn repeat<F: NorFlash>(&mut self, flash: &mut F) -> Result<Work, StoreError> {
        if !self.newest_reads_well(flash)? {
            return Ok(self.search_again());
        }
        if self.fresh_slots_left() == 0 {
            let work = self.make_room(flash)?;
            if work != Work::Nothing {
                return Ok(work);
            }
        }
        match self.write_copy(flash)? {
            None => return Ok(self.search_again()),
            Some(true) => self.phase = Phase::Ready,
            Some(false) => {}
        }
        Ok(Work::Wrote)
    }

    /// The newest entry read well a moment ago and does not now: it was cut short, and another one is the newest.
    fn search_again(&mut self) -> Work {
        self.phase = Phase::Search;
        self.reading = Reading::Nothing;
        Work::Looked
    }

    #[inline(never)]
    fn newest_reads_well<F: NorFlash>(&self, flash: &mut F) -> Result<bool, StoreError> {
        let Some((sector, slot)) = self.newest else { return Ok(true) };
        Ok(matches!(examine(flash, self.start, sector.index, slot)?, Seen::Entry(_)))
    }

    /// Where there is no newest entry, or where it is a sum and a new sector begins, in which it would stand for another
    /// one than it does, a mark is made instead. Whether it reads back; `None` if the newest does not read well any more.
    #[inline(never)]
    fn write_copy<F: NorFlash>(&mut self, flash: &mut F) -> Result<Option<bool>, StoreError> {
        let newest = match self.newest {
            Some((sector, slot)) => match examine(flash, self.start, sector.index, slot)? {
                Seen::Entry(entry) => Some((sector, entry)),
                _ => return Ok(None),
            },
            None => None,
        };
        let copy = match newest {
            Some((sector, entry)) if sector == self.head || !matches!(entry.content, Content::Sum { .. }) => {
                Entry { lap: self.head.lap, ..entry }
            }
            Some((_, sum)) => self.next_entry(Content::Mark, sum.running_s),
            None => self.next_entry(Content::Mark, 0),
        };
        self.write(flash, &copy).map(Some)
    }

    /// The next entry, with its place in the sequence and in the chain.
    #[inline(never)]
    fn next_entry(&self, content: Content, running_s: u32) -> Entry {
        let seq = self.seq.saturating_add(1);
        let boot = u16::try_from(self.boot & u32::from(u16::MAX)).unwrap_or(0);
        let mut entry = Entry { seq, boot, running_s, content, tag: NO_TAG, lap: self.head.lap };
        if let Some(key) = &self.key {
            entry.tag = key.tag(self.tag, &entry);
        }
        entry
    }

    /// Writes an entry, or what belongs right before it if that is not there yet; whether the entry itself is there.
    #[inline(never)]
    fn write_pair<F: NorFlash>(
        &mut self,
        flash: &mut F,
        companion: Option<Content>,
        content: Content,
        running_s: u32,
    ) -> Result<bool, StoreError> {
        let awaited = companion.filter(|companion| self.companion != Some(check_of(companion, running_s, self.seq)));
        let entry = self.next_entry(awaited.unwrap_or(content), running_s);
        self.companion = None;
        let is_there = self.write(flash, &entry)?;
        if is_there && awaited.is_some() {
            self.companion = Some(check_of(&entry.content, running_s, self.seq));
        }
        Ok(is_there && awaited.is_none())
    }

    /// Writes an entry into the next fresh slot; whether it reads back.
    #[inline(never)]
    fn write<F: NorFlash>(&mut self, flash: &mut F, entry: &Entry) -> Result<bool, StoreError> {
        let slot = self.fresh;
        let at = place(self.start, self.head.index, slot);
        let bytes = entry.encode();
        self.fresh = self.fresh.saturating_add(1);
        write(flash, at, &bytes)?;
        let is_there = reads_back(flash, at, &bytes)?;
        if is_there {
            self.seq = entry.seq;
            self.tag = entry.tag;
            self.newest = Some((self.head, slot));
        }
        Ok(is_there)
    }

    /// Looks at a few more slots; a search that is over or cannot go on leads to the first act, or begins anew.
    #[inline(never)]
    fn search_on<F: NorFlash>(&mut self, flash: &mut F) -> Result<Work, StoreError> {
        let mut search = match self.reading {
            Reading::Everything(search) => search,
            _ => Search::new(),
        };
        // What cannot go on begins anew with the next call.
        self.reading = Reading::Nothing;
        for _ in 0..SLOTS_A_CALL {
            if search.step(flash, self.start)? {
                self.take_found(&search)?;
                self.phase = Phase::Repeat;
                return Ok(Work::Looked);
            }
        }
        self.reading = Reading::Everything(search);
        Ok(Work::Looked)
    }

    /// Goes on where a search says that the newest entry stands.
    #[inline(never)]
    fn take_found(&mut self, search: &Search) -> Result<(), StoreError> {
        *self = Self { phase: self.phase, start: self.start, boot: self.boot, key: self.key, ..Self::new() };
        self.damaged = search.damaged;
        if search.unreadable >= JOURNAL_ENTRIES {
            return Err(unreadable(self.start));
        }
        if let Some(found) = &search.newest {
            (self.head, self.fresh) = (found.sector, found.fresh);
            self.newest = Some((found.sector, found.slot));
            (self.seq, self.tag, self.sealed_s) = (found.seq, found.tag, search.sealed_s);
            self.oldest_is_summed = found.last_sum_seq.is_some();
        }
        Ok(())
    }
}

/// A check of what an entry says and of its place in the sequence.
#[inline(never)]
fn check_of(content: &Content, running_s: u32, seq: u32) -> u32 {
    Crc32::new().with(&Body::of(content, running_s).0).with(&seq.to_le_bytes()).finish()
}

impl Default for Journal {
    fn default() -> Self {
        Self::new()
    }
}
