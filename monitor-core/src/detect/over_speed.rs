//! `over-speed`: above the handbook's maximum.

use super::evidence::Shown;
use super::on_delay::OnDelay;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::event::EvidenceKey;
use crate::finding::Level;
use crate::units::Quantity;

const RAISE_MS: u32 = 3_000;
/// Back in order this far under the maximum, in ¼ rpm.
const DEADBAND_QUARTERS: i32 = 100 * 4;

#[derive(Debug, Clone, Copy)]
pub(crate) struct OverSpeed {
    over: OnDelay,
    excess_ms: u32,
}

impl OverSpeed {
    /// What is shown for it.
    pub(crate) const SHOWN: &[Shown] =
        &[Shown::Always(EvidenceKey::Value(Channel::Rpm)), Shown::Always(EvidenceKey::Limit(Channel::Rpm))];

    pub(crate) const fn new() -> Self {
        Self { over: OnDelay::new(), excess_ms: 0 }
    }

    pub(crate) fn judge(&mut self, scene: &Scene) -> Standing {
        self.excess_ms = 0;
        let max = scene.profile.max.raw();
        let rpm = scene.good(Channel::Rpm);
        let over_ms = self.over.update(&scene.tick, rpm.map(|rpm| rpm > max));
        let Some(rpm) = rpm else { return Standing::Unjudged };
        match over_ms {
            Some(held_ms) if held_ms >= RAISE_MS => {
                self.excess_ms = held_ms;
                Standing::Present(Level::Warning)
            }
            None if rpm <= max.saturating_sub(DEADBAND_QUARTERS) => Standing::Absent,
            _ => Standing::Between,
        }
    }

    /// For how long the engine has turned too fast; 0 before 3 s.
    pub(crate) const fn excess_ms(&self) -> u32 {
        self.excess_ms
    }
}
