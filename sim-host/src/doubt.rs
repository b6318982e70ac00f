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
