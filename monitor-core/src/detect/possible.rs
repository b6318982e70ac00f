//! Which findings are not possible with this engine and these channels, and why.

use super::SensorDrift;
use crate::acquire::{Channel, ChannelSet};
use crate::finding::Finding;
use crate::profile::Profile;

/// Why a finding is not possible.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Unavailable {
    /// The channel has no sensor.
    NotFitted(Channel),
    /// The channel has a sensor, but this recording has no column for it.
    NotRecorded(Channel),
    /// The profile has no electrical system.
    NoElectricSystem,
    /// The profile has no thermostat.
    NoThermostat,
    /// The profile does not say the least oil pressure.
    NoLeastOilPressure,
    /// There is no service plan.
    NoServicePlan,
    /// Nobody tells the time of day.
    NoClock,
}

/// The findings that are not possible, by name, with the first reason found.
///
/// `recorded` are the channels that a recording has, or all of them on a board.
pub fn unavailable(profile: &Profile, recorded: ChannelSet) -> impl Iterator<Item = (Finding, Unavailable)> {
    let profile = *profile;
    Finding::ALL.into_iter().filter_map(move |finding| Some((finding, reason(finding, &profile, recorded)?)))
}

fn reason(finding: Finding, profile: &Profile, recorded: ChannelSet) -> Option<Unavailable> {
    let needed: &[Channel] = match finding {
        Finding::StreamLost | Finding::DryStart => &[Channel::Flow],
        Finding::HeadClimbing | Finding::HeadOverLimit => &[Channel::Head],
        Finding::OilPressureLow if profile.oil_min.is_none() && profile.fitted.contains(Channel::Oil) => {
            return Some(Unavailable::NoLeastOilPressure);
        }
        Finding::OilPressureLow => &[Channel::Oil],
        Finding::ChargeLost if profile.electric.is_none() => return Some(Unavailable::NoElectricSystem),
        Finding::ChargeLost => &[Channel::Supply],
        // Whether there is a plan, and a clock, is not known here.
        Finding::OverSpeed | Finding::SensorOpen | Finding::ServiceDue | Finding::FuelOld => &[],
        Finding::SensorShort | Finding::SensorStuck => &[Channel::Head],
        Finding::IntakeBlocked | Finding::TelltalePlugged | Finding::WaterwayFouled => &[Channel::Flow, Channel::Head],
        Finding::VaneLost => &[Channel::Flow],
        Finding::ImpellerWorn => &[Channel::Flow, Channel::Head],
        Finding::ThermostatStuckClosed | Finding::ThermostatStuckOpen if profile.thermostat_opens.is_none() => {
            return Some(Unavailable::NoThermostat);
        }
        Finding::ThermostatStuckClosed => &[Channel::Flow, Channel::Head],
        Finding::ThermostatStuckOpen => &[Channel::Head],
        Finding::HubSlipping => &[Channel::Speed],
        Finding::WeakConnection if profile.electric.is_none() => return Some(Unavailable::NoElectricSystem),
        Finding::WeakConnection => &[Channel::Supply],
        Finding::RunningUnsteady | Finding::SensorNoisy => &[],
        Finding::SensorMiscount => &[Channel::Flow],
        Finding::SensorDrift if profile.fitted.and(recorded).meets(SensorDrift::CHANNEL_SET) => &[],
        // Of none of its channels anything is known: the first speaks for all.
        Finding::SensorDrift => &[Channel::Flow],
    };
    needed.iter().find_map(|&channel| {
        if !profile.fitted.contains(channel) {
            Some(Unavailable::NotFitted(channel))
        } else if !recorded.contains(channel) {
            Some(Unavailable::NotRecorded(channel))
        } else {
            None
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Rpm;

    #[test]
    fn a_drift_needs_one_of_its_channels_recorded() {
        let profile = Profile::new(2, Rpm::from_whole_rpm(900), Rpm::from_whole_rpm(5_500));
        let none = ChannelSet::EMPTY.with(Channel::Rpm).with(Channel::Head);
        let cases = [
            ("none of them", none, Some(Unavailable::NotRecorded(Channel::Flow))),
            ("supply", none.with(Channel::Supply), None),
            ("oil", none.with(Channel::Oil), None),
            ("flow", none.with(Channel::Flow), None),
        ];
        for (name, recorded, expected) in cases {
            assert_eq!(reason(Finding::SensorDrift, &profile, recorded), expected, "{name}");
        }
    }

    #[test]
    fn reasons() {
        let mut profile = Profile::new(2, Rpm::from_whole_rpm(900), Rpm::from_whole_rpm(5_500));
        profile.fitted = ChannelSet::ALL.without(Channel::Flow);
        let recorded = ChannelSet::ALL.without(Channel::Head);
        let cases = [
            (Finding::StreamLost, Some(Unavailable::NotFitted(Channel::Flow))),
            (Finding::HeadOverLimit, Some(Unavailable::NotRecorded(Channel::Head))),
            (Finding::ChargeLost, Some(Unavailable::NoElectricSystem)),
            (Finding::OilPressureLow, Some(Unavailable::NoLeastOilPressure)),
            (Finding::ImpellerWorn, Some(Unavailable::NotFitted(Channel::Flow))),
            (Finding::SensorDrift, None),
            (Finding::ServiceDue, None),
            (Finding::OverSpeed, None),
        ];
        for (finding, expected) in cases {
            let found = unavailable(&profile, recorded).find(|(name, _)| *name == finding).map(|(_, why)| why);
            assert_eq!(found, expected, "{}", finding.name());
        }
    }
}
