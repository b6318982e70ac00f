//! The last minute or so of head temperature in short blocks, and straight lines through them.
//!
//! Blocks of equal length make least squares cheap: with n values at equal steps the slope a step is
//! 6 Σ wᵢ yᵢ / (n (n² − 1)) with the weights wᵢ = 2 i − (n − 1). Lines are only drawn when a block closes.

use crate::acquire::Channel;
use crate::condition::Tick;
use crate::num::{Divisor, low_bits, mean, round_div};

/// Blocks kept: 36 s of a fine sensor, 72 s of a coarse one.
const BLOCKS: usize = 18;
/// Where the ring of blocks ends.
const LAST_BLOCK: u8 = 17;
/// Blocks of a third of the trend.
const THIRD: u8 = 6;
const _: () = assert!(LAST_BLOCK as usize == BLOCKS - 1 && THIRD as usize * 3 == BLOCKS);
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
const LEFT_OVER_MS: u32 = 3_000;
/// Differences inside a window are held within this, so that sums fit 32 bits, in m°C.
const WIDEST_MILLIKELVIN: i32 = 60_000;

/// No head climbs or falls faster, in m°C per second.
const STEEPEST_MILLIKELVIN: i32 = 30_000;

/// A number of blocks to draw a line through, and what its formulas need of that number.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Window {
    blocks: usize,
    /// Steps from the first to the last block: n − 1.
    steps: i32,
    /// n.
    count: Divisor,
    /// 4 n.
    four_counts: Divisor,
    /// n (n² − 1) / 6.
    squares: Divisor,
    /// 1,000 (n − 1) / √(n (n² − 1) / 12): turns scatter over span into the standard error of the slope per second.
    error: i32,
}

impl Window {
    /// 8 s of a fine sensor.
    pub(crate) const SHORT: Self = Self::new(4, 10, 1_342);
    /// 20 s of a coarse sensor, the least for whole degrees.
    pub(crate) const SHORT_COARSE: Self = Self::new(5, 20, 1_265);
    /// All there is: 36 s of a fine sensor, 72 s of a coarse one.
    pub(crate) const LONG: Self = Self::new(18, 969, 772);

    const fn new(blocks: u8, squares: u16, error: i32) -> Self {
        Self {
            blocks: blocks as usize,
            steps: (blocks as i32).saturating_sub(1),
            count: Divisor::new(blocks as u16),
            four_counts: Divisor::new((blocks as u16).saturating_mul(4)),
            squares: Divisor::new(squares),
            error,
        }
    }
}

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
    /// A ring: from `newest` on to the older ones, round the end.
    blocks: [Block; BLOCKS],
    newest: u8,
    len: u8,
    generation: u8,
    open: Open,
    now_ms: u32,
    last: Option<i32>,
    /// The value before the last hole and when the hole ended, until a new value comes.
    left_over: Option<(i32, u32)>,
    resolution: i32,
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
            newest: 0,
            len: 0,
            generation: 0,
            open: Open { began_ms: 0, last_ms: 0, sum: 0, count: 0 },
            now_ms: 0,
            last: None,
            left_over: None,
            resolution: COARSEST_MILLIKELVIN,
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
        self.len = 0;
        self.open.count = 0;
        self.generation = self.generation.wrapping_add(1);
    }

    /// Takes one tick, whether the engine runs or not.
    // A function of its own: its fields lie within reach of short offsets.
    #[inline(never)]
    pub(crate) fn update(&mut self, tick: &Tick) {
        if tick.after_hole() {
            // A polled sensor shows its old value until it is asked again: a jump then is no climb.
            self.left_over = self.last.map(|head| (head, low_bits(tick.at_ms)));
            self.forget();
        }
        let Some(head) = tick.good(Channel::Head) else { return };
        self.last = Some(head);
        if let Some((value, since_ms)) = self.left_over {
            if head != value || low_bits(tick.at_ms).wrapping_sub(since_ms) >= LEFT_OVER_MS {
                // The mean of this tick may still be half old: begin with the next.
                self.left_over = None;
            }
            return;
        }
        const COARSEST: u32 = COARSEST_MILLIKELVIN.unsigned_abs();
        self.resolution = tick.head_resolution.unwrap_or(COARSEST).min(COARSEST).cast_signed();
        self.now_ms = low_bits(tick.at_ms);
        let block_ms = if self.is_coarse() { COARSE_BLOCK_MS } else { BLOCK_MS };
        if self.open.count > 0 && self.now_ms.wrapping_sub(self.open.began_ms) >= block_ms.saturating_sub(JITTER_MS) {
            self.close_block();
        }
        if self.open.count == 0 {
            self.open = Open { began_ms: self.now_ms, last_ms: self.now_ms, sum: 0, count: 0 };
        }
        self.open.last_ms = self.now_ms;
        // A block lasts 4 s, a tick a second, and only heads within their span come here.
        self.open.sum = self.open.sum.wrapping_add(head);
        self.open.count = self.open.count.wrapping_add(1);
    }

    fn close_block(&mut self) {
        let half_ms = self.open.last_ms.wrapping_sub(self.open.began_ms) / 2;
        let mean = mean(self.open.sum, self.open.count);
        self.newest = self.newest.checked_sub(1).unwrap_or(LAST_BLOCK);
        if let Some(newest) = self.blocks.get_mut(usize::from(self.newest)) {
            *newest = Block { at_ms: self.open.began_ms.wrapping_add(half_ms), head: mean };
        }
        if usize::from(self.len) < BLOCKS {
            self.len = self.len.saturating_add(1);
        }
        self.open.count = 0;
        self.generation = self.generation.wrapping_add(1);
    }

    /// Changes whenever there is something new to say.
    pub(crate) const fn generation(&self) -> u8 {
        self.generation
    }

    /// Smallest step that the sensor shows, in m°C.
    pub(crate) const fn resolution(&self) -> i32 {
        self.resolution
    }

    /// Whether the sensor shows steps so large that it needs long windows.
    pub(crate) const fn is_coarse(&self) -> bool {
        self.resolution >= COARSE_MILLIKELVIN
    }

    /// The last `count` blocks, newest first; `None` where there are not so many.
    ///
    /// Two slices, not one iterator over both: that would ask at each block in which of them it is.
    fn newest(&self, count: usize) -> Option<[&[Block]; 2]> {
        if count > usize::from(self.len) {
            return None;
        }
        let (round_the_end, newest) = self.blocks.split_at_checked(usize::from(self.newest))?;
        Some(match newest.get(..count) {
            Some(newest) => [newest, &[]],
            None => [newest, round_the_end.get(..count.checked_sub(newest.len())?)?],
        })
    }

    /// The block that is `back` blocks older than the newest; what is not yet there is not asked for.
    fn block(&self, back: usize) -> Option<&Block> {
        let index = usize::from(self.newest).saturating_add(back);
        self.blocks.get(index.checked_sub(BLOCKS).unwrap_or(index))
    }

    /// Rise from the oldest to the newest block of a window in m°C, and the time between them in ms.
    pub(crate) fn rise(&self, window: &Window) -> Option<(i32, i32)> {
        if window.blocks > usize::from(self.len) {
            return None;
        }
        let (newest, oldest) = (self.block(0)?, self.block(window.blocks.saturating_sub(1))?);
        let span_ms = i32::try_from(newest.at_ms.wrapping_sub(oldest.at_ms)).ok()?;
        Some((newest.head.saturating_sub(oldest.head), span_ms))
    }

    /// Sums of the three thirds of the whole trend over the newest block, newest third first, in m°C.
    pub(crate) fn thirds(&self) -> Option<[i32; 3]> {
        let reference = self.block(0)?.head;
        let (mut sums, mut sum, mut blocks) = ([0_i32; 3], 0_i32, 0_u8);
        for part in self.newest(BLOCKS)? {
            for block in part {
                sum = sum.wrapping_add(difference(block.head, reference));
                blocks = blocks.wrapping_add(1);
                if blocks == THIRD {
                    let [_, second, third] = sums;
                    sums = [second, third, sum];
                    (sum, blocks) = (0, 0);
                }
            }
        }
        Some(sums)
    }

    /// The newest block's mean, in m°C.
    pub(crate) fn newest_mean(&self) -> Option<i32> {
        if self.len == 0 { None } else { self.block(0).map(|block| block.head) }
    }

    /// The line through the last blocks; `None` where there are not enough.
    ///
    /// Products are bounded by [`WIDEST_MILLIKELVIN`], the windows and [`STEEPEST_MILLIKELVIN`], so that none of them
    /// can wrap; a saturating product costs a small core a 64-bit multiplication.
    pub(crate) fn line(&self, window: &Window) -> Option<Line> {
        let reference = self.block(0)?.head;
        let (mut sum, mut weighted) = (0_i32, 0_i32);
        let mut weight = window.steps;
        let blocks = self.newest(window.blocks)?;
        for part in blocks {
            for block in part {
                let rise = difference(block.head, reference);
                sum = sum.wrapping_add(rise);
                weighted = weighted.wrapping_add(weight.wrapping_mul(rise));
                weight = weight.wrapping_sub(2);
            }
        }
        let (_, span_ms) = self.rise(window)?;
        // The slope is kept in 1/16 m°C a step.
        let slope_16 = window.squares.round(weighted.wrapping_mul(16));
        // At the weight w the line is w / 2 steps from its middle.
        let on_line = |weight: i32| slope_16.wrapping_mul(weight) >> 5_u32;
        let mean = window.count.round(sum);
        let (mut deviation, mut weight) = (0_i32, window.steps);
        for part in blocks {
            for block in part {
                let off_line = difference(block.head, reference).wrapping_sub(mean.wrapping_add(on_line(weight)));
                deviation = deviation.wrapping_add(off_line.wrapping_abs());
                weight = weight.wrapping_sub(2);
            }
        }
        // A normal scatter is √(π/2) ≈ 5/4 of its mean deviation; steps of the sensor hide a quarter of one step.
        let scatter = window.four_counts.round(deviation.wrapping_mul(5)).max(self.resolution / 4);
        // A step lasts span / steps, and 1,000 / 16 = 125 / 2.
        let per_second = slope_16.wrapping_mul(125).wrapping_mul(window.steps);
        let slope = round_div(per_second, span_ms.wrapping_mul(2)).clamp(-STEEPEST_MILLIKELVIN, STEEPEST_MILLIKELVIN);
        let slope_error = round_div(scatter.wrapping_mul(window.error), span_ms);
        let ahead_ms = i32::try_from(self.now_ms.wrapping_sub(self.block(0)?.at_ms)).unwrap_or(0).min(10_000);
        // 1,024 for 1,000: a little less than the sensor's own error.
        let ahead = slope.wrapping_mul(ahead_ms) >> 10_u32;
        let now = reference.saturating_add(mean).saturating_add(on_line(window.steps)).saturating_add(ahead);
        Some(Line { now, slope, slope_error, scatter, span_ms })
    }
}

/// Only heads within their span come here, so that the difference cannot wrap.
fn difference(head: i32, reference: i32) -> i32 {
    let apart = head.wrapping_sub(reference);
    if apart.unsigned_abs() <= WIDEST_MILLIKELVIN.unsigned_abs() {
        apart
    } else if apart < 0 {
        -WIDEST_MILLIKELVIN
    } else {
        WIDEST_MILLIKELVIN
    }
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
        assert_eq!(trend((0..8).map(|_| 60_000)).line(&Window::SHORT), None, "the fourth block is still open");
        assert!(trend((0..9).map(|_| 60_000)).line(&Window::SHORT).is_some());
    }

    #[test]
    fn windows_hold_what_their_formulas_say() {
        for window in [Window::SHORT, Window::SHORT_COARSE, Window::LONG] {
            let n = window.blocks as f64;
            assert_eq!(f64::from(window.steps), n - 1.0);
            let squares = (n * (n * n - 1.0) / 6.0) as i32;
            for (divisor, value) in
                [(window.count, n as i32), (window.four_counts, 4 * n as i32), (window.squares, squares)]
            {
                assert_eq!((divisor.round(value - value / 2), divisor.round(1_000 * value)), (1, 1_000), "{value}");
            }
            let error = 1_000.0 * (n - 1.0) / (n * (n * n - 1.0) / 12.0).sqrt();
            assert!((f64::from(window.error) - error).abs() <= 0.5, "{n}: {error}");
        }
    }

    #[test]
    fn the_widest_differences_do_not_wrap() {
        for window in [Window::SHORT, Window::SHORT_COARSE, Window::LONG] {
            for sign in [-1, 1] {
                let trend = trend((0..60).map(|second| sign * 100_000 * (second % 4 / 2)));
                let line = trend.line(&window).unwrap();
                assert!(line.slope.abs() <= STEEPEST_MILLIKELVIN && line.slope_error >= 0 && line.scatter > 0);
                let step = self::trend((0..60).map(|second| if second < 50 { 0 } else { sign * 150_000 }));
                let slope = step.line(&window).unwrap().slope;
                assert!(slope * sign >= 0, "{slope}");
            }
        }
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
    fn the_newest_blocks_come_first() {
        for seconds in [37, 41, 73] {
            let trend = trend((0..seconds).map(|second| second * 100));
            let heads: Vec<i32> = trend.newest(3).unwrap().into_iter().flatten().map(|block| block.head).collect();
            let last = (seconds - 1) / 2 * 2;
            assert_eq!(heads, [-150, -350, -550].map(|back| last * 100 + back), "{seconds}");
        }
    }

    proptest! {
        #[test]
        fn constant_in_constant_out(head in -40_000_i32..200_000, seconds in 9_usize..90) {
            let trend = trend((0..seconds).map(|_| head));
            for window in [Window::SHORT, Window::SHORT_COARSE, Window::LONG] {
                match trend.line(&window) {
                    Some(line) => prop_assert_eq!((line.now, line.slope), (head, 0)),
                    None => prop_assert!((seconds - 1) / 2 < window.blocks),
                }
            }
        }

        #[test]
        fn a_straight_climb_is_found(start in 0_i32..80_000, slope in -1_500_i32..1_500, seconds in 40_i32..60) {
            let line = trend((0..seconds).map(|second| start + slope * second)).line(&Window::LONG).unwrap();
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
            let line = trend(values.iter().copied()).line(&Window::LONG).unwrap();
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
