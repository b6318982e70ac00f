//! `oil-pressure-low`: under the handbook's least while running.

use super::evidence::Shown;
use super::on_delay::OnDelay;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::event::EvidenceKey;
use crate::finding::Level;
use crate::units::Quantity;

const RAISE_MS: u32 = 3_000;

#[derive(Debug, Clone, Copy)]
pub(crate) struct OilPressureLow {
    low: OnDelay,
}

impl OilPressureLow {
    /// What is shown for it.
    pub(crate) const SHOWN: &[Shown] =
        &[Shown::Always(EvidenceKey::Value(Channel::Oil)), Shown::Always(EvidenceKey::Limit(Channel::Oil))];

    pub(crate) const fn new() -> Self {
        Self { low: OnDelay::new() }
    }

    pub(crate) fn judge(&mut self, scene: &Scene) -> Standing {
        let Some(least) = scene.profile.oil_min else { return Standing::Unjudged };
        if !scene.tick.run.running {
            self.low.reset();
            return Standing::Absent;
        }
        let low = scene.good(Channel::Oil).map(|pressure| pressure < least.raw());
        match (self.low.update(&scene.tick, low), low) {
            (Some(held_ms), _) if held_ms >= RAISE_MS => Standing::Present(Level::Alarm),
            (Some(_), _) => Standing::Between,
            (None, Some(_)) => Standing::Absent,
            (None, None) => Standing::Unjudged,
        }
    }
}
