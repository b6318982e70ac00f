//! Replays engine traces through `monitor-core`.
#![forbid(unsafe_code)]

pub mod problem;
