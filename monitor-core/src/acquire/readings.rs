//! What the sensors say at one moment: a value for each channel, each with a quality and an age.

use crate::units::{Flow, Pressure, Quantity, Rpm, Speed, Temperature, Voltage};

/// The channels of the monitor. All but [`Channel::Rpm`] are optional.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Channel {
    /// Engine speed.
    Rpm,
    /// Cylinder-head temperature.
    Head,
    /// Telltale flow.
    Flow,
    /// 12 V system.
    Supply,
    /// Speed over ground.
    Speed,
    /// Raw-water temperature.
    Water,
    /// Oil pressure.
    Oil,
}

impl Channel {
    /// Number of channels.
    pub const COUNT: usize = 7;

    /// Every channel, in the order of this enum.
    pub const ALL: [Self; Self::COUNT] =
        [Self::Rpm, Self::Head, Self::Flow, Self::Supply, Self::Speed, Self::Water, Self::Oil];

    /// Name in profiles and events.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Rpm => "rpm",
            Self::Head => "head",
            Self::Flow => "flow",
            Self::Supply => "supply",
            Self::Speed => "speed",
            Self::Water => "water",
            Self::Oil => "oil",
        }
    }

    /// Position in tables indexed by channel.
    #[must_use]
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The channel of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|channel| channel.name() == name)
    }
}

/// A set of channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ChannelSet(u8);

impl ChannelSet {
    /// No channel.
    pub const EMPTY: Self = Self(0);
    /// Every channel.
    pub const ALL: Self = Self(0x7f);

    /// A bit for each channel, the first one lowest.
    pub(crate) const fn bits(self) -> u8 {
        self.0
    }

    /// This set with `channel` in it.
    #[must_use]
    pub const fn with(self, channel: Channel) -> Self {
        Self(self.0 | (1 << channel as u8))
    }

    /// This set without `channel`.
    #[must_use]
    pub const fn without(self, channel: Channel) -> Self {
        Self(self.0 & !(1 << channel as u8))
    }

    /// Whether `channel` is in the set.
    #[must_use]
    pub const fn contains(self, channel: Channel) -> bool {
        self.0 & (1 << channel as u8) != 0
    }

    /// Whether the two sets have a channel in common.
    #[must_use]
    pub const fn meets(self, other: Self) -> bool {
        self.0 & other.0 != 0
    }

    /// The channels of this set that are not in the other.
    #[must_use]
    pub const fn minus(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// The channels in either set.
    #[must_use]
    pub const fn or(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// The channels in both sets.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }
}

/// How far a reading can be believed. A bad sensor is a value with a quality, never an error.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Quality {
    /// Measured, plausible, fresh.
    Good,
    /// Nothing was measured: a blank cell, a sensor not asked this time.
    #[default]
    Missing,
    /// The driver or the span says: the lead is open.
    Open,
    /// The driver or the span says: the lead is shorted.
    Short,
    /// The sensor works, but the true value lies below what it can measure.
    BelowRange,
    /// Outside anything the quantity can be.
    Implausible,
}

impl Quality {
    /// From the number that [`Quality`] has as `u8`; unknown numbers are [`Quality::Missing`].
    #[must_use]
    pub const fn from_code(code: u8) -> Self {
        match code {
            0 => Self::Good,
            2 => Self::Open,
            3 => Self::Short,
            4 => Self::BelowRange,
            5 => Self::Implausible,
            _ => Self::Missing,
        }
    }
}

/// One value with its quality and its age.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Reading<Q> {
    /// The value; meaningless unless the quality says otherwise.
    pub value: Q,
    /// How far it can be believed.
    pub quality: Quality,
    /// Milliseconds since it was measured.
    pub age_ms: u16,
}

impl<Q: Quantity> Reading<Q> {
    /// No reading.
    #[must_use]
    pub fn missing() -> Self {
        Self { value: Q::from_raw(0), quality: Quality::Missing, age_ms: 0 }
    }

    /// A good reading measured just now.
    #[must_use]
    pub fn good(value: Q) -> Self {
        Self { value, quality: Quality::Good, age_ms: 0 }
    }

    fn from_raw(raw: i32, quality: Quality) -> Self {
        Self { value: Q::from_raw(raw), quality, age_ms: 0 }
    }

    /// The reading without its unit.
    pub(crate) fn raw(self) -> RawReading {
        RawReading { raw: self.value.raw(), quality: self.quality, age_ms: self.age_ms }
    }
}

/// A reading without its unit, for code that treats all channels alike; the unit is that of the channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RawReading {
    /// The value in the channel's own unit.
    pub raw: i32,
    /// How far it can be believed.
    pub quality: Quality,
    /// Milliseconds since it was measured.
    pub age_ms: u16,
}

/// All channels at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Readings {
    /// Engine speed, in ¼ rpm.
    pub rpm: Reading<Rpm>,
    /// Cylinder-head temperature, in m°C.
    pub head: Reading<Temperature>,
    /// Telltale flow, in mL/min.
    pub flow: Reading<Flow>,
    /// 12 V system, in mV.
    pub supply: Reading<Voltage>,
    /// Speed over ground, in 0.001 kn.
    pub speed: Reading<Speed>,
    /// Raw-water temperature, in m°C.
    pub water: Reading<Temperature>,
    /// Oil pressure, in Pa.
    pub oil: Reading<Pressure>,
}

impl Default for Readings {
    fn default() -> Self {
        Self {
            rpm: Reading::missing(),
            head: Reading::missing(),
            flow: Reading::missing(),
            supply: Reading::missing(),
            speed: Reading::missing(),
            water: Reading::missing(),
            oil: Reading::missing(),
        }
    }
}

impl Readings {
    /// The reading of `channel`, without its unit.
    #[must_use]
    pub fn raw(&self, channel: Channel) -> RawReading {
        match channel {
            Channel::Rpm => self.rpm.raw(),
            Channel::Head => self.head.raw(),
            Channel::Flow => self.flow.raw(),
            Channel::Supply => self.supply.raw(),
            Channel::Speed => self.speed.raw(),
            Channel::Water => self.water.raw(),
            Channel::Oil => self.oil.raw(),
        }
    }

    /// Sets the reading of `channel` from an integer in the channel's own unit, measured just now.
    pub fn set_raw(&mut self, channel: Channel, raw: i32, quality: Quality) {
        match channel {
            Channel::Rpm => self.rpm = Reading::from_raw(raw, quality),
            Channel::Head => self.head = Reading::from_raw(raw, quality),
            Channel::Flow => self.flow = Reading::from_raw(raw, quality),
            Channel::Supply => self.supply = Reading::from_raw(raw, quality),
            Channel::Speed => self.speed = Reading::from_raw(raw, quality),
            Channel::Water => self.water = Reading::from_raw(raw, quality),
            Channel::Oil => self.oil = Reading::from_raw(raw, quality),
        }
    }
}
