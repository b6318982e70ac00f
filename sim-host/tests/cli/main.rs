//! Black-box tests of the `lookastern` command.

mod common;
mod ledger;
mod memory;
mod readme;
mod refuses;
mod simulate;
mod trial;
mod works;
