//! The drivers as a board would hold them, with what an installer would have calibrated.

use core::hint::black_box;

use monitor_core::acquire::adc::{
    AdcScale, CalibrationError as AdcError, Divider, Pull, RateGate, RateLimits, Resistance, SlowFilter, StaleAfter,
};
use monitor_core::acquire::pressure::{PressureCalibration, PressureSender, SenderSpan};
use monitor_core::acquire::pulse::{
    CalibrationError as PulseError, FlowCalibration, FlowMeter, LevelSink, Micros, MicrosClock, PulsesPerRevolution,
    Tachometer, TachometerCalibration,
};
use monitor_core::acquire::supply::{Supply, SupplyCalibration};
use monitor_core::acquire::temperature::TemperatureSpan;
use monitor_core::acquire::temperature::ntc::{Ntc, NtcCalibration, SteinhartHart};
use monitor_core::acquire::{Quality, Readings, SlowChannel};
use monitor_core::time::Instant;
use monitor_core::units::{Flow, Pressure, Quantity, Rpm, Temperature, Voltage};

use super::edges::{Edge, PULSES_PER_LITRE, PULSES_PER_REVOLUTION};
use super::pins::{FULL_SCALE, Pin, Pins};
use super::{Part, Witness, measured};

/// The counter at power-up: it wraps after five minutes, in the middle of the story.
const COUNTER_AT_POWER_UP: Micros = Micros::from_counter(0_u32.wrapping_sub(300_000_000));

/// Why the drivers cannot be set up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CalibrationError {
    /// A pulse input.
    Pulse(PulseError),
    /// An analogue input.
    Adc(AdcError),
}

impl From<PulseError> for CalibrationError {
    fn from(error: PulseError) -> Self {
        Self::Pulse(error)
    }
}

impl From<AdcError> for CalibrationError {
    fn from(error: AdcError) -> Self {
        Self::Adc(error)
    }
}

/// Five channels of one engine.
#[derive(Debug)]
pub(super) struct Drivers<'p> {
    clock: MicrosClock,
    tachometer: Tachometer,
    flow_meter: FlowMeter,
    head: SlowChannel<Ntc<&'p Pin, SteinhartHart>, Temperature>,
    supply: SlowChannel<Supply<&'p Pin>, Voltage>,
    oil: SlowChannel<PressureSender<&'p Pin, &'p Pin>, Pressure>,
}

impl<'p> Drivers<'p> {
    pub(super) fn new(pins: &'p Pins) -> Result<Self, CalibrationError> {
        let scale = AdcScale::new(FULL_SCALE, 20, 20)?;
        let filter = SlowFilter::new(2)?;
        let oil = PressureCalibration::new(
            scale,
            SenderSpan::HALF_TO_FOUR_AND_A_HALF_VOLTS,
            Pressure::from_pascals(0),
            Pressure::from_pascals(1_000_000),
            1_000_000,
        )?;
        let supply = SupplyCalibration::new(scale, 3_300, 5_700_000)?;
        Ok(Self {
            clock: MicrosClock::starting_at(COUNTER_AT_POWER_UP),
            tachometer: TACHOMETER?,
            flow_meter: FLOW_METER?,
            head: SlowChannel::new(Ntc::new(&pins.head, thermistor(scale)?), filter, StaleAfter::DEFAULT)
                .with_gate(RateGate::new(RateLimits::thermistor())?),
            supply: SlowChannel::new(Supply::new(&pins.supply, supply), filter, StaleAfter::DEFAULT),
            oil: SlowChannel::new(PressureSender::new(&pins.oil, &pins.oil_supply, oil), filter, StaleAfter::DEFAULT),
        })
    }

    pub(super) fn tachometer_edge(&mut self, edge: Edge, witness: &mut impl Witness) {
        let (high, at) = (black_box(edge.high), counter(edge.at_us));
        measured(witness, Part::TachometerEdge, || self.tachometer.level(high, at));
    }

    pub(super) fn flow_edge(&mut self, edge: Edge, witness: &mut impl Witness) {
        let (high, at) = (black_box(edge.high), counter(edge.at_us));
        measured(witness, Part::FlowEdge, || self.flow_meter.level(high, at));
    }

    /// Asks every driver and returns what they say, with the time on the monitor's clock.
    #[inline(never)]
    pub(super) fn poll(&mut self, now_us: u32, witness: &mut impl Witness) -> (Instant, Readings) {
        let counter = counter(now_us);
        let now = self.clock.extend(counter);
        let rpm = measured(witness, Part::TachometerRead, || self.tachometer.read(counter));
        self.flow_meter.set_engine_stopped(rpm.quality == Quality::Good && rpm.value.raw() == 0);
        let readings = Readings {
            rpm,
            flow: measured(witness, Part::FlowRead, || self.flow_meter.read(counter)),
            head: measured(witness, Part::ThermistorPoll, || self.head.poll(now)),
            supply: measured(witness, Part::SupplyPoll, || self.supply.poll(now)),
            oil: measured(witness, Part::OilPoll, || self.oil.poll(now)),
            ..Readings::default()
        };
        (now, readings)
    }

    /// What the pulse inputs have been through: glitches of the tachometer's lead, pulses of the flow meter since the
    /// engine stopped.
    pub(super) fn pulse_counts(&self) -> (u32, u32) {
        (self.tachometer.statistics().glitches, self.flow_meter.pulses_since_stopped())
    }
}

/// The board's counter so long after power-up.
const fn counter(since_power_up_us: u32) -> Micros {
    COUNTER_AT_POWER_UP.wrapping_add_micros(since_power_up_us)
}

/// A tachometer that sees everything from 60 to 9,000 rpm.
const TACHOMETER: Result<Tachometer, PulseError> = match PulsesPerRevolution::new(PULSES_PER_REVOLUTION, 1) {
    Ok(pulses) => match TachometerCalibration::new(pulses, Rpm::from_whole_rpm(60), Rpm::from_whole_rpm(9_000)) {
        Ok(calibration) => Ok(Tachometer::new(calibration)),
        Err(error) => Err(error),
    },
    Err(error) => Err(error),
};

/// A flow meter that sees everything from 0.3 to 10 L/min.
const FLOW_METER: Result<FlowMeter, PulseError> = match FlowCalibration::new(
    PULSES_PER_LITRE * 1_000,
    0,
    Flow::from_millilitres_per_minute(300),
    Flow::from_millilitres_per_minute(10_000),
) {
    Ok(calibration) => Ok(FlowMeter::new(calibration)),
    Err(error) => Err(error),
};

/// A common thermistor, 10 kΩ at 25 °C, under 10 kΩ.
pub(super) fn thermistor(scale: AdcScale) -> Result<NtcCalibration<SteinhartHart>, AdcError> {
    let divider = Divider::new(scale, Pull::Up, Resistance::from_ohms(10_000))?;
    let curve = SteinhartHart::new(1_129_240_000, 234_108_000, 87_755)?;
    NtcCalibration::new(divider, curve, TemperatureSpan::DEFAULT)
}
