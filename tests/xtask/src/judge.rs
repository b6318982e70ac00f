//! `cargo xtask judge`: the only trial whose figures are quoted, written down every time.

use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::plan::Outcome;
use crate::tool::{Places, output, run};

/// Where every run is written down.
const LOG: &str = "docs/judge-log.md";
/// The scenarios.
const SCENARIOS: &str = "scenarios/judge";

/// Runs every scenario of the judge set `runs` times and appends the figures to the log.
pub(crate) fn judge(places: &Places, runs: u32) -> Outcome {
    scored(places, runs).map(|()| Outcome::Passed(format!("written to {LOG}"))).into()
}

fn scored(places: &Places, runs: u32) -> Result<(), Outcome> {
    let scenarios = scenarios(&places.root.join(SCENARIOS)).map_err(|error| failed("the scenarios", &error))?;
    // What is scored must be what was hashed.
    let mut hashes = places.cargo();
    run(hashes.args(["test", "--quiet", "-p", "sim-host", "--test", "cli", "the_judge_set_is_as_it_was_hashed"]))?;
    run(places.cargo().args(["build", "--release", "-p", "sim-host", "--bin", "lookastern"]))?;
    let page = places.target.join("judge.html");
    let mut trial = Command::new(places.host_binary("lookastern"));
    trial.current_dir(&places.root).arg("trial").args(&scenarios).arg("--runs").arg(runs.to_string());
    let report = output(trial.arg("-o").arg(&page))?;
    let commit = commit(&places.root)?;
    let date = output(Command::new("date").args(["-u", "+%Y-%m-%d"]))?;
    let entry = format!("\n## {}, {commit}\n\n```text\n{}\n```\n", date.trim(), report.trim_end());
    let log = OpenOptions::new().append(true).open(places.root.join(LOG));
    log.and_then(|mut log| log.write_all(entry.as_bytes())).map_err(|error| failed(LOG, &error))?;
    println!("{report}\nThe curves and the worst cases stand in {}.", page.display());
    Ok(())
}

/// The scenario files, named from the root of the checkout, in order.
fn scenarios(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut names = Vec::new();
    for entry in fs::read_dir(folder)? {
        let name = PathBuf::from(entry?.file_name());
        if name.extension().is_some_and(|extension| extension == "toml") {
            names.push(Path::new(SCENARIOS).join(name));
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
