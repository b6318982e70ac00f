//! `hub-slipping`: the rubber hub of the propeller has let go: the engine turns fast and the boat does not follow.
//!
//! Ventilation passes in seconds, a tow or a load holds the speed of the engine down, and climbing onto the plane takes
//! a quarter of a minute at most (all common practice). What is left after that is the hub.

use super::evidence::Shown;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::assess::Norm;
use crate::condition::{Block, RunState};
use crate::event::EvidenceKey;
use crate::finding::Level;
use crate::num::round_div;
use crate::units::Quantity;

/// Speed over ground against its normal at this engine speed, in 1/16: under 9/16 the hub slips …
const SLIPS_SIXTEENTHS: i32 = 9;
/// … and from 13/16 on it holds.
const HOLDS_SIXTEENTHS: i32 = 13;
/// Slip of the propeller, in per cent, that no boat under way shows for long (common practice: a tug works at 30 to 50).
const SLIPS_PERCENT: i32 = 74;
const HOLDS_PERCENT: i32 = 50;
/// From this share of rated speed on it is judged, in 1/16.
const JUDGED_SIXTEENTHS: i32 = 7;
/// A boat slower than this may be made fast, in 0.001 kn.
const UNDER_WAY_MILLIKNOTS: i32 = 1_200;
/// A boat still gathers way while it gains this much from block to block, in 0.001 kn.
const GATHERS_WAY_MILLIKNOTS: i32 = 700;
/// Blocks that must speak for it, one after the other.
const LEAST_BLOCKS: u8 = 2;
/// A quarter more revolutions that bring no more speed than this, in 0.001 kn, bring none.
const IDLE_GAIN_MILLIKNOTS: i32 = 1_200;

/// Follows both speeds from block to block.
#[derive(Debug, Clone, Copy)]
pub(crate) struct HubSlipping {
    /// Engine speed in ¼ rpm and speed over ground in 0.001 kn of the last block at one speed before the hub let go.
    before: (i32, i32),
    last_speed: i32,
    blocks: u8,
    let_go: bool,
    stands: bool,
}

impl HubSlipping {
    /// What is shown for it.
    pub(crate) const SHOWN: &[Shown] = &[
        Shown::Always(EvidenceKey::Value(Channel::Speed)),
        Shown::IfKnown(EvidenceKey::Normal(Channel::Speed)),
        Shown::Always(EvidenceKey::Value(Channel::Rpm)),
    ];

    pub(crate) const fn new() -> Self {
        Self { before: (0, 0), last_speed: 0, blocks: 0, let_go: false, stands: false }
    }

    /// Takes one block.
    pub(crate) fn update_block(&mut self, scene: &Scene, block: &Block) {
        let (Some(rpm), Some(speed)) = (block.good(Channel::Rpm), block.good(Channel::Speed)) else { return };
        let gathers_way = speed.wrapping_sub(self.last_speed) > GATHERS_WAY_MILLIKNOTS;
        self.last_speed = speed;
        if block.steady == 0 {
            return;
        }
        let least = scene.profile.rated_or_max().raw().wrapping_mul(JUDGED_SIXTEENTHS) >> 4_u32;
        if rpm < least || scene.tick.run.state != RunState::Running {
            self.blocks = 0;
            self.let_go = false;
            self.before = (rpm, speed);
            return;
        }
        self.let_go |= self.lets_go(rpm, speed);
        match grip(scene, rpm, speed) {
            Some(Grip::Well) => {
                self.blocks = 0;
                self.let_go = false;
                self.stands = false;
            }
            Some(Grip::NotAtAll) if self.let_go && speed >= UNDER_WAY_MILLIKNOTS && !gathers_way => {
                self.blocks = self.blocks.saturating_add(1).min(LEAST_BLOCKS);
                self.stands |= self.blocks >= LEAST_BLOCKS;
            }
            _ => self.blocks = 0,
        }
        if !self.let_go {
            self.before = (rpm, speed);
        }
    }

    /// A tow holds the engine down and slows the boat with it. A hub that lets go does not: more revolutions bring no
    /// speed, or some more revolutions come with a loss of it.
    fn lets_go(&self, rpm: i32, speed: i32) -> bool {
        let (rpm_before, speed_before) = self.before;
        if rpm_before == 0 || speed_before < UNDER_WAY_MILLIKNOTS / 2 {
            return false;
        }
        let faster = rpm.wrapping_sub(rpm_before);
        let gain = speed.wrapping_sub(speed_before);
        let idle_turns = faster > rpm_before >> 2_u32 && gain <= (speed_before >> 3_u32).max(IDLE_GAIN_MILLIKNOTS);
        let falls_behind = faster > rpm_before >> 4_u32 && gain < (speed_before >> 3_u32).saturating_neg();
        idle_turns || falls_behind
    }

    /// Judges one tick.
    pub(crate) fn judge(&self, scene: &Scene) -> Standing {
        if self.stands {
            Standing::Present(Level::Warning)
        } else if scene.good(Channel::Speed).is_none() {
            Standing::Unjudged
        } else {
            Standing::Absent
        }
    }
}

/// How the propeller takes hold of the water.
enum Grip {
    Well,
    Badly,
    NotAtAll,
}

/// How the boat follows the engine: against what was learned, else against the propeller's pitch.
fn grip(scene: &Scene, quarters: i32, speed: i32) -> Option<Grip> {
    let sixteen = speed.wrapping_mul(16);
    let by_pitch = theoretical(scene, quarters).filter(|speed| *speed > 0).map(|theory| {
        let slip = 100_i32.wrapping_sub(round_div(speed.min(1 << 20_u32).wrapping_mul(100), theory));
        if slip > SLIPS_PERCENT {
            Grip::NotAtAll
        } else if slip > HOLDS_PERCENT {
            Grip::Badly
        } else {
            Grip::Well
        }
    });
    let Some(normal) = scene.normal.learned.at(quarters >> 2_u32, Norm::Speed) else { return by_pitch };
    let by_normal = if sixteen < normal.wrapping_mul(SLIPS_SIXTEENTHS) {
        Grip::NotAtAll
    } else if sixteen < normal.wrapping_mul(HOLDS_SIXTEENTHS) {
        Grip::Badly
    } else {
        Grip::Well
    };
    // A tow is slow, but it does not let the propeller spin: both must say so, where both can.
    Some(match (by_normal, by_pitch) {
        (Grip::NotAtAll, None | Some(Grip::NotAtAll)) => Grip::NotAtAll,
        (Grip::Well, _) => Grip::Well,
        _ => Grip::Badly,
    })
}

/// Speed without slip in 0.001 kn: rpm × pitch (in) / (gear ratio × 1,215.22); the trade prints it as
/// mph = rpm × in / (ratio × 1,056).
fn theoretical(scene: &Scene, quarters: i32) -> Option<i32> {
    let pitch = i32::try_from(scene.profile.prop_pitch_milli_inch?).ok()?;
    let gear = i32::try_from(scene.profile.gear_ratio_milli?).ok()?;
    // ¼ rpm × milli-inch / milli-ratio / 4,860.88, × 1,000: the pitch in 1/8 in keeps it within 32 bits.
    let turns = round_div(quarters.wrapping_mul(pitch / 125), gear);
    Some(round_div(turns.wrapping_mul(25_716), 1_000))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::ChannelSet;
    use crate::assess::{Expected, Normal};
    use crate::condition::Tick;
    use crate::profile::Profile;
    use crate::units::Rpm;

    /// The published example: 6,000 rpm, 25 in, ratio 1.86 are 76.37 mph by the trade's formula, 66.36 kn.
    #[test]
    fn theoretical_speed() {
        let mut profile = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
        profile.prop_pitch_milli_inch = Some(25_000);
        profile.gear_ratio_milli = Some(1_860);
        let scene = Scene {
            tick: Tick::NONE,
            profile,
            normal: Normal::new(),
            expected: Expected::NONE,
            channels: ChannelSet::ALL,
        };
        let found = theoretical(&scene, 6_000 * 4).expect("pitch and ratio are known");
        assert!((found - 66_364).abs() < 200, "{found}");
    }
}
