//! The journal under power cuts, its sums and its order.

#[allow(dead_code, reason = "each test uses its part of it")]
mod store_common;

use embedded_storage::nor_flash::{ErrorType, NorFlash, ReadNorFlash};
use monitor_core::acquire::Channel;
use monitor_core::event::{AlarmState, Candidate, EvidenceItem, EvidenceKey, State as What};
use monitor_core::finding::{Finding, Level};
use monitor_core::ledger::store::{
    Fullness, Journal, JournalEvent, NewRecord, Progress, Record, Recorded, StoreError, Tally, Verdict, Work,
};
use monitor_core::time::Instant;
use powercut::{Plan, Random, Report, Scenario, SharedFlash, SimError, SimFlash, Subject, Tear, exhaust};
use store_common::{KEY, RUNNING, STANDING, open_journal};

/// The record of that number, of one entry. One comes an hour.
fn plain(number: u32) -> NewRecord {
    let level = match number % 4 {
        0 => return NewRecord::Hole { seconds: number },
        1 => Level::Caution,
        2 => Level::Warning,
        _ => Level::Alarm,
    };
    NewRecord::Event(JournalEvent {
        trip: 7,
        stamp: Instant::from_millis(i64::from(number) * 1_001),
        id: number,
        finding: Finding::SensorShort,
        channel: Some(Channel::Oil),
        item: None,
        level,
        state: What::Acknowledged,
        alarm_state: AlarmState::Acknowledged,
        evidence: [None; 2],
        candidate: None,
        replaced_by: None,
        detail_missing: false,
    })
}

/// The record of that number, with a detail in an entry of its own.
fn detailed(number: u32) -> NewRecord {
    let NewRecord::Event(event) = plain(number) else { return plain(number) };
    let item = |key, value| Some(EvidenceItem { key, value: Some(value) });
    NewRecord::Event(JournalEvent {
        finding: Finding::StreamLost,
        channel: None,
        evidence: [
            item(EvidenceKey::Value(Channel::Flow), i32::try_from(number).unwrap()),
            item(EvidenceKey::Limit(Channel::Flow), 300),
        ],
        candidate: Some(Candidate { finding: Finding::IntakeBlocked, share_pct: 71 }),
        ..event
    })
}

fn number_of(found: &Recorded, of: fn(u32) -> NewRecord) -> Option<u32> {
    let number = match found.record {
        Record::Hole { seconds } => seconds,
        Record::Event(event) => event.id,
        _ => return None,
    };
    let written = match of(number) {
        NewRecord::Hole { seconds } => Record::Hole { seconds },
        NewRecord::Event(event) => Record::Event(event),
        other => panic!("{other:?}"),
    };
    assert_eq!((found.record, found.running_s), (written, number * 3_600), "as it was written");
    Some(number)
}

/// Appends the record of that number: one comes an hour.
fn append<F: NorFlash>(
    journal: &mut Journal,
    flash: &mut F,
    number: u32,
    record: &NewRecord,
) -> Result<(), StoreError> {
    store_common::append(journal, flash, number * 3_600, record)
}

fn tally_of(events: u32) -> Tally {
    let count = |remainder| (events + 3 - remainder) / 4;
    Tally { others: count(0), cautions: count(1), warnings: count(2), alarms: count(3) }
}

/// Events that are still there one by one, whatever power-ups and cuts cost.
const SHOWN: usize = 150;

/// What is to be read back: the numbers of the last events, and how many there were of each kind.
#[derive(Debug, Clone, PartialEq, Eq)]
struct State {
    events: u32,
    tally: Tally,
    newest: Vec<u32>,
}

impl State {
    fn after(events: u32) -> Self {
        Self { events, tally: tally_of(events), newest: (0..events).rev().take(SHOWN).collect() }
    }
}

/// Appends the next event, or lets the engine stand.
#[derive(Debug, Clone, Copy)]
enum Act {
    Append,
    Stand,
}

struct Book {
    record: fn(u32) -> NewRecord,
}

const PLAIN: Book = Book { record: plain };
const DETAILED: Book = Book { record: detailed };

struct Open<const WORD: usize, const PAGE: usize> {
    journal: Journal,
    flash: SharedFlash<WORD, PAGE>,
}

impl<const WORD: usize, const PAGE: usize> Subject<WORD, PAGE> for Book {
    type Store = Open<WORD, PAGE>;
    type Op = Act;
    type State = State;
    type Error = StoreError;

    fn open(&self, mut flash: SharedFlash<WORD, PAGE>) -> Result<Self::Store, StoreError> {
        let journal = open_journal(&mut flash, 1)?;
        Ok(Open { journal, flash })
    }

    fn apply(&self, store: &mut Self::Store, op: &Act) -> Result<(), StoreError> {
        let (journal, flash) = (&mut store.journal, &mut store.flash);
        match op {
            Act::Stand => while journal.service(flash, STANDING)? != Work::Nothing {},
            Act::Append => {
                let tally = journal.tally(flash)?;
                let next = tally.alarms + tally.warnings + tally.cautions + tally.others;
                append(journal, flash, next, &(self.record)(next))?;
            }
        }
        Ok(())
    }

    fn read_back(&self, store: &mut Self::Store) -> Result<State, StoreError> {
        let tally = store.journal.tally(&mut store.flash)?;
        let events = tally.alarms + tally.warnings + tally.cautions + tally.others;
        let mut newest = Vec::new();
        let mut walk = store.journal.newest();
        while let Some(entry) = store.journal.older(&mut store.flash, &mut walk)? {
            newest.extend(number_of(&entry, self.record));
        }
        newest.truncate(SHOWN);
        Ok(State { events, tally, newest })
    }

    fn expected(&self, before: &State, op: &Act) -> State {
        match op {
            Act::Append => State::after(before.events + 1),
            Act::Stand => before.clone(),
        }
    }
}

/// Does the first acts after opening.
fn power_up<F: NorFlash>(journal: &mut Journal, flash: &mut F) {
    while !journal.is_ready() {
        let _ = journal.service(flash, RUNNING).unwrap();
    }
}

fn filled<const WORD: usize, const PAGE: usize>(events: u32) -> SimFlash<WORD, PAGE> {
    filled_with(&PLAIN, events)
}

fn filled_with<const WORD: usize, const PAGE: usize>(book: &Book, events: u32) -> SimFlash<WORD, PAGE> {
    let mut flash = SimFlash::<WORD, PAGE>::new(24_576 / PAGE);
    let mut journal = open_journal(&mut flash, 1).unwrap();
    for number in 0..events {
        append(&mut journal, &mut flash, number, &(book.record)(number)).unwrap();
    }
    flash
}

fn cut_everywhere<const WORD: usize, const PAGE: usize>(events: u32, count: usize, plan: &Plan) -> Report {
    cut_book::<WORD, PAGE>(&PLAIN, events, count, plan)
}

fn cut_book<const WORD: usize, const PAGE: usize>(book: &Book, events: u32, count: usize, plan: &Plan) -> Report {
    let mut ops = vec![Act::Append; count];
    if count > 2 {
        ops[count - 2] = Act::Stand;
    }
    let scenario = Scenario { start: filled_with(book, events), state: State::after(events), ops, reboot_every: 3 };
    exhaust::<_, WORD, PAGE>(book, &scenario, plan)
}

#[test]
fn every_cut_leaves_an_exact_prefix_and_exact_totals() {
    let once = Plan { second_cut: false, third_cuts: 0, ..Plan::default() };
    let mut report = cut_everywhere::<16, 4096>(0, 3, &once);
    report.merge(&cut_everywhere::<16, 4096>(0, 1, &Plan { second_cut: true, ..once.clone() }));
    // From one sector to the next; where the first sums are written; where the first sector is erased.
    report.merge(&cut_everywhere::<16, 4096>(125, 3, &once));
    report.merge(&cut_everywhere::<16, 4096>(733, 3, &once));
    report.merge(&cut_everywhere::<16, 2048>(760, 3, &once));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 200, "{report}");
}

/// An event and its detail are seen together or not at all.
#[test]
fn every_cut_leaves_events_whole() {
    let once = Plan { second_cut: false, third_cuts: 0, ..Plan::default() };
    let mut report = cut_book::<16, 4096>(&DETAILED, 0, 4, &once);
    // At the end of a sector: about three entries for two events; where the first sums are written.
    report.merge(&cut_book::<16, 4096>(&DETAILED, 83, 3, &once));
    report.merge(&cut_book::<16, 4096>(&DETAILED, 488, 3, &once));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 200, "{report}");
}

#[test]
#[ignore = "minutes; run with --release"]
fn every_second_cut_leaves_events_whole() {
    let plan = Plan { third_cuts: 1, ..Plan::default() };
    let mut report = cut_book::<8, 4096>(&DETAILED, 0, 4, &plan);
    report.merge(&cut_book::<8, 4096>(&DETAILED, 83, 5, &plan));
    report.merge(&cut_book::<8, 4096>(&DETAILED, 487, 6, &plan));
    report.merge(&cut_book::<16, 2048>(&DETAILED, 505, 6, &plan));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 50_000, "{report}");
}

#[test]
#[ignore = "minutes; run with --release"]
fn every_second_cut_leaves_an_exact_prefix_and_exact_totals() {
    let plan = Plan { third_cuts: 1, ..Plan::default() };
    let mut report = cut_everywhere::<16, 4096>(0, 2, &plan);
    report.merge(&cut_everywhere::<8, 4096>(125, 4, &plan));
    report.merge(&cut_everywhere::<16, 4096>(733, 4, &plan));
    report.merge(&cut_everywhere::<16, 2048>(760, 3, &plan));
    report.merge(&cut_everywhere::<16, 4096>(2_000, 3, &plan));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 40_000, "{report}");
}

/// Years of events and power-ups, many of them cut: no event is lost or counted twice.
#[test]
fn totals_stay_exact_through_years_of_cuts() {
    let mut random = Random::new(3);
    let mut flash = SimFlash::<8, 4096>::new(6);
    let (mut acknowledged, mut cuts) = (0, 0);
    for boot in 1..=700 {
        flash.power_up();
        flash.set_unstable(random.below(2) == 0);
        let tear = Tear::ALL[usize::try_from(random.below(3)).unwrap()];
        flash.cut_at(1 + random.below(80), tear, random.bits());
        let shared = SharedFlash::new(flash.clone());
        let life = PLAIN.open(shared.clone()).and_then(|mut store| {
            let found = PLAIN.read_back(&mut store)?;
            assert!(found.events == acknowledged || found.events == acknowledged + 1, "boot {boot}: {}", found.events);
            assert_eq!(found, State::after(found.events), "boot {boot}");
            assert_eq!(store.journal.unsummed_sectors(), 0, "boot {boot}");
            let verdict = store.journal.verify(&mut store.flash, Some(&KEY))?;
            assert!(verdict == Verdict::Sound || found.events == 0, "boot {boot}: {verdict:?}");
            acknowledged = found.events;
            for _ in 0..random.below(12) {
                PLAIN.apply(&mut store, &Act::Append)?;
                acknowledged += 1;
            }
            PLAIN.apply(&mut store, &Act::Stand)
        });
        flash = shared.image();
        assert_eq!(flash.breach(), None, "boot {boot}");
        assert!(life.is_ok() || !flash.is_powered(), "boot {boot}: {life:?}");
        cuts += u32::from(life.is_err());
    }
    println!("{cuts} cuts, {acknowledged} events");
    assert!(cuts > 200 && acknowledged > 2_000, "the test must be hard enough");
}

#[test]
fn the_oldest_are_summed_by_fifty_hours_with_the_chain_tag_of_the_newest_of_them() {
    let mut flash = SimFlash::<4, 4096>::new(6);
    let mut journal = open_journal(&mut flash, 1).unwrap();
    let mut tags = Vec::new();
    for number in 0..1_000 {
        append(&mut journal, &mut flash, number, &plain(number)).unwrap();
        tags.push(journal.older(&mut flash, &mut journal.newest()).unwrap().unwrap().tag);
    }
    let mut sums = Vec::new();
    let mut walk = journal.newest();
    let mut oldest_event = u32::MAX;
    while let Some(found) = journal.older(&mut flash, &mut walk).unwrap() {
        match found.record {
            Record::Sum { tally, replaces } => sums.push((found.running_s / 3_600, tally, replaces.unwrap())),
            _ => oldest_event = oldest_event.min(number_of(&found, plain).unwrap()),
        }
    }
    let newest_in = |tag: &[u8; 8]| u32::try_from(tags.iter().position(|known| known == tag).unwrap()).unwrap();
    sums.sort_by_key(|(from_h, _, tag)| (*from_h, newest_in(tag)));
    let mut next = 0;
    for (from_h, tally, tag) in sums {
        let count = tally.alarms + tally.warnings + tally.cautions + tally.others;
        assert_eq!(from_h, next / 50 * 50, "spans begin at whole 50 hours");
        assert!(next + count <= from_h + 50, "one event an hour: at most 50 in a span");
        next += count;
        assert_eq!(newest_in(&tag), next - 1, "tag of the newest in it");
    }
    assert_eq!(next, oldest_event, "sums end where the events begin");
    let mut store = PLAIN.open(SharedFlash::new(flash.clone())).unwrap();
    assert_eq!(PLAIN.read_back(&mut store).unwrap(), State::after(1_000));
    assert_eq!(flash.breach(), None);
}

#[test]
fn few_events_over_many_hours_are_summed_more_coarsely() {
    let mut flash = SimFlash::<8, 4096>::new(6);
    let mut journal = Journal::new();
    journal.open(&mut flash, 0, 1).unwrap();
    power_up(&mut journal, &mut flash);
    for number in 0..3_000_u32 {
        // An event in 60 hours: a span of 50 hours for each would need as much room as the events.
        while journal.append(&mut flash, number % 1_200 * 216_000, &plain(number)).unwrap() == Progress::Again {}
    }
    assert_eq!(journal.tally(&mut flash).unwrap(), tally_of(3_000));
    assert_eq!(journal.unsummed_sectors(), 0);
}

/// A part with an entry that was cut short: it reads well at times.
struct Fickle {
    flash: SimFlash<8, 4096>,
    offset: u32,
    /// Whether each of the next reads comes out well, lowest bit first; those behind the last do not.
    good_reads: u32,
}

impl ErrorType for Fickle {
    type Error = SimError;
}

impl ReadNorFlash for Fickle {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), SimError> {
        self.flash.read(offset, bytes)?;
        if offset == self.offset {
            bytes[9] ^= u8::from(self.good_reads & 1 == 0);
            self.good_reads >>= 1;
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.flash.capacity()
    }
}

impl NorFlash for Fickle {
    const WRITE_SIZE: usize = 8;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), SimError> {
        if (from..to).contains(&self.offset) {
            self.offset = u32::MAX;
        }
        self.flash.erase(from, to)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), SimError> {
        self.flash.write(offset, bytes)
    }
}

#[test]
fn a_newest_entry_that_reads_well_only_at_first_is_passed_over() {
    // The mark and 127 events fill the first sector, so the 128th event stands alone in the second one.
    for (place, events, offset) in [("alone in its sector", 128, 4_096), ("behind others", 127, 127 * 32)] {
        for good_reads in (0..8).map(|count| (1 << count) - 1) {
            let flash = filled::<8, 4096>(events);
            let mut flash = Fickle { flash, offset, good_reads };
            let mut journal = Journal::new();
            journal.open(&mut flash, 0, 2).unwrap();
            power_up(&mut journal, &mut flash);
            let tally = journal.tally(&mut flash).unwrap();
            let case = format!("{place}, reads {good_reads:#b}: {tally:?}");
            assert!(tally == tally_of(events - 1) || (good_reads >= 0b1111 && tally == tally_of(events)), "{case}");
            append(&mut journal, &mut flash, events, &plain(events)).unwrap();
            journal.open(&mut flash, 0, 3).unwrap();
            power_up(&mut journal, &mut flash);
            let newest = journal.older(&mut flash, &mut journal.newest()).unwrap();
            assert_eq!(newest.as_ref().and_then(|found| number_of(found, plain)), Some(events), "{case}");
            assert_eq!(flash.flash.breach(), None, "{case}");
        }
    }
}

#[test]
fn a_last_sum_that_reads_well_at_times_is_counted_once() {
    let full = filled::<8, 4096>(736);
    // Entries of the sums: found by their first byte in the sixth sector.
    let last_sum = (0..128).rev().find(|slot| full.bytes()[5 * 4_096 + slot * 32] == 0x50).unwrap();
    let offset = u32::try_from(5 * 4_096 + last_sum * 32).unwrap();
    for looks in 0..64_u32 {
        // Each look is two reads, so each bit of the looks stands twice.
        let good_reads = (0..6).filter(|look| looks >> look & 1 == 1).fold(0, |reads, look| reads | 0b11 << (2 * look));
        let mut flash = full.clone();
        // The event behind the sums goes, so that the last sum is the newest entry.
        let mut bytes = flash.bytes().to_vec();
        let behind = 5 * 4_096 + (last_sum + 1) * 32;
        bytes[behind..6 * 4_096].fill(0xFF);
        flash = SimFlash::from_bytes(bytes);
        let mut flash = Fickle { flash, offset, good_reads };
        let mut journal = Journal::new();
        journal.open(&mut flash, 0, 2).unwrap();
        power_up(&mut journal, &mut flash);
        let before = journal.tally(&mut flash).unwrap();
        let events = before.alarms + before.warnings + before.cautions + before.others;
        assert_eq!(before, tally_of(events), "looks {looks:#b}");
        append(&mut journal, &mut flash, events, &plain(events)).unwrap();
        assert_eq!(journal.tally(&mut flash).unwrap(), tally_of(events + 1), "looks {looks:#b}");
    }
}

/// Power-ups without events take a slot each: they fill the sector behind the sums and go on in the one that was summed.
#[test]
fn power_ups_alone_change_no_total() {
    let flash = SharedFlash::new(filled::<8, 4096>(734));
    for boot in 0..300 {
        let mut store = PLAIN.open(flash.clone()).unwrap();
        assert_eq!(PLAIN.read_back(&mut store).unwrap(), State::after(734), "boot {boot}");
        PLAIN.apply(&mut store, &Act::Stand).unwrap();
        assert_eq!(PLAIN.read_back(&mut store).unwrap(), State::after(734), "boot {boot}, after standing");
        assert_eq!(store.journal.unsummed_sectors(), 0, "boot {boot}");
    }
    assert!(flash.with(|flash| flash.wear().iter().sum::<u32>()) > 7, "the ring has gone round");
}

#[test]
fn how_full_it_is() {
    // The first power-up makes a mark.
    let cases = [(0, 1), (1, 2), (127, 128), (128, 129), (734, 735)];
    for (events, used) in cases {
        let mut flash = filled::<8, 4096>(events);
        let mut journal = Journal::new();
        journal.open(&mut flash, 0, 2).unwrap();
        assert_eq!(journal.fullness(), Fullness { used, places: 768 }, "{events} events");
    }
}

#[test]
fn one_call_is_one_operation() {
    let mut flash = SimFlash::<8, 2048>::new(12);
    let mut journal = Journal::new();
    journal.open(&mut flash, 0, 1).unwrap();
    power_up(&mut journal, &mut flash);
    let (mut number, mut calls_for_one) = (0, 0);
    while number < 1_500 {
        let before = flash.counts();
        let progress = journal.append(&mut flash, number * 3_600, &detailed(number)).unwrap();
        let spent = flash.counts().since(&before);
        assert!(matches!((spent.word_writes, spent.erases), (4 | 0, 0) | (0, 1)), "event {number}: {spent:?}");
        // Eight slots, read twice each, and what is read back.
        assert!(spent.bytes_read <= 8 * 2 * 32 + 64, "event {number}: {spent:?}");
        calls_for_one += 1;
        assert!(calls_for_one <= 90, "event {number} is not done after {calls_for_one} calls");
        if progress == Progress::Done {
            (number, calls_for_one) = (number + 1, 0);
        }
    }
}

#[test]
fn rubbish_is_counted_and_no_obstacle() {
    for fill in [0x00, 0x4A] {
        let mut flash = SimFlash::<4, 4096>::from_bytes(vec![fill; 24_576]);
        let mut journal = Journal::new();
        assert_eq!(journal.append(&mut flash, 0, &plain(0)), Err(StoreError::NotReady));
        journal.open(&mut flash, 0, 1).unwrap();
        assert_eq!(journal.damaged(), 768);
        power_up(&mut journal, &mut flash);
        append(&mut journal, &mut flash, 0, &plain(0)).unwrap();
        assert_eq!(journal.tally(&mut flash).unwrap(), tally_of(1));
        assert_eq!(flash.breach(), None);
    }
}
