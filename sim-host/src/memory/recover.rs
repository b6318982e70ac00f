//! What can be saved of a raw dump: every sector goes back to where its records say it was.

use monitor_core::ledger::store::{Area, Home, REGION_BYTES, SECTOR_BYTES, home_of};

use super::headless::mend;
use super::{HEADER_BYTES, MAGIC, RegionFlash};

const SECTOR: usize = SECTOR_BYTES as usize;
const SECTORS: usize = (REGION_BYTES / SECTOR_BYTES) as usize;

/// A region made of what a dump still held.
#[derive(Debug)]
pub struct Salvage {
    /// The region.
    pub region: RegionFlash,
    /// Sectors in which at least one record reads well.
    pub sectors: usize,
    /// Of those, sectors that stood at another place in the dump.
    pub moved: usize,
    /// Sectors that hold something, but no record that reads well, by area.
    pub unreadable: Vec<&'static str>,
    /// Sectors whose place another one has, by area.
    pub doubled: Vec<&'static str>,
    /// Hours records whose sector had lost its header and got another one from the sector before.
    pub mended_hours: usize,
    /// Hours records without the header of their sector that cannot be used.
    pub useless_hours: usize,
    /// Bytes that the dump is short of.
    pub missing_bytes: usize,
    /// Bytes behind the end of a region.
    pub surplus_bytes: usize,
    /// The dump began with the header of a memory file, which was left out.
    pub had_header: bool,
}

/// Puts a dump together again; `None` if no record in it reads well.
#[must_use]
pub fn salvage(dump: &[u8]) -> Option<Salvage> {
    let had_header = dump.len() > HEADER_BYTES && dump.starts_with(MAGIC);
    let raw = if had_header { &dump[HEADER_BYTES..] } else { dump };
    let used = raw.len().min(SECTORS * SECTOR);
    let mut image = raw[..used].to_vec();
    image.resize(SECTORS * SECTOR, u8::MAX);
    let mut homes: Vec<_> = image.chunks(SECTOR).map(home_of).collect();
    let headless = mend(&mut image, &mut homes);
    let mut salvage = Salvage {
        region: RegionFlash::default(),
        sectors: 0,
        moved: 0,
        unreadable: Vec::new(),
        doubled: Vec::new(),
        missing_bytes: SECTORS * SECTOR - used,
        surplus_bytes: raw.len() - used,
        had_header,
        mended_hours: headless.mended,
        useless_hours: headless.useless,
    };
    let mut region = vec![u8::MAX; SECTORS * SECTOR];
    let mut taken = [false; SECTORS];
    let places = places(&homes);
    // Sectors that stand where they belong come first: a copy elsewhere is the odd one.
    let in_place = (0..SECTORS).filter(|from| places[*from] == Some(*from));
    let elsewhere = (0..SECTORS).filter(|from| places[*from] != Some(*from));
    for from in in_place.chain(elsewhere) {
        let sector = &image[from * SECTOR..(from + 1) * SECTOR];
        let Some(to) = places[from] else {
            if sector.iter().any(|byte| *byte != u8::MAX) {
                salvage.unreadable.push(area_name(from));
            }
            continue;
        };
        if std::mem::replace(&mut taken[to], true) {
            salvage.doubled.push(area_name(to));
            continue;
        }
        region[to * SECTOR..(to + 1) * SECTOR].copy_from_slice(sector);
        salvage.sectors += 1;
        salvage.moved += usize::from(to != from);
    }
    salvage.region = RegionFlash::from_bytes(&region)?;
    (salvage.sectors > 0).then_some(salvage)
}

/// Where each sector of a dump belongs.
fn places(homes: &[Option<Home>]) -> Vec<Option<usize>> {
    let mut places: Vec<_> = homes
        .iter()
        .map(|home| match home {
            Some(Home::Learned { sector }) => Some(first(Area::LEARNED) + usize::from(*sector)),
            Some(Home::Settings { sector }) => Some(first(Area::PROFILE) + usize::from(*sector)),
            Some(Home::Snapshots { sector }) => Some(first(Area::SNAPSHOTS) + usize::from(*sector)),
            Some(Home::Hours { .. } | Home::Journal { .. }) | None => None,
        })
        .collect();
    place_hours(homes, &mut places);
    place_journal(homes, &mut places);
    places
}

/// The two newest sectors of hours, in their own places if they stand there.
fn place_hours(homes: &[Option<Home>], places: &mut [Option<usize>]) {
    let mut found: Vec<(u32, usize)> = homes
        .iter()
        .enumerate()
        .filter_map(|(from, home)| match home {
            Some(Home::Hours { sector_number }) => Some((*sector_number, from)),
            _ => None,
        })
        .collect();
    found.sort_unstable();
    let newest: Vec<_> = found.iter().rev().take(2).map(|(_, from)| *from).collect();
    let free = |taken: &[Option<usize>]| (0..2).find(|place| !taken.contains(&Some(*place)));
    for from in newest.iter().filter(|from| **from < 2) {
        places[*from] = Some(*from);
    }
    for from in newest.iter().filter(|from| **from >= 2) {
        places[*from] = free(places);
    }
    // A third one claims the place of the newest, and is told as doubled.
    for (_, from) in found.iter().rev().skip(2) {
        places[*from] = Some(0);
    }
}

/// Sectors of the journal keep their places if the ring is in order there; otherwise the newest lap fills the ring from
/// its beginning, and the lap before it reaches to its end.
fn place_journal(homes: &[Option<Home>], places: &mut [Option<usize>]) {
    let begin = first(Area::JOURNAL);
    let sectors = usize::try_from(Area::JOURNAL.sectors()).unwrap_or(0);
    let mut found: Vec<(u32, u8, usize)> = homes
        .iter()
        .enumerate()
        .filter_map(|(from, home)| match home {
            Some(Home::Journal { lap, seq }) => Some((*seq, *lap, from)),
            _ => None,
        })
        .collect();
    found.sort_unstable();
    let Some(&(_, newest_lap, _)) = found.last() else { return };
    let inside = found.iter().all(|(_, _, from)| (begin..begin + sectors).contains(from));
    let ascending = found.windows(2).all(|pair| match pair {
        [(_, lap, from), (_, later_lap, later_from)] if lap == later_lap => from < later_from,
        [(_, lap, _), (_, later_lap, _)] => lap.wrapping_add(1) == *later_lap,
        _ => true,
    });
    if inside && ascending {
        for (_, _, from) in found {
            places[from] = Some(from);
        }
        return;
    }
    let of_lap = |newest: bool| found.iter().filter(move |(_, lap, _)| (*lap == newest_lap) == newest);
    for (index, (_, _, from)) in of_lap(true).enumerate() {
        places[*from] = Some(begin + index.min(sectors - 1));
    }
    let before = of_lap(false).count();
    for (index, (_, _, from)) in of_lap(false).enumerate() {
        places[*from] = Some(begin + (sectors + index).saturating_sub(before));
    }
}

fn first(area: Area) -> usize {
    usize::try_from(area.start / SECTOR_BYTES).unwrap_or(0)
}

fn area_name(place: usize) -> &'static str {
    let areas = [
        (Area::HOURS, "hours"),
        (Area::LEARNED, "learned state"),
        (Area::SNAPSHOTS, "snapshots"),
        (Area::JOURNAL, "journal"),
    ];
    let name = areas.iter().rev().find(|(area, _)| place >= first(*area)).map_or("hours", |(_, name)| *name);
    if place >= first(Area::PROFILE) { "profile" } else { name }
}
