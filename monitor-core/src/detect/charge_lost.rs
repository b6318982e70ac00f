//! `charge-lost`: at speed the supply stays under what a charging system gives.

use super::evidence::Shown;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::event::EvidenceKey;
use crate::finding::Level;
use crate::units::Quantity;

const RAISE_MS: u32 = 60_000;
/// Every alternator charges above this engine speed, in ¼ rpm (common practice).
const CHARGING_QUARTERS: i32 = 2_000 * 4;
/// A shorter pause stops the clock, a longer one sets it back.
const PAUSE_MS: u32 = 10_000;

#[derive(Debug, Clone, Copy)]
pub(crate) struct ChargeLost {
    low_ms: u32,
    pause_ms: u32,
    /// Whether the tick before was at speed and low, so that the time since it counts.
    counting: bool,
}

impl ChargeLost {
    /// What is shown for it.
    pub(crate) const SHOWN: &[Shown] = &[
        Shown::Always(EvidenceKey::Value(Channel::Supply)),
        Shown::Always(EvidenceKey::Limit(Channel::Supply)),
        Shown::Always(EvidenceKey::Value(Channel::Rpm)),
    ];

    pub(crate) const fn new() -> Self {
        Self { low_ms: 0, pause_ms: 0, counting: false }
    }

    pub(crate) fn judge(&mut self, scene: &Scene) -> Standing {
        let Some(electric) = scene.profile.electric else { return Standing::Unjudged };
        let at_speed = scene.good(Channel::Rpm).is_some_and(|rpm| rpm > CHARGING_QUARTERS);
        let supply = scene.good(Channel::Supply);
        let low = supply.is_some_and(|supply| supply < electric.charging_min.raw());
        if at_speed && low && !scene.tick.after_hole() {
            if self.counting {
                self.low_ms = self.low_ms.saturating_add(scene.tick.since_last_ms);
            }
            self.counting = true;
            self.pause_ms = 0;
        } else {
            self.pause(scene);
        }
        if at_speed && low {
            return if self.low_ms >= RAISE_MS { Standing::Present(Level::Warning) } else { Standing::Between };
        }
        match supply {
            // A supply this high is charged, whatever the engine speed.
            Some(_) if !low => Standing::Absent,
            _ => Standing::Unjudged,
        }
    }

    fn pause(&mut self, scene: &Scene) {
        self.counting = false;
        self.pause_ms = self.pause_ms.saturating_add(scene.tick.since_last_ms);
        if self.pause_ms >= PAUSE_MS {
            self.low_ms = 0;
        }
    }
}
