//! Making the calls of a feed.

use core::fmt;

use monitor_core::Monitor;
use monitor_core::advise::write_event_json;
use monitor_core::profile::ProfileError;

use crate::feed::{FeedError, FeedReader, Record, Source};
use crate::output::{Output, Sink};

/// Told when a measured part of the monitor begins and ends, so that an emulator can count instructions.
pub trait Marks {
    /// `step` or `end_trip` comes next.
    fn step_begins(&mut self) {}
    /// `step` or `end_trip` has returned.
    fn step_ended(&mut self) {}
    /// `signals` comes next.
    fn signals_begin(&mut self) {}
    /// `signals` has returned.
    fn signals_ended(&mut self) {}
}

/// Measures nothing.
#[derive(Debug, Clone, Copy, Default)]
pub struct NoMarks;

impl Marks for NoMarks {}

/// Room for feed and events on their way. A board keeps it apart from the stack.
#[derive(Debug)]
pub struct Blocks {
    /// Holds what is fetched from the source at a time.
    pub feed: [u8; 512],
    /// Holds what is handed to the sink at a time.
    pub events: [u8; 512],
}

impl Blocks {
    /// Empty room.
    #[must_use]
    pub const fn new() -> Self {
        Self { feed: [0; 512], events: [0; 512] }
    }
}

impl Default for Blocks {
    fn default() -> Self {
        Self::new()
    }
}

/// What a feed amounted to. Host and board must agree on it as they must on the events.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct RunReport {
    /// Rows stepped through.
    pub rows: u32,
    /// Decision ticks closed.
    pub ticks: u32,
    /// Events written.
    pub events: u32,
    /// Requests that had no effect.
    pub refused: u32,
    /// Rows after which the lamp was lit.
    pub lamp_rows: u32,
    /// Rows after which the sounder sounded.
    pub sound_rows: u32,
    /// Running time in whole seconds.
    pub running_s: u32,
    /// Entries into running.
    pub starts: u32,
}

impl RunReport {
    /// The numbers with their names, in a fixed order.
    #[must_use]
    pub fn lines(&self) -> [(&'static str, u32); 8] {
        [
            ("rows", self.rows),
            ("ticks", self.ticks),
            ("events", self.events),
            ("refused", self.refused),
            ("lamp_rows", self.lamp_rows),
            ("sound_rows", self.sound_rows),
            ("running_s", self.running_s),
            ("starts", self.starts),
        ]
    }
}

/// Why a feed could not be run to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum RunError<S, K> {
    /// The feed is damaged or cannot be read.
    Feed(FeedError<S>),
    /// The events cannot be written.
    Sink(K),
    /// An event cannot be put into words.
    Event,
    /// The profile contradicts itself.
    Profile(ProfileError),
    /// The feed steps through rows before it says which engine they are from.
    NoProfile,
}

impl<S: fmt::Display, K: fmt::Display> fmt::Display for RunError<S, K> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Feed(error) => error.fmt(f),
            Self::Sink(error) => write!(f, "the events cannot be written: {error}"),
            Self::Event => f.write_str("an event cannot be put into words"),
            Self::Profile(error) => write!(f, "the profile in the feed is unusable: {error}"),
            Self::NoProfile => f.write_str("the feed does not begin with a profile"),
        }
    }
}

impl<S: fmt::Debug + fmt::Display, K: fmt::Debug + fmt::Display> core::error::Error for RunError<S, K> {}

/// Makes the calls of the feed in `source` on `monitor` and writes the events to `sink` as JSON Lines.
///
/// # Errors
/// The feed is damaged, source or sink fail, or the profile in the feed is unusable. Events up to there are written.
pub fn run_feed<S: Source, K: Sink, M: Marks>(
    monitor: &mut Monitor,
    blocks: &mut Blocks,
    source: S,
    sink: K,
    marks: &mut M,
) -> Result<RunReport, RunError<S::Error, K::Error>> {
    let mut output = Output::new(sink, &mut blocks.events);
    let feed = FeedReader::new(source, &mut blocks.feed).map_err(RunError::Feed)?;
    let mut report = RunReport::default();
    let result = run_records(monitor, feed, &mut output, marks, &mut report);
    output.flush().map_err(RunError::Sink)?;
    result?;
    report.running_s = u32::try_from(monitor.hours().running_s()).unwrap_or(u32::MAX);
    report.starts = monitor.hours().starts();
    Ok(report)
}

fn run_records<S: Source, K: Sink, M: Marks>(
    monitor: &mut Monitor,
    mut feed: FeedReader<'_, S>,
    output: &mut Output<'_, K>,
    marks: &mut M,
    report: &mut RunReport,
) -> Result<(), RunError<S::Error, K::Error>> {
    let mut has_profile = false;
    while let Some(record) = feed.next_record().map_err(RunError::Feed)? {
        if !has_profile && !matches!(record, Record::Profile(_)) {
            return Err(RunError::NoProfile);
        }
        match record {
            Record::Profile(profile) => {
                monitor.begin(&profile).map_err(RunError::Profile)?;
                has_profile = true;
            }
            Record::Begin { trip, now } => monitor.begin_trip(now, trip),
            Record::Row { now, readings } => {
                count(&mut report.rows, true);
                marks.step_begins();
                let tick = monitor.step(now, &readings);
                marks.step_ended();
                count(&mut report.ticks, tick.is_some());
                marks.signals_begin();
                let signals = monitor.signals(now);
                marks.signals_ended();
                count(&mut report.lamp_rows, signals.lamp);
                count(&mut report.sound_rows, signals.sound);
            }
            Record::Finish => {
                marks.step_begins();
                let tick = monitor.end_trip();
                marks.step_ended();
                count(&mut report.ticks, tick.is_some());
            }
            Record::Command { now, command } => {
                let refused = monitor.handle(now, command).is_err();
                count(&mut report.refused, refused);
            }
        }
        while let Some(event) = monitor.next_event() {
            count(&mut report.events, true);
            write_event_json(&event, output).map_err(|fmt::Error| RunError::Event)?;
        }
    }
    Ok(())
}

fn count(counter: &mut u32, happened: bool) {
    *counter = counter.saturating_add(u32::from(happened));
}
