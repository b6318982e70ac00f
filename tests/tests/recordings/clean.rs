//! Every recording as it is: exit 0, the hours of the hand count, and silence where a sensible mechanic would expect it.

use std::path::Path;

use lookastern_tests::{Outcome, Replay, recordings, say};

use crate::catalogue::{CAR, Justified, LOOP, MARINE, PUMP, Recording};
use crate::table::Table;

#[test]
fn road_cars_stay_silent_and_their_hours_are_right() {
    replay_all("road cars", CAR);
}

#[test]
fn marine_snippets_stay_silent_and_their_hours_are_right() {
    replay_all("marine snippets", MARINE);
}

#[test]
fn water_loops_stay_silent_but_for_air_in_the_pump() {
    replay_all("water loops", LOOP);
}

#[test]
fn pump_loops_stay_silent_on_either_meter() {
    replay_all("pump loops", PUMP);
}

fn replay_all(test: &str, table: &[Recording]) {
    let Some(directory) = recordings(test) else { return };
    let mut wrong = Vec::new();
    for recording in table {
        if let Err(cause) = replay_clean(&directory, recording) {
            wrong.push(format!("{} with {}: {cause}", recording.file, recording.layout.map));
        }
    }
    assert!(wrong.is_empty(), "{} of {} went wrong:\n  {}", wrong.len(), table.len(), wrong.join("\n  "));
}

fn replay_clean(directory: &Path, recording: &Recording) -> Result<(), String> {
    let table = recording.load(directory)?;
    let outcome = replay(directory, recording, &table)?;
    let (running_s, starts) = check_hours(&outcome, recording)?;
    let (read, skipped) = outcome.rows()?;
    if read + skipped != table.rows.len() as u64 {
        return Err(format!("{read} rows read and {skipped} passed over are not the {} of the file", table.rows.len()));
    }
    let unexpected = outcome.events.iter().filter(|event| !recording.is_justified(event)).count();
    if unexpected > 0 {
        return Err(format!("{unexpected} events that nothing in the data justifies: {}", outcome.list()));
    }
    for Justified { finding, must, reason, .. } in recording.justified {
        match outcome.events.iter().find(|event| event.finding == *finding) {
            Some(event) => say(&format!("{}: {finding} at {:.3} s is right: {reason}", recording.file, event.t_s)),
            None if *must => return Err(format!("no {finding}, although: {reason}")),
            None => {}
        }
    }
    say(&format!("{}: {running_s} s in {starts} starts, as counted by hand", recording.file));
    Ok(())
}

/// Replays the file where it can be replayed as it lies, else its table.
pub(crate) fn replay(directory: &Path, recording: &Recording, table: &Table) -> Result<Outcome, String> {
    if recording.is_unchanged() {
        return run(&directory.join(recording.file), recording);
    }
    let place = tempfile::tempdir().map_err(|error| error.to_string())?;
    let trace = place.path().join("trace.csv");
    table.write(&trace)?;
    run(&trace, recording)
}

fn run(trace: &Path, recording: &Recording) -> Result<Outcome, String> {
    Replay { trace, columns: Some(recording.layout.map), profile: recording.layout.profile }.run()
}

/// Exit 0 and the hand count.
pub(crate) fn check_hours(outcome: &Outcome, recording: &Recording) -> Result<(u64, u64), String> {
    if outcome.exit != Some(0) {
        return Err(format!("exit {:?} instead of 0: {}", outcome.exit, outcome.messages.trim()));
    }
    let counted = outcome.hours()?;
    let by_hand = (recording.running_s, recording.starts);
    if counted == by_hand {
        Ok(counted)
    } else {
        Err(format!("(running_s, starts) is {counted:?}, by hand {by_hand:?}"))
    }
}
