//! The engine's service book: hours, starts and, later, items, journal and store.

mod hours;

pub use hours::{Abuse, Band, Hours};
