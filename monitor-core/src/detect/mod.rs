//! Third block: one file for each detector. What is seen goes in, whether it stands comes out.

mod causes;
mod charge_lost;
mod cooling;
mod dry_start;
mod evidence;
mod head_climbing;
mod head_over_limit;
mod hot_restart;
mod hub_slipping;
mod impeller_worn;
mod intake_blocked;
mod lead_delay;
mod oil_pressure_low;
mod on_delay;
mod over_speed;
mod possible;
mod running_unsteady;
mod sensor_drift;
mod sensor_miscount;
mod sensor_noisy;
mod sensor_open;
mod sensor_short;
mod sensor_stuck;
mod service_due;
mod stream;
mod stream_lost;
mod telltale_plugged;
mod thermostat_stuck_closed;
mod thermostat_stuck_open;
mod vane_lost;
mod waterway_fouled;
mod weak_connection;

pub use possible::{Unavailable, unavailable};
pub use service_due::CareWatch;

pub(crate) use causes::Causes;
pub(crate) use charge_lost::ChargeLost;
pub(crate) use dry_start::DryStart;
pub(crate) use evidence::evidence;
pub(crate) use head_climbing::HeadClimbing;
pub(crate) use head_over_limit::HeadOverLimit;
pub(crate) use hot_restart::HotRestart;
pub(crate) use hub_slipping::HubSlipping;
pub(crate) use oil_pressure_low::OilPressureLow;
pub(crate) use over_speed::OverSpeed;
pub(crate) use running_unsteady::RunningUnsteady;
pub(crate) use sensor_drift::SensorDrift;
pub(crate) use sensor_miscount::SensorMiscount;
pub(crate) use sensor_open::SensorOpen;
pub(crate) use sensor_short::SensorShort;
pub(crate) use sensor_stuck::SensorStuck;
pub(crate) use stream::StreamWatch;
pub(crate) use stream_lost::StreamLost;
pub(crate) use thermostat_stuck_closed::ThermostatStuckClosed;
pub(crate) use thermostat_stuck_open::ThermostatStuckOpen;
pub(crate) use vane_lost::VaneLost;
pub(crate) use weak_connection::WeakConnection;

use crate::acquire::{Channel, ChannelSet};
use crate::assess::{Expected, Normal};
use crate::condition::Tick;
use crate::finding::Level;
use crate::profile::Profile;

/// All that a detector may look at.
#[derive(Debug)]
pub(crate) struct Scene {
    pub(crate) tick: Tick,
    pub(crate) profile: Profile,
    pub(crate) normal: Normal,
    /// What this engine would show now if it were well.
    pub(crate) expected: Expected,
    /// Channels that have a sensor and, in a replay, a column.
    pub(crate) channels: ChannelSet,
}

impl Scene {
    /// The mean of a channel in this tick, where it has a sensor and can be believed.
    pub(crate) fn good(&self, channel: Channel) -> Option<i32> {
        if self.channels.and(self.tick.with_good).contains(channel) { Some(self.tick.mean(channel)) } else { None }
    }
}

/// Where a finding stands by the evidence of one tick.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Standing {
    /// The evidence is missing: nothing begins, nothing ends.
    Unjudged,
    /// It is not so.
    Absent,
    /// Not bad enough to begin, not good enough to end.
    Between,
    /// It is so, and has been for long enough.
    Present(Level),
}

/// Level of a finding about the sensor of `channel`: what guards the engine weighs more.
pub(crate) const fn sensor_level(channel: Channel) -> Level {
    match channel {
        Channel::Rpm | Channel::Head | Channel::Flow | Channel::Oil => Level::Warning,
        Channel::Supply | Channel::Speed | Channel::Water => Level::Caution,
    }
}
