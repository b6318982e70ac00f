//! Bytes of the journal.
//!
//! ```text
//!  0  1  0x4A an event, 0x53 a sum of events that had to make room, 0x4D a mark
//!  1  1  bits 0–1 level (0 none, 1 caution, 2 warning, 3 alarm); of a sum: 4 the first, 5 the last of its sector
//!  2  1  lap: times the ring had been filled, low 8 bits
//!  3  3  sequence
//!  6  2  boot, low 16 bits
//!  8  4  running seconds of the engine; of a sum: where its span begins
//! 12  8  what happened, as its writer means it; of a sum: alarms, warnings, cautions, others, 2 each
//! 20  8  chain value; of a sum: that of the newest entry it stands for
//! 28  4  CRC-32 of bytes 0–27
//! ```

use crate::finding::Level;

use super::bytes::{number16, number32, put};
use super::crc::Crc32;

/// Bytes of an entry.
pub(super) const ENTRY_BYTES: usize = 32;

const EVENT: u8 = 0x4A;
const SUM: u8 = 0x53;
const MARK: u8 = 0x4D;
const FIRST: u8 = 0b01_0000;
const LAST: u8 = 0b10_0000;

/// Something to be written into the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NewEntry {
    /// How the entry is counted when it has to make room.
    pub level: Option<Level>,
    /// Running seconds of the engine.
    pub run_on_s: u32,
    /// What happened; the store does not look into it.
    pub body: [u8; 8],
    /// Ties the entry to those before it; the store does not look into it.
    pub chain: [u8; 8],
}

/// How many entries of each kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tally {
    /// Entries of alarm level.
    pub alarms: u32,
    /// Entries of warning level.
    pub warnings: u32,
    /// Entries of caution level.
    pub cautions: u32,
    /// Entries without a level.
    pub others: u32,
}

impl Tally {
    /// Nothing.
    pub const NONE: Self = Self { alarms: 0, warnings: 0, cautions: 0, others: 0 };

    pub(super) const fn one(level: Option<Level>) -> Self {
        let mut tally = Self::NONE;
        match level {
            Some(Level::Alarm) => tally.alarms = 1,
            Some(Level::Warning) => tally.warnings = 1,
            Some(Level::Caution) => tally.cautions = 1,
            None => tally.others = 1,
        }
        tally
    }

    pub(super) fn add(&mut self, more: &Self) {
        self.alarms = self.alarms.saturating_add(more.alarms);
        self.warnings = self.warnings.saturating_add(more.warnings);
        self.cautions = self.cautions.saturating_add(more.cautions);
        self.others = self.others.saturating_add(more.others);
    }

    fn encode(&self) -> [u8; 8] {
        let mut bytes = [0; 8];
        for (at, count) in [(0, self.alarms), (2, self.warnings), (4, self.cautions), (6, self.others)] {
            put(&mut bytes, at, 2, u64::from(count.min(u32::from(u16::MAX))));
        }
        bytes
    }

    fn decode(bytes: &[u8; 8]) -> Self {
        let count = |at| u32::from(number16(bytes, at));
        Self { alarms: count(0), warnings: count(2), cautions: count(4), others: count(6) }
    }
}

/// What an entry says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Content {
    /// Something that happened.
    Event {
        /// How it is counted when it has to make room.
        level: Option<Level>,
        /// What happened, as its writer means it.
        body: [u8; 8],
    },
    /// Events that had to make room, from `run_on_s` of the entry on.
    Sum {
        /// How many of each kind.
        tally: Tally,
    },
    /// Nothing happened; what was cut short before it is passed over for good. Never handed out.
    Mark,
}

impl Content {
    /// What the entry adds to the number of all events.
    #[must_use]
    pub const fn tally(&self) -> Tally {
        match self {
            Self::Event { level, .. } => Tally::one(*level),
            Self::Sum { tally } => *tally,
            Self::Mark => Tally::NONE,
        }
    }
}

/// An entry of the journal as it is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Entry {
    /// Orders the entries; rising, with gaps where the journal noted its own affairs.
    pub seq: u32,
    /// Low 16 bits of the number of the power-up.
    pub boot: u16,
    /// Running seconds of the engine; of a sum where its span begins.
    pub run_on_s: u32,
    /// What it says.
    pub content: Content,
    /// Chain value; of a sum that of the newest entry it stands for.
    pub chain: [u8; 8],
    pub(super) lap: u8,
    /// Whether a sum is the first, and the last, of those that stand for one sector.
    pub(super) first: bool,
    pub(super) last: bool,
}

impl Entry {
    pub(super) fn encode(&self) -> [u8; ENTRY_BYTES] {
        let mut bytes = [0; ENTRY_BYTES];
        let (kind, level, body) = match &self.content {
            Content::Event { level, body } => (EVENT, level_code(*level), *body),
            Content::Sum { tally } => (SUM, 0, tally.encode()),
            Content::Mark => (MARK, 0, [0; 8]),
        };
        let set = if self.first { FIRST } else { 0 } | if self.last { LAST } else { 0 };
        put(&mut bytes, 0, 1, u64::from(kind));
        put(&mut bytes, 1, 1, u64::from(level | set));
        put(&mut bytes, 2, 1, u64::from(self.lap));
        put(&mut bytes, 3, 3, u64::from(self.seq));
        put(&mut bytes, 6, 2, u64::from(self.boot));
        put(&mut bytes, 8, 4, u64::from(self.run_on_s));
        put(&mut bytes, 12, 8, u64::from_le_bytes(body));
        put(&mut bytes, 20, 8, u64::from_le_bytes(self.chain));
        let crc = check(&bytes);
        put(&mut bytes, 28, 4, u64::from(crc));
        bytes
    }

    pub(super) fn decode(bytes: &[u8; ENTRY_BYTES]) -> Option<Self> {
        let [kind, flags, lap, ..] = *bytes;
        if number32(bytes, 28, 4) != check(bytes) {
            return None;
        }
        let body = *bytes.get(12..20)?.first_chunk::<8>()?;
        let content = match kind {
            EVENT => Content::Event { level: level_of(flags & 0b11), body },
            SUM => Content::Sum { tally: Tally::decode(&body) },
            MARK => Content::Mark,
            _ => return None,
        };
        Some(Self {
            seq: number32(bytes, 3, 3),
            boot: number16(bytes, 6),
            run_on_s: number32(bytes, 8, 4),
            content,
            chain: *bytes.get(20..28)?.first_chunk::<8>()?,
            lap,
            first: flags & FIRST != 0,
            last: flags & LAST != 0,
        })
    }
}

const fn level_code(level: Option<Level>) -> u8 {
    match level {
        None => 0,
        Some(Level::Caution) => 1,
        Some(Level::Warning) => 2,
        Some(Level::Alarm) => 3,
    }
}

const fn level_of(code: u8) -> Option<Level> {
    match code {
        1 => Some(Level::Caution),
        2 => Some(Level::Warning),
        3 => Some(Level::Alarm),
        _ => None,
    }
}

fn check(bytes: &[u8; ENTRY_BYTES]) -> u32 {
    Crc32::new().with(bytes.get(..28).unwrap_or_default()).finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn event() -> Entry {
        Entry {
            seq: 0x0A_0B0C,
            boot: 0x0D0E,
            run_on_s: 36_000_000,
            content: Content::Event { level: Some(Level::Warning), body: [1, 2, 3, 4, 5, 6, 7, 8] },
            chain: [0xC0, 0xC1, 0xC2, 0xC3, 0xC4, 0xC5, 0xC6, 0xC7],
            lap: 3,
            first: false,
            last: false,
        }
    }

    fn sum() -> Entry {
        let tally = Tally { alarms: 1, warnings: 258, cautions: 70_000, others: 4 };
        Entry { content: Content::Sum { tally }, first: true, last: true, ..event() }
    }

    #[test]
    fn golden_bytes_of_an_event() {
        let bytes = event().encode();
        #[rustfmt::skip]
        let expected = [
            0x4A, 0x02, 3, 0x0C, 0x0B, 0x0A, 0x0E, 0x0D, 0x00, 0x51, 0x25, 0x02, 1, 2, 3, 4, 5, 6, 7, 8,
            0xC0, 0xC1, 0xC2, 0xC3, 0xC4, 0xC5, 0xC6, 0xC7,
        ];
        assert_eq!(bytes[..28], expected);
        assert_eq!(bytes[28..], [0x4F, 0x56, 0xD3, 0x7C], "CRC by another implementation");
        assert_eq!(Entry::decode(&bytes), Some(event()));
    }

    #[test]
    fn golden_bytes_of_a_sum() {
        let bytes = sum().encode();
        assert_eq!(bytes[..3], [0x53, 0x30, 3]);
        assert_eq!(bytes[12..20], [1, 0, 2, 1, 0xFF, 0xFF, 4, 0], "counts stop at two bytes");
        assert_eq!(bytes[28..], [0x64, 0xFC, 0x6E, 0x70], "CRC by another implementation");
        let found = Entry::decode(&bytes).unwrap();
        assert_eq!(found.content.tally().cautions, 65_535);
        assert!(found.first && found.last);
    }

    #[test]
    fn every_level_comes_back() {
        for level in [None, Some(Level::Caution), Some(Level::Warning), Some(Level::Alarm)] {
            let entry = Entry { content: Content::Event { level, body: [0; 8] }, ..event() };
            assert_eq!(Entry::decode(&entry.encode()), Some(entry));
        }
    }

    #[test]
    fn every_flipped_bit_is_noticed() {
        for bit in 0..ENTRY_BYTES * 8 {
            let mut flipped = event().encode();
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(Entry::decode(&flipped), None, "bit {bit}");
        }
        assert_eq!(Entry::decode(&[0; ENTRY_BYTES]), None, "all zeros");
        assert_eq!(Entry::decode(&[0xFF; ENTRY_BYTES]), None, "erased");
    }
}
