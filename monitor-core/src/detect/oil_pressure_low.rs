//! `oil-pressure-low`: under the handbook's least while running.

use super::on_delay::OnDelay;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::event::{Evidence, EvidenceKey};
use crate::finding::Level;
use crate::units::Quantity;

const RAISE_MS: u32 = 3_000;

#[derive(Debug, Clone, Copy)]
pub(crate) struct OilPressureLow {
    low: OnDelay,
}

impl OilPressureLow {
    pub(crate) const fn new() -> Self {
        Self { low: OnDelay::new() }
    }

    pub(crate) fn judge(&mut self, scene: &Scene<'_>) -> Standing {
        let Some(least) = scene.profile.oil_min else { return Standing::Unjudged };
        if !scene.tick.run.running {
            self.low.reset();
            return Standing::Absent;
        }
        let Some(pressure) = scene.good(Channel::Oil) else { return Standing::Unjudged };
        match self.low.update(scene.tick, pressure < least.raw()) {
            Some(held_ms) if held_ms >= RAISE_MS => Standing::Present(Level::Alarm),
            Some(_) => Standing::Between,
            None => Standing::Absent,
        }
    }

    pub(crate) fn evidence(scene: &Scene<'_>) -> Evidence {
        Evidence::NONE
            .with(EvidenceKey::Value(Channel::Oil), scene.good(Channel::Oil))
            .with(EvidenceKey::Limit(Channel::Oil), scene.profile.oil_min.map(Quantity::raw))
    }
}
