//! Black-box tests of the `lookastern` command.

mod bad_input;
mod care;
mod common;
mod fit;
mod fitting_guide;
mod guessed_columns;
mod ledger;
mod ledger_export;
mod ledger_plan;
mod ledger_time;
mod memory;
mod parquet;
mod plot;
mod readme;
mod refuses;
mod simulate;
mod trial;
mod works;
