//! `completions`: a script that teaches a shell the command line.

use std::io::{self, Write};

use clap_complete::Shell;

use super::output_failed;
use crate::cli;
use crate::problem::{Exit, Problem};

/// Prints the script for `shell`.
pub(super) fn run(shell: Shell) -> Result<Option<Exit>, Problem> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut cli::definition(), "lookastern", &mut script);
    let mut out = io::stdout().lock();
    out.write_all(&script).and_then(|()| out.flush()).map(|()| None).or_else(output_failed)
}
