//! Twenty years of running, with the erases of each page counted.

#[allow(dead_code, reason = "each test uses its part of it")]
mod store_common;

use monitor_core::ledger::Totals;
use monitor_core::ledger::store::{CHECKPOINT_MS, HoursArea, Life};
use powercut::SimFlash;
use store_common::{RUNNING, STANDING, settle_hours};

/// Erases that a page of on-chip flash is guaranteed to stand.
const CYCLES: u32 = 10_000;

/// Runs so many years in trips of so many minutes, each of them a power-up with one start, and gives the erases of the
/// page that was erased most at the end of each year.
fn wear_by_year<const PAGE: usize>(years: u32, hours_a_year: u32, trip_min: u32) -> Vec<u32> {
    let mut flash = SimFlash::<8, PAGE>::new(8_192 / PAGE);
    let mut boot = 0;
    let mut totals = Totals::NONE;
    let mut worst = Vec::new();
    for _ in 0..years {
        for trip in 0..hours_a_year * 60 / trip_min {
            boot += 1;
            let mut area = HoursArea::new();
            area.open(&mut flash, 0, boot).unwrap();
            settle_hours(&mut area, &mut flash, &totals, STANDING).unwrap();
            totals = area.saved().unwrap();
            totals.starts += 1;
            // Five minutes of idling, then the load changes every minute.
            for checkpoint in 0..u64::from(trip_min) * 60_000 / CHECKPOINT_MS {
                let minute = checkpoint * CHECKPOINT_MS / 60_000;
                let band = if minute < 5 { 0 } else { usize::try_from((minute + u64::from(trip)) % 5).unwrap() };
                totals.running_ms[band] += CHECKPOINT_MS;
                settle_hours(&mut area, &mut flash, &totals, RUNNING).unwrap();
            }
            settle_hours(&mut area, &mut flash, &totals, STANDING).unwrap();
        }
        worst.push(flash.wear().iter().copied().max().unwrap_or(0));
    }
    assert_eq!(flash.breach(), None);
    let driven_h = totals.all_running_ms() / 3_600_000;
    assert!(driven_h + 1 >= u64::from(years * hours_a_year * 9 / 10), "{driven_h} h");
    worst
}

/// What is counted must agree with the arithmetic: erases per page = records written / records that fit.
#[test]
fn one_year_wears_as_much_as_calculated() {
    for (name, hours_a_year, counted) in [
        ("500 h, pages of 4 KiB", 500, wear_by_year::<4096>(1, 500, 90)[0]),
        ("500 h, pages of 1 KiB", 500, wear_by_year::<1024>(1, 500, 90)[0]),
        ("1,000 h, pages of 4 KiB", 1_000, wear_by_year::<4096>(1, 1_000, 90)[0]),
    ] {
        // Calculated erases in a year, in tenths of an erase.
        let calculated = u64::from(CYCLES) * 100 / Life::HOURS_AREA.tenths_of_years(hours_a_year);
        let percent = u64::from(counted) * 1_000 / calculated;
        println!("{name}: {counted} erases counted, {percent} % of the calculated");
        assert!((97..=105).contains(&percent), "{name}: {percent} % of the calculated erases");
    }
}

#[test]
#[ignore = "minutes; run with --release"]
fn twenty_years_at_500_h_stay_within_the_cycles_and_at_1000_h_twelve_do() {
    let at_500 = wear_by_year::<4096>(20, 500, 90);
    let at_500_in_short_trips = wear_by_year::<4096>(20, 500, 20);
    let at_1000 = wear_by_year::<4096>(20, 1_000, 90);
    println!("500 h a year: {} erases in 20 years", at_500[19]);
    println!("500 h a year in trips of 20 min: {} erases in 20 years", at_500_in_short_trips[19]);
    println!("1,000 h a year: {} erases in 12 years, {} in 20", at_1000[11], at_1000[19]);
    assert!(at_500[19] < CYCLES, "{at_500:?}");
    assert!(at_500_in_short_trips[19] < CYCLES, "{at_500_in_short_trips:?}");
    assert!(at_1000[11] < CYCLES, "{at_1000:?}");
    assert!(at_1000[19] > CYCLES, "the life at 1,000 h a year is longer than DEVELOPERS.md says: {at_1000:?}");
}
