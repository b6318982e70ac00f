//! `stream-lost`: running and the stream has gone, cause not known yet.

use super::on_delay::OnDelay;
use super::stream::{Stream, StreamWatch};
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::finding::Level;

const AT_SPEED_MS: u32 = 3_000;
const AT_IDLE_MS: u32 = 15_000;
/// Above this engine speed in ¼ rpm a lost stream is an alarm at once.
const ALARM_QUARTERS: i32 = 2_000 * 4;
/// So is a head this much hotter than when the stream went.
const ALARM_MILLIKELVIN: i32 = 5_000;

#[derive(Debug, Clone, Copy)]
pub(crate) struct StreamLost {
    gone: OnDelay,
    head_at_loss: Option<i32>,
    /// How long the stream has been gone, once the finding stands.
    lost_ms: u32,
}

impl StreamLost {
    pub(crate) const fn new() -> Self {
        Self { gone: OnDelay::new(), head_at_loss: None, lost_ms: 0 }
    }

    pub(crate) fn judge(&mut self, scene: &Scene, stream: &StreamWatch) -> Standing {
        self.lost_ms = 0;
        match stream.now {
            Stream::Unjudged => {
                self.gone.update(&scene.tick, None);
                Standing::Unjudged
            }
            Stream::Stopped | Stream::Flowing => {
                self.gone.reset();
                self.head_at_loss = None;
                Standing::Absent
            }
            // Water that never came is `dry-start`.
            Stream::Gone if !stream.seen_this_run => Standing::Absent,
            Stream::Gone => self.judge_gone(scene, stream),
        }
    }

    fn judge_gone(&mut self, scene: &Scene, stream: &StreamWatch) -> Standing {
        let head = scene.good(Channel::Head);
        if self.head_at_loss.is_none() {
            self.head_at_loss = head;
        }
        let held_ms = self.gone.update(&scene.tick, Some(true)).unwrap_or(0);
        if held_ms < if stream.at_idle { AT_IDLE_MS } else { AT_SPEED_MS } {
            return Standing::Between;
        }
        self.lost_ms = held_ms;
        let fast = scene.good(Channel::Rpm).is_some_and(|rpm| rpm > ALARM_QUARTERS);
        let hotter = head
            .zip(self.head_at_loss)
            .is_some_and(|(head, at_loss)| head >= at_loss.saturating_add(ALARM_MILLIKELVIN));
        Standing::Present(if fast || hotter { Level::Alarm } else { Level::Warning })
    }

    /// For how long the engine has run without its stream; 0 while the finding does not stand.
    pub(crate) const fn lost_ms(&self) -> u32 {
        self.lost_ms
    }
}
