//! Bytes of the journal.
//!
//! ```text
//!  0  1  kind (high four bits); low four bits: of an event bits 16–19 of its id
//!  1  1  bits 0–1 level (0 none, 1 caution, 2 warning, 3 alarm)
//!        of an event: 2 a detail stands before it, 4–7 its channel or item; of a sum: 4 the first, 5 the last of its sector
//!  2  1  lap: times the ring had been filled, low 8 bits
//!  3  3  sequence
//!  6  2  boot, low 16 bits
//!  8  4  running seconds of the engine in the low 28 bits (of a sum: where its span begins); high 4 bits: state of an event
//! 12  8  by kind:
//!        0x1 event     12 4 stamp, low 32 bits; 16 1 trip + 1; 17 2 id; 19 1 bits 0–4 finding, 5–7 alarm state
//!        0x2 detail    of the event behind it, see below
//!        0x3 hole      12 4 seconds
//!        0x4 power-up  12 4 boot
//!        0x5 sum       alarms, warnings, cautions, others, 2 each
//!        0x6 counted   12 1 finding; 13 2 how many
//!        0x7 seal      12 4 running seconds; 16 4 starts
//!        0x8 replaced  chain tag of the newest entry that the sum behind it stands for
//!        0x9 mark      nothing
//!        0xA sign-off  0 bits 0–3 item; 1 bits 0–1 role, 4–7 pieces of its note; 12 4 running seconds when it was done;
//!                      16 2 day since 1970 plus 1, 0: not known
//!        0xB note      a piece of the note of the sign-off behind it, see below
//!        0xC clock     12 4 seconds since 1970; 16 1 where from; 17 3 stamp in seconds, 0xFFFFFF: not known
//!        0xD meter     1 bits 0–1 role; 12 4 running seconds by the old meter; 16 4 by this monitor
//! 20  8  chain tag
//! 28  4  CRC-32 of bytes 0–27
//! ```
//!
//! A detail has no level, boot and running seconds of its own:
//!
//! ```text
//!  0  1  0x2_; low four bits: bits 16–19 of the id that replaces
//!  1  1  share of the candidate in per cent
//!  6  2  id of the cause that replaces the finding, low 16 bits; 0: none
//!  8  2  stamp, bits 32–47, two's complement
//! 10  2  bits 0–4 key of the first value, 5–9 of the second, 10–14 finding of the candidate
//! 12  4  first value; 16 4 second value; 0x80000000: not known
//! ```
//!
//! A piece of a note has no level, boot and running seconds either: byte 0 bits 0–3 count the pieces from 0, bytes 6–19 are
//! UTF-8, filled up with 0.

use crate::finding::{Finding, Level};
use crate::ledger::{ClockAnchor, Day, MeterChange, SignOff};

use super::bytes::{number16, number32, put};
use super::codes::{
    clock_code, clock_of, finding_code, finding_of, item_code, item_of, level_code, level_of, role_code, role_of,
};
use super::crc::Crc32;
use super::journal_event::{Detail, JournalEvent, Main};

/// Bytes of an entry.
pub(super) const ENTRY_BYTES: usize = 32;

const EVENT: u8 = 0x10;
const DETAIL: u8 = 0x20;
const HOLE: u8 = 0x30;
const POWER_UP: u8 = 0x40;
const SUM: u8 = 0x50;
const COUNTED: u8 = 0x60;
const SEAL: u8 = 0x70;
const REPLACED: u8 = 0x80;
const MARK: u8 = 0x90;
const SIGN_OFF: u8 = 0xA0;
const NOTE: u8 = 0xB0;
const CLOCK: u8 = 0xC0;
const METER: u8 = 0xD0;
const FIRST: u8 = 0b01_0000;
const LAST: u8 = 0b10_0000;

/// Where the text of a piece of a note begins.
const NOTE_AT: usize = 6;
/// Running seconds that an entry can hold: eight and a half years without a stop.
const MOST_RUNNING_S: u32 = 0x0FFF_FFFF;

/// Bytes of a note in one entry.
pub const NOTE_PIECE_BYTES: usize = 14;
/// Pieces that the longest note has.
pub const NOTE_PIECES: u8 = 8;

/// Chain tag of an entry.
pub(super) type Tag = [u8; 8];

/// Something to be written into the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum NewRecord {
    /// Something happened to a finding.
    Event(JournalEvent),
    /// While the engine ran nothing came from its speed sensor for so long.
    Hole {
        /// Length in seconds.
        seconds: u32,
    },
    /// The power came.
    PowerUp,
    /// Events of a finding that were only counted, after the first 20 of a trip.
    Counted {
        /// What they were about.
        finding: Finding,
        /// Their level.
        level: Level,
        /// How many since the last such record.
        count: u16,
    },
    /// What stood in the hours, under the chain.
    Seal {
        /// Starts of the engine.
        starts: u32,
    },
    /// A piece of a note: all of them are written right before the sign-off that they belong to.
    Note(NotePiece),
    /// A service was done.
    SignOff(SignOff),
    /// Somebody told the time of day.
    Clock(ClockAnchor),
    /// The monitor took over from another hour meter or board.
    Meter(MeterChange),
}

/// Some bytes of a note in UTF-8; what is not used is 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NotePiece {
    /// Its place in the note, from 0.
    pub number: u8,
    /// The bytes.
    pub text: [u8; NOTE_PIECE_BYTES],
}

impl NewRecord {
    pub(super) fn content(&self, boot: u32, running_s: u32) -> Content {
        match *self {
            Self::Event(event) => Content::Event(event.main()),
            Self::Hole { seconds } => Content::Hole { seconds },
            Self::PowerUp => Content::PowerUp { boot },
            Self::Counted { finding, level, count } => Content::Counted { finding, level, count },
            Self::Seal { starts } => Content::Seal { running_s, starts },
            Self::Note(piece) => Content::Note(piece),
            Self::SignOff(sign_off) => Content::SignOff(sign_off),
            Self::Clock(anchor) => Content::Clock(anchor),
            Self::Meter(change) => Content::Meter(change),
        }
    }

    /// The entries that it becomes: the detail of an event, and the record itself.
    pub(in crate::ledger) fn bodies(&self, boot: u32, running_s: u32) -> (Option<Body>, Body) {
        let detail = self.companion().map(|detail| Body::of(&detail, running_s));
        (detail, Body::of(&self.content(boot, running_s), running_s))
    }

    /// What goes into an entry before it.
    pub(super) fn companion(&self) -> Option<Content> {
        match self {
            Self::Event(event) => event.needs_detail().then(|| Content::Detail(event.detail())),
            _ => None,
        }
    }
}

/// How many entries of each kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tally {
    /// Events of alarm level.
    pub alarms: u32,
    /// Events of warning level.
    pub warnings: u32,
    /// Events of caution level.
    pub cautions: u32,
    /// Records that are no events.
    pub others: u32,
}

impl Tally {
    /// Nothing.
    pub const NONE: Self = Self { alarms: 0, warnings: 0, cautions: 0, others: 0 };

    const fn of_level(level: Level, count: u32) -> Self {
        match level {
            Level::Alarm => Self { alarms: count, ..Self::NONE },
            Level::Warning => Self { warnings: count, ..Self::NONE },
            Level::Caution => Self { cautions: count, ..Self::NONE },
        }
    }

    pub(super) fn add(&mut self, more: &Self) {
        self.alarms = self.alarms.saturating_add(more.alarms);
        self.warnings = self.warnings.saturating_add(more.warnings);
        self.cautions = self.cautions.saturating_add(more.cautions);
        self.others = self.others.saturating_add(more.others);
    }

    fn put_into(&self, bytes: &mut [u8], at: usize) {
        for (place, count) in [(0, self.alarms), (2, self.warnings), (4, self.cautions), (6, self.others)] {
            put(bytes, at.saturating_add(place), 2, u64::from(count.min(u32::from(u16::MAX))));
        }
    }

    fn take_from(bytes: &[u8]) -> Self {
        let count = |at| u32::from(number16(bytes, at));
        Self { alarms: count(12), warnings: count(14), cautions: count(16), others: count(18) }
    }
}

/// What an entry says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Content {
    Event(Main),
    Detail(Detail),
    Hole {
        seconds: u32,
    },
    PowerUp {
        boot: u32,
    },
    Counted {
        finding: Finding,
        level: Level,
        count: u16,
    },
    Seal {
        running_s: u32,
        starts: u32,
    },
    /// Records that had to make room, from the running seconds of the entry on.
    Sum {
        tally: Tally,
        first: bool,
        last: bool,
    },
    Replaced {
        tag: Tag,
    },
    /// Nothing happened; what was cut short before it is passed over for good.
    Mark,
    Note(NotePiece),
    SignOff(SignOff),
    Clock(ClockAnchor),
    Meter(MeterChange),
}

impl Content {
    /// What the entry adds to the totals.
    pub(super) const fn tally(&self) -> Tally {
        match self {
            Self::Event(main) => Tally::of_level(main.level, 1),
            Self::Counted { level, count, .. } => Tally::of_level(*level, *count as u32),
            Self::Sum { tally, .. } => *tally,
            Self::Hole { .. } | Self::PowerUp { .. } | Self::Seal { .. } => Tally { others: 1, ..Tally::NONE },
            Self::SignOff(_) | Self::Clock(_) | Self::Meter(_) => Tally { others: 1, ..Tally::NONE },
            Self::Detail(_) | Self::Replaced { .. } | Self::Mark | Self::Note(_) => Tally::NONE,
        }
    }

    /// The body of its entry: bytes 0–1 and 6–19, the boot left out.
    fn body(&self, running_s: u32) -> [u8; BODY_BYTES] {
        let running_s = running_s.min(MOST_RUNNING_S);
        let (kind, mut body) = match self {
            Self::Event(main) => (EVENT, main.body(running_s)),
            Self::Detail(detail) => (DETAIL, detail.body()),
            _ => self.other_body(running_s),
        };
        let [first, ..] = &mut body;
        *first |= kind;
        body
    }

    /// Kind and body of what is no event. Twelve bytes of an entry stand behind the running seconds in it.
    fn other_body(&self, running_s: u32) -> (u8, [u8; BODY_BYTES]) {
        const FLAGS: usize = 1;
        const CONTENT: usize = 8;
        let mut body = [0; BODY_BYTES];
        put(&mut body, RUNNING_AT, 4, u64::from(running_s));
        let kind = match self {
            Self::Hole { seconds } => {
                put(&mut body, CONTENT, 4, u64::from(*seconds));
                HOLE
            }
            Self::PowerUp { boot } => {
                put(&mut body, CONTENT, 4, u64::from(*boot));
                POWER_UP
            }
            Self::Counted { finding, level, count } => {
                put(&mut body, FLAGS, 1, u64::from(level_code(*level)));
                put(&mut body, CONTENT, 1, u64::from(finding_code(*finding)));
                put(&mut body, CONTENT + 1, 2, u64::from(*count));
                COUNTED
            }
            Self::Seal { running_s, starts } => {
                put(&mut body, CONTENT, 4, u64::from(*running_s));
                put(&mut body, CONTENT + 4, 4, u64::from(*starts));
                SEAL
            }
            Self::Sum { tally, first, last } => {
                tally.put_into(&mut body, CONTENT);
                let set = if *first { FIRST } else { 0 } | if *last { LAST } else { 0 };
                put(&mut body, FLAGS, 1, u64::from(set));
                SUM
            }
            Self::Replaced { tag } => {
                put(&mut body, CONTENT, 8, u64::from_le_bytes(*tag));
                REPLACED
            }
            Self::Event(_) | Self::Detail(_) | Self::Mark => MARK,
            Self::Note(_) | Self::SignOff(_) | Self::Clock(_) | Self::Meter(_) => self.put_signed_into(&mut body),
        };
        (kind, body)
    }

    /// What people told, in a body; its kind. A note takes the place of the running seconds too.
    fn put_signed_into(&self, bytes: &mut [u8; BODY_BYTES]) -> u8 {
        match self {
            Self::Note(piece) => {
                put(bytes, 0, 1, u64::from(piece.number & 0x0F));
                for (to, from) in bytes.iter_mut().skip(NOTE_AT - (BODY_REST_AT - 2)).zip(&piece.text) {
                    *to = *from;
                }
                NOTE
            }
            Self::SignOff(done) => {
                let day = done.day.map_or(0, |day| u64::from(day.days_since_1970()).saturating_add(1));
                put(bytes, 0, 1, u64::from(item_code(done.item)));
                put(bytes, 1, 1, u64::from(role_code(done.role) | (done.note_pieces << 4)));
                put(bytes, 8, 4, u64::from(done.at_s));
                put(bytes, 12, 2, day.min(u64::from(u16::MAX)));
                SIGN_OFF
            }
            Self::Clock(anchor) => {
                put(bytes, 8, 4, u64::from(anchor.unix_s));
                put(bytes, 12, 1, u64::from(clock_code(anchor.quality)));
                put(bytes, 13, 3, u64::from(anchor.stamp_s.unwrap_or(u32::MAX)));
                CLOCK
            }
            Self::Meter(change) => {
                put(bytes, 1, 1, u64::from(role_code(change.role)));
                put(bytes, 8, 4, u64::from(change.old_s));
                put(bytes, 12, 4, u64::from(change.new_s));
                METER
            }
            _ => 0,
        }
    }

    /// What people told.
    fn take_signed_from(bytes: &[u8; ENTRY_BYTES]) -> Option<Self> {
        let [kind, flags, ..] = *bytes;
        Some(match kind & 0xF0 {
            NOTE => {
                let text = *bytes.get(NOTE_AT..)?.first_chunk::<NOTE_PIECE_BYTES>()?;
                Self::Note(NotePiece { number: kind & 0x0F, text })
            }
            SIGN_OFF => Self::SignOff(SignOff {
                item: item_of(kind & 0x0F)?,
                role: role_of(flags & 0b11)?,
                at_s: number32(bytes, 12, 4),
                day: number16(bytes, 16).checked_sub(1).map(Day::from_days_since_1970),
                note_pieces: flags >> 4,
            }),
            CLOCK => Self::Clock(ClockAnchor {
                unix_s: number32(bytes, 12, 4),
                stamp_s: Some(number32(bytes, 17, 3)).filter(|stamp_s| *stamp_s <= ClockAnchor::MOST_STAMP_S),
                quality: clock_of(*bytes.get(16)?)?,
            }),
            METER => Self::Meter(MeterChange {
                role: role_of(flags & 0b11)?,
                old_s: number32(bytes, 12, 4),
                new_s: number32(bytes, 16, 4),
            }),
            _ => return None,
        })
    }

    fn take_from(bytes: &[u8; ENTRY_BYTES]) -> Option<Self> {
        let [kind, flags, ..] = *bytes;
        Some(match kind & 0xF0 {
            EVENT => Self::Event(Main::take_from(bytes)?),
            DETAIL => Self::Detail(Detail::take_from(bytes)),
            HOLE => Self::Hole { seconds: number32(bytes, 12, 4) },
            POWER_UP => Self::PowerUp { boot: number32(bytes, 12, 4) },
            SUM => Self::Sum { tally: Tally::take_from(bytes), first: flags & FIRST != 0, last: flags & LAST != 0 },
            COUNTED => Self::Counted {
                finding: finding_of(*bytes.get(12)?)?,
                level: level_of(flags & 0b11)?,
                count: number16(bytes, 13),
            },
            SEAL => Self::Seal { running_s: number32(bytes, 12, 4), starts: number32(bytes, 16, 4) },
            REPLACED => Self::Replaced { tag: *bytes.get(12..20)?.first_chunk::<8>()? },
            MARK => Self::Mark,
            _ => return Self::take_signed_from(bytes),
        })
    }

    /// Whether bytes 1 and 6 to 11 of its entry are its own, so that the entry has no boot and no running seconds.
    const fn is_part_of_another(&self) -> bool {
        matches!(self, Self::Detail(_) | Self::Note(_))
    }
}

/// An entry of the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Entry {
    pub(super) seq: u32,
    pub(super) boot: u16,
    pub(super) running_s: u32,
    pub(super) content: Content,
    pub(super) tag: Tag,
    pub(super) lap: u8,
}

/// What of an entry does not depend on its place in the journal: bytes 0–1 and 6–19, the boot left out. Entries wait for
/// the flash in this form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::ledger) struct Body(pub(super) [u8; BODY_BYTES]);

const BODY_BYTES: usize = 16;
/// Where it goes on in an entry, behind lap and sequence.
const BODY_REST_AT: usize = 6;
/// Where the running seconds stand in a body.
const RUNNING_AT: usize = 4;

impl Body {
    /// Nothing.
    pub(in crate::ledger) const EMPTY: Self = Self([0; BODY_BYTES]);

    /// The body of an entry that says this, at so many running seconds.
    pub(super) fn of(content: &Content, running_s: u32) -> Self {
        Self(content.body(running_s))
    }

    /// What it says, and at how many running seconds.
    pub(super) fn content(&self) -> Option<(Content, u32)> {
        take_body(&self.in_entry())
    }

    /// In its places of an entry.
    fn in_entry(&self) -> [u8; ENTRY_BYTES] {
        let mut bytes = [0; ENTRY_BYTES];
        let [a, b, rest @ ..] = self.0;
        if let Some(front) = bytes.first_chunk_mut() {
            *front = [a, b];
        }
        if let Some(behind) = bytes.get_mut(BODY_REST_AT..).and_then(<[u8]>::first_chunk_mut) {
            *behind = rest;
        }
        bytes
    }

    /// Whether it is the detail of the event behind it.
    pub(in crate::ledger) fn is_detail(&self) -> bool {
        let [kind, ..] = self.0;
        kind & 0xF0 == DETAIL
    }

    /// Whether it belongs to the entry behind it and has no running seconds of its own.
    fn is_part_of_another(&self) -> bool {
        let [kind, ..] = self.0;
        matches!(kind & 0xF0, DETAIL | NOTE)
    }

    /// At how many running seconds it happened; of a part of another nothing.
    pub(in crate::ledger) fn running_s(&self) -> u32 {
        number32(&self.0, RUNNING_AT, 4) & MOST_RUNNING_S
    }

    /// The same so many running seconds later.
    pub(in crate::ledger) fn later_by(mut self, running_s: u32) -> Self {
        if !self.is_part_of_another() {
            let state = number32(&self.0, RUNNING_AT, 4) & !MOST_RUNNING_S;
            let later_s = self.running_s().saturating_add(running_s).min(MOST_RUNNING_S);
            put(&mut self.0, RUNNING_AT, 4, u64::from(state | later_s));
        }
        self
    }
}

fn take_body(bytes: &[u8; ENTRY_BYTES]) -> Option<(Content, u32)> {
    let content = Content::take_from(bytes)?;
    let running_s = if content.is_part_of_another() { 0 } else { number32(bytes, 8, 4) & MOST_RUNNING_S };
    Some((content, running_s))
}

impl Entry {
    pub(super) fn encode(&self) -> [u8; ENTRY_BYTES] {
        let mut bytes = self.encode_for_tag();
        put(&mut bytes, 2, 1, u64::from(self.lap));
        put(&mut bytes, 20, 8, u64::from_le_bytes(self.tag));
        let crc = check(&bytes);
        put(&mut bytes, 28, 4, u64::from(crc));
        bytes
    }

    /// The bytes without lap, tag and check: what a tag is made of.
    pub(super) fn encode_for_tag(&self) -> [u8; ENTRY_BYTES] {
        let mut bytes = Body::of(&self.content, self.running_s).in_entry();
        if !self.content.is_part_of_another() {
            put(&mut bytes, 6, 2, u64::from(self.boot));
        }
        put(&mut bytes, 3, 3, u64::from(self.seq));
        bytes
    }

    pub(super) fn decode(bytes: &[u8; ENTRY_BYTES]) -> Option<Self> {
        if number32(bytes, 28, 4) != check(bytes) {
            return None;
        }
        let (content, running_s) = take_body(bytes)?;
        let boot = if content.is_part_of_another() { 0 } else { number16(bytes, 6) };
        let [_, _, lap, ..] = *bytes;
        let tag = *bytes.get(20..28)?.first_chunk::<8>()?;
        Some(Self { seq: number32(bytes, 3, 3), boot, running_s, content, tag, lap })
    }
}

fn check(bytes: &[u8; ENTRY_BYTES]) -> u32 {
    Crc32::new().with(bytes.get(..28).unwrap_or_default()).finish()
}
