//! Outboard engine monitor: readings in, findings out.
//!
//! No standard library, no allocation, no unsafe code, no floating point; nothing here reads a clock or a pin. The
//! folders are the processing blocks of ISO 13374 (condition monitoring: data processing), and data flows through them
//! one way:
//!
//! `acquire` → `condition` → `detect` → `assess` → `forecast` → `advise`
//!
//! with `ledger` beside them. [`Monitor`] is the façade over all of them.
#![no_std]
// The core may not panic and may not use floats. Tests may.
#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::indexing_slicing,
        clippy::arithmetic_side_effects,
        clippy::cast_possible_truncation,
        clippy::cast_possible_wrap,
        clippy::cast_sign_loss,
        clippy::float_arithmetic
    )
)]

pub mod acquire;
pub mod advise;
mod assess;
pub mod calibration;
pub mod command;
pub mod condition;
pub mod detect;
pub mod event;
pub mod finding;
mod forecast;
pub mod ledger;
pub mod monitor;
mod num;
pub mod profile;
pub mod time;
pub mod units;

pub use assess::LearnedStretch;
pub use monitor::Monitor;
