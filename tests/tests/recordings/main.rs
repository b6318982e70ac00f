//! Real recordings, replayed as they are and again with faults spliced in.
//!
//! The recordings are read where `LOOKASTERN_RECORDINGS` points; unset, each test says that it was left out. Copies that
//! the tests derive go to temporary directories only. One test of the identity traces stands here for company: what is held
//! for the recordings is held for them.

mod calm;
mod catalogue;
mod clean;
mod edges;
mod guessed;
mod spliced;
mod table;
