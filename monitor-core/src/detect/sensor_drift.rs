//! `sensor-drift`: a reading has gone up, away from its normal, where nothing that happens to an engine can take it.
//!
//! Only upwards: more flow than the pump moves, more volts than the regulator lets through, more oil pressure than the
//! relief valve holds. What goes down may be the engine, and is told as that.

use super::{Scene, Standing, sensor_level};
use crate::acquire::{Channel, ChannelSet};
use crate::assess::Norm;
use crate::condition::Block;

/// Blocks that must speak for it, one after the other.
const LEAST_BLOCKS: u8 = 8;

/// Counts the blocks that speak for it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SensorDrift {
    blocks: [u8; Self::CHANNELS.len()],
}

impl SensorDrift {
    pub(crate) const CHANNELS: [Channel; 3] = [Channel::Flow, Channel::Supply, Channel::Oil];
    pub(crate) const CHANNEL_SET: ChannelSet =
        ChannelSet::EMPTY.with(Channel::Flow).with(Channel::Supply).with(Channel::Oil);

    pub(crate) const fn new() -> Self {
        Self { blocks: [0; Self::CHANNELS.len()] }
    }

    /// Takes one block; `same_head`: the head is as it was when the flow was learned.
    pub(crate) fn update_block(&mut self, scene: &Scene, block: &Block, same_head: bool) {
        let Some(rpm) = block.good(Channel::Rpm) else { return };
        if block.steady < 2 || !scene.expected.warm || !scene.expected.thermostat_open {
            return;
        }
        for (channel, blocks) in Self::CHANNELS.into_iter().zip(self.blocks.iter_mut()) {
            if channel == Channel::Flow && !same_head {
                continue;
            }
            let norm = match channel {
                Channel::Flow => Norm::FlowOpen,
                Channel::Supply => Norm::Supply,
                _ => Norm::Oil,
            };
            let Some(value) = block.good(channel) else { continue };
            let Some(normal) = normal(scene, rpm >> 2_u32, norm) else { continue };
            let above = value.wrapping_sub(normal);
            *blocks = if above > most_above(channel, normal) {
                blocks.saturating_add(1).min(LEAST_BLOCKS)
            } else {
                blocks.saturating_sub(1)
            };
        }
    }

    /// Whether any channel is suspected.
    pub(crate) fn any(&self) -> bool {
        self.blocks.iter().any(|blocks| *blocks > 0)
    }

    /// Judges one channel.
    pub(crate) fn judge(&self, scene: &Scene, channel: Channel) -> Standing {
        let place = Self::CHANNELS.iter().zip(self.blocks).find(|(of, _)| **of == channel);
        match place {
            Some((_, blocks)) if scene.tick.run.running => match blocks {
                LEAST_BLOCKS => Standing::Present(sensor_level(channel)),
                0 => Standing::Absent,
                _ => Standing::Between,
            },
            _ => Standing::Unjudged,
        }
    }
}

/// The normal at this speed; of volts and oil the most at any speed: regulator and relief valve hold them there.
fn normal(scene: &Scene, rpm: i32, norm: Norm) -> Option<i32> {
    let learned = &scene.normal.learned;
    if norm == Norm::FlowOpen { learned.seen(rpm, norm) } else { learned.most(norm) }
}

/// How far over its normal a healthy channel goes at most, in its own unit (own convention).
const fn most_above(channel: Channel, normal: i32) -> i32 {
    match channel {
        // A thermostat that shuts a little leaves the telltale more.
        Channel::Flow => (normal >> 2_u32).wrapping_add(50),
        // Cold batteries take more.
        Channel::Supply => 450,
        _ => (normal >> 2_u32).wrapping_add(20_000),
    }
}
