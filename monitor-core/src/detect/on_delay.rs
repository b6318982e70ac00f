//! How long something has been so without a break.

use crate::condition::Tick;

/// Measures for how long a condition has held, on elapsed time. A hole in the record starts it over: what was not seen
/// is not counted.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct OnDelay {
    since_ms: Option<u64>,
}

impl OnDelay {
    pub(crate) const fn new() -> Self {
        Self { since_ms: None }
    }

    /// Takes the condition of one tick; returns for how many milliseconds it has held, `None` where it does not hold.
    pub(crate) fn update(&mut self, tick: &Tick, holds: bool) -> Option<u32> {
        if !holds || tick.after_hole() {
            self.since_ms = None;
        }
        if !holds {
            return None;
        }
        let since_ms = *self.since_ms.get_or_insert(tick.at_ms);
        Some(u32::try_from(tick.at_ms.saturating_sub(since_ms)).unwrap_or(u32::MAX))
    }

    pub(crate) fn reset(&mut self) {
        self.since_ms = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holds_from_its_first_tick_and_starts_over_after_a_hole() {
        let mut delay = OnDelay::new();
        let cases = [
            ("first", 0, 0, true, Some(0)),
            ("second", 1_000, 1_000, true, Some(1_000)),
            ("broken", 2_000, 1_000, false, None),
            ("again", 3_000, 1_000, true, Some(0)),
            ("five seconds on", 8_000, 5_000, true, Some(5_000)),
            ("after a hole", 13_001, 5_001, true, Some(0)),
        ];
        for (name, at_ms, since_last_ms, holds, expected) in cases {
            let mut tick = Tick::NONE;
            (tick.at_ms, tick.since_last_ms) = (at_ms, since_last_ms);
            assert_eq!(delay.update(&tick, holds), expected, "{name}");
        }
    }
}
