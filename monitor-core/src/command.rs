//! What people ask of the monitor.

use core::fmt;

use crate::finding::Finding;

/// One request. A request that names no finding means all open ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Command {
    /// Take note.
    Acknowledge(#[cfg_attr(feature = "serde", serde(deserialize_with = "named"))] Option<Finding>),
    /// Stop the sound; it comes back after 30 s unless somebody takes note.
    Silence(#[cfg_attr(feature = "serde", serde(deserialize_with = "named"))] Option<Finding>),
    /// Put aside for some minutes.
    Shelve {
        /// The finding, or all open ones that may be shelved.
        #[cfg_attr(feature = "serde", serde(deserialize_with = "named"))]
        finding: Option<Finding>,
        /// For how long: 1 to [`Command::SHELVE_MAX_MINUTES`].
        minutes: u8,
    },
    /// End a shelving early.
    Unshelve(#[cfg_attr(feature = "serde", serde(deserialize_with = "named"))] Option<Finding>),
    /// Take an open finding out of service.
    OutOfService(#[cfg_attr(feature = "serde", serde(deserialize_with = "named"))] Option<Finding>),
    /// Put it back into service.
    InService(#[cfg_attr(feature = "serde", serde(deserialize_with = "named"))] Option<Finding>),
    /// Reset a latched finding whose condition has gone.
    Reset(#[cfg_attr(feature = "serde", serde(deserialize_with = "named"))] Option<Finding>),
    /// Keep an open finding quiet by design.
    Suppress(#[cfg_attr(feature = "serde", serde(deserialize_with = "named"))] Option<Finding>),
    /// No longer keep it quiet by design.
    Unsuppress(#[cfg_attr(feature = "serde", serde(deserialize_with = "named"))] Option<Finding>),
    /// Start or stop commissioning.
    Commission {
        /// Whether to start or to stop.
        start: bool,
    },
    /// Sign a service item into the ledger.
    Sign,
    /// Tell the date and the time of day, in seconds since 1970.
    SetClock {
        /// Seconds since 1970-01-01T00:00:00Z.
        unix_s: i64,
    },
}

/// Reads the finding of a request. Not once for each kind of request: the names of all findings are long.
#[cfg(feature = "serde")]
#[inline(never)]
fn named<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<Finding>, D::Error> {
    serde::Deserialize::deserialize(from)
}

impl Command {
    /// Longest shelving, and the one where nobody says how long.
    pub const SHELVE_MAX_MINUTES: u8 = 30;
}

/// Why a request had no effect.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Refusal {
    /// This version cannot do it yet.
    NotAvailable,
    /// Nothing open that it could apply to.
    WithoutEffect,
    /// Shelving takes 1 to 30 minutes.
    ShelveTime,
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NotAvailable => "this version cannot do that yet",
            Self::WithoutEffect => "nothing open that it could apply to",
            Self::ShelveTime => "shelving takes 1 to 30 minutes",
        })
    }
}

impl core::error::Error for Refusal {}
