//! What people tell the journal: sign-offs with their notes, times of day, other hour meters.

#[allow(dead_code, reason = "each test uses its part of it")]
mod store_common;

use monitor_core::ledger::store::{
    Journal, NOTE_PIECE_BYTES, NewRecord, NotePiece, Progress, Record, StoreError, Verdict,
};
use monitor_core::ledger::{CarePlan, ClockAnchor, ClockQuality, Day, Item, MeterChange, Role, SignOff};
use powercut::{Plan, Report, Scenario, SharedFlash, SimFlash, Subject, exhaust};
use store_common::{KEY, STANDING, append, open_journal};

fn pieces(note: &str) -> impl Iterator<Item = NewRecord> + '_ {
    (0..).zip(note.as_bytes().chunks(NOTE_PIECE_BYTES)).map(|(number, chunk)| {
        let mut text = [0; NOTE_PIECE_BYTES];
        text[..chunk.len()].copy_from_slice(chunk);
        NewRecord::Note(NotePiece { number, text })
    })
}

fn sign_off(number: u32) -> (SignOff, String) {
    let note = "x".repeat(usize::try_from(number % 30).unwrap()) + "é";
    let item = Item::ALL[usize::try_from(number).unwrap() % Item::COUNT];
    let role = Role::ALL[usize::try_from(number).unwrap() % 3];
    let day = (!number.is_multiple_of(4)).then(|| Day::from_days_since_1970(u16::try_from(number % 30_000).unwrap()));
    let note_pieces = u8::try_from(pieces(&note).count()).unwrap();
    (SignOff { item, role, at_s: number * 7, day, note_pieces }, note)
}

struct Open<const WORD: usize, const PAGE: usize> {
    journal: Journal,
    flash: SharedFlash<WORD, PAGE>,
}

impl<const WORD: usize, const PAGE: usize> Open<WORD, PAGE> {
    fn append(&mut self, record: &NewRecord) -> Result<(), StoreError> {
        append(&mut self.journal, &mut self.flash, 7, record)
    }

    fn sign(&mut self, number: u32) -> Result<(), StoreError> {
        let (done, note) = sign_off(number);
        pieces(&note).try_for_each(|piece| self.append(&piece))?;
        self.append(&NewRecord::SignOff(done))
    }

    /// Every sign-off with its note, newest first; a note that is not whole is none.
    fn signed(&mut self) -> Result<Vec<(SignOff, Option<String>)>, StoreError> {
        let (mut walk, mut found) = (self.journal.newest(), Vec::new());
        while let Some(recorded) = self.journal.older(&mut self.flash, &mut walk)? {
            let Record::SignOff(done) = recorded.record else { continue };
            let note = self.journal.note(&mut self.flash, &walk, &done)?;
            found.push((done, note.map(|(length, text)| String::from_utf8(text[..length].to_vec()).unwrap())));
        }
        Ok(found)
    }
}

/// How many sign-offs are compared: more of them are in the journal whatever power-ups and cuts cost.
const SHOWN: usize = 20;

struct Book;

impl<const WORD: usize, const PAGE: usize> Subject<WORD, PAGE> for Book {
    type Store = Open<WORD, PAGE>;
    type Op = u32;
    type State = Vec<(SignOff, Option<String>)>;
    type Error = StoreError;

    fn open(&self, mut flash: SharedFlash<WORD, PAGE>) -> Result<Self::Store, StoreError> {
        let journal = open_journal(&mut flash, 1)?;
        Ok(Open { journal, flash })
    }

    fn apply(&self, store: &mut Self::Store, number: &u32) -> Result<(), StoreError> {
        store.sign(*number)
    }

    fn read_back(&self, store: &mut Self::Store) -> Result<Self::State, StoreError> {
        let mut signed = store.signed()?;
        signed.truncate(SHOWN);
        Ok(signed)
    }

    fn expected(&self, before: &Self::State, number: &u32) -> Self::State {
        let (done, note) = sign_off(*number);
        let mut signed = before.clone();
        signed.insert(0, (done, Some(note)));
        signed.truncate(SHOWN);
        signed
    }
}

fn cut_everywhere<const WORD: usize, const PAGE: usize>(before: u32, ops: u32) -> Report {
    let flash = SharedFlash::new(SimFlash::<WORD, PAGE>::new(24_576 / PAGE));
    let mut store = Book.open(flash.clone()).unwrap();
    for number in 0..before {
        store.sign(number).unwrap();
    }
    let state = Book.read_back(&mut store).unwrap();
    let ops = (before..before + ops).collect();
    let once = Plan { second_cut: false, third_cuts: 0, ..Plan::default() };
    exhaust(&Book, &Scenario { start: flash.image(), state, ops, reboot_every: 2 }, &once)
}

/// The first sign-off that sums of the oldest sector come before.
fn first_among_sums() -> u32 {
    let mut store = Book.open(SharedFlash::new(SimFlash::<16, 4096>::new(6))).unwrap();
    let newest_seq = |store: &mut Open<16, 4096>| {
        let newest = store.journal.older(&mut store.flash, &mut store.journal.newest()).unwrap();
        newest.map_or(1, |newest| newest.seq)
    };
    (0..1_000)
        .find(|number| {
            let before = newest_seq(&mut store);
            store.sign(*number).unwrap();
            newest_seq(&mut store) > before + u32::from(sign_off(*number).0.note_pieces) + 1
        })
        .unwrap()
}

#[test]
fn a_cut_leaves_a_sign_off_with_its_whole_note_or_none_of_it() {
    // On an erased part; then where sums of the oldest sector come among the pieces of a note.
    let mut report = cut_everywhere::<8, 4096>(0, 3);
    report.merge(&cut_everywhere::<16, 4096>(first_among_sums(), 1));
    println!("{report}");
    report.verdict().unwrap();
    assert!(report.all_cuts() > 300, "{report}");
}

#[test]
fn a_note_is_read_whatever_else_was_written_between_its_pieces() {
    let flash = SharedFlash::new(SimFlash::<4, 4096>::new(6));
    let mut store = Book.open(flash.clone()).unwrap();
    let note = "loom and coils looked at, dry";
    // A note that was begun and never signed.
    store.append(&pieces("quite another note of two pieces").next().unwrap()).unwrap();
    for piece in pieces(note) {
        store.append(&piece).unwrap();
        store.append(&NewRecord::Hole { seconds: 1 }).unwrap();
        store = Book.open(flash.clone()).unwrap();
    }
    let (done, _) = sign_off(0);
    store.append(&NewRecord::SignOff(SignOff { note_pieces: 3, ..done })).unwrap();
    let signed = store.signed().unwrap();
    assert_eq!(signed[0].1.as_deref(), Some(note));
    // Its pieces are those of the one before: it has none.
    store.append(&NewRecord::SignOff(SignOff { note_pieces: 1, ..done })).unwrap();
    assert_eq!(store.signed().unwrap()[0].1, None);
    assert_eq!(store.journal.tally(&mut store.flash).unwrap().others, 5, "pieces of notes are no records");
    assert_eq!(store.journal.verify(&mut store.flash, Some(&KEY)), Ok(Verdict::Sound));
}

#[test]
fn the_plan_remembers_what_the_journal_had_to_sum_up() {
    let flash = SharedFlash::new(SimFlash::<4, 4096>::new(6));
    let mut store = Book.open(flash).unwrap();
    store.sign(0).unwrap();
    let newest = store.journal.older(&mut store.flash, &mut store.journal.newest()).unwrap().unwrap();
    let (done, _) = sign_off(0);
    let plan = CarePlan::NONE.signed(&done, newest.seq);
    for number in 0..2_000 {
        store.append(&NewRecord::Hole { seconds: number }).unwrap();
        while store.journal.service(&mut store.flash, STANDING).unwrap() != monitor_core::ledger::store::Work::Nothing {
        }
    }
    assert_eq!(store.signed().unwrap(), [], "the entry itself has made room");
    assert_eq!(plan.items().next().and_then(|item| item.done).map(|done| done.at_s), Some(done.at_s));
    assert_eq!(store.journal.tally(&mut store.flash).unwrap().others, 2_001, "it is still counted");
}

#[test]
fn golden_bytes_of_what_people_told() {
    let mut part = SimFlash::<4, 4096>::new(6);
    let mut journal = open_journal(&mut part, 0x0102).unwrap();
    let day = Some(Day::from_days_since_1970(0x5040));
    let done = SignOff { item: Item::Impeller, role: Role::Mechanic, at_s: 0x0003_0201, day, note_pieces: 3 };
    let clock = |quality, stamp_s| NewRecord::Clock(ClockAnchor { unix_s: 0x7000_0000, stamp_s, quality });
    let told = [
        NewRecord::SignOff(done),
        clock(ClockQuality::Host, Some(0x0003_0201)),
        clock(ClockQuality::Bus, None),
        NewRecord::Meter(MeterChange { role: Role::Yard, old_s: 0x0403_0201, new_s: 7 }),
    ];
    for record in pieces("kit renewed, vanes counted é").chain(told) {
        while journal.append(&mut part, 7, &record).unwrap() == Progress::Again {}
    }
    #[rustfmt::skip]
    let expected: [(&str, [u8; 20]); 8] = [
        ("mark", [0x90, 0, 0, 1, 0, 0, 2, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]),
        ("note", *b"\xB0\x00\x00\x02\x00\x00kit renewed, v"),
        ("note", *b"\xB1\x00\x00\x03\x00\x00anes counted \xC3"),
        ("note", *b"\xB2\x00\x00\x04\x00\x00\xA9\0\0\0\0\0\0\0\0\0\0\0\0\0"),
        ("sign-off", [0xA8, 0x32, 0, 5, 0, 0, 2, 1, 7, 0, 0, 0, 1, 2, 3, 0, 0x41, 0x50, 0, 0]),
        ("clock", [0xC0, 0, 0, 6, 0, 0, 2, 1, 7, 0, 0, 0, 0, 0, 0, 0x70, 2, 1, 2, 3]),
        ("clock without a stamp", [0xC0, 0, 0, 7, 0, 0, 2, 1, 7, 0, 0, 0, 0, 0, 0, 0x70, 3, 0xFF, 0xFF, 0xFF]),
        ("meter", [0xD0, 3, 0, 8, 0, 0, 2, 1, 7, 0, 0, 0, 1, 2, 3, 4, 7, 0, 0, 0]),
    ];
    for (((name, bytes), entry), tag) in expected.iter().zip(part.bytes().chunks(32)).zip(TAGS) {
        assert_eq!(entry[..20], *bytes, "{name}");
        assert_eq!(entry[20..28], tag, "{name}: BLAKE2s by another implementation");
    }
    let mut found = Vec::new();
    let mut walk = journal.newest();
    while let Some(recorded) = journal.older(&mut part, &mut walk).unwrap() {
        found.push(recorded.record);
    }
    let [NewRecord::SignOff(_), NewRecord::Clock(host), NewRecord::Clock(bus), NewRecord::Meter(meter)] = told else {
        panic!("{told:?}")
    };
    assert_eq!(found, [Record::Meter(meter), Record::Clock(bus), Record::Clock(host), Record::SignOff(done)]);
}

#[rustfmt::skip]
const TAGS: [[u8; 8]; 8] = [
    [0x0D, 0xB2, 0x4F, 0xAA, 0x73, 0x0E, 0x4D, 0x38],
    [0x7E, 0x91, 0xEC, 0x2E, 0x1B, 0x0A, 0x8E, 0xCA],
    [0xE6, 0x8D, 0xF0, 0xD2, 0xF5, 0x60, 0xEE, 0xF3],
    [0x8E, 0xEB, 0x8C, 0x14, 0x62, 0x1C, 0x74, 0xD5],
    [0x96, 0x0B, 0x12, 0x68, 0x5F, 0x11, 0xE5, 0xAF],
    [0x0C, 0x9A, 0x63, 0x34, 0x2A, 0x1D, 0x6C, 0x28],
    [0xC0, 0x02, 0xEB, 0x51, 0xBB, 0x13, 0xA2, 0x38],
    [0x99, 0xFE, 0x42, 0x59, 0x31, 0x11, 0x16, 0x24],
];
