//! A slow channel: age, staleness, filter and errors, with the supply as its sensor.

use std::collections::VecDeque;

use monitor_core::acquire::adc::{AdcCounts, AdcInput, AdcScale, CalibrationError, SlowFilter, StaleAfter};
use monitor_core::acquire::supply::{Supply, SupplyCalibration};
use monitor_core::acquire::{Quality, Reading, SlowChannel};
use monitor_core::time::Instant;
use monitor_core::units::Voltage;
use proptest::prelude::*;

/// Answers in turn, then stays busy for ever.
#[derive(Default)]
struct Script(VecDeque<nb::Result<AdcCounts, u8>>);

impl AdcInput for Script {
    type Error = u8;

    fn read_counts(&mut self) -> nb::Result<AdcCounts, u8> {
        self.0.pop_front().unwrap_or(Err(nb::Error::WouldBlock))
    }
}

const BUSY: nb::Result<u32, u8> = Err(nb::Error::WouldBlock);
const BROKEN: nb::Result<u32, u8> = Err(nb::Error::Other(7));

/// A scale on which a count is 5 mV: 4,000 counts are 20 V.
fn channel(answers: &[nb::Result<u32, u8>]) -> SlowChannel<Supply<Script>, Voltage> {
    channel_with(answers, 0)
}

fn channel_with(answers: &[nb::Result<u32, u8>], smoothing: u8) -> SlowChannel<Supply<Script>, Voltage> {
    let scale = AdcScale::new(4_000, 10, 10).unwrap();
    let calibration = SupplyCalibration::new(scale, 2_000, 10_000_000).unwrap();
    let script = Script(answers.iter().copied().map(|answer| answer.map(AdcCounts::from_counts)).collect());
    let sensor = Supply::new(script, calibration);
    SlowChannel::new(sensor, SlowFilter::new(smoothing).unwrap(), StaleAfter::from_millis(3_000).unwrap())
}

/// Quality, millivolts and age of one poll.
fn poll(channel: &mut SlowChannel<Supply<Script>, Voltage>, at_ms: i64) -> (Quality, i32, u16) {
    let reading = channel.poll(Instant::from_millis(at_ms));
    (reading.quality, reading.value.as_millivolts(), reading.age_ms)
}

#[test]
fn nothing_is_known_before_the_first_answer() {
    let mut channel = channel(&[BUSY, Ok(2_520)]);
    assert_eq!(channel.poll(Instant::from_millis(0)), Reading::missing());
    assert_eq!(poll(&mut channel, 500), (Quality::Good, 12_600, 0), "the first good sample is the value");
}

#[test]
fn an_unanswered_poll_keeps_the_reading_and_its_age_grows_until_it_is_stale() {
    let mut channel = channel(&[Ok(2_520)]);
    let expected = [
        (0, Quality::Good, 0),
        (1_000, Quality::Good, 1_000),
        (3_000, Quality::Good, 3_000),
        (3_001, Quality::Missing, 3_001),
        (60_000, Quality::Missing, 60_000),
        (600_000, Quality::Missing, u16::MAX),
        (90_000_000, Quality::Missing, u16::MAX),
    ];
    for (at_ms, quality, age_ms) in expected {
        assert_eq!(poll(&mut channel, at_ms), (quality, 12_600, age_ms), "{at_ms}");
    }
}

#[test]
fn a_clock_that_steps_back_makes_no_reading_young_again() {
    let mut channel = channel(&[Ok(2_520)]);
    poll(&mut channel, 10_000);
    assert_eq!(poll(&mut channel, 12_500), (Quality::Good, 12_600, 2_500));
    assert_eq!(poll(&mut channel, 0), (Quality::Good, 12_600, 2_500), "no time is known to have passed");
    assert_eq!(poll(&mut channel, 501), (Quality::Missing, 12_600, 3_001));
}

#[test]
fn a_converter_out_of_reach_is_missing_at_once_and_counted() {
    let mut channel = channel(&[Ok(2_520), BROKEN, BUSY, Ok(2_600)]);
    poll(&mut channel, 0);
    assert_eq!(poll(&mut channel, 1_000).0, Quality::Missing, "broken");
    assert_eq!(poll(&mut channel, 2_000).0, Quality::Missing, "busy after broken: the old value does not come back");
    assert_eq!(poll(&mut channel, 3_000), (Quality::Good, 13_000, 0));
    assert_eq!(channel.unreachable(), 1);
}

#[test]
fn a_fault_of_the_lead_is_passed_on_and_ages_into_missing() {
    let mut channel = channel(&[Ok(2_520), Ok(0)]);
    poll(&mut channel, 0);
    assert_eq!(poll(&mut channel, 1_000).0, Quality::Open);
    assert_eq!(poll(&mut channel, 2_000).0, Quality::Open, "nothing new");
    assert_eq!(poll(&mut channel, 4_001).0, Quality::Missing, "too old to say even that");
}

#[test]
fn after_a_long_silence_the_filter_starts_again() {
    let mut channel = channel_with(&[Ok(2_000), Ok(2_000), Ok(2_000), Ok(2_000), Ok(2_800)], 4);
    for second in 0..4 {
        poll(&mut channel, second * 1_000);
    }
    assert_eq!(poll(&mut channel, 60_000), (Quality::Good, 14_000, 0));
}

#[test]
fn d20_a_wild_reading_after_a_restart_is_gone_with_the_third() {
    let mut channel = channel_with(&[Ok(3_108), Ok(528), Ok(528), Ok(528)], 2);
    let values: Vec<i32> = (0..4).map(|second| poll(&mut channel, second * 1_000).1).collect();
    assert_eq!(values, [15_540, 2_640, 2_640, 2_640]);
}

#[test]
fn age_limits_that_never_come_are_refused() {
    for millis in [0, u16::MAX] {
        assert_eq!(StaleAfter::from_millis(millis), Err(CalibrationError::StaleLimit), "{millis}");
    }
    assert_eq!(StaleAfter::from_millis(65_534).map(StaleAfter::as_millis), Ok(65_534));
}

proptest! {
    #[test]
    fn constant_in_constant_out_at_every_fill_level_with_holes(
        counts in 11_u32..3_989,
        smoothing in 0_u8..=4,
        pattern in prop::collection::vec(0_u8..4, 1..60),
    ) {
        let answers: Vec<_> = pattern
            .iter()
            .map(|kind| match kind {
                0 | 1 => Ok(counts),
                2 => BUSY,
                _ => Ok(0),
            })
            .collect();
        let mut channel = channel_with(&answers, smoothing);
        let millivolts = i32::try_from(counts).unwrap() * 5;
        for second in 0..pattern.len() {
            let reading = poll(&mut channel, i64::try_from(second).unwrap() * 1_000);
            if reading.0 == Quality::Good {
                prop_assert_eq!(reading.1, millivolts);
            }
        }
    }

    #[test]
    fn what_is_good_was_measured_within_the_limit(
        pattern in prop::collection::vec((any::<bool>(), 1_i64..4_000), 1..60),
    ) {
        let answers: Vec<_> = pattern.iter().map(|(ready, _)| if *ready { Ok(2_520) } else { BUSY }).collect();
        let mut channel = channel(&answers);
        let (mut now, mut measured) = (0, None);
        for (ready, passed) in pattern {
            now += passed;
            if ready {
                measured = Some(now);
            }
            let (quality, _, age_ms) = poll(&mut channel, now);
            let live = measured.is_some_and(|at| now - at <= 3_000);
            prop_assert_eq!(quality == Quality::Good, live);
            if let Some(at) = measured {
                prop_assert_eq!(i64::from(age_ms), (now - at).min(65_535));
            }
        }
    }
}
