//! The areas of one region together.

#[allow(dead_code, reason = "each test uses its part of it")]
mod store_common;

use embedded_storage::nor_flash::{ErrorType, NorFlash, ReadNorFlash};
use monitor_core::ledger::Totals;
use monitor_core::ledger::store::{NewRecord, Operation, Progress, Store, StoreError, Work};
use powercut::{SimError, SimFlash};
use store_common::{RUNNING, STANDING};

const ENTRY: NewRecord = NewRecord::Hole { seconds: 7 };

fn settle<F: NorFlash>(store: &mut Store, flash: &mut F, hours: &Totals) {
    while store.service(flash, hours, STANDING).unwrap() != Work::Nothing || !store.is_ready() {}
}

#[test]
fn everything_comes_back_wherever_the_region_lies() {
    for start in [0, 4_096, 65_536] {
        let mut flash = SimFlash::<8, 2048>::new(72);
        let hours = Totals { running_ms: [1_000, 0, 0, 0, 5_000, 0, 0], starts: 1, ..Totals::NONE };
        let mut store = Store::new();
        store.open(&mut flash, start).unwrap();
        settle(&mut store, &mut flash, &hours);
        while store
            .learned
            .save(&mut flash, |bytes| {
                bytes[..4].fill(9);
                4
            })
            .unwrap()
            == Progress::Again
        {}
        while store.journal.append(&mut flash, 0, &ENTRY).unwrap() == Progress::Again {}

        let mut again = Store::default();
        again.open(&mut flash, start).unwrap();
        settle(&mut again, &mut flash, &Totals::NONE);
        let mut learned = [0; 8];
        assert_eq!((store.boot(), again.boot(), again.damaged()), (1, 2, 0));
        assert_eq!(again.hours.saved(), Some(hours));
        assert_eq!(again.learned.load(&mut flash, &mut learned), Ok(4));
        assert_eq!(learned, [9, 9, 9, 9, 0, 0, 0, 0]);
        assert_eq!(again.journal.tally(&mut flash).unwrap().others, 1);
        assert_eq!(flash.breach(), None);
    }
}

#[test]
fn one_call_is_one_operation_in_all_areas_together() {
    let mut flash = SimFlash::<4, 4096>::new(16);
    let mut store = Store::new();
    store.open(&mut flash, 0).unwrap();
    assert_eq!(flash.counts().units, 0, "opening only reads");
    let mut hours = Totals::NONE;
    for second in 0..5_000 {
        hours.running_ms[second % 7] += 1_000;
        let before = flash.counts();
        let work = store.service(&mut flash, &hours, if second % 500 < 450 { RUNNING } else { STANDING }).unwrap();
        let spent = flash.counts().since(&before);
        let operations = match work {
            Work::Nothing | Work::Looked => spent.units == 0,
            Work::Wrote => spent.erases == 0 && [4, 8, 20, 128].contains(&spent.word_writes),
            Work::Erased => spent.erases == 1 && spent.word_writes == 0,
        };
        assert!(operations, "second {second}: {work:?} {spent:?}");
    }
}

/// A part in which some sectors are worn out: they cannot be erased or written. And one write may come out wrong without
/// a word.
struct Worn {
    flash: SimFlash<8, 4096>,
    from: u32,
    to: u32,
    writes_until_wrong: usize,
}

impl ErrorType for Worn {
    type Error = SimError;
}

impl ReadNorFlash for Worn {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), SimError> {
        self.flash.read(offset, bytes)
    }

    fn capacity(&self) -> usize {
        self.flash.capacity()
    }
}

impl NorFlash for Worn {
    const WRITE_SIZE: usize = 8;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), SimError> {
        if (self.from..self.to).contains(&from) { Err(SimError::PowerLost) } else { self.flash.erase(from, to) }
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), SimError> {
        self.writes_until_wrong = self.writes_until_wrong.wrapping_sub(1);
        if self.writes_until_wrong == 0 {
            let mut wrong = bytes.to_vec();
            wrong[bytes.len() / 2] ^= 0x10;
            return self.flash.write(offset, &wrong);
        }
        if (self.from..self.to).contains(&offset) { Err(SimError::PowerLost) } else { self.flash.write(offset, bytes) }
    }
}

#[test]
fn an_area_that_fails_does_not_keep_the_others_waiting() {
    let hours = Totals { running_ms: [60_000; 7], ..Totals::NONE };
    let cases =
        [("hours", 0, 8_192), ("learned", 8_192, 24_576), ("journal", 32_768, 57_344), ("settings", 57_344, 65_536)];
    for (worn, from, to) in cases {
        let mut flash = Worn { flash: SimFlash::new(16), from: 0, to: 0, writes_until_wrong: 0 };
        let mut store = Store::new();
        store.open(&mut flash, 0).unwrap();
        settle(&mut store, &mut flash, &Totals::NONE);
        while store.journal.append(&mut flash, 0, &ENTRY).unwrap() == Progress::Again {}

        (flash.from, flash.to) = (from, to);
        store.open(&mut flash, 0).unwrap();
        let mut errors = 0;
        for _ in 0..400 {
            match store.service(&mut flash, &hours, RUNNING) {
                Ok(_) => {}
                Err(StoreError::Flash { operation, offset, .. }) => {
                    assert!(operation != Operation::Read && (from..to).contains(&offset), "{worn}: {offset:#x}");
                    errors += 1;
                }
                Err(other) => panic!("{worn}: {other}"),
            }
        }
        assert!(errors > 0, "{worn}: an area that cannot be written says so");
        let ready =
            [store.hours.is_ready(), store.learned.is_ready(), store.journal.is_ready(), store.settings.is_ready()];
        assert_eq!(ready, ["hours", "learned", "journal", "settings"].map(|name| name != worn), "{worn}");
        assert_eq!(store.hours.saved() == Some(hours), worn != "hours", "{worn}");
    }
}

#[test]
fn a_write_that_came_out_wrong_is_done_again() {
    let hours = Totals { running_ms: [60_000; 7], ..Totals::NONE };
    let mut wrong_ones = 0;
    // Hours: header, first record, mark, seven bands; learned: first act, save; journal: first act, entry.
    for writes_until_wrong in 1..=14 {
        let mut flash = Worn { flash: SimFlash::new(16), from: 0, to: 0, writes_until_wrong };
        let mut store = Store::new();
        store.open(&mut flash, 0).unwrap();
        settle(&mut store, &mut flash, &Totals::NONE);
        settle(&mut store, &mut flash, &hours);
        while store.learned.save(&mut flash, |bytes| usize::from(bytes.starts_with(&[0xFF]))).unwrap()
            == Progress::Again
        {}
        while store.journal.append(&mut flash, 0, &ENTRY).unwrap() == Progress::Again {}

        store.open(&mut flash, 0).unwrap();
        wrong_ones += store.damaged();
        settle(&mut store, &mut flash, &Totals::NONE);
        assert_eq!(store.hours.saved(), Some(hours), "write {writes_until_wrong}");
        assert_eq!(store.learned.load(&mut flash, &mut [0; 4]), Ok(1), "write {writes_until_wrong}");
        assert_eq!(store.journal.tally(&mut flash).unwrap().others, 1, "write {writes_until_wrong}");
        assert_eq!(flash.flash.breach(), None, "write {writes_until_wrong}");
    }
    assert_eq!(wrong_ones, 13, "all but the header, whose sector is erased again, are still there to be counted");
}

#[test]
fn ram() {
    let bytes = core::mem::size_of::<Store>();
    println!(
        "store {bytes} bytes: hours {}, learned {}, journal {}",
        core::mem::size_of::<monitor_core::ledger::store::HoursArea>(),
        core::mem::size_of::<monitor_core::ledger::store::LearnedArea>(),
        core::mem::size_of::<monitor_core::ledger::store::Journal>(),
    );
    assert!(bytes <= 448, "{bytes} bytes");
}
