//! Hot restart: a heat-soaked head that cools is no overheat, one that goes on rising is.

use super::Scene;
use crate::acquire::Channel;
use crate::num::{low_bits, mean};

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

/// The last seconds of the head.
#[derive(Debug, Clone, Copy)]
pub(crate) struct HotRestart {
    /// In m°C; the newest stands before `next`.
    heads: [i32; READINGS],
    /// Milliseconds from the reading before to each reading.
    gaps_ms: [u16; READINGS],
    /// Low 32 bits of the elapsed milliseconds at the newest.
    newest_at_ms: u32,
    next: u8,
    len: u8,
}

impl HotRestart {
    pub(crate) const fn new() -> Self {
        Self { heads: [0; READINGS], gaps_ms: [0; READINGS], newest_at_ms: 0, next: 0, len: 0 }
    }

    /// Takes one tick; returns whether heat findings are held back in it.
    // A function of its own: its fields lie within reach of short offsets.
    #[inline(never)]
    pub(crate) fn update(&mut self, scene: &Scene) -> bool {
        let run = scene.tick.run;
        let too_late = run.running && run.since_start_ms > WINDOW_MS;
        if too_late || scene.tick.after_hole() {
            // No later start looks back into this run, or over a hole.
            self.len = 0;
        }
        if too_late {
            return false;
        }
        let Some(last) = scene.good(Channel::Head) else { return false };
        self.push(low_bits(scene.tick.at_ms), last);
        let applies = run.running && last > scene.normal.head_normal().saturating_add(OVER_NORMAL_MILLIKELVIN);
        applies && self.falls(last, run.since_start_ms)
    }

    fn push(&mut self, at_ms: u32, head: i32) {
        let gap_ms = at_ms.wrapping_sub(self.newest_at_ms);
        self.newest_at_ms = at_ms;
        if gap_ms > HALF_MS.saturating_mul(2) {
            // Older than anything that is compared.
            self.len = 0;
        }
        let index = usize::from(self.next);
        if let (Some(slot), Some(gap)) = (self.heads.get_mut(index), self.gaps_ms.get_mut(index)) {
            *slot = head;
            *gap = u16::try_from(gap_ms).unwrap_or(u16::MAX);
        }
        self.next = if index.saturating_add(1) < READINGS { self.next.saturating_add(1) } else { 0 };
        if usize::from(self.len) < READINGS {
            self.len = self.len.saturating_add(1);
        }
    }

    /// Whether the head falls; `last` is the reading of this tick.
    fn falls(&self, last: i32, since_start_ms: u32) -> bool {
        if since_start_ms < HALF_MS.saturating_mul(2) {
            // Too early for two means: rising only if the last reading is above the first.
            let first = self.newest_first().take_while(|(age_ms, _)| *age_ms <= since_start_ms).last();
            return first.is_none_or(|(_, first)| last <= first);
        }
        let (mut later, mut earlier) = (Sum::default(), Sum::default());
        for (age_ms, head) in self.newest_first() {
            if age_ms < HALF_MS {
                later.add(head);
            } else if age_ms < HALF_MS.saturating_mul(2) {
                earlier.add(head);
            } else {
                break;
            }
        }
        earlier.count > 0 && later.mean() <= earlier.mean().saturating_sub(FALL_MILLIKELVIN)
    }

    /// Age in ms and head in m°C.
    fn newest_first(&self) -> impl Iterator<Item = (u32, i32)> {
        let mut index = usize::from(self.next);
        let mut age_ms = 0_u32;
        (0..self.len).map_while(move |_| {
            index = index.checked_sub(1).unwrap_or(READINGS.saturating_sub(1));
            let reading = (age_ms, *self.heads.get(index)?);
            age_ms = age_ms.saturating_add(u32::from(*self.gaps_ms.get(index)?));
            Some(reading)
        })
    }
}

#[derive(Default)]
struct Sum {
    sum: i32,
    count: i32,
}

impl Sum {
    fn add(&mut self, head: i32) {
        self.sum = self.sum.saturating_add(head);
        self.count = self.count.saturating_add(1);
    }

    fn mean(&self) -> i32 {
        mean(self.sum, self.count)
    }
}
