//! What a call of the store is told and what it says.

/// What the store has to know of the moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Conditions {
    /// Whether the engine runs. Erasing ahead is done while it stands.
    pub engine_runs: bool,
    /// Whether the supply is over the least voltage at which the board may write its flash.
    pub supply_is_good: bool,
}

/// What a call did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub enum Work {
    /// There was nothing to do.
    Nothing,
    /// Flash was read, as much as a call may take time for; there is more to do.
    Looked,
    /// One run of words was written.
    Wrote,
    /// One page was erased.
    Erased,
}

/// How far something that was asked for has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub enum Progress {
    /// It is on flash.
    Done,
    /// Something was done on the way to it, with one flash operation at most: ask again.
    Again,
}
