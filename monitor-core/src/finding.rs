//! The findings: what each one is called, which family it belongs to, how it behaves.

/// Everything the monitor can say about an engine. The order is that of the names, and events of one moment are
/// sorted by it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Finding {
    /// The alternator does not charge.
    ChargeLost,
    /// Running, and no water has come since the start.
    DryStart,
    /// The fuel has been in the tank too long.
    FuelOld,
    /// The head will reach its limit soon.
    HeadClimbing,
    /// The head is over its limit.
    HeadOverLimit,
    /// The propeller hub slips: the revs rise, the speed does not follow.
    HubSlipping,
    /// The impeller wears: flow sinks over hours, most at idle.
    ImpellerWorn,
    /// The water intake is blocked.
    IntakeBlocked,
    /// Oil pressure under the handbook's least.
    OilPressureLow,
    /// Engine speed over the handbook's greatest.
    OverSpeed,
    /// The engine hunts, sags or stalls at steady demand.
    RunningUnsteady,
    /// A sensor drifts away from the truth.
    SensorDrift,
    /// A pulse sensor counts double or half.
    SensorMiscount,
    /// A sensor is noisier than it was.
    SensorNoisy,
    /// A sensor's lead is open, or nothing comes from it.
    SensorOpen,
    /// A sensor's lead is shorted.
    SensorShort,
    /// A sensor shows the same value whatever the engine does.
    SensorStuck,
    /// Service is due.
    ServiceDue,
    /// Running, and the stream has gone; the cause is not known yet.
    StreamLost,
    /// The telltale outlet is plugged while the head stays cool.
    TelltalePlugged,
    /// The thermostat does not open.
    ThermostatStuckClosed,
    /// The thermostat does not close.
    ThermostatStuckOpen,
    /// A vane of the impeller has gone: flow falls by a step and stays down.
    VaneLost,
    /// Salt or lime narrows the waterways.
    WaterwayFouled,
    /// Voltage drops too far under load or cranking.
    WeakConnection,
}

/// Groups of findings, in the order in which they are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Family {
    /// Cooling water.
    Water,
    /// Head temperature.
    Heat,
    /// Oil.
    Oil,
    /// Propeller, hub, engine speed.
    Drive,
    /// How the engine runs.
    Running,
    /// 12 V system.
    Electric,
    /// The monitor's own sensors.
    Sensor,
    /// Service.
    Care,
}

/// What is seen, or why.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Kind {
    /// What is seen: may stand beside any cause.
    Condition,
    /// Why it is so: one at a time for one set of evidence.
    Cause,
}

/// How soon somebody must act: the priorities of IMO MSC.302(87) without `emergency`, which a monitor that cannot see
/// danger to life never raises.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Level {
    /// Attention out of the ordinary.
    Caution,
    /// May become dangerous soon.
    Warning,
    /// Act at once.
    Alarm,
}

impl Level {
    /// Name in events.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Caution => "caution",
            Self::Warning => "warning",
            Self::Alarm => "alarm",
        }
    }

    /// The level of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Caution, Self::Warning, Self::Alarm].into_iter().find(|level| level.name() == name)
    }
}

impl Family {
    /// Name in events.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Water => "water",
            Self::Heat => "heat",
            Self::Oil => "oil",
            Self::Drive => "drive",
            Self::Running => "running",
            Self::Electric => "electric",
            Self::Sensor => "sensor",
            Self::Care => "care",
        }
    }
}

impl Finding {
    /// Number of findings.
    pub const COUNT: usize = 25;

    /// Every finding, by name.
    pub const ALL: [Self; Self::COUNT] = [
        Self::ChargeLost,
        Self::DryStart,
        Self::FuelOld,
        Self::HeadClimbing,
        Self::HeadOverLimit,
        Self::HubSlipping,
        Self::ImpellerWorn,
        Self::IntakeBlocked,
        Self::OilPressureLow,
        Self::OverSpeed,
        Self::RunningUnsteady,
        Self::SensorDrift,
        Self::SensorMiscount,
        Self::SensorNoisy,
        Self::SensorOpen,
        Self::SensorShort,
        Self::SensorStuck,
        Self::ServiceDue,
        Self::StreamLost,
        Self::TelltalePlugged,
        Self::ThermostatStuckClosed,
        Self::ThermostatStuckOpen,
        Self::VaneLost,
        Self::WaterwayFouled,
        Self::WeakConnection,
    ];

    /// Name in events.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::ChargeLost => "charge-lost",
            Self::DryStart => "dry-start",
            Self::FuelOld => "fuel-old",
            Self::HeadClimbing => "head-climbing",
            Self::HeadOverLimit => "head-over-limit",
            Self::HubSlipping => "hub-slipping",
            Self::ImpellerWorn => "impeller-worn",
            Self::IntakeBlocked => "intake-blocked",
            Self::OilPressureLow => "oil-pressure-low",
            Self::OverSpeed => "over-speed",
            Self::RunningUnsteady => "running-unsteady",
            Self::SensorDrift => "sensor-drift",
            Self::SensorMiscount => "sensor-miscount",
            Self::SensorNoisy => "sensor-noisy",
            Self::SensorOpen => "sensor-open",
            Self::SensorShort => "sensor-short",
            Self::SensorStuck => "sensor-stuck",
            Self::ServiceDue => "service-due",
            Self::StreamLost => "stream-lost",
            Self::TelltalePlugged => "telltale-plugged",
            Self::ThermostatStuckClosed => "thermostat-stuck-closed",
            Self::ThermostatStuckOpen => "thermostat-stuck-open",
            Self::VaneLost => "vane-lost",
            Self::WaterwayFouled => "waterway-fouled",
            Self::WeakConnection => "weak-connection",
        }
    }

    /// The finding of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|finding| finding.name() == name)
    }

    /// The family it is shown with.
    #[must_use]
    pub const fn family(self) -> Family {
        match self {
            Self::StreamLost
            | Self::DryStart
            | Self::IntakeBlocked
            | Self::VaneLost
            | Self::ImpellerWorn
            | Self::TelltalePlugged
            | Self::WaterwayFouled => Family::Water,
            Self::HeadClimbing | Self::HeadOverLimit | Self::ThermostatStuckClosed | Self::ThermostatStuckOpen => {
                Family::Heat
            }
            Self::OilPressureLow => Family::Oil,
            Self::HubSlipping | Self::OverSpeed => Family::Drive,
            Self::RunningUnsteady => Family::Running,
            Self::ChargeLost | Self::WeakConnection => Family::Electric,
            Self::SensorDrift
            | Self::SensorMiscount
            | Self::SensorNoisy
            | Self::SensorOpen
            | Self::SensorShort
            | Self::SensorStuck => Family::Sensor,
            Self::ServiceDue | Self::FuelOld => Family::Care,
        }
    }

    /// Whether it says what is seen or why.
    #[must_use]
    pub const fn kind(self) -> Kind {
        match self {
            Self::StreamLost | Self::HeadClimbing | Self::HeadOverLimit | Self::OilPressureLow | Self::OverSpeed => {
                Kind::Condition
            }
            _ => Kind::Cause,
        }
    }

    /// Whether it stays on record until somebody acknowledges and resets it, even when it has gone.
    #[must_use]
    pub const fn latches(self) -> bool {
        matches!(self, Self::HeadOverLimit)
    }

    /// Whether it may be shelved: never what destroys an engine within minutes.
    #[must_use]
    pub const fn can_be_shelved(self) -> bool {
        !matches!(self, Self::HeadOverLimit | Self::OilPressureLow)
    }
}

/// A set of findings, a bit for each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct FindingSet(u32);

impl FindingSet {
    /// No finding.
    pub(crate) const EMPTY: Self = Self(0);

    /// The set of the findings of a list.
    pub(crate) const fn of(list: &[Finding]) -> Self {
        let (mut set, mut rest) = (Self::EMPTY, list);
        while let [finding, others @ ..] = rest {
            set = set.with(*finding);
            rest = others;
        }
        set
    }

    /// This set with `finding` in it.
    #[must_use]
    pub(crate) const fn with(self, finding: Finding) -> Self {
        Self(self.0 | (1 << finding as u8))
    }

    /// Whether `finding` is in the set.
    pub(crate) const fn contains(self, finding: Finding) -> bool {
        self.0 & (1 << finding as u8) != 0
    }

    /// Whether the two sets have a finding in common.
    pub(crate) const fn meets(self, other: Self) -> bool {
        self.0 & other.0 != 0
    }

    /// Whether there is nothing in it.
    pub(crate) const fn is_empty(self) -> bool {
        self.0 == 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn findings_are_ordered_by_name_and_listed_once() {
        for pair in Finding::ALL.windows(2) {
            assert!(pair[0] < pair[1] && pair[0].name() < pair[1].name(), "{} {}", pair[0].name(), pair[1].name());
        }
        for finding in Finding::ALL {
            assert_eq!(Finding::from_name(finding.name()), Some(finding));
        }
    }
}
