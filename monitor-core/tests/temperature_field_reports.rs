//! Faults of temperature sensors as they were met in the field, each with the right behaviour.

use std::cell::Cell;
use std::rc::Rc;

use monitor_core::Monitor;
use monitor_core::acquire::adc::{
    AdcCounts, AdcInput, AdcScale, Divider, Pull, RateGate, RateLimits, Resistance, SlowFilter, StaleAfter,
};
use monitor_core::acquire::temperature::TemperatureSpan;
use monitor_core::acquire::temperature::ntc::{Ntc, NtcCalibration, SteinhartHart};
use monitor_core::acquire::temperature::one_wire::{
    OneWireBus, OneWireFault, OneWireThermometer, Presence, SCRATCHPAD_BYTES, crc8_maxim_dow,
};
use monitor_core::acquire::{ChannelSet, Quality, Reading, Readings, SlowChannel};
use monitor_core::event::State;
use monitor_core::finding::Finding;
use monitor_core::profile::Profile;
use monitor_core::time::Instant;
use monitor_core::units::{Flow, Rpm, Temperature};

/// What an unprogrammed sensor of the family holds in its two user bytes.
const FACTORY_USER_BYTES: [u8; 2] = [0x4b, 0x46];

#[derive(Clone, Copy, PartialEq)]
enum Wiring {
    Sound,
    LeadOff,
    GroundOff,
    HeldLow,
    /// The bus reads as low after a presence pulse that was only noise.
    ReadsAsZeros,
}

/// A one-wire sensor and its wiring.
struct Sensor {
    wiring: Cell<Wiring>,
    sixteenths: Cell<i16>,
    user: Cell<[u8; 2]>,
    converted: Cell<bool>,
    loses_power: Cell<bool>,
}

#[derive(Clone)]
struct Bus(Rc<Sensor>);

impl Bus {
    fn new(celsius: f64) -> Self {
        Self(Rc::new(Sensor {
            wiring: Cell::new(Wiring::Sound),
            sixteenths: Cell::new((celsius * 16.0) as i16),
            user: Cell::new(FACTORY_USER_BYTES),
            converted: Cell::new(false),
            loses_power: Cell::new(false),
        }))
    }

    fn presence(&self) -> Presence {
        match self.0.wiring.get() {
            Wiring::Sound | Wiring::GroundOff | Wiring::ReadsAsZeros => Presence::Device,
            Wiring::LeadOff => Presence::Nobody,
            Wiring::HeldLow => Presence::HeldLow,
        }
    }
}

impl OneWireBus for Bus {
    type Error = ();

    fn start_conversion(&mut self, mark: [u8; 2], _: u8) -> nb::Result<Presence, ()> {
        let lost = self.0.loses_power.get();
        self.0.user.set(if lost { FACTORY_USER_BYTES } else { mark });
        self.0.converted.set(!lost);
        Ok(self.presence())
    }

    fn conversion_done(&mut self) -> nb::Result<(), ()> {
        Ok(())
    }

    fn read_scratchpad(&mut self, bytes: &mut [u8; SCRATCHPAD_BYTES]) -> nb::Result<Presence, ()> {
        let raw = if self.0.converted.get() { self.0.sixteenths.get() } else { 0x0550 };
        let ([low, high], [one, two]) = (raw.to_le_bytes(), self.0.user.get());
        *bytes = [low, high, one, two, 0x7f, 0xff, 0x0c, 0x10, 0];
        bytes[8] = crc8_maxim_dow(&bytes[..8]);
        match self.0.wiring.get() {
            Wiring::GroundOff => *bytes = [0xff; SCRATCHPAD_BYTES],
            Wiring::ReadsAsZeros => *bytes = [0; SCRATCHPAD_BYTES],
            _ => {}
        }
        Ok(self.presence())
    }
}

type OneWireChannel = SlowChannel<OneWireThermometer<Bus>, Temperature>;

fn one_wire(bus: &Bus) -> OneWireChannel {
    SlowChannel::new(OneWireThermometer::new(bus.clone()), SlowFilter::new(0).unwrap(), StaleAfter::DEFAULT)
}

/// Polls once a second and returns every reading.
fn poll(channel: &mut OneWireChannel, seconds: std::ops::Range<i64>) -> Vec<Reading<Temperature>> {
    seconds.map(|second| channel.poll(Instant::from_millis(second * 1_000))).collect()
}

fn degrees(celsius: i32) -> Temperature {
    Temperature::from_millicelsius(celsius * 1_000)
}

#[test]
fn d01_the_first_reading_after_power_up_is_never_the_power_on_value() {
    let bus = Bus::new(21.0);
    let readings = poll(&mut one_wire(&bus), 0..10);
    assert_eq!(readings[0].quality, Quality::Missing, "a conversion was only just asked for");
    assert_eq!(readings[1], Reading::good(degrees(21)));
    assert!(readings.iter().all(|reading| reading.value != degrees(85)));
}

#[test]
fn d01_a_sensor_that_keeps_losing_its_power_gives_no_temperature() {
    let bus = Bus::new(21.0);
    bus.0.loses_power.set(true);
    let mut channel = one_wire(&bus);
    for reading in poll(&mut channel, 0..60) {
        assert_eq!(reading.quality, Quality::Missing);
    }
    assert_eq!(channel.sensor().fault(), Some(OneWireFault::PowerLost));
}

#[test]
fn d02_a_genuine_85_degrees_passes() {
    let bus = Bus::new(84.0);
    let mut channel = one_wire(&bus);
    let mut seen = 0;
    for second in 0..60 {
        // A sample every other second: one goes exactly through the value.
        bus.0.sixteenths.set(84 * 16 + second as i16 / 2);
        let reading = channel.poll(Instant::from_millis(second * 1_000));
        seen += i32::from(reading == Reading::good(degrees(85)));
    }
    assert!(seen > 0, "a head that warms up goes through 85 degrees");
    bus.0.sixteenths.set(0x0550);
    let held = poll(&mut channel, 60..120);
    assert_eq!(held.last().map(|reading| (reading.quality, reading.value)), Some((Quality::Good, degrees(85))));
}

#[test]
fn d03_a_ground_wire_off_is_a_fault_and_not_minus_a_sixteenth() {
    let bus = Bus::new(60.0);
    let mut channel = one_wire(&bus);
    poll(&mut channel, 0..10);
    bus.0.wiring.set(Wiring::GroundOff);
    let readings = poll(&mut channel, 10..40);
    assert!(readings.iter().all(|reading| reading.value != Temperature::from_millicelsius(-63)));
    assert!(readings[2..].iter().all(|reading| reading.quality == Quality::Open), "{readings:?}");
    assert_eq!(channel.sensor().fault(), Some(OneWireFault::AllOnes));
}

#[test]
fn d04_an_empty_bus_is_no_data_and_not_zero_degrees() {
    let cases = [
        ("lead off", Wiring::LeadOff, Quality::Open, OneWireFault::NoDevice),
        ("held low", Wiring::HeldLow, Quality::Short, OneWireFault::BusShorted),
        ("zeros with a matching check sum", Wiring::ReadsAsZeros, Quality::Short, OneWireFault::AllZeros),
    ];
    for (name, wiring, quality, fault) in cases {
        let bus = Bus::new(60.0);
        let mut channel = one_wire(&bus);
        bus.0.wiring.set(wiring);
        for reading in &poll(&mut channel, 0..30)[1..] {
            assert_eq!(reading.quality, quality, "{name}");
        }
        assert_eq!(channel.sensor().fault(), Some(fault), "{name}");
    }
}

#[test]
fn d05_no_temperature_of_the_sensor_is_taken_for_a_fault_and_none_means_one() {
    for sixteenths in (-55 * 16)..=(125 * 16) {
        let bus = Bus::new(0.0);
        bus.0.sixteenths.set(sixteenths);
        let readings = poll(&mut one_wire(&bus), 0..2);
        assert_eq!(readings[1].quality, Quality::Good, "{sixteenths}/16");
        let exact = f64::from(sixteenths) * 62.5;
        assert!((f64::from(readings[1].value.as_millicelsius()) - exact).abs() <= 0.5, "{sixteenths}/16");
    }
    for wiring in [Wiring::LeadOff, Wiring::GroundOff, Wiring::HeldLow, Wiring::ReadsAsZeros] {
        let bus = Bus::new(60.0);
        bus.0.wiring.set(wiring);
        for reading in poll(&mut one_wire(&bus), 0..10) {
            assert_ne!(reading.quality, Quality::Good);
            assert_ne!(reading.value, degrees(-127));
        }
    }
}

/// A converter input that answers what the test wants.
#[derive(Clone)]
struct Counts(Rc<Cell<u32>>);

impl AdcInput for Counts {
    type Error = ();

    fn read_counts(&mut self) -> nb::Result<AdcCounts, ()> {
        Ok(AdcCounts::from_counts(self.0.get()))
    }
}

/// A 10 kΩ thermistor (beta 3950) with a pull-up of 10 kΩ on 12 bits, and its converter input.
fn thermistor(dead_high: u32, span: TemperatureSpan) -> (SlowChannel<Ntc<Counts, SteinhartHart>, Temperature>, Counts) {
    let scale = AdcScale::new(4_095, 30, dead_high).unwrap();
    let divider = Divider::new(scale, Pull::Up, Resistance::from_ohms(10_000)).unwrap();
    let curve = SteinhartHart::from_beta(Resistance::from_ohms(10_000), 395_000).unwrap();
    let counts = Counts(Rc::new(Cell::new(2_048)));
    let sensor = Ntc::new(counts.clone(), NtcCalibration::new(divider, curve, span).unwrap());
    let channel = SlowChannel::new(sensor, SlowFilter::new(0).unwrap(), StaleAfter::DEFAULT)
        .with_gate(RateGate::new(RateLimits::thermistor()).unwrap());
    (channel, counts)
}

/// Counts of that thermistor, from the beta model.
const COUNTS_AT_70: u32 = 613;
const COUNTS_AT_4: u32 = 3_010;
const COUNTS_AT_MINUS_18: u32 = 3_694;
const COUNTS_AT_MINUS_20: u32 = 3_740;

#[test]
fn d06_open_thermistor_that_reads_minus_20_is_open() {
    let tight = TemperatureSpan::new(degrees(-15), degrees(200)).unwrap();
    // What the installer did, and whether the engine was warm when the lead came off.
    let cases = [
        ("open count measured and put into the dead zone, cold", 395, TemperatureSpan::DEFAULT, false),
        ("cold limit set above what the open lead reads, cold", 30, tight, false),
        ("nothing set, but it came off a warm engine", 30, TemperatureSpan::DEFAULT, true),
    ];
    for (name, dead_high, span, warm) in cases {
        for open in [COUNTS_AT_MINUS_20, 3_720] {
            let (mut channel, counts) = thermistor(dead_high, span);
            counts.0.set(if warm { COUNTS_AT_70 } else { open });
            let start = channel.poll(Instant::from_millis(0));
            assert_eq!(start.quality, if warm { Quality::Good } else { Quality::Open }, "{name}");
            counts.0.set(open);
            for second in 1..3_600 {
                let reading = channel.poll(Instant::from_millis(second * 1_000));
                assert_eq!(reading.quality, Quality::Open, "{name}, second {second}");
            }
        }
    }
}

#[test]
fn d06_an_open_thermistor_that_floats_with_noise_stays_open() {
    let (mut channel, counts) = thermistor(30, TemperatureSpan::DEFAULT);
    counts.0.set(COUNTS_AT_70);
    channel.poll(Instant::from_millis(0));
    for second in 1..3_600_u32 {
        counts.0.set(COUNTS_AT_MINUS_18 + second * 7_919 % 90);
        let reading = channel.poll(Instant::from_millis(i64::from(second) * 1_000));
        assert_eq!(reading.quality, Quality::Open, "second {second}");
    }
    counts.0.set(COUNTS_AT_70);
    channel.poll(Instant::from_millis(3_600_000));
    let mended = channel.poll(Instant::from_millis(3_601_000));
    assert_eq!(mended.quality, Quality::Good, "plugged in again");
    assert!(mended.value.as_millicelsius().abs_diff(70_000) < 200);
}

#[test]
fn d07_a_sensor_lost_while_running_is_told_and_the_other_alarms_go_on() {
    let (mut head, counts) = thermistor(30, TemperatureSpan::DEFAULT);
    let mut profile = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
    profile.fitted = ChannelSet::ALL;
    let mut monitor = Monitor::new();
    monitor.begin(&profile).unwrap();
    monitor.begin_trip(Instant::from_millis(0), 0);
    let mut raised = Vec::new();
    for second in 0..180 {
        let now = Instant::from_millis(second * 1_000);
        counts.0.set(if second < 60 { COUNTS_AT_70 } else { COUNTS_AT_MINUS_18 });
        let head = head.poll(now);
        assert!(head.quality != Quality::Good || head.value > degrees(60), "never shown as cold: {head:?}");
        let rpm = if second < 150 { 3_000 } else { 6_400 };
        let readings = Readings {
            rpm: Reading::good(Rpm::from_whole_rpm(rpm)),
            flow: Reading::good(Flow::from_millilitres_per_minute(if second < 120 { 2_400 } else { 0 })),
            head,
            ..Readings::default()
        };
        monitor.step(now, &readings);
        while let Some(event) = monitor.next_event() {
            if event.state == State::Raised {
                raised.push((event.finding, event.channel));
            }
        }
    }
    let has = |finding| raised.iter().any(|(name, _)| *name == finding);
    let lost_head = raised.iter().any(|(finding, channel)| {
        *finding == Finding::SensorOpen && *channel == Some(monitor_core::acquire::Channel::Head)
    });
    assert!(lost_head, "{raised:?}");
    assert!(has(Finding::StreamLost), "{raised:?}");
    assert!(has(Finding::OverSpeed), "{raised:?}");
}

#[test]
fn d08_a_cold_start_at_3_to_4_degrees_is_no_missing_sensor() {
    let (mut channel, counts) = thermistor(30, TemperatureSpan::DEFAULT);
    counts.0.set(COUNTS_AT_4);
    for second in 0..60 {
        let reading = channel.poll(Instant::from_millis(second * 1_000));
        assert_eq!(reading.quality, Quality::Good);
        assert!((3_000..=4_500).contains(&reading.value.as_millicelsius()), "{reading:?}");
    }
    assert!(TemperatureSpan::new(degrees(5), degrees(200)).is_err(), "a limit of 5 degrees cannot be set");
}

#[test]
fn d20_one_bad_reading_does_not_move_the_filter() {
    // Wild high, wild cold, open, short: one of each kind in a calm series, at each place after the first.
    for wild in [150, COUNTS_AT_MINUS_20, 4_095, 0] {
        for place in 1..10 {
            let (mut channel, counts) = thermistor(30, TemperatureSpan::DEFAULT);
            counts.0.set(COUNTS_AT_70);
            let calm = channel.poll(Instant::from_millis(0)).value;
            for second in 1..20 {
                counts.0.set(if second == place { wild } else { COUNTS_AT_70 });
                let reading = channel.poll(Instant::from_millis(second * 1_000));
                if second == place {
                    assert_ne!(reading.quality, Quality::Good, "{wild} at {place}");
                } else {
                    assert_eq!(reading, Reading::good(calm), "{wild} at {place}, second {second}");
                }
            }
        }
    }
}
