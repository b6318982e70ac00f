//! A ring of slots of 512 bytes of which the newest that reads well counts.
//!
//! ```text
//!   0   1  kind: 0x4C what was learned, 0x50 settings
//!   1   1  version, 1
//!   2   2  length of what it holds, in bytes
//!   4   4  position: counts the slots since the part was new, spoiled ones included
//!   8   4  boot: counts power-ups
//!  12 496  what it holds
//! 508   4  CRC-32 of bytes 0–507
//! ```
//!
//! The slot's place in the area is the remainder of its position by the number of slots. A slot that was cut short keeps its position, so
//! whatever it reads as one day, a later one stands above it. The first act at power-up writes the newest slot once more
//! with the next boot number: this is where power-ups are counted.

use embedded_storage::nor_flash::NorFlash;

use super::bytes::{number16, number32, put};
use super::crc::Crc32;
use super::error::StoreError;
use super::flash::{Look, SectorErase, Sight, check_geometry, is_blank, look, look_into, read, unreadable, write};
use super::layout::Area;
use super::work::{Conditions, Progress, Work};

const SLOT_BYTES: u32 = 512;
const SLOTS_A_SECTOR: u32 = 8;
const HEAD_BYTES: usize = 12;
const CRC_AT: usize = 508;
const VERSION: u8 = 1;

/// Most bytes that one slot can hold.
pub(super) const SLOT_CONTENT_BYTES: usize = 496;

/// Bytes that are read at once when a slot is checked; the last ones are its check.
const PIECE_BYTES: u32 = 32;
const CHECKED_OF_LAST: usize = 28;

const _: () = assert!(HEAD_BYTES + SLOT_CONTENT_BYTES == CRC_AT);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Closed,
    /// The slots are being looked at.
    Search(Search),
    /// The newest slot is to be written once more.
    Repeat,
    Ready,
}

/// How far a look at all slots has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Search {
    /// Slots that were looked at; behind the last of the area, those behind the newest slot.
    looked: u8,
    unreadable: u8,
}

/// A slot that reads well.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Slot {
    position: u32,
    length: u16,
}

/// A ring of slots in flash.
#[derive(Debug)]
pub(super) struct SlotRing {
    kind: u8,
    phase: Phase,
    start: u32,
    /// Slots of the area.
    slots: u8,
    newest: Option<Slot>,
    /// Position of the first slot that has not been written.
    fresh: u32,
    /// The sector of `fresh`, where `fresh` is its first slot.
    sector_ahead: SectorErase,
    boot: u32,
    damaged: u8,
}

impl SlotRing {
    /// A ring for one kind of slots that has not been opened.
    pub(super) const fn new(kind: u8, area: Area) -> Self {
        // No area has more than 32 slots.
        let [slots, ..] = (area.length / SLOT_BYTES).to_le_bytes();
        Self {
            kind,
            phase: Phase::Closed,
            start: 0,
            slots,
            newest: None,
            fresh: 0,
            sector_ahead: SectorErase::not_begun(),
            boot: 0,
            damaged: 0,
        }
    }

    /// Reads the area that begins `start` bytes into the part; writes nothing.
    ///
    /// # Errors
    /// The part cannot hold the area, or nothing of it can be read.
    #[inline(never)]
    pub(super) fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32) -> Result<(), StoreError> {
        let length = self.slots().saturating_mul(SLOT_BYTES);
        check_geometry(flash, start, length)?;
        *self = Self { start, ..Self::new(self.kind, Area { start: 0, length }) };
        let mut search = self.begin_search();
        while !self.search(flash, &mut search)? {}
        // Until here it was the boot of the newest slot.
        self.boot = self.boot.saturating_add(1);
        self.phase = Phase::Repeat;
        Ok(())
    }

    /// Whether the first act after power-up is done.
    pub(super) fn is_ready(&self) -> bool {
        matches!(self.phase, Phase::Ready)
    }

    /// Number of this power-up, from 1.
    pub(super) const fn boot(&self) -> u32 {
        self.boot
    }

    /// Slots that held something and could not be read at the last opening.
    pub(super) const fn damaged(&self) -> u16 {
        self.damaged as u16
    }

    /// Does the next thing that is to be done, with one flash operation at most: the first act after power-up, or
    /// erasing ahead while the engine stands. To be called until it says [`Work::Nothing`].
    ///
    /// # Errors
    /// The flash refused. Nothing that was saved is lost; the next call tries again.
    #[inline(never)]
    pub(super) fn service<F: NorFlash>(&mut self, flash: &mut F, conditions: Conditions) -> Result<Work, StoreError> {
        if !conditions.supply_is_good || self.phase == Phase::Closed {
            return Ok(Work::Nothing);
        }
        if let Phase::Search(search) = self.phase {
            return self.search_on(flash, search);
        }
        let ready = self.is_ready();
        if self.sector_is_due() && (!ready || !conditions.engine_runs) {
            return self.erase_ahead(flash);
        }
        if ready {
            return Ok(Work::Nothing);
        }
        let Some(written) = self.copy_newest(flash)? else {
            // It read well a moment ago: it was cut short, and another one may be the newest.
            self.phase = Phase::Search(self.begin_search());
            return Ok(Work::Looked);
        };
        if self.take_written(flash, written)? {
            self.phase = Phase::Ready;
        }
        Ok(Work::Wrote)
    }

    /// Goes on with a search that was begun after power-up, one slot a call.
    fn search_on<F: NorFlash>(&mut self, flash: &mut F, mut search: Search) -> Result<Work, StoreError> {
        let boot = self.boot;
        let over = self.search(flash, &mut search);
        self.boot = boot;
        self.phase = match over {
            Ok(true) => Phase::Repeat,
            Ok(false) => Phase::Search(search),
            Err(_) => Phase::Search(self.begin_search()),
        };
        over.map(|_| Work::Looked)
    }

    /// Saves a slot. `fill` writes it into the buffer and tells its length in bytes; it is called only when
    /// the slot is written. One flash operation a call: to be repeated until it says [`Progress::Done`].
    ///
    /// # Errors
    /// Not ready, or the flash refused; what was saved before is kept.
    #[inline(never)]
    pub(super) fn save<F: NorFlash>(
        &mut self,
        flash: &mut F,
        fill: impl FnOnce(&mut [u8]) -> usize,
    ) -> Result<Progress, StoreError> {
        if !self.is_ready() {
            return Err(StoreError::NotReady);
        }
        if self.sector_is_due() {
            let _ = self.erase_ahead(flash)?;
            return Ok(Progress::Again);
        }
        let written = self.write_filled(flash, fill)?;
        let is_there = self.take_written(flash, written)?;
        Ok(if is_there { Progress::Done } else { Progress::Again })
    }

    /// Reads what was saved last into `into`; tells its length in bytes, 0 if there is nothing.
    ///
    /// # Errors
    /// Not ready, `into` is too short, or the flash cannot be read.
    #[inline(never)]
    pub(super) fn load<F: NorFlash>(&self, flash: &mut F, into: &mut [u8]) -> Result<usize, StoreError> {
        if !self.is_ready() {
            return Err(StoreError::NotReady);
        }
        let Some(slot) = self.newest else { return Ok(0) };
        let length = usize::from(slot.length);
        let place = self.place(slot.position);
        let room = into.len();
        let into = into.get_mut(..length).ok_or(StoreError::TooLong { room })?;
        // What is handed out is what the check was made of: a word that was cut short may read differently each time.
        if pass(flash, place, into)?.is_none() {
            return Err(unreadable(place));
        }
        Ok(length)
    }

    /// Whether the next slot begins a sector that is not erased.
    fn sector_is_due(&self) -> bool {
        self.fresh.is_multiple_of(SLOTS_A_SECTOR) && !self.sector_ahead.is_finished()
    }

    fn erase_ahead<F: NorFlash>(&mut self, flash: &mut F) -> Result<Work, StoreError> {
        // After as many writes in a row that came out wrong, the next sector may be that of the newest slot.
        let sector = |position| self.index(position) / SLOTS_A_SECTOR;
        if self.newest.is_some_and(|newest| sector(newest.position) == sector(self.fresh)) {
            self.fresh = self.fresh.saturating_add(SLOTS_A_SECTOR);
        }
        let place = self.place(self.fresh);
        self.sector_ahead.step(flash, place)?;
        Ok(Work::Erased)
    }

    /// Writes the newest slot once more, or an empty one if there is none; `None` if it does not read well any more.
    /// Apart, so that its buffer, the only one of a whole slot, is on the stack no longer than it is needed.
    #[inline(never)]
    fn copy_newest<F: NorFlash>(&mut self, flash: &mut F) -> Result<Option<Written>, StoreError> {
        let mut bytes = [u8::MAX; SLOT_BYTES as usize];
        if let Some(slot) = self.newest
            && !(read(flash, self.place(slot.position), &mut bytes)? && is_sound(&bytes))
        {
            return Ok(None);
        }
        let length = self.newest.map_or(0, |slot| slot.length);
        self.write_slot(flash, &mut bytes, length).map(Some)
    }

    /// Writes what `fill` puts into a slot. Apart, like [`Self::copy_newest`].
    #[inline(never)]
    fn write_filled<F: NorFlash>(
        &mut self,
        flash: &mut F,
        fill: impl FnOnce(&mut [u8]) -> usize,
    ) -> Result<Written, StoreError> {
        let mut bytes = [u8::MAX; SLOT_BYTES as usize];
        let length = fill(bytes.get_mut(HEAD_BYTES..CRC_AT).unwrap_or_default());
        let length = u16::try_from(length.min(SLOT_CONTENT_BYTES)).unwrap_or(0);
        self.write_slot(flash, &mut bytes, length)
    }

    /// Completes and writes the next slot.
    fn write_slot<F: NorFlash>(&mut self, flash: &mut F, bytes: &mut [u8], length: u16) -> Result<Written, StoreError> {
        let slot = Slot { position: self.fresh, length };
        put(bytes, 0, 1, u64::from(self.kind));
        put(bytes, 1, 1, u64::from(VERSION));
        put(bytes, 2, 2, u64::from(length));
        put(bytes, 4, 4, u64::from(slot.position));
        put(bytes, 8, 4, u64::from(self.boot));
        let crc = Crc32::new().with(bytes.get(..CRC_AT).unwrap_or_default()).finish();
        put(bytes, CRC_AT, 4, u64::from(crc));
        self.fresh = self.fresh.saturating_add(1);
        self.sector_ahead = SectorErase::not_begun();
        write(flash, self.place(slot.position), bytes)?;
        Ok(Written { slot, crc })
    }

    /// Reads a slot back; whether it is there, and counts from now on.
    #[inline(never)]
    fn take_written<F: NorFlash>(&mut self, flash: &mut F, written: Written) -> Result<bool, StoreError> {
        let place = self.place(written.slot.position);
        let is_there = pass(flash, place, &mut [])?
            .is_some_and(|found| found.crc == written.crc && self.slot_of(&found.head) == Some(written.slot));
        if is_there {
            self.newest = Some(written.slot);
        }
        Ok(is_there)
    }

    /// Forgets what is known of the slots.
    fn begin_search(&mut self) -> Search {
        self.newest = None;
        self.damaged = 0;
        self.sector_ahead = SectorErase::not_begun();
        Search { looked: 0, unreadable: 0 }
    }

    /// Takes one more step of a search for the newest slot and the first fresh one behind it; whether it is over. `boot`
    /// becomes that of the newest slot.
    fn search<F: NorFlash>(&mut self, flash: &mut F, search: &mut Search) -> Result<bool, StoreError> {
        let behind = search.looked.checked_sub(self.slots);
        search.looked = search.looked.saturating_add(1);
        let Some(behind) = behind else {
            let place = u32::from(search.looked.saturating_sub(1));
            self.search_slot(flash, place, search)?;
            return Ok(false);
        };
        if search.unreadable >= self.slots {
            return Err(unreadable(self.start));
        }
        let first = self.newest.map_or(0, |slot| slot.position.saturating_add(1));
        if behind == 0 {
            self.fresh = first;
        }
        let position = first.saturating_add(u32::from(behind));
        if position.is_multiple_of(SLOTS_A_SECTOR) {
            return Ok(true);
        }
        if !is_blank(flash, self.place(position), SLOT_BYTES)? {
            self.fresh = position.saturating_add(1);
        }
        Ok(false)
    }

    #[inline(never)]
    fn search_slot<F: NorFlash>(&mut self, flash: &mut F, place: u32, search: &mut Search) -> Result<(), StoreError> {
        match self.examine(flash, place)? {
            Seen::Blank => {}
            Seen::Slot(slot, boot) => {
                if self.newest.is_none_or(|newest| slot.position > newest.position) {
                    self.newest = Some(slot);
                    self.boot = boot;
                }
            }
            seen => {
                self.damaged = self.damaged.saturating_add(1);
                search.unreadable = search.unreadable.saturating_add(u8::from(seen == Seen::Unreadable));
            }
        }
        Ok(())
    }

    fn examine<F: NorFlash>(&self, flash: &mut F, place: u32) -> Result<Seen, StoreError> {
        let at = self.place(place);
        let head = match look::<F, 16>(flash, at)? {
            Look::Blank if is_blank(flash, at, SLOT_BYTES)? => return Ok(Seen::Blank),
            Look::Bytes(head) => head,
            Look::Blank | Look::Unsteady => return Ok(Seen::Damaged),
            Look::Unreadable => return Ok(Seen::Unreadable),
        };
        let Some(slot) = self.slot_of(&head).filter(|slot| self.index(slot.position) == place) else {
            return Ok(Seen::Damaged);
        };
        let is_sound = pass(flash, at, &mut [])?.is_some_and(|found| found.head == head);
        Ok(if is_sound { Seen::Slot(slot, number32(&head, 8, 4)) } else { Seen::Damaged })
    }

    /// The slot with this beginning, if it is one of this ring.
    fn slot_of(&self, head: &[u8; 16]) -> Option<Slot> {
        let [kind, version, ..] = *head;
        let slot = Slot { position: number32(head, 4, 4), length: number16(head, 2) };
        let fits = usize::from(slot.length) <= SLOT_CONTENT_BYTES;
        (kind == self.kind && version == VERSION && fits).then_some(slot)
    }

    const fn slots(&self) -> u32 {
        self.slots as u32
    }

    /// The slot in the area that a position has.
    fn index(&self, position: u32) -> u32 {
        position.checked_rem(self.slots()).unwrap_or(0)
    }

    fn place(&self, position: u32) -> u32 {
        self.start.saturating_add(self.index(position).saturating_mul(SLOT_BYTES))
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Seen {
    Blank,
    /// And the boot that it tells.
    Slot(Slot, u32),
    Damaged,
    Unreadable,
}

/// A slot that was written and has not been read back.
#[derive(Debug, Clone, Copy)]
struct Written {
    slot: Slot,
    crc: u32,
}

/// What one pass over a slot found whose check is right.
#[derive(Debug, Clone, Copy)]
struct Pass {
    head: [u8; 16],
    crc: u32,
}

fn is_sound(bytes: &[u8]) -> bool {
    number32(bytes, CRC_AT, 4) == Crc32::new().with(bytes.get(..CRC_AT).unwrap_or_default()).finish()
}

/// The position of a slot of that kind that reads well.
pub(super) fn position_of(slot: &[u8], kind: u8) -> Option<u32> {
    let [found, version, ..] = *slot else { return None };
    (found == kind && version == VERSION && is_sound(slot)).then(|| number32(slot, 4, 4))
}

/// Reads the slot at `at` by pieces, each twice, checks it, and puts the first bytes of what it holds into `content`.
/// `None` if its check is wrong, or if it cannot be read or reads differently twice; `content` is worthless then.
fn pass<F: NorFlash>(flash: &mut F, at: u32, content: &mut [u8]) -> Result<Option<Pass>, StoreError> {
    let mut found = Pass { head: [0; 16], crc: 0 };
    let (mut crc, mut told, mut number) = (Crc32::new(), 0, 0_u32);
    let mut content = content.iter_mut();
    let mut piece = [0; PIECE_BYTES as usize];
    while number < SLOT_BYTES / PIECE_BYTES {
        let sight = look_into(flash, at.saturating_add(number.saturating_mul(PIECE_BYTES)), &mut piece)?;
        if !matches!(sight, Sight::Bytes | Sight::Blank) {
            return Ok(None);
        }
        let mut skipped = 0;
        if number == 0 {
            found.head = piece.first_chunk().copied().unwrap_or_default();
            skipped = HEAD_BYTES;
        }
        number = number.saturating_add(1);
        let (checked, check) = piece.split_at_checked(CHECKED_OF_LAST).unwrap_or_default();
        crc = crc.with(checked);
        if number < SLOT_BYTES / PIECE_BYTES {
            crc = crc.with(check);
        } else {
            told = number32(check, 0, 4);
        }
        if content.len() > 0 {
            // The piece goes first: the one that ends must not take a place of the other with it.
            for (from, to) in piece.iter().skip(skipped).zip(content.by_ref()) {
                *to = *from;
            }
        }
    }
    found.crc = crc.finish();
    Ok((told == found.crc).then_some(found))
}
