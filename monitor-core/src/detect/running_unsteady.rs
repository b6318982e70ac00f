//! `running-unsteady`: at a steady demand the engine hunts or sags: fuel first.
//!
//! A block is restless if the speed swings in it by more than a sound engine does and still reaches the same height as
//! in the block before: whoever works the throttle comes out at another speed.

use super::evidence::Shown;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::condition::Block;
use crate::event::EvidenceKey;
use crate::finding::Level;
use crate::units::Quantity;

/// Swing of the speed within a block of a sound engine at most, in 1/64 of it, at idle and at speed.
const SWING_AT_IDLE: i32 = 7;
const SWING_AT_SPEED: i32 = 5;
/// A sag is deeper than this.
const DEEP: i32 = 9;
/// The same height within this part of it: 1/32.
const SAME_HEIGHT_SHIFT: u32 = 5;
/// More turns than this in a block are noise of the pickup, not an engine: flywheels are too heavy.
const MOST_TURNS: u8 = 4;
/// Ticks of two blocks that sags take at most.
const MOST_DIPS: u8 = 4;
/// Within this part of the permitted maximum the limiter may be at work: 1/32.
const LIMITER_SHIFT: u32 = 5;
/// A boat at a steady demand keeps its speed within this part of it: 1/16.
const CHANGES_SHIFT: u32 = 4;
/// What a restless block adds; every block takes an eighth away.
const RESTLESS: u8 = 16;
const RESTLESS_DEEP: u8 = 28;
/// From here it is unsteady: five restless blocks in a row, three deep ones, or a deep sag every half minute.
const UNSTEADY: u8 = 57;
/// Calm again under this.
const CALM: u8 = 12;

/// Follows the swings from block to block.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RunningUnsteady {
    high_before: i32,
    dips_before: u8,
    speed_before: i32,
    score: u8,
    stands: bool,
}

impl RunningUnsteady {
    /// What is shown for it.
    pub(crate) const SHOWN: &[Shown] = &[Shown::Always(EvidenceKey::Value(Channel::Rpm))];

    pub(crate) const fn new() -> Self {
        Self { high_before: 0, dips_before: 0, speed_before: 0, score: 0, stands: false }
    }

    /// Takes one block.
    pub(crate) fn update_block(&mut self, scene: &Scene, block: &Block) {
        let high = block.rpm_high;
        let swing = high.wrapping_sub(block.rpm_low).wrapping_mul(64);
        let same = high.wrapping_sub(self.high_before).wrapping_abs() <= high >> SAME_HEIGHT_SHIFT;
        self.high_before = high;
        let most = if scene.normal.at_idle(high) { SWING_AT_IDLE } else { SWING_AT_SPEED };
        self.score = self.score.saturating_sub(self.score.saturating_add(7) >> 3_u32);
        // At its permitted maximum the engine's own limiter makes it chatter.
        let limited = high > scene.profile.max.raw().wrapping_sub(scene.profile.max.raw() >> LIMITER_SHIFT);
        // Who works the throttle stays down for longer than an engine that sags.
        let sags = block.rpm_dips.saturating_add(self.dips_before) <= MOST_DIPS;
        self.dips_before = block.rpm_dips;
        // Where the boat gathers or loses way the demand is not steady.
        let speed = block.good(Channel::Speed).unwrap_or(0);
        let changes = speed.wrapping_sub(self.speed_before).wrapping_abs() > speed >> CHANGES_SHIFT;
        self.speed_before = speed;
        if same && sags && !limited && !changes && block.rpm_turns <= MOST_TURNS && swing > high.wrapping_mul(most) {
            let deep = swing > high.wrapping_mul(DEEP);
            self.score = self.score.saturating_add(if deep { RESTLESS_DEEP } else { RESTLESS });
        }
        if self.score >= UNSTEADY {
            self.stands = true;
        } else if self.score < CALM {
            self.stands = false;
        }
    }

    /// The engine stopped. What was seen of it counts when it runs again soon: engines that run badly stall.
    pub(crate) fn stop(&mut self) {
        self.high_before = 0;
        self.stands = false;
    }

    /// Judges one tick.
    pub(crate) const fn judge(&self) -> Standing {
        if self.stands { Standing::Present(Level::Caution) } else { Standing::Absent }
    }
}
