//! Engine speed: resolution, standstill, disturbances.

use super::super::calibration::{EdgeTimes, PulsesPerRevolution};
use super::super::signal::{Dice, Signal};
use super::*;
use proptest::prelude::*;

extern crate std;
use std::vec::Vec;

const SECOND: u32 = 1_000_000;
const TENTH: u32 = 100_000;

fn tachometer(thousandths: u32) -> Tachometer {
    let pulses = PulsesPerRevolution::from_thousandths(thousandths).expect("a sound ratio");
    let slowest = Rpm::from_whole_rpm(if thousandths < 2_000 { 100 } else { 50 });
    Tachometer::new(TachometerCalibration::new(pulses, slowest, Rpm::from_whole_rpm(9_000)).expect("sound"))
}

/// The period of an engine with six pulses a turn.
fn period_of(rpm: u32) -> u32 {
    10_000_000 / rpm
}

fn quarters(reading: &Reading<Rpm>) -> Option<i32> {
    (reading.quality == Quality::Good).then(|| reading.value.as_quarter_rpm())
}

/// Readings every tenth of a second: (millisecond, ¼ rpm where good).
fn readings(tachometer: &mut Tachometer, signal: &Signal) -> Vec<(u32, Option<i32>)> {
    let read = |driver: &mut Tachometer, now| quarters(&driver.read(now));
    signal.replay(tachometer, 0, TENTH, read)
}

#[test]
fn resolution_is_a_quarter_rpm_at_idle_and_at_full_speed() {
    // Periods differ by single microseconds, so that the mean speed is the one meant.
    for (rpm, reads_us) in [(700, TENTH), (700, SECOND), (6_000, TENTH), (6_000, SECOND)] {
        for quarter in 0..4_u32 {
            let meant = rpm * 4 + quarter;
            let mut owed = 0_u64;
            let periods = (0..rpm).map(|_| {
                owed += 40_000_000;
                let period = owed / u64::from(meant);
                owed %= u64::from(meant);
                period as u32
            });
            let signal = Signal::new().periods(periods);
            let mut tachometer = tachometer(6_000);
            let shown = signal.replay(&mut tachometer, 0, reads_us, Tachometer::read);
            for (at_ms, reading) in shown.iter().filter(|(at_ms, _)| *at_ms > 1_000) {
                let error = reading.value.as_quarter_rpm() - meant as i32;
                // 1 µs at either end of a tenth of a second is 0.06 rpm at 6,000.
                assert!(error.abs() <= 1, "{meant}/4 rpm, {at_ms} ms: {error}/4");
            }
        }
    }
}

#[test]
fn a_polled_pin_costs_one_polling_interval_at_each_end() {
    for (rpm, poll_us, most_error_quarters) in [(700, 100, 1), (6_000, 100, 5), (6_000, 50, 3)] {
        let exact = Signal::new().train(period_of(rpm), 10 * SECOND);
        let late = |at: u32| at.div_ceil(poll_us) * poll_us;
        let edges = exact.edges.iter().map(|&(at, high)| (late(at), high)).collect();
        let signal = Signal { edges, end_us: exact.end_us };
        let shown = signal.replay(&mut tachometer(6_000), 0, SECOND, Tachometer::read);
        let meant = 40_000_000 / period_of(rpm) as i32;
        for (at_ms, reading) in &shown[2..] {
            let error = (reading.value.as_quarter_rpm() - meant).abs();
            assert!(error <= most_error_quarters, "{rpm} rpm, {poll_us} µs, {at_ms} ms: {error}/4");
        }
    }
}

#[test]
fn every_ratio_of_pulses_to_turns_gives_the_same_speed() {
    for thousandths in [500, 1_000, 2_000, 2_250, 3_000, 4_000, 5_000, 6_000, 10_000, 12_000, 36_000, 60_000] {
        // About 1,500 rpm: 40,000 µs a turn, in whole microseconds a period.
        let period_us = 40_000_000 / thousandths;
        let exact = (240_000_000_000_u64 / u64::from(thousandths) / u64::from(period_us)) as i32;
        let signal = Signal::new().train(period_us, 6 * SECOND);
        let shown = readings(&mut tachometer(thousandths), &signal);
        for (at_ms, quarters) in shown.iter().filter(|(at_ms, _)| *at_ms >= 1_000) {
            let error = quarters.map(|quarters| (quarters - exact).abs());
            assert!(error.is_some_and(|error| error <= 1), "{thousandths}, {at_ms} ms: {quarters:?}");
        }
    }
}

#[test]
fn at_boot_without_pulses_nothing_is_known_until_the_time_out_and_then_the_engine_stands() {
    for (thousandths, time_out_ms) in [(6_000, 500), (1_000, 1_500), (500, 3_000)] {
        let signal = Signal::new().silence(10 * SECOND);
        let mut tachometer = tachometer(thousandths);
        for (at_ms, reading) in signal.replay(&mut tachometer, 0, TENTH, Tachometer::read) {
            let expected = if at_ms <= time_out_ms { Quality::Missing } else { Quality::Good };
            assert_eq!((reading.quality, reading.value), (expected, Rpm::from_raw(0)), "{thousandths}: {at_ms} ms");
        }
    }
}

#[test]
fn d11_an_engine_that_stops_reads_zero_after_a_time_that_fits_its_calibration() {
    for (thousandths, rpm, time_out_ms) in [(6_000, 700, 500), (6_000, 6_000, 500), (1_000, 700, 1_500)] {
        let period_us = (60_000_000_000_u64 / u64::from(thousandths) / u64::from(rpm as u32)) as u32;
        let running = Signal::new().train(period_us, 5 * SECOND);
        let stopped_ms = running.end_us / 1_000;
        let shown = readings(&mut tachometer(thousandths), &running.silence(5 * SECOND));
        let mut last = i32::MAX;
        for &(at_ms, quarters) in shown.iter().filter(|(at_ms, _)| *at_ms >= stopped_ms + 100) {
            let quarters = quarters.expect("always good");
            assert!(quarters <= last, "never rises while nothing comes");
            last = quarters;
            let three_pulses = 240_000_000 * 3 / thousandths as i32 / (at_ms - stopped_ms - 1) as i32;
            assert!(quarters <= three_pulses + 1, "{thousandths} at {rpm} rpm: {quarters}/4 at {at_ms} ms");
            if at_ms > stopped_ms + time_out_ms {
                assert_eq!(quarters, 0, "{thousandths} at {rpm} rpm: {at_ms} ms");
            }
        }
    }
}

#[test]
fn a_running_engine_is_never_shown_as_standing() {
    // The slowest wanted speed itself, with an uneven turn.
    let signal = Signal::new().periods((0..100).map(|index| if index % 2 == 0 { 180_000 } else { 220_000 }));
    let shown = readings(&mut tachometer(6_000), &signal);
    let known = shown.iter().filter(|(at_ms, _)| *at_ms > 4_000);
    assert!(known.clone().count() > 100);
    for (at_ms, quarters) in known {
        assert!(quarters.is_some_and(|quarters| (100..=300).contains(&quarters)), "{at_ms} ms: {quarters:?}");
    }
}

#[test]
fn the_first_revolution_after_a_standstill_is_not_shown() {
    let signal = Signal::new().silence(2 * SECOND).train(period_of(900), 2 * SECOND);
    let shown = readings(&mut tachometer(6_000), &signal);
    // First pulse at 2.011 s; a turn is 67 ms, and those of two turns must agree: another 133 ms.
    assert_eq!(shown[20], (2_000, Some(0)));
    assert_eq!(shown[21], (2_100, None));
    assert_eq!(shown[22], (2_200, None));
    assert!(shown[23].1.is_some_and(|quarters| (quarters - 3_600).abs() < 4), "{:?}", shown[23]);
}

#[test]
fn d21_a_speed_that_doubles_for_a_moment_is_not_passed_on() {
    let normal = period_of(3_500);
    for (name, doubled_us) in [("an eighth of a second", 125_000), ("0.3 s", 300_000), ("0.8 s", 800_000)] {
        let mut signal = Signal::new().train(normal, 8 * SECOND);
        for _ in 0..5 {
            signal = signal.train(normal / 2, doubled_us).train(normal, 2 * SECOND);
        }
        let mut tachometer = tachometer(6_000);
        for (at_ms, quarters) in readings(&mut tachometer, &signal).into_iter().filter(|(at_ms, _)| *at_ms > 1_000) {
            let error = quarters.map(|quarters| (quarters - 14_000).abs());
            assert!(error.is_some_and(|error| error < 140), "{name}: {quarters:?} at {at_ms} ms");
        }
        assert_eq!(tachometer.statistics().doubled, 5, "{name}: told to whoever looks for miscounts");
    }
}

#[test]
fn d21_one_false_edge_now_and_then_is_not_passed_on() {
    let mut dice = Dice(21);
    let mut periods = Vec::new();
    for index in 0..20_000_u32 {
        let period = period_of(3_500);
        if index % 7 == 3 {
            let first = dice.between(period / 5, period * 4 / 5);
            periods.extend([first, period - first]);
        } else {
            periods.push(period);
        }
    }
    let shown = readings(&mut tachometer(6_000), &Signal::new().periods(periods));
    for (at_ms, quarters) in shown.into_iter().filter(|(at_ms, _)| *at_ms > 1_000) {
        let error = quarters.map(|quarters| (quarters - 14_000).abs());
        assert!(error.is_some_and(|error| error < 14_000 / 20), "{quarters:?} at {at_ms} ms");
    }
}

#[test]
fn a_speed_that_stays_doubled_is_passed_on_and_told() {
    let signal = Signal::new().train(period_of(2_500), 3 * SECOND).train(period_of(5_000), 3 * SECOND);
    let mut tachometer = tachometer(6_000);
    let shown = readings(&mut tachometer, &signal);
    assert_eq!(shown[58].1, Some(20_000));
    assert_eq!(shown[39].1, Some(10_000), "held back for a second");
    assert_eq!(tachometer.suspect_ratio(), Some(SuspectRatio::Doubled));
}

#[test]
fn a_throttle_blip_is_followed_at_once() {
    // From 700 to 4,000 rpm in 0.6 s and back.
    let mut periods = Vec::new();
    let mut at_us = 0;
    while at_us < 4 * SECOND {
        let since_ms = at_us.saturating_sub(2 * SECOND) / 1_000;
        let rpm = 700 + 3_300 * since_ms.min(1_200u32.saturating_sub(since_ms)).min(600) / 600;
        periods.push(period_of(rpm));
        at_us += period_of(rpm);
    }
    let signal = Signal::new().periods(periods);
    let shown = readings(&mut tachometer(6_000), &signal);
    let highest = shown.iter().filter_map(|&(_, quarters)| quarters).max();
    assert!(highest.is_some_and(|quarters| quarters > 14_000), "{highest:?}");
    for &(at_ms, quarters) in shown.iter().filter(|(at_ms, _)| (1_000..3_900).contains(at_ms)) {
        let since_ms = at_ms.saturating_sub(2_050);
        let rpm = 700 + 3_300 * since_ms.min(1_200_u32.saturating_sub(since_ms)).min(600) / 600;
        let error = quarters.map(|quarters| (quarters - 4 * rpm as i32).abs());
        assert!(error.is_some_and(|error| error < 4 * 350), "{at_ms} ms: {quarters:?}, {rpm} rpm");
    }
}

#[test]
fn spikes_from_the_ignition_lead_change_nothing() {
    let clean = Signal::new().train(period_of(3_000), 5 * SECOND);
    let noisy = clean.clone().with_spikes(1_310, 40);
    let (mut one, mut other) = (tachometer(6_000), tachometer(6_000));
    let (clean, noisy) = (readings(&mut one, &clean), readings(&mut other, &noisy));
    for ((at_ms, clean), (_, noisy)) in clean.into_iter().zip(noisy) {
        let error = clean.zip(noisy).map_or(0, |(clean, noisy)| (clean - noisy).abs());
        assert!(error <= 60 && clean.is_some() == noisy.is_some(), "{at_ms} ms: {clean:?} {noisy:?}");
    }
    assert!(other.statistics().glitches > 1_000);
    assert_eq!(one.statistics().pulses, other.statistics().pulses);
}

#[test]
fn lost_pulses_do_not_slow_the_engine_down() {
    let mut dice = Dice(12);
    let period = period_of(3_000);
    // Each case gives how many periods pass until the next pulse arrives.
    let cases: [(&str, Vec<u32>); 3] = [
        ("a dead diode: every sixth pulse is missing", (0..4_000).map(|index| 1 + u32::from(index % 5 == 4)).collect()),
        ("a bad joint: one in six is lost", (0..4_000).map(|_| 1 + u32::from(dice.between(1, 6) == 1)).collect()),
        (
            "a wet plug: 0.2 s without contact now and then",
            (0..4_000).map(|index| if index % 200 == 199 { 60 } else { 1 }).collect(),
        ),
    ];
    for (name, arrivals) in cases {
        let signal = Signal::new().periods(arrivals.iter().map(|count| count * period));
        let mut good = 0;
        for (at_ms, quarters) in readings(&mut tachometer(6_000), &signal).iter().filter(|(at_ms, _)| *at_ms > 1_000) {
            let Some(quarters) = quarters else { continue };
            good += 1;
            // While nothing comes at all, the speed shown sinks: 0.2 s are 60 periods.
            let least = if name.starts_with("a wet plug") { 600 } else { 11_900 };
            assert!((least..=12_100).contains(quarters), "{name}: {quarters}/4 rpm at {at_ms} ms");
        }
        assert!(good > 100, "{name}: {good}");
    }
}

#[test]
fn noise_on_an_open_input_is_implausible_and_hardly_ever_a_speed() {
    for thousandths in [6_000, 2_000, 500] {
        let (mut implausible, mut speeds) = (0, 0);
        for seed in 1..=16 {
            let mut dice = Dice(seed);
            // Evenly spread, or as chance spreads single events: many short distances, few long ones.
            let chance =
                |dice: &mut Dice| (-10_000.0 * (f64::from(dice.between(1, 10_000)) / 10_000.0).ln()) as u32 + 200;
            let period = |dice: &mut Dice| if seed % 2 == 0 { dice.between(300, 20_000) } else { chance(dice) };
            let signal = Signal::new().silence(SECOND).periods((0..3_000).map(|_| period(&mut dice)));
            for (at_ms, reading) in signal.replay(&mut tachometer(thousandths), 0, TENTH, Tachometer::read) {
                implausible += u32::from(at_ms > 1_000 && reading.quality == Quality::Implausible);
                speeds += u32::from(at_ms > 1_000 && reading.quality == Quality::Good);
            }
        }
        assert!(implausible > 2_000, "{thousandths}: {implausible} implausible");
        assert!(speeds * 50 < implausible, "{thousandths}: {implausible} implausible, {speeds} speeds");
    }
}

#[test]
fn d15_d16_nothing_changes_where_the_counter_wraps() {
    let signal = Signal::new()
        .silence(SECOND)
        .train(period_of(700), 4 * SECOND)
        .train(period_of(5_000), 2 * SECOND)
        .silence(3 * SECOND)
        .train(period_of(700), 2 * SECOND);
    let run = |start| signal.replay(&mut tachometer(6_000), start, TENTH, Tachometer::read);
    let expected = run(0);
    for before_wrap_us in [1, 500_000, 1_000_001, 3_333_333, 6_100_000, 7_200_000, 9_000_000, 11_000_000] {
        assert_eq!(run(0_u32.wrapping_sub(before_wrap_us)), expected, "wrap after {before_wrap_us} µs");
    }
}

#[test]
fn a_standstill_longer_than_the_range_of_the_counter_stays_a_standstill() {
    let mut tachometer = tachometer(6_000);
    let mut now = Micros::from_counter(u32::MAX - 1_000_000);
    for _ in 0..100 {
        now = now.wrapping_add_micros(period_of(700));
        tachometer.pulse(now);
    }
    assert!(quarters(&tachometer.read(now)).is_some_and(|quarters| quarters > 0));
    // Three hours in steps of a minute: the counter wraps twice.
    for minute in 0..180 {
        now = now.wrapping_add_micros(60_000_000);
        assert_eq!(tachometer.read(now), Reading::good(Rpm::from_raw(0)), "minute {minute}");
    }
}

#[test]
fn ages_tell_how_old_a_held_speed_is() {
    let mut tachometer = tachometer(500);
    let mut now = Micros::from_counter(0);
    for _ in 0..8 {
        now = now.wrapping_add_micros(170_000);
        tachometer.pulse(now);
    }
    for (later_us, age_ms) in [(0, 0), (99_999, 99), (400_000, 400), (2_999_000, 2_999)] {
        let reading = tachometer.read(now.wrapping_add_micros(later_us));
        assert_eq!((reading.quality, reading.age_ms), (Quality::Good, age_ms));
    }
}

#[test]
fn the_bound_holds_to_the_last_quarter() {
    // The bound of 9,000 rpm is a period of 1,111.1 µs; the nearest whole one is a little faster.
    let shown = readings(&mut tachometer(6_000), &Signal::new().train(1_111, SECOND));
    assert_eq!(shown.last().map(|reading| reading.1), Some(Some(36_000)));
}

#[test]
fn the_driver_is_small() {
    let size = size_of::<Tachometer>();
    std::println!("Tachometer: {size} bytes");
    assert!(size <= 240, "{size} bytes");
}

proptest! {
    #[test]
    fn constant_in_constant_out_at_every_fill_level(
        start in any::<u32>(),
        thousandths in prop_oneof![Just(500_u32), Just(1_000), 2_000_u32..60_000],
        rpm in 150_u32..8_900,
        every_us in 20_000_u32..2_000_000,
    ) {
        let period_us = (60_000_000_000_u64 / u64::from(thousandths) / u64::from(rpm)) as u32;
        let signal = Signal::new().train(period_us, 12_000_000);
        let mut tachometer = tachometer(thousandths);
        let exact = PulsesPerRevolution::from_thousandths(thousandths).expect("sound").quarters(1, period_us);
        let mut known = false;
        for (at_ms, reading) in signal.replay(&mut tachometer, start, every_us, Tachometer::read) {
            known |= reading.quality == Quality::Good && reading.value.as_quarter_rpm() > 0;
            if known {
                prop_assert_eq!(quarters(&reading), Some(exact as i32), "{} ms", at_ms);
            }
        }
        prop_assert!(known);
    }

    #[test]
    fn no_edges_make_a_speed_above_the_bound(
        start in any::<u32>(),
        steps in prop::collection::vec((prop_oneof![1_u32..1_500, 1_u32..12_000], any::<bool>()), 1..600),
        edge_us in 0_u32..500,
    ) {
        let pulses = PulsesPerRevolution::from_thousandths(6_000).expect("sound");
        let calibration =
            TachometerCalibration::new(pulses, Rpm::from_whole_rpm(50), Rpm::from_whole_rpm(9_000)).expect("sound");
        let times = EdgeTimes::new(edge_us, edge_us).expect("sound");
        let mut tachometer = Tachometer::new(calibration.with_edge_times(times).expect("sound"));
        let mut now = Micros::from_counter(start);
        for (step, high) in steps {
            now = now.wrapping_add_micros(step);
            tachometer.level(high, now);
            let reading = tachometer.read(now);
            prop_assert!((0..=36_000).contains(&reading.value.as_quarter_rpm()));
        }
    }
}
