//! What to look at first: stable ids; the texts belong to whoever shows them.

use crate::finding::Finding;

/// First checks for a finding, most useful first. Order by common practice in outboard workshops.
#[must_use]
pub const fn checks(finding: Finding) -> &'static [&'static str] {
    match finding {
        Finding::StreamLost => {
            &["ease-off", "look-astern", "burst-astern", "stop-when-safe", "key-out", "let-it-cool", "look-at-intake"]
        }
        Finding::DryStart => &["stop-when-safe", "key-out", "look-at-intake", "look-at-impeller"],
        Finding::IntakeBlocked => &["look-at-intake"],
        Finding::VaneLost | Finding::ImpellerWorn => &["look-at-impeller"],
        Finding::TelltalePlugged => &["clear-telltale", "look-at-sensor"],
        Finding::WaterwayFouled => &["look-at-thermostat", "look-at-impeller"],
        Finding::HeadClimbing => &["ease-off", "look-astern", "stop-when-safe", "let-it-cool", "look-at-thermostat"],
        Finding::HeadOverLimit => {
            &["ease-off", "look-astern", "stop-when-safe", "let-it-cool", "key-out", "look-at-loom"]
        }
        Finding::ThermostatStuckClosed | Finding::ThermostatStuckOpen => &["look-at-thermostat"],
        Finding::OilPressureLow => &["stop-engine-oil", "look-at-oil-level"],
        Finding::OverSpeed => &["ease-off-revs", "look-at-propeller"],
        Finding::HubSlipping => &["look-at-propeller"],
        Finding::ChargeLost => &["look-at-terminals", "look-at-charging", "look-at-battery"],
        Finding::WeakConnection => &["look-at-terminals", "look-at-battery"],
        Finding::SensorOpen | Finding::SensorShort => &["look-at-sensor-lead"],
        Finding::SensorDrift | Finding::SensorMiscount | Finding::SensorNoisy | Finding::SensorStuck => {
            &["look-at-sensor", "look-at-sensor-lead"]
        }
        Finding::RunningUnsteady | Finding::FuelOld | Finding::ServiceDue => &[],
    }
}
