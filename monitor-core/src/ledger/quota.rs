//! How many events of a finding the journal takes in a trip, and what is only counted after that.

use crate::finding::{Finding, Level};

use super::store::NewRecord;

/// Events of one finding that are written in a trip; later ones are counted.
const EVENTS_A_TRIP: u8 = 20;
/// Findings at one level that are counted at the same time. When all are in use they are written soon.
const COUNTERS: usize = 6;

/// Events that are only counted.
#[derive(Debug, Clone, Copy)]
struct Counter {
    finding: Finding,
    level: Level,
    count: u16,
}

/// What was written in this trip, and what is to be counted in the journal.
#[derive(Debug)]
pub(super) struct Quota {
    written: [u8; Finding::COUNT],
    counters: [Option<Counter>; COUNTERS],
}

impl Quota {
    pub(super) const fn new() -> Self {
        Self { written: [0; Finding::COUNT], counters: [None; COUNTERS] }
    }

    /// A trip begins. What is counted and not written yet stays.
    pub(super) fn begin_trip(&mut self) {
        self.written = [0; Finding::COUNT];
    }

    /// Whether an event of this finding is to be written; if so, it is taken as written.
    pub(super) fn takes(&mut self, finding: Finding) -> bool {
        let place = Finding::ALL.iter().position(|known| *known == finding);
        let Some(written) = place.and_then(|place| self.written.get_mut(place)) else { return true };
        if *written >= EVENTS_A_TRIP {
            return false;
        }
        *written = written.saturating_add(1);
        true
    }

    /// Counts an event that is not written; `false` if there is no counter for it.
    pub(super) fn count(&mut self, finding: Finding, level: Level) -> bool {
        let is_same = |counter: &Counter| counter.finding == finding && counter.level == level;
        let same = self.counters.iter().position(|counter| counter.as_ref().is_some_and(is_same));
        let place = same.or_else(|| self.counters.iter().position(Option::is_none));
        let Some(counter) = place.and_then(|place| self.counters.get_mut(place)) else { return false };
        let before = counter.map_or(0, |counter| counter.count);
        *counter = Some(Counter { finding, level, count: before.saturating_add(1) });
        true
    }

    /// Whether anything was counted that is not written.
    pub(super) fn has_counts(&self) -> bool {
        self.counters.iter().any(Option::is_some)
    }

    /// Whether no more than these findings can be counted until some are written.
    pub(super) fn is_full(&self) -> bool {
        self.counters.iter().all(Option::is_some)
    }

    /// The count that is to be written next.
    pub(super) fn next(&self) -> Option<NewRecord> {
        let Counter { finding, level, count } = *self.counters.iter().flatten().next()?;
        Some(NewRecord::Counted { finding, level, count })
    }

    /// This count has been written; more may have come to it meanwhile.
    pub(super) fn is_written(&mut self, record: &NewRecord) {
        let NewRecord::Counted { finding, level, count } = record else { return };
        for place in &mut self.counters {
            let Some(counter) = place.filter(|counter| counter.finding == *finding && counter.level == *level) else {
                continue;
            };
            let left = counter.count.saturating_sub(*count);
            *place = (left > 0).then_some(Counter { count: left, ..counter });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twenty_of_each_finding_and_trip_are_written() {
        let mut quota = Quota::new();
        for trip in 0..2 {
            quota.begin_trip();
            for number in 0..25 {
                assert_eq!(quota.takes(Finding::OverSpeed), number < 20, "trip {trip}, {number}");
            }
            assert!(quota.takes(Finding::ChargeLost), "another one has its own");
        }
    }

    #[test]
    fn counts_are_kept_by_finding_and_level_until_they_are_written() {
        let mut quota = Quota::new();
        assert!(!quota.has_counts());
        for level in [Level::Warning, Level::Alarm, Level::Warning] {
            assert!(quota.count(Finding::StreamLost, level));
        }
        let first = quota.next().unwrap();
        assert_eq!(first, NewRecord::Counted { finding: Finding::StreamLost, level: Level::Warning, count: 2 });
        // One more comes while it is being written.
        assert!(quota.count(Finding::StreamLost, Level::Warning));
        quota.is_written(&first);
        let rest = quota.next().unwrap();
        assert_eq!(rest, NewRecord::Counted { finding: Finding::StreamLost, level: Level::Warning, count: 1 });
        quota.is_written(&rest);
        let alarm = quota.next().unwrap();
        assert_eq!(alarm, NewRecord::Counted { finding: Finding::StreamLost, level: Level::Alarm, count: 1 });
        quota.is_written(&alarm);
        assert_eq!(quota.next(), None);
    }

    #[test]
    fn what_has_no_counter_is_told() {
        let mut quota = Quota::new();
        for (number, finding) in Finding::ALL.into_iter().enumerate() {
            assert_eq!(quota.count(finding, Level::Caution), number < COUNTERS, "{number}");
            assert_eq!(quota.is_full(), number + 1 >= COUNTERS, "{number}");
        }
    }
}
