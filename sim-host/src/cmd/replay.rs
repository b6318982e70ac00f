//! `replay`: traces in, events out.

use std::fs;
use std::io::{self, BufWriter};

use super::{notes, output_failed};
use crate::actions;
use crate::cli::{Format, ReplayArgs};
use crate::columns::ColumnMap;
use crate::problem::{Exit, Problem};
use crate::profile::HostProfile;
use crate::replay::{EventSink, JsonLines, Plan, Stop, replay};
use crate::summary::SummaryFile;
use crate::texts;
use crate::timeline::Timeline;

/// Replays the traces; returns the exit code where it is not 0.
pub(super) fn run(args: ReplayArgs) -> Result<Option<Exit>, Problem> {
    let plan = plan(&args)?;
    let summary = args.summary.as_deref().map(SummaryFile::create).transpose()?;
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
    let mut events = event_sink(args.format, &plan.profile);
    let outcome = match replay(&plan, events.as_mut(), &mut notes::StandardError) {
        Ok(outcome) => outcome,
        Err(Stop::Output(error)) => return output_failed(error),
        Err(Stop::Profile(error)) => {
            let problem = Problem::new(Exit::Usage, error.to_string(), "Correct the profile");
            return Err(problem.in_file(&args.profile));
        }
    };
    notes::say_outcome(&outcome);
    if let Some(summary) = summary {
        summary.finish(&outcome)?;
    }
    let too_bad = args.fail_on.is_some_and(|limit| outcome.worst.is_some_and(|worst| worst >= limit.level()));
    Ok(outcome.failed.max(too_bad.then_some(Exit::FindingRaised)))
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
        columns: args.columns.as_deref().map(ColumnMap::load).transpose()?,
        actions: args.actions.as_deref().map(actions::load).transpose()?.unwrap_or_default(),
        traces: args.traces.clone(),
    })
}

fn refuse_to_overwrite_an_input(args: &ReplayArgs) -> Result<(), Problem> {
    let Some(summary) = &args.summary else { return Ok(()) };
    let Ok(there) = fs::canonicalize(summary) else { return Ok(()) };
    let mut inputs = args.traces.iter().chain([&args.profile]).chain(&args.columns).chain(&args.actions);
    if inputs.any(|input| fs::canonicalize(input).is_ok_and(|input| input == there)) {
        let cause = "The summary would replace a file that is read here";
        return Err(Problem::new(Exit::Usage, cause, "Give --summary another name").in_file(summary));
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
