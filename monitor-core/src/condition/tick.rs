//! The decision tick: all samples of one whole second become one set of values.

use super::run_state::Run;
use super::{HOLE_MS, in_span, judged};
use crate::acquire::{Channel, ChannelSet, Quality, RawReading, Reading, Readings};
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
    faults: Faults,
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
        faults: Faults::NONE,
    };

    /// Good where at least one sample was good; else the quality of the last sample.
    #[must_use]
    pub fn quality(&self, channel: Channel) -> Quality {
        if self.with_good.contains(channel) { Quality::Good } else { self.faults.get(channel) }
    }

    /// The mean of the good samples of one channel in its own unit, where there are any.
    #[must_use]
    pub fn good(&self, channel: Channel) -> Option<i32> {
        if self.with_good.contains(channel) { Some(self.mean(channel)) } else { None }
    }

    /// The mean of one channel; without a good sample it is left over from before.
    pub(crate) fn mean(&self, channel: Channel) -> i32 {
        self.means.get(channel.index()).copied().unwrap_or(0)
    }

    /// The means of all channels; those without a good sample are left over from before.
    pub(super) const fn means(&self) -> &[i32; Channel::COUNT] {
        &self.means
    }

    #[cfg(test)]
    pub(crate) fn set_for_test(&mut self, channel: Channel, mean: i32) {
        self.means[channel.index()] = mean;
        self.with_good = self.with_good.with(channel);
        self.changed = self.changed.with(channel);
    }

    /// Whether so much time passed since the tick before that nothing can be said about the time between.
    #[must_use]
    pub const fn after_hole(&self) -> bool {
        self.since_last_ms > HOLE_MS
    }
}

/// What is wrong with each channel, three bits for one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Faults(u32);

impl Faults {
    const NONE: Self = Self(0);
    const MASK: u32 = 0b111;

    const fn shift(channel: Channel) -> u32 {
        let index = channel as u32;
        index.saturating_add(index << 1_u32)
    }

    const fn with(self, channel: Channel, fault: Quality) -> Self {
        let shift = Self::shift(channel);
        Self((self.0 & !(Self::MASK << shift)) | ((fault as u32) << shift))
    }

    /// The fault that was set last; [`Quality::Missing`] if none was.
    fn get(self, channel: Channel) -> Quality {
        let code = (self.0 >> Self::shift(channel)) & Self::MASK;
        if code == Quality::Good as u32 {
            return Quality::Missing;
        }
        Quality::from_code(u8::try_from(code).unwrap_or(u8::MAX))
    }
}

/// How one set of readings is looked at.
#[derive(Debug, Clone, Copy)]
struct View {
    running: bool,
    /// A reading of at least this age was seen before.
    old_from_ms: u32,
    /// Channels with an earlier good sample in this tick.
    before: ChannelSet,
}

/// What one set of readings says: sets, because a small core handles all channels at once in them.
#[derive(Debug, Clone, Copy)]
struct Seen {
    /// Channels with a good sample.
    good: ChannelSet,
    /// Channels whose good sample differs from the last one, or from nothing.
    moved: ChannelSet,
}

/// Gathers samples until the whole second is over.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TickBuilder {
    /// Sum of the good samples of this tick, for the channels of `with_good`.
    sums: [i32; Channel::COUNT],
    /// Last good sample of all ticks of this trip, for the channels of `seen`.
    last: [i32; Channel::COUNT],
    /// Number of good samples of this tick after the first.
    more: [u16; Channel::COUNT],
    /// Channels with a good sample in this tick.
    with_good: ChannelSet,
    /// Channels with more than one.
    several: ChannelSet,
    /// Channels with a good sample in this trip.
    seen: ChannelSet,
    changed: ChannelSet,
    /// What is wrong with the last sample of a channel, as long as none was good in this tick.
    faults: Faults,
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
            sums: [0; Channel::COUNT],
            last: [0; Channel::COUNT],
            more: [0; Channel::COUNT],
            with_good: ChannelSet::EMPTY,
            several: ChannelSet::EMPTY,
            seen: ChannelSet::EMPTY,
            changed: ChannelSet::EMPTY,
            faults: Faults::NONE,
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
        self.open = true;
        self.begun = true;
        let view = View { running, old_from_ms, before: self.with_good };
        let [rpm_before, head_before, ..] = self.last;
        let mut seen = Seen { good: ChannelSet::EMPTY, moved: ChannelSet::EMPTY };
        // Channel by channel, not in a loop: this runs with every sample, and a small core pays for every branch.
        self.look(&view, &mut seen, Channel::Rpm, readings.rpm);
        self.look(&view, &mut seen, Channel::Head, readings.head);
        self.look(&view, &mut seen, Channel::Flow, readings.flow);
        self.look(&view, &mut seen, Channel::Supply, readings.supply);
        self.look(&view, &mut seen, Channel::Speed, readings.speed);
        self.look(&view, &mut seen, Channel::Water, readings.water);
        self.look(&view, &mut seen, Channel::Oil, readings.oil);
        let [rpm, head, ..] = self.last;
        let moved = seen.moved.and(self.seen);
        if moved.contains(Channel::Head) {
            self.head_resolution = self.head_resolution.min(head.abs_diff(head_before));
        }
        self.changed = self.changed.or(moved);
        self.several = self.several.or(view.before.and(seen.good));
        self.seen = self.seen.or(seen.good);
        self.with_good = view.before.or(seen.good);
        if !seen.good.contains(Channel::Rpm) {
            return None;
        }
        if !view.before.contains(Channel::Rpm) {
            self.rpm_min = rpm;
            self.rpm_max = rpm;
        } else if rpm != rpm_before {
            self.rpm_min = self.rpm_min.min(rpm);
            self.rpm_max = self.rpm_max.max(rpm);
        }
        Some(rpm)
    }

    /// Looks at one channel: what is most common, a sample that is good and new, has the shortest way.
    #[inline(always)]
    fn look<Q: Quantity>(&mut self, view: &View, seen: &mut Seen, channel: Channel, reading: Reading<Q>) {
        let raw = reading.value.raw();
        let moved = if reading.quality == Quality::Good && reading.age_ms == 0 && in_span(channel, raw, view.running) {
            self.take(view, channel, raw)
        } else {
            if reading.quality == Quality::Missing {
                return;
            }
            match self.look_closely(view, channel, reading.raw()) {
                Some(moved) => moved,
                None => return,
            }
        };
        seen.good = seen.good.with(channel);
        if moved {
            seen.moved = seen.moved.with(channel);
        }
    }

    /// Looks at what takes longer to judge; returns whether the value differs from the last one, if it is good and new.
    #[inline(never)]
    fn look_closely(&mut self, view: &View, channel: Channel, reading: RawReading) -> Option<bool> {
        // A repeat is no sample. A fault is never a repeat: it is a state of the sensor and stands until it has gone.
        let repeat = reading.age_ms > 0 && u32::from(reading.age_ms) >= view.old_from_ms;
        if repeat && reading.quality == Quality::Good {
            return None;
        }
        let quality = judged(channel, reading, view.running);
        if quality != Quality::Good {
            if !view.before.contains(channel) {
                self.faults = self.faults.with(channel, quality);
            }
            return None;
        }
        Some(self.take(view, channel, reading.raw))
    }

    /// Takes a sample that is good and new; returns whether it differs from the last one.
    #[inline(always)]
    fn take(&mut self, view: &View, channel: Channel, raw: i32) -> bool {
        let index = channel.index();
        let slots = (self.sums.get_mut(index), self.more.get_mut(index), self.last.get_mut(index));
        let (Some(sum), Some(more), Some(last)) = slots else { return false };
        if !view.before.contains(channel) {
            *sum = raw;
        } else if let (Some(longer), Some(another)) = (sum.checked_add(raw), more.checked_add(1)) {
            *sum = longer;
            *more = another;
        }
        // Otherwise one of them would overflow: the mean of the samples so far is still a mean of good samples.
        core::mem::replace(last, raw) != raw
    }

    /// Ends the second, if a sample came in it; `tick` holds the tick before, and its run state is left for the caller
    /// to fill in.
    pub(crate) fn close(&mut self, stamp: Instant, at_ms: u64, tick: &mut Tick) -> bool {
        if !self.open {
            return false;
        }
        tick.means = self.sums;
        if self.several != ChannelSet::EMPTY {
            self.average(&mut tick.means);
        }
        tick.with_good = self.with_good;
        tick.changed = self.changed;
        tick.faults = self.faults;
        tick.stamp = stamp;
        // Elapsed time never goes back.
        let since_last_ms = u32::try_from(at_ms.wrapping_sub(tick.at_ms)).unwrap_or(u32::MAX);
        tick.since_last_ms = if self.ticked { since_last_ms } else { 0 };
        tick.at_ms = at_ms;
        let any_rpm = self.with_good.contains(Channel::Rpm);
        tick.rpm_min = if any_rpm { self.rpm_min } else { 0 };
        tick.rpm_max = if any_rpm { self.rpm_max } else { 0 };
        tick.head_resolution = (self.head_resolution != u32::MAX).then_some(self.head_resolution);
        self.with_good = ChannelSet::EMPTY;
        self.changed = ChannelSet::EMPTY;
        self.faults = Faults::NONE;
        self.open = false;
        self.ticked = true;
        true
    }

    /// Turns the sums of channels with more than one sample into means.
    #[inline(never)]
    fn average(&mut self, means: &mut [i32; Channel::COUNT]) {
        for (mean, more) in means.iter_mut().zip(self.more.iter_mut()) {
            let count = i32::from(core::mem::take(more)).saturating_add(1);
            *mean = num::mean(*mean, count);
        }
        self.several = ChannelSet::EMPTY;
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
    fn a_fault_is_the_last_one_of_its_channel() {
        let faults = [Quality::Open, Quality::Short, Quality::BelowRange, Quality::Implausible];
        for channel in Channel::ALL {
            for fault in faults {
                let mut builder = TickBuilder::new();
                for quality in [Quality::Short, fault, Quality::Missing] {
                    let mut readings = Readings::default();
                    readings.set_raw(channel, 0, quality);
                    builder.add(&readings, false, 100);
                }
                let tick = close(&mut builder);
                for other in Channel::ALL {
                    let expected = if other == channel { fault } else { Quality::Missing };
                    assert_eq!(tick.quality(other), expected, "{channel:?} {fault:?} {other:?}");
                }
                builder.add(&with(Channel::Water, 1_000), false, 100);
                assert_eq!(close(&mut builder).quality(Channel::Oil), Quality::Missing, "forgotten with its tick");
            }
        }
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
        fn a_tick_is_the_mean_of_its_samples(seconds in prop::collection::vec(prop::collection::vec(0_i32..120_000, 1..20), 1..5)) {
            let mut builder = TickBuilder::new();
            let mut before = None;
            for samples in seconds {
                let mut changed = false;
                for &raw in &samples {
                    prop_assert_eq!(builder.add(&with(Channel::Rpm, raw), true, 100), Some(raw));
                    changed |= before.replace(raw).is_some_and(|before| before != raw);
                }
                let tick = close(&mut builder);
                let count = i32::try_from(samples.len()).unwrap();
                prop_assert_eq!(tick.good(Channel::Rpm), Some(num::round_div(samples.iter().sum(), count)));
                let ends = (*samples.iter().min().unwrap(), *samples.iter().max().unwrap());
                prop_assert_eq!((tick.rpm_min, tick.rpm_max), ends);
                prop_assert_eq!(tick.changed.contains(Channel::Rpm), changed);
            }
        }

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
