//! Running hours by load band, starts and seconds of abuse.

/// Hours by load. Edges are rounded down to whole rpm.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Band {
    /// Up to 1.25 × idle.
    Idle,
    /// Up to 50 % of rated speed.
    To50,
    /// Up to 70 % of rated speed.
    To70,
    /// Up to 90 % of rated speed.
    To90,
    /// Up to rated speed.
    To100,
    /// Up to the greatest permitted speed.
    ToMax,
    /// Over the greatest permitted speed.
    Over,
}

/// What the engine has done so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hours {
    running_ms: [u64; 7],
    starts: u32,
}

impl Hours {
    /// A new engine.
    #[must_use]
    pub const fn new() -> Self {
        Self { running_ms: [0; 7], starts: 0 }
    }

    /// Whole seconds of running.
    #[must_use]
    pub fn running_s(&self) -> u64 {
        0
    }

    /// Entries into running.
    #[must_use]
    pub fn starts(&self) -> u32 {
        self.starts
    }
}
