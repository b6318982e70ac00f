//! `sensor-stuck`: a sensor that used to move shows exactly the same value whatever the engine does.
//!
//! A plateau alone proves nothing: a thermostat holds a head at one whole degree for minutes. So the value must have
//! stood exactly still for long, through idle and through load, on a sensor that was seen alive before. A sensor that
//! never moved since power-up is not judged.

use super::{Scene, Standing, sensor_level};
use crate::acquire::{Channel, ChannelSet};
use crate::units::Quantity;

/// Changes after which a sensor counts as alive.
const ALIVE_CHANGES: u8 = 20;
/// Shortest standstill that can be a fault, of a sensor with fine steps.
const FINE_MS: u32 = 600_000;
/// The same for a head sensor with coarse steps.
const COARSE_MS: u32 = 1_800_000;
/// Steps from here on are coarse, in m°C.
const COARSE_MILLIKELVIN: u32 = 400;
/// A standstill must also be this many times as long as the longest that this sensor showed before.
const TIMES_LONGEST: u32 = 4;

/// One channel.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SensorStuck {
    /// Changes so far, at most [`ALIVE_CHANGES`].
    changes: u8,
    longest_ms: u32,
    still_ms: u32,
    still_at_idle: bool,
    still_under_load: bool,
}

impl SensorStuck {
    /// Channels that must move when the engine speed does.
    pub(crate) const CHANNELS: [Channel; 3] = [Channel::Head, Channel::Flow, Channel::Oil];
    pub(crate) const CHANNEL_SET: ChannelSet =
        ChannelSet::EMPTY.with(Channel::Head).with(Channel::Flow).with(Channel::Oil);

    pub(crate) const fn new() -> Self {
        Self { changes: 0, longest_ms: 0, still_ms: 0, still_at_idle: false, still_under_load: false }
    }

    pub(crate) fn judge(&mut self, scene: &Scene, channel: Channel) -> Standing {
        let Some(value) = scene.good(channel) else { return Standing::Unjudged };
        if scene.tick.changed.contains(channel) {
            self.moved();
            return Standing::Absent;
        }
        if scene.tick.after_hole() {
            self.begin_standstill();
        }
        if scene.tick.run.running {
            self.follow_standstill(scene);
        }
        if self.changes < ALIVE_CHANGES || self.still_ms < FINE_MS || !self.still_at_idle || !self.still_under_load {
            return Standing::Between;
        }
        // No flow is the business of the water findings.
        let zero_flow = channel == Channel::Flow && value < scene.profile.flow_min_or_default().raw();
        let coarse = channel == Channel::Head
            && scene.tick.head_resolution.is_some_and(|resolution| resolution >= COARSE_MILLIKELVIN);
        let least_ms = (if coarse { COARSE_MS } else { FINE_MS }).max(self.longest_ms.saturating_mul(TIMES_LONGEST));
        if self.still_ms >= least_ms && !zero_flow {
            Standing::Present(sensor_level(channel))
        } else {
            Standing::Between
        }
    }

    /// It moved: the whole judgement of a tick in which that is so.
    pub(crate) fn moved(&mut self) {
        if self.changes < ALIVE_CHANGES {
            self.changes = self.changes.wrapping_add(1);
        }
        self.longest_ms = self.longest_ms.max(self.still_ms);
        self.begin_standstill();
    }

    fn follow_standstill(&mut self, scene: &Scene) {
        if !scene.tick.after_hole() {
            self.still_ms = self.still_ms.saturating_add(scene.tick.since_last_ms);
        }
        if let Some(rpm) = scene.tick.good(Channel::Rpm) {
            self.still_at_idle |= scene.normal.at_idle(rpm);
            self.still_under_load |= rpm > scene.profile.rated_or_max().raw() / 2;
        }
    }

    fn begin_standstill(&mut self) {
        self.still_ms = 0;
        self.still_at_idle = false;
        self.still_under_load = false;
    }
}
