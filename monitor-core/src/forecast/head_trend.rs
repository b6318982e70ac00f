//! The last minute or so of head temperature in short blocks, and straight lines through them.
//!
//! Blocks of equal length make least squares cheap: with n values at equal steps the slope a step is
//! 6 Σ wᵢ yᵢ / (n (n² − 1)) with the weights wᵢ = 2 i − (n − 1). Lines are only drawn when a block closes.

use crate::acquire::Channel;
use crate::condition::Tick;
use crate::num::{isqrt, round_div};

/// Blocks kept: 36 s of a fine sensor, 72 s of a coarse one.
pub(crate) const BLOCKS: usize = 18;
/// Length of a block, in milliseconds.
const BLOCK_MS: u32 = 2_000;
/// Length of a block of a coarse sensor: a step more or less matters half as much over twice the time.
const COARSE_BLOCK_MS: u32 = 4_000;
/// A block closes this much early, so that jitter does not make it a sample longer, in milliseconds.
const JITTER_MS: u32 = 100;
/// From this resolution on, in m°C, a sensor is coarse.
const COARSE_MILLIKELVIN: i32 = 400;
/// The resolution of a sensor that has not moved yet: assume the coarsest, whole degrees.
const COARSEST_MILLIKELVIN: i32 = 1_000;
/// Longest wait after a hole for a sensor to show a value that is new, not left over from before, in milliseconds.
const LEFT_OVER_MS: u64 = 3_000;
/// Differences inside a window are held within this, so that sums fit 32 bits, in m°C.
const WIDEST_MILLIKELVIN: i32 = 60_000;

/// The mean of one block and the moment in its middle.
#[derive(Debug, Clone, Copy, Default)]
struct Block {
    at_ms: u32,
    head: i32,
}

/// The block that is being filled.
#[derive(Debug, Clone, Copy, Default)]
struct Open {
    began_ms: u32,
    last_ms: u32,
    sum: i32,
    count: i32,
}

/// Head temperature over the last seconds of one unbroken stretch.
#[derive(Debug, Clone, Copy)]
pub(crate) struct HeadTrend {
    blocks: [Block; BLOCKS],
    next: usize,
    len: usize,
    open: Open,
    now_ms: u32,
    last: Option<i32>,
    /// The value before the last hole and when the hole ended, until a new value comes.
    left_over: Option<(i32, u64)>,
    resolution: i32,
    generation: u8,
}

/// A straight line through the last blocks, by least squares.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Line {
    /// The line's value at the present tick, in m°C.
    pub(crate) now: i32,
    /// Its slope in m°C per second.
    pub(crate) slope: i32,
    /// Standard error of the slope, in m°C per second.
    pub(crate) slope_error: i32,
    /// Scatter of the blocks about the line, in m°C.
    pub(crate) scatter: i32,
    /// Time from the middle of the oldest to that of the newest block, in ms.
    pub(crate) span_ms: i32,
}

impl HeadTrend {
    pub(crate) const fn new() -> Self {
        Self {
            blocks: [Block { at_ms: 0, head: 0 }; BLOCKS],
            next: 0,
            len: 0,
            open: Open { began_ms: 0, last_ms: 0, sum: 0, count: 0 },
            now_ms: 0,
            last: None,
            left_over: None,
            resolution: COARSEST_MILLIKELVIN,
            generation: 0,
        }
    }

    /// Power-up: what was before says nothing.
    pub(crate) fn restart(&mut self) {
        self.forget();
        self.last = None;
        self.left_over = None;
        self.resolution = COARSEST_MILLIKELVIN;
    }

    fn forget(&mut self) {
        self.next = 0;
        self.len = 0;
        self.open.count = 0;
        self.generation = self.generation.wrapping_add(1);
    }

    /// Takes one tick, whether the engine runs or not.
    pub(crate) fn update(&mut self, tick: &Tick) {
        if tick.after_hole() {
            // A polled sensor shows its old value until it is asked again: a jump then is no climb.
            self.left_over = self.last.map(|head| (head, tick.at_ms));
            self.forget();
        }
        let Some(head) = tick.good(Channel::Head) else { return };
        self.last = Some(head);
        if let Some((value, since_ms)) = self.left_over {
            if head != value || tick.at_ms.saturating_sub(since_ms) >= LEFT_OVER_MS {
                // The mean of this tick may still be half old: begin with the next.
                self.left_over = None;
            }
            return;
        }
        self.resolution = tick
            .head_resolution
            .map_or(COARSEST_MILLIKELVIN, |step| i32::try_from(step).unwrap_or(i32::MAX))
            .min(COARSEST_MILLIKELVIN);
        self.now_ms = low_bits(tick.at_ms);
        let block_ms = if self.is_coarse() { COARSE_BLOCK_MS } else { BLOCK_MS };
        if self.open.count > 0 && self.now_ms.wrapping_sub(self.open.began_ms) >= block_ms.saturating_sub(JITTER_MS) {
            self.close_block();
        }
        if self.open.count == 0 {
            self.open = Open { began_ms: self.now_ms, last_ms: self.now_ms, sum: 0, count: 0 };
        }
        self.open.last_ms = self.now_ms;
        self.open.sum = self.open.sum.saturating_add(head);
        self.open.count = self.open.count.saturating_add(1);
    }

    fn close_block(&mut self) {
        let half_ms = self.open.last_ms.wrapping_sub(self.open.began_ms) / 2;
        let mean = match self.open.count {
            2 => self.open.sum >> 1_u32,
            4 => self.open.sum >> 2_u32,
            count => round_div(self.open.sum, count),
        };
        if let Some(block) = self.blocks.get_mut(self.next) {
            *block = Block { at_ms: self.open.began_ms.wrapping_add(half_ms), head: mean };
        }
        self.next = self.next.saturating_add(1);
        if self.next >= BLOCKS {
            self.next = 0;
        }
        self.len = self.len.saturating_add(1).min(BLOCKS);
        self.open.count = 0;
        self.generation = self.generation.wrapping_add(1);
    }

    /// Changes whenever there is something new to say.
    pub(crate) const fn generation(&self) -> u8 {
        self.generation
    }

    /// Number of blocks there are.
    pub(crate) const fn len(&self) -> usize {
        self.len
    }

    /// Smallest step that the sensor shows, in m°C.
    pub(crate) const fn resolution(&self) -> i32 {
        self.resolution
    }

    /// Whether the sensor shows steps so large that it needs long windows.
    pub(crate) const fn is_coarse(&self) -> bool {
        self.resolution >= COARSE_MILLIKELVIN
    }

    /// The last `count` blocks, newest first.
    fn newest(&self, count: usize) -> impl Iterator<Item = &Block> {
        let (before, from) = self.blocks.split_at_checked(self.next).unwrap_or((&[], &[]));
        before.iter().rev().chain(from.iter().rev()).take(count.min(self.len))
    }

    /// Rise from the oldest to the newest of the last `count` blocks in m°C, and the time between them in ms.
    pub(crate) fn rise(&self, count: usize) -> Option<(i32, i32)> {
        let newest = self.newest(1).next()?;
        let oldest = self.newest(count).last()?;
        let span_ms = i32::try_from(newest.at_ms.wrapping_sub(oldest.at_ms)).ok()?;
        Some((newest.head.saturating_sub(oldest.head), span_ms))
    }

    /// Mean of `count` blocks after leaving out the newest `skip`, in m°C.
    pub(crate) fn mean(&self, skip: usize, count: usize) -> Option<i32> {
        let reference = self.newest(1).next()?.head;
        let (sum, counted) =
            self.newest(skip.saturating_add(count)).skip(skip).fold((0_i32, 0_i32), |(sum, counted), block| {
                (sum.saturating_add(block.head.saturating_sub(reference)), counted.saturating_add(1))
            });
        (counted > 0).then(|| reference.saturating_add(round_div(sum, counted)))
    }

    /// The line through the last `count` blocks; `None` where there are not so many.
    pub(crate) fn line(&self, count: usize) -> Option<Line> {
        if count < 3 || self.len < count {
            return None;
        }
        let n = i32::try_from(count).ok()?;
        let newest = *self.newest(1).next()?;
        let (mut sum, mut weighted) = (0_i32, 0_i32);
        let mut weight = n.saturating_sub(1);
        for block in self.newest(count) {
            let rise = difference(block.head, newest.head);
            sum = sum.saturating_add(rise);
            weighted = weighted.saturating_add(weight.saturating_mul(rise));
            weight = weight.saturating_sub(2);
        }
        let (_, span_ms) = self.rise(count)?;
        let step_ms = span_ms.checked_div(n.saturating_sub(1))?;
        // n (n² − 1) / 6, a whole number; the slope is kept in 1/16 m°C a step.
        let divisor = n.saturating_mul(n.saturating_mul(n).saturating_sub(1)) / 6;
        let slope_16 = round_div(weighted.saturating_mul(16), divisor);
        // At the weight w the line is w / 2 steps from its middle.
        let on_line = |weight: i32| slope_16.saturating_mul(weight) >> 5_u32;
        let mean = round_div(sum, n);
        let (mut deviation, mut weight) = (0_i32, n.saturating_sub(1));
        for block in self.newest(count) {
            let expected = mean.saturating_add(on_line(weight));
            let off = difference(block.head, newest.head).saturating_sub(expected).saturating_abs();
            deviation = deviation.saturating_add(off);
            weight = weight.saturating_sub(2);
        }
        // A normal scatter is √(π/2) ≈ 5/4 of its mean deviation; steps of the sensor hide a quarter of one step.
        let scatter = round_div(deviation.saturating_mul(5), n.saturating_mul(4)).max(self.resolution / 4);
        // 1,000 / 16 = 125 / 2.
        let slope = round_div(slope_16.saturating_mul(125), step_ms.saturating_mul(2));
        // Standard error: scatter / √(Σ (i − ī)²), and Σ (i − ī)² = n (n² − 1) / 12.
        let root = i32::try_from(isqrt(divisor.unsigned_abs() / 2)).unwrap_or(i32::MAX).max(1);
        let slope_error = round_div(scatter.saturating_mul(1_000), step_ms.saturating_mul(root));
        let ahead_ms = i32::try_from(self.now_ms.wrapping_sub(newest.at_ms)).unwrap_or(0);
        let since_middle = on_line(n.saturating_sub(1));
        let ahead = round_div(slope.saturating_mul(ahead_ms), 1_000);
        let now = newest.head.saturating_add(mean).saturating_add(since_middle).saturating_add(ahead);
        Some(Line { now, slope, slope_error, scatter, span_ms })
    }
}

fn difference(head: i32, reference: i32) -> i32 {
    head.saturating_sub(reference).clamp(-WIDEST_MILLIKELVIN, WIDEST_MILLIKELVIN)
}

fn low_bits(at_ms: u64) -> u32 {
    u32::try_from(at_ms & u64::from(u32::MAX)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    extern crate std;
    use std::vec::Vec;

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
    fn too_few_blocks_give_no_line() {
        assert_eq!(trend((0..8).map(|_| 60_000)).line(4), None, "the fourth block is still open");
        assert!(trend((0..9).map(|_| 60_000)).line(4).is_some());
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
        assert_eq!((trend.len, trend.open.count, trend.open.sum), (0, 1, 41_000));
    }

    #[test]
    fn the_newest_blocks_come_first_wherever_the_ring_stands() {
        for seconds in [37, 41, 73] {
            let trend = trend((0..seconds).map(|second| second * 100));
            let heads: Vec<i32> = trend.newest(3).map(|block| block.head).collect();
            let last = (seconds - 1) / 2 * 2;
            assert_eq!(heads, [-150, -350, -550].map(|back| last * 100 + back), "{seconds}");
        }
    }

    proptest! {
        #[test]
        fn constant_in_constant_out(head in -40_000_i32..200_000, seconds in 9_usize..90, count in 4_usize..=BLOCKS) {
            let trend = trend((0..seconds).map(|_| head));
            match trend.line(count) {
                Some(line) => prop_assert_eq!((line.now, line.slope), (head, 0)),
                None => prop_assert!((seconds - 1) / 2 < count),
            }
        }

        #[test]
        fn a_straight_climb_is_found(start in 0_i32..80_000, slope in -1_500_i32..1_500, seconds in 40_i32..60) {
            let line = trend((0..seconds).map(|second| start + slope * second)).line(BLOCKS).unwrap();
            prop_assert!((line.slope - slope).abs() <= 1 + slope.abs() / 100, "{} {}", line.slope, slope);
            let now = start + slope * (seconds - 1);
            prop_assert!((line.now - now).abs() <= 50 + slope.abs() / 10, "{} {}", line.now, now);
        }

        /// Against double-precision least squares (Gauss's formulas) through the same blocks.
        #[test]
        fn a_scattered_climb_agrees_with_floating_point(
            slope in -500_i32..500,
            noise in prop::collection::vec(-1_000_i32..1_000, 37),
        ) {
            let values: Vec<i32> = noise.iter().enumerate().map(|(i, n)| 60_000 + slope * i as i32 + n).collect();
            let line = trend(values.iter().copied()).line(BLOCKS).unwrap();
            let blocks: Vec<f64> = values[..36].chunks(2).map(|pair| f64::from(pair[0] + pair[1]) / 2.0).collect();
            let n = blocks.len() as f64;
            let mean_t = n - 1.0;
            let mean_y = blocks.iter().sum::<f64>() / n;
            let (mut sty, mut stt) = (0.0, 0.0);
            for (i, y) in blocks.iter().enumerate() {
                let t = 2.0 * i as f64 - mean_t;
                sty += t * (y - mean_y);
                stt += t * t;
            }
            prop_assert!((f64::from(line.slope) - sty / stt).abs() <= 2.0, "{} {}", line.slope, sty / stt);
        }
    }
}
