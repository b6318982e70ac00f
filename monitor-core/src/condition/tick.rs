//! The decision tick: all samples of one whole second become one set of values.

use super::run_state::Run;
use super::{HOLE_MS, judged};
use crate::acquire::{Channel, ChannelSet, Quality, Reading, Readings};
use crate::num;
use crate::time::Instant;
use crate::units::Quantity;

/// What the detectors see: one second of the engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tick {
    /// Stamp of the last sample, on the caller's clock.
    pub stamp: Instant,
    /// Milliseconds of all trips up to the last sample.
    pub at_ms: u64,
    /// Milliseconds since the tick before; 0 for the first tick of a trip.
    pub since_last_ms: u32,
    /// The run state at the last sample.
    pub run: Run,
    /// Least engine speed of the good samples, in ¼ rpm.
    pub rpm_min: i32,
    /// Greatest engine speed of the good samples, in ¼ rpm.
    pub rpm_max: i32,
    /// Smallest difference between two successive head readings seen so far, in m°C: the sensor's resolution.
    pub head_resolution: Option<u32>,
    /// Channels of which at least one sample was good.
    pub with_good: ChannelSet,
    /// Channels of which a good sample differs from the good sample before it.
    pub changed: ChannelSet,
    means: [i32; Channel::COUNT],
    qualities: [Quality; Channel::COUNT],
}

impl Tick {
    pub(crate) const NONE: Self = Self {
        stamp: Instant::from_millis(0),
        at_ms: 0,
        since_last_ms: 0,
        run: Run::OFF,
        rpm_min: 0,
        rpm_max: 0,
        head_resolution: None,
        with_good: ChannelSet::EMPTY,
        changed: ChannelSet::EMPTY,
        means: [0; Channel::COUNT],
        qualities: [Quality::Missing; Channel::COUNT],
    };

    /// Good where at least one sample was good; else the quality of the last sample.
    #[must_use]
    pub fn quality(&self, channel: Channel) -> Quality {
        self.qualities.get(channel.index()).copied().unwrap_or(Quality::Missing)
    }

    /// The mean of the good samples of one channel in its own unit, where there are any.
    #[must_use]
    pub fn good(&self, channel: Channel) -> Option<i32> {
        if self.with_good.contains(channel) { self.means.get(channel.index()).copied() } else { None }
    }

    #[cfg(test)]
    pub(crate) fn set_for_test(&mut self, channel: Channel, mean: i32) {
        self.means[channel.index()] = mean;
        self.qualities[channel.index()] = Quality::Good;
        self.with_good = self.with_good.with(channel);
        self.changed = self.changed.with(channel);
    }

    /// Whether so much time passed since the tick before that nothing can be said about the time between.
    #[must_use]
    pub const fn after_hole(&self) -> bool {
        self.since_last_ms > HOLE_MS
    }
}

/// One channel while a tick is open.
#[derive(Debug, Clone, Copy)]
struct Gathered {
    /// Of the good samples of this tick; says nothing before the first.
    sum: i32,
    /// Last good sample of all ticks of this trip.
    last: i32,
    count: u16,
    /// What is wrong with the last sample, as long as none was good.
    fault: Quality,
}

impl Gathered {
    const EMPTY: Self = Self { sum: 0, last: 0, count: 0, fault: Quality::Missing };

    /// A sum or a count that would overflow leaves the mean of the samples so far: still a mean of good samples.
    fn add(&mut self, raw: i32) {
        if let (Some(sum), Some(count)) = (self.sum.checked_add(raw), self.count.checked_add(1)) {
            self.sum = sum;
            self.count = count;
        }
    }
}

/// What one set of readings says of its channels: sets, because a small core handles all channels at once in them.
#[derive(Debug, Clone, Copy)]
struct Looked {
    running: bool,
    /// A reading of at least this age was seen before.
    old_from_ms: u32,
    /// Channels with a good sample.
    good: ChannelSet,
    /// Channels whose good sample differs from the last one, or from nothing.
    moved: ChannelSet,
}

/// Gathers samples until the whole second is over.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TickBuilder {
    channels: [Gathered; Channel::COUNT],
    /// Channels with a good sample in this tick.
    with_good: ChannelSet,
    /// Channels with a good sample in this trip.
    seen: ChannelSet,
    changed: ChannelSet,
    open: bool,
    /// The trip has begun: there was a sample.
    begun: bool,
    /// The trip has had a tick.
    ticked: bool,
    rpm_min: i32,
    rpm_max: i32,
    /// [`u32::MAX`] before the head was seen to move.
    head_resolution: u32,
}

impl TickBuilder {
    pub(crate) const fn new() -> Self {
        Self {
            channels: [Gathered::EMPTY; Channel::COUNT],
            with_good: ChannelSet::EMPTY,
            seen: ChannelSet::EMPTY,
            changed: ChannelSet::EMPTY,
            open: false,
            begun: false,
            ticked: false,
            rpm_min: 0,
            rpm_max: 0,
            head_resolution: u32::MAX,
        }
    }

    /// Power-up.
    pub(crate) fn restart(&mut self) {
        *self = Self::new();
    }

    /// Adds one sample of all channels, `passed_ms` after the one before, and returns the engine speed in ¼ rpm where
    /// it is good and new.
    pub(crate) fn add(&mut self, readings: &Readings, running: bool, passed_ms: u32) -> Option<i32> {
        // A slow sensor that is looked at often shows the same measurement again. The first is new whatever its age.
        let old_from_ms = if self.begun { passed_ms.max(1) } else { u32::MAX };
        let mut looked = Looked { running, old_from_ms, good: ChannelSet::EMPTY, moved: ChannelSet::EMPTY };
        let before = self.with_good;
        // Channel by channel, not in a loop: this runs with every sample, and a small core pays for every branch.
        let [rpm, head, flow, supply, speed, water, oil] = &mut self.channels;
        let head_before = head.last;
        looked.look(rpm, before, Channel::Rpm, readings.rpm);
        looked.look(head, before, Channel::Head, readings.head);
        looked.look(flow, before, Channel::Flow, readings.flow);
        looked.look(supply, before, Channel::Supply, readings.supply);
        looked.look(speed, before, Channel::Speed, readings.speed);
        looked.look(water, before, Channel::Water, readings.water);
        looked.look(oil, before, Channel::Oil, readings.oil);
        let moved = looked.moved.and(self.seen);
        if moved.contains(Channel::Head) {
            self.head_resolution = self.head_resolution.min(head.last.abs_diff(head_before));
        }
        self.open = true;
        self.begun = true;
        self.changed = self.changed.or(moved);
        self.seen = self.seen.or(looked.good);
        self.with_good = before.or(looked.good);
        if !looked.good.contains(Channel::Rpm) {
            return None;
        }
        let raw = rpm.last;
        if before.contains(Channel::Rpm) {
            self.rpm_min = self.rpm_min.min(raw);
            self.rpm_max = self.rpm_max.max(raw);
        } else {
            self.rpm_min = raw;
            self.rpm_max = raw;
        }
        Some(raw)
    }

    /// Ends the second, if a sample came in it; `tick` holds the tick before, and its run state is left for the caller
    /// to fill in.
    pub(crate) fn close(&mut self, stamp: Instant, at_ms: u64, tick: &mut Tick) -> bool {
        if !self.open {
            return false;
        }
        let with_good = self.with_good;
        let slots = tick.means.iter_mut().zip(tick.qualities.iter_mut()).zip(self.channels.iter_mut());
        for (channel, ((mean, quality), gathered)) in Channel::ALL.iter().zip(slots) {
            if with_good.contains(*channel) {
                *mean = num::mean(gathered.sum, i32::from(gathered.count));
                *quality = Quality::Good;
            } else {
                *quality = gathered.fault;
            }
            gathered.fault = Quality::Missing;
        }
        tick.with_good = with_good;
        tick.changed = self.changed;
        tick.stamp = stamp;
        let since_last_ms = at_ms.saturating_sub(tick.at_ms);
        tick.since_last_ms = if self.ticked { u32::try_from(since_last_ms).unwrap_or(u32::MAX) } else { 0 };
        tick.at_ms = at_ms;
        let any_rpm = with_good.contains(Channel::Rpm);
        tick.rpm_min = if any_rpm { self.rpm_min } else { 0 };
        tick.rpm_max = if any_rpm { self.rpm_max } else { 0 };
        tick.head_resolution = (self.head_resolution != u32::MAX).then_some(self.head_resolution);
        self.with_good = ChannelSet::EMPTY;
        self.changed = ChannelSet::EMPTY;
        self.open = false;
        self.ticked = true;
        true
    }
}

impl Looked {
    /// Looks at one channel; `before` are the channels with an earlier good sample in this tick.
    #[inline(always)]
    fn look<Q: Quantity>(&mut self, slot: &mut Gathered, before: ChannelSet, channel: Channel, reading: Reading<Q>) {
        let mut quality = reading.quality;
        if quality == Quality::Missing {
            return;
        }
        let raw = reading.value.raw();
        if quality == Quality::Good {
            // Never a repeat. A fault is a state of the sensor and stands until it has gone.
            if u32::from(reading.age_ms) >= self.old_from_ms {
                return;
            }
            quality = judged(channel, raw, reading.age_ms, self.running);
        }
        let first = !before.contains(channel);
        if quality != Quality::Good {
            if first {
                slot.fault = quality;
            }
            return;
        }
        self.good = self.good.with(channel);
        if raw != slot.last {
            self.moved = self.moved.with(channel);
        }
        slot.last = raw;
        if first {
            slot.sum = raw;
            slot.count = 1;
        } else {
            slot.add(raw);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn close(builder: &mut TickBuilder) -> Tick {
        let mut tick = Tick::NONE;
        assert!(builder.close(Instant::from_millis(0), 0, &mut tick));
        tick
    }

    fn with(channel: Channel, raw: i32) -> Readings {
        let mut readings = Readings::default();
        readings.set_raw(channel, raw, Quality::Good);
        readings
    }

    #[test]
    fn no_sample_no_tick() {
        let mut tick = Tick::NONE;
        assert!(!TickBuilder::new().close(Instant::from_millis(0), 0, &mut tick));
    }

    #[test]
    fn one_good_sample_outweighs_bad_ones() {
        let mut builder = TickBuilder::new();
        builder.add(&with(Channel::Head, -100_000), true, 100);
        builder.add(&with(Channel::Head, 60_000), true, 100);
        builder.add(&with(Channel::Head, 250_000), true, 100);
        assert_eq!(close(&mut builder).good(Channel::Head), Some(60_000));
        builder.add(&with(Channel::Head, 250_000), true, 100);
        assert_eq!(close(&mut builder).quality(Channel::Head), Quality::Short);
    }

    #[test]
    fn the_resolution_is_the_smallest_step_seen() {
        let mut builder = TickBuilder::new();
        for raw in [60_000, 60_000, 62_000, 61_000, 65_000] {
            builder.add(&with(Channel::Head, raw), true, 100);
        }
        assert_eq!(close(&mut builder).head_resolution, Some(1_000));
    }

    #[test]
    fn a_measurement_looked_at_again_is_no_new_sample() {
        let mut builder = TickBuilder::new();
        let mut readings = with(Channel::Head, 60_000);
        readings.head.age_ms = 400;
        builder.add(&readings, true, 0);
        assert_eq!(close(&mut builder).good(Channel::Head), Some(60_000), "the first is new whatever its age");
        readings.head.age_ms = 500;
        builder.add(&readings, true, 100);
        assert_eq!(close(&mut builder).good(Channel::Head), None, "older than the sample before");
        readings.head.age_ms = 50;
        builder.add(&readings, true, 100);
        assert_eq!(close(&mut builder).good(Channel::Head), Some(60_000), "measured since the sample before");
    }

    proptest! {
        #[test]
        fn constant_in_constant_out(raw in 0_i32..120_000, samples in 1_usize..20) {
            let mut builder = TickBuilder::new();
            for _ in 0..samples {
                builder.add(&with(Channel::Rpm, raw), true, 100);
            }
            let tick = close(&mut builder);
            prop_assert_eq!(tick.good(Channel::Rpm), Some(raw));
            prop_assert_eq!((tick.rpm_min, tick.rpm_max), (raw, raw));
        }
    }
}
