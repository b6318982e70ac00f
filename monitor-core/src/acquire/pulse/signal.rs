//! Pulse signals for the tests of the drivers.

use super::micros::Micros;
use super::polled_input::LevelSink;

extern crate std;
use std::vec::Vec;

/// Level changes of a pin, in microseconds from the start.
#[derive(Debug, Clone)]
pub(super) struct Signal {
    pub(super) edges: Vec<(u32, bool)>,
    pub(super) end_us: u32,
}

impl Signal {
    /// A pin that is low.
    pub(super) fn new() -> Self {
        Self { edges: Vec::from([(0, false)]), end_us: 0 }
    }

    pub(super) fn silence(mut self, for_us: u32) -> Self {
        self.end_us += for_us;
        self
    }

    /// Pulses of this period for this long, half of it high.
    pub(super) fn train(self, period_us: u32, for_us: u32) -> Self {
        let count = for_us / period_us;
        self.periods(core::iter::repeat_n(period_us, count as usize))
    }

    /// Pulses this far apart: each period ends with a rise.
    pub(super) fn periods(mut self, periods_us: impl IntoIterator<Item = u32>) -> Self {
        for period_us in periods_us {
            self.edges.push((self.end_us + period_us / 2, false));
            self.end_us += period_us;
            self.edges.push((self.end_us, true));
        }
        self
    }

    /// Adds spikes of `width_us`, every `every_us`, that turn the level round.
    pub(super) fn with_spikes(mut self, every_us: u32, width_us: u32) -> Self {
        let mut spiked = Vec::new();
        let mut level = false;
        let mut next_spike = every_us;
        for &(at, high) in &self.edges {
            while next_spike + width_us < at {
                spiked.extend([(next_spike, !level), (next_spike + width_us, level)]);
                next_spike += every_us;
            }
            spiked.push((at, high));
            level = high;
            next_spike = next_spike.max(at + 1);
        }
        self.edges = spiked;
        self
    }

    pub(super) fn rises(&self) -> u32 {
        let levels: Vec<bool> = self.edges.iter().map(|&(_, high)| high).collect();
        levels.windows(2).filter(|pair| !pair[0] && pair[1]).count() as u32
    }

    /// Feeds the signal to a driver whose counter starts at `start`, reads it every `every_us`, and returns
    /// (milliseconds, reading).
    pub(super) fn replay<D: LevelSink, R>(
        &self,
        driver: &mut D,
        start: u32,
        every_us: u32,
        mut read: impl FnMut(&mut D, Micros) -> R,
    ) -> Vec<(u32, R)> {
        let start = Micros::from_counter(start);
        let mut edges = self.edges.iter().peekable();
        let mut readings = Vec::new();
        let mut now_us = 0;
        while now_us <= self.end_us {
            while let Some(&(at, high)) = edges.next_if(|&&(at, _)| at <= now_us) {
                driver.level(high, start.wrapping_add_micros(at));
            }
            readings.push((now_us / 1_000, read(driver, start.wrapping_add_micros(now_us))));
            now_us += every_us;
        }
        readings
    }
}

/// A small generator of numbers without pattern, the same every time.
#[derive(Debug)]
pub(super) struct Dice(pub(super) u32);

impl Dice {
    /// From `from` to `to`, both included.
    pub(super) fn between(&mut self, from: u32, to: u32) -> u32 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        from + (self.0 >> 8_u32) % (to - from + 1)
    }
}
