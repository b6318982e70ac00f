//! How long something has been so without a break.

use crate::condition::{HOLE_MS, Tick};

/// Measures for how long a condition has held, on elapsed time.
///
/// Ticks that cannot tell neither break nor lengthen it by themselves; the time is added once the condition is seen to
/// hold again. More than [`HOLE_MS`] of not knowing starts it over, as a hole in the record does: what was not seen is
/// not counted.
#[derive(Debug, Clone, Copy)]
pub(crate) struct OnDelay {
    /// [`Self::IDLE`] where the condition does not hold.
    held_ms: u32,
    unseen_ms: u32,
}

impl OnDelay {
    const IDLE: u32 = u32::MAX;

    pub(crate) const fn new() -> Self {
        Self { held_ms: Self::IDLE, unseen_ms: 0 }
    }

    /// Takes the condition of one tick, `None` where the tick cannot tell; returns for how many milliseconds it has
    /// held, `None` where it does not hold or is not seen.
    pub(crate) fn update(&mut self, tick: &Tick, holds: Option<bool>) -> Option<u32> {
        if holds == Some(false) {
            self.reset();
            return None;
        }
        let passed_ms = self.unseen_ms.saturating_add(tick.since_last_ms);
        if passed_ms > HOLE_MS {
            self.reset();
        }
        if holds.is_none() {
            if !self.is_idle() {
                self.unseen_ms = passed_ms;
            }
            return None;
        }
        self.held_ms = if self.is_idle() { 0 } else { self.held_ms.saturating_add(passed_ms) };
        self.held_ms = self.held_ms.min(Self::IDLE.saturating_sub(1));
        self.unseen_ms = 0;
        Some(self.held_ms)
    }

    /// Whether the condition did not hold when it was last seen.
    pub(crate) const fn is_idle(&self) -> bool {
        self.held_ms == Self::IDLE
    }

    pub(crate) fn reset(&mut self) {
        *self = Self::new();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holds_from_its_first_tick_and_starts_over_after_a_hole() {
        let mut delay = OnDelay::new();
        let cases = [
            ("first", 0, Some(true), Some(0)),
            ("second", 1_000, Some(true), Some(1_000)),
            ("broken", 1_000, Some(false), None),
            ("again", 1_000, Some(true), Some(0)),
            ("five seconds on", 5_000, Some(true), Some(5_000)),
            ("after a hole", 5_001, Some(true), Some(0)),
            ("not seen", 2_000, None, None),
            ("not seen for longer", 2_000, None, None),
            ("seen again", 1_000, Some(true), Some(5_000)),
            ("not seen", 3_000, None, None),
            ("seen again after too long", 2_001, Some(true), Some(0)),
        ];
        for (name, since_last_ms, holds, expected) in cases {
            let mut tick = Tick::NONE;
            tick.since_last_ms = since_last_ms;
            assert_eq!(delay.update(&tick, holds), expected, "{name}");
        }
    }
}
