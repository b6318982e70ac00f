//! Traces to feeds: the calls that a replay makes, noted down.

use std::io::Write;
use std::path::{Path, PathBuf};

use board_app::feed::{EncodeError, FeedWriter};
use monitor_core::Monitor;
use monitor_core::time::Instant;
use sim_host::actions::{self, Action};
use sim_host::problem::{Exit, Problem};
use sim_host::profile::HostProfile;
use sim_host::trace::TraceReader;

/// Writes the calls that a replay of `traces` as consecutive trips makes.
pub(crate) fn encode<W: Write>(
    profile: &Path,
    actions: Option<&Path>,
    traces: &[PathBuf],
    out: W,
) -> Result<(), Problem> {
    let profile = HostProfile::load(profile)?.core;
    let actions = actions.map_or_else(|| Ok(Vec::new()), actions::load)?;
    let feed = FeedWriter::new(out, &profile).map_err(|error| unwritable(&error))?;
    let mut monitor = Box::new(Monitor::new());
    monitor.begin(&profile).map_err(|error| Problem::new(Exit::Usage, error.to_string(), "Correct the profile"))?;
    let mut calls = Calls { monitor, feed, waiting: Vec::new() };
    for (trip, trace) in traces.iter().enumerate() {
        let trip = i16::try_from(trip).map_err(|_| Problem::new(Exit::Usage, "Too many traces", "Use fewer"))?;
        calls.waiting = actions.iter().filter(|action| action.trip == trip).copied().collect();
        calls.trip(trace, trip)?;
    }
    calls.feed.finish().map(drop).map_err(|error| unwritable(&error))
}

/// The feed and a monitor of which the same is asked: actions are due where a tick closes, and only a monitor knows
/// where that is.
struct Calls<W> {
    monitor: Box<Monitor>,
    feed: FeedWriter<W>,
    /// Actions of this trip that are still to come.
    waiting: Vec<Action>,
}

impl<W: Write> Calls<W> {
    fn trip(&mut self, trace: &Path, trip: i16) -> Result<(), Problem> {
        let mut reader = TraceReader::open(trace, None)?;
        let mut begun = false;
        while let Some(row) = reader.next_row()? {
            if !begun {
                self.monitor.begin_trip(row.stamp, trip);
                self.feed.begin_trip(row.stamp, trip).map_err(|error| unwritable(&error))?;
                begun = true;
            }
            self.feed.row(row.stamp, &row.readings).map_err(|error| unwritable(&error))?;
            let tick = self.monitor.step(row.stamp, &row.readings);
            self.after(tick)?;
        }
        if begun {
            self.feed.end_trip().map_err(|error| unwritable(&error))?;
            let tick = self.monitor.end_trip();
            self.after(tick)?;
        }
        Ok(())
    }

    /// Asks for the actions that are due at the tick that has just closed.
    fn after(&mut self, tick: Option<Instant>) -> Result<(), Problem> {
        let Some(stamp) = tick else { return Ok(()) };
        self.drop_events();
        let (due, later) = self.waiting.drain(..).partition(|action| action.at <= stamp);
        self.waiting = later;
        let due: Vec<Action> = due;
        for action in due {
            self.feed.command(stamp, action.command).map_err(|error| unwritable(&error))?;
            // The board makes the same call and counts it if it is refused.
            let _refused_there_too = self.monitor.handle(stamp, action.command);
        }
        self.drop_events();
        Ok(())
    }

    /// Empties the queue as the board does, so that it never overflows here.
    fn drop_events(&mut self) {
        while self.monitor.next_event().is_some() {}
    }
}

fn unwritable(error: &EncodeError) -> Problem {
    Problem::new(Exit::Device, error.to_string(), "Choose a place that can be written")
}

#[cfg(test)]
mod tests {
    use super::*;
    use board_app::feed::{FeedReader, IoSource, Record};
    use monitor_core::command::Command;
    use std::fs;

    #[test]
    fn the_feed_makes_the_calls_of_the_replay_in_their_order() {
        let folder = tempfile::tempdir().unwrap();
        let file = |name: &str, text: &str| {
            let path = folder.path().join(name);
            fs::write(&path, text).unwrap();
            path
        };
        let profile = file("p.toml", "[engine]\nstrokes = 4\nidle_rpm = 750\nmax_rpm = 6000\n");
        let first = file("a.csv", "t_s,rpm\n5.0,0\n6.0,0\n7.0,0\n");
        let second = file("b.csv", "t_s,rpm\n100.0,800\n101.0,800\n102.0,800\n");
        let actions = file(
            "actions.csv",
            "trip,t_s,action,finding\n1,101,silence,\n0,7,acknowledge,head-over-limit\n1,0,reset,head-over-limit\n",
        );
        let mut bytes = Vec::new();
        encode(&profile, Some(&actions), &[first, second], &mut bytes).unwrap();

        let mut blocks = board_app::Blocks::new();
        let mut reader = FeedReader::new(IoSource(bytes.as_slice()), &mut blocks.feed).unwrap();
        let mut calls = Vec::new();
        while let Some(record) = reader.next_record().unwrap() {
            calls.push(match record {
                Record::Profile(_) => "profile".to_owned(),
                Record::Begin { trip, now } => format!("begin {trip} {}", now.as_millis()),
                Record::Row { now, .. } => format!("row {}", now.as_millis()),
                Record::Finish => "finish".to_owned(),
                Record::Command { now, command } => {
                    let word = match command {
                        Command::Acknowledge(_) => "acknowledge",
                        Command::Silence(_) => "silence",
                        Command::Reset(_) => "reset",
                        _ => "other",
                    };
                    format!("{word} {}", now.as_millis())
                }
            });
        }
        let expected = [
            "profile",
            "begin 0 5000",
            "row 5000",
            "row 6000",
            "row 7000",
            "finish",
            "acknowledge 7000",
            "begin 1 100000",
            "row 100000",
            "row 101000",
            "reset 100000",
            "row 102000",
            "silence 101000",
            "finish",
        ];
        assert_eq!(calls, expected);
    }
}
