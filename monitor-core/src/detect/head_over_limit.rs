//! `head-over-limit`: the head of a running engine is over its limit.

use super::evidence::Shown;
use super::on_delay::OnDelay;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::event::EvidenceKey;
use crate::finding::Level;

const RAISE_MS: u32 = 3_000;
/// Back in order this far under the limit, in m°C.
const DEADBAND_MILLIKELVIN: i32 = 2_000;

#[derive(Debug, Clone, Copy)]
pub(crate) struct HeadOverLimit {
    over: OnDelay,
    excess_ms: u32,
}

impl HeadOverLimit {
    /// What is shown for it.
    pub(crate) const SHOWN: &[Shown] = &[
        Shown::Always(EvidenceKey::Value(Channel::Head)),
        Shown::Always(EvidenceKey::Limit(Channel::Head)),
        Shown::Always(EvidenceKey::Value(Channel::Rpm)),
    ];

    pub(crate) const fn new() -> Self {
        Self { over: OnDelay::new(), excess_ms: 0 }
    }

    /// `held_back`: the hot-restart rule holds.
    pub(crate) fn judge(&mut self, scene: &Scene, held_back: bool) -> Standing {
        self.excess_ms = 0;
        let limit = scene.normal.head_limit();
        let head = scene.good(Channel::Head);
        // A run is credited back to its first sample, and so is the time that it was over the limit.
        let over_ms = self.over.update(&scene.tick, head.map(|head| head > limit));
        // An engine whose speed sensor failed while it ran may be running still: the last guard stays on.
        let run = scene.tick.run;
        if !run.running && !run.speed_lost {
            return Standing::Absent;
        }
        let Some(head) = head else { return Standing::Unjudged };
        match over_ms.map(|over_ms| if run.running { over_ms.min(run.since_start_ms) } else { over_ms }) {
            Some(excess_ms) if excess_ms >= RAISE_MS => {
                self.excess_ms = excess_ms;
                if held_back { Standing::Between } else { Standing::Present(Level::Alarm) }
            }
            None if head <= limit.saturating_sub(DEADBAND_MILLIKELVIN) => Standing::Absent,
            _ => Standing::Between,
        }
    }

    /// For how long the head has been over its limit, held back or not; 0 before 3 s.
    pub(crate) const fn excess_ms(&self) -> u32 {
        self.excess_ms
    }
}
