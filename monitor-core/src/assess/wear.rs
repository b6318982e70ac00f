//! What changes over hours and seasons: exponentially weighted means of flow and head against this engine's normal, and
//! the course of the idle flow over the running hours.
//!
//! The means have a weight of 1/16 a block of eight ticks (EWMA, Roberts 1959): two minutes of evidence move them.

use crate::ledger::packing::{Packer, Unpacker};

/// Weight of a new block: 1/16.
const GAIN_SHIFT: u32 = 4;
/// Blocks from which a mean counts.
const ENOUGH: u8 = 20;
/// Points of the course that are kept.
pub(crate) const POINTS: usize = 8;
/// Least running time between two points, in tenths of an hour.
const APART: u16 = 5;

/// An exponentially weighted mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Slow {
    value: i16,
    blocks: u8,
}

impl Slow {
    const NONE: Self = Self { value: 0, blocks: 0 };

    fn take(&mut self, value: i32) {
        let value = value.clamp(i32::from(i16::MIN), i32::from(i16::MAX));
        let apart = value.wrapping_sub(i32::from(self.value));
        // The first ones count in full, so that the mean does not begin at nothing.
        let gain = match self.blocks {
            0 => 0,
            1..=2 => 1,
            3..=6 => 2,
            7..=13 => 3,
            _ => GAIN_SHIFT,
        };
        let moved = i32::from(self.value).wrapping_add(apart >> gain);
        self.value = i16::try_from(moved).unwrap_or(self.value);
        self.blocks = self.blocks.saturating_add(1).min(200);
    }

    /// The mean, once enough blocks went into it.
    pub(crate) const fn get(&self) -> Option<i32> {
        if self.blocks >= ENOUGH { Some(self.value as i32) } else { None }
    }

    fn pack(self, packer: &mut Packer<'_>) {
        packer.u16(self.value.cast_unsigned());
        packer.u8(self.blocks);
    }

    fn unpack(kept: &mut Unpacker<'_>) -> Option<Self> {
        Some(Self { value: kept.u16()?.cast_signed(), blocks: kept.u8()? })
    }
}

/// One point of the course of the idle flow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Point {
    /// Running time, in tenths of an hour.
    pub(crate) hours_tenths: u16,
    /// Idle flow against its normal, in 1/1,024.
    pub(crate) ratio: u16,
}

/// The slow means and the course.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wear {
    /// Flow against its normal at idle, in 1/1,024.
    pub(crate) idle: Slow,
    /// The same at speed.
    pub(crate) speed: Slow,
    /// Settled head over its normal at speed, in 1/64 K.
    pub(crate) excess: Slow,
    /// Oldest first; a ratio of 0 is no point.
    pub(crate) points: [Point; POINTS],
}

impl Wear {
    pub(crate) const fn new() -> Self {
        Self {
            idle: Slow::NONE,
            speed: Slow::NONE,
            excess: Slow::NONE,
            points: [Point { hours_tenths: 0, ratio: 0 }; POINTS],
        }
    }

    /// Takes the flow of one block against its normal, in 1/1,024.
    pub(crate) fn flow(&mut self, at_idle: bool, ratio: i32, hours_tenths: u16) {
        if !at_idle {
            self.speed.take(ratio);
            return;
        }
        self.idle.take(ratio);
        let Some(mean) = self.idle.get() else { return };
        let now = Point { hours_tenths, ratio: u16::try_from(mean.max(1)).unwrap_or(u16::MAX) };
        self.add(now);
    }

    /// Adds a point, if enough running time has passed. When the list is full, every second point goes.
    fn add(&mut self, now: Point) {
        let len = self.len();
        let last = len.checked_sub(1).and_then(|last| self.points.get_mut(last));
        if let Some(last) = last
            && now.hours_tenths < last.hours_tenths.saturating_add(self.spacing())
        {
            return;
        }
        if len >= POINTS {
            for index in 1..POINTS / 2 {
                if let Some(point) = self.points.get(index.wrapping_mul(2)).copied()
                    && let Some(place) = self.points.get_mut(index)
                {
                    *place = point;
                }
            }
            self.points.iter_mut().skip(POINTS / 2).for_each(|point| point.ratio = 0);
        }
        if let Some(free) = self.points.iter_mut().find(|point| point.ratio == 0) {
            *free = now;
        }
    }

    fn len(&self) -> usize {
        self.points.iter().take_while(|point| point.ratio != 0).count()
    }

    /// The longer the course, the wider its points.
    fn spacing(&self) -> u16 {
        let [first, .., last] = self.points;
        let newest = if last.ratio == 0 { first.hours_tenths } else { last.hours_tenths };
        (newest.saturating_sub(first.hours_tenths) >> 3_u32).max(APART)
    }

    /// Takes the settled head of one block over its normal, in m°C.
    pub(crate) fn head(&mut self, excess_millikelvin: i32) {
        self.excess.take(excess_millikelvin >> 4_u32);
    }

    /// Settled head over its normal, in m°C (in steps of 16).
    pub(crate) fn excess_millikelvin(&self) -> Option<i32> {
        self.excess.get().map(|excess| excess << 4_u32)
    }

    /// 3 means of 3 bytes, 8 points of 4.
    pub(crate) fn pack(&self, packer: &mut Packer<'_>) {
        for slow in [self.idle, self.speed, self.excess] {
            slow.pack(packer);
        }
        for point in self.points {
            packer.u16(point.hours_tenths);
            packer.u16(point.ratio);
        }
    }

    /// Takes back what was written down; `None` if it ends too early.
    pub(crate) fn unpack(&mut self, kept: &mut Unpacker<'_>) -> Option<()> {
        self.idle = Slow::unpack(kept)?;
        self.speed = Slow::unpack(kept)?;
        self.excess = Slow::unpack(kept)?;
        for point in &mut self.points {
            *point = Point { hours_tenths: kept.u16()?, ratio: kept.u16()? };
        }
        Some(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mean_follows_a_step_with_its_weight() {
        let mut slow = Slow::NONE;
        for _ in 0..ENOUGH {
            slow.take(1_000);
        }
        assert_eq!(slow.get(), Some(1_000));
        for _ in 0..16 {
            slow.take(500);
        }
        // 1,000 − 500 × (1 − (15/16)^16) = 678; whole numbers round down.
        assert!(slow.get().is_some_and(|value| (655..=685).contains(&value)), "{slow:?}");
    }

    #[test]
    fn the_course_keeps_its_first_and_its_last_points() {
        let mut wear = Wear::new();
        for hours in 0..200_u16 {
            wear.add(Point { hours_tenths: hours * 10, ratio: 1_000 - hours });
        }
        let points: Vec<_> = wear.points.iter().filter(|point| point.ratio != 0).collect();
        assert_eq!(points[0].hours_tenths, 0);
        assert!(points.last().is_some_and(|last| last.hours_tenths >= 1_000), "{points:?}");
        assert!(points.windows(2).all(|pair| pair[0].hours_tenths < pair[1].hours_tenths), "{points:?}");
        assert!(points.len() >= 4, "{points:?}");
    }

    #[test]
    fn wear_comes_back() {
        let mut wear = Wear::new();
        for _ in 0..30 {
            wear.flow(true, 900, 12);
            wear.flow(false, 1_000, 12);
            wear.head(-3_000);
        }
        let mut bytes = [0; 64];
        let mut packer = Packer::new(&mut bytes);
        wear.pack(&mut packer);
        assert_eq!(packer.finish(), 41);
        let mut again = Wear::new();
        assert_eq!(again.unpack(&mut Unpacker::new(&bytes[..41])), Some(()));
        assert_eq!(
            (again.idle, again.speed, again.excess, again.points),
            (wear.idle, wear.speed, wear.excess, wear.points)
        );
        assert_eq!(again.excess_millikelvin(), Some(-3_008), "steps of 16 m°C");
    }

    extern crate std;
    use std::vec::Vec;
}
