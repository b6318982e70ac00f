//! Whatever happens to a memory, nothing panics and no hours are invented.

use std::io::Read as _;

use flate2::read::GzDecoder;
use proptest::prelude::*;
use sim_host::ledger::read;
use sim_host::memory::{RegionFlash, examine, header, salvage};

use monitor_core::Monitor;
use monitor_core::acquire::{Channel, Quality, Readings};
use monitor_core::ledger::store::Work;
use monitor_core::profile::Profile;
use monitor_core::time::Instant;
use monitor_core::units::Rpm;

const RAN_S: i64 = 4_000;

/// A region with hours, a few over-speed episodes and what else the monitor keeps.
fn region() -> RegionFlash {
    let mut flash = RegionFlash::default();
    let mut monitor = Box::new(Monitor::new());
    monitor.begin(&Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000))).unwrap();
    monitor.open(&mut flash, 0).unwrap();
    while !monitor.is_ready() {
        let _ = monitor.service(Instant::from_millis(0), &mut flash).unwrap();
    }
    monitor.begin_trip(Instant::from_millis(0), 0);
    for second in 0..=RAN_S {
        let now = Instant::from_millis(second * 1_000);
        let mut readings = Readings::default();
        readings.set_raw(Channel::Rpm, if second % 400 < 20 { 25_600 } else { 12_000 }, Quality::Good);
        monitor.step(now, &readings);
        while monitor.service(now, &mut flash).unwrap() != Work::Nothing {}
    }
    flash
}

#[test]
fn the_whole_region_shows_what_happened() {
    let ledger = read(&region()).unwrap();
    let running_s = i64::try_from(ledger.totals.all_running_ms() / 1_000).unwrap();
    assert!(running_s > RAN_S - 10 && running_s <= RAN_S, "{running_s}");
    assert!(ledger.events.len() >= 20 && ledger.damaged == 0);
}

/// A memory that the first version of the format wrote: the example's day, kept as a file so that every later version
/// has to read it. Never made anew.
#[test]
fn a_memory_of_version_1_is_read() {
    let mut file = Vec::new();
    GzDecoder::new(&include_bytes!("golden/memory-v1.gz")[..]).read_to_end(&mut file).unwrap();
    let ledger = read(&examine(&file).unwrap()).unwrap();
    assert_eq!((ledger.totals.all_running_ms(), ledger.totals.starts, ledger.boots), (2_224_000, 2, 1));
    let seconds: Vec<_> = ledger.bands.iter().map(|band| band.seconds).collect();
    assert_eq!(seconds, [581, 433, 590, 620, 0, 0, 0]);
    let happened: Vec<_> = ledger.events.iter().map(|kept| (kept.seq, kept.event.id, kept.run_on_s)).collect();
    assert_eq!(happened, [(4, 1, Some(39)), (6, 2, Some(37)), (8, 2, Some(2)), (10, 1, Some(39)), (12, 2, Some(37))]);
    assert_eq!(ledger.damaged, 0);
}

/// The engine ran on while the second sector of hours was begun, so the first one is not erased yet.
#[test]
fn hours_behind_a_lost_header_are_used_where_the_sector_before_is_there() {
    const SECTOR: usize = 4_096;
    let whole = region().bytes().to_vec();
    let without = |places: &[(usize, usize)]| {
        let mut bytes = whole.clone();
        for (from, to) in places {
            bytes[*from..*to].fill(0);
        }
        bytes
    };
    // By then the third sector has begun, at the place of the first.
    let (newer, older) = ((0, SECTOR), (SECTOR, 2 * SECTOR));
    let (newer_header, older_header) = ((0, 80), (SECTOR, SECTOR + 80));
    let mut swapped = without(&[newer_header]);
    for at in 0..SECTOR {
        swapped.swap(at, SECTOR + at);
    }
    let cases = [
        ("whole", whole.clone(), 3_990..=4_000, false, false),
        ("the newer header", without(&[newer_header]), 3_980..=4_000, true, false),
        ("and swapped", swapped, 3_980..=4_000, true, false),
        ("both headers", without(&[older_header, newer_header]), 0..=0, false, true),
        ("the older sector", without(&[older]), 3_990..=4_000, false, false),
        ("the older sector and the newer header", without(&[older, newer_header]), 0..=0, false, true),
        ("the newer sector", without(&[newer]), 3_600..=3_630, false, false),
    ];
    for (name, bytes, running_s, mended, useless) in cases {
        let saved = salvage(&bytes).unwrap();
        let found = read(&saved.region).unwrap().totals.all_running_ms() / 1_000;
        assert!(running_s.contains(&found), "{name}: {found} s");
        let told = (saved.mended_hours, saved.useless_hours);
        assert_eq!((told.0 > 20, told.1 > 20), (mended, useless), "{name}: {told:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn damage_never_adds_hours(
        places in prop::collection::vec((0_usize..65_536, 1_usize..600, any::<u8>()), 1..12),
        swaps in prop::collection::vec((0_usize..16, 0_usize..16), 0..4),
        length in 0_usize..70_000,
    ) {
        let mut bytes = region().bytes().to_vec();
        for (from, count, value) in places {
            let to = (from + count).min(bytes.len());
            for byte in &mut bytes[from..to] {
                *byte ^= value;
            }
        }
        for (one, other) in swaps {
            for at in 0..4_096 {
                bytes.swap(one * 4_096 + at, other * 4_096 + at);
            }
        }
        if let Some(as_it_is) = RegionFlash::from_bytes(&bytes) {
            let ledger = read(&as_it_is).unwrap();
            prop_assert!(ledger.totals.all_running_ms() <= 4_000_000);
        }
        bytes.resize(length, 0xFF);
        if let Some(saved) = salvage(&bytes) {
            let ledger = read(&saved.region).unwrap();
            prop_assert!(ledger.totals.all_running_ms() <= 4_000_000);
            prop_assert!(saved.sectors + saved.unreadable.len() + saved.doubled.len() <= 16);
        }
    }

    #[test]
    fn any_bytes_are_no_panic(bytes in prop::collection::vec(any::<u8>(), 0..9_000), headed in any::<bool>()) {
        let mut file = if headed { header().to_vec() } else { Vec::new() };
        file.extend_from_slice(&bytes);
        if headed {
            file.resize(65_600, bytes.first().copied().unwrap_or(0));
        }
        if let Ok(region) = examine(&file) {
            let _ = read(&region);
        }
        let _ = salvage(&file);
    }
}
