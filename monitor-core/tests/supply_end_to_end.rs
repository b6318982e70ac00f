//! From counts of a converter through the drivers and the monitor to the finding.

use monitor_core::Monitor;
use monitor_core::acquire::adc::{
    AdcCounts, AdcInput, AdcScale, Divider, Pull, RateGate, RateLimits, Resistance, SlowFilter, StaleAfter,
};
use monitor_core::acquire::pressure::{PressureCalibration, PressureSender, SenderSpan};
use monitor_core::acquire::supply::{Supply, SupplyCalibration};
use monitor_core::acquire::temperature::TemperatureSpan;
use monitor_core::acquire::temperature::ntc::{Ntc, NtcCalibration, SteinhartHart};
use monitor_core::acquire::{Channel, ChannelSet, Reading, Readings, SlowChannel};
use monitor_core::event::State;
use monitor_core::finding::Finding;
use monitor_core::profile::{Electric, Profile};
use monitor_core::time::Instant;
use monitor_core::units::{Pressure, Rpm, Temperature, Voltage};
use std::cell::Cell;
use std::rc::Rc;

/// One input of a 12-bit converter; each third question finds it busy.
#[derive(Clone, Default)]
struct Input(Rc<Cell<u32>>, Rc<Cell<u32>>);

impl Input {
    fn holding(counts: u32) -> Self {
        let input = Self::default();
        input.0.set(counts);
        input
    }
}

impl AdcInput for Input {
    type Error = ();

    fn read_counts(&mut self) -> nb::Result<AdcCounts, ()> {
        self.1.set(self.1.get() + 1);
        if self.1.get().is_multiple_of(3) {
            Err(nb::Error::WouldBlock)
        } else {
            Ok(AdcCounts::from_counts(self.0.get()))
        }
    }
}

/// Inputs of the board.
struct Board {
    head: Input,
    supply: Input,
    oil: Input,
    five_volts: Input,
}

/// Counts of a healthy engine at speed: 68 °C, 14.2 V, 300 of 1,000 kPa, 5 V at three quarters of the scale.
fn healthy() -> Board {
    Board {
        head: Input::holding(646),
        supply: Input::holding(3_091),
        oil: Input::holding(1_044),
        five_volts: Input::holding(3_071),
    }
}

struct Drivers {
    head: SlowChannel<Ntc<Input, SteinhartHart>, Temperature>,
    supply: SlowChannel<Supply<Input>, Voltage>,
    oil: SlowChannel<PressureSender<Input, Input>, Pressure>,
}

fn drivers(board: &Board) -> Drivers {
    let scale = AdcScale::new(4_095, 30, 30).unwrap();
    let filter = SlowFilter::new(0).unwrap();
    let divider = Divider::new(scale, Pull::Up, Resistance::from_ohms(10_000)).unwrap();
    let curve = SteinhartHart::from_beta(Resistance::from_ohms(10_000), 395_000).unwrap();
    let ntc = NtcCalibration::new(divider, curve, TemperatureSpan::DEFAULT).unwrap();
    let supply = SupplyCalibration::new(scale, 3_300, 5_700_000).unwrap();
    let (none, full) = (Pressure::from_pascals(0), Pressure::from_pascals(1_000_000));
    let span = SenderSpan::HALF_TO_FOUR_AND_A_HALF_VOLTS;
    let oil = PressureCalibration::new(scale, span, none, full, 1_000_000).unwrap();
    Drivers {
        head: SlowChannel::new(Ntc::new(board.head.clone(), ntc), filter, StaleAfter::DEFAULT)
            .with_gate(RateGate::new(RateLimits::thermistor()).unwrap()),
        supply: SlowChannel::new(Supply::new(board.supply.clone(), supply), filter, StaleAfter::DEFAULT),
        oil: SlowChannel::new(
            PressureSender::new(board.oil.clone(), board.five_volts.clone(), oil),
            filter,
            StaleAfter::DEFAULT,
        ),
    }
}

/// Runs an engine at 3,000 rpm for five minutes, lets `fault` change the inputs each half second after the second
/// minute, and returns what was raised.
fn raised(fault: impl Fn(&Board, u32)) -> Vec<(Finding, Option<Channel>)> {
    let board = healthy();
    let mut drivers = drivers(&board);
    let mut profile = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
    profile.head_limit = Some(Temperature::from_millicelsius(95_000));
    profile.oil_min = Some(Pressure::from_pascals(100_000));
    profile.electric = Some(Electric { charging_min: Voltage::from_millivolts(13_000) });
    profile.fitted = [Channel::Rpm, Channel::Head, Channel::Supply, Channel::Oil]
        .into_iter()
        .fold(ChannelSet::EMPTY, ChannelSet::with);
    let mut monitor = Monitor::new();
    monitor.begin(&profile).unwrap();
    monitor.begin_trip(Instant::from_millis(0), 0);
    let mut seen = Vec::new();
    for half_second in 0..600_u32 {
        let now = Instant::from_millis(i64::from(half_second) * 500);
        // A last count of noise, as every converter has.
        for (input, counts) in [(&board.head, 646), (&board.supply, 3_091), (&board.oil, 1_044)] {
            input.0.set(counts + half_second % 2);
        }
        if half_second >= 240 {
            fault(&board, half_second - 240);
        }
        let readings = Readings {
            rpm: Reading::good(Rpm::from_whole_rpm(3_000)),
            head: drivers.head.poll(now),
            supply: drivers.supply.poll(now),
            oil: drivers.oil.poll(now),
            ..Readings::default()
        };
        monitor.step(now, &readings);
        while let Some(event) = monitor.next_event() {
            if event.state == State::Raised {
                seen.push((event.finding, event.channel));
            }
        }
    }
    seen
}

#[test]
fn a_healthy_board_is_silent() {
    assert_eq!(raised(|_, _| {}), []);
}

#[test]
fn a_spike_on_each_input_is_no_finding() {
    let spikes = |board: &Board, passed: u32| {
        if passed % 20 == 10 {
            for input in [&board.head, &board.supply, &board.oil] {
                input.0.set(if passed % 40 == 10 { 4_095 } else { 0 });
            }
        }
    };
    assert_eq!(raised(spikes), []);
}

#[test]
fn each_fault_is_found_from_its_counts() {
    type Fault = fn(&Board, u32);
    let cases: [(&str, Fault, Finding, Option<Channel>); 9] = [
        ("head at 105 degrees", |board, _| board.head.0.set(235), Finding::HeadOverLimit, None),
        ("head lead open", |board, _| board.head.0.set(4_095), Finding::SensorOpen, Some(Channel::Head)),
        ("head lead open, reads -18", |board, _| board.head.0.set(3_694), Finding::SensorOpen, Some(Channel::Head)),
        ("head lead shorted", |board, _| board.head.0.set(0), Finding::SensorShort, Some(Channel::Head)),
        ("12.4 V at speed", |board, _| board.supply.0.set(2_700), Finding::ChargeLost, None),
        ("supply lead off", |board, _| board.supply.0.set(0), Finding::SensorOpen, Some(Channel::Supply)),
        ("oil at 50 kPa", |board, _| board.oil.0.set(430), Finding::OilPressureLow, None),
        ("oil lead off", |board, _| board.oil.0.set(5), Finding::SensorOpen, Some(Channel::Oil)),
        ("oil sender shorted", |board, _| board.oil.0.set(3_000), Finding::SensorShort, Some(Channel::Oil)),
    ];
    for (name, fault, finding, channel) in cases {
        assert_eq!(raised(fault), [(finding, channel)], "{name}");
    }
}

#[test]
fn an_overheat_that_climbs_fast_is_no_sensor_fault() {
    let boil = |board: &Board, passed: u32| board.head.0.set(646_u32.saturating_sub(passed * 20).max(200));
    let seen = raised(boil);
    assert!(seen.contains(&(Finding::HeadOverLimit, None)), "{seen:?}");
    assert!(seen.iter().all(|(finding, _)| !matches!(finding, Finding::SensorOpen | Finding::SensorShort)), "{seen:?}");
}
