//! The driver acquits a store that keeps its promises and convicts the classic mistakes.

mod specimen;

use powercut::{Breach, Life, Plan, Report, Scenario, SimFlash, Tear, exhaust, soak};
use specimen::{Mistake, Specimen};

fn run<const WORD: usize, const PAGE: usize>(mistake: Mistake, operations: u32, plan: &Plan) -> Report {
    let scenario =
        Scenario { start: SimFlash::<WORD, PAGE>::new(2), state: 0, ops: (1..=operations).collect(), reboot_every: 11 };
    exhaust(&Specimen::<WORD, PAGE>(mistake), &scenario, plan)
}

/// Every geometry with every cut; second and third cuts where that is quick enough.
#[test]
fn a_good_store_passes_at_every_geometry() {
    let first = Plan { second_cut: false, ..Plan::default() };
    let both = Plan { tears: vec![Tear::Prefix, Tear::RandomBits], ..Plan::default() };
    let mut total = Report::default();
    for (name, report) in [
        ("words of 1, pages of 256", run::<1, 256>(Mistake::None, 9, &first)),
        ("words of 2, pages of 512", run::<2, 512>(Mistake::None, 17, &first)),
        ("words of 4, pages of 256", run::<4, 256>(Mistake::None, 9, &first)),
        ("words of 16, pages of 256", run::<16, 256>(Mistake::None, 14, &both)),
        ("words of 32, pages of 131,072", run::<32, 131_072>(Mistake::None, 1, &first)),
    ] {
        report.verdict().unwrap_or_else(|text| panic!("{name}: {text}"));
        total.merge(&report);
    }
    assert!(total.cuts[1] > 1000 && total.cuts[2] > 1000, "second and third cuts were made: {total}");
    eprintln!("good store: {total}");
}

#[test]
#[ignore = "long: cargo test --release -p powercut -- --ignored"]
fn a_good_store_passes_every_second_cut() {
    let plan = Plan::default();
    let mut total = Report::default();
    for (name, report) in [
        ("words of 1, pages of 256", run::<1, 256>(Mistake::None, 1, &plan)),
        ("words of 4, pages of 256", run::<4, 256>(Mistake::None, 9, &plan)),
        ("words of 8, pages of 256", run::<8, 256>(Mistake::None, 20, &plan)),
        ("words of 16, pages of 1,024", run::<16, 1024>(Mistake::None, 20, &plan)),
        ("words of 32, pages of 2,048", run::<32, 2048>(Mistake::None, 20, &plan)),
    ] {
        report.verdict().unwrap_or_else(|text| panic!("{name}: {text}"));
        total.merge(&report);
    }
    assert!(total.all_cuts() > 800_000, "{total}");
    eprintln!("good store: {total}");
}

#[test]
fn the_classic_mistakes_are_convicted() {
    let cases: [(Mistake, &[Breach]); 7] = [
        (Mistake::CommitBeforePayload, &[Breach::Lost]),
        (Mistake::NoChecksum, &[Breach::Lost]),
        (Mistake::ReusesTornSlot, &[Breach::FlashMisuse]),
        (Mistake::ErasesOnlyCopy, &[Breach::Lost]),
        (Mistake::BelievesOneReading, &[Breach::Changed]),
        (Mistake::AcknowledgesEarly, &[Breach::Lost]),
        (Mistake::GivesUp, &[Breach::Unopenable]),
    ];
    let plan = Plan { second_cut: false, ..Plan::default() };
    for (mistake, expected) in cases {
        let report = run::<8, 256>(mistake, 20, &plan);
        for &breach in expected {
            assert!(report.count(breach) > 0, "{mistake:?} is not found as {breach:?}: {report}");
        }
        let shows_uncut = mistake == Mistake::AcknowledgesEarly;
        assert_eq!(report.count(Breach::Uncut) > 0, shows_uncut, "{mistake:?} at an ordinary reboot: {report}");
        assert!(report.verdict().is_err(), "{mistake:?}");
        eprintln!("{mistake:?}: {} cuts, {:?}", report.all_cuts(), report.breaches);
    }
}

#[test]
fn stable_words_do_not_show_a_store_that_believes_one_reading() {
    let plan = Plan { unstable: vec![false], second_cut: false, ..Plan::default() };
    let report = run::<8, 256>(Mistake::BelievesOneReading, 20, &plan);
    assert_eq!(report.count(Breach::Changed), 0, "the unstable words are what convicts it: {report}");
}

#[test]
fn a_long_life_with_random_cuts_convicts_too() {
    let life = Life { power_ups: 3000, most_operations: 30, most_units: 60, seed: 5 };
    for (mistake, guilty) in [(Mistake::None, false), (Mistake::NoChecksum, true), (Mistake::BelievesOneReading, true)]
    {
        let subject = Specimen::<8, 512>(mistake);
        let report =
            soak(&subject, &SimFlash::new(2), &0, life, |random| u32::try_from(1 + random.below(1000)).unwrap_or(1));
        assert!(report.cuts[0] > 1000, "{mistake:?}: {report}");
        assert_eq!(report.all_breaches() > 0, guilty, "{mistake:?}: {report}");
    }
}

#[test]
fn the_same_plan_finds_the_same() {
    let plan = Plan { second_cut: false, ..Plan::default() };
    let first = run::<8, 256>(Mistake::NoChecksum, 10, &plan);
    assert_eq!(first, run::<8, 256>(Mistake::NoChecksum, 10, &plan));
    let other = Plan { seed: 2, ..plan };
    assert_ne!(first, run::<8, 256>(Mistake::NoChecksum, 10, &other), "the seed matters");
}

#[test]
fn a_report_says_what_was_done() {
    let plan = Plan { second_cut: false, unstable: vec![false], ..Plan::default() };
    let report = run::<8, 256>(Mistake::None, 7, &plan);
    // Opening writes one record of four words, seven operations one each: the page of eight records is full.
    assert_eq!(report.cost.operations, 7);
    assert_eq!(report.cost.operation_counts.word_writes, 28);
    assert_eq!(report.cost.worst_operation_units, 4);
    assert_eq!(report.cost.opening_counts.word_writes, 4);
    assert_eq!(report.cuts, [32 * 4, 0, 0], "every unit in each of the four styles");
    let text = report.to_string();
    assert!(text.starts_with("128 cuts (128 first, 0 second, 0 third), "), "{text}");
    assert!(text.contains("each operation (7): 4.000 word writes, 0.000 erases"), "{text}");
}
