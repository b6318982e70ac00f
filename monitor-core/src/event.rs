//! What comes out of the monitor: events with their evidence.

use crate::acquire::Channel;
use crate::finding::{Finding, Level};
use crate::ledger::Item;
use crate::time::Instant;

/// What happened to a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum State {
    /// It began.
    Raised,
    /// It got worse.
    LevelChanged,
    /// Somebody stopped the sound.
    Silenced,
    /// Somebody took note.
    Acknowledged,
    /// Put aside for a while.
    Shelved,
    /// No longer put aside.
    Unshelved,
    /// Kept quiet by design.
    Suppressed,
    /// No longer kept quiet by design.
    Unsuppressed,
    /// Taken out of service.
    OutOfService,
    /// Back in service.
    InService,
    /// It has gone.
    Cleared,
    /// A latched finding was reset.
    Reset,
    /// A cause explains it now.
    Replaced,
}

impl State {
    /// Name in events.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::LevelChanged => "level-changed",
            Self::Silenced => "silenced",
            Self::Acknowledged => "acknowledged",
            Self::Shelved => "shelved",
            Self::Unshelved => "unshelved",
            Self::Suppressed => "suppressed",
            Self::Unsuppressed => "unsuppressed",
            Self::OutOfService => "out-of-service",
            Self::InService => "in-service",
            Self::Cleared => "cleared",
            Self::Reset => "reset",
            Self::Replaced => "replaced",
        }
    }
}

/// Where a finding stands with the people aboard: the states of IEC 62682.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum AlarmState {
    /// Nothing to say.
    #[default]
    Normal,
    /// It stands and nobody took note.
    Unacknowledged,
    /// It stands and somebody took note.
    Acknowledged,
    /// It has gone and nobody took note.
    ReturnedUnacknowledged,
    /// It has gone and waits to be acknowledged and reset.
    Latched,
    /// Put aside for a while by a person.
    Shelved,
    /// Kept quiet by design.
    SuppressedByDesign,
    /// Taken out of service by a person.
    OutOfService,
}

impl AlarmState {
    /// Name in events.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned-unacknowledged",
            Self::Latched => "latched",
            Self::Shelved => "shelved",
            Self::SuppressedByDesign => "suppressed-by-design",
            Self::OutOfService => "out-of-service",
        }
    }
}

/// What an evidence value says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum EvidenceKey {
    /// The channel's value.
    Value(Channel),
    /// This engine's own normal for the channel.
    Normal(Channel),
    /// The limit that applies to the channel.
    Limit(Channel),
    /// Most likely time to the limit.
    Eta,
    /// Earlier end of the interval of the time to the limit.
    EtaLow,
    /// Later end of the interval of the time to the limit.
    EtaHigh,
    /// Most likely running time to the renewal of the impeller.
    HoursLeft,
    /// Earlier end of the interval of the running time to the renewal.
    HoursLeftLow,
    /// Later end of the interval of the running time to the renewal.
    HoursLeftHigh,
}

impl EvidenceKey {
    /// Name in events: the trace's column name, with `normal` or `limit` before the unit.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Value(Channel::Rpm) => "rpm",
            Self::Value(Channel::Head) => "head_c",
            Self::Value(Channel::Flow) => "flow_lpm",
            Self::Value(Channel::Supply) => "supply_v",
            Self::Value(Channel::Speed) => "speed_kn",
            Self::Value(Channel::Water) => "water_c",
            Self::Value(Channel::Oil) => "oil_kpa",
            Self::Normal(Channel::Rpm) => "rpm_normal",
            Self::Normal(Channel::Head) => "head_normal_c",
            Self::Normal(Channel::Flow) => "flow_normal_lpm",
            Self::Normal(Channel::Supply) => "supply_normal_v",
            Self::Normal(Channel::Speed) => "speed_normal_kn",
            Self::Normal(Channel::Water) => "water_normal_c",
            Self::Normal(Channel::Oil) => "oil_normal_kpa",
            Self::Limit(Channel::Rpm) => "rpm_limit",
            Self::Limit(Channel::Head) => "head_limit_c",
            Self::Limit(Channel::Flow) => "flow_limit_lpm",
            Self::Limit(Channel::Supply) => "supply_limit_v",
            Self::Limit(Channel::Speed) => "speed_limit_kn",
            Self::Limit(Channel::Water) => "water_limit_c",
            Self::Limit(Channel::Oil) => "oil_limit_kpa",
            Self::Eta => "eta_s",
            Self::EtaLow => "eta_low_s",
            Self::EtaHigh => "eta_high_s",
            Self::HoursLeft => "hours_left",
            Self::HoursLeftLow => "hours_left_low",
            Self::HoursLeftHigh => "hours_left_high",
        }
    }

    /// Thousandths of the printed unit in one raw step: rpm are kept in quarters, times in seconds, hours in
    /// tenths.
    #[must_use]
    pub const fn milli_per_raw(self) -> i32 {
        match self {
            Self::Value(Channel::Rpm) | Self::Normal(Channel::Rpm) | Self::Limit(Channel::Rpm) => 250,
            Self::Eta | Self::EtaLow | Self::EtaHigh => 1_000,
            Self::HoursLeft | Self::HoursLeftLow | Self::HoursLeftHigh => 100,
            _ => 1,
        }
    }
}

/// One number that speaks for a finding; `None` where it has no bound or is not known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct EvidenceItem {
    /// What the number says.
    pub key: EvidenceKey,
    /// The number: the channel's raw unit, or seconds.
    pub value: Option<i32>,
}

/// The numbers that speak for a finding, in the order in which they are shown.
///
/// Keys and values are kept apart: events wait in a queue, and this is half the size of a list of pairs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Evidence {
    keys: [Option<EvidenceKey>; Self::CAPACITY],
    values: [i32; Self::CAPACITY],
}

impl Evidence {
    /// Most numbers that one finding can carry.
    pub const CAPACITY: usize = 5;

    /// Stands for a number that is not known; no measurement comes near it.
    const UNKNOWN: i32 = i32::MIN;

    /// No evidence.
    pub const NONE: Self = Self { keys: [None; Self::CAPACITY], values: [Self::UNKNOWN; Self::CAPACITY] };

    /// This evidence and one number more; a number too many is left out.
    #[must_use]
    pub fn with(mut self, key: EvidenceKey, value: Option<i32>) -> Self {
        self.add(key, value);
        self
    }

    /// Adds one number; a number too many is left out.
    pub fn add(&mut self, key: EvidenceKey, value: Option<i32>) {
        let taken = self.keys.iter().take_while(|key| key.is_some()).count();
        self.set(taken, key, value);
    }

    /// Puts a number at a place, counted from 0; a place too many is left out.
    pub(crate) fn set(&mut self, place: usize, key: EvidenceKey, value: Option<i32>) {
        if let (Some(key_there), Some(value_there)) = (self.keys.get_mut(place), self.values.get_mut(place)) {
            *key_there = Some(key);
            *value_there = value.unwrap_or(Self::UNKNOWN);
        }
    }

    /// The numbers, in order.
    pub fn iter(&self) -> impl Iterator<Item = EvidenceItem> + '_ {
        self.keys.iter().zip(self.values).filter_map(|(key, value)| {
            Some(EvidenceItem { key: (*key)?, value: (value != Self::UNKNOWN).then_some(value) })
        })
    }

    /// The number under `key`, where there is one.
    #[must_use]
    pub fn get(&self, key: EvidenceKey) -> Option<i32> {
        self.iter().find(|item| item.key == key).and_then(|item| item.value)
    }
}

/// A cause that might explain what is seen, with its share of the likelihood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Candidate {
    /// The cause.
    pub finding: Finding,
    /// Its share in per cent; the shares of one event add up to 100 at most.
    pub share_pct: u8,
}

/// One thing that happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Event {
    /// Power-up to power-down, counted by the caller; the commissioning run is −1.
    pub trip: i16,
    /// Stamp of the last sample that the decision rests on, on the caller's clock.
    pub stamp: Instant,
    /// Ties later events to the `raised` they belong to.
    pub id: u32,
    /// What it is about.
    pub finding: Finding,
    /// The sensor it is about; only on findings of the sensor family.
    pub channel: Option<Channel>,
    /// The item of the service plan; only on findings of the care family.
    pub item: Option<Item>,
    /// How soon somebody must act.
    pub level: Level,
    /// What happened.
    pub state: State,
    /// Where it stands afterwards.
    pub alarm_state: AlarmState,
    /// The numbers that speak for it.
    pub evidence: Evidence,
    /// Causes that might explain it, by falling share.
    pub candidates: [Option<Candidate>; 3],
    /// The `id` of the cause that replaced it.
    pub replaced_by: Option<u32>,
}
