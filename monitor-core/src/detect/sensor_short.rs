//! `sensor-short`: a sensor's lead is shorted.

use super::lead_delay::LeadDelay;
use super::{Scene, Standing, sensor_level};
use crate::acquire::{Channel, Quality};

const SHORT_MS: u16 = 5_000;

/// The lead of one channel.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SensorShort {
    short: LeadDelay,
}

impl SensorShort {
    pub(crate) const fn new() -> Self {
        Self { short: LeadDelay::new() }
    }

    /// Whether nothing speaks against the lead yet.
    pub(crate) const fn is_idle(&self) -> bool {
        self.short.is_idle()
    }

    pub(crate) fn judge(&mut self, scene: &Scene, channel: Channel) -> Standing {
        if !scene.channels.contains(channel) {
            return Standing::Unjudged;
        }
        let quality = scene.tick.quality(channel);
        match self.short.update(&scene.tick, quality == Quality::Short) {
            Some(held) if held >= SHORT_MS => Standing::Present(sensor_level(channel)),
            Some(_) => Standing::Between,
            None if quality == Quality::Missing => Standing::Unjudged,
            None => Standing::Absent,
        }
    }
}
