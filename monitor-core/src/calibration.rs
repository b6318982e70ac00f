//! What an installer measured at the sensors of this engine: pulses of a turn, of a litre, the curve of a thermistor.
//!
//! It stands in the profile beside the engine, but only a board works with it: the monitor is given finished readings,
//! and the values of a trace are calibrated already. The board adds what only it knows, its converter and its reference,
//! and gets the calibration of each driver from here.

use crate::acquire::Reading;
use crate::acquire::adc::{AdcCounts, AdcScale, CalibrationError, Divider, Pull, Resistance};
use crate::acquire::pulse::{self, FlowCalibration, PulsesPerRevolution, TachometerCalibration};
use crate::acquire::supply::{DividerRatio, SupplyCalibration};
use crate::acquire::temperature::TemperatureSpan;
use crate::acquire::temperature::ntc::{NtcCalibration, NtcTable, SteinhartHart};
use crate::acquire::temperature::rtd::RtdCalibration;
use crate::profile::Profile;
use crate::units::{Flow, Quantity, Rpm, Temperature};

/// Most rows of a thermistor's table: −40 to 150 °C every 10 K and some to spare.
pub const THERMISTOR_ROWS: usize = 32;

/// Slower than any starter turns an engine.
const SLOWEST: Rpm = Rpm::from_whole_rpm(150);
/// No engine turns faster, in ¼ rpm.
const FASTEST_QUARTERS: i32 = 30_000 * 4;
/// No telltale gives more.
const GREATEST_FLOW: Flow = Flow::from_millilitres_per_minute(60_000);
/// A meter works up to this many times its own minimum at least.
const FLOW_RANGE: i32 = 20;

/// What was measured at the sensors; a channel without a calibration is `None`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Calibration {
    /// Pulses of one revolution of the crankshaft.
    pub rpm: Option<PulsesPerRevolution>,
    /// Pulses of the flow meter.
    pub flow: Option<FlowPulses>,
    /// The sensor at the cylinder head.
    pub head: Option<HeadCalibration>,
    /// Supply voltage over voltage at the pin.
    pub supply: Option<DividerRatio>,
}

/// The straight line of a flow meter: frequency in hertz = pulses per litre × litres per minute ÷ 60 + offset.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FlowPulses {
    /// Thousandths of a pulse per litre.
    pub per_litre_milli: u32,
    /// Thousandths of a hertz that the line has at no flow; negative where friction holds the rotor back.
    pub offset_millihertz: i32,
}

/// The sensor at the head and the resistor it is measured against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct HeadCalibration {
    /// The sensor.
    pub sensor: HeadSensor,
    /// The fixed resistor between the pin and the converter's reference; `None` is the board's own.
    pub pull_up: Option<Resistance>,
}

/// Kinds of temperature sensors with the numbers that belong to them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[expect(clippy::large_enum_variant, reason = "a table has no other place to be where nothing is allocated")]
pub enum HeadSensor {
    /// A thermistor by its three coefficients.
    SteinhartHart(SteinhartHart),
    /// A thermistor of which only the data sheet's beta is known.
    Beta {
        /// Resistance at 25 °C.
        at_25_celsius: Resistance,
        /// Beta in hundredths of a kelvin.
        beta_centikelvin: u32,
    },
    /// A thermistor by a table.
    Table(ThermistorRows),
    /// A platinum resistor of 100 Ω at 0 °C.
    Pt100,
    /// A platinum resistor of 1000 Ω at 0 °C.
    Pt1000,
    /// A thermocouple of type K; its amplifier is the board's.
    ThermocoupleK,
    /// A digital one-wire thermometer, which needs no numbers.
    OneWire,
}

/// The rows of a thermistor's table, the coldest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ThermistorRows {
    rows: [(Temperature, Resistance); THERMISTOR_ROWS],
    used: u8,
}

impl ThermistorRows {
    /// From rows of temperature and resistance, the coldest first.
    ///
    /// # Errors
    /// [`CalibrationError::ThermistorRows`] for more than [`THERMISTOR_ROWS`]; [`CalibrationError::ThermistorTable`] for
    /// rows that make no table, see [`NtcTable::new`].
    pub fn new(rows: &[(Temperature, Resistance)]) -> Result<Self, CalibrationError> {
        NtcTable::<THERMISTOR_ROWS>::from_slice(rows)?;
        let mut kept = Self {
            rows: [(Temperature::default(), Resistance::default()); THERMISTOR_ROWS],
            used: u8::try_from(rows.len()).map_err(|_| CalibrationError::ThermistorRows)?,
        };
        for (place, row) in kept.rows.iter_mut().zip(rows) {
            *place = *row;
        }
        Ok(kept)
    }

    /// The rows, the coldest first.
    #[must_use]
    pub fn rows(&self) -> &[(Temperature, Resistance)] {
        self.rows.get(..usize::from(self.used)).unwrap_or_default()
    }
}

impl Calibration {
    /// Whether nothing was measured.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// The tachometer of this engine, from 150 rpm to half as much again as its greatest permitted speed.
    ///
    /// # Errors
    /// Numbers that do not fit this engine, see [`TachometerCalibration::new`].
    pub fn tachometer(&self, profile: &Profile) -> Result<Option<TachometerCalibration>, pulse::CalibrationError> {
        let Some(pulses) = self.rpm else { return Ok(None) };
        let max = profile.max.as_quarter_rpm();
        let fastest = Rpm::from_quarter_rpm(max.saturating_add(max >> 1_u32).min(FASTEST_QUARTERS));
        TachometerCalibration::new(pulses, SLOWEST, fastest).map(Some)
    }

    /// The flow meter, from its own minimum to 60 L/min, or to 20 times its minimum where that is more.
    ///
    /// # Errors
    /// Numbers that do not fit each other or the meter's minimum, see [`FlowCalibration::new`].
    pub fn flow_meter(&self, profile: &Profile) -> Result<Option<FlowCalibration>, pulse::CalibrationError> {
        let Some(FlowPulses { per_litre_milli, offset_millihertz }) = self.flow else { return Ok(None) };
        let slowest = profile.flow_min_or_default();
        let fastest = GREATEST_FLOW.max(Flow::from_raw(slowest.raw().saturating_mul(FLOW_RANGE)));
        FlowCalibration::new(per_litre_milli, offset_millihertz, slowest, fastest).map(Some)
    }

    /// The supply input of a board with this converter, whose full scale is `reference_millivolts` at the pin.
    ///
    /// # Errors
    /// A reference or a range that does not fit, see [`SupplyCalibration::new`].
    pub fn supply_input(
        &self,
        scale: AdcScale,
        reference_millivolts: u32,
    ) -> Result<Option<SupplyCalibration>, CalibrationError> {
        let Some(ratio) = self.supply else { return Ok(None) };
        SupplyCalibration::new(scale, reference_millivolts, ratio.as_millionths()).map(Some)
    }

    /// The head sensor on a converter of this scale; `None` also for a sensor that is no resistor.
    ///
    /// `board_pull_up` stands for the resistor where the profile does not name one.
    ///
    /// # Errors
    /// See [`HeadCalibration::resistive`].
    pub fn head_input(
        &self,
        scale: AdcScale,
        board_pull_up: Resistance,
    ) -> Result<Option<HeadInput>, CalibrationError> {
        self.head.map_or(Ok(None), |head| head.resistive(scale, board_pull_up))
    }
}

impl HeadCalibration {
    /// The sensor on a converter of this scale; `None` for a thermocouple or a digital sensor, which are no resistors.
    ///
    /// # Errors
    /// A curve that is no thermistor's; a resistor of 0 Ω, or one with which the converter cannot see every temperature
    /// between −10 and 120 °C.
    pub fn resistive(&self, scale: AdcScale, board_pull_up: Resistance) -> Result<Option<HeadInput>, CalibrationError> {
        let divider = Divider::new(scale, Pull::Up, self.pull_up.unwrap_or(board_pull_up))?;
        let span = TemperatureSpan::DEFAULT;
        let by_curve = |curve| NtcCalibration::new(divider, curve, span).map(HeadInput::Curve);
        let platinum =
            |at_zero| RtdCalibration::new(divider, at_zero, Resistance::default(), span).map(HeadInput::Platinum);
        match self.sensor {
            HeadSensor::SteinhartHart(curve) => by_curve(curve),
            HeadSensor::Beta { at_25_celsius, beta_centikelvin } => {
                by_curve(SteinhartHart::from_beta(at_25_celsius, beta_centikelvin)?)
            }
            HeadSensor::Table(table) => {
                NtcCalibration::new(divider, NtcTable::from_slice(table.rows())?, span).map(HeadInput::Table)
            }
            HeadSensor::Pt100 => platinum(Resistance::from_ohms(100)),
            HeadSensor::Pt1000 => platinum(Resistance::from_ohms(1_000)),
            HeadSensor::ThermocoupleK | HeadSensor::OneWire => return Ok(None),
        }
        .map(Some)
    }
}

/// A resistive head sensor, ready to turn counts into readings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[expect(clippy::large_enum_variant, reason = "a table has no other place to be where nothing is allocated")]
pub enum HeadInput {
    /// A thermistor by coefficients.
    Curve(NtcCalibration<SteinhartHart>),
    /// A thermistor by a table.
    Table(NtcCalibration<NtcTable<THERMISTOR_ROWS>>),
    /// A platinum resistor.
    Platinum(RtdCalibration),
}

impl HeadInput {
    /// The reading for one answer of the converter.
    #[must_use]
    pub fn reading(&self, counts: AdcCounts) -> Reading<Temperature> {
        match self {
            Self::Curve(calibration) => calibration.reading(counts),
            Self::Table(calibration) => calibration.reading(counts),
            Self::Platinum(calibration) => calibration.reading(counts),
        }
    }
}

#[cfg(test)]
mod tests;
