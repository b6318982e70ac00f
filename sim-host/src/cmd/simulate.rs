//! `simulate`: a scenario in, traces with their profile and labels out.

use std::fs;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use monitor_core::acquire::{ChannelSet, Readings};
use monitor_core::time::Instant;

use super::notes;
use crate::cli::SimulateArgs;
use crate::out_file::OutFile;
use crate::problem::{Exit, Problem};
use crate::simulate::{FileSink, Page, Scenario, TripSink, Variation, simulate};

/// Said of a trace that an earlier run left in the folder.
const LEFT_BEHIND: &str = "not of this run; take it away before the folder is replayed as a whole";

/// Writes the files of one run.
pub(super) fn run(args: &SimulateArgs) -> Result<Option<Exit>, Problem> {
    if args.parquet && !cfg!(feature = "parquet") {
        let cause = "--parquet: this lookastern was built without Parquet";
        return Err(Problem::new(Exit::Usage, cause, "Build it with `--features parquet`, or write CSV"));
    }
    let variation = args.vary.as_deref().map(Variation::read).transpose()?;
    let scenario = Scenario::read_varied(&args.scenario, variation.as_ref())?;
    refuse_to_overwrite_the_scenario(args)?;
    let plot_file = |target| OutFile::create(target, "The page", "Give --plot a place that can be written to");
    let plot = args.plot.as_deref().map(plot_file).transpose()?;
    let files = FileSink::new(&args.output)?;
    let seed = args.seed.unwrap_or(scenario.seed);
    let page = plot.as_ref().map(|_| Page::default());
    let mut sink = Watched { files, page, trips: scenario.trip_count(), shows: io::stderr().is_terminal() };
    let simulated = simulate(&scenario, seed, &mut sink);
    let shown = sink.shows;
    let mut written = sink.files.finish(&simulated)?;
    if let (Some(file), Some(page)) = (plot, sink.page) {
        let title = format!("{}, seed {seed}", scenario.name.as_deref().unwrap_or("Simulated trips"));
        file.finish(page.to_html(&title, &simulated).as_bytes())?;
    }
    if args.parquet {
        to_parquet(&mut written)?;
    }
    if shown {
        // The line of progress makes room.
        let _ = write!(io::stderr(), "\r\x1b[K");
    }
    for path in &written {
        notes::say("written", &path.display().to_string());
    }
    for path in left_behind(&args.output, &written) {
        notes::say("note", &format!("{}: {}", path.display(), LEFT_BEHIND));
    }
    Ok(None)
}

/// Replaces the traces among `files` by Parquet ones.
#[cfg(feature = "parquet")]
fn to_parquet(files: &mut [PathBuf]) -> Result<(), Problem> {
    for file in files.iter_mut().filter(|file| file.extension().is_some_and(|extension| extension == "csv")) {
        *file = crate::parquet_file::from_csv(file)?;
    }
    Ok(())
}

#[cfg(not(feature = "parquet"))]
fn to_parquet(_files: &mut [PathBuf]) -> Result<(), Problem> {
    Ok(())
}

fn refuse_to_overwrite_the_scenario(args: &SimulateArgs) -> Result<(), Problem> {
    let same = |name: &str| {
        let there = fs::canonicalize(args.output.join(name));
        there.is_ok_and(|there| fs::canonicalize(&args.scenario).is_ok_and(|scenario| scenario == there))
    };
    if ["profile.toml", "labels.jsonl"].into_iter().any(same) {
        let cause = "The scenario has the name of a file that is written here";
        return Err(Problem::new(Exit::Usage, cause, "Give -o another folder").in_file(&args.scenario));
    }
    Ok(())
}

/// Traces in the folder that look as if they belonged to this run and do not.
fn left_behind(folder: &Path, written: &[PathBuf]) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let is_trace = |name: &str| {
        let stem = name.strip_suffix(".csv").or_else(|| name.strip_suffix(".parquet"));
        stem.is_some_and(|stem| stem == "commission" || stem.starts_with("trace-"))
    };
    let mut found: Vec<_> = entries
        .flatten()
        .filter(|entry| entry.file_name().to_str().is_some_and(is_trace))
        .map(|entry| entry.path())
        .filter(|path| !written.contains(path))
        .collect();
    found.sort();
    found
}

/// The files and the page, with a line of progress where somebody watches.
struct Watched {
    files: FileSink,
    page: Option<Page>,
    trips: usize,
    shows: bool,
}

impl TripSink for Watched {
    fn begin_trip(&mut self, trip: i16, channels: ChannelSet) {
        if self.shows {
            let _ = write!(io::stderr(), "\r\x1b[Ktrip {trip} of 0 to {}", self.trips.saturating_sub(1));
        }
        self.files.begin_trip(trip, channels);
        if let Some(page) = &mut self.page {
            page.begin_trip(trip, channels);
        }
    }

    fn sample(&mut self, at: Instant, readings: &Readings) {
        self.files.sample(at, readings);
        if let Some(page) = &mut self.page {
            page.sample(at, readings);
        }
    }

    fn end_trip(&mut self) {
        self.files.end_trip();
    }
}
