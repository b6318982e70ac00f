//! What an installer knows of the engine and its sensors.

use core::fmt;

use crate::acquire::{Channel, ChannelSet};
use crate::units::{Flow, Pressure, Quantity, Rpm, Temperature, Voltage};

/// The head limit that stands in where neither the handbook nor this engine's own normal says more (common practice).
pub(crate) const HEAD_LIMIT_DEFAULT: Temperature = Temperature::from_millicelsius(90_000);

/// Where the telltale takes its water.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Telltale {
    /// Before the thermostat: it shows that the pump delivers, not that the head is cooled.
    BeforeThermostat,
    /// After the thermostat.
    AfterThermostat,
    /// Nobody looked.
    #[default]
    Unknown,
}

/// The electrical system; absent on a pull-start engine without one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Electric {
    /// Least voltage of a system that charges, above 2,000 rpm.
    pub charging_min: Voltage,
}

/// An engine and its sensors, in the units of the core.
///
/// Only the strokes, the idle and the greatest permitted speed are required; each absent value costs findings, and
/// [`crate::detect::unavailable`] names them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Profile {
    /// 2 or 4.
    pub strokes: u8,
    /// Idle speed by the handbook.
    pub idle: Rpm,
    /// Speed at rated power by the handbook.
    pub rated: Option<Rpm>,
    /// Greatest permitted speed by the handbook.
    pub max: Rpm,
    /// Temperature at which the thermostat opens; absent where the engine has none.
    pub thermostat_opens: Option<Temperature>,
    /// Greatest permitted head temperature at our sensor.
    pub head_limit: Option<Temperature>,
    /// Least oil pressure of a running warm engine.
    pub oil_min: Option<Pressure>,
    /// Where the telltale takes its water.
    pub telltale: Telltale,
    /// Whether a spring valve dumps water at speed, so that the head runs cooler there than at idle.
    pub relief_valve: Option<bool>,
    /// Least flow that the flow meter can show.
    pub flow_min: Option<Flow>,
    /// Gearcase ratio, in thousandths.
    pub gear_ratio_milli: Option<u32>,
    /// Propeller pitch, in thousandths of an inch.
    pub prop_pitch_milli_inch: Option<u32>,
    /// The electrical system.
    pub electric: Option<Electric>,
    /// Channels that have a sensor.
    pub fitted: ChannelSet,
}

impl Profile {
    /// A profile with the required values only and every channel fitted.
    #[must_use]
    pub const fn new(strokes: u8, idle: Rpm, max: Rpm) -> Self {
        Self {
            strokes,
            idle,
            rated: None,
            max,
            thermostat_opens: None,
            head_limit: None,
            oil_min: None,
            telltale: Telltale::Unknown,
            relief_valve: None,
            flow_min: None,
            gear_ratio_milli: None,
            prop_pitch_milli_inch: None,
            electric: None,
            fitted: ChannelSet::ALL,
        }
    }

    /// Rated speed, or the greatest permitted speed where no rated speed is known.
    #[must_use]
    pub fn rated_or_max(&self) -> Rpm {
        self.rated.unwrap_or(self.max)
    }

    /// Least flow that the flow meter can show; 0.3 L/min where the installer did not say (common practice for small
    /// turbine meters).
    #[must_use]
    pub fn flow_min_or_default(&self) -> Flow {
        self.flow_min.unwrap_or(Flow::from_millilitres_per_minute(300))
    }

    /// The head limit that applies until this engine's own normal is known: the handbook's, or 90 °C (common practice).
    #[must_use]
    pub fn head_limit_or_default(&self) -> Temperature {
        self.head_limit.unwrap_or(HEAD_LIMIT_DEFAULT)
    }

    /// Checks what no engine can contradict.
    ///
    /// # Errors
    /// The first contradiction found.
    pub fn validate(&self) -> Result<(), ProfileError> {
        if self.strokes != 2 && self.strokes != 4 {
            return Err(ProfileError::Strokes);
        }
        if self.idle.raw() <= 0 {
            return Err(ProfileError::IdleNotPositive);
        }
        if self.rated.is_some_and(|rated| rated <= self.idle) {
            return Err(ProfileError::RatedNotAboveIdle);
        }
        if self.rated_or_max() > self.max || self.max <= self.idle {
            return Err(ProfileError::MaxTooLow);
        }
        if self.thermostat_opens.is_some_and(|opens| opens >= self.head_limit_or_default()) {
            return Err(ProfileError::ThermostatAboveLimit);
        }
        if self.flow_min.is_some_and(|least| least.raw() <= 0) {
            return Err(ProfileError::FlowMinNotPositive);
        }
        if !self.fitted.contains(Channel::Rpm) {
            return Err(ProfileError::RpmNotFitted);
        }
        Ok(())
    }
}

/// Why a profile cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum ProfileError {
    /// `strokes` is neither 2 nor 4.
    Strokes,
    /// The idle speed is not above 0.
    IdleNotPositive,
    /// The rated speed is not above the idle speed.
    RatedNotAboveIdle,
    /// The greatest permitted speed is under the rated speed, or not above the idle speed.
    MaxTooLow,
    /// The thermostat opens at or above the head limit.
    ThermostatAboveLimit,
    /// The flow meter's least flow is not above 0, so that no flow could never be told from some.
    FlowMinNotPositive,
    /// The engine speed has no sensor.
    RpmNotFitted,
}

impl fmt::Display for ProfileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Strokes => "strokes must be 2 or 4",
            Self::IdleNotPositive => "idle_rpm must be above 0",
            Self::RatedNotAboveIdle => "rated_rpm must be above idle_rpm",
            Self::MaxTooLow => "max_rpm must be above idle_rpm and at least rated_rpm",
            Self::ThermostatAboveLimit => "thermostat_opens_c must be below head_limit_c (90 °C where it is left out)",
            Self::FlowMinNotPositive => "flow_min_lpm must be above 0",
            Self::RpmNotFitted => "channels.fitted must contain \"rpm\"",
        })
    }
}

impl core::error::Error for ProfileError {}
