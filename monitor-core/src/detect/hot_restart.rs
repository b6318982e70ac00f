//! Hot restart: a heat-soaked head that cools is no overheat, one that goes on rising is.

use super::Scene;
use crate::acquire::Channel;
use crate::num::{low_bits, round_div};

/// After a start the head may be over its limit for this long, as long as it falls.
const WINDOW_MS: u32 = 60_000;
/// The rule is for heads that are this much over their normal.
const OVER_NORMAL_MILLIKELVIN: i32 = 5_000;
/// Two means over this time are compared.
const HALF_MS: u32 = 5_000;
/// A head that falls is at least this much cooler in the later half.
const FALL_MILLIKELVIN: i32 = 200;
/// Readings kept: a little over two halves at one a second.
const READINGS: usize = 12;

/// The last seconds of the head, and whether the rule holds.
#[derive(Debug, Clone, Copy)]
pub(crate) struct HotRestart {
    /// Low 32 bits of the elapsed milliseconds, and m°C; the newest stands before `next`.
    readings: [(u32, i32); READINGS],
    next: usize,
    len: usize,
}

impl HotRestart {
    pub(crate) const fn new() -> Self {
        Self { readings: [(0, 0); READINGS], next: 0, len: 0 }
    }

    /// Takes one tick; returns whether heat findings are held back in it.
    pub(crate) fn update(&mut self, scene: &Scene) -> bool {
        if scene.tick.after_hole() {
            self.len = 0;
        }
        let Some(last) = scene.good(Channel::Head) else { return false };
        let at_ms = low_bits(scene.tick.at_ms);
        if let Some(slot) = self.readings.get_mut(self.next) {
            *slot = (at_ms, last);
        }
        self.next = self.next.saturating_add(1);
        if self.next >= READINGS {
            self.next = 0;
        }
        self.len = self.len.saturating_add(1).min(READINGS);
        let run = scene.tick.run;
        let applies = run.running
            && run.since_start_ms <= WINDOW_MS
            && last > scene.normal.head_normal().saturating_add(OVER_NORMAL_MILLIKELVIN);
        applies && self.falls(at_ms, last, run.since_start_ms)
    }

    fn falls(&self, now_ms: u32, last: i32, since_start_ms: u32) -> bool {
        if since_start_ms < HALF_MS.saturating_mul(2) {
            // Too early for two means: rising only if the last reading is above the first.
            let first = self.newest_first(now_ms).take_while(|(age_ms, _)| *age_ms <= since_start_ms).last();
            return first.is_none_or(|(_, first)| last <= first);
        }
        let mean = |from_ms: u32, to_ms: u32| {
            let ages = from_ms..to_ms;
            let heads = self.newest_first(now_ms).filter(|(age_ms, _)| ages.contains(age_ms));
            let (sum, count) = heads
                .fold((0_i32, 0_i32), |(sum, count), (_, head)| (sum.saturating_add(head), count.saturating_add(1)));
            (count > 0).then(|| round_div(sum, count))
        };
        match (mean(HALF_MS, HALF_MS.saturating_mul(2)), mean(0, HALF_MS)) {
            (Some(earlier), Some(later)) => later <= earlier.saturating_sub(FALL_MILLIKELVIN),
            _ => false,
        }
    }

    /// Age in ms and head in m°C.
    fn newest_first(&self, now_ms: u32) -> impl Iterator<Item = (u32, i32)> {
        let (before, from) = self.readings.split_at_checked(self.next).unwrap_or((&[], &[]));
        let newest_first = before.iter().rev().chain(from.iter().rev()).take(self.len);
        newest_first.map(move |&(at_ms, head)| (now_ms.wrapping_sub(at_ms), head))
    }
}
