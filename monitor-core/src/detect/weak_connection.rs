//! `weak-connection`: the starter drags the voltage down further than it used to: a corroded terminal or a tired battery.

use super::evidence::Shown;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::condition::RunState;
use crate::event::EvidenceKey;
use crate::finding::Level;

/// Further down than normal by this, in mV.
const DEEPER_MILLIVOLTS: i32 = 1_300;
/// Back in order by this.
const BACK_MILLIVOLTS: i32 = 700;
/// Starts in a row that must show it.
const LEAST_STARTS: u8 = 2;

/// Follows the voltage while the engine is cranked.
#[derive(Debug, Clone, Copy)]
pub(crate) struct WeakConnection {
    lowest: Option<i32>,
    starts: u8,
    stands: bool,
}

impl WeakConnection {
    /// What is shown for it.
    pub(crate) const SHOWN: &[Shown] =
        &[Shown::Always(EvidenceKey::Value(Channel::Supply)), Shown::IfKnown(EvidenceKey::Normal(Channel::Supply))];

    pub(crate) const fn new() -> Self {
        Self { lowest: None, starts: 0, stands: false }
    }

    /// Takes one tick; returns the lowest voltage of a cranking that is over.
    pub(crate) fn update(&mut self, scene: &Scene) -> Option<i32> {
        if scene.tick.run.state == RunState::Cranking {
            if let Some(supply) = scene.good(Channel::Supply) {
                self.lowest = Some(self.lowest.map_or(supply, |lowest| lowest.min(supply)));
            }
            return None;
        }
        if !scene.tick.run.running {
            return None;
        }
        let lowest = self.lowest.take()?;
        if let Some(normal) = scene.normal.cranking() {
            let deeper = normal.wrapping_sub(lowest);
            if deeper >= DEEPER_MILLIVOLTS {
                self.starts = self.starts.saturating_add(1).min(LEAST_STARTS);
                self.stands |= self.starts >= LEAST_STARTS;
            } else {
                self.starts = 0;
                self.stands &= deeper > BACK_MILLIVOLTS;
            }
        }
        Some(lowest)
    }

    /// Judges one tick.
    pub(crate) fn judge(&self, scene: &Scene) -> Standing {
        if self.stands {
            Standing::Present(Level::Caution)
        } else if scene.good(Channel::Supply).is_none() || self.starts > 0 {
            Standing::Unjudged
        } else {
            Standing::Absent
        }
    }
}
