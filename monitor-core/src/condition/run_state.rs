//! Is the engine off, cranking, running, hot from running, or on a hose? And how long has it run?
//!
//! Hours are counted on samples, not on ticks: the time between two good engine-speed samples counts when both belong
//! to a run. A run begins with the first sample of 3 s at 0.7 × idle or more, and ends with the last sample before 2 s
//! under 0.4 × idle, or before a hole of more than 5 s.

use super::{HOLE_MS, Tick};
use crate::acquire::Channel;
use crate::ledger::Hours;
use crate::profile::Profile;
use crate::units::Quantity;

/// Where the engine stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum RunState {
    /// Standing still, or nothing known of its speed.
    Off,
    /// Turning, but not by itself.
    Cranking,
    /// Running.
    Running,
    /// Standing still and still hot.
    StoppedHot,
    /// Fed by a hose: hours count, nothing is learned, good water proves nothing.
    OnHose,
}

impl RunState {
    /// Name in reports.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Off => "off",
            Self::Cranking => "cranking",
            Self::Running => "running",
            Self::StoppedHot => "stopped-hot",
            Self::OnHose => "on-hose",
        }
    }
}

/// The run state at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Run {
    /// Where the engine stands.
    pub state: RunState,
    /// Whether it runs, on a hose or not.
    pub running: bool,
    /// Milliseconds since this run began; 0 while it does not run.
    pub since_start_ms: u32,
    /// The run before was cut off by a hole in the record: whether the engine stopped meanwhile is not known.
    pub start_unseen: bool,
    /// It ran, its speed stopped coming, and none has come since: it may be running still.
    pub speed_lost: bool,
}

impl Run {
    pub(crate) const OFF: Self =
        Self { state: RunState::Off, running: false, since_start_ms: 0, start_unseen: false, speed_lost: false };
}

/// Speed from which an engine is turning, in ¼ rpm.
const TURNING_QUARTERS: i32 = 50 * 4;
const START_AFTER_MS: u64 = 3_000;
const STOP_AFTER_MS: u64 = 2_000;
/// Speed above which a boat that does not move must be on a hose, in ¼ rpm.
const HOSE_RPM_QUARTERS: i32 = 2_000 * 4;
/// Under this a boat does not move, in 0.001 kn.
const HOSE_SPEED_MILLIKNOTS: i32 = 500;
const HOSE_AFTER_MS: u32 = 10_000;
const HOSE_OVER_AFTER_MS: u32 = 60_000;
/// A stopped head is called hot from here where no thermostat says more (common practice: too hot to hold a hand on).
const HOT_HEAD_MILLICELSIUS: i32 = 60_000;

/// Follows engine speed from sample to sample.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RunTracker {
    start_quarters: i32,
    stop_quarters: i32,
    hot_head: i32,
    hose_flow_min: i32,
    running: bool,
    /// A hole cut the last run off, and the engine was not seen to stand still since.
    start_unseen: bool,
    /// When this run began, in elapsed milliseconds.
    started_at_ms: u64,
    /// The last good speed and when it came.
    last: Option<Sample>,
    /// The last good sample before a hole that ended a run, as long as no other has come.
    hole_since_ms: Option<u64>,
    /// Since when the speed has been high enough for a start, or too low for a run.
    undecided_since_ms: Option<u64>,
    /// Time since then, by band: credited if it turns out to belong to a run.
    undecided: [u32; Hours::BANDS],
    hose: Hose,
}

#[derive(Debug, Clone, Copy)]
struct Sample {
    at_ms: u64,
    quarters: i32,
}

#[derive(Debug, Clone, Copy, Default)]
struct Hose {
    on: bool,
    evidence_ms: u32,
    still_ms: u32,
}

impl RunTracker {
    pub(crate) const fn new() -> Self {
        Self {
            start_quarters: i32::MAX,
            stop_quarters: 0,
            hot_head: HOT_HEAD_MILLICELSIUS,
            hose_flow_min: 0,
            running: false,
            start_unseen: false,
            started_at_ms: 0,
            last: None,
            hole_since_ms: None,
            undecided_since_ms: None,
            undecided: [0; Hours::BANDS],
            hose: Hose { on: false, evidence_ms: 0, still_ms: 0 },
        }
    }

    pub(crate) fn begin(&mut self, profile: &Profile) {
        *self = Self::new();
        // 0.7 and 0.4 of idle, rounded up: a speed in whole quarters is at or above the edge exactly if it is at or
        // above the edge rounded up.
        self.start_quarters = tenths_rounded_up(profile.idle.raw(), 7);
        self.stop_quarters = tenths_rounded_up(profile.idle.raw(), 4);
        self.hot_head = profile.thermostat_opens.map_or(HOT_HEAD_MILLICELSIUS, Quantity::raw);
        self.hose_flow_min = profile.flow_min_or_default().raw();
    }

    /// Power-up: the engine stands still.
    pub(crate) fn restart(&mut self) {
        self.running = false;
        self.start_unseen = false;
        self.last = None;
        self.hole_since_ms = None;
        self.forget_undecided();
        self.hose = Hose::default();
    }

    pub(crate) const fn running(&self) -> bool {
        self.running
    }

    /// Takes one sample; `quarters` is the engine speed in ¼ rpm where it is good. Returns the length in milliseconds of a
    /// hole that ended a run and is over now.
    // A function of its own: its fields lie within reach of short offsets.
    #[inline(never)]
    pub(crate) fn sample(&mut self, at_ms: u64, quarters: Option<i32>, hours: &mut Hours) -> Option<u64> {
        // Elapsed time never goes back, so that differences of it need not saturate.
        let interval = match self.last {
            Some(last) => match u32::try_from(at_ms.wrapping_sub(last.at_ms)) {
                Ok(passed_ms) if passed_ms <= HOLE_MS => Some((passed_ms, last.quarters)),
                _ => {
                    self.hole(hours);
                    None
                }
            },
            None => None,
        };
        let quarters = quarters?;
        let hole_ms = self.hole_since_ms.take().map(|since_ms| at_ms.wrapping_sub(since_ms));
        self.last = Some(Sample { at_ms, quarters });
        if self.running {
            self.sample_while_running(at_ms, quarters, interval, hours);
        } else {
            self.sample_while_stopped(at_ms, quarters, interval, hours);
        }
        hole_ms
    }

    fn sample_while_running(&mut self, at_ms: u64, quarters: i32, interval: Option<(u32, i32)>, hours: &mut Hours) {
        let low = quarters < self.stop_quarters;
        if low {
            let since = *self.undecided_since_ms.get_or_insert(at_ms);
            self.hold_back(interval, hours);
            if at_ms.wrapping_sub(since) >= STOP_AFTER_MS {
                self.running = false;
                self.forget_undecided();
            }
        } else if self.undecided_since_ms.is_some() {
            self.hold_back(interval, hours);
            self.credit_undecided(hours);
        } else if let Some((passed_ms, quarters_before)) = interval {
            hours.credit_running(quarters_before, u64::from(passed_ms));
        }
    }

    fn sample_while_stopped(&mut self, at_ms: u64, quarters: i32, interval: Option<(u32, i32)>, hours: &mut Hours) {
        if quarters < self.start_quarters {
            self.forget_undecided();
            self.start_unseen = false;
            return;
        }
        let since = match self.undecided_since_ms {
            None => {
                self.undecided_since_ms = Some(at_ms);
                return;
            }
            Some(since) => since,
        };
        self.hold_back(interval, hours);
        if at_ms.wrapping_sub(since) >= START_AFTER_MS {
            self.running = true;
            self.started_at_ms = since;
            self.credit_undecided(hours);
            hours.count_start();
        }
    }

    /// Nothing is known of the time since the last good sample: a run ends with that sample.
    fn hole(&mut self, hours: &mut Hours) {
        if self.running {
            self.credit_undecided(hours);
            self.running = false;
            self.start_unseen = true;
            hours.count_hole();
            self.hole_since_ms = self.last.map(|last| last.at_ms);
        }
        self.forget_undecided();
        self.last = None;
    }

    fn hold_back(&mut self, interval: Option<(u32, i32)>, hours: &Hours) {
        let Some((passed_ms, quarters_before)) = interval else { return };
        let band = hours.band_index(quarters_before);
        if let Some(held) = self.undecided.get_mut(band) {
            *held = held.saturating_add(passed_ms);
        }
    }

    fn credit_undecided(&mut self, hours: &mut Hours) {
        hours.credit(&self.undecided);
        self.forget_undecided();
    }

    fn forget_undecided(&mut self) {
        self.undecided_since_ms = None;
        self.undecided = [0; Hours::BANDS];
    }

    /// Power-down: what was still undecided of a run that goes on belongs to it.
    pub(crate) fn end(&mut self, hours: &mut Hours) {
        if self.running {
            self.credit_undecided(hours);
        }
        self.restart();
    }

    /// The state at the last sample; `head` is the head temperature in m°C where it is known.
    pub(crate) fn run(&self, at_ms: u64, head: Option<i32>) -> Run {
        let turning = self.last.is_some_and(|last| last.quarters >= TURNING_QUARTERS);
        let state = if self.hose.on {
            RunState::OnHose
        } else if self.running {
            RunState::Running
        } else if turning {
            RunState::Cranking
        } else if head.is_some_and(|head| head >= self.hot_head) {
            RunState::StoppedHot
        } else {
            RunState::Off
        };
        let since_start_ms =
            if self.running { u32::try_from(at_ms.saturating_sub(self.started_at_ms)).unwrap_or(u32::MAX) } else { 0 };
        Run {
            state,
            running: self.running,
            since_start_ms,
            start_unseen: self.start_unseen,
            speed_lost: self.start_unseen && self.last.is_none(),
        }
    }

    /// Looks for a hose: water at a standstill, or high revs of a boat that does not move.
    pub(crate) fn watch_hose(&mut self, tick: &Tick) {
        if tick.after_hole() {
            self.hose.evidence_ms = 0;
            self.hose.still_ms = 0;
        }
        let still = tick.good(Channel::Rpm).is_some_and(|rpm| rpm < TURNING_QUARTERS);
        let water_at_standstill = still && tick.good(Channel::Flow).is_some_and(|flow| flow >= self.hose_flow_min);
        let revs_without_way = tick.good(Channel::Rpm).is_some_and(|rpm| rpm > HOSE_RPM_QUARTERS)
            && tick.good(Channel::Speed).is_some_and(|speed| speed < HOSE_SPEED_MILLIKNOTS);
        let passed = tick.since_last_ms;
        self.hose.evidence_ms = if water_at_standstill || revs_without_way {
            // The first such tick starts the clock; only the time after it counts.
            if self.hose.evidence_ms == 0 { 1 } else { self.hose.evidence_ms.saturating_add(passed) }
        } else {
            0
        };
        self.hose.still_ms = if still && !water_at_standstill {
            if self.hose.still_ms == 0 { 1 } else { self.hose.still_ms.saturating_add(passed) }
        } else {
            0
        };
        if self.hose.evidence_ms > HOSE_AFTER_MS {
            self.hose.on = true;
        } else if self.hose.still_ms > HOSE_OVER_AFTER_MS {
            self.hose.on = false;
        }
    }
}

/// `tenths` tenths of `value`, rounded up.
// Once, not at each call.
#[inline(never)]
fn tenths_rounded_up(value: i32, tenths: i32) -> i32 {
    value.saturating_mul(tenths).saturating_add(9) / 10
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Rpm;

    type Trace = Vec<(u64, Option<i32>)>;

    /// Runs a trace of (milliseconds, rpm or none) and returns running milliseconds and starts.
    fn run(trace: &Trace) -> (u64, u32) {
        let profile = Profile::new(4, Rpm::from_whole_rpm(700), Rpm::from_whole_rpm(6_000));
        let mut hours = Hours::new();
        hours.begin(&profile);
        let mut tracker = RunTracker::new();
        tracker.begin(&profile);
        for &(at_ms, rpm) in trace.iter() {
            tracker.sample(at_ms, rpm.map(|rpm| rpm * 4), &mut hours);
        }
        tracker.end(&mut hours);
        (hours.running_ms(), hours.starts())
    }

    fn seconds(rpm: impl IntoIterator<Item = i32>) -> Trace {
        rpm.into_iter().enumerate().map(|(second, rpm)| (second as u64 * 1_000, Some(rpm))).collect()
    }

    extern crate std;
    use std::vec::Vec;

    #[test]
    fn runs_and_starts() {
        let idle = 700;
        let cases: [(&str, Trace, u64, u32); 12] = [
            ("three seconds make a run, credited back", seconds([idle; 4]), 3_000, 1),
            ("two seconds make none", seconds([idle; 3]), 0, 0),
            ("just at 0.7 of idle", seconds([490; 11]), 10_000, 1),
            ("just under 0.7 of idle", seconds([489; 11]), 0, 0),
            ("a dip while starting starts over", seconds([idle, idle, 480, idle, idle, idle]), 0, 0),
            ("between 0.4 and 0.7 goes on", seconds([idle, idle, idle, idle, 300, 300, 300, 300]), 7_000, 1),
            ("a second under 0.4 goes on", seconds([idle, idle, idle, idle, 279, idle, idle]), 6_000, 1),
            ("two seconds under 0.4 end it", seconds([idle, idle, idle, idle, idle, 0, 0, 0, 0]), 4_000, 1),
            (
                "blank cells between good ones count in full",
                Vec::from([(0, Some(700)), (1_000, None), (2_000, None), (5_000, Some(700)), (10_000, Some(700))]),
                10_000,
                1,
            ),
            (
                "a hole over 5 s ends the run at its start",
                Vec::from([(0, Some(700)), (4_000, Some(700)), (9_001, Some(700)), (11_000, Some(700))]),
                4_000,
                1,
            ),
            (
                "and three seconds after it are a new start",
                Vec::from([(0, Some(700)), (4_000, Some(700)), (9_001, Some(700)), (12_001, Some(700))]),
                7_000,
                2,
            ),
            ("a stop and a start", seconds([700, 700, 700, 700, 0, 0, 0, 700, 700, 700, 700, 700]), 7_000, 2),
        ];
        for (name, trace, running_ms, starts) in cases {
            assert_eq!(run(&trace), (running_ms, starts), "{name}");
        }
    }

    #[test]
    fn a_hose_is_recognised_by_revs_without_way_and_left_after_a_minute_of_standstill() {
        let profile = Profile::new(4, Rpm::from_whole_rpm(700), Rpm::from_whole_rpm(6_000));
        let mut tracker = RunTracker::new();
        tracker.begin(&profile);
        let mut tick = Tick::NONE;
        let mut on_after = None;
        for second in 0..100_u32 {
            let (rpm, speed) = if second < 30 { (2_500 * 4, 200) } else { (0, 200) };
            tick.since_last_ms = if second == 0 { 0 } else { 1_000 };
            tick.set_for_test(Channel::Rpm, rpm);
            tick.set_for_test(Channel::Speed, speed);
            tracker.watch_hose(&tick);
            if tracker.hose.on && on_after.is_none() {
                on_after = Some(second);
            }
            assert_eq!(tracker.hose.on, (10..90).contains(&second), "second {second}");
        }
        assert_eq!(on_after, Some(10));
    }
}
