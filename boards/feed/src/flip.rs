//! One bit turned over where it must show.

use std::fmt;

use board_app::Blocks;
use board_app::feed::{FeedReader, IoSource, Record, flip_bit};
use monitor_core::Monitor;
use monitor_core::acquire::Channel;
use monitor_core::event::{Event, EvidenceKey, State};
use monitor_core::time::Instant;
use sim_host::problem::{Exit, Problem};

/// A bit of a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Bit {
    row: u32,
    channel: Channel,
    bit: u8,
}

impl fmt::Display for Bit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "row={} channel={} bit={}", self.row, self.channel.name(), self.bit)
    }
}

/// A bit that is large enough to show in the mean of a tick's samples and small enough to leave most findings as they
/// are; one that changes what a reading means; and the sign, for readings that are out of range already.
const BITS: [u8; 3] = [5, 16, 31];

/// Turns over one bit of a reading on which an event rests, such that the events change on this machine.
pub(crate) fn flip(feed: &mut [u8]) -> Result<Bit, Problem> {
    let before = events_of(feed)?;
    for candidate in candidates(feed)? {
        turn_over(feed, candidate)?;
        if events_of(feed)? != before {
            return Ok(candidate);
        }
        turn_over(feed, candidate)?;
    }
    Err(Problem::new(
        Exit::Unreadable,
        "No reading of this feed shows in an event",
        "Use a trace that raises a finding",
    ))
}

fn events_of(feed: &[u8]) -> Result<Vec<u8>, Problem> {
    let mut events = Vec::new();
    crate::run(feed, &mut events)?;
    Ok(events)
}

fn turn_over(feed: &mut [u8], bit: Bit) -> Result<(), Problem> {
    flip_bit(feed, bit.row, bit.channel, bit.bit).map_err(|error| damaged(&error))
}

/// Bits of the readings that the event names: the least conspicuous first.
fn bits_under(event: &Event, row: u32) -> impl Iterator<Item = Bit> + '_ {
    let named = move |channel: &Channel| {
        event.channel == Some(*channel) || event.evidence.iter().any(|item| item.key == EvidenceKey::Value(*channel))
    };
    let channels = move || Channel::ALL.into_iter().filter(named);
    BITS.into_iter().flat_map(move |bit| channels().map(move |channel| Bit { row, channel, bit }))
}

/// Bits of the readings on which `raised` events rest.
fn candidates(feed: &[u8]) -> Result<Vec<Bit>, Problem> {
    let mut blocks = Blocks::new();
    let mut reader = FeedReader::new(IoSource(feed), &mut blocks.feed).map_err(|error| damaged(&error))?;
    let mut monitor = Box::new(Monitor::new());
    let mut stamps: Vec<Instant> = Vec::new();
    let mut found = Vec::new();
    while let Some(record) = reader.next_record().map_err(|error| damaged(&error))? {
        match record {
            Record::Profile(profile) => monitor.begin(&profile).map_err(|error| damaged(&error))?,
            Record::Begin { trip, now } => monitor.begin_trip(now, trip),
            Record::Row { now, readings } => {
                stamps.push(now);
                monitor.step(now, &readings);
            }
            Record::Finish => {
                monitor.end_trip();
            }
            // A refused request is part of the feed as any other.
            Record::Command { now, command } => monitor.handle(now, command).unwrap_or_default(),
        }
        while let Some(event) = monitor.next_event() {
            let row = stamps.iter().rposition(|stamp| *stamp == event.stamp);
            let Some(row) = row.and_then(|row| u32::try_from(row).ok()) else { continue };
            if event.state == State::Raised {
                found.extend(bits_under(&event, row));
            }
        }
    }
    Ok(found)
}

fn damaged(error: &dyn fmt::Display) -> Problem {
    Problem::new(Exit::Unreadable, error.to_string(), "Write the feed again from its trace")
}

#[cfg(test)]
mod tests {
    use super::*;
    use board_app::feed::FeedWriter;
    use monitor_core::acquire::{Quality, Readings};
    use monitor_core::profile::Profile;
    use monitor_core::units::{Rpm, Temperature};

    fn feed(head_millicelsius: i32) -> Vec<u8> {
        let profile = Profile {
            head_limit: Some(Temperature::from_millicelsius(95_000)),
            ..Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000))
        };
        let mut feed = FeedWriter::new(Vec::new(), &profile).unwrap();
        feed.begin_trip(Instant::from_millis(0), 0).unwrap();
        for second in 0..60 {
            let mut readings = Readings::default();
            readings.set_raw(Channel::Rpm, 12_000, Quality::Good);
            readings.set_raw(Channel::Head, if second < 30 { 70_000 } else { head_millicelsius }, Quality::Good);
            feed.row(Instant::from_millis(second * 1_000), &readings).unwrap();
        }
        feed.end_trip().unwrap();
        feed.finish().unwrap()
    }

    #[test]
    fn the_flipped_bit_changes_the_events() {
        let whole = feed(99_000);
        let mut flipped = whole.clone();
        let bit = flip(&mut flipped).unwrap();
        assert_eq!(whole.iter().zip(&flipped).filter(|(a, b)| a != b).count(), 1, "{bit}");
        assert_ne!(events_of(&whole).unwrap(), events_of(&flipped).unwrap(), "{bit}");
    }

    #[test]
    fn a_feed_without_events_has_no_such_bit_and_stays_as_it_is() {
        let whole = feed(70_000);
        let mut flipped = whole.clone();
        let problem = flip(&mut flipped).unwrap_err();
        assert!(problem.cause.contains("No reading of this feed shows in an event"), "{problem}");
        assert_eq!(whole, flipped);
    }
}
