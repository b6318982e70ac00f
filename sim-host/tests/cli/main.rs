//! Black-box tests of the `lookastern` command.

mod bad_input;
mod common;
mod guessed_columns;
mod fit;
mod fitting_guide;
mod memory;
mod parquet;
mod plot;
mod readme;
mod refuses;
mod simulate;
mod trial;
mod works;
