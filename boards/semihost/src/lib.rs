//! Runs a feed, the bench or the store on an emulated board, through semihosting: files, command line and exit code of the machine
//! that emulates the board.
//!
//! The operations and their numbers are those of Arm's semihosting specification, which the RISC-V semihosting
//! specification takes over; only the instruction that asks differs. Without an emulator or a debugger behind it a call
//! stops the board.
#![no_std]

mod bench;
mod call;
mod endurance;
mod file;
mod replay;

pub use bench::bench;
pub use call::exit;
pub use endurance::{Console, Rounds, TaskMarks, endurance};
pub use file::{CommandLine, File, Mode, Refused};
pub use replay::{ExitCode, replay};
