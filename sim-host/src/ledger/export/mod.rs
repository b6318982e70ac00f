//! The service book for other programs. The keys of the chain and of pairing are in none of them.

mod calendar;
mod csv;
mod json;

pub use calendar::{Calendar, to_calendar};
pub use csv::to_csv;
pub use json::to_json;

use monitor_core::ledger::{ClockAnchor, Day};

use super::date_text;

/// The moment as `2026-05-31T10:00:00Z`.
fn moment_text(anchor: &ClockAnchor) -> String {
    let of_day = anchor.unix_s % 86_400;
    let date = date_text(Day::of_unix_s(anchor.unix_s));
    format!("{date}T{:02}:{:02}:{:02}Z", of_day / 3_600, of_day / 60 % 60, of_day % 60)
}
