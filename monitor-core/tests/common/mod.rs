//! Drives the façade second by second and writes down what it says.
#![allow(unreachable_pub, dead_code, reason = "shared by several test crates, none of which needs all of it")]

use monitor_core::Monitor;
use monitor_core::acquire::{Channel, Quality, Readings};
use monitor_core::profile::{Electric, Profile};
use monitor_core::time::Instant;
use monitor_core::units::{Flow, Pressure, Rpm, Temperature, Voltage};

/// One second of an engine in the units of a trace.
#[derive(Clone, Copy, Debug, Default)]
pub struct Row {
    pub rpm: Option<i32>,
    pub head_c: Option<f64>,
    pub flow_lpm: Option<f64>,
    pub supply_v: Option<f64>,
    pub speed_kn: Option<f64>,
    pub oil_kpa: Option<f64>,
}

impl Row {
    /// A healthy engine at this speed: warm, with water, charging, under way.
    pub fn healthy(rpm: i32) -> Self {
        Self {
            rpm: Some(rpm),
            head_c: Some(65.0),
            flow_lpm: Some(f64::from(rpm) / 1_000.0),
            supply_v: Some(14.1),
            speed_kn: Some(f64::from(rpm) / 250.0),
            oil_kpa: Some(350.0),
        }
    }

    pub fn readings(self) -> Readings {
        let mut readings = Readings::default();
        let mut set = |channel, value: Option<f64>, scale: f64| {
            if let Some(value) = value {
                readings.set_raw(channel, (value * scale).round() as i32, Quality::Good);
            }
        };
        set(Channel::Rpm, self.rpm.map(f64::from), 4.0);
        set(Channel::Head, self.head_c, 1_000.0);
        set(Channel::Flow, self.flow_lpm, 1_000.0);
        set(Channel::Supply, self.supply_v, 1_000.0);
        set(Channel::Speed, self.speed_kn, 1_000.0);
        set(Channel::Oil, self.oil_kpa, 1_000.0);
        readings
    }
}

/// A four-stroke of our own invention.
pub fn profile() -> Profile {
    let mut profile = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
    profile.rated = Some(Rpm::from_whole_rpm(5_500));
    profile.thermostat_opens = Some(Temperature::from_millicelsius(62_000));
    profile.head_limit = Some(Temperature::from_millicelsius(95_000));
    profile.oil_min = Some(Pressure::from_pascals(100_000));
    profile.flow_min = Some(Flow::from_millilitres_per_minute(300));
    profile.electric = Some(Electric { charging_min: Voltage::from_millivolts(13_000) });
    profile.fitted = profile.fitted.without(Channel::Water);
    profile
}

pub struct Drive {
    pub monitor: Box<Monitor>,
    pub log: Vec<String>,
    now_ms: i64,
}

impl Drive {
    pub fn new(profile: &Profile) -> Self {
        let mut monitor = Box::new(Monitor::new());
        monitor.begin(profile).expect("a sound profile");
        monitor.begin_trip(Instant::from_millis(0), 0);
        Self { monitor, log: Vec::new(), now_ms: 0 }
    }

    /// `count` rows, a second apart; `row` gets the seconds since this call.
    pub fn seconds(&mut self, count: i64, row: impl Fn(f64) -> Row) -> &mut Self {
        self.rows(count, 1_000, row)
    }

    pub fn rows(&mut self, count: i64, every_ms: i64, row: impl Fn(f64) -> Row) -> &mut Self {
        for index in 0..count {
            let since_s = (index * every_ms) as f64 / 1_000.0;
            self.monitor.step(Instant::from_millis(self.now_ms), &row(since_s).readings());
            self.drain();
            self.now_ms += every_ms;
        }
        self
    }

    /// Moves the clock without samples.
    pub fn jump(&mut self, by_ms: i64) -> &mut Self {
        self.now_ms += by_ms;
        self
    }

    pub fn command(&mut self, command: monitor_core::command::Command) -> &mut Self {
        let now = Instant::from_millis(self.now_ms - 1_000);
        if let Err(refusal) = self.monitor.handle(now, command) {
            self.log.push(format!("refused: {refusal}"));
        }
        self.drain();
        self
    }

    pub fn next_trip(&mut self, trip: i16) -> &mut Self {
        self.monitor.end_trip();
        self.drain();
        self.monitor.begin_trip(Instant::from_millis(0), trip);
        self.now_ms = 0;
        self
    }

    /// Ends the trip and returns `seconds finding state level alarm_state` for each event.
    pub fn finish(&mut self) -> Vec<String> {
        self.monitor.end_trip();
        self.drain();
        std::mem::take(&mut self.log)
    }

    fn drain(&mut self) {
        while let Some(event) = self.monitor.next_event() {
            let channel = event.channel.map_or(String::new(), |channel| format!("({})", channel.name()));
            self.log.push(format!(
                "{} {}{channel} {} {} {}",
                event.stamp.as_millis() as f64 / 1_000.0,
                event.finding.name(),
                event.state.name(),
                event.level.name(),
                event.alarm_state.name(),
            ));
        }
    }
}
