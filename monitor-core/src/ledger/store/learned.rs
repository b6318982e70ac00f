//! What was learned of this engine, in 32 slots.
//!
//! The first act at power-up writes the newest slot once more with the next boot number: this is where power-ups are
//! counted.

use embedded_storage::nor_flash::NorFlash;

use super::error::StoreError;
use super::layout::Area;
use super::slot_ring::{SLOT_CONTENT_BYTES, SlotRing};
use super::work::{Conditions, Progress, Work};

pub(super) const KIND: u8 = 0x4C;

/// Most bytes of learned state that can be saved.
pub const LEARNED_BYTES: usize = SLOT_CONTENT_BYTES;

/// Whether what was learned is old enough to be saved again: after five minutes of running, or two once the engine
/// stands.
#[must_use]
pub const fn learned_is_due(running_s_since_saved: u32, engine_runs: bool) -> bool {
    running_s_since_saved >= if engine_runs { 300 } else { 120 }
}

/// Learned state in flash.
#[derive(Debug)]
pub struct LearnedArea {
    ring: SlotRing,
}

impl LearnedArea {
    /// An area that has not been opened.
    #[must_use]
    pub const fn new() -> Self {
        Self { ring: SlotRing::new(KIND, Area::LEARNED) }
    }

    /// Reads the area that begins `start` bytes into the part; writes nothing.
    ///
    /// # Errors
    /// The part cannot hold the area, or nothing of it can be read.
    pub fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32) -> Result<(), StoreError> {
        self.ring.open(flash, start)
    }

    /// Whether the first act after power-up is done.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.ring.is_ready()
    }

    /// Slots that held something and could not be read at the last opening.
    #[must_use]
    pub const fn damaged(&self) -> u16 {
        self.ring.damaged()
    }

    /// Does the next thing that is to be done, with one flash operation at most: the first act after power-up, or
    /// erasing ahead while the engine stands. To be called until it says [`Work::Nothing`].
    ///
    /// # Errors
    /// The flash refused. Nothing that was saved is lost; the next call tries again.
    pub fn service<F: NorFlash>(&mut self, flash: &mut F, conditions: Conditions) -> Result<Work, StoreError> {
        self.ring.service(flash, conditions)
    }

    /// Number of this power-up, from 1.
    #[must_use]
    pub const fn boot(&self) -> u32 {
        self.ring.boot()
    }

    /// Saves what was learned. `fill` writes it into the buffer and tells its length in bytes; it is called only when
    /// the slot is written. One flash operation a call: to be repeated until it says [`Progress::Done`].
    ///
    /// # Errors
    /// Not ready, or the flash refused; what was saved before is kept.
    pub fn save<F: NorFlash>(
        &mut self,
        flash: &mut F,
        fill: impl FnOnce(&mut [u8]) -> usize,
    ) -> Result<Progress, StoreError> {
        self.ring.save(flash, fill)
    }

    /// Reads what was saved last into `learned`; tells its length in bytes, 0 if there is nothing.
    ///
    /// # Errors
    /// Not ready, `learned` is too short, or the flash cannot be read.
    pub fn load<F: NorFlash>(&self, flash: &mut F, learned: &mut [u8]) -> Result<usize, StoreError> {
        self.ring.load(flash, learned)
    }
}

impl Default for LearnedArea {
    fn default() -> Self {
        Self::new()
    }
}
