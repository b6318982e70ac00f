//! What kind of sensor sits on each channel.

use monitor_core::acquire::Channel;

/// One sensor. Its numbers are in the unit of the trace column.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ChannelSpec {
    /// Standard deviation of its noise.
    pub(crate) noise: f64,
    /// More noise, as a share of the value.
    pub(crate) noise_share: f64,
    /// Standard deviation of its scale from trip to trip, as a share.
    pub(crate) trip_share: f64,
    /// It shows whole multiples of this.
    pub(crate) step: f64,
    /// Time constant of its element, seconds.
    pub(crate) lag_s: f64,
    /// It shows 0 for anything smaller.
    pub(crate) least: f64,
    /// What is called a gross error: a full drift, the largest spike.
    pub(super) gross: f64,
    /// Steps of the core in one unit.
    pub(super) per_unit: f64,
    /// What an open lead shows, in steps of the core; `None` is a blank cell.
    pub(super) open: Option<i32>,
    /// What a shorted lead shows.
    pub(super) short: Option<i32>,
    /// Whether it can show less than 0.
    signed: bool,
    /// Whether it counts pulses: where nothing turns, none come, and there is no noise.
    counts: bool,
}

impl ChannelSpec {
    pub(super) fn noise_at(&self, value: f64) -> f64 {
        if self.counts && value < self.step { 0.0 } else { self.noise + self.noise_share * value.abs() }
    }

    /// What it shows for a value, in steps of the core.
    pub(super) fn show(&self, value: f64) -> i32 {
        let value = if self.signed || value > 0.0 { value } else { 0.0 };
        let value = if value < self.least { 0.0 } else { value };
        // A cast of a float saturates.
        ((value / self.step).round() * self.step * self.per_unit).round() as i32
    }
}

/// The sensors of all channels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct SensorSpec {
    each: [ChannelSpec; Channel::COUNT],
}

/// A thermistor or one-wire element on metal: both leads and elements as in the profile's spans.
const TEMPERATURE: ChannelSpec = ChannelSpec {
    noise: 0.1,
    noise_share: 0.0,
    trip_share: 0.0,
    step: 0.1,
    lag_s: 5.0,
    least: f64::NEG_INFINITY,
    gross: 20.0,
    per_unit: 1_000.0,
    open: Some(-55_000),
    short: Some(250_000),
    signed: true,
    counts: false,
};

/// Every default is from memory, of small boats' sensors; none is taken from a data sheet.
const DEFAULTS: [ChannelSpec; Channel::COUNT] = [
    // Pulses over a second: an edge more or less.
    ChannelSpec {
        noise: 4.0,
        step: 1.0,
        lag_s: 0.0,
        gross: 600.0,
        per_unit: 4.0,
        open: None,
        counts: true,
        ..NOT_NEGATIVE
    },
    TEMPERATURE,
    // A small turbine: a few per cent, not the same from day to day (dirt on rotor and nozzle), nothing under its least
    // flow, and an open lead gives no pulses at all.
    ChannelSpec {
        noise: 0.02,
        noise_share: 0.02,
        trip_share: 0.02,
        step: 0.01,
        lag_s: 0.5,
        gross: 1.0,
        open: None,
        counts: true,
        ..NOT_NEGATIVE
    },
    ChannelSpec { noise: 0.03, step: 0.01, lag_s: 0.0, gross: 1.5, open: Some(0), ..NOT_NEGATIVE },
    // Satellite receivers smooth their speed.
    ChannelSpec { noise: 0.08, step: 0.1, lag_s: 1.5, gross: 4.0, open: None, ..NOT_NEGATIVE },
    ChannelSpec { noise: 0.05, lag_s: 10.0, gross: 8.0, ..TEMPERATURE },
    ChannelSpec { noise: 3.0, step: 1.0, lag_s: 0.3, gross: 120.0, open: Some(-50_000), ..NOT_NEGATIVE },
];

const NOT_NEGATIVE: ChannelSpec = ChannelSpec { least: 0.0, short: Some(0), signed: false, ..TEMPERATURE };

impl Default for SensorSpec {
    fn default() -> Self {
        Self { each: DEFAULTS }
    }
}

impl SensorSpec {
    pub(crate) fn of(&self, channel: Channel) -> ChannelSpec {
        self.each.get(channel.index()).copied().unwrap_or(TEMPERATURE)
    }

    /// Changes one sensor.
    pub(crate) fn set(&mut self, channel: Channel, change: impl FnOnce(&mut ChannelSpec)) {
        if let Some(spec) = self.each.get_mut(channel.index()) {
            change(spec);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sensor_shows_whole_steps_within_its_range() {
        let spec = SensorSpec::default();
        let cases = [
            ("rpm", Channel::Rpm, 749.6, 3_000),
            ("backward rpm", Channel::Rpm, -4.0, 0),
            ("head", Channel::Head, 61.26, 61_300),
            ("frost", Channel::Water, -1.26, -1_300),
            ("flow", Channel::Flow, 2.344, 2_340),
            ("oil", Channel::Oil, 123.4, 123_000),
            ("supply", Channel::Supply, 12.345, 12_350),
        ];
        for (name, channel, value, expected) in cases {
            assert_eq!(spec.of(channel).show(value), expected, "{name}");
        }
    }

    #[test]
    fn a_meter_shows_nothing_under_its_least_flow() {
        let mut spec = SensorSpec::default();
        spec.set(Channel::Flow, |flow| flow.least = 0.3);
        for (value, expected) in [(0.299, 0), (0.3, 300), (0.31, 310)] {
            assert_eq!(spec.of(Channel::Flow).show(value), expected, "{value}");
        }
    }
}
