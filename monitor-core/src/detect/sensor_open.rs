//! `sensor-open`: a sensor's lead is open, or nothing comes from it while others report.

use super::lead_delay::LeadDelay;
use super::{Scene, Standing, sensor_level};
use crate::acquire::{Channel, ChannelSet, Quality};

const OPEN_MS: u16 = 5_000;
const SILENT_MS: u16 = 30_000;

/// The lead of one channel.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SensorOpen {
    open: LeadDelay,
    silent: LeadDelay,
}

impl SensorOpen {
    pub(crate) const fn new() -> Self {
        Self { open: LeadDelay::new(), silent: LeadDelay::new() }
    }

    /// Whether nothing speaks against the lead yet.
    pub(crate) const fn is_idle(&self) -> bool {
        self.open.is_idle() && self.silent.is_idle()
    }

    pub(crate) fn judge(&mut self, scene: &Scene, channel: Channel) -> Standing {
        if !scene.channels.contains(channel) {
            return Standing::Unjudged;
        }
        let quality = scene.tick.quality(channel);
        let open_ms = self.open.update(&scene.tick, quality == Quality::Open);
        let nothing = matches!(quality, Quality::Missing | Quality::Implausible);
        let silent_ms = self.silent.update(&scene.tick, nothing && others_report(scene, channel));
        if open_ms.is_some_and(|held| held >= OPEN_MS) || silent_ms.is_some_and(|held| held >= SILENT_MS) {
            return Standing::Present(sensor_level(channel));
        }
        match quality {
            Quality::Good | Quality::BelowRange | Quality::Short => Standing::Absent,
            Quality::Missing if silent_ms.is_none() => Standing::Unjudged,
            _ => Standing::Between,
        }
    }
}

fn others_report(scene: &Scene, channel: Channel) -> bool {
    scene.tick.with_good.and(scene.channels).without(channel) != ChannelSet::EMPTY
}
