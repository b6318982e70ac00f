//! `dry-start`: running, and no water has come since the start.

use super::stream::{Stream, StreamWatch};
use super::{Scene, Standing};
use crate::finding::Level;

const WARNING_MS: u32 = 5_000;
const ALARM_MS: u32 = 15_000;
/// The longest way of the water that is waited for.
const LONGEST_WAIT_MS: u32 = 30_000;

#[derive(Debug, Clone, Copy)]
pub(crate) struct DryStart {
    /// Since when it can be said that no water comes, in elapsed milliseconds.
    dry_since_ms: Option<u64>,
    /// Whether the time before the first tick of this run counts: not where the stream could not be judged.
    from_start: bool,
    dry_ms: u32,
    /// How long after the start the water was due, in milliseconds.
    due_at_ms: u32,
}

impl DryStart {
    pub(crate) const fn new() -> Self {
        Self { dry_since_ms: None, from_start: true, dry_ms: 0, due_at_ms: 0 }
    }

    pub(crate) fn judge(&mut self, scene: &Scene, stream: &StreamWatch) -> Standing {
        self.dry_ms = 0;
        match stream.now {
            Stream::Stopped => {
                *self = Self::new();
                Standing::Absent
            }
            Stream::Flowing => {
                self.dry_since_ms = None;
                Standing::Absent
            }
            Stream::Unjudged => {
                self.from_start = false;
                self.dry_since_ms = None;
                Standing::Unjudged
            }
            Stream::Gone if stream.seen_this_run => Standing::Absent,
            Stream::Gone => self.judge_dry(scene, stream),
        }
    }

    fn judge_dry(&mut self, scene: &Scene, stream: &StreamWatch) -> Standing {
        let at_ms = scene.tick.at_ms;
        let since_start = if self.from_start { scene.tick.run.since_start_ms } else { 0 };
        let since_ms = *self.dry_since_ms.get_or_insert(at_ms.saturating_sub(u64::from(since_start)));
        let dry_ms = u32::try_from(at_ms.saturating_sub(since_ms)).unwrap_or(u32::MAX);
        // This engine's water takes its turns to the telltale; nobody waits longer than the design page says.
        if stream.turns_quarters < scene.normal.turns_to_water() && dry_ms < LONGEST_WAIT_MS {
            self.due_at_ms = dry_ms;
        }
        let late_ms = dry_ms.saturating_sub(self.due_at_ms);
        if late_ms < WARNING_MS {
            return Standing::Between;
        }
        self.dry_ms = dry_ms;
        Standing::Present(if late_ms < ALARM_MS { Level::Warning } else { Level::Alarm })
    }

    /// For how long the engine has run dry; 0 while the finding does not stand.
    pub(crate) const fn dry_ms(&self) -> u32 {
        self.dry_ms
    }
}
