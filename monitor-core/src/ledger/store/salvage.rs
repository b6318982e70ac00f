//! Which sector a page of a dump once was, by the records in it.
//!
//! For dumps whose pages were read in the wrong order or in part. The store itself never looks for its sectors.

use crate::ledger::hours::Totals;

use super::hours_record::{self, Base, HEADER_BYTES, Header, Record};
use super::journal_entry::{ENTRY_BYTES, Entry};
use super::learned;
use super::settings_area;
use super::slot_ring::position_of;
use super::snapshot_record::{RECORD_BYTES, RecordedHalf};

/// What a sector held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Home {
    /// Hours; either sector of the area will do, the number in it tells their order.
    Hours {
        /// Counts the sectors that were begun.
        sector_number: u32,
    },
    /// Learned state.
    Learned {
        /// Which sector of the area.
        sector: u8,
    },
    /// Profile and keys.
    Settings {
        /// Which sector of the area.
        sector: u8,
    },
    /// Snapshots.
    Snapshots {
        /// Which sector of the area.
        sector: u8,
    },
    /// The journal; entries do not know their sector, but the order of the ring follows from these.
    Journal {
        /// Times the ring had been filled.
        lap: u8,
        /// Sequence of the first entry that reads well.
        seq: u32,
    },
}

/// Hours records of a sector of 4 KiB that belong to this sector number. They carry sums since the header of their sector.
#[must_use]
pub fn hours_records(sector: &[u8], sector_number: u32) -> usize {
    const RECORD: usize = hours_record::RECORD_BYTES;
    let records = sector.get(HEADER_BYTES..).unwrap_or_default().chunks_exact(RECORD);
    let belongs = |record: &&[u8]| {
        record.first_chunk::<RECORD>().is_some_and(|record| Record::decode(record, sector_number).is_some())
    };
    records.filter(belongs).count()
}

/// The header of a sector of hours, for one whose own is gone. The store writes it when the sector before is full, with
/// totals that are never lower than what that one shows: so with these no hour is claimed that was not run.
#[must_use]
pub fn hours_header(sector_number: u32, totals: &Totals) -> [u8; HEADER_BYTES] {
    // The power-up in which it was written is not known, and nobody asks for it.
    Header { sector_number, base: Base::of(totals) }.encode(0)
}

/// What a sector of 4 KiB held, by its first record that reads well; `None` if no record does.
#[must_use]
pub fn home_of(sector: &[u8]) -> Option<Home> {
    if let Some(header) = sector.first_chunk::<HEADER_BYTES>().and_then(Header::decode) {
        return Some(Home::Hours { sector_number: header.sector_number });
    }
    for slot in sector.chunks_exact(512) {
        if let Some(position) = position_of(slot, learned::KIND) {
            return Some(Home::Learned { sector: turn(position / 8, 4) });
        }
        if let Some(position) = position_of(slot, settings_area::KIND) {
            return Some(Home::Settings { sector: turn(position / 8, 2) });
        }
    }
    for record in sector.chunks_exact(RECORD_BYTES) {
        if let Some(half) = record.first_chunk::<RECORD_BYTES>().and_then(RecordedHalf::decode) {
            return Some(Home::Snapshots { sector: turn(half.position / 32, 2) });
        }
    }
    let mut entries = sector.chunks_exact(ENTRY_BYTES);
    let entry = entries.find_map(|entry| entry.first_chunk::<ENTRY_BYTES>().and_then(Entry::decode))?;
    Some(Home::Journal { lap: entry.lap, seq: entry.seq })
}

/// The sector whose turn it is, of 2 or 4.
const fn turn(count: u32, sectors: u8) -> u8 {
    let [low, ..] = count.to_le_bytes();
    low & sectors.saturating_sub(1)
}
