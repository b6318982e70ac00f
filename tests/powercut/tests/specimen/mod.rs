//! A small store that keeps one number, right or with one of the classic mistakes.
//!
//! Two pages of records of 32 bytes: the number six times, the generation of the page, a CRC-32 of all of it. A new
//! record goes behind everything that is not erased, so the last good record of the newest page counts. Opening writes
//! that record once more, because what reads well may be a torn word on a good day. The other page is erased as soon as
//! the newest one holds a record written in this life, so there is always a page to go on in.

use embedded_storage::nor_flash::{NorFlash as _, ReadNorFlash as _};
use powercut::{SharedFlash, SimError, Subject};

const STRIDE: usize = 32;

/// What the store does wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Mistake {
    None,
    /// The sequence number and its check are written before the number.
    CommitBeforePayload,
    /// Whatever has a sequence number is believed.
    NoChecksum,
    /// The next record goes right after the newest good one, onto a torn one.
    ReusesTornSlot,
    /// The page with the only copy is erased before the new one is written.
    ErasesOnlyCopy,
    /// What reads well at boot is believed and left where it is.
    BelievesOneReading,
    /// Acknowledged when it is in RAM.
    AcknowledgesEarly,
    /// An odd page is an error to the user.
    GivesUp,
}

#[derive(Debug)]
pub(crate) enum Fault {
    Flash,
    Damaged,
}

impl From<SimError> for Fault {
    fn from(_: SimError) -> Self {
        Self::Flash
    }
}

pub(crate) struct Specimen<const WORD: usize, const PAGE: usize>(pub(crate) Mistake);

pub(crate) struct Opened<const WORD: usize, const PAGE: usize> {
    flash: SharedFlash<WORD, PAGE>,
    generation: u32,
    value: u32,
    page: usize,
    next_slot: usize,
    waiting: Option<u32>,
}

fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |crc: u32, _| (crc >> 1) ^ (0xEDB8_8320 & (crc & 1).wrapping_neg()))
    })
}

fn offset<const PAGE: usize>(page: usize, slot: usize) -> u32 {
    u32::try_from(page * PAGE + slot * STRIDE).expect("test flashes are small")
}

fn number(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four bytes"))
}

/// What one page holds.
#[derive(Clone, Copy, Default)]
struct Page {
    /// Generation, value and slot of the last good record.
    last: Option<(u32, u32, usize)>,
    /// Slots up to the last one that is not erased.
    used_slots: usize,
}

impl<const WORD: usize, const PAGE: usize> Specimen<WORD, PAGE> {
    const SLOTS: usize = PAGE / STRIDE;

    fn check(&self, record: &[u8; STRIDE]) -> u32 {
        let covered = if self.0 == Mistake::CommitBeforePayload { &record[24..28] } else { &record[..28] };
        crc32(covered)
    }

    fn is_good(&self, record: &[u8; STRIDE]) -> bool {
        match self.0 {
            Mistake::NoChecksum => number(record, 24) != u32::MAX,
            _ => number(record, 28) == self.check(record),
        }
    }

    fn scan(&self, flash: &mut SharedFlash<WORD, PAGE>, page: usize) -> Result<Page, Fault> {
        let mut found = Page::default();
        for slot in 0..Self::SLOTS {
            let mut record = [0; STRIDE];
            flash.read(offset::<PAGE>(page, slot), &mut record)?;
            if record == [0xFF; STRIDE] {
                continue;
            }
            found.used_slots = slot + 1;
            if self.is_good(&record) {
                found.last = Some((number(&record, 24), number(&record, 0), slot));
            }
        }
        if self.0 == Mistake::GivesUp && found.last.is_none() && found.used_slots > 0 {
            return Err(Fault::Damaged);
        }
        Ok(found)
    }

    fn put(&self, store: &mut Opened<WORD, PAGE>, value: u32) -> Result<(), Fault> {
        let mut record = [0; STRIDE];
        for number in record[..24].chunks_exact_mut(4) {
            number.copy_from_slice(&value.to_le_bytes());
        }
        record[24..28].copy_from_slice(&store.generation.to_le_bytes());
        let check = self.check(&record);
        record[28..].copy_from_slice(&check.to_le_bytes());
        let at = offset::<PAGE>(store.page, store.next_slot);
        if self.0 == Mistake::CommitBeforePayload {
            store.flash.write(at + 24, &record[24..])?;
            store.flash.write(at, &record[..24])?;
        } else {
            store.flash.write(at, &record)?;
        }
        store.value = value;
        store.next_slot += 1;
        Ok(())
    }

    fn clear(&self, store: &mut Opened<WORD, PAGE>, page: usize) -> Result<(), Fault> {
        if self.scan(&mut store.flash, page).is_ok_and(|found| found.used_slots == 0) {
            return Ok(());
        }
        store.flash.erase(offset::<PAGE>(page, 0), offset::<PAGE>(page + 1, 0))?;
        Ok(())
    }

    /// Writes `value` where there is room, and leaves the other page erased.
    fn write(&self, store: &mut Opened<WORD, PAGE>, value: u32) -> Result<(), Fault> {
        if store.next_slot >= Self::SLOTS {
            if self.0 == Mistake::ErasesOnlyCopy {
                self.clear(store, store.page)?;
            }
            store.page = 1 - store.page;
            self.clear(store, store.page)?;
            store.next_slot = 0;
            store.generation = store.generation.wrapping_add(1);
        }
        self.put(store, value)?;
        self.clear(store, 1 - store.page)
    }
}

impl<const WORD: usize, const PAGE: usize> Subject<WORD, PAGE> for Specimen<WORD, PAGE> {
    type Store = Opened<WORD, PAGE>;
    type Op = u32;
    type State = u32;
    type Error = Fault;

    fn open(&self, mut flash: SharedFlash<WORD, PAGE>) -> Result<Self::Store, Fault> {
        let pages = [self.scan(&mut flash, 0)?, self.scan(&mut flash, 1)?];
        let generation = |page: usize| pages[page].last.map(|(generation, ..)| generation);
        let page = usize::from(generation(1) > generation(0));
        let mut store = Opened { flash, generation: 0, value: 0, page, next_slot: Self::SLOTS, waiting: None };
        if let Some((generation, value, slot)) = pages[page].last {
            let next_slot = if self.0 == Mistake::ReusesTornSlot { slot + 1 } else { pages[page].used_slots };
            (store.generation, store.value, store.next_slot) = (generation, value, next_slot);
        }
        if self.0 != Mistake::BelievesOneReading || generation(page).is_none() {
            let value = store.value;
            self.write(&mut store, value)?;
        }
        Ok(store)
    }

    fn apply(&self, store: &mut Self::Store, op: &u32) -> Result<(), Fault> {
        let value = if self.0 == Mistake::AcknowledgesEarly { store.waiting.replace(*op) } else { Some(*op) };
        value.map_or(Ok(()), |value| self.write(store, value))
    }

    fn read_back(&self, store: &mut Self::Store) -> Result<u32, Fault> {
        Ok(store.waiting.unwrap_or(store.value))
    }

    fn expected(&self, _: &u32, op: &u32) -> u32 {
        *op
    }
}
