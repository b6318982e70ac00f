//! Profile and keys under power cuts.

#[allow(dead_code, reason = "each test uses its part of it")]
mod store_common;

use monitor_core::ledger::store::{Key, NewRecord, Progress, Settings, SettingsArea, Store, StoreError, Verdict, Work};
use monitor_core::ledger::{CareItem, CarePlan, Done, Item, Totals};
use monitor_core::profile::Profile;
use monitor_core::units::Rpm;
use powercut::{Plan, Report, Scenario, SharedFlash, SimFlash, Subject, exhaust};
use store_common::{RUNNING, STANDING};

/// Settings that the number tells from others.
fn settings(number: u32) -> Settings {
    let byte = u8::try_from(number % 251).unwrap();
    let max = Rpm::from_whole_rpm(5_000 + i32::from(byte));
    Settings {
        profile: Some(Profile::new(4, Rpm::from_whole_rpm(750), max)),
        chain_key: Some(Key::from_bytes([byte; 16])),
        pairing_key: None,
        command_counter: Some(number),
        care: plan(number),
        meter: None,
    }
}

fn plan(number: u32) -> CarePlan {
    let done = (!number.is_multiple_of(3)).then_some(Done { seq: number + 1, at_s: number * 60, day: None });
    CarePlan::NONE.with(&CareItem { item: Item::Impeller, hours: number, months: 12, run_in_hours: 0, done })
}

struct Drawer;

struct Open<const WORD: usize, const PAGE: usize> {
    area: SettingsArea,
    flash: SharedFlash<WORD, PAGE>,
}

impl<const WORD: usize, const PAGE: usize> Subject<WORD, PAGE> for Drawer {
    type Store = Open<WORD, PAGE>;
    type Op = u32;
    type State = Option<Settings>;
    type Error = StoreError;

    fn open(&self, mut flash: SharedFlash<WORD, PAGE>) -> Result<Self::Store, StoreError> {
        let mut area = SettingsArea::new();
        area.open(&mut flash, 0)?;
        while !area.is_ready() {
            let _ = area.service(&mut flash, RUNNING)?;
        }
        Ok(Open { area, flash })
    }

    fn apply(&self, store: &mut Self::Store, number: &u32) -> Result<(), StoreError> {
        while store.area.save(&mut store.flash, &settings(*number))? == Progress::Again {}
        Ok(())
    }

    fn read_back(&self, store: &mut Self::Store) -> Result<Option<Settings>, StoreError> {
        store.area.load(&mut store.flash)
    }

    fn expected(&self, _before: &Option<Settings>, number: &u32) -> Option<Settings> {
        Some(settings(*number))
    }
}

fn cut_everywhere<const WORD: usize, const PAGE: usize>(saves: u32, ops: &[u32], plan: &Plan) -> Report {
    let flash = SharedFlash::new(SimFlash::<WORD, PAGE>::new(8_192 / PAGE));
    let mut store = Drawer.open(flash.clone()).unwrap();
    for number in 0..saves {
        Drawer.apply(&mut store, &number).unwrap();
    }
    let state = Drawer.read_back(&mut store).unwrap();
    exhaust(&Drawer, &Scenario { start: flash.image(), state, ops: ops.to_vec(), reboot_every: 2 }, plan)
}

#[test]
fn every_cut_leaves_what_was_saved_last() {
    let once = Plan { second_cut: false, third_cuts: 0, ..Plan::default() };
    // On an erased part, at the end of the first sector and of the second: each turn of the two.
    let mut report = cut_everywhere::<16, 4096>(0, &[100], &once);
    report.merge(&cut_everywhere::<16, 4096>(6, &[100, 101], &once));
    report.merge(&cut_everywhere::<16, 2048>(14, &[100, 101], &once));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 1_000, "{report}");
}

#[test]
#[ignore = "minutes; run with --release"]
fn every_second_cut_leaves_what_was_saved_last() {
    let plan = Plan { third_cuts: 0, ..Plan::default() };
    let mut report = cut_everywhere::<16, 4096>(0, &[100], &plan);
    report.merge(&cut_everywhere::<16, 4096>(6, &[100, 101], &plan));
    report.merge(&cut_everywhere::<16, 2048>(14, &[100, 101], &plan));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 100_000, "{report}");
}

#[test]
fn the_newest_slot_is_never_erased_however_many_writes_come_out_wrong() {
    // Fourteen power-ups in a row that are cut in the first act: each spoils a slot.
    let flash = SharedFlash::new(SimFlash::<8, 4096>::new(2));
    let mut store = Drawer.open(flash.clone()).unwrap();
    Drawer.apply(&mut store, &5).unwrap();
    for cut in 0..14 {
        flash.with(|flash| flash.cut_at(20, powercut::Tear::Prefix, cut));
        assert!(Drawer.open(flash.clone()).is_err(), "cut {cut}");
        flash.with(SimFlash::power_up);
    }
    let mut store = Drawer.open(flash.clone()).unwrap();
    assert_eq!(Drawer.read_back(&mut store), Ok(Some(settings(5))));
}

#[test]
fn golden_bytes_of_a_slot() {
    let flash = SharedFlash::new(SimFlash::<8, 4096>::new(2));
    let mut store = Drawer.open(flash.clone()).unwrap();
    let counter = Settings { command_counter: Some(7), ..Settings::default() };
    while store.area.save(&mut store.flash, &counter).unwrap() == Progress::Again {}
    let image = flash.image();
    let slot = &image.bytes()[512..1_024];
    assert_eq!(slot[..12], [0x50, 1, 7, 0, 1, 0, 0, 0, 1, 0, 0, 0]);
    assert_eq!(slot[12..19], [2, 34, 4, 7, 0, 0, 0]);
    assert!(slot[19..508].iter().all(|byte| *byte == 0xFF));
}

#[test]
fn the_key_in_the_settings_is_that_of_the_chain() {
    let mut flash = SimFlash::<8, 4096>::new(16);
    let mut store = Store::new();
    let settle = |store: &mut Store, flash: &mut SimFlash<8, 4096>| {
        while store.service(flash, &Totals::NONE, STANDING).unwrap() != Work::Nothing {}
        assert!(store.is_ready());
    };
    store.open(&mut flash, 0).unwrap();
    settle(&mut store, &mut flash);
    assert!(!store.journal.is_keyed() && store.journal.head().is_none() && !store.journal.seal_is_due(9_999));
    while store.journal.append(&mut flash, 0, &NewRecord::PowerUp).unwrap() == Progress::Again {}
    assert_eq!(store.journal.verify(&mut flash, None), Ok(Verdict::Unkeyed));
    while store.settings.save(&mut flash, &settings(9)).unwrap() == Progress::Again {}
    store.take_chain_key(&mut flash);
    let key = Key::from_bytes([9; 16]);
    assert_eq!(store.journal.verify(&mut flash, Some(&key)), Ok(Verdict::Unkeyed), "nothing is tagged yet");
    for boot in 2..5 {
        assert!(store.journal.seal_is_due(boot * 3_600), "boot {boot}");
        let seal = NewRecord::Seal { starts: boot };
        while store.journal.append(&mut flash, boot * 3_600, &seal).unwrap() == Progress::Again {}
        assert!(!store.journal.seal_is_due(boot * 3_600 + 3_599), "boot {boot}");
        let head = store.journal.head();
        store.open(&mut flash, 0).unwrap();
        settle(&mut store, &mut flash);
        assert!(store.journal.is_keyed());
        assert_eq!(store.journal.head(), head, "boot {boot}: a power-up adds nothing");
        assert!(!store.journal.seal_is_due(boot * 3_600 + 3_599), "boot {boot}: the seal is found again");
        assert_eq!(store.journal.verify(&mut flash, Some(&key)), Ok(Verdict::Sound), "boot {boot}");
        let wrong = store.journal.verify(&mut flash, Some(&Key::from_bytes([8; 16])));
        assert!(matches!(wrong, Ok(Verdict::Broken { .. })), "boot {boot}: another key");
    }
}
