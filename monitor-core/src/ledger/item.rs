//! What can be serviced.

/// An item of the service plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Item {
    /// Engine oil.
    EngineOil,
    /// Oil filter.
    OilFilter,
    /// Oil of the gearcase.
    GearOil,
    /// Spark plugs.
    SparkPlugs,
    /// Fuel filter.
    FuelFilter,
    /// Anodes.
    Anodes,
    /// Thermostat.
    Thermostat,
    /// Impeller of the water pump.
    Impeller,
    /// Timing belt.
    TimingBelt,
    /// Valve clearance.
    ValveClearance,
    /// Grease points.
    Grease,
    /// Propeller shaft.
    PropShaft,
    /// Battery.
    Battery,
    /// Fuel in the tank.
    FuelFill,
}

impl Item {
    /// Number of items.
    pub const COUNT: usize = 14;

    /// Every item, in the order of this enum.
    pub const ALL: [Self; Self::COUNT] = [
        Self::EngineOil,
        Self::OilFilter,
        Self::GearOil,
        Self::SparkPlugs,
        Self::FuelFilter,
        Self::Anodes,
        Self::Thermostat,
        Self::Impeller,
        Self::TimingBelt,
        Self::ValveClearance,
        Self::Grease,
        Self::PropShaft,
        Self::Battery,
        Self::FuelFill,
    ];

    /// Name in profiles and events.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::EngineOil => "engine-oil",
            Self::OilFilter => "oil-filter",
            Self::GearOil => "gear-oil",
            Self::SparkPlugs => "spark-plugs",
            Self::FuelFilter => "fuel-filter",
            Self::Anodes => "anodes",
            Self::Thermostat => "thermostat",
            Self::Impeller => "impeller",
            Self::TimingBelt => "timing-belt",
            Self::ValveClearance => "valve-clearance",
            Self::Grease => "grease",
            Self::PropShaft => "prop-shaft",
            Self::Battery => "battery",
            Self::FuelFill => "fuel-fill",
        }
    }

    /// The item of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|item| item.name() == name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_item_is_found_by_its_name() {
        for item in Item::ALL {
            assert_eq!(Item::from_name(item.name()), Some(item));
        }
        assert_eq!(Item::from_name("keel"), None);
    }
}
