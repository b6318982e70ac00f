//! What is a pulse and what is a glitch: by how long the level stood still, both ways.

use super::calibration::EdgeTimes;
use super::micros::Micros;

/// Turns the level of a pin into pulses.
///
/// A pulse is a rise from a level that was low for at least the minimum low time to one that then stays high for at
/// least the minimum high time. Anything shorter is a glitch: contact bounce, a spike from the ignition lead. The stamp
/// of a pulse is that of its rise, although it is known only later.
///
/// Feed every level change, or the level at every poll; the same level twice does no harm.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EdgeFilter {
    times: EdgeTimes,
    /// The level that stood long enough; unknown until one has.
    settled: Option<bool>,
    /// The level of the pin now, and since when.
    present: Option<(bool, Micros)>,
    glitches: u32,
}

impl EdgeFilter {
    /// A filter that has seen nothing yet.
    #[must_use]
    pub const fn new(times: EdgeTimes) -> Self {
        Self { times, settled: None, present: None, glitches: 0 }
    }

    /// Takes the level of the pin at `at` and returns the stamp of the pulse that is complete by now, if there is one.
    pub fn level(&mut self, high: bool, at: Micros) -> Option<Micros> {
        let pulse = self.settle(at);
        match self.present {
            Some((before, _)) if before == high => {}
            Some((before, _)) => {
                if self.settled.is_some_and(|settled| settled != before) {
                    self.glitches = self.glitches.wrapping_add(1);
                }
                self.present = Some((high, at));
            }
            None => self.present = Some((high, at)),
        }
        pulse
    }

    /// Lets time pass without a change of level: a pulse may be complete by `now`.
    pub fn settle(&mut self, now: Micros) -> Option<Micros> {
        let (high, since) = self.present?;
        if self.settled == Some(high) {
            return None;
        }
        let least_us = if high { self.times.min_high_us() } else { self.times.min_low_us() };
        if now.since(since) < least_us {
            return None;
        }
        // A pin that is found high at power-up did not rise.
        let rose = high && self.settled.is_some();
        self.settled = Some(high);
        rose.then_some(since)
    }

    /// How many times a level did not stand long enough; wraps.
    #[must_use]
    pub const fn glitches(&self) -> u32 {
        self.glitches
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    extern crate std;
    use std::vec::Vec;

    /// Feeds (microsecond, level) and returns the stamps of the pulses, counted from the start.
    fn pulses(min_low_us: u32, min_high_us: u32, start: u32, levels: &[(u32, bool)]) -> (Vec<u32>, u32) {
        let start = Micros::from_counter(start);
        let mut filter = EdgeFilter::new(EdgeTimes::new(min_low_us, min_high_us).expect("sound times"));
        let mut stamps = Vec::new();
        for &(at, high) in levels {
            stamps.extend(filter.level(high, start.wrapping_add_micros(at)));
        }
        let end = levels.last().map_or(0, |&(at, _)| at) + 1_000_000;
        stamps.extend(filter.settle(start.wrapping_add_micros(end)));
        (stamps.iter().map(|stamp| stamp.since(start)).collect(), filter.glitches())
    }

    const LOW: bool = false;
    const HIGH: bool = true;

    /// Name, levels, stamps of the pulses, number of glitches.
    type Case = (&'static str, &'static [(u32, bool)], &'static [u32], u32);

    #[test]
    fn what_counts() {
        let cases: [Case; 8] = [
            ("a clean pulse", &[(0, LOW), (5_000, HIGH), (10_000, LOW)], &[5_000], 0),
            ("too short a high", &[(0, LOW), (5_000, HIGH), (5_900, LOW)], &[], 1),
            ("just long enough a high", &[(0, LOW), (5_000, HIGH), (6_000, LOW)], &[5_000], 0),
            (
                "too short a low joins two highs",
                &[(0, LOW), (5_000, HIGH), (9_000, LOW), (9_900, HIGH), (15_000, LOW)],
                &[5_000],
                1,
            ),
            (
                "bounce at the rise: the stamp is where the level came to rest",
                &[(0, LOW), (5_000, HIGH), (5_050, LOW), (5_100, HIGH), (9_000, LOW)],
                &[5_100],
                1,
            ),
            ("a spike in a long low", &[(0, LOW), (5_000, HIGH), (5_001, LOW), (9_000, HIGH)], &[9_000], 1),
            ("high at power-up is no rise", &[(0, HIGH), (5_000, LOW), (8_000, HIGH)], &[8_000], 0),
            ("the same level again", &[(0, LOW), (500, LOW), (5_000, HIGH), (5_500, HIGH)], &[5_000], 0),
        ];
        for (name, levels, expected, glitches) in cases {
            let (stamps, counted) = pulses(1_000, 1_000, 0, levels);
            assert_eq!((stamps.as_slice(), counted), (expected, glitches), "{name}");
        }
    }

    /// Ten closures of a reed contact, 100 ms apart, each bouncing for 2 ms at both ends.
    fn bouncing_reed() -> Vec<(u32, bool)> {
        let mut levels = Vec::from([(0, LOW)]);
        for pulse in 1..=10_u32 {
            for (begin, first) in [(pulse * 100_000, HIGH), (pulse * 100_000 + 40_000, LOW)] {
                for bounce in 0..5 {
                    levels.push((begin + bounce * 400, first));
                    levels.push((begin + bounce * 400 + 200, !first));
                }
                levels.push((begin + 2_000, first));
            }
        }
        levels
    }

    #[test]
    fn d09_a_bouncing_contact_counts_once() {
        let (unfiltered, _) = pulses(0, 0, 0, &bouncing_reed());
        assert_eq!(unfiltered.len(), 110, "without a filter at the counter each closure counts eleven times");
        let (stamps, glitches) = pulses(1_000, 1_000, 0, &bouncing_reed());
        assert_eq!(stamps.len(), 10);
        assert!(glitches > 0);
    }

    #[test]
    fn d10_a_second_edge_four_to_eight_milliseconds_later_counts_once() {
        for gap_us in [4_000, 5_000, 6_000, 7_000, 8_000] {
            // (what happens, time closed at first, time open before it closes again)
            let contacts = [("closes again soon", gap_us, gap_us), ("opens for a moment", 50_000, gap_us)];
            for (name, closed_us, open_us) in contacts {
                let levels = [
                    (0, LOW),
                    (500_000, HIGH),
                    (500_000 + closed_us, LOW),
                    (500_000 + closed_us + open_us, HIGH),
                    (650_000, LOW),
                    (1_000_000, HIGH),
                    (1_100_000, LOW),
                ];
                let counted = |min_low_us, min_high_us| pulses(min_low_us, min_high_us, 0, &levels).0.len();
                assert_eq!(counted(10_000, 10_000), 2, "{name}, {gap_us} µs");
                assert_eq!(counted(3_000, 3_000), 3, "{name}, {gap_us} µs: times too short");
            }
            let opens = [(0, LOW), (500_000, HIGH), (550_000, LOW), (550_000 + gap_us, HIGH), (650_000, LOW)];
            assert_eq!(pulses(0, 10_000, 0, &opens).0.len(), 2, "a minimum high time alone is not enough");
        }
    }

    #[test]
    fn d15_d16_a_pulse_across_the_wrap_of_the_counter_is_a_pulse() {
        let levels = [(0, LOW), (5_000, HIGH), (10_000, LOW), (15_000, HIGH), (15_100, LOW), (20_000, HIGH)];
        for before_wrap in [0, 1, 4_999, 5_000, 5_500, 6_000, 12_000, 15_050, 20_500] {
            let start = 0_u32.wrapping_sub(before_wrap);
            let (stamps, glitches) = pulses(1_000, 1_000, start, &levels);
            assert_eq!((stamps.as_slice(), glitches), (&[5_000, 20_000][..], 1), "wrap after {before_wrap} µs");
        }
    }

    proptest! {
        #[test]
        fn pulses_are_never_closer_than_the_two_times(
            min_low_us in 0_u32..5_000,
            min_high_us in 0_u32..5_000,
            start in any::<u32>(),
            steps in prop::collection::vec((1_u32..8_000, any::<bool>()), 1..300),
        ) {
            let mut at = 0;
            let levels: Vec<_> = steps.iter().map(|&(step, high)| { at += step; (at, high) }).collect();
            let (stamps, _) = pulses(min_low_us, min_high_us, start, &levels);
            for pair in stamps.windows(2) {
                prop_assert!(pair[1] - pair[0] >= min_low_us + min_high_us);
            }
            let rises = levels.windows(2).filter(|pair| !pair[0].1 && pair[1].1).count();
            prop_assert!(stamps.len() <= rises, "a pulse needs a rise");
        }
    }
}
