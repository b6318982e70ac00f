//! `trial`: scenarios in, scores out.

use std::fs;
use std::io::{self, IsTerminal, Write};
use std::num::NonZeroUsize;
use std::path::Path;
use std::sync::Mutex;
use std::thread;
use std::time::{Duration, Instant};

use super::output_failed;
use crate::cli::{TrialArgs, TrialFormat};
use crate::problem::{Exit, Problem};
use crate::simulate::Variation;
use crate::trial::{self, Plan, json, line, page, text};

/// Progress is said no more often than this.
const PROGRESS_EVERY: Duration = Duration::from_millis(200);

/// Runs the trial and prints the report.
pub(super) fn run(args: TrialArgs) -> Result<Option<Exit>, Problem> {
    let threads = thread::available_parallelism().map_or(1, NonZeroUsize::get);
    let variation = args.vary.as_deref().map(Variation::read).transpose()?;
    let plan = Plan::read(&args.scenarios, variation.as_ref(), args.runs, threads)?;
    if let Some(output) = &args.output {
        // Known before the work is done.
        touch(output).map_err(|error| unwritable(output, &error))?;
    }
    let progress = Progress::new();
    let report = trial::run(&plan, &|done, of| progress.say(done, of));
    progress.end();
    if let Some(output) = &args.output {
        fs::write(output, page::to_html(&report)).map_err(|error| unwritable(output, &error))?;
    }
    let said = match args.format {
        TrialFormat::Text => text::to_text(&report),
        TrialFormat::Line => line::to_line(&report),
        TrialFormat::Json => json::to_json(&report).map_err(|error| {
            Problem::new(Exit::Device, format!("The report cannot be written: {error}"), "Use --format text")
        })?,
    };
    io::stdout().write_all(said.as_bytes()).map(|()| None).or_else(output_failed)
}

fn touch(output: &Path) -> io::Result<()> {
    fs::OpenOptions::new().append(true).create(true).open(output).map(|_| ())
}

fn unwritable(output: &Path, error: &io::Error) -> Problem {
    let cause = format!("The page cannot be written: {error}");
    Problem::new(Exit::Device, cause, "Give -o a place that can be written to").in_file(output)
}

/// One line on a terminal; nothing anywhere else.
struct Progress {
    last: Option<Mutex<Instant>>,
}

impl Progress {
    fn new() -> Self {
        Self { last: io::stderr().is_terminal().then(|| Mutex::new(Instant::now())) }
    }

    fn say(&self, done: usize, of: usize) {
        // A thread that finds another one saying it goes on with its work.
        let Some(mut last) = self.last.as_ref().and_then(|last| last.try_lock().ok()) else { return };
        if last.elapsed() >= PROGRESS_EVERY {
            *last = Instant::now();
            // Where standard error is closed there is nobody to tell.
            let _ = write!(io::stderr(), "\r{done} of {of} runs");
        }
    }

    fn end(&self) {
        if self.last.is_some() {
            let _ = write!(io::stderr(), "\r{:40}\r", "");
        }
    }
}
