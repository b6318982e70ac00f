//! The areas of a region together.

use embedded_storage::nor_flash::NorFlash;

use crate::ledger::hours::Totals;

use super::error::StoreError;
use super::hours_area::HoursArea;
use super::journal::Journal;
use super::layout::Area;
use super::slots::LearnedArea;
use super::work::{Conditions, Work};

/// Hours, learned state and journal in one region of flash.
///
/// [`Store::open`] reads; from then on [`Store::service`] is to be called at least twice a second, and as often as it has
/// something to do.
#[derive(Debug, Default)]
pub struct Store {
    /// Running hours.
    pub hours: HoursArea,
    /// What was learned.
    pub learned: LearnedArea,
    /// What happened.
    pub journal: Journal,
    /// The area that has its turn next: one that fails must not keep the others waiting.
    turn: u8,
}

impl Store {
    const AREAS: u8 = 3;

    /// A store that has not been opened.
    #[must_use]
    pub const fn new() -> Self {
        Self { hours: HoursArea::new(), learned: LearnedArea::new(), journal: Journal::new(), turn: 0 }
    }

    /// Reads the region that begins `start` bytes into the part; writes nothing.
    ///
    /// # Errors
    /// The part cannot hold the region, or nothing can be read of an area. The areas before it are open then: hours
    /// first, then learned state, then the journal.
    pub fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32) -> Result<(), StoreError> {
        let at = |area: Area| start.saturating_add(area.start);
        let learned = self.learned.open(flash, at(Area::LEARNED));
        let boot = self.learned.boot();
        self.hours.open(flash, at(Area::HOURS), boot)?;
        learned?;
        self.journal.open(flash, at(Area::JOURNAL), boot)
    }

    /// Whether the first acts after power-up are done in every area.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.hours.is_ready() && self.learned.is_ready() && self.journal.is_ready()
    }

    /// Number of this power-up, from 1.
    #[must_use]
    pub const fn boot(&self) -> u32 {
        self.learned.boot()
    }

    /// Places of all areas that held something and could not be read at the last opening.
    #[must_use]
    pub const fn damaged(&self) -> u16 {
        self.hours.damaged().saturating_add(self.learned.damaged()).saturating_add(self.journal.damaged())
    }

    /// Does the next thing that is to be done in any area, with one flash operation at most; hours come first.
    ///
    /// # Errors
    /// The flash refused. Nothing that was acknowledged is lost; the next call goes on with the next area.
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
                _ => self.journal.service(flash, conditions)?,
            };
            if work != Work::Nothing {
                self.turn = 0;
                return Ok(work);
            }
        }
        Ok(Work::Nothing)
    }
}
