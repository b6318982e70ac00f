//! Snapshots in flash: under power cuts, in their ring, with one operation a call.

#[allow(dead_code, reason = "each test uses its part of it")]
mod store_common;

use monitor_core::acquire::Channel;
use monitor_core::finding::Finding;
use monitor_core::ledger::store::{Progress, SnapshotArea, StoreError, Work};
use monitor_core::ledger::{Part, SnapshotHalf, SnapshotRing, Trigger};
use monitor_core::time::Instant;
use powercut::{Plan, Report, Scenario, SharedFlash, SimFlash, Subject, exhaust};
use store_common::{RUNNING, STANDING};

/// The half of that number: two make a snapshot.
fn half(number: u32) -> SnapshotHalf {
    let mut ring = SnapshotRing::new();
    let values = |sample: u32| {
        let raw = i32::try_from((number * 3 + sample) % 200).unwrap();
        Channel::ALL.map(|channel| match channel {
            Channel::Rpm => Some(raw * 160),
            Channel::Supply => Some(12_000),
            Channel::Oil => None,
            _ => Some(raw / 10 * 1_000),
        })
    };
    for sample in 0..16 {
        ring.sample(&values(sample));
    }
    let stamp = Instant::from_millis(i64::from(number) * 64_000);
    assert!(ring.trigger(Trigger { id: number / 2, finding: Finding::StreamLost, trip: 2, stamp }));
    let before = ring.next_half().unwrap();
    if number.is_multiple_of(2) {
        return before;
    }
    ring.half_is_kept(&before);
    for sample in 16..32 {
        ring.sample(&values(sample));
    }
    ring.next_half().unwrap()
}

struct Album;

struct Open<const WORD: usize, const PAGE: usize> {
    area: SnapshotArea,
    flash: SharedFlash<WORD, PAGE>,
}

/// Halves that are there whatever power-ups and cuts cost.
const SHOWN: usize = 20;

#[derive(Debug, Clone, PartialEq, Eq)]
struct State {
    halves: u32,
    newest: Vec<u32>,
}

impl State {
    fn after(halves: u32) -> Self {
        Self { halves, newest: (0..halves).rev().take(SHOWN).collect() }
    }
}

fn numbers<const WORD: usize, const PAGE: usize>(store: &mut Open<WORD, PAGE>) -> Result<Vec<u32>, StoreError> {
    let mut numbers = Vec::new();
    let mut walk = store.area.newest();
    while let Some(found) = store.area.older(&mut store.flash, &mut walk)? {
        let number = found.half.trigger.id * 2 + u32::from(found.half.part == Part::After);
        assert_eq!(found.half, half(number), "as it was written");
        numbers.push(number);
    }
    Ok(numbers)
}

impl<const WORD: usize, const PAGE: usize> Subject<WORD, PAGE> for Album {
    type Store = Open<WORD, PAGE>;
    type Op = ();
    type State = State;
    type Error = StoreError;

    fn open(&self, mut flash: SharedFlash<WORD, PAGE>) -> Result<Self::Store, StoreError> {
        let mut area = SnapshotArea::new();
        area.open(&mut flash, 0, 1)?;
        while area.service(&mut flash, STANDING)? != Work::Nothing {}
        Ok(Open { area, flash })
    }

    fn apply(&self, store: &mut Self::Store, (): &()) -> Result<(), StoreError> {
        let next = numbers(store)?.first().map_or(0, |newest| newest + 1);
        while store.area.append(&mut store.flash, &half(next))? == Progress::Again {}
        Ok(())
    }

    fn read_back(&self, store: &mut Self::Store) -> Result<State, StoreError> {
        let mut newest = numbers(store)?;
        newest.truncate(SHOWN);
        Ok(State { halves: newest.first().map_or(0, |newest| newest + 1), newest })
    }

    fn expected(&self, before: &State, (): &()) -> State {
        State::after(before.halves + 1)
    }
}

fn filled<const WORD: usize, const PAGE: usize>(halves: u32) -> SimFlash<WORD, PAGE> {
    let flash = SharedFlash::new(SimFlash::<WORD, PAGE>::new(8_192 / PAGE));
    let mut store = Album.open(flash.clone()).unwrap();
    for number in 0..halves {
        while store.area.append(&mut store.flash, &half(number)).unwrap() == Progress::Again {}
    }
    flash.image()
}

fn cut_everywhere<const WORD: usize, const PAGE: usize>(halves: u32, count: usize, plan: &Plan) -> Report {
    let scenario =
        Scenario { start: filled(halves), state: State::after(halves), ops: vec![(); count], reboot_every: 2 };
    exhaust::<_, WORD, PAGE>(&Album, &scenario, plan)
}

#[test]
fn every_cut_leaves_an_exact_prefix() {
    let once = Plan { second_cut: false, third_cuts: 0, ..Plan::default() };
    let mut report = cut_everywhere::<16, 4096>(0, 2, &once);
    report.merge(&cut_everywhere::<16, 4096>(31, 2, &once));
    report.merge(&cut_everywhere::<16, 2048>(63, 2, &once));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 200, "{report}");
}

#[test]
#[ignore = "minutes; run with --release"]
fn every_second_cut_leaves_an_exact_prefix() {
    let plan = Plan { third_cuts: 1, ..Plan::default() };
    let mut report = cut_everywhere::<8, 4096>(0, 3, &plan);
    report.merge(&cut_everywhere::<8, 1024>(31, 3, &plan));
    report.merge(&cut_everywhere::<8, 4096>(62, 4, &plan));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 50_000, "{report}");
}

#[test]
fn the_last_sixteen_snapshots_are_kept_through_any_number_of_power_ups() {
    fn check<const PAGE: usize>() {
        let flash = SharedFlash::new(SimFlash::<8, PAGE>::new(8_192 / PAGE));
        for number in 0..100 {
            // A power-up for each half, and the engine stands each time: what can be erased ahead is.
            let mut store = Album.open(flash.clone()).unwrap();
            while store.area.append(&mut store.flash, &half(number)).unwrap() == Progress::Again {}
            let mut store = Album.open(flash.clone()).unwrap();
            let found = numbers(&mut store).unwrap();
            let wanted: Vec<u32> = (0..=number).rev().take(32).collect();
            assert!(found.starts_with(&wanted), "page {PAGE}, half {number}: {found:?}");
        }
        assert_eq!(flash.image().breach(), None);
    }
    check::<4096>();
    check::<256>();
}

#[test]
fn one_call_is_one_operation_and_nothing_is_erased_while_the_engine_runs() {
    let mut flash = SimFlash::<8, 1024>::new(8);
    let mut area = SnapshotArea::new();
    assert_eq!(area.append(&mut flash, &half(0)), Err(StoreError::NotReady));
    area.open(&mut flash, 0, 1).unwrap();
    assert_eq!(area.service(&mut flash, RUNNING), Ok(Work::Nothing));
    let mut number = 0;
    while number < 100 {
        let before = flash.counts();
        let progress = area.append(&mut flash, &half(number)).unwrap();
        let spent = flash.counts().since(&before);
        assert!(matches!((spent.word_writes, spent.erases), (16, 0) | (0, 1)), "half {number}: {spent:?}");
        number += u32::from(progress == Progress::Done);
    }
}

#[test]
fn rubbish_is_counted_and_no_obstacle() {
    for fill in [0x00, 0x42] {
        let flash = SharedFlash::new(SimFlash::<8, 4096>::from_bytes(vec![fill; 8_192]));
        let mut area = SnapshotArea::new();
        area.open(&mut flash.clone(), 0, 1).unwrap();
        assert_eq!(area.damaged(), 64);
        let mut store = Album.open(flash.clone()).unwrap();
        while store.area.append(&mut store.flash, &half(0)).unwrap() == Progress::Again {}
        assert_eq!(numbers(&mut store).unwrap(), [0]);
        assert_eq!(flash.image().breach(), None);
    }
}
