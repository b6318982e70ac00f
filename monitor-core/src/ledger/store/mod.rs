//! The store: what is acknowledged stays, whenever the power goes.
//!
//! The region of 64 KiB has an [`Area`] for each kind of record. Records have a fixed length that every word size of 1
//! to 16 bytes divides; each is written with one call, carries a CRC-32/ISO-HDLC, and is never written again before its
//! page is erased. A record that was cut short is passed over. Every look at the flash is taken twice, because a word
//! that was cut short may read differently each time.
//!
//! No call does more than one flash operation: one run of words, or one page erased. No call but opening reads more than
//! a few records: what takes longer goes on with the next call.

mod areas;
mod blake2s;
mod bytes;
mod chain;
pub(crate) mod codes;
mod crc;
mod error;
mod flash;
mod hours_area;
mod hours_record;
mod journal;
mod journal_entry;
mod journal_event;
mod journal_read;
mod journal_search;
mod journal_sums;
mod journal_walk;
mod layout;
mod learned;
mod life;
mod salvage;
mod settings;
mod settings_area;
mod slot_ring;
mod snapshot_area;
mod snapshot_record;
mod work;

pub use areas::Store;
pub use chain::{ChainHead, Key, Verdict};
pub use error::{Geometry, Operation, StoreError};
pub use hours_area::{CHECKPOINT_MS, HoursArea};
pub use journal::{Fullness, JOURNAL_ENTRIES, Journal};
pub(in crate::ledger) use journal_entry::Body;
pub use journal_entry::{NOTE_PIECE_BYTES, NOTE_PIECES, NewRecord, NotePiece, Tally};
pub use journal_event::JournalEvent;
pub use journal_read::{NOTE_BYTES, Record, Recorded, SEAL_EVERY_S};
pub use journal_walk::Walk;
pub use layout::{Area, REGION_BYTES, SECTOR_BYTES};
pub use learned::{LEARNED_BYTES, LearnedArea, learned_is_due};
pub use life::Life;
pub use salvage::{Home, home_of, hours_header, hours_records};
pub use settings::Settings;
pub use settings_area::SettingsArea;
pub use snapshot_area::{SnapshotArea, SnapshotWalk};
pub use snapshot_record::RecordedHalf;
pub use work::{Conditions, Progress, Work};
