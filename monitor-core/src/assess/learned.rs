//! What this engine does when it is well: flow, head, speed, charging and oil pressure against engine speed.
//!
//! Engine speed is cut into stretches: idle, and nine of equal width up to the permitted maximum. In each the means of
//! the first two minutes that could be believed are kept, with the mean engine speed they belong to, and then nothing
//! is changed any more: a normal that goes on learning would learn the wear. Between two stretches the line through
//! their means counts. Nothing is assumed to rise or to fall with engine speed: a relief valve makes flow and head
//! turn.

use crate::ledger::packing::{Packer, Unpacker};
use crate::num::{mean, round_div};

/// Stretches of engine speed.
pub(crate) const STRETCHES: usize = 10;
/// Blocks of eight ticks after which a mean is not changed any more: a little over two minutes.
const ENOUGH: u8 = 16;
/// Blocks from which a mean is believed.
const BELIEVED: u8 = 4;
/// Blocks from which a stretch counts as seen, so that a few per cent off its mean say something.
const SEEN: u8 = 6;
/// A flow may lie so far off the line between its neighbours, in 1/16 of it.
const OFF_THE_LINE_SIXTEENTHS: i32 = 5;
/// Decision ticks in a block.
const TICKS_A_BLOCK: u32 = 8;
/// Nothing is said between two means that are further apart than this part of the speeds up to the maximum: 3/8.
const WIDEST_GAP_EIGHTHS: i32 = 3;

/// What is learned against engine speed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub(crate) enum Norm {
    /// Telltale flow while the thermostat is shut, in mL/min.
    FlowShut,
    /// Telltale flow while it is open, or where there is none, in mL/min.
    FlowOpen,
    /// Head of a warm engine that has settled, in m°C.
    Head,
    /// Speed over ground in 0.001 kn.
    Speed,
    /// Supply in mV.
    Supply,
    /// Oil pressure in Pa.
    Oil,
    /// Raw-water temperature when the head was learned, in m°C.
    Water,
}

impl Norm {
    const COUNT: usize = 7;

    /// Raw units in one kept step, as a shift: 16 bits hold 262 L/min or °C in steps of 4 mL/min or m°C, 1,048 kPa in
    /// steps of 16 Pa. They are kept without a sign: sea water under freezing counts as 0 °C.
    const fn shift(self) -> u32 {
        match self {
            Self::FlowShut | Self::FlowOpen | Self::Head | Self::Water => 2,
            Self::Oil => 4,
            _ => 0,
        }
    }

    /// What is never a disturbance, in kept steps: half of a temperature near 0 °C is nothing.
    const fn least_disturbance(self) -> u16 {
        match self {
            Self::Head | Self::Water => 1_250,
            _ => 0,
        }
    }
}

/// The means of one stretch; nothing is known of what has a count of 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Stretch {
    /// Mean engine speed in whole rpm.
    rpm: u16,
    values: [u16; Norm::COUNT],
    blocks: [u8; Norm::COUNT],
}

impl Stretch {
    const EMPTY: Self = Self { rpm: 0, values: [0; Norm::COUNT], blocks: [0; Norm::COUNT] };

    fn is_believed(&self, norm: Norm) -> bool {
        self.blocks.get(norm as usize).is_some_and(|blocks| *blocks >= BELIEVED)
    }

    /// The mean, believed or not.
    fn value(&self, norm: Norm) -> i32 {
        self.values.get(norm as usize).map_or(0, |value| i32::from(*value) << norm.shift())
    }

    fn get(&self, norm: Norm) -> Option<i32> {
        self.is_believed(norm).then(|| self.value(norm))
    }
}

/// One stretch of engine speed and what is normal there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LearnedStretch {
    /// First engine speed of the stretch, in whole rpm.
    pub from_rpm: i32,
    /// Last engine speed of the stretch, in whole rpm.
    pub to_rpm: i32,
    /// Decision ticks that what is known best rests on: seconds at one sample a second.
    pub ticks: u32,
    /// Telltale flow in mL/min.
    pub flow: Option<i32>,
    /// Settled head of the warm engine in m°C.
    pub head: Option<i32>,
}

/// Everything learned against engine speed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Learned {
    stretches: [Stretch; STRETCHES],
    /// Upper edge of idle, in whole rpm.
    idle_up_to: i32,
    max_rpm: i32,
    /// Stretches in 65,536 rpm: their number is a multiplication away.
    per_rpm: i32,
}

impl Learned {
    pub(crate) const fn new() -> Self {
        Self { stretches: [Stretch::EMPTY; STRETCHES], idle_up_to: 0, max_rpm: 0, per_rpm: 0 }
    }

    /// The engine: upper edge of its idle band and permitted maximum, in whole rpm. What was learned stays.
    pub(crate) fn begin(&mut self, idle_up_to: i32, max_rpm: i32) {
        self.idle_up_to = idle_up_to;
        self.max_rpm = max_rpm;
        let width = max_rpm.wrapping_sub(idle_up_to).max(1);
        // Nine stretches over `width`.
        self.per_rpm = round_div(9 << 16_u32, width);
    }

    /// Forgets what was learned: the engine was changed.
    pub(crate) fn forget(&mut self) {
        self.stretches = [Stretch::EMPTY; STRETCHES];
    }

    fn index(&self, rpm: i32) -> usize {
        if rpm <= self.idle_up_to {
            return 0;
        }
        let over = rpm.wrapping_sub(self.idle_up_to).min(1 << 14_u32);
        let index = over.wrapping_mul(self.per_rpm) >> 16_u32;
        usize::try_from(index).unwrap_or(0).saturating_add(1).min(STRETCHES - 1)
    }

    /// Takes the mean of one block at `rpm` (whole rpm); `raw` in the unit of `norm`. Returns whether it was still
    /// wanted.
    pub(crate) fn learn(&mut self, rpm: i32, norm: Norm, raw: i32) -> bool {
        // Between stretches that were seen the flow lies near the line: what does not is a meter that sticks.
        let is_flow = matches!(norm, Norm::FlowOpen | Norm::FlowShut);
        if let Some(line) = is_flow.then(|| self.line(rpm, norm)).flatten()
            && raw.wrapping_sub(line).wrapping_abs() > line.wrapping_mul(OFF_THE_LINE_SIXTEENTHS) >> 4_u32
        {
            return false;
        }
        let index = self.index(rpm);
        let Some(stretch) = self.stretches.get_mut(index) else { return false };
        let most = stretch.blocks.iter().copied().max().unwrap_or(0);
        let (Some(value), Some(blocks)) =
            (stretch.values.get_mut(norm as usize), stretch.blocks.get_mut(norm as usize))
        else {
            return false;
        };
        if *blocks >= ENOUGH {
            return false;
        }
        let kept = u16::try_from((raw >> norm.shift()).max(0)).unwrap_or(u16::MAX);
        // A block that is half as much again as what was seen before it, or half of it, is a disturbance.
        if *blocks > 0 && kept.abs_diff(*value) > (*value >> 1_u32).max(norm.least_disturbance()) {
            *blocks = blocks.saturating_sub(1);
            return true;
        }
        *value = moved(*value, kept, *blocks);
        *blocks = blocks.saturating_add(1);
        // The speed goes with whatever is known best.
        if *blocks >= most {
            stretch.rpm =
                moved(stretch.rpm, u16::try_from(rpm).unwrap_or(u16::MAX), most.min(blocks.saturating_sub(1)));
        }
        true
    }

    /// What is normal at `rpm` (whole rpm), in the unit of `norm`; `None` at speeds that were never seen.
    pub(crate) fn at(&self, rpm: i32, norm: Norm) -> Option<i32> {
        self.around(self.index(rpm), rpm, norm)
    }

    /// The line between the stretches below and above, both seen; the own one is left out.
    fn line(&self, rpm: i32, norm: Norm) -> Option<i32> {
        let (below, above) = self.stretches.split_at_checked(self.index(rpm))?;
        let known = |stretch: &&Stretch| stretch.is_believed(norm);
        let (lower, upper) = (below.iter().rev().find(known)?, above.iter().skip(1).find(known)?);
        Some(between(i32::from(lower.rpm), lower.value(norm), i32::from(upper.rpm), upper.value(norm), rpm))
    }

    /// The same where the stretch of `rpm` is known by its `index`.
    fn around(&self, index: usize, rpm: i32, norm: Norm) -> Option<i32> {
        let (below, above) = self.stretches.split_at_checked(index)?;
        let (own, above) = above.split_first()?;
        let known = |stretch: &&Stretch| stretch.is_believed(norm);
        let own = Some(own).filter(known);
        let own_is_lower = own.map(|own| rpm >= i32::from(own.rpm));
        let lower = if own_is_lower == Some(true) { own } else { below.iter().rev().find(known) };
        let upper = if own_is_lower == Some(false) { own } else { above.iter().find(known) };
        let point = |stretch: &Stretch| (i32::from(stretch.rpm), stretch.value(norm));
        let gap = self.max_rpm.wrapping_mul(WIDEST_GAP_EIGHTHS) >> 3_u32;
        match (lower.map(point), upper.map(point)) {
            (Some((from, low)), Some((to, high))) if to.wrapping_sub(from) <= gap => {
                Some(between(from, low, to, high, rpm))
            }
            // Beyond the last one that was seen, and a little way only: as there.
            (Some((from, low)), _) if rpm.wrapping_sub(from) <= gap >> 1_u32 => Some(low),
            (_, Some((to, high))) if to.wrapping_sub(rpm) <= gap >> 2_u32 => Some(high),
            _ => None,
        }
    }

    /// The same, only where this very stretch of speeds was seen: lines between stretches are good enough for a loss, not
    /// for a few per cent.
    pub(crate) fn seen(&self, rpm: i32, norm: Norm) -> Option<i32> {
        let index = self.index(rpm);
        let blocks = self.stretches.get(index)?.blocks.get(norm as usize).copied()?;
        if blocks >= SEEN { self.around(index, rpm, norm) } else { None }
    }

    /// The most that was seen at any speed.
    pub(crate) fn most(&self, norm: Norm) -> Option<i32> {
        let mut most = None;
        for stretch in &self.stretches {
            if stretch.is_believed(norm) {
                most = most.max(Some(stretch.value(norm)));
            }
        }
        most
    }

    /// The stretches of which anything is known.
    pub(crate) fn shown(&self) -> impl Iterator<Item = LearnedStretch> + '_ {
        let width = self.max_rpm.saturating_sub(self.idle_up_to);
        let edge = move |index: i32| self.idle_up_to.saturating_add(width.saturating_mul(index) / 9);
        self.stretches.iter().zip(0_i32..).filter_map(move |(stretch, index)| {
            let blocks = stretch.blocks.iter().copied().max().unwrap_or(0);
            (blocks >= BELIEVED).then(|| LearnedStretch {
                from_rpm: if index == 0 { 0 } else { edge(index.saturating_sub(1)) },
                to_rpm: edge(index),
                ticks: u32::from(blocks).saturating_mul(TICKS_A_BLOCK),
                flow: stretch.get(Norm::FlowOpen).or_else(|| stretch.get(Norm::FlowShut)),
                head: stretch.get(Norm::Head),
            })
        })
    }

    /// Writes down what was learned: the number of stretches, and for each 2 bytes of speed, 7 values of 2 bytes, 7
    /// counts.
    pub(crate) fn pack(&self, packer: &mut Packer<'_>) {
        packer.u8(u8::try_from(STRETCHES).unwrap_or(0));
        for stretch in &self.stretches {
            packer.u16(stretch.rpm);
            stretch.values.iter().for_each(|value| packer.u16(*value));
            stretch.blocks.iter().for_each(|blocks| packer.u8(*blocks));
        }
    }

    /// Takes back what was written down; `None` if it ends too early.
    pub(crate) fn unpack(&mut self, kept: &mut Unpacker<'_>) -> Option<()> {
        let count = kept.u8()?;
        for index in 0..usize::from(count) {
            let mut stretch = Stretch::EMPTY;
            stretch.rpm = kept.u16()?;
            for value in &mut stretch.values {
                *value = kept.u16()?;
            }
            for blocks in &mut stretch.blocks {
                *blocks = kept.u8()?;
            }
            if let Some(place) = self.stretches.get_mut(index) {
                *place = stretch;
            }
        }
        Some(())
    }
}

/// The mean of `count` values and one more.
fn moved(old: u16, new: u16, count: u8) -> u16 {
    let apart = i32::from(new).wrapping_sub(i32::from(old));
    let step = mean(apart, i32::from(count).saturating_add(1));
    u16::try_from(i32::from(old).saturating_add(step)).unwrap_or(old)
}

/// The value at `x` on the line through two points, `from` ≤ `x` ≤ `to`.
fn between(from: i32, low: i32, to: i32, high: i32, x: i32) -> i32 {
    let (way, width) = (x.wrapping_sub(from), to.wrapping_sub(from));
    if width <= 0 {
        return low;
    }
    // The share of the way in 1/256, bit by bit: cheaper than a division on a small core.
    let (mut rest, mut share) = (way.min(width), 0_i32);
    for _ in 0..8 {
        rest = rest.wrapping_mul(2);
        share = share.wrapping_mul(2);
        if rest >= width {
            rest = rest.wrapping_sub(width);
            share = share.wrapping_add(1);
        }
    }
    low.wrapping_add(high.wrapping_sub(low).wrapping_mul(share) >> 8_u32)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn commissioned() -> Learned {
        let mut learned = Learned::new();
        learned.begin(937, 6_000);
        for (rpm, flow, head) in
            [(750, 900, 70_000), (2_200, 2_600, 60_000), (3_300, 3_800, 56_000), (4_400, 4_400, 57_000)]
        {
            for _ in 0..15 {
                learned.learn(rpm, Norm::FlowOpen, flow);
                learned.learn(rpm, Norm::Head, head);
            }
        }
        learned
    }

    #[test]
    fn between_what_was_seen_the_line_counts_and_beyond_nothing_is_said() {
        let learned = commissioned();
        let cases = [
            ("at idle", 750, Norm::FlowOpen, Some(900)),
            ("a little under", 650, Norm::FlowOpen, Some(900)),
            ("half way", 2_750, Norm::FlowOpen, Some(3_200)),
            ("head half way", 2_750, Norm::Head, Some(58_000)),
            ("relief valve: it need not rise", 3_850, Norm::Head, Some(56_500)),
            ("a little beyond", 5_000, Norm::FlowOpen, Some(4_400)),
            ("far beyond", 5_900, Norm::FlowOpen, None),
            ("never seen", 3_300, Norm::Oil, None),
        ];
        for (name, rpm, norm, expected) in cases {
            let found = learned.at(rpm, norm);
            let near = found.zip(expected).is_some_and(|(found, expected)| (found - expected).abs() <= expected / 100);
            assert!(near || found == expected, "{name}: {found:?}");
        }
    }

    #[test]
    fn two_minutes_are_enough_and_then_nothing_changes() {
        let mut learned = commissioned();
        assert!(learned.learn(750, Norm::FlowOpen, 900), "the sixteenth");
        assert!(!learned.learn(750, Norm::FlowOpen, 100));
        assert_eq!(learned.at(750, Norm::FlowOpen), Some(900));
    }

    #[test]
    fn a_few_blocks_are_not_believed() {
        let mut learned = Learned::new();
        learned.begin(937, 6_000);
        for volts in [14_200, 14_000, 14_200] {
            learned.learn(3_000, Norm::Supply, volts);
        }
        assert_eq!(learned.at(3_000, Norm::Supply), None);
        assert_eq!(learned.shown().count(), 0);
        learned.learn(3_000, Norm::Supply, 14_000);
        assert_eq!(learned.at(3_000, Norm::Supply), Some(14_100));
        assert_eq!(learned.seen(3_000, Norm::Supply), None);
    }

    #[test]
    fn half_as_much_again_is_a_disturbance_but_not_of_a_temperature_near_freezing() {
        let cases = [
            ("flow half as much again", Norm::FlowOpen, 1_000, 1_600, 1_000),
            ("flow a little more", Norm::FlowOpen, 1_000, 1_200, 1_100),
            ("winter water", Norm::Water, 1_200, 3_200, 2_200),
            ("sea water under freezing", Norm::Water, -1_000, 2_000, 1_000),
            ("head of another engine", Norm::Head, 40_000, 65_000, 40_000),
        ];
        for (name, norm, first, second, expected) in cases {
            let mut learned = Learned::new();
            learned.begin(937, 6_000);
            for _ in 0..5 {
                learned.learn(3_000, norm, first);
            }
            for _ in 0..5 {
                learned.learn(3_000, norm, second);
            }
            // A disturbance takes belief away instead of moving the mean.
            let found = learned.stretches.iter().map(|stretch| stretch.value(norm)).max();
            assert!(found.is_some_and(|found| (found - expected).abs() <= 20), "{name}: {found:?}");
        }
    }

    #[test]
    fn what_was_learned_comes_back() {
        let learned = commissioned();
        let mut bytes = [0; 256];
        let mut packer = Packer::new(&mut bytes);
        learned.pack(&mut packer);
        let length = packer.finish();
        assert_eq!(length, 1 + 10 * 23);
        assert_eq!(bytes[..9], [10, 0xEE, 0x02, 0, 0, 0xE1, 0x00, 0x5C, 0x44], "750 rpm, no flow shut, 225, 17,500");
        let mut again = Learned::new();
        again.begin(937, 6_000);
        assert_eq!(again.unpack(&mut Unpacker::new(&bytes[..length])), Some(()));
        assert_eq!(again.stretches, learned.stretches);
        assert_eq!(Learned::new().unpack(&mut Unpacker::new(&bytes[..length - 1])), None);
    }
}
