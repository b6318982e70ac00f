//! The `lookastern` command.
#![forbid(unsafe_code)]

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(sim_host::cmd::run(std::env::args_os()))
}
