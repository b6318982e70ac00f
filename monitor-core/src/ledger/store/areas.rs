//! The areas of a region together.

use embedded_storage::nor_flash::NorFlash;

use crate::ledger::hours::Totals;

use super::error::StoreError;
use super::hours_area::HoursArea;
use super::journal::Journal;
use super::layout::Area;
use super::learned::LearnedArea;
use super::settings_area::SettingsArea;
use super::snapshot_area::SnapshotArea;
use super::work::{Conditions, Work};

/// Hours, learned state, settings, snapshots and journal in one region of flash.
///
/// [`Store::open`] reads; from then on [`Store::service`] is to be called at least twice a second, and as often as it has
/// something to do.
#[derive(Debug, Default)]
pub struct Store {
    /// Running hours.
    pub hours: HoursArea,
    /// What was learned.
    pub learned: LearnedArea,
    /// Profile and keys.
    pub settings: SettingsArea,
    /// The minutes around alarms and warnings.
    pub snapshots: SnapshotArea,
    /// What happened.
    pub journal: Journal,
    /// The area that has its turn next: one that fails must not keep the others waiting.
    turn: u8,
    /// Whether the key of the chain was asked for since the settings are ready.
    key_is_taken: bool,
}

impl Store {
    const AREAS: u8 = 5;

    /// A store that has not been opened.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            hours: HoursArea::new(),
            learned: LearnedArea::new(),
            settings: SettingsArea::new(),
            snapshots: SnapshotArea::new(),
            journal: Journal::new(),
            turn: 0,
            key_is_taken: false,
        }
    }

    /// Reads the region that begins `start` bytes into the part; writes nothing. Every area is opened, whatever becomes
    /// of the others.
    ///
    /// # Errors
    /// The part cannot hold the region, or nothing can be read of an area; the others work all the same. The first such
    /// area is named, in the order learned state, hours, settings, snapshots, journal.
    #[inline(never)]
    pub fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32) -> Result<(), StoreError> {
        self.key_is_taken = false;
        let at = |area: Area| start.saturating_add(area.start);
        let learned = self.learned.open(flash, at(Area::LEARNED));
        let boot = self.learned.boot();
        let hours = self.hours.open(flash, at(Area::HOURS), boot);
        let settings = self.settings.open(flash, at(Area::SETTINGS));
        let snapshots = self.snapshots.open(flash, at(Area::SNAPSHOTS), boot);
        let journal = self.journal.open(flash, at(Area::JOURNAL), boot);
        learned.and(hours).and(settings).and(snapshots).and(journal)
    }

    /// Takes the chain key from the settings, after they were saved.
    pub fn take_chain_key<F: NorFlash>(&mut self, flash: &mut F) {
        self.key_is_taken = true;
        self.journal.use_key(self.settings.chain_key(flash));
    }

    /// The settings were saved: the key in them is taken by the next call of [`Store::service`].
    pub(crate) const fn settings_changed(&mut self) {
        self.key_is_taken = false;
    }

    /// Whether the first acts after power-up are done in every area.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.hours.is_ready()
            && self.learned.is_ready()
            && self.settings.is_ready()
            && self.snapshots.is_ready()
            && self.journal.is_ready()
    }

    /// Number of this power-up, from 1.
    #[must_use]
    pub const fn boot(&self) -> u32 {
        self.learned.boot()
    }

    /// Places of all areas that held something and could not be read at the last opening.
    #[must_use]
    pub const fn damaged(&self) -> u16 {
        let kept = self.hours.damaged().saturating_add(self.learned.damaged()).saturating_add(self.settings.damaged());
        kept.saturating_add(self.snapshots.damaged()).saturating_add(self.journal.damaged())
    }

    /// Does the next thing that is to be done in any area, with one flash operation at most; hours come first.
    ///
    /// # Errors
    /// The flash refused. Nothing that was acknowledged is lost; the next call goes on with the next area.
    #[inline(never)]
    pub fn service<F: NorFlash>(
        &mut self,
        flash: &mut F,
        hours: &Totals,
        conditions: Conditions,
    ) -> Result<Work, StoreError> {
        for _ in 0..Self::AREAS {
            let turn = self.turn;
            self.turn = if turn.saturating_add(1) >= Self::AREAS { 0 } else { turn.saturating_add(1) };
            let work = match turn {
                0 => self.hours.service(flash, hours, conditions)?,
                1 => self.learned.service(flash, conditions)?,
                2 => self.service_settings(flash, conditions)?,
                3 => self.snapshots.service(flash, conditions)?,
                _ => self.journal.service(flash, conditions)?,
            };
            if work != Work::Nothing {
                self.turn = 0;
                return Ok(work);
            }
        }
        Ok(Work::Nothing)
    }

    /// Only once the settings are ready their key is sure. They have their turn before the journal, so that what it writes
    /// first is tagged already.
    fn service_settings<F: NorFlash>(&mut self, flash: &mut F, conditions: Conditions) -> Result<Work, StoreError> {
        if self.settings.is_ready() && !self.key_is_taken {
            self.take_chain_key(flash);
            return Ok(Work::Looked);
        }
        self.settings.service(flash, conditions)
    }
}
