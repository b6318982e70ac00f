//! The engine's service book: hours, starts and the store that keeps them.

mod hours;
pub mod store;

pub use hours::{Abuse, Band, Hours, Totals};
