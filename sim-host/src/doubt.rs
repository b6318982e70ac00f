//! What of a trip could not be judged: so that "no findings" is never said of a trace that was not looked at.

use monitor_core::acquire::{Channel, Quality};
use monitor_core::condition::HOLE_MS;
use monitor_core::time::Instant;
use monitor_core::units::Quantity;

use crate::trace::Row;

/// A reason why less was judged than a reader may think.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubt {
    /// The engine never ran by the rule of the run states.
    NeverRan {
        /// Fastest engine speed in the trace, in whole rpm.
        fastest_rpm: i32,
        /// Speed from which an engine can be running, in whole rpm, rounded up.
        running_from_rpm: i32,
    },
    /// Engine speeds further apart than can be judged across.
    Holes {
        /// Number of such holes.
        holes: u64,
        /// Number of all intervals between two engine speeds.
        intervals: u64,
    },
    /// The clock stepped back.
    ClockBack {
        /// How often.
        times: u64,
    },
    /// Values that stand for "not measured" in what many sensors and loggers write.
    Markers {
        /// The channel.
        channel: Channel,
        /// The value, as it is known: -127, 85, 65535.
        value: &'static str,
        /// In how many rows.
        rows: u64,
    },
    /// The idle stream was never seen to be strong enough for the meter.
    IdleStreamUnread,
    /// Events or findings for which there was no room.
    Lost {
        /// How many.
        count: u32,
    },
}

/// Looks at the rows of one trip as they go by.
#[derive(Debug, Default)]
pub struct Watch {
    last_stamp: Option<Instant>,
    last_rpm_at: Option<Instant>,
    holes: u64,
    intervals: u64,
    steps_back: u64,
    fastest_quarters: i32,
    markers: [MarkerCount; MARKERS.len()],
}

/// A value by which sensors and loggers say that they measured nothing.
struct Marker {
    channel: Channel,
    value: &'static str,
    /// In the unit of the channel.
    raw: i32,
    /// Whether the value can also be a true one, which is then told by having come gradually.
    can_be_true: bool,
}

const fn marker(channel: Channel, value: &'static str, raw: i32) -> Marker {
    Marker { channel, value, raw, can_be_true: false }
}

const fn marker_that_can_be_true(channel: Channel, value: &'static str, raw: i32) -> Marker {
    Marker { channel, value, raw, can_be_true: true }
}

/// -127 and 85 °C are what a one-wire thermometer gives when it does not answer and before it has measured; -40 is where
/// the tables of many thermistor inputs and the scale of SAE J1979 begin; 65535 is a field of 16 bits that was not
/// filled (common practice, but for the 85 °C of the thermometer's data sheet).
const MARKERS: [Marker; 9] = [
    marker(Channel::Head, "-127", -127_000),
    marker_that_can_be_true(Channel::Head, "-40", -40_000),
    marker_that_can_be_true(Channel::Head, "85", 85_000),
    marker(Channel::Water, "-127", -127_000),
    marker_that_can_be_true(Channel::Water, "-40", -40_000),
    marker_that_can_be_true(Channel::Water, "85", 85_000),
    marker(Channel::Rpm, "65535", 65_535 * 4),
    marker(Channel::Flow, "65535", 65_535_000),
    marker(Channel::Supply, "65535", 65_535_000),
];

/// A true temperature does not come nearer than this in one step, in m°C.
const MARKER_JUMP: i32 = 10_000;

/// How often one marker was seen, and what stood before.
#[derive(Debug, Default, Clone, Copy)]
struct MarkerCount {
    rows: u64,
    before: Option<i32>,
    is_on: bool,
}

impl MarkerCount {
    fn take(&mut self, marker: &Marker, raw: i32) {
        let is_it = raw == marker.raw;
        self.is_on = is_it
            && (self.is_on
                || !marker.can_be_true
                || self.before.is_some_and(|before| before.abs_diff(raw) >= MARKER_JUMP.unsigned_abs()));
        self.rows += u64::from(self.is_on);
        self.before = Some(raw);
    }
}

impl Watch {
    /// Takes the next row.
    pub fn row(&mut self, row: &Row) {
        if self.last_stamp.is_some_and(|last| row.stamp < last) {
            self.steps_back += 1;
            // Later stamps are measured from this one.
            self.last_rpm_at = self.last_rpm_at.map(|_| row.stamp);
        }
        self.last_stamp = Some(row.stamp);
        for (count, marker) in self.markers.iter_mut().zip(&MARKERS) {
            let reading = row.readings.raw(marker.channel);
            if reading.quality == Quality::Good {
                count.take(marker, reading.raw);
            }
        }
        let rpm = row.readings.raw(Channel::Rpm);
        if rpm.quality != Quality::Good {
            return;
        }
        self.fastest_quarters = self.fastest_quarters.max(rpm.raw);
        if let Some(last) = self.last_rpm_at.replace(row.stamp) {
            self.intervals += 1;
            self.holes += u64::from(row.stamp.millis_since(last) > HOLE_MS);
        }
    }

    /// What must be said of the trip; `ran` tells whether any running was counted.
    #[must_use]
    pub fn doubts(&self, ran: bool, idle: monitor_core::units::Rpm) -> Vec<Doubt> {
        let mut doubts = Vec::new();
        let running_from_rpm = (idle.raw() * 7 + 39) / 40;
        if !ran && self.fastest_quarters < running_from_rpm * 4 {
            doubts.push(Doubt::NeverRan { fastest_rpm: self.fastest_quarters / 4, running_from_rpm });
        }
        if self.holes > 0 {
            doubts.push(Doubt::Holes { holes: self.holes, intervals: self.intervals });
        }
        if self.steps_back > 0 {
            doubts.push(Doubt::ClockBack { times: self.steps_back });
        }
        let seen = self.markers.iter().zip(&MARKERS).filter(|(count, _)| count.rows > 0);
        doubts.extend(seen.map(|(count, marker)| Doubt::Markers {
            channel: marker.channel,
            value: marker.value,
            rows: count.rows,
        }));
        doubts
    }
}

#[cfg(test)]
mod tests {
    use monitor_core::acquire::{Reading, Readings};
    use monitor_core::units::Rpm;

    use super::*;

    #[test]
    fn what_is_said_of_a_trip() {
        let holes = |holes, intervals| Doubt::Holes { holes, intervals };
        let never = |fastest_rpm| Doubt::NeverRan { fastest_rpm, running_from_rpm: 525 };
        type Case<'a> = (&'a str, &'a [(i64, Option<i32>)], bool, Vec<Doubt>);
        let cases: [Case<'_>; 6] = [
            ("sound", &[(0, Some(800)), (1, Some(800)), (6, Some(800))], true, vec![]),
            ("rows ten seconds apart", &[(0, Some(800)), (10, Some(800)), (20, Some(800))], false, vec![holes(2, 2)]),
            ("engine speed seldom", &[(0, Some(800)), (3, None), (6, Some(800))], false, vec![holes(1, 1)]),
            ("engine off", &[(0, Some(0)), (1, Some(0))], false, vec![never(0)]),
            ("revolutions a second", &[(0, Some(13)), (1, Some(60))], false, vec![never(60)]),
            (
                "clock set back by an hour",
                &[(3_600, Some(800)), (0, Some(800)), (1, Some(800))],
                true,
                vec![Doubt::ClockBack { times: 1 }],
            ),
        ];
        for (name, rows, ran, expected) in cases {
            let mut watch = Watch::default();
            for &(second, rpm) in rows {
                let mut readings = Readings::default();
                if let Some(rpm) = rpm {
                    readings.rpm = Reading::good(Rpm::from_whole_rpm(rpm));
                }
                watch.row(&Row { stamp: Instant::from_millis(second * 1_000), readings });
            }
            assert_eq!(watch.doubts(ran, Rpm::from_whole_rpm(750)), expected, "{name}");
        }
    }
}
