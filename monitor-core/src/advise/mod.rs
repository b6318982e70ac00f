//! Sixth block: levels, alarm states, lamp and sound patterns, first checks.

mod alarms;
#[cfg(test)]
mod alarms_table;
mod button;
mod checks;
mod json;
mod queue;
mod signals;
mod subject;

pub use checks::checks;
pub use json::write_event_json;
pub use signals::Signals;

pub(crate) use alarms::{Alarms, Happening, admissible};
pub(crate) use button::Button;
pub(crate) use queue::{EventQueue, Place};
pub(crate) use signals::Annunciator;
