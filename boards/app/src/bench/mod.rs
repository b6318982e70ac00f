//! An engine on a test bench: a story in pin edges and converter counts, read by the drivers of a board.
//!
//! ```text
//! story ─ engine ─┬─ edges ── Tachometer, FlowMeter ──────────┐
//!                 └─ pins ─── thermistor, supply, oil sender ─┴─ Readings ─ Monitor ─ events
//! ```
//!
//! Host and emulated boards run this one function; events, and every reading on the way, must be the same. Integers
//! only, no files: the signals are made where they are used. The drivers are those of the core, fed as interrupts and a
//! main loop of 10 Hz would.

mod dice;
mod drivers;
mod edges;
mod engine;
mod hash;
mod pins;
mod story;
mod survey;
#[cfg(test)]
mod tests;

use core::fmt;
use core::hint::black_box;

use monitor_core::Monitor;
use monitor_core::acquire::{Channel, ChannelSet, Readings};
use monitor_core::advise::write_event_json;
use monitor_core::profile::{Electric, Profile, ProfileError};
use monitor_core::time::Instant;
use monitor_core::units::{Pressure, Rpm, Temperature, Voltage};

use crate::output::{Output, Sink};

use dice::Dice;
use drivers::Drivers;
use edges::{FlowLead, TachometerLead};
use engine::Engine;
use hash::Hash;
use story::Phase;

pub use drivers::CalibrationError;
pub use pins::{Pin, Pins};

/// Time between two looks at the inputs.
const POLL_US: u32 = 100_000;
const POLLS_PER_SECOND: u32 = 1_000_000 / POLL_US;
/// The channels that the bench has drivers for.
const CHANNELS: [Channel; 5] = [Channel::Rpm, Channel::Head, Channel::Flow, Channel::Supply, Channel::Oil];

/// What is counted apart on an emulated board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// The tachometer takes a level change.
    TachometerEdge,
    /// The tachometer is read.
    TachometerRead,
    /// The flow meter takes a level change.
    FlowEdge,
    /// The flow meter is read.
    FlowRead,
    /// The head's thermistor is polled: conversion, gate against impossible changes, filter.
    ThermistorPoll,
    /// The supply is polled.
    SupplyPoll,
    /// The oil sender is polled.
    OilPoll,
    /// A count becomes a temperature by a thermistor's table.
    ThermistorTable,
    /// A count becomes a temperature by a platinum resistor.
    PlatinumReading,
    /// A count becomes a temperature by a thermocouple.
    ThermocoupleReading,
    /// A one-wire scratchpad becomes a temperature.
    OneWireDecode,
    /// `Monitor::step`.
    Step,
    /// `Monitor::signals`.
    Signals,
}

/// Told what happens on the bench.
pub trait Witness {
    /// This part comes next.
    fn begins(&mut self, _part: Part) {}
    /// This part is over.
    fn ended(&mut self, _part: Part) {}
    /// The drivers were polled.
    fn polled(&mut self, _now: Instant, _readings: &Readings) {}
}

/// Watches nothing.
#[derive(Debug, Clone, Copy, Default)]
pub struct NoWitness;

impl Witness for NoWitness {}

/// Does `work` between two calls of the witness.
#[inline(always)]
fn measured<T>(witness: &mut impl Witness, part: Part, work: impl FnOnce() -> T) -> T {
    witness.begins(part);
    // Or the compiler might do part of the work later.
    let result = black_box(work());
    witness.ended(part);
    result
}

/// What the bench needs while it runs. A board keeps it apart from the stack.
#[derive(Debug)]
pub struct BenchRoom<'p> {
    drivers: Option<Drivers<'p>>,
    source: Source,
    events: [u8; 512],
}

impl BenchRoom<'_> {
    /// Room in which nothing has happened yet.
    #[must_use]
    pub const fn new() -> Self {
        Self { drivers: None, source: Source::new(), events: [0; 512] }
    }

    /// The room for events, for other text once the story is told.
    pub const fn block(&mut self) -> &mut [u8] {
        &mut self.events
    }
}

impl Default for BenchRoom<'_> {
    fn default() -> Self {
        Self::new()
    }
}

/// The engine and its leads.
#[derive(Debug)]
struct Source {
    engine: Engine,
    tachometer: TachometerLead,
    flow: FlowLead,
    dice: Dice,
}

impl Source {
    const fn new() -> Self {
        Self {
            engine: Engine::new(),
            tachometer: TachometerLead::new(),
            flow: FlowLead::new(),
            dice: Dice::new(0x0000_a11e),
        }
    }

    /// The next tenth of a second, from `from_us` on: edges as they come, counts at its end. Returns how many edges
    /// came on the tachometer's and on the flow meter's lead.
    #[inline(never)]
    fn pass(
        &mut self,
        phase: &Phase,
        from_us: u32,
        pins: &Pins,
        drivers: &mut Drivers<'_>,
        witness: &mut impl Witness,
    ) -> [u32; 2] {
        self.engine.pass(phase);
        self.tachometer.set(from_us, self.engine.rpm, phase.ignition);
        self.flow.set(from_us, phase.water, self.engine.flow_millilitres_per_minute);
        pins.set(&self.engine, phase.lead, &mut self.dice);
        let [mut tachometer_edges, mut flow_edges] = [0; 2];
        let until_us = from_us + POLL_US;
        loop {
            let tachometer = self.tachometer.peek().filter(|edge| edge.at_us < until_us);
            let flow = self.flow.peek().filter(|edge| edge.at_us < until_us);
            match (tachometer, flow) {
                (Some(edge), other) if other.is_none_or(|other| edge.at_us <= other.at_us) => {
                    self.tachometer.advance();
                    tachometer_edges += 1;
                    drivers.tachometer_edge(edge, witness);
                }
                (_, Some(edge)) => {
                    self.flow.advance();
                    flow_edges += 1;
                    drivers.flow_edge(edge, witness);
                }
                _ => return [tachometer_edges, flow_edges],
            }
        }
    }
}

/// What the story amounted to. Host and board must agree on it as they must on the events.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct BenchReport {
    /// Looks at the inputs.
    pub polls: u32,
    /// Decision ticks closed.
    pub ticks: u32,
    /// Events written.
    pub events: u32,
    /// Level changes that the tachometer took.
    pub tachometer_edges: u32,
    /// Level changes that the flow meter took.
    pub flow_edges: u32,
    /// Levels on the tachometer's lead that did not stand long enough to count.
    pub tachometer_glitches: u32,
    /// Pulses of the flow meter since the engine stopped.
    pub flow_pulses_since_stopped: u32,
    /// Polls after which the lamp was lit.
    pub lamp_polls: u32,
    /// Polls after which the sounder sounded.
    pub sound_polls: u32,
    /// Stands for every reading of the story with its quality and age.
    pub readings_hash: u32,
    /// Stands for what the conversions made that the story does not use.
    pub survey_hash: u32,
    /// Running time in whole seconds.
    pub running_s: u32,
    /// Entries into running.
    pub starts: u32,
}

impl BenchReport {
    /// The numbers with their names, in a fixed order.
    #[must_use]
    pub fn lines(&self) -> [(&'static str, u32); 13] {
        [
            ("polls", self.polls),
            ("ticks", self.ticks),
            ("events", self.events),
            ("tachometer_edges", self.tachometer_edges),
            ("flow_edges", self.flow_edges),
            ("tachometer_glitches", self.tachometer_glitches),
            ("flow_pulses_since_stopped", self.flow_pulses_since_stopped),
            ("lamp_polls", self.lamp_polls),
            ("sound_polls", self.sound_polls),
            ("readings_hash", self.readings_hash),
            ("survey_hash", self.survey_hash),
            ("running_s", self.running_s),
            ("starts", self.starts),
        ]
    }
}

/// Why the story could not be told to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum BenchError<K> {
    /// The events cannot be written.
    Sink(K),
    /// An event cannot be put into words.
    Event,
    /// The bench's own profile contradicts itself.
    Profile(ProfileError),
    /// A driver refuses the bench's own calibration.
    Calibration(CalibrationError),
}

impl<K: fmt::Display> fmt::Display for BenchError<K> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Sink(error) => write!(f, "the events cannot be written: {error}"),
            Self::Event => f.write_str("an event cannot be put into words"),
            Self::Profile(error) => write!(f, "the bench's profile is unusable: {error}"),
            Self::Calibration(CalibrationError::Pulse(error)) => write!(f, "a pulse input is refused: {error}"),
            Self::Calibration(CalibrationError::Adc(error)) => write!(f, "an analogue input is refused: {error}"),
        }
    }
}

impl<K: fmt::Debug + fmt::Display> core::error::Error for BenchError<K> {}

/// The engine of the story.
#[must_use]
pub fn profile() -> Profile {
    Profile {
        rated: Some(Rpm::from_whole_rpm(5_500)),
        thermostat_opens: Some(Temperature::from_millicelsius(62_000)),
        head_limit: Some(Temperature::from_millicelsius(95_000)),
        oil_min: Some(Pressure::from_pascals(100_000)),
        electric: Some(Electric { charging_min: Voltage::from_millivolts(13_000) }),
        fitted: CHANNELS.into_iter().fold(ChannelSet::EMPTY, ChannelSet::with),
        ..Profile::new(4, Rpm::from_whole_rpm(800), Rpm::from_whole_rpm(6_000))
    }
}

/// Tells the story to the drivers on `pins` and their readings to `monitor`, and writes the events to `sink` as JSON
/// Lines; then lets the drivers that the story does not use convert a set of inputs.
///
/// # Errors
/// The sink fails, or the bench's own profile or calibrations are refused. Events up to there are written.
pub fn run_bench<'p, K: Sink, W: Witness>(
    monitor: &mut Monitor,
    room: &mut BenchRoom<'p>,
    pins: &'p Pins,
    sink: K,
    witness: &mut W,
) -> Result<BenchReport, BenchError<K::Error>> {
    let BenchRoom { drivers, source, events } = room;
    set_up(drivers, source, pins).map_err(BenchError::Calibration)?;
    let Some(drivers) = drivers else { return Ok(BenchReport::default()) };
    power_up(monitor).map_err(BenchError::Profile)?;
    let mut output = Output::new(sink, events);
    let mut report = BenchReport::default();
    let result = tell(monitor, source, pins, drivers, &mut output, witness, &mut report);
    output.flush().map_err(BenchError::Sink)?;
    result.map_err(|fmt::Error| BenchError::Event)?;
    report.survey_hash = survey::survey(witness).map_err(|error| BenchError::Calibration(error.into()))?;
    (report.tachometer_glitches, report.flow_pulses_since_stopped) = drivers.pulse_counts();
    report.running_s = u32::try_from(monitor.hours().running_s()).unwrap_or(u32::MAX);
    report.starts = monitor.hours().starts();
    Ok(report)
}

#[inline(never)]
fn set_up<'p>(drivers: &mut Option<Drivers<'p>>, source: &mut Source, pins: &'p Pins) -> Result<(), CalibrationError> {
    *source = Source::new();
    *drivers = Some(Drivers::new(pins)?);
    Ok(())
}

/// Apart from the loop, as [`set_up`] is.
#[inline(never)]
fn power_up(monitor: &mut Monitor) -> Result<(), ProfileError> {
    monitor.begin(&profile())?;
    monitor.begin_trip(Instant::from_millis(0), 0);
    Ok(())
}

/// Apart from the loop, whose frame would lie under `step` with all that the end of a trip needs.
#[inline(never)]
fn power_down(monitor: &mut Monitor) -> bool {
    monitor.end_trip().is_some()
}

/// The monitor runs from here: what else needs room has functions of its own, whose frames are gone by then.
#[inline(never)]
fn tell<K: Sink, W: Witness>(
    monitor: &mut Monitor,
    source: &mut Source,
    pins: &Pins,
    drivers: &mut Drivers<'_>,
    output: &mut Output<'_, K>,
    witness: &mut W,
    report: &mut BenchReport,
) -> fmt::Result {
    let mut hash = Hash::new();
    let mut from_us = 0;
    let mut second = 0;
    while let Some(phase) = story::at(second) {
        for _ in 0..POLLS_PER_SECOND {
            let [tachometer_edges, flow_edges] = source.pass(phase, from_us, pins, drivers, witness);
            report.tachometer_edges += tachometer_edges;
            report.flow_edges += flow_edges;
            from_us += POLL_US;
            let (now, readings) = drivers.poll(from_us, witness);
            witness.polled(now, &readings);
            note(&mut hash, &readings);
            let tick = measured(witness, Part::Step, || monitor.step(now, &readings));
            let signals = measured(witness, Part::Signals, || monitor.signals(now));
            report.polls += 1;
            report.ticks += u32::from(tick.is_some());
            report.lamp_polls += u32::from(signals.lamp);
            report.sound_polls += u32::from(signals.sound);
            report.events += write_events(monitor, output)?;
        }
        second += 1;
    }
    report.ticks += u32::from(power_down(monitor));
    report.events += write_events(monitor, output)?;
    report.readings_hash = hash.value();
    Ok(())
}

fn write_events<K: Sink>(monitor: &mut Monitor, output: &mut Output<'_, K>) -> Result<u32, fmt::Error> {
    let mut written = 0;
    while let Some(event) = monitor.next_event() {
        write_event_json(&event, output)?;
        written += 1;
    }
    Ok(written)
}

fn note(hash: &mut Hash, readings: &Readings) {
    for channel in CHANNELS {
        let reading = readings.raw(channel);
        hash.add(reading.raw.cast_unsigned());
        hash.add(u32::from(reading.quality as u8) << 16 | u32::from(reading.age_ms));
    }
}
