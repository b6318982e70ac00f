//! The work is done on the simulated flash: whole, cut, and on a flash that misbehaves.

use std::collections::BTreeMap;
use std::convert::Infallible;

use embedded_storage::nor_flash::NorFlash;
use monitor_core::ledger::Totals;
use monitor_core::ledger::store::{Store, StoreError, Work};
use powercut::{Random, SharedFlash, SimFlash, Tear};

use super::counted::Counted;
use super::{Endurance, EnduranceError, Listener, Said, Task, run_endurance};

type Flash = SharedFlash<4, 1024>;

/// Remembers the last value of each kind, and how often each task ended how.
#[derive(Debug, Default)]
struct Ear {
    heard: BTreeMap<&'static str, u32>,
    /// The first value of each kind since this was emptied.
    first: BTreeMap<&'static str, u32>,
    /// Whether what is heard was acknowledged and not recovered.
    is_ready: bool,
    acknowledged: u32,
    tasks: BTreeMap<String, u32>,
}

impl Ear {
    fn last(&self, said: Said) -> u32 {
        self.heard.get(said.name()).copied().unwrap_or(0)
    }
}

impl Listener for Ear {
    type Error = Infallible;

    fn begins(&mut self, _task: Task) {}

    fn ended(&mut self, task: Task, work: Work) {
        *self.tasks.entry(format!("{task:?} {work:?}")).or_default() += 1;
    }

    fn hear(&mut self, said: Said, value: u32) -> Result<(), Infallible> {
        self.heard.insert(said.name(), value);
        self.first.entry(said.name()).or_insert(value);
        self.acknowledged += u32::from(self.is_ready && said != Said::Boot);
        self.is_ready = if said == Said::Boot { false } else { self.is_ready || said == Said::Ready };
        Ok(())
    }
}

#[test]
fn a_long_life_meets_every_kind_of_work_and_comes_back_whole() {
    let flash = Flash::new(SimFlash::new(64));
    let mut ear = Ear::default();
    run_endurance(&mut Store::new(), flash.clone(), Some(2_000), &mut ear).unwrap();
    for task in ["Open Nothing", "Service Nothing", "Service Wrote", "Service Erased", "Append Wrote", "Save Wrote"] {
        assert!(ear.tasks.contains_key(task), "{task}: {:?}", ear.tasks);
    }
    assert_eq!(flash.with(|flash| flash.breach()), None);

    let mut again = Ear::default();
    run_endurance(&mut Store::new(), flash, Some(0), &mut again).unwrap();
    let expected = [
        (Said::Boot, 2),
        (Said::Hours, 18_000_000),
        (Said::Events, 2_000),
        (Said::Learned, 250),
        (Said::Snapshots, 400),
    ];
    for (said, value) in expected {
        assert_eq!(again.last(said), value, "{}", said.name());
    }
    assert_eq!([Said::Disorder, Said::Broken, Said::Damaged].map(|said| again.last(said)), [0; 3]);
    assert!((200..768).contains(&again.last(Said::Ready)), "{}", again.last(Said::Ready));
}

/// Cuts the power of one flash again and again, at random units and in all styles. Returns how many operations were
/// acknowledged.
fn cut_at_random<const WORD: usize, const PAGE: usize>(pages: usize, cuts: usize, seed: u64) -> u32 {
    let mut random = Random::new(seed);
    let mut image = SimFlash::<WORD, PAGE>::new(pages);
    let mut ear = Ear::default();
    for cut in 0..cuts {
        image.power_up();
        image.set_unstable(random.below(2) == 0);
        image.cut_at(1 + random.below(900), Tear::ALL[cut % Tear::ALL.len()], random.bits());
        let flash = SharedFlash::new(image);
        let before = [(Said::Hours, 9_000), (Said::Events, 1), (Said::Learned, 1), (Said::Snapshots, 1)]
            .map(|(said, step)| (said, ear.last(said), step));
        ear.first.clear();
        let ended = run_endurance(&mut Store::new(), flash.clone(), None, &mut ear);
        assert!(matches!(ended, Err(EnduranceError::Store(_))), "cut {cut}: {ended:?}");
        for (said, before, step) in before {
            let name = said.name();
            let recovered = ear.first.get(name).copied().unwrap_or(before);
            assert!(recovered == before || recovered == before + step, "cut {cut}: {name} {recovered} after {before}");
        }
        assert_eq!((ear.last(Said::Disorder), ear.last(Said::Broken)), (0, 0), "cut {cut}");
        assert_eq!(flash.with(|flash| flash.breach()), None, "cut {cut}");
        image = flash.image();
    }
    ear.acknowledged
}

#[test]
fn what_was_heard_is_recovered_after_each_cut() {
    let acknowledged = cut_at_random::<4, 1024>(64, 150, 41);
    assert!(acknowledged > 1_500, "{acknowledged}");
}

#[test]
#[ignore = "half a minute with --release"]
fn what_was_heard_is_recovered_after_each_of_many_cuts() {
    const CUTS: usize = 5_000;
    let acknowledged = cut_at_random::<4, 1024>(64, CUTS, 1)
        + cut_at_random::<4, 4096>(16, CUTS, 2)
        + cut_at_random::<8, 2048>(32, CUTS, 3)
        + cut_at_random::<16, 256>(256, CUTS, 4);
    println!("{} cuts, {acknowledged} operations", 4 * CUTS);
    assert!(acknowledged > 500_000, "{acknowledged}");
}

#[test]
fn two_operations_in_one_call_and_a_false_report_are_convicted() {
    type Call = fn(&mut Counted<Flash>) -> Result<Work, StoreError>;
    let cases: [(&str, Call, Option<u32>); 5] = [
        ("nothing", |_| Ok(Work::Nothing), None),
        ("one", |flash| flash.erase(0, 1_024).map(|()| Work::Erased).map_err(|_| StoreError::NotReady), None),
        (
            "two",
            |flash| {
                flash.erase(0, 1_024).and_then(|()| flash.erase(0, 1_024)).map_err(|_| StoreError::NotReady)?;
                Ok(Work::Erased)
            },
            Some(2),
        ),
        (
            "one that is not told",
            |flash| flash.erase(0, 1_024).map(|()| Work::Nothing).map_err(|_| StoreError::NotReady),
            Some(1),
        ),
        ("one that was not done", |_| Ok(Work::Wrote), Some(0)),
    ];
    for (name, call, expected) in cases {
        let (mut store, mut ear) = (Store::new(), Ear::default());
        let mut endurance = Endurance {
            store: &mut store,
            flash: Counted::new(Flash::new(SimFlash::new(64))),
            listener: &mut ear,
            hours: Totals::NONE,
            events: 0,
            learned: 0,
            snapshots: 0,
        };
        let found = match endurance.one_operation(Task::Service, |_, flash, _| call(flash)) {
            Ok(_) => None,
            Err(EnduranceError::Operations { counted, .. }) => Some(counted),
            Err(other) => panic!("{name}: {other}"),
        };
        assert_eq!(found, expected, "{name}");
    }
}
