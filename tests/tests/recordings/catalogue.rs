//! The recordings, how each is read, and what a hand count makes of it.
//!
//! Running seconds and starts come from `python3 tests/tools/count_hours.py "$LOOKASTERN_RECORDINGS"`, which shares no
//! code with the product.

use std::path::Path;

use lookastern_tests::Event;

use crate::table::{Clock, Table};

/// How a recording is laid out, and with what it is replayed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Layout {
    pub(crate) map: &'static str,
    pub(crate) profile: &'static str,
    pub(crate) stamp: &'static str,
    pub(crate) clock: Clock,
    pub(crate) rpm: &'static str,
    pub(crate) head: Option<&'static str>,
    pub(crate) flow: Option<&'static str>,
    pub(crate) supply: Option<&'static str>,
    /// Speed to add in every row where the recording has none, in 1/min.
    pub(crate) steady_rpm: Option<&'static str>,
    /// Idle speed and head limit of the profile, as the splicing needs them.
    pub(crate) idle_rpm: f64,
    pub(crate) head_limit_c: f64,
}

/// A finding that is no false one.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Justified {
    pub(crate) finding: &'static str,
    pub(crate) level: &'static str,
    /// Where in the recording the reason begins, in seconds.
    pub(crate) not_before_s: f64,
    /// Whether it has to be found, or only may.
    pub(crate) must: bool,
    pub(crate) reason: &'static str,
}

/// One recording.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Recording {
    pub(crate) file: &'static str,
    pub(crate) layout: Layout,
    pub(crate) running_s: u64,
    pub(crate) starts: u64,
    /// Findings that the data themselves justify; empty: silence is expected.
    pub(crate) justified: &'static [Justified],
}

impl Recording {
    /// The recording as it is replayed: with a steady speed added where it has none, and with a clock that the product
    /// knows.
    pub(crate) fn load(&self, recordings: &Path) -> Result<Table, String> {
        let mut table = Table::read(&recordings.join(self.file))?;
        if self.layout.clock == Clock::Date {
            table.drop_date(self.layout.stamp)?;
        }
        if let Some(rpm) = self.layout.steady_rpm {
            table.add_column(self.layout.rpm, rpm);
        }
        Ok(table)
    }

    /// Whether the file is replayed as it lies, byte for byte.
    pub(crate) fn is_unchanged(&self) -> bool {
        self.layout.steady_rpm.is_none() && self.layout.clock != Clock::Date
    }

    /// Whether the data justify this event. A finding may rise to its level from below and clear again.
    pub(crate) fn is_justified(&self, event: &Event) -> bool {
        self.justified.iter().any(|justified| {
            justified.finding == event.finding && justified.level == event.level && event.t_s >= justified.not_before_s
        })
    }
}

pub(crate) const CAR_LAYOUT: Layout = Layout {
    map: "maps/car.toml",
    profile: "profiles/road-engine.toml",
    stamp: "t_ms",
    clock: Clock::Milliseconds,
    rpm: "rpm",
    head: Some("coolant_c"),
    flow: None,
    supply: None,
    steady_rpm: None,
    idle_rpm: 780.0,
    head_limit_c: 115.0,
};

const CAR_ORIGINAL_LAYOUT: Layout = Layout {
    map: "maps/car-original.toml",
    stamp: "Time",
    clock: Clock::Hours,
    rpm: "Engine RPM [RPM]",
    head: Some("Engine Coolant Temperature [°C]"),
    ..CAR_LAYOUT
};

const CAR_SPEED_LAYOUT: Layout =
    Layout { map: "maps/car-speed.toml", profile: "profiles/road-engine-speed.toml", ..CAR_LAYOUT };

const MARINE_ENGINE_LAYOUT: Layout = Layout {
    map: "maps/marine-engine.toml",
    profile: "profiles/marine-diesel.toml",
    stamp: "timestamp_text",
    clock: Clock::Rfc3339,
    rpm: "rpm",
    head: Some("engine_temp_c"),
    flow: None,
    supply: Some("alternator_v"),
    steady_rpm: None,
    idle_rpm: 800.0,
    head_limit_c: 95.0,
};

/// Three batteries, key on and engine off; the tests add the speed.
pub(crate) const BATTERY_LAYOUT: Layout = Layout {
    map: "maps/marine-battery.toml",
    profile: "profiles/marine-battery.toml",
    head: None,
    supply: Some("voltage_v"),
    steady_rpm: Some("0"),
    ..MARINE_ENGINE_LAYOUT
};

const LOOP_LAYOUT: Layout = Layout {
    map: "maps/water-loop.toml",
    profile: "profiles/water-loop.toml",
    stamp: "time_text",
    clock: Clock::Hours,
    rpm: "rpm",
    head: Some("thermocouple_c"),
    flow: Some("flow_lpm"),
    supply: None,
    steady_rpm: Some("3000"),
    idle_rpm: 800.0,
    head_limit_c: 95.0,
};

const PUMP_LAYOUT: Layout = Layout {
    map: "maps/pump-loop-flow1-hours.toml",
    profile: "profiles/pump-loop.toml",
    clock: Clock::Date,
    head: None,
    flow: Some("flow1"),
    ..LOOP_LAYOUT
};

const PUMP_SECOND_METER: Layout = Layout { map: "maps/pump-loop-flow2-hours.toml", flow: Some("flow2"), ..PUMP_LAYOUT };

pub(crate) const PUMP_MINUTES: Layout =
    Layout { map: "maps/pump-loop-flow1-minutes.toml", clock: Clock::Minutes, ..PUMP_LAYOUT };

const PUMP_MINUTES_SECOND_METER: Layout =
    Layout { map: "maps/pump-loop-flow2-minutes.toml", flow: Some("flow2"), ..PUMP_MINUTES };

const fn recording(file: &'static str, layout: Layout, running_s: u64, starts: u64) -> Recording {
    Recording { file, layout, running_s, starts, justified: &[] }
}

/// A driver in slow traffic works gears and throttle at one speed of the engine for a minute. A boat has no gears; no
/// more is allowed, and silence would be better.
const HUNTS_IN_TRAFFIC: Justified = Justified {
    finding: "running-unsteady",
    level: "caution",
    not_before_s: 2_900.0,
    must: false,
    reason: "gears and throttle in slow traffic look like an engine that hunts",
};

/// The end of the hottest drive climbs without a pause, and a warning of it is true: no more is allowed, and silence
/// would be right as well, since nothing was over its limit yet.
const CLIMBS_AT_THE_END: &[Justified] = &[
    HUNTS_IN_TRAFFIC,
    Justified {
        finding: "head-climbing",
        level: "warning",
        not_before_s: 4_255.0,
        must: false,
        reason: "slow traffic: 90 to 103 °C in 4 min, at the end 1 K in 14 s; at that rate 115 °C is 3 min away",
    },
];

/// Road cars. Silence is expected, but for the one above: no engine was damaged, 103 °C is inside what a pressurised
/// cooling system is made for, and holes, frozen values, jumps after holes and clocks that step back are the logger's
/// doing.
pub(crate) const CAR: &[Recording] = &[
    recording("car/car_00_original_layout.csv", CAR_ORIGINAL_LAYOUT, 1204, 1),
    recording("car/car_01_icy_road_wheelspin.csv", CAR_LAYOUT, 3498, 2),
    recording("car/car_01_icy_road_wheelspin.csv", CAR_SPEED_LAYOUT, 3498, 2),
    recording("car/car_02_sensor_dropouts.csv", CAR_LAYOUT, 4819, 25),
    recording("car/car_03_ten_minute_gap.csv", CAR_LAYOUT, 1304, 14),
    recording("car/car_04_clock_steps_back.csv", CAR_LAYOUT, 4633, 2),
    recording("car/car_05_very_cold_never_warm.csv", CAR_LAYOUT, 1487, 1),
    recording("car/car_06_cold_start_normal.csv", CAR_LAYOUT, 3037, 3),
    recording("car/car_07_gappy_1s.csv", CAR_LAYOUT, 3085, 5),
    Recording { justified: CLIMBS_AT_THE_END, ..recording("car/car_08_runs_hot_103C.csv", CAR_LAYOUT, 4204, 5) },
    recording("car/car_09_hot_start_many_stops.csv", CAR_LAYOUT, 989, 10),
    recording("car/car_10_full_throttle_runs.csv", CAR_LAYOUT, 859, 2),
    recording("car/car_11_jam_many_stops.csv", CAR_LAYOUT, 4512, 9),
    recording("car/car_12_small_clock_step.csv", CAR_LAYOUT, 3150, 6),
    recording("car/car_13_short_warm_start.csv", CAR_LAYOUT, 1215, 2),
    recording("car/car_14_gappy_short.csv", CAR_LAYOUT, 592, 2),
];

/// Marine-bus snippets. The engine of the second stands still all the time; its flat battery is no finding, since
/// charging is judged above 2,000 rpm only.
pub(crate) const MARINE: &[Recording] = &[
    recording("n2k/n2k_01_diesel_idle_31s_decoded.csv", MARINE_ENGINE_LAYOUT, 30, 1),
    recording("n2k/n2k_02_low_battery_key_on_decoded.csv", MARINE_ENGINE_LAYOUT, 0, 0),
    recording("n2k/n2k_03_battery_15min_decoded.csv", BATTERY_LAYOUT, 0, 0),
];

/// The two loops in which the stream really goes: a mechanic wants to hear of it.
const fn air_in_the_pump(not_before_s: f64) -> Justified {
    Justified {
        finding: "stream-lost",
        level: "alarm",
        not_before_s,
        must: true,
        reason: "air in the pump: the flow surges between 60 and under 1 L/min, from a normal 127 L/min",
    }
}
/// What the flow alone shows of it while the head, cooled by other means, stays as it is.
const fn looks_like(finding: &'static str, level: &'static str, not_before_s: f64) -> Justified {
    let reason = "the flow is next to gone, or stays lower than before, and the head does not answer";
    Justified { finding, level, not_before_s, must: false, reason }
}
const AIR_LATE: &[Justified] = &[
    air_in_the_pump(699.0),
    looks_like("telltale-plugged", "warning", 699.0),
    looks_like("vane-lost", "alarm", 699.0),
];

/// A valve is closed in part: the flow steps down by a third and stays down.
const VALVE_CLOSED: &[Justified] = &[Justified {
    finding: "vane-lost",
    level: "alarm",
    not_before_s: 560.0,
    must: true,
    reason: "a valve was closed in part: the flow falls by a step of a quarter and more and stays down",
}];
const AIR_FROM_THE_START: &[Justified] = &[air_in_the_pump(0.0)];

/// Small water loops, with a steady 3,000 rpm added. Part-closed valves take at most a third of the flow: no lost stream.
pub(crate) const LOOP: &[Recording] = &[
    recording("loop/loop_other_1.csv", LOOP_LAYOUT, 780, 1),
    recording("loop/loop_other_2.csv", LOOP_LAYOUT, 816, 2),
    recording("loop/loop_other_3.csv", LOOP_LAYOUT, 1198, 1),
    recording("loop/loop_other_5.csv", LOOP_LAYOUT, 1208, 1),
    recording("loop/loop_other_6.csv", LOOP_LAYOUT, 1200, 1),
    recording("loop/loop_other_8.csv", LOOP_LAYOUT, 1202, 1),
    recording("loop/loop_other_9.csv", LOOP_LAYOUT, 1199, 1),
    recording("loop/loop_other_10.csv", LOOP_LAYOUT, 1398, 1),
    Recording { justified: AIR_LATE, ..recording("loop/loop_other_12.csv", LOOP_LAYOUT, 1203, 1) },
    Recording { justified: AIR_FROM_THE_START, ..recording("loop/loop_other_13.csv", LOOP_LAYOUT, 1045, 5) },
    recording("loop/loop_outlet_or_inlet_valve_a_1.csv", LOOP_LAYOUT, 1200, 1),
    recording("loop/loop_outlet_or_inlet_valve_a_2.csv", LOOP_LAYOUT, 1123, 2),
    recording("loop/loop_outlet_or_inlet_valve_a_4.csv", LOOP_LAYOUT, 1145, 2),
    recording("loop/loop_outlet_or_inlet_valve_a_5.csv", LOOP_LAYOUT, 1199, 1),
    recording("loop/loop_outlet_or_inlet_valve_a_7.csv", LOOP_LAYOUT, 1135, 2),
    recording("loop/loop_outlet_or_inlet_valve_a_8.csv", LOOP_LAYOUT, 1198, 1),
    recording("loop/loop_outlet_or_inlet_valve_a_10.csv", LOOP_LAYOUT, 1199, 1),
    recording("loop/loop_outlet_or_inlet_valve_a_12.csv", LOOP_LAYOUT, 1200, 1),
    Recording {
        justified: VALVE_CLOSED,
        ..recording("loop/loop_outlet_or_inlet_valve_a_13.csv", LOOP_LAYOUT, 1199, 1)
    },
    Recording {
        justified: VALVE_CLOSED,
        ..recording("loop/loop_outlet_or_inlet_valve_a_15.csv", LOOP_LAYOUT, 1200, 1)
    },
    recording("loop/loop_outlet_or_inlet_valve_b_0.csv", LOOP_LAYOUT, 1199, 1),
    recording("loop/loop_outlet_or_inlet_valve_b_1.csv", LOOP_LAYOUT, 1136, 2),
    recording("loop/loop_outlet_or_inlet_valve_b_3.csv", LOOP_LAYOUT, 1058, 1),
];

/// Pump test loops, with a steady 3,000 rpm added; each replayed with either meter. Bursts to four times the flow on the
/// second meter last half a second and are its own.
pub(crate) const PUMP: &[Recording] = &[
    recording("pumploop/pump_1_running.csv", PUMP_MINUTES, 654, 1),
    recording("pumploop/pump_1_running.csv", PUMP_MINUTES_SECOND_METER, 654, 1),
    recording("pumploop/pump_3_running.csv", PUMP_LAYOUT, 638, 1),
    recording("pumploop/pump_3_running.csv", PUMP_SECOND_METER, 638, 1),
    recording("pumploop/pump_4_running.csv", PUMP_LAYOUT, 776, 1),
    recording("pumploop/pump_4_running.csv", PUMP_SECOND_METER, 776, 1),
];
