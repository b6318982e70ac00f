//! The numbers that stand for words in the store. They are part of the format: a number is never given to another word,
//! and does not follow from the order of an enum. 0 always stands for none.

use crate::acquire::Channel;
use crate::event::{AlarmState, EvidenceKey, State};
use crate::finding::{Finding, Level};
use crate::ledger::{ClockQuality, Item, Role};

/// Declares both directions of one table.
macro_rules! codes {
    ($(#[$doc:meta])* $encode:ident, $decode:ident, $word:ty, $($code:literal => $value:path,)+) => {
        $(#[$doc])*
        pub(crate) const fn $encode(word: $word) -> u8 {
            match word { $($value => $code,)+ }
        }

        $(#[$doc])*
        pub(crate) const fn $decode(code: u8) -> Option<$word> {
            match code { $($code => Some($value),)+ _ => None }
        }
    };
}

codes! {
    /// Findings; 5 bits.
    finding_code, finding_of, Finding,
    1 => Finding::ChargeLost,
    2 => Finding::DryStart,
    3 => Finding::FuelOld,
    4 => Finding::HeadClimbing,
    5 => Finding::HeadOverLimit,
    6 => Finding::HubSlipping,
    7 => Finding::ImpellerWorn,
    8 => Finding::IntakeBlocked,
    9 => Finding::OilPressureLow,
    10 => Finding::OverSpeed,
    11 => Finding::RunningUnsteady,
    12 => Finding::SensorDrift,
    13 => Finding::SensorMiscount,
    14 => Finding::SensorNoisy,
    15 => Finding::SensorOpen,
    16 => Finding::SensorShort,
    17 => Finding::SensorStuck,
    18 => Finding::ServiceDue,
    19 => Finding::StreamLost,
    20 => Finding::TelltalePlugged,
    21 => Finding::ThermostatStuckClosed,
    22 => Finding::ThermostatStuckOpen,
    23 => Finding::VaneLost,
    24 => Finding::WaterwayFouled,
    25 => Finding::WeakConnection,
}

codes! {
    /// Levels; 2 bits.
    level_code, level_of, Level,
    1 => Level::Caution,
    2 => Level::Warning,
    3 => Level::Alarm,
}

codes! {
    /// What happened to a finding; 4 bits.
    state_code, state_of, State,
    1 => State::Raised,
    2 => State::LevelChanged,
    3 => State::Silenced,
    4 => State::Acknowledged,
    5 => State::Shelved,
    6 => State::Unshelved,
    7 => State::Suppressed,
    8 => State::Unsuppressed,
    9 => State::OutOfService,
    10 => State::InService,
    11 => State::Cleared,
    12 => State::Reset,
    13 => State::Replaced,
}

codes! {
    /// Where a finding stands; 3 bits, all of them in use, so that 0 stands for a word here.
    alarm_state_code, alarm_state_of, AlarmState,
    0 => AlarmState::Normal,
    1 => AlarmState::Unacknowledged,
    2 => AlarmState::Acknowledged,
    3 => AlarmState::ReturnedUnacknowledged,
    4 => AlarmState::Latched,
    5 => AlarmState::Shelved,
    6 => AlarmState::SuppressedByDesign,
    7 => AlarmState::OutOfService,
}

codes! {
    /// Channels; 3 bits.
    channel_code, channel_of, Channel,
    1 => Channel::Rpm,
    2 => Channel::Head,
    3 => Channel::Flow,
    4 => Channel::Supply,
    5 => Channel::Speed,
    6 => Channel::Water,
    7 => Channel::Oil,
}

codes! {
    /// Items of the service plan; 4 bits.
    item_code, item_of, Item,
    1 => Item::EngineOil,
    2 => Item::OilFilter,
    3 => Item::GearOil,
    4 => Item::SparkPlugs,
    5 => Item::FuelFilter,
    6 => Item::Anodes,
    7 => Item::Thermostat,
    8 => Item::Impeller,
    9 => Item::TimingBelt,
    10 => Item::ValveClearance,
    11 => Item::Grease,
    12 => Item::PropShaft,
    13 => Item::Battery,
    14 => Item::FuelFill,
}

codes! {
    /// Who signs; 2 bits.
    role_code, role_of, Role,
    1 => Role::Owner,
    2 => Role::Mechanic,
    3 => Role::Yard,
}

codes! {
    /// Where a time of day comes from.
    clock_code, clock_of, ClockQuality,
    1 => ClockQuality::Typed,
    2 => ClockQuality::Host,
    3 => ClockQuality::Bus,
}

/// What an evidence value says; 5 bits: 1–7 the channel's value, 8–14 its normal, 15–21 its limit, 22–24 times to the limit.
pub(super) const fn key_code(key: EvidenceKey) -> u8 {
    match key {
        EvidenceKey::Value(channel) => channel_code(channel),
        EvidenceKey::Normal(channel) => channel_code(channel).saturating_add(7),
        EvidenceKey::Limit(channel) => channel_code(channel).saturating_add(14),
        EvidenceKey::Eta => 22,
        EvidenceKey::EtaLow => 23,
        EvidenceKey::EtaHigh => 24,
        EvidenceKey::HoursLeft => 25,
        EvidenceKey::HoursLeftLow => 26,
        EvidenceKey::HoursLeftHigh => 27,
    }
}

/// What an evidence value says.
pub(super) fn key_of(code: u8) -> Option<EvidenceKey> {
    match code {
        0..=7 => channel_of(code).map(EvidenceKey::Value),
        8..=14 => channel_of(code.saturating_sub(7)).map(EvidenceKey::Normal),
        15..=21 => channel_of(code.saturating_sub(14)).map(EvidenceKey::Limit),
        22 => Some(EvidenceKey::Eta),
        23 => Some(EvidenceKey::EtaLow),
        24 => Some(EvidenceKey::EtaHigh),
        25 => Some(EvidenceKey::HoursLeft),
        26 => Some(EvidenceKey::HoursLeftLow),
        27 => Some(EvidenceKey::HoursLeftHigh),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::vec::Vec;

    fn names<T>(of: impl Fn(u8) -> Option<T>, name: impl Fn(T) -> &'static str) -> Vec<(u8, &'static str)> {
        (0..=u8::MAX).filter_map(|code| Some((code, name(of(code)?)))).collect()
    }

    #[rustfmt::skip]
    #[test]
    fn the_numbers_are_pinned() {
        assert_eq!(names(finding_of, Finding::name), [
            (1, "charge-lost"), (2, "dry-start"), (3, "fuel-old"), (4, "head-climbing"), (5, "head-over-limit"),
            (6, "hub-slipping"), (7, "impeller-worn"), (8, "intake-blocked"), (9, "oil-pressure-low"),
            (10, "over-speed"), (11, "running-unsteady"), (12, "sensor-drift"), (13, "sensor-miscount"),
            (14, "sensor-noisy"), (15, "sensor-open"), (16, "sensor-short"), (17, "sensor-stuck"),
            (18, "service-due"), (19, "stream-lost"), (20, "telltale-plugged"), (21, "thermostat-stuck-closed"),
            (22, "thermostat-stuck-open"), (23, "vane-lost"), (24, "waterway-fouled"), (25, "weak-connection"),
        ]);
        assert_eq!(names(level_of, Level::name), [(1, "caution"), (2, "warning"), (3, "alarm")]);
        assert_eq!(names(state_of, State::name), [
            (1, "raised"), (2, "level-changed"), (3, "silenced"), (4, "acknowledged"), (5, "shelved"),
            (6, "unshelved"), (7, "suppressed"), (8, "unsuppressed"), (9, "out-of-service"), (10, "in-service"),
            (11, "cleared"), (12, "reset"), (13, "replaced"),
        ]);
        assert_eq!(names(alarm_state_of, AlarmState::name), [
            (0, "normal"), (1, "unacknowledged"), (2, "acknowledged"), (3, "returned-unacknowledged"),
            (4, "latched"), (5, "shelved"), (6, "suppressed-by-design"), (7, "out-of-service"),
        ]);
        assert_eq!(names(channel_of, Channel::name), [
            (1, "rpm"), (2, "head"), (3, "flow"), (4, "supply"), (5, "speed"), (6, "water"), (7, "oil"),
        ]);
        assert_eq!(names(item_of, Item::name), [
            (1, "engine-oil"), (2, "oil-filter"), (3, "gear-oil"), (4, "spark-plugs"), (5, "fuel-filter"),
            (6, "anodes"), (7, "thermostat"), (8, "impeller"), (9, "timing-belt"), (10, "valve-clearance"),
            (11, "grease"), (12, "prop-shaft"), (13, "battery"), (14, "fuel-fill"),
        ]);
        assert_eq!(names(role_of, Role::name), [(1, "owner"), (2, "mechanic"), (3, "yard")]);
        assert_eq!(names(clock_of, ClockQuality::name), [(1, "typed"), (2, "host"), (3, "bus")]);
        assert_eq!(names(key_of, EvidenceKey::name), [
            (1, "rpm"), (2, "head_c"), (3, "flow_lpm"), (4, "supply_v"), (5, "speed_kn"), (6, "water_c"),
            (7, "oil_kpa"), (8, "rpm_normal"), (9, "head_normal_c"), (10, "flow_normal_lpm"),
            (11, "supply_normal_v"), (12, "speed_normal_kn"), (13, "water_normal_c"), (14, "oil_normal_kpa"),
            (15, "rpm_limit"), (16, "head_limit_c"), (17, "flow_limit_lpm"), (18, "supply_limit_v"),
            (19, "speed_limit_kn"), (20, "water_limit_c"), (21, "oil_limit_kpa"), (22, "eta_s"),
            (23, "eta_low_s"), (24, "eta_high_s"),
            (25, "hours_left"),
            (26, "hours_left_low"),
            (27, "hours_left_high"),
        ]);
    }

    #[test]
    fn every_word_comes_back() {
        for finding in Finding::ALL {
            assert_eq!(finding_of(finding_code(finding)), Some(finding));
        }
        for item in Item::ALL {
            assert_eq!(item_of(item_code(item)), Some(item));
        }
        for role in Role::ALL {
            assert_eq!(role_of(role_code(role)), Some(role));
        }
        for quality in ClockQuality::ALL {
            assert_eq!(clock_of(clock_code(quality)), Some(quality));
        }
        for code in 1..=24 {
            assert_eq!(key_of(code).map(key_code), Some(code));
        }
        for code in 1..=13 {
            assert_eq!(state_of(code).map(state_code), Some(code));
        }
        for code in 0..=7 {
            assert_eq!(alarm_state_of(code).map(alarm_state_code), Some(code));
        }
    }
}
