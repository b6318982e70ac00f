//! Replays engine traces through `monitor-core`.
#![forbid(unsafe_code)]

pub mod actions;
pub mod cli;
pub mod cmd;
pub mod columns;
pub mod doubt;
mod html;
pub mod ledger;
pub mod memory;
pub mod out_file;
pub mod plant;
pub mod problem;
pub mod profile;
pub mod quality;
pub mod replay;
mod shell;
pub mod simulate;
pub mod suggest;
pub mod summary;
pub mod texts;
pub mod timeline;
pub mod trace;
pub mod trial;
