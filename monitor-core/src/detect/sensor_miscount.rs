//! `sensor-miscount`: pulses are counted twice, or every second one is lost.
//!
//! An engine speed is doubted if flow and boat both belong to half of it, or both to twice as much; a flow if it is twice
//! its normal, which no pump can do. Half a flow is not doubted: lost vanes look the same, and are worse.

use super::evidence::Shown;
use super::{Scene, Standing, sensor_level};
use crate::acquire::Channel;
use crate::assess::Norm;
use crate::condition::Block;
use crate::event::EvidenceKey;
use crate::units::Quantity;

/// Fits within 1/8.
const FITS_SHIFT: u32 = 3;
/// Does not fit from 1/4 on.
const MISFIT_SHIFT: u32 = 2;
/// Blocks that must speak for it.
const LEAST_BLOCKS: u8 = 2;

/// Counts the blocks that speak for it, for engine speed and flow.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SensorMiscount {
    rpm_blocks: u8,
    flow_blocks: u8,
}

impl SensorMiscount {
    /// What is shown for it.
    pub(crate) const SHOWN: &[Shown] = &[Shown::IfKnown(EvidenceKey::Value(Channel::Speed))];

    pub(crate) const CHANNELS: [Channel; 2] = [Channel::Rpm, Channel::Flow];

    pub(crate) const fn new() -> Self {
        Self { rpm_blocks: 0, flow_blocks: 0 }
    }

    /// Takes one block.
    pub(crate) fn update_block(&mut self, scene: &Scene, block: &Block) {
        if block.steady == 0 {
            return;
        }
        let Some(quarters) = block.good(Channel::Rpm) else { return };
        let rpm = quarters >> 2_u32;
        let (flow, here) = (block.good(Channel::Flow), flow_at(scene, rpm));
        // Most blocks fit: then nothing else has to be looked up.
        let wrong = flow.zip(here).is_some_and(|(flow, normal)| is_misfit(flow, normal))
            && (belong_to(scene, block, rpm, rpm >> 1_u32) || belong_to(scene, block, rpm, rpm.wrapping_mul(2)));
        self.rpm_blocks = if wrong { self.rpm_blocks.saturating_add(1).min(LEAST_BLOCKS) } else { 0 };
        let doubled = flow.zip(here).is_some_and(|(flow, normal)| fits(flow, normal.wrapping_mul(2)));
        self.flow_blocks = if doubled && !wrong { self.flow_blocks.saturating_add(1).min(LEAST_BLOCKS) } else { 0 };
    }

    /// Judges one channel.
    pub(crate) fn judge(&self, scene: &Scene, channel: Channel) -> Standing {
        let blocks = if channel == Channel::Rpm { self.rpm_blocks } else { self.flow_blocks };
        if !scene.tick.run.running {
            Standing::Unjudged
        } else if blocks >= LEAST_BLOCKS {
            Standing::Present(sensor_level(channel))
        } else {
            Standing::Absent
        }
    }

    /// Whether any channel is suspected.
    pub(crate) const fn any(&self) -> bool {
        self.rpm_blocks > 0 || self.flow_blocks > 0
    }

    /// Whether the engine speed is doubted.
    pub(crate) const fn rpm_is_doubted(&self) -> bool {
        self.rpm_blocks > 0
    }
}

fn flow_at(scene: &Scene, rpm: i32) -> Option<i32> {
    let norm = if scene.expected.thermostat_open { Norm::FlowOpen } else { Norm::FlowShut };
    // Under its least flow the meter shows nothing, whatever the pump does.
    let least = scene.profile.flow_min_or_default().raw();
    scene.normal.learned.seen(rpm, norm).filter(|normal| *normal >= least)
}

fn fits(value: i32, normal: i32) -> bool {
    value.wrapping_sub(normal).wrapping_abs() <= normal >> FITS_SHIFT
}

fn is_misfit(value: i32, normal: i32) -> bool {
    value.wrapping_sub(normal).wrapping_abs() > normal >> MISFIT_SHIFT
}

/// Whether flow and boat belong to `other`, and the boat not to `rpm`, of which the flow is known not to be.
fn belong_to(scene: &Scene, block: &Block, rpm: i32, other: i32) -> bool {
    if !block.good(Channel::Flow).zip(flow_at(scene, other)).is_some_and(|(flow, normal)| fits(flow, normal)) {
        return false;
    }
    if !scene.channels.contains(Channel::Speed) {
        return true;
    }
    let speed_at = |rpm: i32| scene.normal.learned.seen(rpm, Norm::Speed);
    match (block.good(Channel::Speed), speed_at(rpm), speed_at(other)) {
        (Some(speed), Some(here), Some(there)) => is_misfit(speed, here) && fits(speed, there),
        _ => false,
    }
}
