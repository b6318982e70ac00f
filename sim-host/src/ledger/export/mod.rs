//! The service book for other programs. The keys of the chain and of pairing are in none of them.

mod calendar;
mod csv;
mod json;

pub use calendar::{Calendar, to_calendar};
pub use csv::to_csv;
pub use json::to_json;
