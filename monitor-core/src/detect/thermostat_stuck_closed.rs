//! `thermostat-stuck-closed`: with water enough the head passes what is normal and goes on climbing, within minutes, where
//! an open thermostat would hold it.

use super::cooling::Cooling;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::condition::Block;
use crate::finding::Level;

/// Head over the most that is normal, in m°C.
const OVER_MILLIKELVIN: i32 = 6_000;
/// So far over it, it need not climb any more.
const FAR_OVER_MILLIKELVIN: i32 = 11_000;
/// Back in order under this.
const BACK_MILLIKELVIN: i32 = 3_000;
/// Blocks in a row that must show it.
const LEAST_BLOCKS: u8 = 2;
/// A head that is not held rises by this from block to block at least, in m°C.
const CLIMBS_MILLIKELVIN: i32 = 350;
/// Telltale before the thermostat: flow is in order from here, in per cent of its normal.
const FLOW_PERCENT: u8 = 80;

/// Follows the head from block to block.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ThermostatStuckClosed {
    head_before: i32,
    blocks: u8,
    pub(crate) stands: bool,
    /// It stood in this run: the head of this run tells nothing of the waterways.
    pub(crate) stood: bool,
}

impl ThermostatStuckClosed {
    pub(crate) const fn new() -> Self {
        Self { head_before: i32::MAX, blocks: 0, stands: false, stood: false }
    }

    /// Takes one block.
    pub(crate) fn update_block(&mut self, scene: &Scene, cooling: &Cooling, block: &Block) {
        let Some(head) = block.good(Channel::Head) else { return };
        let climbs = head.wrapping_sub(self.head_before) >= CLIMBS_MILLIKELVIN;
        self.head_before = head;
        let (Some(over), Some(_)) = (cooling.over, scene.profile.thermostat_opens) else { return };
        if self.stands {
            self.stands = over >= BACK_MILLIKELVIN;
            return;
        }
        // Without a flow meter nothing speaks against lack of water: the condition alone is told.
        let water = cooling.flow_percent.is_some_and(|percent| percent >= FLOW_PERCENT) && cooling.cause.is_none();
        let hot = over >= FAR_OVER_MILLIKELVIN || (over >= OVER_MILLIKELVIN && climbs);
        let slow_before = scene.normal.wear.excess_millikelvin().unwrap_or(0);
        let sudden = over.wrapping_sub(slow_before) >= OVER_MILLIKELVIN;
        self.blocks = if hot && water && sudden { self.blocks.saturating_add(1) } else { 0 };
        self.stands = self.blocks >= LEAST_BLOCKS;
        self.stood |= self.stands;
    }

    /// Judges one tick.
    pub(crate) const fn judge(&self) -> Standing {
        if self.stands {
            Standing::Present(Level::Alarm)
        } else if self.blocks > 0 {
            Standing::Between
        } else {
            Standing::Absent
        }
    }
}
