//! One file for each command, and the way from a command line to an exit code.

mod completions;
mod fit;
mod ledger;
mod notes;
mod replay;
mod simulate;
mod trial;

use std::ffi::OsString;
use std::io::{self, Write};

use crate::cli::{self, Command, LedgerCommand, Refusal};
use crate::problem::{Exit, Problem};

/// Runs the command line `args`, the program's name first, and returns the exit code.
pub fn run(args: impl IntoIterator<Item = OsString>) -> u8 {
    let done = match cli::parse(args) {
        Ok(cli) => match cli.command {
            Command::Replay(args) => replay::run(args),
            Command::Simulate(args) => simulate::run(&args),
            Command::Trial(args) => trial::run(args),
            Command::Ledger(LedgerCommand::Show { memory, format }) => ledger::show(&memory, format),
            Command::Ledger(LedgerCommand::Plan(args)) => ledger::plan(&args),
            Command::Ledger(LedgerCommand::Export(args)) => ledger::export(&args),
            Command::Ledger(LedgerCommand::Sign(args)) => ledger::sign(&args),
            Command::Ledger(LedgerCommand::Recover { dump, output }) => ledger::recover(&dump, &output),
            Command::Fit(command) => fit::run(&command),
            Command::Completions { shell } => completions::run(shell),
            // Refused by the parser.
            Command::Other(_) | Command::Ledger(LedgerCommand::Other(_)) => Ok(None),
        },
        Err(Refusal::Answer(text)) => io::stdout().write_all(text.as_bytes()).map(|()| None).or_else(output_failed),
        Err(Refusal::Usage(text)) => {
            // Nobody is left to tell where standard error is closed.
            let _ = io::stderr().write_all(text.as_bytes());
            Ok(Some(Exit::Usage))
        }
        Err(Refusal::Problem(problem)) => Err(problem),
    };
    let exit = done.unwrap_or_else(|problem| {
        notes::say("error", &problem.to_string());
        Some(problem.exit)
    });
    exit.map_or(0, |exit| exit as u8)
}

/// A reader who has seen enough is no problem; an output that is full or broken is.
fn output_failed(error: io::Error) -> Result<Option<Exit>, Problem> {
    if error.kind() == io::ErrorKind::BrokenPipe {
        return Ok(None);
    }
    let cause = format!("Standard output cannot be written: {error}");
    Err(Problem::new(Exit::Device, cause, "Check the disk or the program that reads it"))
}
