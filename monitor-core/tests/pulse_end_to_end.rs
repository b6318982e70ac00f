//! From the levels of two pins to events: tachometer and flow meter, polled, through the drivers and the monitor.

use std::cell::Cell;
use std::convert::Infallible;
use std::rc::Rc;

use embedded_hal::digital::{ErrorType, InputPin};
use monitor_core::Monitor;
use monitor_core::acquire::pulse::{
    ActiveLevel, FlowCalibration, FlowMeter, Micros, PolledInput, PulsesPerRevolution, Tachometer,
    TachometerCalibration,
};
use monitor_core::acquire::{Channel, ChannelSet, Readings};
use monitor_core::advise::write_event_json;
use monitor_core::profile::Profile;
use monitor_core::time::Instant;
use monitor_core::units::{Flow, Rpm};

const POLL_US: u32 = 50;
const READ_US: u32 = 100_000;
const PULSES_PER_TURN: f64 = 6.0;
const PULSES_PER_LITRE: f64 = 450.0;

/// A pin whose level the test sets.
#[derive(Clone, Default)]
struct MockPin(Rc<Cell<bool>>);

impl ErrorType for MockPin {
    type Error = Infallible;
}

impl InputPin for MockPin {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(self.0.get())
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(!self.0.get())
    }
}

/// What disturbs the wiring.
#[derive(Clone, Copy)]
struct Disturbance {
    name: &'static str,
    /// Greatest shift of an edge, as a part of the period.
    jitter: f64,
    /// Spikes of one polling interval, in 100,000 polls.
    spikes: u32,
}

/// A pulse generator wired to a pin.
struct Source {
    pin: MockPin,
    /// Level of the pin while a pulse is on.
    active: bool,
    phase: f64,
    random: u32,
    shift: f64,
}

impl Source {
    fn new(active: bool, seed: u32) -> Self {
        let pin = MockPin::default();
        pin.0.set(!active);
        Self { pin, active, phase: 0.0, random: seed, shift: 0.0 }
    }

    fn dice(&mut self) -> u32 {
        self.random = self.random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        self.random >> 8
    }

    fn advance(&mut self, hertz: f64, disturbance: Disturbance) {
        let before = self.phase.floor();
        self.phase += hertz * f64::from(POLL_US) / 1e6;
        if self.phase.floor() > before {
            self.shift = disturbance.jitter * f64::from(self.dice()) / f64::from(1_u32 << 24);
        }
        let part = self.phase.fract();
        let on = part >= self.shift && part < 0.4 + self.shift;
        let spike = self.dice() % 100_000 < disturbance.spikes;
        self.pin.0.set((on != spike) == self.active);
    }
}

/// Engine speed and flow in L/min at a time in seconds.
type Engine = fn(f64) -> (f64, f64);

/// Polls both pins from `start` on the board's counter and returns what the monitor said, and the monitor.
fn run(engine: Engine, seconds: u32, start: u32, disturbance: Disturbance) -> (Vec<(f64, String)>, Box<Monitor>) {
    let mut monitor = monitor();
    let (mut tachometer, mut meter) = drivers();
    let (mut turns, mut water) = (Source::new(true, 1), Source::new(false, 2));
    let mut turns_input = PolledInput::new(turns.pin.clone(), ActiveLevel::High);
    let mut water_input = PolledInput::new(water.pin.clone(), ActiveLevel::Low);
    let start = Micros::from_counter(start);
    let mut log = Vec::new();
    for poll in 0..seconds * (1_000_000 / POLL_US) {
        let at_us = poll * POLL_US;
        let now = start.wrapping_add_micros(at_us);
        let (rpm, litres_per_minute) = engine(f64::from(at_us) / 1e6);
        turns.advance(rpm / 60.0 * PULSES_PER_TURN, disturbance);
        water.advance(litres_per_minute / 60.0 * PULSES_PER_LITRE, disturbance);
        let Ok(()) = turns_input.poll(now, &mut tachometer);
        let Ok(()) = water_input.poll(now, &mut meter);
        if at_us.is_multiple_of(READ_US) {
            let readings = Readings { rpm: tachometer.read(now), flow: meter.read(now), ..Readings::default() };
            monitor.step(Instant::from_millis(i64::from(at_us / 1_000)), &readings);
            drain(&mut monitor, &mut log);
        }
    }
    monitor.end_trip();
    drain(&mut monitor, &mut log);
    (log, monitor)
}

fn monitor() -> Box<Monitor> {
    let mut profile = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
    profile.fitted = ChannelSet::EMPTY.with(Channel::Rpm).with(Channel::Flow);
    profile.flow_min = Some(Flow::from_millilitres_per_minute(300));
    let mut monitor = Box::new(Monitor::new());
    monitor.begin(&profile).expect("a sound profile");
    monitor.begin_trip(Instant::from_millis(0), 0);
    monitor
}

fn drivers() -> (Tachometer, FlowMeter) {
    let pulses = PulsesPerRevolution::new(6, 1).expect("sound");
    let speeds = TachometerCalibration::new(pulses, Rpm::from_whole_rpm(50), Rpm::from_whole_rpm(9_000));
    let flow = Flow::from_millilitres_per_minute;
    let flows = FlowCalibration::new(450_000, 0, flow(300), flow(30_000));
    (Tachometer::new(speeds.expect("sound")), FlowMeter::new(flows.expect("sound")))
}

fn drain(monitor: &mut Monitor, log: &mut Vec<(f64, String)>) {
    while let Some(event) = monitor.next_event() {
        let mut line = String::new();
        write_event_json(&event, &mut line).expect("a string takes everything");
        let finding = event.finding.name();
        assert!(line.contains(&format!("\"finding\":\"{finding}\"")), "{line}");
        let what = format!("{finding} {} {}", event.state.name(), event.level.name());
        log.push((event.stamp.as_millis() as f64 / 1_000.0, what));
    }
}

/// A run on the water: the stream is lost at 75 s and comes back at 95 s; at 110 s the throttle goes too far.
fn outing(t: f64) -> (f64, f64) {
    match t {
        ..5.0 => (0.0, 0.0),
        5.0..45.0 => (800.0, 1.0),
        45.0..75.0 => (3_000.0, 3.0),
        75.0..95.0 => (3_000.0, 0.0),
        95.0..110.0 => (3_000.0, 3.0),
        110.0..112.0 => (3_000.0 + 1_700.0 * (t - 110.0), 3.0),
        112.0..120.0 => (6_400.0, 5.0),
        120.0..140.0 => (3_000.0, 3.0),
        _ => (0.0, 0.0),
    }
}

#[test]
fn a_lost_stream_and_an_over_speed_are_found_whatever_disturbs_the_wiring() {
    let expected = [
        (79.0, "stream-lost raised alarm"),
        (106.0, "stream-lost cleared alarm"),
        (115.0, "over-speed raised warning"),
        (131.0, "over-speed cleared warning"),
    ];
    let cases = [
        Disturbance { name: "clean", jitter: 0.0, spikes: 0 },
        Disturbance { name: "edges that wander", jitter: 0.12, spikes: 0 },
        Disturbance { name: "spikes", jitter: 0.0, spikes: 500 },
        Disturbance { name: "both", jitter: 0.12, spikes: 500 },
    ];
    for (index, disturbance) in cases.into_iter().enumerate() {
        // The counter wraps at another moment in each case.
        let start = 0_u32.wrapping_sub(30_000_000 * index as u32);
        let (log, monitor) = run(outing, 150, start, disturbance);
        let name = disturbance.name;
        assert_eq!(log.len(), expected.len(), "{name}: {log:?}");
        for ((at_s, what), (expected_s, expected)) in log.iter().zip(expected) {
            assert_eq!(what, expected, "{name}");
            assert!((at_s - expected_s).abs() <= 1.5, "{name}: {what} at {at_s} s");
        }
        let running_s = monitor.hours().running_s();
        assert!((133..=136).contains(&running_s), "{name}: {running_s} s");
        assert_eq!(monitor.hours().starts(), 1, "{name}");
    }
}

#[test]
fn d17_hours_count_on_proof_of_running_only() {
    let clean = Disturbance { name: "clean", jitter: 0.0, spikes: 0 };
    // A start is tried and fails; later somebody pulls the cord by hand and the engine runs for 30 s.
    let by_hand: Engine = |t| match t {
        10.0..14.0 => (280.0, 0.0),
        40.0..70.0 => (900.0, 1.0),
        _ => (0.0, 0.0),
    };
    let (_, monitor) = run(by_hand, 90, 0, clean);
    assert!((29..=31).contains(&monitor.hours().running_s()), "{} s", monitor.hours().running_s());
    assert_eq!(monitor.hours().starts(), 1);

    // Key on, nothing turns, ignition noise on an input without an engine behind it.
    let noise = Disturbance { name: "noise", jitter: 0.0, spikes: 3_000 };
    let (_, monitor) = run(|_| (0.0, 0.0), 60, 0, noise);
    assert_eq!((monitor.hours().running_s(), monitor.hours().starts()), (0, 0));
}

/// Pulses as chance sends them, for an hour: the worst an open input beside an ignition lead can pick up.
#[test]
fn d17_an_hour_of_chance_on_an_open_input_is_not_a_run() {
    let (mut monitor, mut random) = (monitor(), 17_u32);
    let (mut tachometer, _) = drivers();
    let mut next_us = 0_u32;
    for tenth in 0..36_000_u32 {
        let now_us = tenth * READ_US;
        while next_us <= now_us {
            tachometer.pulse(Micros::from_counter(next_us));
            random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            // Around 100 pulses a second, which would be 1,000 rpm if they were regular.
            next_us += 500 + (random >> 8) % 19_500;
        }
        let readings = Readings { rpm: tachometer.read(Micros::from_counter(now_us)), ..Readings::default() };
        monitor.step(Instant::from_millis(i64::from(tenth) * 100), &readings);
    }
    monitor.end_trip();
    assert_eq!((monitor.hours().running_s(), monitor.hours().starts()), (0, 0));
}

#[test]
fn readings_keep_their_age_and_an_old_one_is_not_live() {
    let (mut tachometer, _) = drivers();
    let mut now = Micros::from_counter(0);
    for _ in 0..30 {
        now = now.wrapping_add_micros(10_000);
        tachometer.pulse(now);
    }
    let held = tachometer.read(now.wrapping_add_micros(300_000));
    assert_eq!(held.age_ms, 300);
    let stopped = tachometer.read(now.wrapping_add_micros(500_001));
    assert_eq!((stopped.value, stopped.age_ms), (Rpm::from_whole_rpm(0), 0), "a standstill is known now");
}
