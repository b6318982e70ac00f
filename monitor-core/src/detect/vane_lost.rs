//! `vane-lost`: the flow has fallen by a step and stays down, at every speed by about the same share.

use super::cooling::{Cooling, Follows};
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::condition::Block;
use crate::finding::{Finding, Level};

/// A step is a fall of the ratio to the normal by this share of itself from one block to the next, in 1/16.
const STEP_SIXTEENTHS: u16 = 3;
/// Blocks on which the ratio before the step rests at least, and that it must last behind it.
const BLOCKS_BEFORE: u8 = 4;
const BLOCKS_AFTER: u8 = 6;
/// A flow is well from here, in 1/1,024.
const WELL: u16 = 850;
/// Speeds within this part of each other are one: 1/16.
const SAME_SPEED_SHIFT: u32 = 4;
/// The normal, in 1/1,024.
const NORMAL: i32 = 1_024;
/// Back in order from this part of the ratio before: 15/16.
const BACK_SHIFT: u32 = 4;

/// Follows the ratio of flow to normal, in 1/1,024, from block to block.
#[derive(Debug, Clone, Copy)]
pub(crate) struct VaneLost {
    /// Mean of the blocks before a step.
    before: u16,
    before_blocks: u8,
    after_blocks: u8,
    /// Mean of the blocks behind it.
    after: u16,
    /// The slowest speed in whole rpm at which the flow was well in this run: what is low only at slower speeds is worn.
    slowest_well: u16,
}

impl VaneLost {
    pub(crate) const fn new() -> Self {
        Self { before: 0, before_blocks: 0, after_blocks: 0, after: 0, slowest_well: u16::MAX }
    }

    /// The engine stopped: a fall while nobody looked is no step.
    pub(crate) fn restart(&mut self) {
        *self = Self::new();
    }

    /// Takes one block with its ratio; `low`: the flow has collapsed.
    pub(crate) fn update_block(&mut self, block: &Block, ratio: Option<i32>, low: bool) {
        // More than normal is no better than normal: what falls from there has not stepped down.
        let Some(ratio) = ratio.and_then(|ratio| u16::try_from(ratio.min(NORMAL)).ok()) else {
            // At a speed that was never seen, with the flow not low: nothing says that it stays down.
            if !low {
                self.after_blocks = 0;
            }
            return;
        };
        let rpm = block.good(Channel::Rpm).and_then(|rpm| u16::try_from(rpm >> 2_u32).ok());
        let Some(rpm) = rpm.filter(|_| block.steady > 0) else { return };
        let step = (self.before >> 4_u32).wrapping_mul(STEP_SIXTEENTHS);
        if self.before_blocks < BLOCKS_BEFORE
            || (ratio >= self.before.saturating_sub(step) && self.after_blocks < BLOCKS_AFTER)
        {
            let gain = u32::from(self.before_blocks.min(3));
            let apart = i32::from(ratio).saturating_sub(i32::from(self.before)) >> gain;
            self.before = u16::try_from(i32::from(self.before).saturating_add(apart)).unwrap_or(self.before);
            self.before_blocks = self.before_blocks.saturating_add(1).min(200);
            self.after_blocks = 0;
            if ratio >= WELL {
                self.slowest_well = self.slowest_well.min(rpm);
            }
            return;
        }
        if rpm < self.slowest_well.saturating_sub(self.slowest_well >> SAME_SPEED_SHIFT) {
            return;
        }
        let back = self.before.saturating_sub(self.before >> BACK_SHIFT);
        if ratio >= back {
            self.after_blocks = 0;
            return;
        }
        // It came back by half of what had gone, if not by all of it: then it does not stay down.
        if self.after_blocks > 0 && ratio > self.after.midpoint(self.before) {
            self.after_blocks = 0;
            return;
        }
        let apart = i32::from(ratio).saturating_sub(i32::from(self.after)) >> u32::from(self.after_blocks.min(2));
        self.after = u16::try_from(i32::from(self.after).saturating_add(apart)).unwrap_or(self.after);
        self.after_blocks = self.after_blocks.saturating_add(1).min(200);
    }

    /// Whether the flow has stepped down and stayed there.
    pub(crate) fn has_stepped(&self) -> bool {
        self.after_blocks >= BLOCKS_AFTER
    }

    /// Judges one tick.
    pub(crate) fn judge(&self, scene: &Scene, cooling: &mut Cooling) -> Standing {
        if cooling.cause == Some(Finding::VaneLost) {
            if self.has_stepped() || cooling.low_ms > 0 {
                return Standing::Present(Level::Alarm);
            }
            cooling.cause = None;
            return Standing::Absent;
        }
        if cooling.cause.is_some() {
            return Standing::Absent;
        }
        if !self.has_stepped() {
            return Standing::Absent;
        }
        // Next to nothing and a cool head is a plugged telltale; flow that does not follow the speed, a blocked intake.
        let fits = match cooling.follows() {
            Follows::Proportional => true,
            Follows::Limited => false,
            Follows::Unknown => cooling.low_ms == 0,
        };
        if !fits || scene.good(Channel::Flow).is_none() {
            return Standing::Between;
        }
        cooling.cause = Some(Finding::VaneLost);
        Standing::Present(Level::Alarm)
    }
}
