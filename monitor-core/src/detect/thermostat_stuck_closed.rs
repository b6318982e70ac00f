//! `thermostat-stuck-closed`: with water enough the head passes what is normal and goes on climbing, within minutes, where
//! an open thermostat would hold it.

use super::cooling::Cooling;
use super::on_delay::OnDelay;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::condition::Block;
use crate::event::Evidence;
use crate::finding::Level;

/// Head over the most that is normal, in m°C.
const OVER_MILLIKELVIN: i32 = 6_000;
/// So far over it, it need not climb any more.
const FAR_OVER_MILLIKELVIN: i32 = 11_000;
/// Back in order under this.
const BACK_MILLIKELVIN: i32 = 3_000;
/// For so long, in milliseconds.
const HELD_MS: u32 = 16_000;
/// A head that is not held rises by this from block to block at least, in m°C.
const CLIMBS_MILLIKELVIN: i32 = 350;
/// Telltale before the thermostat: flow is in order from here, in per cent of its normal.
const FLOW_PERCENT: u8 = 80;

/// Follows the head from block to block.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ThermostatStuckClosed {
    head_before: i32,
    climbs: bool,
    held: OnDelay,
    pub(crate) stands: bool,
    /// It stood in this run: the head of this run tells nothing of the waterways.
    pub(crate) stood: bool,
}

impl ThermostatStuckClosed {
    pub(crate) const fn new() -> Self {
        Self { head_before: i32::MAX, climbs: false, held: OnDelay::new(), stands: false, stood: false }
    }

    /// Takes one block.
    pub(crate) fn update_block(&mut self, block: &Block) {
        let Some(head) = block.good(Channel::Head) else { return };
        self.climbs = head.saturating_sub(self.head_before) >= CLIMBS_MILLIKELVIN;
        self.head_before = head;
    }

    /// Judges one tick.
    pub(crate) fn judge(&mut self, scene: &Scene, cooling: &Cooling) -> Standing {
        if !scene.tick.run.running || scene.profile.thermostat_opens.is_none() {
            *self = Self::new();
            return Standing::Absent;
        }
        let Some(over) = cooling.over else { return Standing::Unjudged };
        if self.stands {
            self.stands = over >= BACK_MILLIKELVIN;
            return if self.stands { Standing::Present(Level::Alarm) } else { Standing::Absent };
        }
        // Without a flow meter nothing speaks against lack of water: the condition alone is told.
        let water = cooling.flow_percent.is_some_and(|percent| percent >= FLOW_PERCENT);
        let hot = over >= FAR_OVER_MILLIKELVIN || (over >= OVER_MILLIKELVIN && self.climbs);
        let slow_before = scene.normal.wear.excess_millikelvin().unwrap_or(0);
        let sudden = over.saturating_sub(slow_before) >= OVER_MILLIKELVIN;
        let held = self.held.update(&scene.tick, Some(hot && water && sudden && cooling.cause.is_none()));
        if held.is_some_and(|held_ms| held_ms >= HELD_MS) {
            self.stands = true;
            self.stood = true;
            return Standing::Present(Level::Alarm);
        }
        if over < BACK_MILLIKELVIN { Standing::Absent } else { Standing::Between }
    }

    /// What speaks for it.
    pub(crate) fn evidence(scene: &Scene) -> Evidence {
        super::cooling::evidence(scene)
    }
}
