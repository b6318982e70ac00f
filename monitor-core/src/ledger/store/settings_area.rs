//! Profile and keys, in a ring of 16 slots over the areas for both and the spare one.

use embedded_storage::nor_flash::NorFlash;

use super::chain::Key;
use super::error::StoreError;
use super::layout::Area;
use super::settings::Settings;
use super::slot_ring::{SLOT_CONTENT_BYTES, SlotRing};
use super::work::{Conditions, Progress, Work};

pub(super) const KIND: u8 = 0x50;

/// Profile and keys in flash.
#[derive(Debug)]
pub struct SettingsArea {
    ring: SlotRing,
}

impl SettingsArea {
    /// An area that has not been opened.
    #[must_use]
    pub const fn new() -> Self {
        Self { ring: SlotRing::new(KIND, Area::SETTINGS) }
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

    /// Saves settings in place of those before. One flash operation a call: to be repeated until it says
    /// [`Progress::Done`].
    ///
    /// # Errors
    /// Not ready, or the flash refused; what was saved before is kept.
    #[inline(never)]
    pub fn save<F: NorFlash>(&mut self, flash: &mut F, settings: &Settings) -> Result<Progress, StoreError> {
        self.ring.save(flash, |bytes| settings.encode(bytes))
    }

    /// The settings that were saved last; `None` if there are none.
    ///
    /// # Errors
    /// Not ready, the flash cannot be read, or a newer version has written them: they are kept then.
    #[inline(never)]
    pub fn load<F: NorFlash>(&self, flash: &mut F) -> Result<Option<Settings>, StoreError> {
        let mut bytes = [0; SLOT_CONTENT_BYTES];
        let length = self.ring.load(flash, &mut bytes)?;
        if length == 0 {
            return Ok(None);
        }
        Settings::decode(bytes.get(..length).unwrap_or_default()).map(Some)
    }

    /// The key of the chain, as far as it can be read.
    pub(super) fn chain_key<F: NorFlash>(&self, flash: &mut F) -> Option<Key> {
        self.load(flash).ok().flatten().and_then(|settings| settings.chain_key)
    }
}

impl Default for SettingsArea {
    fn default() -> Self {
        Self::new()
    }
}
