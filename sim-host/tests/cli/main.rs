//! Black-box tests of the `lookastern` command.

mod common;
mod fit;
mod fitting_guide;
mod memory;
mod readme;
mod refuses;
mod simulate;
mod trial;
mod works;
