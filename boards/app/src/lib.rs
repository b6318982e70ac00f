//! What every board does, whatever the board.
//!
//! So far this is the replay of a *feed*: a file of everything that was asked of the monitor, call by call, made from
//! a trace on a host. [`run_feed`] makes the same calls again and writes the events that come out. The emulated boards
//! and the host run this one function, so their events can be compared byte for byte.
//!
//! [`mod@bench`] begins one step earlier: pin edges and converter counts of an engine on a test bench go through the
//! drivers of the core.
//!
//! [`mod@endurance`] works the store without a pause, so that somebody outside can cut its power.
#![cfg_attr(not(any(test, feature = "std")), no_std)]
#![forbid(unsafe_code)]
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, clippy::float_arithmetic)
)]

pub mod bench;
pub mod endurance;
pub mod feed;
mod output;
mod run;

pub use output::{Output, Sink};
pub use run::{Blocks, Marks, NoMarks, RunError, RunReport, run_feed};

#[cfg(test)]
mod tests;
