//! Replays engine traces through `monitor-core`.
#![forbid(unsafe_code)]

pub mod actions;
mod chart;
pub mod cli;
pub mod cmd;
pub mod columns;
pub mod columns_auto;
pub mod commission;
pub mod doubt;
pub mod fit;
mod html;
pub mod ledger;
pub mod memory;
pub mod out_file;
#[cfg(feature = "parquet")]
mod parquet_file;
pub mod plant;
pub mod plot;
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
