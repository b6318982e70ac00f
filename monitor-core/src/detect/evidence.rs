//! The numbers that speak for or against a finding: each detector lists what is shown, and it is looked up here.

use super::{
    ChargeLost, HeadClimbing, HeadOverLimit, HubSlipping, OilPressureLow, OverSpeed, RunningUnsteady, Scene,
    SensorMiscount, ThermostatStuckOpen, WeakConnection, cooling, impeller_worn, stream,
};
use crate::acquire::Channel;
use crate::assess::Norm;
use crate::event::{Evidence, EvidenceKey};
use crate::finding::Finding;
use crate::units::Quantity;

/// One number in a list.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Shown {
    /// Stands there, known or not.
    Always(EvidenceKey),
    /// Stands there only where it is known.
    IfKnown(EvidenceKey),
}

/// What is shown for a finding, in this order; of a sensor its own value comes before.
const fn shown(finding: Finding) -> &'static [Shown] {
    match finding {
        Finding::StreamLost | Finding::DryStart => stream::SHOWN,
        Finding::IntakeBlocked
        | Finding::VaneLost
        | Finding::TelltalePlugged
        | Finding::ThermostatStuckClosed
        | Finding::WaterwayFouled => cooling::SHOWN,
        Finding::ThermostatStuckOpen => ThermostatStuckOpen::SHOWN,
        Finding::ImpellerWorn => impeller_worn::SHOWN,
        Finding::HeadClimbing => HeadClimbing::SHOWN,
        Finding::HeadOverLimit => HeadOverLimit::SHOWN,
        Finding::OilPressureLow => OilPressureLow::SHOWN,
        Finding::OverSpeed => OverSpeed::SHOWN,
        Finding::HubSlipping => HubSlipping::SHOWN,
        Finding::RunningUnsteady => RunningUnsteady::SHOWN,
        Finding::ChargeLost => ChargeLost::SHOWN,
        Finding::WeakConnection => WeakConnection::SHOWN,
        Finding::SensorMiscount => SensorMiscount::SHOWN,
        _ => &[],
    }
}

/// The numbers of the last tick for a finding, without those of a forecast.
pub(crate) fn evidence(scene: &Scene, finding: Finding, channel: Option<Channel>) -> Evidence {
    let (mut evidence, mut place) = (Evidence::NONE, 0_usize);
    if let Some(channel) = channel {
        evidence.set(place, EvidenceKey::Value(channel), scene.good(channel));
        place = 1;
    }
    for shown in shown(finding) {
        let (Shown::Always(key) | Shown::IfKnown(key)) = *shown;
        let number = number(scene, key);
        if number.is_some() || matches!(shown, Shown::Always(_)) {
            evidence.set(place, key, number);
            place = place.wrapping_add(1);
        }
    }
    evidence
}

/// The number under a key in the last tick; numbers of forecasts are not known here.
fn number(scene: &Scene, key: EvidenceKey) -> Option<i32> {
    match key {
        EvidenceKey::Value(channel) => scene.good(channel),
        EvidenceKey::Normal(Channel::Flow) => scene.expected.flow,
        EvidenceKey::Normal(Channel::Head) => scene.expected.head,
        EvidenceKey::Normal(Channel::Supply) => scene.normal.cranking(),
        EvidenceKey::Normal(Channel::Speed) => {
            scene.good(Channel::Rpm).and_then(|rpm| scene.normal.learned.at(rpm >> 2_u32, Norm::Speed))
        }
        EvidenceKey::Limit(Channel::Rpm) => Some(scene.profile.max.raw()),
        EvidenceKey::Limit(Channel::Head) => Some(scene.normal.head_limit()),
        EvidenceKey::Limit(Channel::Flow) => Some(scene.profile.flow_min_or_default().raw()),
        EvidenceKey::Limit(Channel::Supply) => scene.profile.electric.map(|electric| electric.charging_min.raw()),
        EvidenceKey::Limit(Channel::Oil) => scene.profile.oil_min.map(Quantity::raw),
        _ => None,
    }
}
