//! One run: samples go into a fresh monitor and into the baseline, and what both said is kept.

use monitor_core::Monitor;
use monitor_core::acquire::{ChannelSet, Readings};
use monitor_core::advise::write_event_json;
use monitor_core::time::Instant;

use super::baseline::Baseline;
use super::episode::{Episode, EpisodeBook};
use super::fault::{Fault, Moment};
use super::matching::{History, Overheat, Stretch};
use crate::plant::Truth;
use crate::profile::HostProfile;
use crate::simulate::{Scenario, TripSink, simulate};

/// The head counts as cooled again this far under its limit, in kelvin: the hysteresis of the switch.
const REARM_K: f64 = 20.0;
/// Ticks further apart are a hole: time across it is no running time, in milliseconds.
const HOLE_MS: i64 = 5_000;

/// The commissioning run teaches what is normal and is not scored.
const COMMISSIONING_TRIP: i16 = -1;

/// What happened in a run and what was said.
#[derive(Debug, Default)]
pub(super) struct Run {
    /// What really happened.
    pub(super) history: History,
    /// What the monitor said.
    pub(super) ours: Vec<Episode>,
    /// What the baseline said.
    pub(super) baseline: Vec<Episode>,
    /// Events that the monitor lost.
    pub(super) events_lost: u32,
    /// Idle and rated speed of the engine, in rpm.
    pub(super) speeds: Speeds,
}

/// Speeds by which loads are named, in rpm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Speeds {
    /// Idle.
    pub(super) idle: i32,
    /// Rated speed, or the greatest permitted where it is not known.
    pub(super) rated: i32,
}

/// Simulates one run and keeps what is needed to judge it; samples are judged as they come and not kept.
#[must_use]
pub(super) fn observe(scenario: &Scenario, seed: u64) -> Run {
    let mut observer = Observer::default();
    let simulated = simulate(scenario, seed, &mut observer);
    observer.finish(Fault::all(&simulated.labels))
}

/// The events of one run as JSON Lines: those of the files that `simulate` writes, replayed.
#[must_use]
pub fn events_of(scenario: &Scenario, seed: u64) -> String {
    let mut observer = Observer { lines: Some(String::new()), ..Observer::default() };
    simulate(scenario, seed, &mut observer);
    observer.lines.unwrap_or_default()
}

/// Takes the trips of one run.
#[derive(Debug, Default)]
struct Observer {
    watched: Option<Watched>,
    trip: i16,
    channels: ChannelSet,
    /// A sample of this trip has come.
    begun: bool,
    last: Option<Moment>,
    /// The last decision tick with a running engine.
    last_running: Option<Moment>,
    run_began: Option<Moment>,
    book: EpisodeBook,
    history: History,
    head_is_over: bool,
    lines: Option<String>,
}

/// Who watches, and the limit of the head.
#[derive(Debug)]
struct Watched {
    /// Never moved once it has begun.
    monitor: Box<Monitor>,
    baseline: Baseline,
    head_limit_c: f64,
    speeds: Speeds,
}

impl Watched {
    fn new(profile: &HostProfile) -> Option<Self> {
        let core = &profile.core;
        let mut monitor = Box::new(Monitor::new());
        monitor.begin(core).ok()?;
        Some(Self {
            monitor,
            baseline: Baseline::new(core),
            head_limit_c: f64::from(core.head_limit_or_default().as_millicelsius()) / 1_000.0,
            speeds: Speeds { idle: core.idle.as_quarter_rpm() / 4, rated: core.rated_or_max().as_quarter_rpm() / 4 },
        })
    }
}

impl TripSink for Observer {
    fn begin_run(&mut self, profile: &HostProfile) {
        // Scenarios with a profile that contradicts itself are refused when they are read.
        self.watched = Watched::new(profile);
    }

    fn begin_trip(&mut self, trip: i16, channels: ChannelSet) {
        self.trip = trip;
        self.channels = channels;
        self.begun = false;
        self.last = None;
        self.last_running = None;
        self.run_began = None;
        self.head_is_over = false;
    }

    fn sample(&mut self, at: Instant, readings: &Readings) {
        let now = Moment { trip: self.trip, at_ms: at.as_millis() };
        self.last = Some(now);
        let Some(watched) = &mut self.watched else { return };
        if !self.begun {
            self.begun = true;
            watched.monitor.begin_trip(at, self.trip);
            watched.monitor.expect_channels(self.channels);
            watched.baseline.begin_trip();
        }
        watched.baseline.sample(now, readings);
        if let Some(tick) = watched.monitor.step(at, readings) {
            self.tick(tick);
        }
    }

    fn truth(&mut self, at: Instant, truth: &Truth) {
        let Some(watched) = &self.watched else { return };
        if self.trip == COMMISSIONING_TRIP {
            return;
        }
        if truth.firing && truth.head_c > watched.head_limit_c {
            if !self.head_is_over {
                let at = Moment { trip: self.trip, at_ms: at.as_millis() };
                let trip_ends_ms = at.at_ms;
                self.history.overheats.push(Overheat { at, rpm: truth.rpm, trip_ends_ms });
            }
            self.head_is_over = true;
        } else if truth.head_c < watched.head_limit_c - REARM_K {
            self.head_is_over = false;
        }
    }

    fn end_trip(&mut self) {
        let (Some(watched), Some(last)) = (&mut self.watched, self.last) else { return };
        watched.baseline.end_trip(last);
        if let Some(tick) = watched.monitor.end_trip() {
            self.tick(tick);
        }
        for overheat in &mut self.history.overheats {
            if overheat.at.trip == self.trip {
                overheat.trip_ends_ms = last.at_ms;
            }
        }
    }
}

impl Observer {
    /// A decision tick closed: was the engine running, and what was said?
    fn tick(&mut self, tick: Instant) {
        let Some(watched) = &mut self.watched else { return };
        let at = Moment { trip: self.trip, at_ms: tick.as_millis() };
        let run = watched.monitor.run();
        self.run_began = run.running.then(|| at.later(-i64::from(run.since_start_ms)));
        let is_scored = self.trip > COMMISSIONING_TRIP;
        if run.running && is_scored {
            self.history.credit(self.last_running, at);
        }
        self.last_running = run.running.then_some(at);
        while let Some(event) = watched.monitor.next_event() {
            if is_scored {
                self.book.take(&event, self.run_began);
            }
            if let Some(lines) = &mut self.lines {
                // Writing to a String cannot fail.
                let _ = write_event_json(&event, lines);
            }
        }
    }

    fn finish(mut self, faults: Vec<Fault>) -> Run {
        self.history.faults = faults;
        let Some(watched) = self.watched else {
            return Run { history: self.history, ..Run::default() };
        };
        Run {
            history: self.history,
            ours: self.book.finish(),
            events_lost: watched.monitor.lost(),
            baseline: watched.baseline.finish(),
            speeds: watched.speeds,
        }
    }
}

impl History {
    /// Counts the time between two ticks at both of which the engine ran.
    fn credit(&mut self, from: Option<Moment>, to: Moment) {
        let Some(from) = from else { return };
        if from.trip != to.trip || to.at_ms <= from.at_ms || to.at_ms - from.at_ms > HOLE_MS {
            return;
        }
        match self.running.last_mut() {
            Some(stretch) if stretch.trip == from.trip && stretch.to_ms == from.at_ms => stretch.to_ms = to.at_ms,
            _ => self.running.push(Stretch { trip: to.trip, from_ms: from.at_ms, to_ms: to.at_ms }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn running_time_is_put_together_to_stretches() {
        let mut history = History::default();
        let at = |trip, at_ms| Moment { trip, at_ms };
        let ticks = [
            (None, at(0, 1_000)),
            (Some(at(0, 1_000)), at(0, 2_000)),
            (Some(at(0, 2_000)), at(0, 4_000)),
            (Some(at(0, 4_000)), at(0, 9_001)),
            (Some(at(0, 9_001)), at(0, 10_000)),
            (Some(at(0, 10_000)), at(1, 11_000)),
            (Some(at(1, 11_000)), at(1, 10_500)),
        ];
        for (from, to) in ticks {
            history.credit(from, to);
        }
        let stretch = |from_ms, to_ms| Stretch { trip: 0, from_ms, to_ms };
        assert_eq!(history.running, [stretch(1_000, 4_000), stretch(9_001, 10_000)]);
    }
}
