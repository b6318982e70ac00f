//! The last minute or so of head temperature, and straight lines through them.

use crate::acquire::Channel;
use crate::condition::Tick;
use crate::num::{div_wide, isqrt, round_div};

/// Points kept: one a second for three quarters of a minute, or one in two seconds for twice as long.
const POINTS: usize = 44;
/// From this resolution on, in m°C, a sensor is coarse: it needs long windows and few points.
const COARSE_MILLIKELVIN: i32 = 400;
/// Least time between two points of a coarse sensor, in milliseconds, with room for jitter.
const COARSE_SPACING_MS: u32 = 1_900;
/// Ages are measured in units of 2⁷ = 128 ms, so that no division is needed to get them.
const UNIT_SHIFT: u32 = 7;
/// Longest wait after a hole for a sensor to show a value that is new, not left over from before.
const LEFT_OVER_MS: u64 = 3_000;
/// The resolution of a sensor that has not moved yet: assume the coarsest, whole degrees.
const COARSEST_MILLIKELVIN: i32 = 1_000;

/// Head temperature over the last seconds of one unbroken stretch.
#[derive(Debug, Clone, Copy)]
pub(crate) struct HeadTrend {
    /// Low 32 bits of the elapsed milliseconds of each point.
    at_ms: [u32; POINTS],
    head: [i32; POINTS],
    next: usize,
    len: usize,
    /// The value before the last hole and when the hole ended, until a new value comes.
    left_over: Option<(i32, u64)>,
    resolution: i32,
}

/// A straight line through the points of a window, by least squares.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Line {
    /// The line's value at the newest point, in m°C.
    pub(crate) now: i32,
    /// Its slope in m°C per second.
    pub(crate) slope: i32,
    /// Standard error of the slope, in m°C per second.
    pub(crate) slope_error: i32,
    /// Scatter of the points about the line, in m°C.
    pub(crate) scatter: i32,
    /// Time from the oldest to the newest point, in ms.
    pub(crate) span_ms: i32,
}

impl HeadTrend {
    pub(crate) const fn new() -> Self {
        Self {
            at_ms: [0; POINTS],
            head: [0; POINTS],
            next: 0,
            len: 0,
            left_over: None,
            resolution: COARSEST_MILLIKELVIN,
        }
    }

    /// Power-up: what was before says nothing.
    pub(crate) fn restart(&mut self) {
        *self = Self::new();
    }

    /// Takes one tick, whether the engine runs or not.
    pub(crate) fn update(&mut self, tick: &Tick) {
        if tick.after_hole() {
            // A polled sensor shows its old value until it is asked again: a jump then is no climb.
            self.left_over = self.newest().map(|head| (head, tick.at_ms));
            self.len = 0;
        }
        let Some(head) = tick.good(Channel::Head) else { return };
        if let Some((value, since_ms)) = self.left_over {
            if head == value && tick.at_ms.saturating_sub(since_ms) < LEFT_OVER_MS {
                return;
            }
            self.left_over = None;
            // The mean of this tick may still be half old: begin with the next.
            return;
        }
        self.resolution = tick
            .head_resolution
            .map_or(COARSEST_MILLIKELVIN, |step| i32::try_from(step).unwrap_or(i32::MAX))
            .min(COARSEST_MILLIKELVIN);
        if self.is_coarse() && self.newest_age_ms(tick.at_ms).is_some_and(|age_ms| age_ms < COARSE_SPACING_MS) {
            return;
        }
        if let (Some(at_ms), Some(slot)) = (self.at_ms.get_mut(self.next), self.head.get_mut(self.next)) {
            *at_ms = low_bits(tick.at_ms);
            *slot = head;
        }
        self.next = self.next.saturating_add(1);
        if self.next >= POINTS {
            self.next = 0;
        }
        self.len = self.len.saturating_add(1).min(POINTS);
    }

    /// Smallest step that the sensor shows, in m°C.
    pub(crate) const fn resolution(&self) -> i32 {
        self.resolution
    }

    /// Whether the sensor shows steps so large that it needs long windows.
    pub(crate) const fn is_coarse(&self) -> bool {
        self.resolution >= COARSE_MILLIKELVIN
    }

    fn newest_age_ms(&self, at_ms: u64) -> Option<u32> {
        let newest = self.next.checked_sub(1).unwrap_or(POINTS.saturating_sub(1));
        let newest_ms = (self.len > 0).then(|| self.at_ms.get(newest)).flatten()?;
        Some(low_bits(at_ms).wrapping_sub(*newest_ms))
    }

    /// Newest value, in m°C.
    pub(crate) fn newest(&self) -> Option<i32> {
        self.points(u32::MAX).next().map(|(_, head)| head)
    }

    /// Points no older than `window_ms` before the newest, newest first: age in ms, head in m°C.
    pub(crate) fn points(&self, window_ms: u32) -> impl Iterator<Item = (u32, i32)> + '_ {
        let mut index = self.next;
        let mut newest_ms = None;
        (0..self.len).map_while(move |_| {
            index = index.checked_sub(1).unwrap_or(POINTS.saturating_sub(1));
            let (at_ms, head) = (*self.at_ms.get(index)?, *self.head.get(index)?);
            let age_ms = newest_ms.get_or_insert(at_ms).wrapping_sub(at_ms);
            (age_ms <= window_ms).then_some((age_ms, head))
        })
    }

    /// Mean of the points whose age lies in `from_ms..to_ms`, in m°C.
    pub(crate) fn mean_between(&self, from_ms: u32, to_ms: u32) -> Option<i32> {
        let (mut sum, mut count) = (0_i32, 0_i32);
        for (age_ms, head) in self.points(to_ms) {
            if age_ms >= from_ms && age_ms < to_ms {
                sum = sum.saturating_add(head);
                count = count.saturating_add(1);
            }
        }
        (count > 0).then(|| round_div(sum, count))
    }

    /// The line through the last `window_ms`; `None` where the points do not fill nine tenths of it.
    pub(crate) fn line(&self, window_ms: u32) -> Option<Line> {
        let reference = self.newest()?;
        let (mut count, mut sum_age, mut sum_head) = (0_i32, 0_i32, 0_i32);
        let (mut sum_age_age, mut sum_age_head) = (0_i32, 0_i64);
        let mut oldest_ms = 0_u32;
        for (age_ms, head) in self.points(window_ms) {
            let age = age_units(age_ms);
            let rise = head.saturating_sub(reference);
            count = count.saturating_add(1);
            sum_age = sum_age.saturating_add(age);
            sum_head = sum_head.saturating_add(rise);
            sum_age_age = sum_age_age.saturating_add(age.saturating_mul(age));
            sum_age_head = sum_age_head.saturating_add(i64::from(age).saturating_mul(i64::from(rise)));
            oldest_ms = age_ms;
        }
        if count < 5 || oldest_ms < window_ms.saturating_sub(window_ms / 10) {
            return None;
        }
        // Slope against age, per unit: (n Σah − Σa Σh) / (n Σaa − (Σa)²). Against time it changes its sign.
        let cross = i64::from(count)
            .saturating_mul(sum_age_head)
            .saturating_sub(i64::from(sum_age).saturating_mul(i64::from(sum_head)));
        let spread = i64::from(count)
            .saturating_mul(i64::from(sum_age_age))
            .saturating_sub(i64::from(sum_age).saturating_mul(i64::from(sum_age)));
        // 1,000 ms / 128 ms = 125 / 16 units a second.
        let slope = div_wide(cross.saturating_mul(-125), spread.saturating_mul(16));
        let mean_rise = round_div(sum_head, count);
        let mean_age = round_div(sum_age, count);
        // One unit is an eighth of 1,024 ms.
        let slope_1024 = slope.saturating_add(round_div(slope.saturating_mul(24), 1_000));
        let rise_over = |age: i32| slope_1024.saturating_mul(mean_age.saturating_sub(age)) >> 3_u32;
        let mut deviation = 0_i32;
        for (age_ms, head) in self.points(window_ms) {
            let expected = mean_rise.saturating_add(rise_over(age_units(age_ms)));
            let rise = head.saturating_sub(reference);
            deviation = deviation.saturating_add(i32::try_from(rise.abs_diff(expected)).unwrap_or(i32::MAX));
        }
        // A normal scatter is √(π/2) ≈ 5/4 of its mean deviation; steps of the sensor hide a quarter of one step.
        let scatter = round_div(deviation, count)
            .saturating_add(round_div(deviation, count.saturating_mul(4)))
            .max(self.resolution / 4);
        // Σ(a − ā)² = spread / n.
        let sum_of_squares = div_wide(spread, i64::from(count));
        let root = i32::try_from(isqrt(sum_of_squares.unsigned_abs())).unwrap_or(i32::MAX).max(1);
        Some(Line {
            now: reference.saturating_add(mean_rise).saturating_add(rise_over(0)),
            slope,
            slope_error: round_div(scatter.saturating_mul(125), root.saturating_mul(16)),
            scatter,
            span_ms: i32::try_from(oldest_ms).unwrap_or(i32::MAX),
        })
    }
}

fn age_units(age_ms: u32) -> i32 {
    i32::try_from(age_ms >> UNIT_SHIFT).unwrap_or(i32::MAX)
}

fn low_bits(at_ms: u64) -> u32 {
    u32::try_from(at_ms & u64::from(u32::MAX)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn trend(values: impl IntoIterator<Item = i32>) -> HeadTrend {
        let mut trend = HeadTrend::new();
        for (second, head) in values.into_iter().enumerate() {
            let mut tick = Tick::NONE;
            // Begin close to the wrap of the 32 bits that are kept.
            tick.at_ms = u64::from(u32::MAX) - 20_000 + second as u64 * 1_000;
            tick.since_last_ms = 1_000;
            tick.head_resolution = Some(100);
            tick.set_for_test(Channel::Head, head);
            trend.update(&tick);
        }
        trend
    }

    #[test]
    fn a_window_that_is_not_filled_gives_no_line() {
        assert_eq!(trend((0..18).map(|_| 60_000)).line(20_000), None);
        assert!(trend((0..19).map(|_| 60_000)).line(20_000).is_some());
    }

    #[test]
    fn a_jump_after_a_hole_is_no_climb() {
        let mut trend = trend((0..40).map(|_| 32_000));
        let mut at_ms = u64::from(u32::MAX) + 100_000;
        for (since_last_ms, head) in [(60_000, 32_000), (1_000, 32_000), (1_000, 36_500), (1_000, 41_000)] {
            let mut tick = Tick::NONE;
            (tick.at_ms, tick.since_last_ms) = (at_ms, since_last_ms);
            tick.set_for_test(Channel::Head, head);
            trend.update(&tick);
            at_ms += 1_000;
        }
        assert_eq!(trend.points(u32::MAX).map(|point| point.1).collect::<std::vec::Vec<_>>(), [41_000]);
    }

    extern crate std;

    proptest! {
        #[test]
        fn constant_in_constant_out(head in -40_000_i32..200_000, seconds in 9_usize..60) {
            let line = trend((0..seconds).map(|_| head)).line(8_000).unwrap();
            prop_assert_eq!((line.now, line.slope), (head, 0));
        }

        #[test]
        fn a_straight_climb_is_found(start in 0_i32..80_000, slope in -2_000_i32..2_000, seconds in 40_i32..60) {
            let line = trend((0..seconds).map(|second| start + slope * second)).line(30_000).unwrap();
            prop_assert!((line.slope - slope).abs() <= 1 + slope.abs() / 100, "{} {}", line.slope, slope);
            let now = start + slope * (seconds - 1);
            prop_assert!((line.now - now).abs() <= 50 + slope.abs() / 10, "{} {}", line.now, now);
        }

        /// Against double-precision least squares with scatter (Gauss's formulas).
        #[test]
        fn a_scattered_climb_agrees_with_floating_point(
            slope in -500_i32..500,
            noise in prop::collection::vec(-1_000_i32..1_000, 41),
        ) {
            let values: std::vec::Vec<i32> = noise.iter().enumerate().map(|(i, n)| 60_000 + slope * i as i32 + n).collect();
            let line = trend(values.iter().copied()).line(40_000).unwrap();
            let n = 41.0;
            let mean_t = 20.0;
            let mean_y = values.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
            let (mut sty, mut stt) = (0.0, 0.0);
            for (i, &v) in values.iter().enumerate() {
                let t = i as f64 - mean_t;
                sty += t * (f64::from(v) - mean_y);
                stt += t * t;
            }
            prop_assert!((f64::from(line.slope) - sty / stt).abs() <= 2.0, "{} {}", line.slope, sty / stt);
        }
    }
}
