//! Harness of the black-box tests: finds the recordings and the `lookastern` command, replays, reads what comes out.
//!
//! Nothing here knows the product from inside: a test sees the exit code, the events, the summary and the messages,
//! as a user does. Every function that fails says what was wrong and what to do, as text.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::SystemTime;

use serde_json::Value;

/// The variable that points to the recordings.
pub const RECORDINGS_VARIABLE: &str = "LOOKASTERN_RECORDINGS";

/// The directory with the recordings. Without it the test is left out, and that is said where the test runner
/// cannot swallow it.
#[must_use]
pub fn recordings(test: &str) -> Option<PathBuf> {
    let directory = std::env::var_os(RECORDINGS_VARIABLE).filter(|value| !value.is_empty());
    if directory.is_none() {
        say(&format!("{test}: left out: {RECORDINGS_VARIABLE} is not set"));
    }
    directory.map(PathBuf::from)
}

/// Writes a line past the capture of the test runner: what was left out or measured has to be seen in a good run too.
pub fn say(line: &str) {
    // One write, so that lines of tests that run at once do not mix. A closed standard error is no reason to fail.
    let _ = std::io::stderr().lock().write_all(format!("{line}\n").as_bytes());
}

/// A file of this package, by its path inside it.
#[must_use]
pub fn package_file(inside: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(inside)
}

/// The command, from the target directory that this test was built into.
///
/// # Errors
/// There is none, or it is older than one of its sources: an old command would pass or fail for the wrong reason.
pub fn lookastern() -> Result<PathBuf, String> {
    const REMEDY: &str = "build it with `cargo build -p sim-host` and the same profile and target directory as this \
                          test, or test the whole workspace";
    let test = std::env::current_exe().map_err(|error| format!("cannot find this test's own file: {error}"))?;
    let directory = test.ancestors().nth(2).ok_or_else(|| format!("{}: no target directory above", test.display()))?;
    let command = directory.join(format!("lookastern{}", std::env::consts::EXE_SUFFIX));
    if !command.is_file() {
        return Err(format!("{}: no such file; {REMEDY}", command.display()));
    }
    match newer_source(&command) {
        Some(source) => Err(format!("{}: older than {}; {REMEDY}", command.display(), source.display())),
        None => Ok(command),
    }
}

/// A source that changed after the command was built, by the list that Cargo keeps beside it.
fn newer_source(command: &Path) -> Option<PathBuf> {
    let built = modified(command)?;
    let list = std::fs::read_to_string(command.with_extension("d")).ok()?;
    let (_, sources) = list.split_once(": ")?;
    // Cargo writes a blank inside a path as backslash and blank.
    let sources = sources.replace("\\ ", "\0");
    sources
        .split_whitespace()
        .map(|source| PathBuf::from(source.replace('\0', " ")))
        .find(|source| modified(source).is_some_and(|changed| changed > built))
}

fn modified(file: &Path) -> Option<SystemTime> {
    std::fs::metadata(file).and_then(|about| about.modified()).ok()
}

/// What to replay.
#[derive(Debug, Clone)]
pub struct Replay<'a> {
    /// The trace.
    pub trace: &'a Path,
    /// The column map, by its path inside this package; without it the trace has the product's own columns.
    pub columns: Option<&'a str>,
    /// The profile, by its path inside this package.
    pub profile: &'a str,
}

/// What a replay gave.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// Exit code; `None` if a signal ended the command.
    pub exit: Option<i32>,
    /// The events, one object each.
    pub events: Vec<Event>,
    /// The summary, or null if none was written.
    pub summary: Value,
    /// What was said on standard error.
    pub messages: String,
}

impl Replay<'_> {
    /// Replays in JSON Lines with a summary.
    ///
    /// # Errors
    /// The command is missing or out of date or cannot be started, or its output is not what DESIGN promises: a line
    /// that is no event, a summary that is no JSON.
    pub fn run(&self) -> Result<Outcome, String> {
        let place = tempfile::tempdir().map_err(|error| format!("no temporary directory: {error}"))?;
        let summary = place.path().join("summary.json");
        let mut command = Command::new(lookastern()?);
        command.arg("replay").arg(self.trace).arg("--profile").arg(package_file(self.profile));
        if let Some(columns) = self.columns {
            command.arg("--columns").arg(package_file(columns));
        }
        command.args(["--format", "jsonl", "--summary"]).arg(&summary);
        let output = command.output().map_err(|error| format!("the command does not start: {error}"))?;
        let messages = String::from_utf8_lossy(&output.stderr).into_owned();
        let text = String::from_utf8(output.stdout).map_err(|error| format!("standard output: {error}"))?;
        let mut events = Vec::new();
        for (index, line) in text.lines().enumerate() {
            events.push(Event::parse(line).map_err(|cause| format!("event {}: {cause}: {line}", index + 1))?);
        }
        let summary = match std::fs::read_to_string(&summary) {
            Ok(text) => serde_json::from_str(&text).map_err(|error| format!("the summary is no JSON: {error}"))?,
            Err(_) => Value::Null,
        };
        Ok(Outcome { exit: output.status.code(), events, summary, messages })
    }
}

impl Outcome {
    /// Running seconds and starts of trip 0, as the summary has them.
    ///
    /// # Errors
    /// The summary does not have them.
    pub fn hours(&self) -> Result<(u64, u64), String> {
        let trip = &self.summary["trips"][0];
        let number = |key: &str| trip[key].as_u64().ok_or_else(|| format!("trips[0].{key} is missing: {trip}"));
        Ok((number("running_s")?, number("starts")?))
    }

    /// Rows used and rows passed over, as the summary has them.
    ///
    /// # Errors
    /// The summary does not have them.
    pub fn rows(&self) -> Result<(u64, u64), String> {
        let read = self.summary["rows_read"].as_u64().ok_or("rows_read is missing")?;
        let skipped = self.summary["rows_skipped"].as_object().ok_or("rows_skipped is missing")?;
        Ok((read, skipped.values().filter_map(Value::as_u64).sum()))
    }

    /// The events as a list for a message.
    #[must_use]
    pub fn list(&self) -> String {
        self.events.iter().fold(String::new(), |mut text, event| {
            // Writing to a String cannot fail.
            let _ = write!(text, "\n      {event}");
            text
        })
    }
}

/// One event.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Seconds, as in the trace.
    pub t_s: f64,
    /// Name of the finding.
    pub finding: String,
    /// Channel of a sensor finding.
    pub channel: Option<String>,
    /// Level: alarm, warning, caution.
    pub level: String,
    /// What happened to the finding: raised, cleared and so on.
    pub state: String,
    /// The evidence as it was written.
    pub evidence: Value,
}

impl Event {
    fn parse(line: &str) -> Result<Self, String> {
        let value: Value = serde_json::from_str(line).map_err(|error| error.to_string())?;
        let text = |key: &str| value[key].as_str().map(str::to_owned).ok_or_else(|| format!("no text in `{key}`"));
        Ok(Self {
            t_s: value["t_s"].as_f64().ok_or("no number in `t_s`")?,
            finding: text("finding")?,
            channel: value["channel"].as_str().map(str::to_owned),
            level: text("level")?,
            state: text("state")?,
            evidence: value["evidence"].clone(),
        })
    }
}

impl std::fmt::Display for Event {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { t_s, finding, level, state, evidence, .. } = self;
        let channel = self.channel.as_deref().unwrap_or("");
        write!(f, "{t_s:.3} s {level} {finding} {channel} {state} {evidence}")
    }
}
