//! Real recordings, replayed as they are and again with faults spliced in.
//!
//! The recordings are read where `LOOKASTERN_RECORDINGS` points; unset, each test says that it was left out. Copies that
//! the tests derive go to temporary directories only.

mod catalogue;
mod clean;
mod edges;
mod spliced;
mod table;
