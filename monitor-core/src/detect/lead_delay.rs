//! How long something has spoken against a lead, in two bytes: there are three such delays for each channel.

use crate::condition::{HOLE_MS, Tick};

/// Like [`super::on_delay::OnDelay`] for what every tick can tell, up to a minute; a hole in the record starts it over.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LeadDelay {
    /// [`Self::IDLE`] where the condition does not hold.
    held_ms: u16,
}

impl LeadDelay {
    const IDLE: u16 = u16::MAX;

    pub(crate) const fn new() -> Self {
        Self { held_ms: Self::IDLE }
    }

    /// Takes the condition of one tick; returns for how many milliseconds it has held, at most 65,534.
    pub(crate) fn update(&mut self, tick: &Tick, holds: bool) -> Option<u16> {
        if !holds {
            self.held_ms = Self::IDLE;
            return None;
        }
        self.held_ms = if self.is_idle() || tick.since_last_ms > HOLE_MS {
            0
        } else {
            let passed_ms = u16::try_from(tick.since_last_ms).unwrap_or(u16::MAX);
            self.held_ms.saturating_add(passed_ms).min(Self::IDLE.saturating_sub(1))
        };
        Some(self.held_ms)
    }

    /// Whether the condition did not hold when it was last looked at.
    pub(crate) const fn is_idle(&self) -> bool {
        self.held_ms == Self::IDLE
    }
}

#[cfg(test)]
mod tests {
    use super::super::on_delay::OnDelay;
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn it_holds_at_its_end() {
        let mut delay = LeadDelay::new();
        let mut tick = Tick::NONE;
        tick.since_last_ms = HOLE_MS;
        for _ in 0..20 {
            delay.update(&tick, true);
        }
        assert_eq!(delay.update(&tick, true), Some(u16::MAX - 1));
        assert!(!delay.is_idle());
    }

    proptest! {
        #[test]
        fn it_delays_like_any_other(ticks in prop::collection::vec((0_u32..7_000, any::<bool>()), 1..9)) {
            let (mut lead, mut other) = (LeadDelay::new(), OnDelay::new());
            for (since_last_ms, holds) in ticks {
                let mut tick = Tick::NONE;
                tick.since_last_ms = since_last_ms;
                prop_assert_eq!(lead.update(&tick, holds).map(u32::from), other.update(&tick, Some(holds)));
                prop_assert_eq!(lead.is_idle(), other.is_idle());
            }
        }
    }
}
