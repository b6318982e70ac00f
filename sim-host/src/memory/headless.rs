//! Sectors of hours whose header is gone: what their records say can be used where the sector before is still there.

use monitor_core::ledger::Totals;
use monitor_core::ledger::store::{
    Area, Conditions, Home, HoursArea, REGION_BYTES, SECTOR_BYTES, hours_header, hours_records,
};

use super::RegionFlash;

const SECTOR: usize = SECTOR_BYTES as usize;
/// Bytes of a header and of a record of hours.
const HEADER: usize = 80;
const RECORD: usize = 16;
/// Records that are tried: where so many in a row are damaged, nothing else will be whole.
const MOST_CANDIDATES: usize = 4;
/// Numbers that are tried where nothing tells that of a sector: twenty years at 1,000 hours a year take 16,000 erases of
/// each of two sectors (`.ci/long`).
const MOST_SECTORS: u32 = 33_000;

/// What became of sectors of hours without a header.
#[derive(Debug, Default)]
pub(super) struct Headless {
    /// Records that count again, because their header could be put right.
    pub(super) mended: usize,
    /// Records that cannot be added to anything.
    pub(super) useless: usize,
}

/// Puts the header of a sector right whose records are those of the number behind the newest sector with a header. Every
/// other such sector is only counted. `homes` are those of the sectors of `image`; that of a sector that was put right
/// is filled in.
pub(super) fn mend(image: &mut [u8], homes: &mut [Option<Home>]) -> Headless {
    let number_of = |home: &Option<Home>| match home {
        Some(Home::Hours { sector_number }) => Some(*sector_number),
        _ => None,
    };
    let newest = homes.iter().enumerate().filter_map(|(at, home)| Some((number_of(home)?, at))).max();
    let mut headless = Headless::default();
    for at in 0..homes.len() {
        let Some(sector) = image.chunks(SECTOR).nth(at).filter(|_| homes[at].is_none()) else { continue };
        let behind = newest.and_then(|(number, from)| Some((number.checked_add(1)?, from)));
        let records = behind.map_or(0, |(number, _)| hours_records(sector, number));
        let totals = behind.filter(|_| records > 0).and_then(|(_, from)| totals_of(&image[from * SECTOR..][..SECTOR]));
        match (behind, totals) {
            (Some((number, _)), Some(totals)) => {
                let header = hours_header(number, &totals);
                image[at * SECTOR..][..header.len()].copy_from_slice(&header);
                homes[at] = Some(Home::Hours { sector_number: number });
                headless.mended += records;
            }
            _ => headless.useless += records_of_any_number(sector),
        }
    }
    headless
}

/// What the store makes of a sector of hours alone.
fn totals_of(sector: &[u8]) -> Option<Totals> {
    let mut bytes = vec![u8::MAX; usize::try_from(REGION_BYTES).ok()?];
    bytes[..SECTOR].copy_from_slice(sector);
    let mut flash = RegionFlash::from_bytes(&bytes)?;
    let mut area = HoursArea::new();
    area.open(&mut flash, Area::HOURS.start, 0).ok()?;
    let standing = Conditions { engine_runs: false, supply_is_good: true };
    // The first act after power-up, and a few more in the worst case.
    for _ in 0..8 {
        if let Some(totals) = area.saved() {
            return Some(totals);
        }
        let _done = area.service(&mut flash, &Totals::NONE, standing).ok()?;
    }
    area.saved()
}

/// Hours records of a sector of which nobody knows the number: it is that under which one of them reads well.
fn records_of_any_number(sector: &[u8]) -> usize {
    // Other kinds of records begin with other bytes, so that few sectors are tried at all.
    let candidates = sector.chunks_exact(RECORD).filter(|record| record[0] == 0x48 && record[11] == 0);
    let mut alone = vec![u8::MAX; HEADER + RECORD];
    for record in candidates.take(MOST_CANDIDATES) {
        alone[HEADER..].copy_from_slice(record);
        if let Some(number) = (0..MOST_SECTORS).find(|number| hours_records(&alone, *number) > 0) {
            return hours_records(sector, number);
        }
    }
    0
}
