//! Sixth block: levels, alarm states, lamp and sound patterns, first checks.

mod json;

pub use json::write_event_json;

/// What lamp and sounder do at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Signals {
    /// The lamp is lit.
    pub lamp: bool,
    /// The sounder sounds.
    pub sound: bool,
}
