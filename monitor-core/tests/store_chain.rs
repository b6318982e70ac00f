//! The chain of the journal: what it notices, and what records say of time and order.

#[allow(dead_code, reason = "each test uses its part of it")]
mod store_common;

use monitor_core::acquire::Channel;
use monitor_core::event::{AlarmState, EvidenceItem, EvidenceKey, State as What};
use monitor_core::finding::{Finding, Level};
use monitor_core::ledger::store::{Journal, JournalEvent, NewRecord, Progress, Record, Verdict};
use monitor_core::time::Instant;
use powercut::SimFlash;
use store_common::{KEY, open_journal};

type Flash = SimFlash<4, 4096>;

fn open(flash: &mut Flash, boot: u32) -> Journal {
    open_journal(flash, boot).unwrap()
}

fn append(journal: &mut Journal, flash: &mut Flash, running_s: u32, record: &NewRecord) {
    store_common::append(journal, flash, running_s, record).unwrap();
}

fn filled(records: u32) -> (Flash, Journal) {
    let mut flash = Flash::new(6);
    let mut journal = open(&mut flash, 1);
    for number in 0..records {
        append(&mut journal, &mut flash, number * 600, &NewRecord::Hole { seconds: number });
        if number % 40 == 39 {
            journal = open(&mut flash, number);
        }
    }
    (flash, journal)
}

/// CRC-32/ISO-HDLC, bit by bit.
fn crc(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| crc >> 1 ^ if crc & 1 == 1 { 0xEDB8_8320 } else { 0 })
    })
}

/// Alters a byte of an entry and puts the right check behind it.
fn forge(flash: &Flash, slot: usize, at: usize) -> Flash {
    let mut bytes = flash.bytes().to_vec();
    let entry = &mut bytes[slot * 32..slot * 32 + 32];
    entry[at] ^= 1;
    let check = crc(&entry[..28]);
    entry[28..].copy_from_slice(&check.to_le_bytes());
    Flash::from_bytes(bytes)
}

#[test]
fn an_honest_journal_is_sound_at_any_length() {
    for records in [0, 1, 126, 127, 128, 300, 735, 740, 768, 2_000] {
        let (mut flash, journal) = filled(records);
        let verdict = journal.verify(&mut flash, Some(&KEY)).unwrap();
        assert_eq!(verdict, Verdict::Sound, "{records} records");
    }
}

#[test]
fn whoever_alters_an_entry_without_the_key_is_found_out() {
    let (flash, _) = filled(300);
    // Hours, what it says, its tag; in an old entry and in one of the last sector.
    for slot in [20, 127, 128, 260] {
        for at in [6, 8, 12, 20] {
            let mut forged = forge(&flash, slot, at);
            let journal = open(&mut forged, 900);
            let verdict = journal.verify(&mut forged, Some(&KEY)).unwrap();
            assert!(matches!(verdict, Verdict::Broken { .. }), "slot {slot}, byte {at}: {verdict:?}");
        }
    }
}

#[test]
fn whoever_removes_entries_is_found_out() {
    let (flash, _) = filled(1_000);
    for (name, from, to) in [("one", 522 * 32, 523 * 32), ("a sector", 4 * 4_096, 5 * 4_096)] {
        let mut bytes = flash.bytes().to_vec();
        bytes[from..to].fill(0xFF);
        let mut forged = Flash::from_bytes(bytes);
        let journal = open(&mut forged, 900);
        let verdict = journal.verify(&mut forged, Some(&KEY)).unwrap();
        assert!(matches!(verdict, Verdict::Broken { .. }), "{name}: {verdict:?}");
    }
}

#[test]
fn a_sum_carries_the_chain_on_and_is_part_of_it() {
    let (flash, _) = filled(740);
    let sum = flash.bytes().chunks(32).rposition(|entry| entry[0] == 0x50).unwrap();
    for (name, slot, at) in [("the count of the sum", sum, 18), ("the tag it replaces", sum - 1, 12)] {
        let mut forged = forge(&flash, slot, at);
        let journal = open(&mut forged, 900);
        let verdict = journal.verify(&mut forged, Some(&KEY)).unwrap();
        assert!(matches!(verdict, Verdict::Broken { .. }), "{name}: {verdict:?}");
    }
}

fn event(id: u32, state: What) -> NewRecord {
    NewRecord::Event(JournalEvent {
        trip: 0,
        stamp: Instant::from_millis(1),
        id,
        finding: Finding::HeadOverLimit,
        channel: None,
        item: None,
        level: Level::Alarm,
        state,
        alarm_state: AlarmState::Unacknowledged,
        evidence: [None; 2],
        candidate: None,
        replaced_by: None,
        detail_missing: false,
    })
}

/// An event with a detail of its own.
fn detailed(id: u32, flow: i32) -> NewRecord {
    let NewRecord::Event(plain) = event(id, What::Raised) else { return event(id, What::Raised) };
    let flow = EvidenceItem { key: EvidenceKey::Value(Channel::Flow), value: Some(flow) };
    NewRecord::Event(JournalEvent { finding: Finding::StreamLost, evidence: [Some(flow), None], ..plain })
}

#[test]
fn an_event_does_not_take_over_the_detail_of_one_that_was_given_up() {
    let mut flash = Flash::new(6);
    let mut journal = open(&mut flash, 1);
    assert_eq!(journal.append(&mut flash, 1, &detailed(1, 111)), Ok(Progress::Again), "its detail is there");
    append(&mut journal, &mut flash, 2, &detailed(2, 222));
    let newest = journal.older(&mut flash, &mut journal.newest()).unwrap().unwrap();
    let Record::Event(found) = newest.record else { panic!("{newest:?}") };
    assert_eq!((found.id, found.evidence[0].and_then(|item| item.value)), (2, Some(222)));
}

#[test]
fn every_kind_of_record_comes_back() {
    let mut flash = Flash::new(6);
    let mut journal = open(&mut flash, 70_000);
    let counted = (Finding::OverSpeed, Level::Warning, 431);
    let (finding, level, count) = counted;
    for record in [
        NewRecord::PowerUp,
        NewRecord::Hole { seconds: 86_400 },
        NewRecord::Counted { finding, level, count },
        NewRecord::Seal { starts: 70_001 },
    ] {
        append(&mut journal, &mut flash, 7_200, &record);
    }
    let mut records = Vec::new();
    let mut walk = journal.newest();
    while let Some(found) = journal.older(&mut flash, &mut walk).unwrap() {
        assert_eq!((found.boot, found.running_s), (4_464, 7_200), "the low 16 bits of 70,000");
        records.push(found.record);
    }
    let expected = [
        Record::Seal { running_s: 7_200, starts: 70_001 },
        Record::Counted { finding, level, count },
        Record::Hole { seconds: 86_400 },
        Record::PowerUp { boot: 70_000 },
    ];
    assert_eq!(records, expected);
    let tally = journal.tally(&mut flash).unwrap();
    assert_eq!((tally.warnings, tally.others), (431, 3), "what was only counted is in the totals");
}

#[test]
fn golden_bytes_of_every_entry() {
    let mut flash = Flash::new(6);
    let mut journal = open(&mut flash, 0x0102);
    let finding = Finding::OverSpeed;
    append(&mut journal, &mut flash, 0x0A0B0C, &event(0x1_2345, What::Cleared));
    append(&mut journal, &mut flash, 7, &NewRecord::Hole { seconds: 0x0403_0201 });
    append(&mut journal, &mut flash, 7, &NewRecord::PowerUp);
    append(&mut journal, &mut flash, 7, &NewRecord::Counted { finding, level: Level::Warning, count: 0x0506 });
    append(&mut journal, &mut flash, 7, &NewRecord::Seal { starts: 9 });
    #[rustfmt::skip]
    let expected = [
        ("mark", [0x90, 0, 0, 1, 0, 0, 2, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]),
        ("event", [0x11, 3, 0, 2, 0, 0, 2, 1, 0x0C, 0x0B, 0x0A, 0xB0, 1, 0, 0, 0, 1, 0x45, 0x23, 0x25]),
        ("hole", [0x30, 0, 0, 3, 0, 0, 2, 1, 7, 0, 0, 0, 1, 2, 3, 4, 0, 0, 0, 0]),
        ("power-up", [0x40, 0, 0, 4, 0, 0, 2, 1, 7, 0, 0, 0, 2, 1, 0, 0, 0, 0, 0, 0]),
        ("counted", [0x60, 2, 0, 5, 0, 0, 2, 1, 7, 0, 0, 0, 10, 6, 5, 0, 0, 0, 0, 0]),
        ("seal", [0x70, 0, 0, 6, 0, 0, 2, 1, 7, 0, 0, 0, 7, 0, 0, 0, 9, 0, 0, 0]),
    ];
    for ((name, bytes), entry) in expected.iter().zip(flash.bytes().chunks(32)) {
        assert_eq!(entry[..20], *bytes, "{name}");
        assert_eq!(entry[28..], crc(&entry[..28]).to_le_bytes(), "{name}: check");
    }
    let tags: Vec<&[u8]> = flash.bytes().chunks(32).take(6).map(|entry| &entry[20..28]).collect();
    assert_eq!(tags, TAGS, "BLAKE2s by another implementation");
}

#[rustfmt::skip]
const TAGS: [[u8; 8]; 6] = [
    [0x0D, 0xB2, 0x4F, 0xAA, 0x73, 0x0E, 0x4D, 0x38],
    [0x4F, 0x12, 0x2C, 0x6D, 0xCD, 0xC2, 0xDA, 0xA8],
    [0x22, 0x43, 0xCD, 0x50, 0xDF, 0x95, 0x7B, 0x31],
    [0xE0, 0x45, 0xCA, 0xE5, 0xEC, 0xFF, 0xCD, 0xD2],
    [0xAE, 0xDF, 0x0B, 0x07, 0x06, 0x08, 0xDB, 0x5D],
    [0xD0, 0xBE, 0x94, 0xB2, 0xFB, 0x86, 0xA5, 0xDB],
];
