//! The slots of learned state under power cuts.

#[allow(dead_code, reason = "each test uses its part of it")]
mod store_common;

use monitor_core::ledger::store::{LEARNED_BYTES, LearnedArea, Operation, Progress, StoreError, Work, learned_is_due};
use powercut::{Plan, Report, Scenario, SharedFlash, SimFlash, Subject, exhaust};
use store_common::{RUNNING, STANDING};

/// Saves so many bytes of this value.
#[derive(Debug, Clone, Copy)]
struct Save(u8, usize);

struct Learned;

struct Open<const WORD: usize, const PAGE: usize> {
    area: LearnedArea,
    flash: SharedFlash<WORD, PAGE>,
}

impl<const WORD: usize, const PAGE: usize> Subject<WORD, PAGE> for Learned {
    type Store = Open<WORD, PAGE>;
    type Op = Save;
    type State = Vec<u8>;
    type Error = StoreError;

    fn open(&self, mut flash: SharedFlash<WORD, PAGE>) -> Result<Self::Store, StoreError> {
        let mut area = LearnedArea::new();
        area.open(&mut flash, 0)?;
        while !area.is_ready() {
            let _ = area.service(&mut flash, RUNNING)?;
        }
        Ok(Open { area, flash })
    }

    fn apply(&self, store: &mut Self::Store, &Save(value, length): &Save) -> Result<(), StoreError> {
        let fill = |bytes: &mut [u8]| {
            bytes[..length].fill(value);
            length
        };
        while store.area.save(&mut store.flash, fill)? == Progress::Again {}
        Ok(())
    }

    fn read_back(&self, store: &mut Self::Store) -> Result<Vec<u8>, StoreError> {
        let mut bytes = [0; LEARNED_BYTES];
        let length = store.area.load(&mut store.flash, &mut bytes)?;
        Ok(bytes[..length].to_vec())
    }

    fn expected(&self, _before: &Vec<u8>, &Save(value, length): &Save) -> Vec<u8> {
        vec![value; length]
    }
}

fn filled<const WORD: usize, const PAGE: usize>(saves: u8) -> (SimFlash<WORD, PAGE>, Vec<u8>) {
    let flash = SharedFlash::new(SimFlash::<WORD, PAGE>::new(16_384 / PAGE));
    let mut store = Learned.open(flash.clone()).unwrap();
    for number in 0..saves {
        Learned.apply(&mut store, &Save(number, 100)).unwrap();
    }
    let state = Learned.read_back(&mut store).unwrap();
    (flash.image(), state)
}

fn cut_everywhere<const WORD: usize, const PAGE: usize>(saves: u8, ops: &[Save], plan: &Plan) -> Report {
    let (start, state) = filled::<WORD, PAGE>(saves);
    exhaust(&Learned, &Scenario { start, state, ops: ops.to_vec(), reboot_every: 2 }, plan)
}

#[test]
fn every_cut_leaves_what_was_saved_last() {
    let once = Plan { second_cut: false, third_cuts: 0, ..Plan::default() };
    // On an erased part, inside a sector, at its end (the slot after power-up takes one), and once around.
    let mut report = cut_everywhere::<16, 4096>(0, &[Save(0xA5, 300)], &once);
    report.merge(&cut_everywhere::<16, 2048>(3, &[Save(0x5A, LEARNED_BYTES)], &once));
    report.merge(&cut_everywhere::<16, 4096>(6, &[Save(0, 1)], &once));
    report.merge(&cut_everywhere::<8, 1024>(30, &[Save(1, 0)], &once));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 1_000, "{report}");
}

#[test]
#[ignore = "minutes; run with --release"]
fn every_second_cut_leaves_what_was_saved_last() {
    let plan = Plan { third_cuts: 0, ..Plan::default() };
    let mut report = cut_everywhere::<16, 4096>(0, &[Save(0xA5, 300)], &plan);
    report.merge(&cut_everywhere::<16, 2048>(30, &[Save(0x11, 20)], &plan));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 100_000, "{report}");
}

#[test]
fn golden_bytes_of_a_slot() {
    let flash = SharedFlash::new(SimFlash::<8, 4096>::new(4));
    let mut store = Learned.open(flash.clone()).unwrap();
    Learned.apply(&mut store, &Save(0xA5, 3)).unwrap();
    let image = flash.image();
    let first = &image.bytes()[..512];
    assert_eq!(first[..12], [0x4C, 1, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0], "empty, position 0, boot 1");
    let second = &image.bytes()[512..1_024];
    assert_eq!(second[..16], [0x4C, 1, 3, 0, 1, 0, 0, 0, 1, 0, 0, 0, 0xA5, 0xA5, 0xA5, 0xFF]);
    assert!(second[16..508].iter().all(|byte| *byte == 0xFF));
    assert_eq!(second[508..], [0xC7, 0x68, 0x2B, 0x77], "CRC by another implementation");
}

#[test]
fn power_ups_are_counted_and_one_call_is_one_operation() {
    let mut flash = SimFlash::<4, 1024>::new(16);
    for boot in 1..=40 {
        let mut area = LearnedArea::new();
        area.open(&mut flash, 0).unwrap();
        assert_eq!(area.boot(), boot);
        loop {
            let before = flash.counts();
            let work = area.service(&mut flash, STANDING).unwrap();
            let spent = flash.counts().since(&before);
            let expected = match work {
                Work::Nothing | Work::Looked => (0, 0),
                Work::Wrote => (128, 0),
                Work::Erased => (0, 1),
            };
            assert_eq!((spent.word_writes, spent.erases), expected, "boot {boot}");
            if work == Work::Nothing {
                break;
            }
        }
        assert!(area.is_ready());
    }
}

#[test]
fn what_cannot_be_done_is_refused_and_said() {
    let mut flash = SimFlash::<4, 1024>::new(16);
    let mut area = LearnedArea::new();
    assert_eq!(area.save(&mut flash, |_| 1), Err(StoreError::NotReady), "not opened");
    area.open(&mut flash, 0).unwrap();
    assert_eq!(area.load(&mut flash, &mut [0; 8]), Err(StoreError::NotReady), "the first act is not done");
    while !area.is_ready() {
        let _ = area.service(&mut flash, RUNNING).unwrap();
    }
    while area.save(&mut flash, |_| 9).unwrap() == Progress::Again {}
    assert_eq!(area.load(&mut flash, &mut [0; 8]), Err(StoreError::TooLong { room: 8 }));

    flash.cut_at(0, powercut::Tear::Prefix, 0);
    let dead = area.open(&mut flash, 0).unwrap_err();
    assert!(matches!(dead, StoreError::Flash { operation: Operation::Read, .. }), "{dead}");
}

#[test]
fn saving_is_due_after_five_minutes_or_two_when_the_engine_stands() {
    let cases = [(299, true, false), (300, true, true), (119, false, false), (120, false, true)];
    for (age, runs, due) in cases {
        assert_eq!(learned_is_due(age, runs), due, "{age} s, runs {runs}");
    }
}
