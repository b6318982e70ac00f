//! Is there a stream of cooling water? What `stream-lost` and `dry-start` both rest on.

use super::Scene;
use super::evidence::Shown;
use crate::acquire::{Channel, Quality};
use crate::event::EvidenceKey;
use crate::units::Quantity;

/// What is shown for it.
pub(crate) const SHOWN: &[Shown] = &[
    Shown::Always(EvidenceKey::Value(Channel::Flow)),
    Shown::Always(EvidenceKey::Limit(Channel::Flow)),
    Shown::Always(EvidenceKey::Value(Channel::Rpm)),
    Shown::IfKnown(EvidenceKey::Value(Channel::Head)),
];

/// The stream in one tick.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Stream {
    /// The engine stands still.
    Stopped,
    /// No reading, or an idle stream that this meter cannot read.
    Unjudged,
    /// Water comes.
    Flowing,
    /// No water comes.
    Gone,
}

/// Follows the stream through one run.
#[derive(Debug, Clone, Copy)]
pub(crate) struct StreamWatch {
    /// The stream in the last tick.
    pub(crate) now: Stream,
    /// Whether the engine is in its idle band.
    pub(crate) at_idle: bool,
    /// Whether water has come since this run began.
    pub(crate) seen_this_run: bool,
    /// Turns of the engine since this run began, in 1/4 (about: 1,024 ms are taken for a second), until water came.
    pub(crate) turns_quarters: u16,
}

impl StreamWatch {
    pub(crate) const fn new() -> Self {
        Self { now: Stream::Stopped, at_idle: false, seen_this_run: false, turns_quarters: 0 }
    }

    /// Takes one tick; returns the quarter turns from the start to the first water of this run, in the tick in which it came.
    pub(crate) fn update(&mut self, scene: &Scene) -> Option<u16> {
        let seen_before = self.seen_this_run;
        self.now = look(scene);
        self.at_idle = scene.tick.good(Channel::Rpm).is_some_and(|rpm| scene.normal.at_idle(rpm));
        match self.now {
            // After a hole in the record nobody knows whether the engine ever stopped: water that does not come is not
            // known to have been missing since a start.
            Stream::Stopped => {
                self.seen_this_run = scene.tick.run.start_unseen;
                self.turns_quarters = 0;
            }
            Stream::Flowing => self.seen_this_run = true,
            Stream::Unjudged | Stream::Gone => {}
        }
        if !seen_before && self.now != Stream::Stopped {
            // ¼ rpm × ms / 60,000 are quarter turns; 60,000 are a little less than 2^16.
            let rpm = scene.tick.good(Channel::Rpm).unwrap_or(0).clamp(0, 1 << 16_u32).unsigned_abs() >> 2_u32;
            let turned = rpm.saturating_mul(scene.tick.since_last_ms.min(5_000)) >> 14_u32;
            self.turns_quarters = self.turns_quarters.saturating_add(u16::try_from(turned).unwrap_or(u16::MAX));
        }
        (self.seen_this_run && !seen_before && self.now == Stream::Flowing).then_some(self.turns_quarters)
    }

    /// Whether the head has lost its water by what the flow meter says.
    pub(crate) fn gone(&self) -> bool {
        self.now == Stream::Gone
    }
}

fn look(scene: &Scene) -> Stream {
    if !scene.tick.run.running {
        return Stream::Stopped;
    }
    if !scene.channels.contains(Channel::Flow) {
        return Stream::Unjudged;
    }
    let shown = match scene.tick.good(Channel::Flow) {
        Some(flow) => flow,
        None if scene.tick.quality(Channel::Flow) == Quality::BelowRange => 0,
        None => return Stream::Unjudged,
    };
    if shown >= scene.profile.flow_min_or_default().raw() {
        return Stream::Flowing;
    }
    // A meter below its range is not "no water": at idle only where this engine's idle stream was seen to be readable.
    match scene.tick.good(Channel::Rpm) {
        Some(rpm) if !scene.normal.at_idle(rpm) || scene.normal.idle_stream_readable() => Stream::Gone,
        _ => Stream::Unjudged,
    }
}
