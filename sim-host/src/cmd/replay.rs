//! `replay`: traces in, events out.

use std::fs;
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

use monitor_core::ledger::store::StoreError;

use super::{notes, output_failed};
use crate::actions;
use crate::cli::{Format, ReplayArgs};
use crate::columns::ColumnMap;
use crate::columns_auto;
use crate::ledger::follow_profile;
use crate::memory::Memory;
use crate::out_file::OutFile;
use crate::plot::Recorder;
use crate::problem::{Exit, Problem};
use crate::profile::HostProfile;
use crate::replay::{EventSink, JsonLines, Plan, Stop, replay};
use crate::summary;
use crate::texts;
use crate::timeline::Timeline;

/// Replays the traces; returns the exit code where it is not 0.
pub(super) fn run(args: ReplayArgs) -> Result<Option<Exit>, Problem> {
    let plan = plan(&args)?;
    let summary_file = |target| OutFile::create(target, "The summary", "Give --summary a place that can be written to");
    let summary = args.summary.as_deref().map(summary_file).transpose()?;
    let plot_file = |target| OutFile::create(target, "The plot", "Give --plot a place that can be written to");
    let plot = args.plot.as_deref().map(plot_file).transpose()?;
    let mut memory = args.memory.as_deref().map(Memory::open).transpose()?;
    if args.format == Format::Text {
        notes::say_wrapped(texts::CAUTIONS);
    }
    for assumed in &plan.profile.assumed {
        notes::say_wrapped(&format!("note: {}: {}", args.profile.display(), texts::assumed(*assumed)));
    }
    if args.format == Format::Text && !plan.profile.calibration.is_empty() {
        let said = texts::calibration_note(&plan.profile.calibration);
        notes::say_wrapped(&format!("note: {}: {said}", args.profile.display()));
    }
    if let Some(memory) = &mut memory {
        follow_profile(&mut memory.region, &plan.profile.care).map_err(|error| memory_problem(&args, &error))?;
    }
    let mut events = event_sink(args.format, &plan.profile);
    let mut recorder = None;
    let events: &mut dyn EventSink =
        if plot.is_some() { recorder.insert(Recorder::new(events)) } else { events.as_mut() };
    let outcome =
        match replay(&plan, memory.as_mut().map(|memory| &mut memory.region), events, &mut notes::StandardError) {
            Ok(outcome) => outcome,
            Err(Stop::Output(error)) => return output_failed(error),
            Err(Stop::Commissioned) => return Err(commissioned(&args)),
            Err(Stop::Profile(error)) => {
                let problem = Problem::new(Exit::Usage, error.to_string(), "Correct the profile");
                return Err(problem.in_file(&args.profile));
            }
            Err(Stop::Memory(error)) => return Err(memory_problem(&args, &error)),
        };
    notes::say_outcome(&outcome);
    if outcome.damaged > 0 {
        notes::say("note", &texts::damaged_memory(outcome.damaged));
    }
    if let Some(memory) = memory {
        // A trace that could not be used may be there the next time: then it would count twice.
        if outcome.failed.is_none_or(|failed| failed < Exit::Unreadable) {
            memory.save()?;
        } else {
            notes::say("note", texts::MEMORY_NOT_REPLACED);
        }
    }
    if let Some(file) = summary {
        file.finish(summary::to_json(&outcome).as_bytes())?;
    }
    if let (Some(file), Some(recorder)) = (plot, recorder) {
        file.finish(recorder.to_html(&plan.profile, &outcome).as_bytes())?;
    }
    let too_bad = args.fail_on.is_some_and(|limit| outcome.worst.is_some_and(|worst| worst >= limit.level()));
    Ok(outcome.failed.max(too_bad.then_some(Exit::FindingRaised)))
}

fn memory_problem(args: &ReplayArgs, error: &StoreError) -> Problem {
    let remedy = "Nothing was changed. `lookastern ledger recover` saves what can be read of it";
    let problem = Problem::new(Exit::Unreadable, error.to_string(), remedy);
    args.memory.as_deref().map_or(problem.clone(), |memory| problem.in_file(memory))
}

/// Reads every input but the traces: what is unusable is known before the first row.
fn plan(args: &ReplayArgs) -> Result<Plan, Problem> {
    if i16::try_from(args.traces.len()).is_err() {
        let cause = format!("{} traces are too many for one replay", args.traces.len());
        return Err(Problem::new(Exit::Usage, cause, "Give 32,767 at most"));
    }
    refuse_to_overwrite_an_input(args)?;
    Ok(Plan {
        profile: HostProfile::load(&args.profile)?,
        columns: column_map(args)?,
        actions: args.actions.as_deref().map(actions::load).transpose()?.unwrap_or_default(),
        traces: args.traces.clone(),
        commission: args.commission.clone(),
        relearn: args.relearn,
    })
}

/// The map of `--columns`: from its file, or guessed from the first trace that can be read.
fn column_map(args: &ReplayArgs) -> Result<Option<ColumnMap>, Problem> {
    let Some(columns) = args.columns.as_deref() else { return Ok(None) };
    let written = args.write_columns.as_deref();
    let written = written
        .map(|target| OutFile::create(target, "The column map", "Give --write-columns a place that can be written to"))
        .transpose()?;
    let map = if columns == Path::new("auto") { guessed_map(&args.traces)? } else { ColumnMap::load(columns)? };
    if let Some(file) = written {
        file.finish(map.to_toml().as_bytes())?;
    }
    Ok(Some(map))
}

fn guessed_map(traces: &[PathBuf]) -> Result<ColumnMap, Problem> {
    let mut unreadable = None;
    for trace in traces {
        match columns_auto::guess(trace) {
            Ok(guess) => {
                notes::say("columns", &texts::guessed_columns(&trace.to_string_lossy(), guess.rows));
                for line in guess.said {
                    notes::say_as_it_is(&format!("  {line}"));
                }
                return Ok(guess.map);
            }
            // Another trace may be whole; this one is reported again when its turn comes.
            Err(problem) if problem.exit == Exit::Unreadable => unreadable = unreadable.or(Some(problem)),
            Err(problem) => return Err(problem),
        }
    }
    Err(unreadable.unwrap_or_else(|| Problem::new(Exit::Usage, "There is no trace to look at", "Name one")))
}

/// The memory knows the engine, and nobody said that it should forget it.
fn commissioned(args: &ReplayArgs) -> Problem {
    let remedy = "Leave --commission out, or add --relearn to forget what it knows. Nothing was changed";
    let problem = Problem::new(Exit::Usage, "The memory knows this engine's normal already", remedy);
    args.memory.as_deref().map_or(problem.clone(), |memory| problem.in_file(memory))
}

fn refuse_to_overwrite_an_input(args: &ReplayArgs) -> Result<(), Problem> {
    let inputs =
        || args.traces.iter().chain([&args.profile]).chain(&args.commission).chain(&args.columns).chain(&args.actions);
    let is_read = |there: &Path| inputs().any(|input| fs::canonicalize(input).is_ok_and(|input| input == there));
    let memory = args.memory.as_ref().and_then(|memory| fs::canonicalize(memory).ok());
    let outputs = [
        ("summary", "--summary", &args.summary),
        ("memory", "--memory", &args.memory),
        ("plot", "--plot", &args.plot),
        ("column map", "--write-columns", &args.write_columns),
    ];
    for (place, (what, option, out)) in outputs.iter().enumerate() {
        let Some(out) = out else { continue };
        if let Some((other, ..)) = outputs.iter().take(place).find(|(_, _, before)| before.as_ref() == Some(out)) {
            let cause = format!("The {what} would replace the {other}");
            return Err(Problem::new(Exit::Usage, cause, format!("Give {option} another name")).in_file(out));
        }
        let Ok(there) = fs::canonicalize(out) else { continue };
        let is_memory = *option != "--memory" && memory.as_ref() == Some(&there);
        if is_read(&there) || is_memory {
            let cause = format!("The {what} would replace a file that is read here");
            return Err(Problem::new(Exit::Usage, cause, format!("Give {option} another name")).in_file(out));
        }
    }
    Ok(())
}

fn event_sink(format: Format, profile: &HostProfile) -> Box<dyn EventSink> {
    let out = BufWriter::new(io::stdout());
    match format {
        Format::Text => Box::new(Timeline::new(out, profile.name.clone())),
        Format::Jsonl => Box::new(JsonLines::new(out)),
    }
}
