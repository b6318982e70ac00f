//! `cargo xtask judge`: the only trial whose figures are quoted, written down every time. `cargo xtask robust`: the same
//! scenarios under each variation of `scenarios/vary`, a line for each.

use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::plan::Outcome;
use crate::tool::{Places, output, run};

/// Where every run is written down.
const LOG: &str = "docs/judge-log.md";
/// The scenarios whose figures are quoted.
const JUDGE: &str = "scenarios/judge";
/// The scenarios that detectors are made with.
const TUNE: &str = "scenarios/tune";
/// What is laid over them.
const VARIATIONS: &str = "scenarios/vary";
/// Letters that the longest name of a variation takes.
const NAME_WIDTH: usize = 28;

/// Runs every scenario of the judge set `runs` times and appends the figures to the log.
pub(crate) fn judge(places: &Places, runs: u32) -> Outcome {
    scored(places, runs).map(|()| Outcome::Passed(format!("written to {LOG}"))).into()
}

/// Runs the judge set, or the tune set, as it is and under each variation. What the judge set shows is written down.
pub(crate) fn robust(places: &Places, runs: u32, tune: bool) -> Outcome {
    varied(places, runs, tune).map(Outcome::Passed).into()
}

fn scored(places: &Places, runs: u32) -> Result<(), Outcome> {
    prepare(places, true)?;
    let page = places.target.join("judge.html");
    let report = output(trial(places, JUDGE, runs)?.arg("-o").arg(&page))?;
    log(places, "", &report)?;
    println!("{report}\nThe curves and the worst cases stand in {}.", page.display());
    Ok(())
}

fn varied(places: &Places, runs: u32, tune: bool) -> Result<String, Outcome> {
    prepare(places, !tune)?;
    let set = if tune { TUNE } else { JUDGE };
    let variations = files(places, VARIATIONS)?;
    let mut table = String::new();
    for variation in std::iter::once(None).chain(variations.iter().map(Some)) {
        let name = variation.and_then(|file| file.file_stem()?.to_str()).unwrap_or("as they are");
        let mut command = trial(places, set, runs)?;
        if let Some(file) = variation {
            command.arg("--vary").arg(file);
        }
        let said = output(command.args(["--format", "line"]))?;
        let mut lines = said.lines();
        let (heading, line) = (lines.next().unwrap_or_default(), lines.next().unwrap_or_default());
        if table.is_empty() {
            table = format!("{:NAME_WIDTH$}{heading}\n", "");
            print!("{table}");
        }
        let row = format!("{name:NAME_WIDTH$}{line}\n");
        print!("{row}");
        table.push_str(&row);
    }
    if tune {
        return Ok("on the tune set: nothing to quote, nothing written".to_owned());
    }
    log(places, &format!(", robustness, {runs} runs of each"), &table)?;
    Ok(format!("written to {LOG}"))
}

/// Builds the command; what is quoted must be what was hashed.
fn prepare(places: &Places, judged: bool) -> Result<(), Outcome> {
    if judged {
        let mut hashes = places.cargo();
        run(hashes.args(["test", "--quiet", "-p", "sim-host", "--test", "cli", "the_judge_set_is_as_it_was_hashed"]))?;
    }
    run(places.cargo().args(["build", "--release", "-p", "sim-host", "--bin", "lookastern"]))
}

/// `lookastern trial` on every scenario of a folder.
fn trial(places: &Places, set: &str, runs: u32) -> Result<Command, Outcome> {
    let mut trial = Command::new(places.host_binary("lookastern"));
    trial.current_dir(&places.root).arg("trial").args(files(places, set)?).arg("--runs").arg(runs.to_string());
    Ok(trial)
}

/// Appends figures to the log, with date and commit.
fn log(places: &Places, what: &str, figures: &str) -> Result<(), Outcome> {
    let commit = commit(&places.root)?;
    let date = output(Command::new("date").args(["-u", "+%Y-%m-%d"]))?;
    let entry = format!("\n## {}, {commit}{what}\n\n```text\n{}\n```\n", date.trim(), figures.trim_end());
    let log = OpenOptions::new().append(true).open(places.root.join(LOG));
    log.and_then(|mut log| log.write_all(entry.as_bytes())).map_err(|error| failed(LOG, &error))
}

/// The scenario files of a folder, named from the root of the checkout, in order.
fn files(places: &Places, folder: &str) -> Result<Vec<PathBuf>, Outcome> {
    listed(&places.root, folder).map_err(|error| failed(folder, &error))
}

fn listed(root: &Path, folder: &str) -> io::Result<Vec<PathBuf>> {
    let mut names = Vec::new();
    for entry in fs::read_dir(root.join(folder))? {
        let name = PathBuf::from(entry?.file_name());
        if name.extension().is_some_and(|extension| extension == "toml") {
            names.push(Path::new(folder).join(name));
        }
    }
    names.sort();
    Ok(names)
}

/// The commit, and whether anything but the log differs from it.
fn commit(root: &Path) -> Result<String, Outcome> {
    let git = |arguments: &[&str]| output(Command::new("git").current_dir(root).args(arguments));
    let commit = git(&["rev-parse", "--short=12", "HEAD"])?;
    let changed = git(&["status", "--porcelain"])?;
    let is_clean = changed.lines().all(|line| line.ends_with(LOG));
    let more = if is_clean { "" } else { " with changes that were not committed" };
    Ok(format!("commit {}{more}", commit.trim()))
}

fn failed(what: &str, error: &io::Error) -> Outcome {
    Outcome::Failed(format!("{what}: {error}"))
}
