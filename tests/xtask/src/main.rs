//! All checks of the project, by name: `cargo xtask test`.
//!
//! Every step runs even if one before it failed. The end is a list of what failed and what was left out and why, so
//! that nobody takes "no failure" for "all was checked". No dependencies, so that it builds in seconds.
#![forbid(unsafe_code)]

mod boards;
mod budget;
mod cross;
mod cuts;
mod drivers;
mod elf;
mod endurance;
mod gdb;
mod host;
mod icount;
mod identity;
mod install;
mod judge;
mod machine;
mod plan;
mod tally;
mod tool;
mod traces;

use std::env;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use crate::plan::Plan;
use crate::tool::Places;

const USAGE: &str = "\
usage: cargo xtask test [--install] [--strict] [--only WORD]
       cargo xtask judge [--runs N]
       cargo xtask robust [--runs N] [--tune]
                             the judge set as it is and under each variation of scenarios/vary
       cargo xtask traces    write the synthetic traces of tests/identity again

  --runs N      how often each scenario is run; 100 where it is not said, 20 for each variation
  --tune        the tune set instead, of which nothing is written down

  --install     first install what is missing: compiler targets by rustup, or else Debian's compiler, linker and QEMU
  --strict      a step that is left out counts as a failure
  --only WORD   only the steps whose name holds WORD; the others are neither run nor listed";

/// What the command line asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Task {
    Test(Options),
    Judge { runs: u32 },
    Robust { runs: u32, tune: bool },
    Traces,
}

/// How to test.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
struct Options {
    install: bool,
    strict: bool,
    only: Option<String>,
}

fn parse(mut arguments: impl Iterator<Item = String>) -> Result<Task, String> {
    match arguments.next().as_deref() {
        Some("test") => {}
        Some("judge") => return judge_options(arguments),
        Some("robust") => return robust_options(arguments),
        Some("traces") => return Ok(Task::Traces),
        Some(other) => return Err(format!("unknown task \"{other}\"")),
        None => return Err("no task".to_owned()),
    }
    let mut options = Options::default();
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--install" => options.install = true,
            "--strict" => options.strict = true,
            "--only" => options.only = Some(arguments.next().ok_or("--only without a word")?),
            other => return Err(format!("unknown option \"{other}\"")),
        }
    }
    Ok(Task::Test(options))
}

fn judge_options(mut arguments: impl Iterator<Item = String>) -> Result<Task, String> {
    let mut runs = 100;
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--runs" => runs = number_of_runs(arguments.next())?,
            other => return Err(format!("unknown option \"{other}\"")),
        }
    }
    Ok(Task::Judge { runs })
}

fn robust_options(mut arguments: impl Iterator<Item = String>) -> Result<Task, String> {
    let (mut runs, mut tune) = (20, false);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--runs" => runs = number_of_runs(arguments.next())?,
            "--tune" => tune = true,
            other => return Err(format!("unknown option \"{other}\"")),
        }
    }
    Ok(Task::Robust { runs, tune })
}

fn number_of_runs(word: Option<String>) -> Result<u32, String> {
    let runs = word.ok_or("--runs without a number")?;
    runs.parse().map_err(|_| format!("\"{runs}\" is no number of runs"))
}

fn main() -> ExitCode {
    let task = match parse(env::args().skip(1)) {
        Ok(task) => task,
        Err(cause) => {
            eprintln!("xtask: {cause}\n{USAGE}");
            return ExitCode::from(2);
        }
    };
    let manifest = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let Some(root) = manifest.ancestors().nth(2) else {
        eprintln!("xtask: it does not lie where the project keeps it, in tests/xtask");
        return ExitCode::from(2);
    };
    match task {
        Task::Test(options) => test(root, options),
        Task::Judge { runs } => {
            let places = Places::of(root);
            let mut plan = Plan::new(None, true);
            plan.step("judge", || judge::judge(&places, runs));
            plan.conclude()
        }
        Task::Robust { runs, tune } => {
            let places = Places::of(root);
            let mut plan = Plan::new(None, true);
            plan.step("robust", || judge::robust(&places, runs, tune));
            plan.conclude()
        }
        Task::Traces => match traces::write_all(&root.join("tests/identity")) {
            Ok(()) => ExitCode::SUCCESS,
            Err(error) => {
                eprintln!("xtask: the traces cannot be written: {error}");
                ExitCode::FAILURE
            }
        },
    }
}

fn test(root: &Path, options: Options) -> ExitCode {
    let places = Places::of(root);
    let mut plan = Plan::new(options.only, options.strict);
    if options.install {
        plan.step("install", || install::install(&places));
    }
    host::steps(&mut plan, &places);
    boards::steps(&mut plan, &places);
    plan.conclude()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_understood() {
        let words = |text: &str| parse(text.split_whitespace().map(str::to_owned));
        let all = Options { install: true, strict: true, only: Some("docs".to_owned()) };
        let cases = [
            ("plain", "test", Ok(Task::Test(Options::default()))),
            ("all options", "test --only docs --install --strict", Ok(Task::Test(all))),
            ("traces", "traces", Ok(Task::Traces)),
            ("judge", "judge", Ok(Task::Judge { runs: 100 })),
            ("so many runs", "judge --runs 400", Ok(Task::Judge { runs: 400 })),
            ("no number", "judge --runs many", Err("\"many\" is no number of runs".to_owned())),
            ("too much", "judge --runs 4 5", Err("unknown option \"5\"".to_owned())),
            ("robust", "robust", Ok(Task::Robust { runs: 20, tune: false })),
            ("robust on tune", "robust --tune --runs 3", Ok(Task::Robust { runs: 3, tune: true })),
            ("runs of nothing", "robust --runs", Err("--runs without a number".to_owned())),
            ("no task", "", Err("no task".to_owned())),
            ("another task", "tests", Err("unknown task \"tests\"".to_owned())),
            ("another option", "test --fast", Err("unknown option \"--fast\"".to_owned())),
            ("a word is missing", "test --only", Err("--only without a word".to_owned())),
        ];
        for (name, text, expected) in cases {
            assert_eq!(words(text), expected, "{name}");
        }
    }
}
