//! How well alarms behave: how many, how bunched, whether they chatter or stand for days.
//!
//! Measures and bounds of ISA-18.2 / IEC 62682: 1 to 2 alarms in 10 min are manageable for one person, more than 10 are
//! a flood; in and out 3 times or more in a minute is chattering; standing for more than 24 h is stale. All findings
//! count, whatever their level.

use std::collections::{BTreeMap, VecDeque};

use monitor_core::event::{Event, State};

const TEN_MINUTES_MS: i64 = 600_000;
const MINUTE_MS: i64 = 60_000;
const STALE_MS: i64 = 24 * 3_600_000;
/// Activations within a minute that make chattering.
const CHATTER: usize = 3;

/// Alarm figures of a replay.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AlarmQuality {
    /// Findings raised.
    pub raised: u64,
    /// Time looked at, in ms.
    pub span_ms: i64,
    /// Most findings raised within any 10 min.
    pub most_in_10_min: usize,
    /// Findings that were raised three times or more within a minute, with their channel.
    pub chattering: Vec<String>,
    /// Findings that stood for more than 24 h.
    pub stale: Vec<String>,
    recent: VecDeque<i64>,
    recent_of: BTreeMap<String, VecDeque<i64>>,
    /// Since when each open finding stands in this trip, and for how long it stood in trips before.
    standing: BTreeMap<u32, Standing>,
    last_ms: i64,
    first_ms: Option<i64>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
struct Standing {
    name: String,
    since_ms: i64,
    before_ms: i64,
}

impl AlarmQuality {
    /// A trip begins at this stamp.
    pub fn begin_trip(&mut self, first_ms: i64) {
        self.first_ms = Some(first_ms);
        self.last_ms = first_ms;
        self.recent.clear();
        self.recent_of.clear();
        for standing in self.standing.values_mut() {
            standing.since_ms = first_ms;
        }
    }

    /// A decision tick closed at this stamp.
    pub fn tick(&mut self, stamp_ms: i64) {
        self.last_ms = self.last_ms.max(stamp_ms);
    }

    /// Something happened.
    pub fn event(&mut self, event: &Event) {
        let stamp_ms = event.stamp.as_millis();
        match event.state {
            State::Raised => self.raise(event, stamp_ms),
            State::Cleared | State::Replaced => {
                if let Some(standing) = self.standing.remove(&event.id) {
                    self.note_stale(&standing, stamp_ms);
                }
            }
            _ => {}
        }
    }

    fn raise(&mut self, event: &Event, stamp_ms: i64) {
        let name = match event.channel {
            Some(channel) => format!("{} ({})", event.finding.name(), channel.name()),
            None => event.finding.name().to_owned(),
        };
        self.raised += 1;
        self.most_in_10_min = self.most_in_10_min.max(push(&mut self.recent, stamp_ms, TEN_MINUTES_MS));
        let of_this = self.recent_of.entry(name.clone()).or_default();
        if push(of_this, stamp_ms, MINUTE_MS) >= CHATTER {
            add(&mut self.chattering, &name);
        }
        self.standing.insert(event.id, Standing { name, since_ms: stamp_ms, before_ms: 0 });
    }

    /// The trip is over.
    pub fn end_trip(&mut self) {
        if let Some(first_ms) = self.first_ms.take() {
            self.span_ms = self.span_ms.saturating_add(self.last_ms - first_ms);
        }
        let last_ms = self.last_ms;
        let mut standing = std::mem::take(&mut self.standing);
        for standing in standing.values_mut() {
            self.note_stale(standing, last_ms);
            standing.before_ms += (last_ms - standing.since_ms).max(0);
        }
        self.standing = standing;
    }

    fn note_stale(&mut self, standing: &Standing, until_ms: i64) {
        if standing.before_ms + (until_ms - standing.since_ms).max(0) > STALE_MS {
            add(&mut self.stale, &standing.name);
        }
    }

    /// Findings raised in 10 min on average, in hundredths; 0 where no time was looked at.
    #[must_use]
    pub fn hundredths_per_10_min(&self) -> u64 {
        let span_ms = u64::try_from(self.span_ms).unwrap_or(0);
        (self.raised * 60_000_000).checked_div(span_ms).unwrap_or(0)
    }
}

/// Adds a moment to those of the last `window_ms` and returns how many there are.
fn push(recent: &mut VecDeque<i64>, stamp_ms: i64, window_ms: i64) -> usize {
    recent.push_back(stamp_ms);
    while recent.front().is_some_and(|&oldest| stamp_ms - oldest >= window_ms) {
        recent.pop_front();
    }
    recent.len()
}

fn add(names: &mut Vec<String>, name: &str) {
    if !names.iter().any(|known| known == name) {
        names.push(name.to_owned());
    }
}

#[cfg(test)]
mod tests {
    use monitor_core::event::{AlarmState, Evidence};
    use monitor_core::finding::{Finding, Level};
    use monitor_core::time::Instant;

    use super::*;

    fn quality(events: &[(i64, State)], last_s: i64) -> AlarmQuality {
        let mut quality = AlarmQuality::default();
        quality.begin_trip(0);
        for &(stamp_s, state) in events {
            quality.tick(stamp_s * 1_000);
            quality.event(&Event {
                trip: 0,
                stamp: Instant::from_millis(stamp_s * 1_000),
                id: 1,
                finding: Finding::StreamLost,
                channel: None,
                item: None,
                level: Level::Alarm,
                state,
                alarm_state: AlarmState::Unacknowledged,
                evidence: Evidence::NONE,
                candidates: [None; 3],
                replaced_by: None,
            });
        }
        quality.tick(last_s * 1_000);
        quality.end_trip();
        quality
    }

    #[test]
    fn two_activations_in_a_minute_are_none_and_three_are_chattering() {
        use State::{Cleared, Raised};
        let two = quality(&[(0, Raised), (10, Cleared), (20, Raised), (30, Cleared), (60, Raised)], 600);
        assert_eq!(two.chattering, [""; 0], "the third comes a full minute after the first");
        let three = quality(&[(0, Raised), (10, Cleared), (20, Raised), (30, Cleared), (59, Raised)], 600);
        assert_eq!(three.chattering, ["stream-lost"]);
        assert_eq!((three.raised, three.most_in_10_min, three.hundredths_per_10_min()), (3, 3, 300));
    }

    #[test]
    fn the_busiest_ten_minutes_are_found_wherever_they_are() {
        let events: Vec<_> = [0, 700, 800, 900, 1_000, 1_299, 1_300].map(|second| (second, State::Raised)).to_vec();
        assert_eq!(quality(&events, 6_000).most_in_10_min, 5);
    }

    #[test]
    fn a_day_of_standing_is_not_stale_and_a_second_more_is() {
        assert_eq!(quality(&[(0, State::Raised)], 86_400).stale, [""; 0]);
        assert_eq!(quality(&[(0, State::Raised)], 86_401).stale, ["stream-lost"]);
    }

    #[test]
    fn nothing_looked_at_is_no_rate() {
        assert_eq!(AlarmQuality::default().hundredths_per_10_min(), 0);
    }
}
