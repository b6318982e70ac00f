//! The façade and its store: what is kept over a power cut, and how it comes back.

mod common;

use common::{Row, profile};
use monitor_core::Monitor;
use monitor_core::command::Command;
use monitor_core::event::{AlarmState, State};
use monitor_core::finding::Finding;
use monitor_core::ledger::store::{Key, Progress, Record, Verdict, Work};
use monitor_core::time::Instant;
use powercut::SimFlash;

type Flash = SimFlash<4, 1024>;

/// A board: one power-up after another on the same flash.
struct Board {
    flash: Flash,
    monitor: Box<Monitor>,
    second: i64,
}

impl Board {
    fn new() -> Self {
        let mut board = Self { flash: Flash::new(64), monitor: Box::new(Monitor::new()), second: 0 };
        board.power_up();
        board
    }

    /// The power goes, whatever was going on, and comes back.
    fn power_up(&mut self) {
        *self.monitor = Monitor::new();
        self.second = 0;
        self.monitor.begin(&profile()).unwrap();
        self.monitor.open(&mut self.flash, 0).unwrap();
        while !self.monitor.is_ready() {
            let _ = self.monitor.service(Instant::from_millis(0), &mut self.flash).unwrap();
        }
        self.monitor.begin_trip(Instant::from_millis(0), 0);
    }

    fn now(&self) -> Instant {
        Instant::from_millis(self.second * 1_000)
    }

    /// Some seconds with the same readings; what is due is written meanwhile, one operation in each half second.
    fn run(&mut self, seconds: u32, row: Row) {
        for _ in 0..seconds {
            self.monitor.step(self.now(), &row.readings());
            for _ in 0..2 {
                let _ = self.monitor.service(self.now(), &mut self.flash).unwrap();
            }
            self.second += 1;
        }
    }

    fn settle(&mut self) {
        while self.monitor.service(self.now(), &mut self.flash).unwrap() != Work::Nothing {}
    }

    fn records(&mut self) -> Vec<Record> {
        let journal = &self.monitor.store().journal;
        let (mut walk, mut records) = (journal.newest(), Vec::new());
        while let Some(recorded) = journal.older(&mut self.flash, &mut walk).unwrap() {
            records.push(recorded.record);
        }
        records.reverse();
        records
    }
}

fn fast() -> Row {
    Row::healthy(6_400)
}

#[test]
fn hours_come_back_and_lose_ten_seconds_at_most() {
    let mut board = Board::new();
    let mut ran_s = 0;
    for (boot, seconds) in [65, 400, 33, 1_000].into_iter().enumerate() {
        board.run(seconds, Row::healthy(3_000));
        ran_s += u64::from(seconds) - 1;
        board.power_up();
        let kept_s = board.monitor.hours().running_s();
        assert!(kept_s <= ran_s && kept_s + 10 > ran_s, "boot {boot}: {kept_s} of {ran_s}");
        ran_s = kept_s;
    }
    assert_eq!(board.monitor.hours().starts(), 4);
}

#[test]
fn nothing_is_lost_at_the_end_of_a_trip() {
    let mut board = Board::new();
    board.run(66, Row::healthy(3_000));
    let _ = board.monitor.end_trip();
    board.settle();
    board.power_up();
    assert_eq!(board.monitor.hours().running_s(), 65);
}

#[test]
fn seconds_before_the_store_is_ready_count() {
    let mut board = Board::new();
    board.run(100, Row::healthy(3_000));
    let _ = board.monitor.end_trip();
    board.settle();
    let mut late = Box::new(Monitor::new());
    late.begin(&profile()).unwrap();
    late.open(&mut board.flash, 0).unwrap();
    late.begin_trip(Instant::from_millis(0), 0);
    for second in 0..21 {
        late.step(Instant::from_millis(second * 1_000), &Row::healthy(3_000).readings());
    }
    while !late.is_ready() {
        let _ = late.service(Instant::from_millis(20_000), &mut board.flash).unwrap();
    }
    assert_eq!(late.hours().running_s(), 99 + 20);
}

#[test]
fn an_open_finding_survives_the_power_cut_with_its_acknowledgement() {
    let mut board = Board::new();
    board.run(20, fast());
    let raised = std::iter::from_fn(|| board.monitor.next_event()).find(|event| event.state == State::Raised).unwrap();
    assert_eq!(raised.finding, Finding::OverSpeed);
    board.monitor.handle(board.now(), Command::Acknowledge(None)).unwrap();
    board.run(40, fast());
    board.power_up();
    board.run(30, Row { rpm: Some(3_000), ..fast() });
    let cleared =
        std::iter::from_fn(|| board.monitor.next_event()).find(|event| event.state == State::Cleared).unwrap();
    assert_eq!((cleared.id, cleared.finding), (raised.id, Finding::OverSpeed));
    assert_eq!(cleared.alarm_state, AlarmState::Normal, "it was acknowledged before the power went");
    board.run(70, Row { rpm: Some(3_000), ..fast() });
    board.run(10, fast());
    let again = std::iter::from_fn(|| board.monitor.next_event()).find(|event| event.state == State::Raised).unwrap();
    assert!(again.id > raised.id, "ids are not given twice");
}

#[test]
fn the_journal_tells_what_happened_in_order_with_two_numbers_of_evidence() {
    let mut board = Board::new();
    board.run(10, fast());
    board.run(30, Row::healthy(3_000));
    board.settle();
    let events: Vec<_> = board
        .records()
        .into_iter()
        .filter_map(|record| if let Record::Event(event) = record { Some(event) } else { None })
        .collect();
    let states: Vec<_> = events.iter().map(|event| event.state).collect();
    assert_eq!(states, [State::Raised, State::Cleared]);
    let values: Vec<_> = events[0].evidence.iter().flatten().map(|item| item.value).collect();
    assert_eq!(values, [Some(6_400 * 4), Some(6_000 * 4)]);
}

#[test]
fn holes_and_power_ups_are_journalled() {
    let mut board = Board::new();
    board.run(30, Row::healthy(3_000));
    board.second += 100;
    board.run(30, Row::healthy(3_000));
    // Samples go on, but the speed is missing in them.
    board.run(20, Row { rpm: None, ..Row::healthy(3_000) });
    board.run(10, Row::healthy(3_000));
    board.settle();
    let records = board.records();
    assert!(matches!(records[0], Record::PowerUp { boot: 1 }), "{records:?}");
    let holes =
        records.iter().filter_map(|record| if let Record::Hole { seconds } = record { Some(*seconds) } else { None });
    assert_eq!(holes.collect::<Vec<_>>(), [101, 21], "{records:?}");
}

/// Over-speed comes and goes: an event every 80 s, as one within 60 s of the last belongs to the same episode.
fn flap(board: &mut Board, times: u32) {
    for _ in 0..times {
        board.run(10, fast());
        board.run(80, Row::healthy(3_000));
    }
}

fn counted_and_written(records: &[Record]) -> (u32, usize) {
    let counts = records.iter().map(|record| if let Record::Counted { count, .. } = record { *count } else { 0 });
    let events = records.iter().filter(|record| matches!(record, Record::Event(_)));
    (counts.map(u32::from).sum(), events.count())
}

#[test]
fn twenty_events_of_a_finding_and_trip_are_written_and_the_others_counted() {
    let mut board = Board::new();
    flap(&mut board, 25);
    let _ = board.monitor.end_trip();
    board.settle();
    assert_eq!(counted_and_written(&board.records()), (30, 20), "raised and cleared each time");
    let tally = board.monitor.store().journal.tally(&mut board.flash).unwrap();
    assert_eq!(tally.warnings, 50, "the totals are whole");
    // The next trip has its own twenty.
    board.monitor.begin_trip(board.now(), 1);
    flap(&mut board, 3);
    board.settle();
    assert_eq!(counted_and_written(&board.records()), (30, 26));
}

#[test]
fn a_power_cut_takes_no_more_than_five_minutes_of_counts() {
    let mut board = Board::new();
    flap(&mut board, 25);
    board.power_up();
    let (counted, written) = counted_and_written(&board.records());
    assert_eq!(written, 20);
    assert!((30 - 2 * 4..=30).contains(&counted), "{counted}: four times two events in 300 s of running and some more");
}

#[test]
fn records_carry_the_running_seconds_at_which_they_happened() {
    let mut board = Board::new();
    board.run(51, Row::healthy(3_000));
    let _ = board.monitor.end_trip();
    board.settle();
    // The next power-up: the hours before come on top, though they are not known yet when the power comes.
    board.power_up();
    // The supply is poor for a while, so that what happens waits.
    board.monitor.allow_writes(false);
    board.run(30, fast());
    board.run(30, Row::healthy(3_000));
    board.monitor.allow_writes(true);
    board.run(60, Row::healthy(3_000));
    let journal = &board.monitor.store().journal;
    let (mut walk, mut found) = (journal.newest(), Vec::new());
    while let Some(recorded) = journal.older(&mut board.flash, &mut walk).unwrap() {
        match recorded.record {
            Record::Event(event) => found.push((event.state.name(), recorded.running_s)),
            Record::PowerUp { boot } => {
                found.push((if boot == 1 { "first power-up" } else { "power-up" }, recorded.running_s));
            }
            _ => {}
        }
    }
    found.reverse();
    // 50 s before; over-speed stands after 3 s, and has gone for 10 s when it clears.
    assert_eq!(found, [("first power-up", 0), ("power-up", 50), ("raised", 50 + 3), ("cleared", 50 + 40)]);
}

#[test]
fn the_chain_gets_its_key_once_and_seals_every_hour() {
    let mut board = Board::new();
    let key = *b"sixteen random 1";
    while board.monitor.make_chain_key(&mut board.flash, &key).unwrap() == Progress::Again {}
    board.settle();
    board.run(10, fast());
    board.run(3_700, Row::healthy(3_000));
    board.settle();
    let verdict = |board: &mut Board, key: [u8; 16]| {
        board.monitor.store().journal.verify(&mut board.flash, Some(&Key::from_bytes(key))).unwrap()
    };
    assert_eq!(verdict(&mut board, key), Verdict::Sound);
    // Another key is offered after the next power-up: the first one stays.
    board.power_up();
    let other = *b"another random 2";
    assert_eq!(board.monitor.make_chain_key(&mut board.flash, &other), Ok(Progress::Done));
    board.run(3_700, Row::healthy(3_000));
    board.settle();
    assert_eq!(verdict(&mut board, key), Verdict::Sound);
    assert!(matches!(verdict(&mut board, other), Verdict::Broken { .. }));
    let seals = board.records().into_iter().filter(|record| matches!(record, Record::Seal { .. })).count();
    assert_eq!(seals, 2, "one for each hour of running");
}

#[test]
fn a_warning_keeps_the_minute_before_and_after() {
    let mut board = Board::new();
    board.run(100, Row::healthy(3_000));
    board.run(100, fast());
    board.settle();
    let area = &board.monitor.store().snapshots;
    let (mut walk, mut halves) = (area.newest(), Vec::new());
    while let Some(recorded) = area.older(&mut board.flash, &mut walk).unwrap() {
        halves.push(recorded.half);
    }
    assert_eq!(halves.len(), 2, "{halves:?}");
    assert!(halves.iter().all(|half| half.trigger.finding == Finding::OverSpeed && half.len() == 16));
}

#[test]
fn without_a_store_service_says_so_and_nothing_else_changes() {
    let mut flash = Flash::new(64);
    let before = flash.bytes().to_vec();
    let mut monitor = Box::new(Monitor::new());
    monitor.begin(&profile()).unwrap();
    assert!(monitor.service(Instant::from_millis(0), &mut flash).is_err());
    assert_eq!(flash.bytes(), before);
    assert!(!monitor.is_ready());
}

#[test]
fn nothing_is_written_on_a_poor_supply() {
    let mut board = Board::new();
    board.settle();
    let before = board.flash.bytes().to_vec();
    board.monitor.allow_writes(false);
    board.run(60, fast());
    assert!(board.flash.bytes() == before, "flash was written");
    board.monitor.allow_writes(true);
    board.run(10, fast());
    assert!(board.flash.bytes() != before, "what waited was not written");
}
