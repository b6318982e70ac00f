//! `--plot`: a replay as one page of HTML that needs nothing from outside.

mod buckets;
mod page;

use std::io;
use std::path::Path;

use monitor_core::condition::RunState;
use monitor_core::event::{Event, State};
use monitor_core::finding::Level;
use monitor_core::time::Instant;

use crate::profile::HostProfile;
use crate::replay::{EventSink, Outcome, Trip, TripStart};
use crate::texts;
use crate::timeline::evidence_texts;
use crate::trace::Row;
use buckets::Buckets;

/// Most findings of a trip that are drawn and listed. The events themselves are on standard output, all of them.
const MOST_FINDINGS: usize = 1_000;

/// Keeps what a page shows while the events go on to another sink. Memory is bounded for each trip.
pub struct Recorder {
    events: Box<dyn EventSink>,
    trips: Vec<PlotTrip>,
}

impl Recorder {
    /// Records what passes to `events`.
    #[must_use]
    pub fn new(events: Box<dyn EventSink>) -> Self {
        Self { events, trips: Vec::new() }
    }

    /// The page.
    #[must_use]
    pub fn to_html(&self, profile: &HostProfile, outcome: &Outcome) -> String {
        page::to_html(self, profile, outcome)
    }
}

impl std::fmt::Debug for Recorder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recorder").field("trips", &self.trips.len()).finish_non_exhaustive()
    }
}

/// One trip.
struct PlotTrip {
    trip: i16,
    file: String,
    first: Instant,
    buckets: Buckets,
    findings: Vec<PlotFinding>,
    /// Findings for which there was no room.
    left_out: u64,
}

/// One finding from its raising to its end.
#[derive(Clone)]
struct PlotFinding {
    id: u32,
    /// Its name in events.
    name: &'static str,
    /// In plain words.
    words: String,
    /// The highest level it had.
    level: Level,
    from_ms: i64,
    /// It was raised in an earlier trip and not over at its end.
    is_carried: bool,
    /// How it ended and when; `None` while it stands.
    end: Option<(i64, String)>,
    /// The numbers that spoke for it when it was raised.
    evidence: String,
    checks: Vec<&'static str>,
}

impl PlotTrip {
    fn at_ms(&self, stamp: Instant) -> i64 {
        stamp.as_millis().saturating_sub(self.first.as_millis())
    }

    fn take(&mut self, event: &Event) {
        let at_ms = self.at_ms(event.stamp);
        if event.state == State::Raised {
            if self.findings.len() == MOST_FINDINGS {
                self.left_out += 1;
                return;
            }
            self.findings.push(PlotFinding {
                id: event.id,
                name: event.finding.name(),
                words: texts::finding(event.finding, event.channel),
                level: event.level,
                from_ms: at_ms,
                is_carried: false,
                end: None,
                evidence: evidence_texts(event).join(", "),
                checks: monitor_core::advise::checks(event.finding).iter().map(|id| texts::check(id)).collect(),
            });
            return;
        }
        let Some(finding) = self.findings.iter_mut().rev().find(|finding| finding.id == event.id) else { return };
        finding.level = finding.level.max(event.level);
        if matches!(event.state, State::Cleared | State::Replaced | State::OutOfService) {
            let how = texts::later_state(event.state, event.alarm_state, event.level, None);
            finding.end = Some((at_ms, how));
        }
    }
}

impl EventSink for Recorder {
    fn begin_trip(&mut self, trip: &TripStart<'_>) -> io::Result<()> {
        let open =
            self.trips.last().into_iter().flat_map(|last| &last.findings).filter(|finding| finding.end.is_none());
        let open = open.map(|finding| PlotFinding { from_ms: 0, is_carried: true, ..finding.clone() }).collect();
        self.trips.push(PlotTrip {
            trip: trip.trip,
            file: Path::new(trip.file).file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
            first: trip.first,
            buckets: Buckets::new(),
            findings: open,
            left_out: 0,
        });
        self.events.begin_trip(trip)
    }

    fn row(&mut self, row: &Row, state: RunState) {
        if let Some(trip) = self.trips.last_mut() {
            let at_ms = trip.at_ms(row.stamp);
            trip.buckets.add(at_ms, row, state);
        }
        self.events.row(row, state);
    }

    fn event(&mut self, event: &Event) -> io::Result<()> {
        if let Some(trip) = self.trips.last_mut() {
            trip.take(event);
        }
        self.events.event(event)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.events.flush()
    }
}

/// The totals of a trip by its number.
fn totals(outcome: &Outcome, trip: i16) -> Option<&Trip> {
    outcome.trips.iter().find(|known| known.trip == trip)
}
