//! The hours: what has run is on flash within ten seconds, and never goes back.
//!
//! Two sectors take turns. A sector begins with a header that holds every counter in full; records follow, each with
//! the sums of one band since that header. When a sector is full, the other one gets a header with the new totals.
//!
//! What keeps it whole when the power goes at any moment:
//!
//! - A new sector counts only once a record stands behind its header. That record is written after the header was
//!   acknowledged, and the old sector is erased only after the record was acknowledged in turn. So a sector without
//!   records can be thrown away: the old one is still whole.
//! - A record whose word was cut short may read well now and badly later, or the other way round. So the first act at
//!   power-up is to write the newest record that reads well once more, with its own ordinal. Reading goes backwards
//!   from the last slot and takes a record only if its ordinal is lower than that of the one taken before: the copy
//!   counts, and everything between it and its original is passed over for good, however well it reads one day.
//! - An erased sector is believed to be erased only if a record of the sector in use says so, which is written after
//!   the erase was done, and only as long as no header can have been tried on it: that is tried on a full sector only.

use embedded_storage::nor_flash::NorFlash;

use crate::ledger::hours::{Hours, Totals};

use super::error::StoreError;
use super::flash::{Look, SectorErase, Sight, check_geometry, look, look_into, reads_back, unreadable, write};
use super::hours_record::{Base, HEADER_BYTES, Header, Other, RECORD_BYTES, Record, Since, Told};
use super::layout::{Area, SECTOR_BYTES, sector_at};
use super::work::{Conditions, Work};

/// Records that fit behind the header of a sector.
const SLOTS: u16 = 251;

const _: () = assert!(HEADER_BYTES + SLOTS as usize * RECORD_BYTES == SECTOR_BYTES as usize);

/// Running that is not saved yet, in milliseconds, at which a checkpoint is due.
pub const CHECKPOINT_MS: u64 = 9_000;

/// Where the area stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    /// Not opened.
    Closed,
    /// Opened; the newest record is to be written once more.
    Repeat,
    /// The sector in use is full, or there is none: the other one is to get a header.
    Header,
    /// The other sector has its header and waits for its first record.
    FirstRecord,
    /// Open for checkpoints.
    Ready,
}

/// Running hours in flash.
#[derive(Debug)]
pub struct HoursArea {
    phase: Phase,
    /// Where the area begins in the part, in bytes.
    start: u32,
    /// The sector in use, and its number.
    sector: u8,
    sector_number: u32,
    /// The first slot that has not been written.
    fresh: u16,
    ordinal: u8,
    /// Band and other counter of the newest record.
    newest: (u8, Other),
    other_sector: SectorErase,
    /// Whether a record says that the other sector is erased.
    erase_is_noted: bool,
    boot: u16,
    damaged: u16,
    /// Totals of the header.
    base: Base,
    /// What the records add to them.
    since: Since,
}

impl HoursArea {
    /// An area that has not been opened.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            phase: Phase::Closed,
            start: 0,
            sector: 0,
            sector_number: 0,
            fresh: SLOTS,
            ordinal: 0,
            newest: (0, Other::OverSpeed),
            other_sector: SectorErase::not_begun(),
            erase_is_noted: false,
            boot: 0,
            damaged: 0,
            base: Base::NONE,
            since: Since::NONE,
        }
    }

    /// Reads the area that begins `start` bytes into the part; writes nothing. `boot` counts power-ups.
    ///
    /// # Errors
    /// The part cannot hold the area, or the flash cannot be read where no hours are found: nothing is written then, a later attempt may find them.
    #[inline(never)]
    pub fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32, boot: u32) -> Result<(), StoreError> {
        check_geometry(flash, start, Area::HOURS.length)?;
        *self = Self { start, boot: low_16(boot), ..Self::new() };
        let (newer, older) = match [self.header(flash, 0)?, self.header(flash, 1)?] {
            // Nothing can be read at all: the part does not answer. To begin anew would erase what it still holds.
            [Found::Unreadable, Found::Unreadable] => return Err(unreadable(start)),
            [Found::Number(first), Found::Number(second)] if first > second => (0, Some(1)),
            [Found::Number(_), Found::Number(_)] => (1, Some(0)),
            [Found::Number(_), _] => (0, None),
            [_, Found::Number(_)] => (1, None),
            _ => {
                // The header goes to the other sector, so an empty area begins with its first one.
                self.sector = 1;
                self.phase = Phase::Header;
                return Ok(());
            }
        };
        let found = self.take(flash, newer)?;
        if !found {
            if let Some(older) = older {
                self.take(flash, older)?;
                self.other_sector = SectorErase::not_begun();
            } else {
                self.fresh = SLOTS;
            }
        }
        if self.fresh >= SLOTS {
            self.other_sector = SectorErase::not_begun();
        }
        self.erase_is_noted = self.other_sector.is_finished();
        self.phase = Phase::Repeat;
        Ok(())
    }

    /// Whether the first acts after power-up are done.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        matches!(self.phase, Phase::Ready)
    }

    /// What is saved; `None` until the first acts after power-up are done, because until then it might still change.
    #[must_use]
    pub fn saved(&self) -> Option<Totals> {
        self.is_ready().then(|| self.known())
    }

    /// Places that held something and could not be read at the last opening.
    #[must_use]
    pub const fn damaged(&self) -> u16 {
        self.damaged
    }

    /// Does the next thing that is to be done, with one flash operation at most: the first acts after power-up, a
    /// checkpoint of `hours` if one is due, or erasing ahead while the engine stands. To be called until it says
    /// [`Work::Nothing`], at least twice a second.
    ///
    /// # Errors
    /// The flash refused. Nothing that was saved is lost; the next call tries again at a fresh place.
    #[inline(never)]
    pub fn service<F: NorFlash>(
        &mut self,
        flash: &mut F,
        hours: &Totals,
        conditions: Conditions,
    ) -> Result<Work, StoreError> {
        if !conditions.supply_is_good {
            return Ok(Work::Nothing);
        }
        match self.phase {
            Phase::Closed => Ok(Work::Nothing),
            Phase::Repeat if self.fresh < SLOTS => {
                let since = self.since;
                self.write_record(flash, &since, self.newest, self.ordinal)?;
                self.phase = Phase::Ready;
                Ok(Work::Wrote)
            }
            Phase::Repeat | Phase::Header => self.begin_sector(flash, hours),
            Phase::FirstRecord => {
                self.write_record(flash, &Since::NONE, (0, Other::OverSpeed), 0)?;
                self.phase = Phase::Ready;
                Ok(Work::Wrote)
            }
            Phase::Ready => self.service_ready(flash, hours, conditions),
        }
    }

    #[inline(never)]
    fn service_ready<F: NorFlash>(
        &mut self,
        flash: &mut F,
        hours: &Totals,
        conditions: Conditions,
    ) -> Result<Work, StoreError> {
        if let Some(what) = self.due(hours, conditions) {
            return self.checkpoint(flash, hours, what);
        }
        if conditions.engine_runs {
            return Ok(Work::Nothing);
        }
        if !self.other_sector.is_finished() {
            let other = sector_at(self.start, self.other());
            self.other_sector.step(flash, other)?;
            return Ok(Work::Erased);
        }
        if !self.erase_is_noted && self.fresh < SLOTS {
            self.next_ordinal();
            let since = self.since;
            self.write_record(flash, &since, self.newest, self.ordinal)?;
            return Ok(Work::Wrote);
        }
        Ok(Work::Nothing)
    }

    /// What a checkpoint is to carry, if one is due: the band and the other counter that are furthest ahead.
    #[inline(never)]
    fn due(&self, hours: &Totals, conditions: Conditions) -> Option<(u8, Other)> {
        let mut ahead = *hours;
        self.base.take_from(&mut ahead);
        self.since.take_from(&mut ahead);
        let is_due = ahead.all_running_ms() >= CHECKPOINT_MS || (!conditions.engine_runs && ahead != Totals::NONE);
        let other = Other::ALL.into_iter().max_by_key(|other| other.of(&ahead)).unwrap_or(Other::OverSpeed);
        is_due.then(|| (furthest_ahead(&ahead.running_ms), other))
    }

    #[inline(never)]
    fn checkpoint<F: NorFlash>(
        &mut self,
        flash: &mut F,
        hours: &Totals,
        what: (u8, Other),
    ) -> Result<Work, StoreError> {
        if self.fresh >= SLOTS {
            return self.begin_sector(flash, hours);
        }
        let target = self.target(hours);
        self.next_ordinal();
        self.write_record(flash, &target, what, self.ordinal)?;
        Ok(Work::Wrote)
    }

    /// What is to be counted since the header.
    #[inline(never)]
    fn target(&self, hours: &Totals) -> Since {
        let mut gained = *hours;
        self.base.take_from(&mut gained);
        let mut target = Since::of(&gained);
        target.raise_to(&self.since);
        target
    }

    /// What the next header is to say.
    #[inline(never)]
    fn next_base(&self, hours: &Totals) -> Base {
        let mut totals = self.known();
        totals.raise_to(hours);
        Base::of(&totals)
    }

    /// Erases what is left to erase of the other sector, then writes its header.
    #[inline(never)]
    fn begin_sector<F: NorFlash>(&mut self, flash: &mut F, hours: &Totals) -> Result<Work, StoreError> {
        self.phase = Phase::Header;
        let other = sector_at(self.start, self.other());
        if !self.other_sector.is_finished() {
            self.other_sector.step(flash, other)?;
            return Ok(Work::Erased);
        }
        let sector_number = self.sector_number.saturating_add(1);
        let header = Header { sector_number, base: self.next_base(hours) };
        let bytes = header.encode(self.boot);
        // Whatever becomes of the header, the sector is erased no more.
        self.other_sector = SectorErase::not_begun();
        write(flash, other, &bytes)?;
        if !reads_back(flash, other, &bytes)? {
            return Ok(Work::Wrote);
        }
        self.base = header.base;
        self.since = Since::NONE;
        self.sector = self.other();
        self.sector_number = sector_number;
        self.fresh = 0;
        self.ordinal = 0;
        self.erase_is_noted = false;
        self.phase = Phase::FirstRecord;
        Ok(Work::Wrote)
    }

    /// Writes a record into the next fresh slot. What it carries counts as saved only if it reads back.
    #[inline(never)]
    fn write_record<F: NorFlash>(
        &mut self,
        flash: &mut F,
        since: &Since,
        (band, other): (u8, Other),
        ordinal: u8,
    ) -> Result<(), StoreError> {
        let record = Record::of(since, band, other, ordinal, self.other_sector.is_finished());
        let bytes = record.encode(self.sector_number);
        let place = self.slot(self.sector, self.fresh);
        self.fresh = self.fresh.saturating_add(1);
        write(flash, place, &bytes)?;
        if reads_back(flash, place, &bytes)? {
            record.put_into(&mut self.since);
            self.newest = (band, other);
            self.erase_is_noted = record.next_is_erased;
        }
        Ok(())
    }

    fn next_ordinal(&mut self) {
        self.ordinal = self.ordinal.saturating_add(1);
    }

    const fn other(&self) -> u8 {
        if self.sector == 0 { 1 } else { 0 }
    }

    fn slot(&self, sector: u8, slot: u16) -> u32 {
        let into_sector = u32::from(slot).saturating_mul(16).saturating_add(80);
        sector_at(self.start, sector).saturating_add(into_sector)
    }

    /// What is saved, as far as it is known.
    fn known(&self) -> Totals {
        let mut known = Totals::NONE;
        self.base.add_to(&mut known);
        self.since.add_to(&mut known);
        known
    }

    #[inline(never)]
    fn header<F: NorFlash>(&mut self, flash: &mut F, sector: u8) -> Result<Found, StoreError> {
        let mut bytes = [0; HEADER_BYTES];
        let found = match look_into(flash, sector_at(self.start, sector), &mut bytes)? {
            Sight::Blank => return Ok(Found::Nothing),
            Sight::Bytes => Header::decode(&bytes).map_or(Found::Nothing, |header| Found::Number(header.sector_number)),
            Sight::Unsteady => Found::Nothing,
            Sight::Unreadable => Found::Unreadable,
        };
        if !matches!(found, Found::Number(_)) {
            self.damaged = self.damaged.saturating_add(1);
        }
        Ok(found)
    }

    /// Takes over what the header of a sector says; `false` if it does not read well any more: it was cut short, and no
    /// record stands behind it then.
    #[inline(never)]
    fn take_header<F: NorFlash>(&mut self, flash: &mut F, sector: u8) -> Result<bool, StoreError> {
        let mut bytes = [0; HEADER_BYTES];
        if look_into(flash, sector_at(self.start, sector), &mut bytes)? != Sight::Bytes {
            return Ok(false);
        }
        let Some(header) = Header::decode(&bytes) else { return Ok(false) };
        self.sector = sector;
        self.sector_number = header.sector_number;
        self.base = header.base;
        self.since = Since::NONE;
        Ok(true)
    }

    /// Takes over a sector; `false` if no record stands behind its header.
    #[inline(never)]
    fn take<F: NorFlash>(&mut self, flash: &mut F, sector: u8) -> Result<bool, StoreError> {
        if !self.take_header(flash, sector)? {
            return Ok(false);
        }
        self.fresh = 0;
        self.other_sector = SectorErase::not_begun();
        let mut told = Told::default();
        let mut lowest_ordinal = None;
        for slot in (0..SLOTS).rev() {
            let place = self.slot(sector, slot);
            let record = match look::<F, RECORD_BYTES>(flash, place)? {
                Look::Blank => continue,
                Look::Bytes(bytes) => Record::decode(&bytes, self.sector_number),
                Look::Unsteady | Look::Unreadable => None,
            };
            // One slot more is left out: the word behind the last one may have been cut short and look erased.
            self.fresh = self.fresh.max(slot.saturating_add(2));
            match record {
                Some(record) => self.take_record(&mut lowest_ordinal, &mut told, &record),
                None => self.damaged = self.damaged.saturating_add(1),
            }
        }
        Ok(lowest_ordinal.is_some())
    }

    /// Takes over a record, if it counts, for the counters that no later record has told.
    fn take_record(&mut self, lowest_ordinal: &mut Option<u8>, told: &mut Told, record: &Record) {
        match *lowest_ordinal {
            Some(lowest) if record.ordinal >= lowest => return,
            Some(_) => {}
            None => {
                self.ordinal = record.ordinal;
                self.newest = (record.band, record.other);
            }
        }
        *lowest_ordinal = Some(record.ordinal);
        if record.next_is_erased {
            self.other_sector = SectorErase::finished();
        }
        record.put_untold(&mut self.since, told);
    }
}

/// What stands where a header should be.
#[derive(Debug, Clone, Copy)]
enum Found {
    /// A header, of the sector with this number.
    Number(u32),
    Nothing,
    Unreadable,
}

/// Position of the greatest of some counters; the first of equals.
fn furthest_ahead(ahead: &[u64; Hours::BANDS]) -> u8 {
    let (mut best, mut most) = (0, 0);
    for (band, &ms) in (0..).zip(ahead) {
        if ms > most {
            (best, most) = (band, ms);
        }
    }
    best
}

/// Power-ups are told apart by their low 16 bits.
fn low_16(boot: u32) -> u16 {
    u16::try_from(boot & u32::from(u16::MAX)).unwrap_or(0)
}

impl Default for HoursArea {
    fn default() -> Self {
        Self::new()
    }
}
