//! Black-box tests of the `lookastern` command.

mod common;
mod ledger;
mod ledger_export;
mod ledger_plan;
mod ledger_time;
mod memory;
mod readme;
mod refuses;
mod simulate;
mod trial;
mod works;
