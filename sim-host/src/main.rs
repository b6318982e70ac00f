//! The `lookastern` command.
fn main() {}
