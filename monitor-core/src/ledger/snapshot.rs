//! Snapshots: all channels every four seconds, 16 samples before an alarm or warning and 16 after it.
//!
//! Samples are kept as small numbers with a fixed step for each channel; what lies outside saturates at the ends:
//!
//! | channel | bits | from | step | to |
//! | --- | --- | --- | --- | --- |
//! | rpm | 8 | 0 | 40 rpm | 10,160 rpm |
//! | head | 8 | 0 °C | 0.5 K | 127 °C |
//! | flow | 8 | 0 | 0.04 L/min | 10.16 L/min |
//! | supply | 7 | 5 V | 0.1 V | 17.6 V |
//! | speed | 7 | 0 | 0.5 kn | 63 kn |
//! | water | 6 | −2 °C | 1 K | 60 °C |
//! | oil | 7 | 0 | 8 kPa | 1,008 kPa |
//!
//! The highest number of each width stands for a missing value.

use crate::acquire::Channel;
use crate::finding::Finding;
use crate::time::Instant;

/// Seconds from one sample to the next.
pub const SNAPSHOT_EVERY_S: u32 = 4;

/// Samples of one half.
pub(crate) const SAMPLES: usize = 16;
/// Samples that are remembered: one half, and as many more as may pass before flash has time for it.
const HISTORY: u32 = 20;
/// Alarms that can be followed at once.
const AT_ONCE: usize = 3;

/// One number for each channel, in the order of [`Channel::ALL`].
pub(crate) type Sample = [u8; Channel::COUNT];

/// How a channel's values become small numbers.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    pub(crate) bits: u8,
    from_raw: i32,
    step_raw: i32,
}

impl Scale {
    pub(crate) const fn of(channel: Channel) -> Self {
        let (bits, from_raw, step_raw) = match channel {
            Channel::Rpm => (8, 0, 160),
            Channel::Head => (8, 0, 500),
            Channel::Flow => (8, 0, 40),
            Channel::Supply => (7, 5_000, 100),
            Channel::Speed => (7, 0, 500),
            Channel::Water => (6, -2_000, 1_000),
            Channel::Oil => (7, 0, 8_000),
        };
        Self { bits, from_raw, step_raw }
    }

    pub(crate) const fn missing(self) -> u8 {
        match self.bits {
            8 => 0xFF,
            7 => 0x7F,
            _ => 0x3F,
        }
    }

    fn encode(self, raw: Option<i32>) -> u8 {
        let Some(raw) = raw else { return self.missing() };
        let above = raw.saturating_sub(self.from_raw).saturating_add(self.step_raw / 2).max(0);
        let steps = above.checked_div(self.step_raw).unwrap_or(0);
        u8::try_from(steps).unwrap_or(u8::MAX).min(self.missing().saturating_sub(1))
    }

    fn decode(self, code: u8) -> Option<i32> {
        let steps = i32::from(code).saturating_mul(self.step_raw);
        (code < self.missing()).then(|| self.from_raw.saturating_add(steps))
    }
}

/// Which half of a snapshot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Part {
    /// What went before.
    Before,
    /// What came after.
    After,
}

/// What a snapshot is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Trigger {
    /// `id` of the event.
    pub id: u32,
    /// What it is about.
    pub finding: Finding,
    /// Power-up to power-down.
    pub trip: i16,
    /// Stamp of the event.
    pub stamp: Instant,
}

/// One half of a snapshot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SnapshotHalf {
    /// What it is about.
    pub trigger: Trigger,
    /// Which half.
    pub part: Part,
    pub(crate) samples: [Sample; SAMPLES],
    pub(crate) count: u8,
}

impl SnapshotHalf {
    /// Number of samples, up to 16; one every [`SNAPSHOT_EVERY_S`] seconds. The last one before is that at the event or
    /// just before it.
    #[must_use]
    pub const fn len(&self) -> u8 {
        self.count
    }

    /// Whether it holds no sample.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// The value of a channel in its own unit, the oldest sample being 0; `None` where nothing good was measured.
    #[must_use]
    pub fn value(&self, sample: u8, channel: Channel) -> Option<i32> {
        if sample >= self.count {
            return None;
        }
        let code = *self.samples.get(usize::from(sample))?.get(channel.index())?;
        Scale::of(channel).decode(code)
    }
}

/// An alarm that is followed, in 16 bytes.
#[derive(Debug, Clone, Copy)]
struct Pending {
    stamp: Instant,
    id: u32,
    finding: Finding,
    /// The trip and 1; later ones than 254 are told as that.
    trip_and_one: u8,
    /// Samples taken since it happened; 255 and more are the same, as none of them is remembered then.
    since: u8,
    stage: Stage,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// Neither half is kept.
    Begun,
    /// And no more samples will come.
    BegunAndOver,
    /// What went before is kept.
    BeforeIsKept,
    /// And no more samples will come.
    BeforeIsKeptAndOver,
}

impl Stage {
    const fn before_is_kept(self) -> bool {
        matches!(self, Self::BeforeIsKept | Self::BeforeIsKeptAndOver)
    }

    const fn is_over(self) -> bool {
        matches!(self, Self::BegunAndOver | Self::BeforeIsKeptAndOver)
    }

    const fn of(before_is_kept: bool, is_over: bool) -> Self {
        match (before_is_kept, is_over) {
            (false, false) => Self::Begun,
            (false, true) => Self::BegunAndOver,
            (true, false) => Self::BeforeIsKept,
            (true, true) => Self::BeforeIsKeptAndOver,
        }
    }
}

impl Pending {
    fn of(trigger: Trigger) -> Self {
        let Trigger { id, finding, trip, stamp } = trigger;
        let trip_and_one = u8::try_from(trip.saturating_add(1).max(0)).unwrap_or(u8::MAX);
        Self { stamp, id, finding, trip_and_one, since: 0, stage: Stage::Begun }
    }

    fn trigger(&self) -> Trigger {
        let trip = i16::from(self.trip_and_one).saturating_sub(1);
        Trigger { id: self.id, finding: self.finding, trip, stamp: self.stamp }
    }
}

/// The last samples, and the alarms that are being followed.
#[derive(Debug)]
pub struct SnapshotRing {
    history: [Sample; HISTORY as usize],
    taken: u32,
    pending: [Option<Pending>; AT_ONCE],
}

impl SnapshotRing {
    /// Nothing seen yet.
    #[must_use]
    pub const fn new() -> Self {
        Self { history: [[0; Channel::COUNT]; HISTORY as usize], taken: 0, pending: [None; AT_ONCE] }
    }

    /// Takes a sample in: the good values of every channel in their own units, in the order of [`Channel::ALL`]. To be
    /// called every [`SNAPSHOT_EVERY_S`] seconds.
    pub fn sample(&mut self, values: &[Option<i32>; Channel::COUNT]) {
        let place = usize::try_from(self.taken % HISTORY).unwrap_or(0);
        if let Some(sample) = self.history.get_mut(place) {
            for ((code, value), channel) in sample.iter_mut().zip(values).zip(Channel::ALL) {
                *code = Scale::of(channel).encode(*value);
            }
        }
        self.taken = self.taken.saturating_add(1);
        for pending in self.pending.iter_mut().flatten() {
            pending.since = pending.since.saturating_add(1);
        }
    }

    /// An alarm or warning was raised. `false` if it is followed already, or three others are.
    pub fn trigger(&mut self, trigger: Trigger) -> bool {
        if self.pending.iter().flatten().any(|pending| pending.id == trigger.id) {
            return false;
        }
        let Some(free) = self.pending.iter_mut().find(|pending| pending.is_none()) else { return false };
        *free = Some(Pending::of(trigger));
        true
    }

    /// No more samples will come: power-down, or the end of a trip. What there is after each alarm is handed out.
    pub fn finish(&mut self) {
        for pending in self.pending.iter_mut().flatten() {
            pending.stage = Stage::of(pending.stage.before_is_kept(), true);
        }
    }

    /// The half that is to be kept next: those before come first. To be asked for again after [`SnapshotRing::half_is_kept`].
    #[must_use]
    pub fn next_half(&self) -> Option<SnapshotHalf> {
        let before = self.pending.iter().flatten().find(|pending| !pending.stage.before_is_kept());
        if let Some(pending) = before {
            return Some(self.half(pending, Part::Before));
        }
        let is_complete = |pending: &&Pending| pending.stage.is_over() || pending.since >= 16;
        self.pending.iter().flatten().find(is_complete).map(|pending| self.half(pending, Part::After))
    }

    /// This half is on flash. It is named because another may have come first since it was handed out.
    pub fn half_is_kept(&mut self, half: &SnapshotHalf) {
        for place in &mut self.pending {
            let Some(pending) = place.as_mut().filter(|pending| pending.id == half.trigger.id) else {
                continue;
            };
            match half.part {
                Part::Before => pending.stage = Stage::of(true, pending.stage.is_over()),
                Part::After => *place = None,
            }
        }
    }

    /// What is still remembered of a half: samples that had to wait too long are left out.
    fn half(&self, pending: &Pending, part: Part) -> SnapshotHalf {
        let at = self.taken.saturating_sub(u32::from(pending.since));
        let (from, to) = match part {
            Part::Before => (at.saturating_sub(16), at),
            Part::After => (at, at.saturating_add(16).min(self.taken)),
        };
        let oldest = self.taken.saturating_sub(HISTORY);
        let mut half =
            SnapshotHalf { trigger: pending.trigger(), part, samples: [[0; Channel::COUNT]; SAMPLES], count: 0 };
        for (number, into) in (from.max(oldest)..to).zip(&mut half.samples) {
            let place = usize::try_from(number % HISTORY).unwrap_or(0);
            if let Some(sample) = self.history.get(place) {
                *into = *sample;
                half.count = half.count.saturating_add(1);
            }
        }
        half
    }
}

impl Default for SnapshotRing {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trigger(id: u32) -> Trigger {
        Trigger { id, finding: Finding::StreamLost, trip: 0, stamp: Instant::from_millis(1_000) }
    }

    /// Whole revolutions in steps of 40 tell the samples apart.
    fn take(ring: &mut SnapshotRing, numbers: core::ops::Range<i32>) {
        for number in numbers {
            let mut values = [None; Channel::COUNT];
            values[0] = Some(number * 160);
            ring.sample(&values);
        }
    }

    fn numbers(half: &SnapshotHalf) -> (i32, i32, u8) {
        let number = |sample| half.value(sample, Channel::Rpm).unwrap() / 160;
        (number(0), number(half.len() - 1), half.len())
    }

    #[test]
    fn values_come_back_to_the_nearest_step_and_saturate() {
        let cases = [
            ("rpm", Channel::Rpm, Some(4 * 3_019), Some(4 * 3_000)),
            ("rpm up", Channel::Rpm, Some(4 * 3_020), Some(4 * 3_040)),
            ("rpm over", Channel::Rpm, Some(4 * 12_000), Some(4 * 10_160)),
            ("head", Channel::Head, Some(71_300), Some(71_500)),
            ("head under", Channel::Head, Some(-9_000), Some(0)),
            ("head over", Channel::Head, Some(150_000), Some(127_000)),
            ("flow", Channel::Flow, Some(2_410), Some(2_400)),
            ("supply", Channel::Supply, Some(13_840), Some(13_800)),
            ("supply over", Channel::Supply, Some(30_000), Some(17_600)),
            ("speed over", Channel::Speed, Some(90_000), Some(63_000)),
            ("water", Channel::Water, Some(-1_900), Some(-2_000)),
            ("water over", Channel::Water, Some(80_000), Some(60_000)),
            ("oil over", Channel::Oil, Some(2_000_000), Some(1_008_000)),
            ("missing", Channel::Oil, None, None),
            ("greatest", Channel::Rpm, Some(i32::MAX), Some(4 * 10_160)),
            ("least", Channel::Supply, Some(i32::MIN), Some(5_000)),
        ];
        for (name, channel, raw, expected) in cases {
            let scale = Scale::of(channel);
            assert_eq!(scale.decode(scale.encode(raw)), expected, "{name}");
        }
    }

    #[test]
    fn sixteen_before_and_sixteen_after() {
        let mut ring = SnapshotRing::new();
        take(&mut ring, 0..30);
        assert!(ring.trigger(trigger(1)));
        assert!(!ring.trigger(trigger(1)), "followed already");
        let before = ring.next_half().unwrap();
        assert_eq!((before.part, numbers(&before)), (Part::Before, (14, 29, 16)));
        ring.half_is_kept(&before);
        take(&mut ring, 30..45);
        assert_eq!(ring.next_half(), None, "one is missing");
        take(&mut ring, 45..48);
        let after = ring.next_half().unwrap();
        assert_eq!((after.part, numbers(&after)), (Part::After, (30, 45, 16)), "though two more have come");
        ring.half_is_kept(&after);
        assert_eq!(ring.next_half(), None);
    }

    #[test]
    fn little_history_and_an_early_end() {
        let mut ring = SnapshotRing::new();
        take(&mut ring, 0..3);
        assert!(ring.trigger(trigger(1)));
        let before = ring.next_half().unwrap();
        assert_eq!(numbers(&before), (0, 2, 3));
        ring.half_is_kept(&before);
        take(&mut ring, 3..5);
        ring.finish();
        assert_eq!(numbers(&ring.next_half().unwrap()), (3, 4, 2));
    }

    #[test]
    fn three_at_once_and_no_fourth() {
        let mut ring = SnapshotRing::new();
        take(&mut ring, 0..20);
        assert!((1..=3).all(|id| ring.trigger(trigger(id))));
        assert!(!ring.trigger(trigger(4)));
        take(&mut ring, 20..21);
        for id in 1..=3 {
            let half = ring.next_half().unwrap();
            assert_eq!((half.trigger.id, half.part, numbers(&half)), (id, Part::Before, (4, 19, 16)));
            ring.half_is_kept(&half);
        }
        ring.finish();
        for id in 1..=3 {
            let half = ring.next_half().unwrap();
            assert_eq!((half.trigger.id, half.part, numbers(&half)), (id, Part::After, (20, 20, 1)));
            ring.half_is_kept(&half);
        }
        assert!(ring.trigger(trigger(4)));
    }

    #[test]
    fn what_waits_too_long_gets_shorter_and_never_wrong() {
        let mut ring = SnapshotRing::new();
        take(&mut ring, 0..20);
        assert!(ring.trigger(trigger(1)));
        take(&mut ring, 20..30);
        assert_eq!(numbers(&ring.next_half().unwrap()), (10, 19, 10));
    }

    #[test]
    fn ram() {
        assert!(core::mem::size_of::<SnapshotRing>() <= 192, "{}", core::mem::size_of::<SnapshotRing>());
    }
}
