//! Blocks of eight decision ticks: what the slow detectors and the learning of what is normal rest on.
//!
//! A single tick carries the noise of its sensors and of the sea; the mean of a block does not. Whether the engine was
//! held at one speed meanwhile, and for how many blocks, stands beside the means: a head takes most of a minute to
//! follow a change of load, a flow meter follows at once.

use super::{HOLE_MS, Tick};
use crate::acquire::{Channel, ChannelSet};
use crate::num;

/// Ticks in a block.
const TICKS: u8 = 8;
/// Speeds within this part of their mean, and a little more for slow idles, are one speed: 1/16.
const ONE_SPEED_SHIFT: u32 = 4;
/// In ¼ rpm.
const ONE_SPEED_QUARTERS: i32 = 40 * 4;
/// A turn of the speed is more than this part of it: 1/64, and more than `TURN_QUARTERS`.
const TURN_SHIFT: u32 = 6;
/// In ¼ rpm.
const TURN_QUARTERS: i32 = 10 * 4;

/// Greatest mean of a block, in any unit: 1/256 of what 32 bits hold.
const MOST: i32 = 1 << 23_u32;
/// A dip is deeper than this part of the height before: 1/8.
const DIP_SHIFT: u32 = 3;

/// The means of eight ticks of a running engine.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Block {
    means: [i32; Channel::COUNT],
    with_good: ChannelSet,
    /// Lowest mean speed of a tick, in ¼ rpm.
    pub(crate) rpm_low: i32,
    /// Highest mean speed of a tick, in ¼ rpm.
    pub(crate) rpm_high: i32,
    /// Ticks that were slower than 7/8 of the highest speed of the block before.
    pub(crate) rpm_dips: u8,
    /// How often the speed turned from rising to falling or back.
    pub(crate) rpm_turns: u8,
    /// Blocks at one speed up to this one, this one included; 0 where the speed changed.
    pub(crate) steady: u8,
    /// How long it lasted, in milliseconds.
    pub(crate) lasted_ms: u32,
}

impl Block {
    const NONE: Self = Self {
        means: [0; Channel::COUNT],
        with_good: ChannelSet::EMPTY,
        rpm_low: 0,
        rpm_high: 0,
        rpm_dips: 0,
        rpm_turns: 0,
        steady: 0,
        lasted_ms: 0,
    };

    /// The mean of a channel in its own unit, where at least half of the ticks had it.
    pub(crate) fn good(&self, channel: Channel) -> Option<i32> {
        if self.with_good.contains(channel) { self.means.get(channel.index()).copied() } else { None }
    }
}

/// Gathers ticks into blocks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SteadyWatch {
    sums: [i32; Channel::COUNT],
    /// Ticks in which a channel was not good: mostly none, which costs nothing to count.
    missing: [u8; Channel::COUNT],
    ticks: u8,
    /// Whether the speed rose when it last turned.
    rising: bool,
    /// The speed at its last turn or beyond, in ¼ rpm.
    turned_at: i32,
    open: Block,
    /// The last whole block.
    block: Block,
}

impl SteadyWatch {
    pub(crate) const fn new() -> Self {
        Self {
            sums: [0; Channel::COUNT],
            missing: [0; Channel::COUNT],
            ticks: 0,
            rising: false,
            turned_at: 0,
            open: Block::NONE,
            block: Block::NONE,
        }
    }

    /// Takes one tick. Only ticks of a running engine with a speed count; what is
    /// gathered is thrown away when the engine stops and after a hole in the record.
    // A function of its own: its fields lie within reach of short offsets.
    #[inline(never)]
    pub(crate) fn update(&mut self, tick: &Tick) {
        let rpm = match tick.good(Channel::Rpm) {
            Some(rpm) if tick.run.running && tick.since_last_ms <= HOLE_MS => rpm,
            _ => {
                self.forget();
                return;
            }
        };
        if self.ticks == 0 {
            self.open.rpm_low = rpm;
            self.open.rpm_high = rpm;
            self.open.rpm_turns = 0;
            self.open.rpm_dips = 0;
            self.open.lasted_ms = 0;
        }
        self.open.rpm_low = self.open.rpm_low.min(rpm);
        self.open.rpm_high = self.open.rpm_high.max(rpm);
        // Eight ticks without a hole: none of the three counts of a block can wrap.
        self.open.lasted_ms = self.open.lasted_ms.wrapping_add(tick.since_last_ms);
        if rpm < self.block.rpm_high.wrapping_sub(self.block.rpm_high >> DIP_SHIFT) {
            self.open.rpm_dips = self.open.rpm_dips.wrapping_add(1);
        }
        self.follow_turns(rpm);
        let mut good = tick.with_good.bits();
        for (value, (sum, missing)) in tick.means().iter().zip(self.sums.iter_mut().zip(self.missing.iter_mut())) {
            if good & 1 != 0 {
                *sum = sum.wrapping_add(*value);
            } else {
                *missing = missing.wrapping_add(1);
            }
            good >>= 1_u32;
        }
        self.ticks = self.ticks.wrapping_add(1);
        if self.ticks >= TICKS {
            self.close();
        }
    }

    /// The last block and the ticks since it closed, as long as the engine runs on.
    pub(crate) fn last(&self) -> Option<(&Block, u8)> {
        (self.block.lasted_ms > 0).then_some((&self.block, self.ticks))
    }

    /// Ticks gathered since the last block closed.
    pub(crate) const fn ticks(&self) -> u8 {
        self.ticks
    }

    /// Counts where the speed turns back by more than its noise.
    fn follow_turns(&mut self, rpm: i32) {
        let least = (rpm >> TURN_SHIFT).max(TURN_QUARTERS);
        let gone = rpm.wrapping_sub(self.turned_at);
        if (gone > 0) == self.rising {
            self.turned_at = rpm;
        } else if gone.wrapping_abs() > least {
            self.rising = !self.rising;
            self.turned_at = rpm;
            self.open.rpm_turns = self.open.rpm_turns.wrapping_add(1);
        }
    }

    fn close(&mut self) {
        let before = self.block.good(Channel::Rpm);
        let steady_before = self.open.steady;
        self.open.with_good = ChannelSet::EMPTY;
        let places = self.sums.iter_mut().zip(self.missing.iter_mut()).zip(self.open.means.iter_mut());
        for (&channel, ((sum, missing), mean)) in Channel::ALL.iter().zip(places) {
            if *missing <= TICKS / 2 {
                let count = TICKS.wrapping_sub(*missing);
                let exact = if count == TICKS { *sum >> 3_u32 } else { num::mean(*sum, i32::from(count)) };
                // No engine shows more in any unit; what rests on blocks may reckon with it.
                *mean = exact.clamp(-MOST, MOST);
                self.open.with_good = self.open.with_good.with(channel);
            }
            *sum = 0;
            *missing = 0;
        }
        self.ticks = 0;
        let rpm = self.open.good(Channel::Rpm).unwrap_or(0);
        let one_speed = (rpm >> ONE_SPEED_SHIFT).wrapping_add(ONE_SPEED_QUARTERS);
        let held = self.open.rpm_high.wrapping_sub(self.open.rpm_low) <= one_speed.wrapping_mul(2);
        let goes_on = before.is_some_and(|before| before.wrapping_sub(rpm).wrapping_abs() <= one_speed);
        self.open.steady = match (held, goes_on) {
            (true, true) => steady_before.saturating_add(1),
            (true, false) => 1,
            (false, _) => 0,
        };
        self.block = self.open;
    }

    fn forget(&mut self) {
        if self.ticks > 0 || self.open.steady > 0 {
            *self = Self::new();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tick(rpm: i32, head: Option<i32>) -> Tick {
        let mut tick = Tick::NONE;
        tick.run.running = true;
        tick.since_last_ms = 1_000;
        tick.set_for_test(Channel::Rpm, rpm * 4);
        if let Some(head) = head {
            tick.set_for_test(Channel::Head, head);
        }
        tick
    }

    #[test]
    fn eight_ticks_are_a_block() {
        let mut watch = SteadyWatch::new();
        for second in 0..7 {
            watch.update(&tick(3_000 + second, Some(70_000 + second * 100)));
            assert!(watch.last().is_none());
        }
        watch.update(&tick(3_007, Some(70_700)));
        assert_eq!(watch.last().map(|(_, ticks)| ticks), Some(0));
        assert_eq!(watch.block.good(Channel::Rpm), Some(3_003 * 4 + 2));
        assert_eq!(watch.block.good(Channel::Head), Some(70_350));
        assert_eq!(watch.block.good(Channel::Flow), None);
        assert_eq!((watch.block.steady, watch.block.lasted_ms), (1, 8_000));
    }

    #[test]
    fn a_channel_counts_with_half_of_its_ticks() {
        let cases = [(4, Some(70_000)), (3, None)];
        for (with_head, expected) in cases {
            let mut watch = SteadyWatch::new();
            for second in 0..8 {
                watch.update(&tick(3_000, (second < with_head).then_some(70_000)));
            }
            assert_eq!(watch.block.good(Channel::Head), expected, "{with_head} of 8");
        }
    }

    #[test]
    fn blocks_at_one_speed_are_counted_until_it_changes() {
        let mut watch = SteadyWatch::new();
        let mut steady = |rpm: i32, swing: i32| {
            for second in 0..8 {
                watch.update(&tick(if second % 2 == 0 { rpm } else { rpm + swing }, None));
            }
            (watch.block.steady, watch.block.rpm_turns)
        };
        // The rise from standstill is the first turn.
        assert_eq!(steady(3_000, 20), (1, 1));
        assert_eq!(steady(3_150, 20), (2, 0), "within a sixteenth");
        assert_eq!(steady(3_600, 20), (1, 0), "another speed");
        assert_eq!(steady(3_600, 700), (0, 6), "it hunts; what is within a sixty-fourth is no turn");
        assert_eq!(steady(3_600, 20), (1, 1));
    }

    #[test]
    fn a_stop_and_a_hole_throw_away_what_was_gathered() {
        let mut stopped = tick(0, None);
        stopped.run.running = false;
        let mut late = tick(3_000, None);
        late.since_last_ms = 5_001;
        for (name, between) in [("stop", stopped), ("hole", late)] {
            let mut watch = SteadyWatch::new();
            for _ in 0..7 {
                watch.update(&tick(3_000, None));
            }
            watch.update(&between);
            watch.update(&tick(3_000, None));
            assert!(watch.last().is_none(), "{name}: it begins anew");
        }
    }
}
