//! Black-box tests of the `lookastern` command.

mod common;
mod readme;
mod refuses;
mod simulate;
mod trial;
mod works;
