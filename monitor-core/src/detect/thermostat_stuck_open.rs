//! `thermostat-stuck-open`: the head does not come up to its normal, long after it should have, or falls away from it at
//! a steady speed. Cold water alone does not do that at speeds at which the thermostat holds the head.

use super::evidence::Shown;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::assess::{HeadSpan, Norm};
use crate::condition::Block;
use crate::event::EvidenceKey;
use crate::finding::Level;
use crate::units::Quantity;

/// Head under its normal, in m°C.
const UNDER_MILLIKELVIN: i32 = 8_000;
/// Back in order under this.
const BACK_MILLIKELVIN: i32 = 4_000;
/// Only speeds at which the healthy head comes this close to the thermostat's temperature count, in m°C.
const HOLDS_WITHIN_MILLIKELVIN: i32 = 2_000;
/// A warm-up is over after this, in milliseconds (common practice: 3 to 8 minutes, longer in cold water).
const WARM_UP_MS: u32 = 600_000;
/// Colder water can cool a healthy engine at idle, in m°C (common practice: 7 °C kept one below 38 °C).
const COLD_WATER_MILLICELSIUS: i32 = 9_000;
/// Blocks at one speed before one counts, and blocks that must speak for it.
const STEADY_BLOCKS: u8 = 6;
const LEAST_BLOCKS: u8 = 8;

/// Counts the blocks that speak for it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ThermostatStuckOpen {
    blocks: u8,
    stands: bool,
}

impl ThermostatStuckOpen {
    /// What is shown for it.
    pub(crate) const SHOWN: &[Shown] = &[
        Shown::Always(EvidenceKey::Value(Channel::Head)),
        Shown::Always(EvidenceKey::Normal(Channel::Head)),
        Shown::IfKnown(EvidenceKey::Value(Channel::Water)),
        Shown::Always(EvidenceKey::Value(Channel::Rpm)),
    ];

    pub(crate) const fn new() -> Self {
        Self { blocks: 0, stands: false }
    }

    /// Takes one block and the head that is normal at its speed in this water.
    pub(crate) fn update_block(&mut self, scene: &Scene, block: &Block, span: Option<HeadSpan>) {
        let (Some(head), Some(normal), Some(opens)) =
            (block.good(Channel::Head), span.map(|span| span.low), scene.profile.thermostat_opens)
        else {
            return;
        };
        let under = normal.wrapping_sub(head);
        if under < BACK_MILLIKELVIN {
            self.blocks = 0;
            self.stands = false;
            return;
        }
        let run = scene.tick.run;
        let over_warm_up = run.since_start_ms >= WARM_UP_MS;
        let learned = scene.normal.learned.at(block.good(Channel::Rpm).unwrap_or(0) >> 2_u32, Norm::Head);
        let holds = learned.unwrap_or(0) >= opens.raw().wrapping_sub(HOLDS_WITHIN_MILLIKELVIN);
        let cold = block.good(Channel::Water).is_some_and(|water| water < COLD_WATER_MILLICELSIUS);
        if over_warm_up && holds && !cold && under >= UNDER_MILLIKELVIN && block.steady >= STEADY_BLOCKS {
            self.blocks = self.blocks.saturating_add(1).min(LEAST_BLOCKS);
            self.stands |= self.blocks >= LEAST_BLOCKS;
        }
    }

    /// Judges one tick.
    pub(crate) const fn judge(&self) -> Standing {
        if self.stands {
            Standing::Present(Level::Caution)
        } else if self.blocks > 0 {
            Standing::Between
        } else {
            Standing::Absent
        }
    }
}
