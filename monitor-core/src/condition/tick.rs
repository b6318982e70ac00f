//! The decision tick: all samples of one whole second become one set of values.

use super::run_state::Run;
use super::{HOLE_MS, judged};
use crate::acquire::{Channel, Quality, RawReading, Readings};
use crate::num::round_div;
use crate::time::Instant;

/// One channel in one tick.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ChannelTick {
    /// Mean of the good samples, in the channel's own unit; meaningless unless the quality is good.
    pub mean: i32,
    /// Good where at least one sample was good; else the quality of the last sample.
    pub quality: Quality,
    /// Whether a good sample of this tick differs from the good sample before it.
    pub changed: bool,
}

impl ChannelTick {
    const MISSING: Self = Self { mean: 0, quality: Quality::Missing, changed: false };

    /// The mean, where it can be believed.
    #[must_use]
    pub fn good(&self) -> Option<i32> {
        (self.quality == Quality::Good).then_some(self.mean)
    }
}

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
    channels: [ChannelTick; Channel::COUNT],
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
        channels: [ChannelTick::MISSING; Channel::COUNT],
    };

    /// One channel.
    #[must_use]
    pub fn channel(&self, channel: Channel) -> ChannelTick {
        self.channels.get(channel.index()).copied().unwrap_or(ChannelTick::MISSING)
    }

    /// The mean of one channel, where it can be believed.
    #[must_use]
    pub fn good(&self, channel: Channel) -> Option<i32> {
        self.channel(channel).good()
    }

    #[cfg(test)]
    pub(crate) fn set_for_test(&mut self, channel: Channel, mean: i32) {
        self.channels[channel.index()] = ChannelTick { mean, quality: Quality::Good, changed: true };
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
    quality: Quality,
    changed: bool,
    /// Last good sample of all ticks of this trip.
    last: Option<i32>,
}

impl Gathered {
    const EMPTY: Self = Self { sum: 0, count: 0, quality: Quality::Missing, changed: false, last: None };

    fn add(&mut self, raw: i32, quality: Quality) {
        if quality != Quality::Good {
            if self.count == 0 {
                self.quality = quality;
            }
            return;
        }
        self.quality = Quality::Good;
        self.changed |= self.last.is_some_and(|last| last != raw);
        self.last = Some(raw);
        // A sum that would overflow leaves the mean of the samples so far: still a mean of good samples.
        if let Some(sum) = self.sum.checked_add(raw) {
            self.sum = sum;
            self.count = self.count.saturating_add(1);
        }
    }

    fn close(&mut self) -> ChannelTick {
        // At 1 Hz there is nothing to divide, and a division costs a small core dearly.
        let mean = if self.count == 1 { self.sum } else { round_div(self.sum, self.count) };
        let closed = ChannelTick { mean, quality: self.quality, changed: self.changed };
        *self = Self { last: self.last, ..Self::EMPTY };
        closed
    }
}

/// Gathers samples until the whole second is over.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TickBuilder {
    channels: [Gathered; Channel::COUNT],
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

    /// Adds one sample of all channels and returns the quality of the engine speed in it.
    pub(crate) fn add(&mut self, readings: &Readings, running: bool) -> Quality {
        self.open = true;
        let mut rpm_quality = Quality::Missing;
        for (channel, gathered) in Channel::ALL.into_iter().zip(self.channels.iter_mut()) {
            let reading: RawReading = readings.raw(channel);
            let quality = judged(channel, reading, running);
            if quality == Quality::Good {
                match channel {
                    Channel::Rpm => {
                        self.rpm_min = self.rpm_min.min(reading.raw);
                        self.rpm_max = self.rpm_max.max(reading.raw);
                    }
                    Channel::Head => {
                        let step = gathered.last.map_or(0, |last| last.abs_diff(reading.raw));
                        if step > 0 {
                            self.head_resolution = Some(self.head_resolution.map_or(step, |finest| finest.min(step)));
                        }
                    }
                    _ => {}
                }
            }
            if channel == Channel::Rpm {
                rpm_quality = quality;
            }
            gathered.add(reading.raw, quality);
        }
        rpm_quality
    }

    /// Ends the second, if a sample came in it.
    pub(crate) fn close(&mut self, stamp: Instant, at_ms: u64, run: Run, tick: &mut Tick) -> bool {
        if !self.open {
            return false;
        }
        for (closed, gathered) in tick.channels.iter_mut().zip(self.channels.iter_mut()) {
            *closed = gathered.close();
        }
        tick.stamp = stamp;
        tick.since_last_ms =
            self.last_at_ms.map_or(0, |last| u32::try_from(at_ms.saturating_sub(last)).unwrap_or(u32::MAX));
        tick.at_ms = at_ms;
        tick.run = run;
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
        assert!(builder.close(Instant::from_millis(0), 0, Run::OFF, &mut tick));
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
        assert!(!TickBuilder::new().close(Instant::from_millis(0), 0, Run::OFF, &mut tick));
    }

    #[test]
    fn one_good_sample_outweighs_bad_ones() {
        let mut builder = TickBuilder::new();
        builder.add(&with(Channel::Head, -100_000), true);
        builder.add(&with(Channel::Head, 60_000), true);
        builder.add(&with(Channel::Head, 250_000), true);
        assert_eq!(close(&mut builder).good(Channel::Head), Some(60_000));
        builder.add(&with(Channel::Head, 250_000), true);
        assert_eq!(close(&mut builder).channel(Channel::Head).quality, Quality::Short);
    }

    #[test]
    fn the_resolution_is_the_smallest_step_seen() {
        let mut builder = TickBuilder::new();
        for raw in [60_000, 60_000, 62_000, 61_000, 65_000] {
            builder.add(&with(Channel::Head, raw), true);
        }
        assert_eq!(close(&mut builder).head_resolution, Some(1_000));
    }

    proptest! {
        #[test]
        fn constant_in_constant_out(raw in 0_i32..120_000, samples in 1_usize..20) {
            let mut builder = TickBuilder::new();
            for _ in 0..samples {
                builder.add(&with(Channel::Rpm, raw), true);
            }
            let tick = close(&mut builder);
            prop_assert_eq!(tick.good(Channel::Rpm), Some(raw));
            prop_assert_eq!((tick.rpm_min, tick.rpm_max), (raw, raw));
        }
    }
}
