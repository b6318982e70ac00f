//! The service book under random histories and damage: against a model that only counts and remembers.

use std::collections::BTreeMap;

use monitor_core::ledger::store::{Area, Conditions, Journal, NewRecord, Progress, Store, Work};
use monitor_core::ledger::{CareItem, CarePlan, Day, Item, Role, Totals};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use sim_host::ledger::{Ledger, SignRequest, follow_profile, read, sign, sign_meter};
use sim_host::memory::RegionFlash;

const STANDING: Conditions = Conditions { engine_runs: false, supply_is_good: true };

/// Something that happens to a memory.
#[derive(Debug, Clone)]
enum Act {
    /// The engine runs for so many seconds, after a power-up.
    Run(u32),
    /// A service is signed: item, part of the present hours in per mille, day, length of its note.
    Sign(usize, u32, Option<u16>, usize),
    /// Another profile: these items with these hours.
    Profile(Vec<(usize, u32)>),
    /// So many records come that are no sign-offs.
    Fill(u32),
    /// The hours of an older meter.
    Meter(u32),
}

fn act() -> impl Strategy<Value = Act> {
    let day = prop::option::of(0_u16..50_000);
    prop_oneof![
        3 => (0_u32..40_000).prop_map(Act::Run),
        6 => (0..Item::COUNT, 0_u32..=1_000, day, 0_usize..113)
            .prop_map(|(item, part, day, note)| Act::Sign(item, part, day, note)),
        1 => prop::collection::vec((0..Item::COUNT, 1_u32..1_000), 1..6).prop_map(Act::Profile),
        1 => (1_u32..500).prop_map(Act::Fill),
        1 => (0_u32..3_600_000).prop_map(Act::Meter),
    ]
}

/// What is to be read back.
#[derive(Debug, Default)]
struct Model {
    running_s: u32,
    power_ups: u32,
    planned: Vec<(Item, u32)>,
    done: BTreeMap<Item, (u32, Option<Day>)>,
    signed: u32,
    last_note: String,
    meter: Option<(u32, u32)>,
}

/// A power-up in which the hours grow.
fn power_up(region: &mut RegionFlash, running_s: u32) {
    let mut store = Store::new();
    store.open(region, 0).unwrap();
    let mut totals = Totals::NONE;
    totals.running_ms[2] = u64::from(running_s) * 1_000;
    while store.service(region, &totals, STANDING).unwrap() != Work::Nothing {}
}

fn fill(region: &mut RegionFlash, model: &Model, records: u32) {
    let mut journal = Journal::new();
    journal.open(region, Area::JOURNAL.start, model.power_ups).unwrap();
    while journal.service(region, STANDING).unwrap() != Work::Nothing {}
    for seconds in 0..records {
        while journal.append(region, model.running_s, &NewRecord::Hole { seconds }).unwrap() == Progress::Again {}
    }
}

fn apply(region: &mut RegionFlash, model: &mut Model, act: &Act) {
    match act {
        Act::Run(seconds) => {
            model.running_s += seconds;
            model.power_ups += 1;
            power_up(region, model.running_s);
        }
        Act::Sign(item, part, day, note) => {
            let at_s = u32::try_from(u64::from(model.running_s) * u64::from(*part) / 1_000).unwrap();
            let (item, day) = (Item::ALL[*item], day.map(Day::from_days_since_1970));
            model.last_note = "n".repeat(*note);
            let note = model.last_note.clone();
            sign(region, &SignRequest { item, role: Role::Owner, at_s, day, note }).unwrap();
            model.done.insert(item, (at_s, day));
            model.signed += 1;
        }
        Act::Profile(items) => {
            let plan = items.iter().fold(CarePlan::NONE, |plan, (item, hours)| {
                let (item, hours) = (Item::ALL[*item], *hours);
                plan.with(&CareItem { item, hours, months: 12, run_in_hours: 0, done: None })
            });
            model.planned = plan.items().map(|item| (item.item, item.hours)).collect();
            follow_profile(region, &plan).unwrap();
        }
        Act::Fill(records) => fill(region, model, *records),
        Act::Meter(old_s) => {
            sign_meter(region, Role::Yard, *old_s).unwrap();
            model.meter = Some((*old_s, model.running_s));
        }
    }
}

fn compare(ledger: &Ledger, model: &Model, last: &Act) -> Result<(), TestCaseError> {
    prop_assert_eq!(ledger.totals.all_running_ms(), u64::from(model.running_s) * 1_000);
    prop_assert_eq!(ledger.boots, model.power_ups, "signing is no power-up");
    let planned: Vec<_> =
        ledger.plan.items().filter(CareItem::is_planned).map(|item| (item.item, item.hours)).collect();
    prop_assert_eq!(&planned, &model.planned);
    let done: BTreeMap<_, _> = ledger.plan.items().filter_map(|item| Some((item.item, item.done?))).collect();
    let done: BTreeMap<_, _> = done.into_iter().map(|(item, done)| (item, (done.at_s, done.day))).collect();
    prop_assert_eq!(&done, &model.done);
    for item in ledger.plan.items() {
        let due = item.due();
        let done_s = item.done.map_or(0, |done| done.at_s);
        prop_assert_eq!(due.at_s, (item.hours > 0).then_some(done_s + item.hours * 3_600));
        prop_assert!(due.day.is_none() || item.done.is_some_and(|done| done.day < due.day), "never in 1970");
    }
    let before_s = model.meter.map_or(0, |(old_s, new_s)| i64::from(old_s) - i64::from(new_s));
    let engine_s = i64::try_from(ledger.engine_s()).unwrap();
    prop_assert_eq!(engine_s, i64::from(model.running_s) + before_s);
    if matches!(last, Act::Sign(..)) {
        prop_assert_eq!(ledger.sign_offs.last().and_then(|signed| signed.note.as_deref()), Some(&*model.last_note));
    }
    prop_assert!(ledger.sign_offs.iter().all(|signed| signed.note.is_some()), "a note is whole");
    prop_assert!(ledger.sign_offs.len() <= usize::try_from(model.signed).unwrap());
    prop_assert!(ledger.went_back.is_empty() && ledger.damaged == 0);
    Ok(())
}

#[test]
fn any_history_is_read_back_as_it_was() {
    let config = Config { cases: 24, max_shrink_iters: 60, failure_persistence: None, ..Config::default() };
    let mut runner = TestRunner::new_with_rng(
        config,
        proptest::test_runner::TestRng::deterministic_rng(proptest::test_runner::RngAlgorithm::ChaCha),
    );
    runner
        .run(&prop::collection::vec(act(), 1..25), |acts| {
            let (mut region, mut model) = (RegionFlash::default(), Model::default());
            apply(&mut region, &mut model, &Act::Run(0));
            for act in &acts {
                apply(&mut region, &mut model, act);
                compare(&read(&region).unwrap(), &model, act)?;
            }
            Ok(())
        })
        .unwrap();
}

/// A memory with a plan, a power-up after it, and two sign-offs.
fn signed_memory() -> (RegionFlash, Ledger) {
    let (mut region, mut model) = (RegionFlash::default(), Model::default());
    let acts = [
        Act::Run(7_200),
        Act::Profile(vec![(7, 200), (0, 100)]),
        Act::Sign(7, 500, Some(20_000), 20),
        Act::Run(3_600),
        Act::Sign(0, 1_000, None, 0),
    ];
    for act in &acts {
        apply(&mut region, &mut model, act);
    }
    let ledger = read(&region).unwrap();
    (region, ledger)
}

/// Settings that went back to their defaults after some power cycles, because one byte was random: here a byte that fails
/// costs at most what was saved last, the journal gives that back, and nothing is ever invented.
#[test]
fn no_byte_of_the_settings_takes_the_plan_away() {
    let (region, whole) = signed_memory();
    let settings = usize::try_from(Area::SETTINGS.start).unwrap();
    let written = region.bytes()[settings..].iter().rposition(|byte| *byte != 0xFF).unwrap();
    for at in (0..=written).step_by(3) {
        let mut bytes = region.bytes().to_vec();
        bytes[settings + at] ^= 0x41;
        let ledger = read(&RegionFlash::from_bytes(&bytes).unwrap()).unwrap();
        let items =
            |ledger: &Ledger| ledger.plan.items().map(|item| (item.item, item.hours, item.due())).collect::<Vec<_>>();
        assert_eq!(items(&ledger), items(&whole), "byte {at}");
        assert_eq!((ledger.boots, ledger.totals), (whole.boots, whole.totals), "byte {at}");
    }
}

/// A last record that was cut short: what stands before it is shown, and how much is missing is said.
#[test]
fn a_cut_last_record_costs_itself_only() {
    let (region, whole) = signed_memory();
    let journal = usize::try_from(Area::JOURNAL.start).unwrap();
    let entries = &region.bytes()[journal..journal + 4_096];
    let last = entries.chunks(32).rposition(|entry| entry.iter().any(|byte| *byte != 0xFF)).unwrap();
    for kept in 0..32 {
        let mut bytes = region.bytes().to_vec();
        bytes[journal + last * 32 + kept..journal + last * 32 + 32].fill(0xFF);
        let ledger = read(&RegionFlash::from_bytes(&bytes).unwrap()).unwrap();
        assert_eq!(ledger.sign_offs, whole.sign_offs[..1], "{kept} bytes kept");
        assert_eq!(ledger.damaged, u16::from(kept > 0), "{kept} bytes kept");
        assert_eq!(ledger.plan.items().count(), 2, "{kept} bytes kept");
        assert_eq!(ledger.totals, whole.totals, "{kept} bytes kept");
    }
}
