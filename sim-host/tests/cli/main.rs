//! Black-box tests of the `lookastern` command.

mod common;
mod refuses;
mod works;
