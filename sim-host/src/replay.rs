//! The drive loop: rows of traces go into one monitor, its events come out, one trip after the other.
//!
//! Memory stays flat: nothing is kept of a trace but its totals.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

use monitor_core::acquire::{Channel, ChannelSet};
use monitor_core::advise::write_event_json;
use monitor_core::calibration::Calibration;
use monitor_core::condition::RunState;
use monitor_core::detect::Unavailable;
use monitor_core::event::{Event, State};
use monitor_core::finding::{Finding, Level};
use monitor_core::ledger::store::{Progress, StoreError, Work};
use monitor_core::profile::ProfileError;
use monitor_core::time::Instant;
use monitor_core::{LearnedStretch, Monitor};

use crate::actions::Action;
use crate::columns::ColumnMap;
use crate::commission::Coverage;
use crate::doubt::{Doubt, Watch};
use crate::memory::{RegionFlash, random_key};
use crate::problem::{Exit, Problem};
use crate::profile::HostProfile;
use crate::quality::AlarmQuality;
use crate::texts;
use crate::trace::ahead::with_rows;
use crate::trace::{Complaint, Row, TraceReader};

/// The number of the commissioning run among the trips.
const COMMISSIONING: i16 = -1;

/// All that a replay works on; read and checked before the first trace is opened.
#[derive(Debug)]
pub struct Plan {
    /// The engine.
    pub profile: HostProfile,
    /// Where the channels stand in the traces; `None` for the project's own layout.
    pub columns: Option<ColumnMap>,
    /// What people do meanwhile, in the order of their file.
    pub actions: Vec<Action>,
    /// One trip each, in this order.
    pub traces: Vec<PathBuf>,
    /// The commissioning run, replayed before them as trip −1.
    pub commission: Option<PathBuf>,
    /// Whether a normal that is known already is to be forgotten for it.
    pub relearn: bool,
}

/// The beginning of a trip.
#[derive(Debug, Clone, Copy)]
pub struct TripStart<'a> {
    /// Position on the command line.
    pub trip: i16,
    /// The trace.
    pub file: &'a str,
    /// Stamp of its first row.
    pub first: Instant,
}

/// Where events go: one implementation for each output format.
pub trait EventSink {
    /// A trip begins.
    ///
    /// # Errors
    /// The output cannot be written.
    fn begin_trip(&mut self, trip: &TripStart<'_>) -> io::Result<()>;

    /// A row was judged, and this is the run state after it.
    fn row(&mut self, _row: &Row, _state: RunState) {}

    /// Something happened.
    ///
    /// # Errors
    /// The output cannot be written.
    fn event(&mut self, event: &Event) -> io::Result<()>;

    /// Everything so far must be out: something else is about to be said.
    ///
    /// # Errors
    /// The output cannot be written.
    fn flush(&mut self) -> io::Result<()>;
}

/// Where everything else goes that a reader should know of at once.
pub trait NoteSink {
    /// A trace cannot be used, or not to its end.
    fn problem(&mut self, problem: &Problem);
    /// Columns of a trace that are not known, and the channels that it has.
    fn unknown_columns(&mut self, file: &Path, columns: &[String], present: ChannelSet);
    /// The first bad rows of a trace.
    fn bad_rows(&mut self, file: &Path, rows: &[Complaint]);
    /// A trip is over.
    fn trip_done(&mut self, trip: &Trip);
}

/// Events as JSON Lines, byte for byte as the core writes them.
#[derive(Debug)]
pub struct JsonLines<W> {
    out: W,
    line: String,
}

impl<W: io::Write> JsonLines<W> {
    /// JSON Lines written to `out`.
    pub const fn new(out: W) -> Self {
        Self { out, line: String::new() }
    }
}

impl<W: io::Write> EventSink for JsonLines<W> {
    fn begin_trip(&mut self, _trip: &TripStart<'_>) -> io::Result<()> {
        Ok(())
    }

    fn event(&mut self, event: &Event) -> io::Result<()> {
        self.line.clear();
        write_event_json(event, &mut self.line).map_err(io::Error::other)?;
        self.out.write_all(self.line.as_bytes())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

/// What one trip came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trip {
    /// Position on the command line.
    pub trip: i16,
    /// The trace.
    pub file: String,
    /// Running time in milliseconds.
    pub running_ms: u64,
    /// Entries into running.
    pub starts: u64,
    /// Findings raised.
    pub raised: u64,
    /// Rows used.
    pub rows_read: u64,
    /// Rows not used, by cause.
    pub rows_skipped: BTreeMap<&'static str, u64>,
    /// Why less was judged than a reader may think.
    pub doubts: Vec<Doubt>,
}

/// A finding that could not be found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotPossible {
    /// The finding.
    pub finding: Finding,
    /// Why.
    pub why: Unavailable,
    /// In which trips.
    pub trips: Vec<i16>,
}

/// What a replay came to.
#[derive(Debug, Default)]
pub struct Outcome {
    /// The trips of which something could be read.
    pub trips: Vec<Trip>,
    /// Rows used in all traces.
    pub rows_read: u64,
    /// Rows not used in all traces, by cause.
    pub rows_skipped: BTreeMap<&'static str, u64>,
    /// What could not be found.
    pub not_possible: Vec<NotPossible>,
    /// Requests that changed nothing.
    pub actions_without_effect: u64,
    /// How the alarms behaved.
    pub alarms: AlarmQuality,
    /// What the profile says of the sensors; nothing was done with it.
    pub calibration: Calibration,
    /// The highest level that was raised or changed to.
    pub worst: Option<Level>,
    /// The worst problem that a trace had.
    pub failed: Option<Exit>,
    /// What the commissioning run held, where there was one.
    pub coverage: Option<Coverage>,
    /// What is known of this engine at the end.
    pub learned: Vec<LearnedStretch>,
    /// Places in the memory that held something and could not be read at the start.
    pub damaged: u16,
}

/// Why a replay ended before its end.
#[derive(Debug)]
pub enum Stop {
    /// The profile contradicts itself; never so for one that came from a file.
    Profile(ProfileError),
    /// The events cannot be written.
    Output(io::Error),
    /// The store refused the memory.
    Memory(StoreError),
    /// The engine was commissioned before.
    Commissioned,
}

impl From<StoreError> for Stop {
    fn from(error: StoreError) -> Self {
        Self::Memory(error)
    }
}

impl From<io::Error> for Stop {
    fn from(error: io::Error) -> Self {
        Self::Output(error)
    }
}

/// Replays all traces of `plan` as consecutive trips of one engine.
///
/// A trace that cannot be read is reported and the others go on. With a `memory` each trip is a power-up of its store.
///
/// # Errors
/// The profile contradicts itself, `events` cannot be written, or the store refuses the memory.
pub fn replay(
    plan: &Plan,
    memory: Option<&mut RegionFlash>,
    events: &mut dyn EventSink,
    notes: &mut dyn NoteSink,
) -> Result<Outcome, Stop> {
    // The monitor is never moved once it has begun.
    let mut monitor = Box::new(Monitor::new());
    monitor.begin(&plan.profile.core).map_err(Stop::Profile)?;
    let outcome = Outcome { calibration: plan.profile.calibration, ..Outcome::default() };
    let mut run = Run { plan, monitor: &mut monitor, memory, events, notes, outcome, coverage: None, raised: 0 };
    if let Some(path) = &plan.commission {
        run.commission(path)?;
    }
    for (trip, path) in (0..).zip(&plan.traces) {
        run.trip(trip, path)?;
    }
    run.outcome.learned = run.monitor.learned().collect();
    let tried = run.plan.traces.len();
    // Actions of trips that never were.
    let never = plan.actions.iter().filter(|action| !usize::try_from(action.trip).is_ok_and(|trip| trip < tried));
    run.outcome.actions_without_effect += count(never);
    Ok(run.outcome)
}

struct Run<'a> {
    plan: &'a Plan,
    monitor: &'a mut Monitor,
    memory: Option<&'a mut RegionFlash>,
    events: &'a mut dyn EventSink,
    notes: &'a mut dyn NoteSink,
    outcome: Outcome,
    /// While the commissioning run is replayed.
    coverage: Option<Coverage>,
    raised: u64,
}

impl Run<'_> {
    /// The commissioning run: what it shows is this engine's normal.
    fn commission(&mut self, path: &Path) -> Result<(), Stop> {
        self.power_up()?;
        if self.monitor.learned().next().is_some() {
            if !self.plan.relearn {
                return Err(Stop::Commissioned);
            }
            self.monitor.relearn();
        }
        self.coverage = Some(Coverage::new(self.monitor));
        self.trip(COMMISSIONING, path)?;
        if let Some(mut coverage) = self.coverage.take() {
            coverage.finish(self.monitor);
            let readable = self.outcome.trips.iter().any(|trip| trip.trip == COMMISSIONING);
            if readable && !coverage.is_of_use() {
                self.failed(&texts::nothing_to_learn(path, coverage.was_on_hose()))?;
            }
            self.outcome.coverage = readable.then_some(coverage);
        }
        Ok(())
    }

    fn trip(&mut self, trip: i16, path: &Path) -> Result<(), Stop> {
        let mut pending: Vec<_> = self.plan.actions.iter().copied().filter(|action| action.trip == trip).collect();
        match TraceReader::open(path, self.plan.columns.as_ref()) {
            Ok(mut reader) => self.rows(trip, path, &mut reader, &mut pending)?,
            Err(problem) => self.failed(&problem)?,
        }
        self.outcome.actions_without_effect += count(pending.iter());
        Ok(())
    }

    fn rows(
        &mut self,
        trip: i16,
        path: &Path,
        reader: &mut TraceReader,
        pending: &mut Vec<Action>,
    ) -> Result<(), Stop> {
        let file = path.to_string_lossy();
        self.power_up()?;
        let (running_before_ms, starts_before) = (self.monitor.hours().running_ms(), self.monitor.hours().starts());
        self.raised = 0;
        let mut begun = false;
        let mut watch = Watch::default();
        let lost_before = self.monitor.lost();
        let channels = reader.channels();
        let problem = with_rows(reader, |next| -> Result<Option<Problem>, Stop> {
            loop {
                let row = match next() {
                    Ok(Some(row)) => row,
                    Ok(None) => return Ok(None),
                    Err(problem) => return Ok(Some(problem)),
                };
                if !begun {
                    begun = true;
                    self.monitor.begin_trip(row.stamp, trip);
                    self.monitor.expect_channels(channels);
                    self.outcome.alarms.begin_trip(row.stamp.as_millis());
                    self.events.begin_trip(&TripStart { trip, file: &file, first: row.stamp })?;
                }
                watch.row(&row);
                if let Some(tick) = self.monitor.step(row.stamp, &row.readings) {
                    self.tick(tick, pending)?;
                }
                self.events.row(&row, self.monitor.run().state);
                self.keep(row.stamp)?;
            }
        })?;
        if begun {
            let last = self.monitor.end_trip();
            self.drain()?;
            if let Some(tick) = last {
                self.tick(tick, pending)?;
                self.keep(tick)?;
            }
            self.outcome.alarms.end_trip();
        }
        self.events.flush()?;
        self.notes.unknown_columns(path, reader.unknown_columns(), reader.channels());
        self.notes.bad_rows(path, reader.complaints());
        if let Some(problem) = problem {
            self.failed(&problem)?;
        }
        self.outcome.rows_read += reader.rows_read();
        for (cause, rows) in reader.rows_skipped() {
            *self.outcome.rows_skipped.entry(cause).or_default() += rows;
        }
        if begun {
            self.not_possible(trip, reader.channels());
            let running_ms = self.monitor.hours().running_ms() - running_before_ms;
            let mut doubts = watch.doubts(running_ms > 0, self.plan.profile.core.idle);
            let meter = self.plan.profile.core.fitted.and(reader.channels()).contains(Channel::Flow);
            if meter && running_ms > 0 && !self.monitor.idle_stream_readable() {
                doubts.push(Doubt::IdleStreamUnread);
            }
            let lost = self.monitor.lost() - lost_before;
            if lost > 0 {
                doubts.push(Doubt::Lost { count: lost });
            }
            let done = Trip {
                trip,
                file: file.into_owned(),
                running_ms,
                starts: u64::from(self.monitor.hours().starts() - starts_before),
                raised: self.raised,
                rows_read: reader.rows_read(),
                rows_skipped: reader.rows_skipped().clone(),
                doubts,
            };
            self.notes.trip_done(&done);
            self.outcome.trips.push(done);
        }
        Ok(())
    }

    /// Opens the store of the memory, as a board does when it gets power.
    fn power_up(&mut self) -> Result<(), Stop> {
        let Some(flash) = self.memory.as_deref_mut() else { return Ok(()) };
        self.monitor.open(flash, 0)?;
        if self.outcome.trips.is_empty() {
            self.outcome.damaged = self.monitor.store().damaged();
        }
        while !self.monitor.is_ready() {
            let _ = self.monitor.service(Instant::from_millis(0), flash)?;
        }
        // A memory that has a key keeps it. Without random numbers there is none, which the service book says.
        if let Some(random) = random_key() {
            while self.monitor.make_chain_key(flash, &random)? == Progress::Again {}
        }
        Ok(())
    }

    /// Writes what is due.
    fn keep(&mut self, now: Instant) -> Result<(), Stop> {
        let Some(flash) = self.memory.as_deref_mut() else {
            // Without a memory the plan is that of the profile, and nothing was ever signed.
            if self.monitor.care_is_stale() {
                self.monitor.review_care(&self.plan.profile.care);
            }
            return Ok(());
        };
        while self.monitor.service(now, flash)? != Work::Nothing {}
        Ok(())
    }

    /// The events of a decision tick, then what people do at it.
    fn tick(&mut self, tick: Instant, pending: &mut Vec<Action>) -> io::Result<()> {
        self.outcome.alarms.tick(tick.as_millis());
        if let Some(coverage) = &mut self.coverage {
            coverage.tick(self.monitor, tick);
        }
        self.drain()?;
        if pending.iter().all(|action| action.at > tick) {
            return Ok(());
        }
        let (due, later) = pending.iter().partition(|action| action.at <= tick);
        *pending = later;
        let due: Vec<Action> = due;
        for action in due {
            if self.monitor.handle(tick, action.command).is_err() {
                self.outcome.actions_without_effect += 1;
            }
            self.drain()?;
        }
        Ok(())
    }

    fn drain(&mut self) -> io::Result<()> {
        while let Some(event) = self.monitor.next_event() {
            if matches!(event.state, State::Raised | State::LevelChanged) && event.trip >= 0 {
                self.outcome.worst = self.outcome.worst.max(Some(event.level));
            }
            if event.state == State::Raised {
                self.raised += 1;
            }
            self.outcome.alarms.event(&event);
            self.events.event(&event)?;
        }
        Ok(())
    }

    fn not_possible(&mut self, trip: i16, present: ChannelSet) {
        let profile = &self.plan.profile.core;
        // A sensor that is not in the recording cannot be judged; that is how its channel is named, whatever else
        // needs it.
        let absent = Channel::ALL.into_iter().filter(|channel| profile.fitted.contains(*channel));
        let absent = absent.filter(|channel| !present.contains(*channel));
        let unjudged = absent.map(|channel| (Finding::SensorOpen, Unavailable::NotRecorded(channel)));
        let without_plan =
            self.plan.profile.care.is_empty().then_some((Finding::ServiceDue, Unavailable::NoServicePlan));
        // A recording has no clock that the monitor believes.
        let care = [(Finding::FuelOld, Unavailable::NoClock)].into_iter().chain(without_plan);
        for (finding, why) in monitor_core::detect::unavailable(profile, present).chain(unjudged).chain(care) {
            let known = &mut self.outcome.not_possible;
            match known.iter_mut().find(|known| known.finding == finding && known.why == why) {
                Some(known) => known.trips.push(trip),
                None => known.push(NotPossible { finding, why, trips: vec![trip] }),
            }
        }
    }

    fn failed(&mut self, problem: &Problem) -> io::Result<()> {
        self.events.flush()?;
        self.notes.problem(problem);
        self.outcome.failed = self.outcome.failed.max(Some(problem.exit));
        Ok(())
    }
}

fn count<T>(items: impl Iterator<Item = T>) -> u64 {
    u64::try_from(items.count()).unwrap_or(u64::MAX)
}
