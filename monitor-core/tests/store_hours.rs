//! The hours area under power cuts, its bounds and its wear.

#[allow(dead_code, reason = "each test uses its part of it")]
mod store_common;

use monitor_core::ledger::Totals;
use monitor_core::ledger::store::{CHECKPOINT_MS, Conditions, Geometry, HoursArea, Operation, StoreError, Work};
use powercut::{Plan, Random, Report, Scenario, SharedFlash, SimFlash, Subject, Tear, exhaust};
use store_common::{RUNNING, STANDING, settle_hours};

/// What the engine does between two checkpoints.
#[derive(Debug, Clone, Copy)]
enum Act {
    /// Nine seconds in a band, with a start, and with abuse of some kind.
    Run { band: usize, start: bool, abuse: Option<usize> },
    /// The engine stands: the store erases ahead.
    Stand,
}

struct Hours;

struct Open<const WORD: usize, const PAGE: usize> {
    area: HoursArea,
    flash: SharedFlash<WORD, PAGE>,
}

impl<const WORD: usize, const PAGE: usize> Subject<WORD, PAGE> for Hours {
    type Store = Open<WORD, PAGE>;
    type Op = Act;
    type State = Totals;
    type Error = StoreError;

    fn open(&self, mut flash: SharedFlash<WORD, PAGE>) -> Result<Self::Store, StoreError> {
        let mut area = HoursArea::new();
        area.open(&mut flash, 0, 1)?;
        while !area.is_ready() {
            // The engine has not run yet, so there is nothing to save but what is there.
            let _ = area.service(&mut flash, &Totals::NONE, RUNNING)?;
        }
        Ok(Open { area, flash })
    }

    fn apply(&self, store: &mut Self::Store, op: &Act) -> Result<(), StoreError> {
        let now = after(&store.area.saved().ok_or(StoreError::NotReady)?, op);
        let conditions = if matches!(op, Act::Stand) { STANDING } else { RUNNING };
        settle_hours(&mut store.area, &mut store.flash, &now, conditions)
    }

    fn read_back(&self, store: &mut Self::Store) -> Result<Totals, StoreError> {
        store.area.saved().ok_or(StoreError::NotReady)
    }

    fn expected(&self, before: &Totals, op: &Act) -> Totals {
        after(before, op)
    }
}

fn after(before: &Totals, op: &Act) -> Totals {
    let mut totals = *before;
    if let Act::Run { band, start, abuse } = *op {
        totals.running_ms[band] += CHECKPOINT_MS;
        totals.starts += u32::from(start);
        if let Some(kind) = abuse {
            totals.abuse_ms[kind] += CHECKPOINT_MS;
        }
    }
    totals
}

/// A day's acts: starts, all bands, abuse, standing now and then.
fn acts(count: usize, seed: u64) -> Vec<Act> {
    let mut random = Random::new(seed);
    (0..count)
        .map(|_| match random.below(8) {
            0 => Act::Stand,
            draw => Act::Run {
                band: usize::try_from(random.below(7)).unwrap(),
                start: draw == 1,
                abuse: (draw < 4).then(|| usize::try_from(random.below(3)).unwrap()),
            },
        })
        .collect()
}

/// An area in which so many checkpoints were written in one go.
fn filled<const WORD: usize, const PAGE: usize>(checkpoints: u32) -> (SimFlash<WORD, PAGE>, Totals) {
    let flash = SharedFlash::new(SimFlash::<WORD, PAGE>::new(8_192 / PAGE));
    let mut store = Hours.open(flash.clone()).unwrap();
    for number in 0..checkpoints {
        let act = Act::Run { band: number as usize % 7, start: false, abuse: None };
        Hours.apply(&mut store, &act).unwrap();
    }
    (flash.image(), store.area.saved().unwrap())
}

fn cut_everywhere<const WORD: usize, const PAGE: usize>(checkpoints: u32, count: usize, plan: &Plan) -> Report {
    let (start, state) = filled::<WORD, PAGE>(checkpoints);
    exhaust(&Hours, &Scenario { start, state, ops: acts(count, 5), reboot_every: 3 }, plan)
}

#[test]
fn every_cut_leaves_the_hours_that_were_acknowledged() {
    let twice = Plan { third_cuts: 0, ..Plan::default() };
    let once = Plan { second_cut: false, ..twice.clone() };
    let mut report = cut_everywhere::<16, 4096>(247, 3, &twice);
    // On an erased part, in the middle of a sector, and where a sector runs full: 249 records fit.
    report.merge(&cut_everywhere::<8, 2048>(1, 6, &once));
    report.merge(&cut_everywhere::<4, 4096>(100, 3, &once));
    report.merge(&cut_everywhere::<4, 1024>(246, 9, &once));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 2_000, "{report}");
}

#[test]
#[ignore = "two minutes; run with --release"]
fn every_second_and_many_third_cuts_leave_the_hours_that_were_acknowledged() {
    let plan = Plan { third_cuts: 1, ..Plan::default() };
    let mut report = Report::default();
    for (checkpoints, count) in [(1, 9), (50, 9), (100, 9), (245, 12), (246, 12), (248, 6)] {
        report.merge(&cut_everywhere::<4, 4096>(checkpoints, count, &plan));
    }
    report.merge(&cut_everywhere::<8, 2048>(246, 12, &plan));
    report.merge(&cut_everywhere::<2, 1024>(247, 6, &Plan { third_cuts: 0, ..Plan::default() }));
    report.merge(&cut_everywhere::<16, 4096>(247, 9, &plan));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 500_000, "{report}");
}

/// An engine that runs, idles, stops and starts at random, second by second, with the power cut at random.
#[test]
fn no_cut_costs_more_than_ten_seconds_and_hours_never_go_back() {
    let mut random = Random::new(11);
    let mut flash = SimFlash::<8, 2048>::new(4);
    let (mut shown, mut truth) = (Totals::NONE, Totals::NONE);
    let (mut cuts, mut most_lost_ms, mut seconds) = (0, 0, 0);
    for boot in 1..=600 {
        flash.power_up();
        flash.set_unstable(random.below(2) == 0);
        let tear = Tear::ALL[usize::try_from(random.below(3)).unwrap()];
        flash.cut_at(1 + random.below(900), tear, random.bits());
        let mut area = HoursArea::new();
        if !power_up(&mut area, &mut flash, boot) {
            cuts += 1;
            continue;
        }
        let found = area.saved().unwrap();
        let mut at_least = found;
        at_least.raise_to(&shown);
        assert_eq!(at_least, found, "boot {boot}: hours went back");
        let mut lost = truth;
        lost.subtract(&found);
        most_lost_ms = most_lost_ms.max(lost.all_running_ms());
        assert!(most_lost_ms <= 10_000, "boot {boot}: {most_lost_ms} ms of running lost");
        (shown, truth) = (found, found);
        let (mut runs, mut band) = (false, 0);
        // Until the cut, or until it is switched off in the middle of whatever it does.
        for _ in 0..random.below(3_000) {
            seconds += 1;
            if random.below(if runs { 200 } else { 30 }) == 0 {
                runs = !runs;
                truth.starts += u32::from(runs);
            }
            if random.below(7) == 0 {
                band = usize::try_from(random.below(7)).unwrap();
            }
            if runs {
                truth.running_ms[band] += 1_000;
            }
            let conditions = if runs { RUNNING } else { STANDING };
            if settle_hours(&mut area, &mut flash, &truth, conditions).is_err() {
                cuts += 1;
                break;
            }
            shown = area.saved().unwrap();
        }
    }
    assert_eq!(flash.breach(), None);
    println!("{cuts} cuts in {seconds} s, at most {most_lost_ms} ms of running lost");
    assert!(cuts > 200 && most_lost_ms > 5_000, "the test must be hard enough");
}

/// Opens and does the first acts; `false` if the power went meanwhile.
fn power_up<const WORD: usize, const PAGE: usize>(
    area: &mut HoursArea,
    flash: &mut SimFlash<WORD, PAGE>,
    boot: u32,
) -> bool {
    let outcome = area.open(flash, 0, boot).and_then(|()| {
        while !area.is_ready() {
            let _ = area.service(flash, &Totals::NONE, RUNNING)?;
        }
        Ok(())
    });
    assert!(outcome.is_ok() || !flash.is_powered(), "boot {boot}: {outcome:?}");
    outcome.is_ok()
}

#[test]
fn one_call_is_one_operation() {
    let mut flash = SimFlash::<4, 1024>::new(8);
    let mut area = HoursArea::new();
    area.open(&mut flash, 0, 1).unwrap();
    let mut totals = Totals::NONE;
    for second in 0..10_000_u32 {
        totals.running_ms[second as usize / 13 % 7] += 1_000;
        let conditions = if second % 1_000 > 900 { STANDING } else { RUNNING };
        let before = flash.counts();
        let work = area.service(&mut flash, &totals, conditions).unwrap();
        let spent = flash.counts().since(&before);
        match work {
            Work::Nothing | Work::Looked => assert_eq!(spent.units, 0, "second {second}"),
            Work::Wrote => assert!([4, 20].contains(&spent.word_writes) && spent.erases == 0, "second {second}"),
            Work::Erased => assert_eq!((spent.erases, spent.word_writes), (1, 0), "second {second}"),
        }
    }
}

#[test]
fn nothing_is_written_on_a_poor_supply() {
    let mut flash = SimFlash::<4, 4096>::new(2);
    let mut area = HoursArea::new();
    area.open(&mut flash, 0, 1).unwrap();
    let totals = Totals { running_ms: [60_000; 7], ..Totals::NONE };
    for engine_runs in [true, false] {
        let poor = Conditions { engine_runs, supply_is_good: false };
        assert_eq!(area.service(&mut flash, &totals, poor), Ok(Work::Nothing));
    }
    assert_eq!(flash.counts().units, 0);
    settle_hours(&mut area, &mut flash, &totals, STANDING).unwrap();
    assert_eq!(area.saved(), Some(totals));
}

#[test]
fn a_starved_store_catches_up() {
    let mut flash = SimFlash::<4, 4096>::new(2);
    let mut area = HoursArea::new();
    area.open(&mut flash, 0, 1).unwrap();
    settle_hours(&mut area, &mut flash, &Totals::NONE, STANDING).unwrap();
    // More than a record can carry: three days in one band, and more starts than two bytes hold.
    let mut totals = Totals { starts: 70_000, holes: 20_000_000, ..Totals::NONE };
    totals.running_ms[3] = 3 * 86_400_000;
    settle_hours(&mut area, &mut flash, &totals, STANDING).unwrap();
    assert_eq!(area.saved(), Some(totals));
}

#[test]
fn parts_that_do_not_fit_are_refused_by_name() {
    fn refusal<const WORD: usize, const PAGE: usize>(pages: usize, start: u32) -> Option<Geometry> {
        let mut flash = SimFlash::<WORD, PAGE>::new(pages);
        match HoursArea::new().open(&mut flash, start, 1) {
            Ok(()) => None,
            Err(StoreError::Geometry(geometry)) => Some(geometry),
            Err(other) => panic!("{other}"),
        }
    }
    let cases = [
        ("fits", refusal::<8, 2048>(4, 0), None),
        ("largest word", refusal::<16, 4096>(2, 0), None),
        ("word too large", refusal::<32, 4096>(2, 0), Some(Geometry::Word)),
        ("page too large", refusal::<8, 8192>(2, 0), Some(Geometry::Page)),
        ("too short", refusal::<8, 4096>(1, 0), Some(Geometry::Place)),
        ("not at a sector", refusal::<8, 1024>(16, 1_024), Some(Geometry::Place)),
        ("far behind the end", refusal::<8, 1024>(16, 0xFFFF_F000), Some(Geometry::Place)),
    ];
    for (name, found, expected) in cases {
        assert_eq!(found, expected, "{name}");
    }
}

#[test]
fn rubbish_is_counted_and_no_obstacle() {
    let cases = [("all zeros", 0x00), ("a pattern", 0x48)];
    for (name, fill) in cases {
        let mut flash = SimFlash::<4, 4096>::from_bytes(vec![fill; 8_192]);
        let mut area = HoursArea::new();
        area.open(&mut flash, 0, 1).unwrap();
        assert_eq!(area.damaged(), 2, "{name}: both headers");
        let totals = Totals { running_ms: [9_000; 7], ..Totals::NONE };
        settle_hours(&mut area, &mut flash, &totals, STANDING).unwrap();
        assert_eq!(area.saved(), Some(totals), "{name}");
        assert_eq!(flash.breach(), None, "{name}");
    }
}

#[test]
fn a_part_that_does_not_answer_is_not_begun_anew() {
    let (mut flash, _) = filled::<4, 4096>(3);
    flash.cut_at(0, Tear::Prefix, 0);
    let error = HoursArea::new().open(&mut flash, 0, 1).unwrap_err();
    assert!(matches!(error, StoreError::Flash { operation: Operation::Read, .. }), "{error}");
}
