//! Standard error: everything that a reader should know and that is no event.

use std::io::{self, Write};
use std::path::Path;

use monitor_core::acquire::ChannelSet;

use crate::commission::Coverage;
use crate::problem::Problem;
use crate::replay::{NoteSink, Outcome, Trip};
use crate::texts;
use crate::timeline::{clock, write_wrapped};
use crate::trace::Complaint;

/// Says one line with its kind before it.
pub(super) fn say(kind: &str, text: &str) {
    // Where standard error is closed there is nobody to tell.
    let _ = writeln!(io::stderr(), "{kind}: {text}");
}

/// Says one line to be copied, so without breaks.
pub(super) fn say_as_it_is(line: &str) {
    let _ = writeln!(io::stderr(), "{line}");
}

/// Says a text in lines of 80 columns.
pub(super) fn say_wrapped(text: &str) {
    let _ = write_wrapped(&mut io::stderr(), "", text, 2);
}

/// What could not be found, why, and what people asked for in vain.
pub(super) fn say_outcome(outcome: &Outcome) {
    let mut said: Vec<(String, Vec<&str>)> = Vec::new();
    for entry in &outcome.not_possible {
        let why = texts::why_in_trips(entry.why, &entry.trips, outcome.trips.len());
        match said.iter_mut().find(|(said_why, _)| *said_why == why) {
            Some((_, findings)) => findings.push(entry.finding.name()),
            None => said.push((why, vec![entry.finding.name()])),
        }
    }
    for (why, findings) in said {
        say_wrapped(&format!("{}: {} ({why}).", texts::NOT_POSSIBLE, findings.join(", ")));
    }
    for gap in outcome.coverage.iter().flat_map(Coverage::gaps) {
        say_wrapped(&format!("note: {}", texts::commissioning_gap(&gap)));
    }
    if outcome.alarms.raised > 0 {
        say_wrapped(&texts::alarm_quality(&outcome.alarms));
    }
    if outcome.actions_without_effect > 0 {
        say_wrapped(&texts::actions_without_effect(outcome.actions_without_effect));
    }
}

/// Notes of a replay, written to standard error as they come.
#[derive(Debug, Clone, Copy)]
pub(super) struct StandardError;

impl NoteSink for StandardError {
    fn problem(&mut self, problem: &Problem) {
        say("error", &problem.to_string());
    }

    fn unknown_columns(&mut self, file: &Path, columns: &[String], present: ChannelSet) {
        if !columns.is_empty() {
            say("note", &format!("{}: {}", file.display(), texts::unknown_columns(columns, present)));
        }
    }

    fn bad_rows(&mut self, file: &Path, rows: &[Complaint]) {
        for row in rows {
            say("note", &format!("{}:{}: {}", file.display(), row.line, texts::bad_row(&row.cause)));
        }
    }

    fn trip_done(&mut self, trip: &Trip) {
        let running = clock(i64::try_from(trip.running_ms).unwrap_or(i64::MAX));
        let mut text = texts::trip_total(trip.trip, &trip.file, &running, trip.starts, trip.rows_read, trip.raised);
        if !trip.rows_skipped.is_empty() {
            let causes: Vec<_> = trip.rows_skipped.iter().map(|(cause, rows)| (*cause, *rows)).collect();
            text = format!("{text}, {}", texts::rows_skipped(&causes));
        }
        say_wrapped(&text);
        for doubt in &trip.doubts {
            say_wrapped(&format!("note: {}: {}", trip.file, texts::doubt(*doubt)));
        }
    }
}
