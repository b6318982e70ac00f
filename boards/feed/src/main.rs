//! Turns traces into feeds for the boards, and runs feeds and the bench on the host.
#![forbid(unsafe_code)]

mod args;
mod encode;
mod flip;

use std::fs::{self, File};
use std::io::{BufReader, BufWriter, Write};
use std::path::Path;
use std::process::ExitCode;

use board_app::bench::{BenchRoom, NoWitness, Pins, run_bench};
use board_app::feed::IoSource;
use board_app::{Blocks, NoMarks, RunReport, run_feed};
use monitor_core::Monitor;
use sim_host::problem::{Exit, Problem};

use crate::args::Task;

fn main() -> ExitCode {
    match args::parse(std::env::args_os().skip(1)).and_then(|task| carry_out(&task)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(problem) => {
            eprintln!("feed-writer: {problem}");
            ExitCode::from(problem.exit as u8)
        }
    }
}

fn carry_out(task: &Task) -> Result<(), Problem> {
    match task {
        Task::Encode { profile, actions, feed, traces } => {
            let out = BufWriter::new(create(feed)?);
            encode::encode(profile, actions.as_deref(), traces, out).map_err(|problem| match problem.file {
                Some(_) => problem,
                None => problem.in_file(feed),
            })
        }
        Task::Run { feed, events } => {
            let bytes = BufReader::new(File::open(feed).map_err(|error| unreadable(feed, &error))?);
            let mut out = BufWriter::new(create(events)?);
            let report = run(bytes, &mut out).map_err(|problem| problem.in_file(feed))?;
            out.flush().map_err(|error| unwritable(events, &error))?;
            print(&report.lines());
            Ok(())
        }
        Task::Bench { events } => bench(events),
        Task::Flip { feed, other } => {
            let mut bytes = fs::read(feed).map_err(|error| unreadable(feed, &error))?;
            let flipped = flip::flip(&mut bytes).map_err(|problem| problem.in_file(feed))?;
            fs::write(other, &bytes).map_err(|error| unwritable(other, &error))?;
            println!("{flipped}");
            Ok(())
        }
    }
}

/// Runs a feed on this machine.
fn run<R: std::io::Read, W: Write>(feed: R, events: &mut W) -> Result<RunReport, Problem> {
    // In a box, because the monitor is never moved.
    let mut monitor = Box::new(Monitor::new());
    run_feed(&mut monitor, &mut Blocks::new(), IoSource(feed), events, &mut NoMarks)
        .map_err(|error| Problem::new(Exit::Unreadable, error.to_string(), "Write the feed again from its trace"))
}

/// Tells the story of the bench on this machine.
fn bench(events: &Path) -> Result<(), Problem> {
    let mut out = BufWriter::new(create(events)?);
    let pins = Pins::new();
    let mut monitor = Box::new(Monitor::new());
    let report = run_bench(&mut monitor, &mut BenchRoom::new(), &pins, &mut out, &mut NoWitness).map_err(|error| {
        Problem::new(Exit::Device, error.to_string(), "Choose a place that can be written").in_file(events)
    })?;
    out.flush().map_err(|error| unwritable(events, &error))?;
    print(&report.lines());
    Ok(())
}

fn print(lines: &[(&str, u32)]) {
    for (name, value) in lines {
        println!("{name}={value}");
    }
}

fn create(path: &Path) -> Result<File, Problem> {
    File::create(path).map_err(|error| unwritable(path, &error))
}

fn unreadable(path: &Path, error: &std::io::Error) -> Problem {
    Problem::new(Exit::Unreadable, format!("The feed cannot be read: {error}"), "Check the name").in_file(path)
}

fn unwritable(path: &Path, error: &std::io::Error) -> Problem {
    Problem::new(Exit::Device, format!("It cannot be written: {error}"), "Choose a place that can be written")
        .in_file(path)
}
