//! Snapshots in flash: two sectors of 32 halves that take turns, so that the last 16 snapshots are kept.
//!
//! Unlike the other areas this one does not write its newest record once more at power-up: with two halves a snapshot,
//! eight power-ups would push four of them out. Instead the newest record is read many times before it is believed, and
//! each record says how many places right before it were spoiled, so that whatever stands there is never shown. What can
//! be lost at worst is the half whose writing was cut short.

use embedded_storage::nor_flash::NorFlash;

use crate::ledger::snapshot::SnapshotHalf;

use super::error::StoreError;
use super::flash::{SectorErase, Sight, check_geometry, is_blank, look_into, reads_back, unreadable, write};
use super::layout::Area;
use super::snapshot_record::{RECORD_BYTES, RecordedHalf, encode, position_of, spoiled_before};
use super::work::{Conditions, Progress, Work};

const SLOTS: u32 = 64;
const SLOTS_A_SECTOR: u32 = 32;
/// Looks, of two reads each, that must agree before a record is believed.
const LOOKS: u8 = 16;

/// Bytes from one record to the next.
const STRIDE: u32 = 128;

const _: () = assert!(SLOTS * STRIDE == Area::SNAPSHOTS.length && RECORD_BYTES == 128);

/// Snapshots in flash.
#[derive(Debug)]
pub struct SnapshotArea {
    is_open: bool,
    start: u32,
    boot: u16,
    /// Position of the newest half.
    newest: Option<u32>,
    /// Position of the first place that has not been written.
    fresh: u32,
    /// The sector of `fresh`, where `fresh` is its first place.
    sector_ahead: SectorErase,
    damaged: u16,
}

/// A walk from the newest half back to the oldest.
#[derive(Debug, Clone, Copy)]
pub struct SnapshotWalk {
    next: Option<u32>,
    /// Positions from here on are still to be found.
    oldest: u32,
}

impl SnapshotArea {
    /// An area that has not been opened.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            is_open: false,
            start: 0,
            boot: 0,
            newest: None,
            fresh: 0,
            sector_ahead: SectorErase::not_begun(),
            damaged: 0,
        }
    }

    /// Reads the area that begins `start` bytes into the part; writes nothing. `boot` counts power-ups.
    ///
    /// # Errors
    /// The part cannot hold the area, or nothing of it can be read.
    #[inline(never)]
    pub fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32, boot: u32) -> Result<(), StoreError> {
        check_geometry(flash, start, Area::SNAPSHOTS.length)?;
        let boot = u16::try_from(boot & u32::from(u16::MAX)).unwrap_or(0);
        *self = Self { start, boot, ..Self::new() };
        self.find(flash)?;
        self.is_open = true;
        Ok(())
    }

    /// Whether it is open: there are no first acts.
    #[must_use]
    pub const fn is_ready(&self) -> bool {
        self.is_open
    }

    /// Places that held something and could not be read at the last opening.
    #[must_use]
    pub const fn damaged(&self) -> u16 {
        self.damaged
    }

    /// Erases ahead while the engine stands, one page a call. To be called until it says [`Work::Nothing`].
    ///
    /// # Errors
    /// The flash refused; the next call tries again.
    pub fn service<F: NorFlash>(&mut self, flash: &mut F, conditions: Conditions) -> Result<Work, StoreError> {
        let may_erase = self.is_open && conditions.supply_is_good && !conditions.engine_runs;
        if may_erase && self.sector_is_due() { self.erase_ahead(flash) } else { Ok(Work::Nothing) }
    }

    /// Keeps one half. One flash operation a call: to be repeated with the same half until it says [`Progress::Done`].
    ///
    /// # Errors
    /// Not open, or the flash refused; what was kept before is still there.
    #[inline(never)]
    pub fn append<F: NorFlash>(&mut self, flash: &mut F, half: &SnapshotHalf) -> Result<Progress, StoreError> {
        if !self.is_open {
            return Err(StoreError::NotReady);
        }
        if self.sector_is_due() {
            let _ = self.erase_ahead(flash)?;
            return Ok(Progress::Again);
        }
        let position = self.fresh;
        let spoiled = position.saturating_sub(self.newest.map_or(0, |newest| newest.saturating_add(1)));
        let spoiled_before = u8::try_from(spoiled).unwrap_or(u8::MAX);
        let bytes = encode(half, position, self.boot, spoiled_before);
        self.fresh = self.fresh.saturating_add(1);
        self.sector_ahead = SectorErase::not_begun();
        let place = self.place(position);
        write(flash, place, &bytes)?;
        if !reads_back(flash, place, &bytes)? {
            return Ok(Progress::Again);
        }
        self.newest = Some(position);
        Ok(Progress::Done)
    }

    /// A walk from the newest half back to the oldest, for [`SnapshotArea::older`].
    #[must_use]
    pub fn newest(&self) -> SnapshotWalk {
        let oldest = self.fresh.saturating_sub(SLOTS);
        SnapshotWalk { next: self.newest, oldest }
    }

    /// The next older half of a walk.
    ///
    /// # Errors
    /// Not open.
    #[inline(never)]
    pub fn older<F: NorFlash>(
        &self,
        flash: &mut F,
        walk: &mut SnapshotWalk,
    ) -> Result<Option<RecordedHalf>, StoreError> {
        if !self.is_open {
            return Err(StoreError::NotReady);
        }
        let mut bytes = [0; RECORD_BYTES];
        while let Some(position) = walk.next.filter(|position| *position >= walk.oldest) {
            let is_believed = self.believed(flash, position, &mut bytes)?;
            let spoiled = if is_believed { spoiled_before(&bytes) } else { 0 };
            walk.next = position.checked_sub(u32::from(spoiled).saturating_add(1));
            if is_believed {
                return Ok(RecordedHalf::decode(&bytes));
            }
        }
        walk.next = None;
        Ok(None)
    }

    /// Whether the next place begins a sector that is not erased.
    fn sector_is_due(&self) -> bool {
        self.fresh.is_multiple_of(SLOTS_A_SECTOR) && !self.sector_ahead.is_finished()
    }

    fn erase_ahead<F: NorFlash>(&mut self, flash: &mut F) -> Result<Work, StoreError> {
        // After as many writes in a row that came out wrong, the next sector may be that of the newest half.
        let sector = |position| position % SLOTS / SLOTS_A_SECTOR;
        if self.newest.is_some_and(|newest| sector(newest) == sector(self.fresh)) {
            self.fresh = self.fresh.saturating_add(SLOTS_A_SECTOR);
        }
        let place = self.place(self.fresh);
        self.sector_ahead.step(flash, place)?;
        Ok(Work::Erased)
    }

    /// Looks for the newest half and for the first fresh place behind it.
    fn find<F: NorFlash>(&mut self, flash: &mut F) -> Result<(), StoreError> {
        let mut below = u32::MAX;
        loop {
            let candidate = self.newest_below(flash, below)?;
            let Some(position) = candidate else { break };
            if self.believed(flash, position, &mut [0; RECORD_BYTES])? {
                self.newest = candidate;
                break;
            }
            below = position;
        }
        self.fresh = self.newest.map_or(0, |newest| newest.saturating_add(1));
        let mut behind = self.fresh;
        while !behind.is_multiple_of(SLOTS_A_SECTOR) {
            let place = self.place(behind);
            behind = behind.saturating_add(1);
            if !is_blank(flash, place, STRIDE)? {
                self.fresh = behind;
            }
        }
        Ok(())
    }

    /// The greatest position below a limit that reads well once; counts what does not read well.
    #[inline(never)]
    fn newest_below<F: NorFlash>(&mut self, flash: &mut F, below: u32) -> Result<Option<u32>, StoreError> {
        self.damaged = 0;
        let (mut newest, mut unreadable_places) = (None, 0_u32);
        for place in 0..SLOTS {
            let mut bytes = [0; RECORD_BYTES];
            let sight = look_into(flash, self.place(place), &mut bytes)?;
            if sight == Sight::Blank {
                continue;
            }
            unreadable_places = unreadable_places.saturating_add(u32::from(sight == Sight::Unreadable));
            let found = if sight == Sight::Bytes { position_of(&bytes) } else { None };
            match found.filter(|position| position % SLOTS == place) {
                None => self.damaged = self.damaged.saturating_add(1),
                Some(position) if position < below => newest = newest.max(Some(position)),
                Some(_) => {}
            }
        }
        if unreadable_places >= SLOTS { Err(unreadable(self.start)) } else { Ok(newest) }
    }

    /// Whether the record of a position is there and many looks agree on it. It is left in `bytes`.
    #[inline(never)]
    fn believed<F: NorFlash>(
        &self,
        flash: &mut F,
        position: u32,
        bytes: &mut [u8; RECORD_BYTES],
    ) -> Result<bool, StoreError> {
        let place = self.place(position);
        if look_into(flash, place, bytes)? != Sight::Bytes || position_of(bytes) != Some(position) {
            return Ok(false);
        }
        for _ in 1..LOOKS {
            if !reads_back(flash, place, bytes)? {
                return Ok(false);
            }
        }
        Ok(true)
    }

    fn place(&self, position: u32) -> u32 {
        self.start.saturating_add((position % SLOTS).saturating_mul(STRIDE))
    }
}

impl Default for SnapshotArea {
    fn default() -> Self {
        Self::new()
    }
}
