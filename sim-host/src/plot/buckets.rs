//! A trip of any length in a bounded number of buckets: the least and the greatest value of each, so that no peak is lost.

use monitor_core::acquire::{Channel, Quality};
use monitor_core::condition::RunState;

use crate::trace::Row;

/// Most buckets of a trip. Twice as many as a wide screen has pixels, and 500 h in buckets of under four minutes.
const MOST: usize = 8_192;
/// The first width of a bucket in milliseconds: a decision tick.
const FIRST_WIDTH_MS: u64 = 1_000;

/// Least and greatest good reading of a channel, in its own unit.
pub(super) type Span = Option<(i32, i32)>;

/// What happened in one span of time.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Bucket {
    /// Of each channel.
    pub(super) spans: [Span; Channel::COUNT],
    /// The run states that were seen, a bit for each by [`state_bit`].
    pub(super) states: u8,
}

impl Bucket {
    /// Whether a row fell into it.
    pub(super) fn is_used(&self) -> bool {
        self.states != 0
    }

    fn merge(&mut self, other: &Self) {
        self.states |= other.states;
        for (span, more) in self.spans.iter_mut().zip(&other.spans) {
            *span = join(*span, *more);
        }
    }
}

fn join(one: Span, other: Span) -> Span {
    match (one, other) {
        (Some((low, high)), Some((more_low, more_high))) => Some((low.min(more_low), high.max(more_high))),
        (one, other) => one.or(other),
    }
}

/// Run states in the order of their bits.
pub(super) const STATES: [RunState; 5] =
    [RunState::Running, RunState::OnHose, RunState::Cranking, RunState::StoppedHot, RunState::Off];

fn state_bit(state: RunState) -> u8 {
    STATES.iter().zip(0..8).filter(|(known, _)| **known == state).map(|(_, bit)| 1 << bit).sum()
}

/// The buckets of one trip, from its first row on.
#[derive(Debug)]
pub(super) struct Buckets {
    width_ms: u64,
    buckets: Vec<Bucket>,
}

impl Buckets {
    pub(super) const fn new() -> Self {
        Self { width_ms: FIRST_WIDTH_MS, buckets: Vec::new() }
    }

    /// Adds a row, `at_ms` after the first. One from before it counts as the first.
    pub(super) fn add(&mut self, at_ms: i64, row: &Row, state: RunState) {
        let at_ms = u64::try_from(at_ms).unwrap_or(0);
        while at_ms / self.width_ms >= MOST as u64 {
            self.widen();
        }
        let Ok(place) = usize::try_from(at_ms / self.width_ms) else { return };
        if self.buckets.len() <= place {
            self.buckets.resize(place + 1, Bucket::default());
        }
        let Some(bucket) = self.buckets.get_mut(place) else { return };
        bucket.states |= state_bit(state);
        for (span, channel) in bucket.spans.iter_mut().zip(Channel::ALL) {
            let reading = row.readings.raw(channel);
            if reading.quality == Quality::Good {
                *span = join(*span, Some((reading.raw, reading.raw)));
            }
        }
    }

    /// Two buckets become one.
    fn widen(&mut self) {
        let pairs = self.buckets.chunks(2).map(|pair| {
            let mut merged = Bucket::default();
            pair.iter().for_each(|bucket| merged.merge(bucket));
            merged
        });
        self.buckets = pairs.collect();
        self.width_ms = self.width_ms.saturating_mul(2);
    }

    /// Milliseconds that one bucket holds.
    pub(super) const fn width_ms(&self) -> u64 {
        self.width_ms
    }

    /// The buckets into which rows fell, with their beginnings in milliseconds.
    pub(super) fn used(&self) -> impl Iterator<Item = (u64, &Bucket)> {
        let starts = (0_u64..).map(|place| place.saturating_mul(self.width_ms));
        starts.zip(&self.buckets).filter(|(_, bucket)| bucket.is_used())
    }
}

#[cfg(test)]
mod tests {
    use monitor_core::acquire::{Reading, Readings};
    use monitor_core::time::Instant;
    use monitor_core::units::Rpm;

    use super::*;

    fn row(rpm: i32) -> Row {
        let readings = Readings { rpm: Reading::good(Rpm::from_whole_rpm(rpm)), ..Readings::default() };
        Row { stamp: Instant::from_millis(0), readings }
    }

    #[test]
    fn no_peak_is_lost_however_long_the_trip_is() {
        let mut buckets = Buckets::new();
        let peak_at = 1_234_567;
        for second in 0..1_800_000_i64 {
            let rpm = if second == peak_at { 6_400 } else { 3_000 + (second % 3) as i32 };
            buckets.add(second * 1_000, &row(rpm), RunState::Running);
        }
        let used: Vec<_> = buckets.used().collect();
        assert!(used.len() <= MOST && used.len() > MOST / 2, "{}", used.len());
        let peaks: Vec<_> = used.iter().filter(|(_, bucket)| bucket.spans[0].unwrap().1 == 25_600).collect();
        let [(start, bucket)] = peaks[..] else { panic!("{peaks:?}") };
        assert!((*start..*start + buckets.width_ms()).contains(&(peak_at as u64 * 1_000)));
        assert_eq!(bucket.spans[0].unwrap().0, 12_000);
    }

    #[test]
    fn odd_stamps_fill_no_memory_and_hide_nothing() {
        let mut buckets = Buckets::new();
        for at_ms in [0, 500, -10_000, i64::MAX, 3_000] {
            buckets.add(at_ms, &row(800), RunState::Off);
        }
        assert_eq!(buckets.used().count(), 2, "the last millisecond of all time, and all before it");
        assert!(buckets.buckets.len() <= MOST);
        let mut gap = Buckets::new();
        gap.add(0, &row(800), RunState::Running);
        gap.add(60_000, &row(0), RunState::Off);
        let states: Vec<_> = gap.used().map(|(start, bucket)| (start, bucket.states)).collect();
        assert_eq!(states, [(0, 1), (60_000, 16)], "nothing stands between");
    }
}
