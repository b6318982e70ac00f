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
use super::flash::{Look, SectorErase, check_geometry, is_blank, look, read, reads_back, unreadable, write};
use super::layout::Area;
use super::work::{Conditions, Progress, Work};

const SLOT_BYTES: u32 = 512;
const SLOTS_A_SECTOR: u32 = 8;
const HEAD_BYTES: usize = 12;
const CRC_AT: usize = 508;
const VERSION: u8 = 1;

/// Most bytes that one slot can hold.
pub(super) const SLOT_CONTENT_BYTES: usize = 496;

const _: () = assert!(HEAD_BYTES + SLOT_CONTENT_BYTES == CRC_AT);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Closed,
    /// The newest slot is to be written once more.
    Repeat,
    Ready,
}

/// A slot that reads well.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Slot {
    position: u32,
    length: u16,
    boot: u32,
}

/// A ring of slots in flash.
#[derive(Debug)]
pub(super) struct SlotRing {
    kind: u8,
    area: Area,
    phase: Phase,
    start: u32,
    newest: Option<Slot>,
    /// Position of the first slot that has not been written.
    fresh: u32,
    /// The sector of `fresh`, where `fresh` is its first slot.
    sector_ahead: SectorErase,
    boot: u32,
    damaged: u16,
}

impl SlotRing {
    /// A ring for one kind of slots that has not been opened.
    pub(super) const fn new(kind: u8, area: Area) -> Self {
        Self {
            kind,
            area,
            phase: Phase::Closed,
            start: 0,
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
    pub(super) fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32) -> Result<(), StoreError> {
        check_geometry(flash, start, self.area.length)?;
        *self = Self { start, ..Self::new(self.kind, self.area) };
        self.find(flash)?;
        self.boot = self.newest.map_or(0, |slot| slot.boot).saturating_add(1);
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
        self.damaged
    }

    /// Does the next thing that is to be done, with one flash operation at most: the first act after power-up, or
    /// erasing ahead while the engine stands. To be called until it says [`Work::Nothing`].
    ///
    /// # Errors
    /// The flash refused. Nothing that was saved is lost; the next call tries again.
    pub(super) fn service<F: NorFlash>(&mut self, flash: &mut F, conditions: Conditions) -> Result<Work, StoreError> {
        if !conditions.supply_is_good || self.phase == Phase::Closed {
            return Ok(Work::Nothing);
        }
        let ready = self.is_ready();
        if self.sector_is_due() && (!ready || !conditions.engine_runs) {
            return self.erase_ahead(flash);
        }
        if ready {
            return Ok(Work::Nothing);
        }
        let mut bytes = [u8::MAX; SLOT_BYTES as usize];
        self.copy_newest(flash, &mut bytes)?;
        if self.sector_is_due() {
            // Another slot turned out to be the newest.
            return self.erase_ahead(flash);
        }
        let length = self.newest.map_or(0, |slot| slot.length);
        if self.write_slot(flash, &mut bytes, length)? {
            self.phase = Phase::Ready;
        }
        Ok(Work::Wrote)
    }

    /// Saves a slot. `fill` writes it into the buffer and tells its length in bytes; it is called only when
    /// the slot is written. One flash operation a call: to be repeated until it says [`Progress::Done`].
    ///
    /// # Errors
    /// Not ready, or the flash refused; what was saved before is kept.
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
        let mut bytes = [u8::MAX; SLOT_BYTES as usize];
        let length = fill(bytes.get_mut(HEAD_BYTES..CRC_AT).unwrap_or_default());
        let length = u16::try_from(length.min(SLOT_CONTENT_BYTES)).unwrap_or(0);
        let reads_back = self.write_slot(flash, &mut bytes, length)?;
        Ok(if reads_back { Progress::Done } else { Progress::Again })
    }

    /// Reads what was saved last into `into`; tells its length in bytes, 0 if there is nothing.
    ///
    /// # Errors
    /// Not ready, `into` is too short, or the flash cannot be read.
    pub(super) fn load<F: NorFlash>(&self, flash: &mut F, into: &mut [u8]) -> Result<usize, StoreError> {
        if !self.is_ready() {
            return Err(StoreError::NotReady);
        }
        let Some(slot) = self.newest else { return Ok(0) };
        let length = usize::from(slot.length);
        let place = self.place(slot.position);
        let mut bytes = [0; SLOT_BYTES as usize];
        if !read(flash, place, &mut bytes)? || !is_sound(&bytes) {
            return Err(unreadable(place));
        }
        let found = bytes.iter().skip(HEAD_BYTES).take(length);
        let room = into.len();
        let into = into.get_mut(..length).ok_or(StoreError::TooLong { room })?;
        for (to, from) in into.iter_mut().zip(found) {
            *to = *from;
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

    /// Reads the newest slot into `bytes`. A slot that read well a moment ago and does not now was cut short: then the
    /// search begins anew.
    fn copy_newest<F: NorFlash>(&mut self, flash: &mut F, bytes: &mut [u8]) -> Result<(), StoreError> {
        for _ in 0..self.slots() {
            let Some(slot) = self.newest else { break };
            if read(flash, self.place(slot.position), bytes)? && is_sound(bytes) {
                return Ok(());
            }
            self.find(flash)?;
        }
        self.newest = None;
        bytes.fill(u8::MAX);
        Ok(())
    }

    /// Completes and writes the next slot; whether it reads back.
    fn write_slot<F: NorFlash>(&mut self, flash: &mut F, bytes: &mut [u8], length: u16) -> Result<bool, StoreError> {
        let slot = Slot { position: self.fresh, length, boot: self.boot };
        put(bytes, 0, 1, u64::from(self.kind));
        put(bytes, 1, 1, u64::from(VERSION));
        put(bytes, 2, 2, u64::from(length));
        put(bytes, 4, 4, u64::from(slot.position));
        put(bytes, 8, 4, u64::from(slot.boot));
        let crc = Crc32::new().with(bytes.get(..CRC_AT).unwrap_or_default()).finish();
        put(bytes, CRC_AT, 4, u64::from(crc));
        self.fresh = self.fresh.saturating_add(1);
        self.sector_ahead = SectorErase::not_begun();
        let place = self.place(slot.position);
        write(flash, place, bytes)?;
        let reads_back = reads_back(flash, place, bytes)?;
        if reads_back {
            self.newest = Some(slot);
        }
        Ok(reads_back)
    }

    /// Looks for the newest slot and for the first fresh one behind it.
    fn find<F: NorFlash>(&mut self, flash: &mut F) -> Result<(), StoreError> {
        self.newest = None;
        self.damaged = 0;
        self.sector_ahead = SectorErase::not_begun();
        let mut unreadable_slots = 0_u32;
        for place in 0..self.slots() {
            match self.examine(flash, place)? {
                Seen::Blank => {}
                Seen::Slot(slot) => {
                    if self.newest.is_none_or(|newest| slot.position > newest.position) {
                        self.newest = Some(slot);
                    }
                }
                seen => {
                    self.damaged = self.damaged.saturating_add(1);
                    unreadable_slots = unreadable_slots.saturating_add(u32::from(seen == Seen::Unreadable));
                }
            }
        }
        if unreadable_slots >= self.slots() {
            return Err(unreadable(self.start));
        }
        self.fresh = self.newest.map_or(0, |slot| slot.position.saturating_add(1));
        let mut behind = self.fresh;
        while !behind.is_multiple_of(SLOTS_A_SECTOR) {
            let place = self.place(behind);
            behind = behind.saturating_add(1);
            if !is_blank(flash, place, SLOT_BYTES)? {
                self.fresh = behind;
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
        let [kind, version, ..] = head;
        let slot = Slot { position: number32(&head, 4, 4), length: number16(&head, 2), boot: number32(&head, 8, 4) };
        let belongs = kind == self.kind && version == VERSION && self.index(slot.position) == place;
        // Two passes: a word that was cut short may read well once.
        let sound = belongs && sound_in_flash(flash, at, &head)? && sound_in_flash(flash, at, &head)?;
        let fits = usize::from(slot.length) <= SLOT_CONTENT_BYTES;
        Ok(if sound && fits { Seen::Slot(slot) } else { Seen::Damaged })
    }

    const fn slots(&self) -> u32 {
        self.area.length / SLOT_BYTES
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
    Slot(Slot),
    Damaged,
    Unreadable,
}

fn is_sound(bytes: &[u8]) -> bool {
    number32(bytes, CRC_AT, 4) == Crc32::new().with(bytes.get(..CRC_AT).unwrap_or_default()).finish()
}

/// The position of a slot of that kind that reads well.
pub(super) fn position_of(slot: &[u8], kind: u8) -> Option<u32> {
    let [found, version, ..] = *slot else { return None };
    (found == kind && version == VERSION && is_sound(slot)).then(|| number32(slot, 4, 4))
}

/// Whether the slot at `at` begins with `head` and its check is right, without holding all of it.
fn sound_in_flash<F: NorFlash>(flash: &mut F, at: u32, head: &[u8; 16]) -> Result<bool, StoreError> {
    let mut crc = Crc32::new();
    let mut found = 0;
    let mut piece = [0; 16];
    for number in 0..SLOT_BYTES / 16 {
        if !read(flash, at.saturating_add(number.saturating_mul(16)), &mut piece)? || (number == 0 && piece != *head) {
            return Ok(false);
        }
        if number == SLOT_BYTES / 16 - 1 {
            crc = crc.with(piece.get(..12).unwrap_or_default());
            found = number32(&piece, 12, 4);
        } else {
            crc = crc.with(&piece);
        }
    }
    Ok(found == crc.finish())
}
