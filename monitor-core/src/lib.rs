//! Outboard engine monitor: readings in, findings out.
#![no_std]

pub mod acquire;
pub mod advise;
pub mod command;
pub mod event;
pub mod finding;
pub mod ledger;
pub mod monitor;
pub mod profile;
pub mod time;
pub mod units;

pub use monitor::Monitor;
