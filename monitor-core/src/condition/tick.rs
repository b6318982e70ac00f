//! The decision tick: all samples of one whole second become one set of values.

use super::run_state::Run;
use super::{HOLE_MS, judged};
use crate::acquire::{Channel, ChannelSet, Quality, RawReading, Readings};
use crate::num;
use crate::time::Instant;

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
    sum: i32,
    count: i32,
    /// Last good sample of all ticks of this trip.
    last: Option<i32>,
    quality: Quality,
}

impl Gathered {
    const EMPTY: Self = Self { sum: 0, count: 0, last: None, quality: Quality::Missing };

    /// Takes a sample; returns it if it is good, with the good one before it.
    fn add(&mut self, raw: i32, quality: Quality) -> Option<Sample> {
        if quality != Quality::Good {
            if self.count == 0 {
                self.quality = quality;
            }
            return None;
        }
        // A sum that would overflow leaves the mean of the samples so far: still a mean of good samples.
        if let Some(sum) = self.sum.checked_add(raw) {
            self.sum = sum;
            self.count = self.count.saturating_add(1);
        }
        self.quality = Quality::Good;
        Some(Sample { raw, before: self.last.replace(raw) })
    }

    /// Ends the second; returns whether a sample was good.
    fn close(&mut self, mean: &mut i32, quality: &mut Quality) -> bool {
        *quality = self.quality;
        self.quality = Quality::Missing;
        if self.count == 0 {
            return false;
        }
        *mean = num::mean(self.sum, self.count);
        self.sum = 0;
        self.count = 0;
        true
    }
}

/// A good sample and the good one before it.
#[derive(Debug, Clone, Copy)]
struct Sample {
    raw: i32,
    before: Option<i32>,
}

/// Gathers samples until the whole second is over.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TickBuilder {
    channels: [Gathered; Channel::COUNT],
    changed: ChannelSet,
    rpm_min: i32,
    rpm_max: i32,
    head_resolution: Option<u32>,
    open: bool,
    last_at_ms: Option<u64>,
}

impl TickBuilder {
    pub(crate) const fn new() -> Self {
        Self {
            channels: [Gathered::EMPTY; Channel::COUNT],
            changed: ChannelSet::EMPTY,
            rpm_min: i32::MAX,
            rpm_max: i32::MIN,
            head_resolution: None,
            open: false,
            last_at_ms: None,
        }
    }

    /// Power-up.
    pub(crate) fn restart(&mut self) {
        *self = Self::new();
    }

    /// Adds one sample of all channels, `passed_ms` after the one before, and returns the engine speed in ¼ rpm where
    /// it is good and new.
    pub(crate) fn add(&mut self, readings: &Readings, running: bool, passed_ms: u32) -> Option<i32> {
        let first = !self.open && self.last_at_ms.is_none();
        self.open = true;
        // Channel by channel, not in a loop: this runs with every sample, and a small core pays for every branch.
        let [rpm, head, flow, supply, speed, water, oil] = &mut self.channels;
        let mut changed = self.changed;
        let mut gather = |slot: &mut Gathered, channel: Channel, reading: RawReading| {
            // A slow sensor that is looked at often shows the same measurement again: never a repeat. A fault is a
            // state of the sensor and stands until it has gone.
            let repeat = reading.age_ms > 0 && !first && u32::from(reading.age_ms) >= passed_ms;
            if repeat && reading.quality == Quality::Good {
                return None;
            }
            let sample = slot.add(reading.raw, judged(channel, reading, running))?;
            if sample.before.is_some_and(|before| before != sample.raw) {
                changed = changed.with(channel);
            }
            Some(sample)
        };
        let rpm = readings.rpm.known().and_then(|reading| gather(rpm, Channel::Rpm, reading));
        let head = readings.head.known().and_then(|reading| gather(head, Channel::Head, reading));
        if let Some(reading) = readings.flow.known() {
            gather(flow, Channel::Flow, reading);
        }
        if let Some(reading) = readings.supply.known() {
            gather(supply, Channel::Supply, reading);
        }
        if let Some(reading) = readings.speed.known() {
            gather(speed, Channel::Speed, reading);
        }
        if let Some(reading) = readings.water.known() {
            gather(water, Channel::Water, reading);
        }
        if let Some(reading) = readings.oil.known() {
            gather(oil, Channel::Oil, reading);
        }
        self.changed = changed;
        if let Some(Sample { raw, before: Some(before) }) = head
            && raw != before
        {
            let step = raw.abs_diff(before);
            self.head_resolution = Some(self.head_resolution.map_or(step, |finest| finest.min(step)));
        }
        let raw = rpm?.raw;
        self.rpm_min = self.rpm_min.min(raw);
        self.rpm_max = self.rpm_max.max(raw);
        Some(raw)
    }

    /// Ends the second, if a sample came in it; the run state is left for the caller to fill in.
    pub(crate) fn close(&mut self, stamp: Instant, at_ms: u64, tick: &mut Tick) -> bool {
        if !self.open {
            return false;
        }
        let mut with_good = ChannelSet::EMPTY;
        let slots = tick.means.iter_mut().zip(tick.qualities.iter_mut()).zip(self.channels.iter_mut());
        for (channel, ((mean, quality), gathered)) in Channel::ALL.iter().zip(slots) {
            if gathered.close(mean, quality) {
                with_good = with_good.with(*channel);
            }
        }
        tick.with_good = with_good;
        tick.changed = self.changed;
        self.changed = ChannelSet::EMPTY;
        tick.stamp = stamp;
        tick.since_last_ms =
            self.last_at_ms.map_or(0, |last| u32::try_from(at_ms.saturating_sub(last)).unwrap_or(u32::MAX));
        tick.at_ms = at_ms;
        let any_rpm = self.rpm_min <= self.rpm_max;
        tick.rpm_min = if any_rpm { self.rpm_min } else { 0 };
        tick.rpm_max = if any_rpm { self.rpm_max } else { 0 };
        tick.head_resolution = self.head_resolution;
        self.rpm_min = i32::MAX;
        self.rpm_max = i32::MIN;
        self.open = false;
        self.last_at_ms = Some(at_ms);
        true
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
