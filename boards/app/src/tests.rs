//! The feed from end to end: written, read, run, damaged.

use monitor_core::Monitor;
use monitor_core::acquire::{Channel, Quality, Readings};
use monitor_core::advise::write_event_json;
use monitor_core::command::Command;
use monitor_core::finding::Finding;
use monitor_core::profile::Profile;
use monitor_core::time::Instant;
use monitor_core::units::{Rpm, Temperature};

use crate::feed::{EncodeError, FeedError, FeedReader, FeedWriter, IoSource, MAX_ENCODED, Record, flip_bit};
use crate::{Blocks, NoMarks, RunError, RunReport, run_feed};

/// A source that hands out `chunk` bytes at a time, as a slow or fast file would.
struct Chunks<'a> {
    left: &'a [u8],
    chunk: usize,
}

impl crate::feed::Source for Chunks<'_> {
    type Error = &'static str;

    fn read(&mut self, block: &mut [u8]) -> Result<usize, &'static str> {
        let count = self.chunk.min(self.left.len()).min(block.len());
        let (now, later) = self.left.split_at(count);
        block[..count].copy_from_slice(now);
        self.left = later;
        Ok(count)
    }
}

fn profile() -> Profile {
    Profile {
        head_limit: Some(Temperature::from_millicelsius(95_000)),
        ..Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000))
    }
}

/// Runs at 3,000 rpm; from row `hot_from` on the head is at 99 °C.
fn readings(row: i64, hot_from: i64) -> Readings {
    let mut readings = Readings::default();
    readings.set_raw(Channel::Rpm, 12_000, Quality::Good);
    readings.set_raw(Channel::Head, if row < hot_from { 70_000 } else { 99_000 }, Quality::Good);
    readings.set_raw(Channel::Oil, -5, Quality::Implausible);
    readings
}

fn sample_feed(rows: i64) -> Vec<u8> {
    let mut feed = FeedWriter::new(Vec::new(), &profile()).unwrap();
    feed.begin_trip(Instant::from_millis(-7), 3).unwrap();
    for row in 0..rows {
        feed.row(Instant::from_millis(row * 1_000), &readings(row, rows / 2)).unwrap();
    }
    feed.command(Instant::from_millis(rows * 1_000), Command::Acknowledge(Some(Finding::HeadOverLimit))).unwrap();
    feed.end_trip().unwrap();
    feed.finish().unwrap()
}

fn run(feed: &[u8]) -> (Result<RunReport, RunError<std::io::Error, std::io::Error>>, Vec<u8>) {
    let mut events = Vec::new();
    let mut monitor = Box::new(Monitor::new());
    let report = run_feed(&mut monitor, &mut Blocks::new(), IoSource(feed), &mut events, &mut NoMarks);
    (report, events)
}

#[test]
fn a_feed_reads_back_as_it_was_written_whatever_the_block_size() {
    let feed = sample_feed(40);
    for chunk in [1, 7, 512, 1_000_000] {
        let mut block = [0; 100];
        let mut reader = FeedReader::new(Chunks { left: &feed, chunk }, &mut block).unwrap();
        let mut next = || reader.next_record().unwrap();
        assert_eq!(next(), Some(Record::Profile(profile())), "chunk {chunk}");
        assert_eq!(next(), Some(Record::Begin { trip: 3, now: Instant::from_millis(-7) }), "chunk {chunk}");
        for row in 0..40 {
            let expected = Record::Row { now: Instant::from_millis(row * 1_000), readings: readings(row, 20) };
            assert_eq!(next(), Some(expected), "chunk {chunk}, row {row}");
        }
        let command = Command::Acknowledge(Some(Finding::HeadOverLimit));
        assert_eq!(next(), Some(Record::Command { now: Instant::from_millis(40_000), command }), "chunk {chunk}");
        assert_eq!(next(), Some(Record::Finish), "chunk {chunk}");
        assert_eq!(next(), None, "chunk {chunk}");
    }
}

#[test]
fn running_a_feed_gives_the_events_of_the_same_calls_made_directly() {
    let rows = 120;
    let mut monitor = Box::new(Monitor::new());
    monitor.begin(&profile()).unwrap();
    monitor.begin_trip(Instant::from_millis(-7), 3);
    let mut expected = String::new();
    let mut drain = |monitor: &mut Monitor| {
        while let Some(event) = monitor.next_event() {
            write_event_json(&event, &mut expected).unwrap();
        }
    };
    for row in 0..rows {
        monitor.step(Instant::from_millis(row * 1_000), &readings(row, rows / 2));
        drain(&mut monitor);
    }
    let acknowledge = Command::Acknowledge(Some(Finding::HeadOverLimit));
    let refused = monitor.handle(Instant::from_millis(rows * 1_000), acknowledge).is_err();
    drain(&mut monitor);
    monitor.end_trip();
    drain(&mut monitor);

    let (report, events) = run(&sample_feed(rows));
    let report = report.unwrap();
    assert_eq!(String::from_utf8(events).unwrap(), expected);
    assert!(expected.contains("\"head-over-limit\""), "the sample feed should overheat: {expected}");
    assert_eq!(u64::from(report.running_s), monitor.hours().running_s());
    assert_eq!((report.rows, report.starts, report.refused), (120, 1, u32::from(refused)));
}

#[test]
fn a_feed_cut_off_anywhere_is_noticed() {
    let feed = sample_feed(3);
    for length in 0..feed.len() {
        let (report, _) = run(&feed[..length]);
        match report {
            Err(RunError::Feed(FeedError::NotAFeed)) if length < 6 => {}
            Err(RunError::Feed(FeedError::CutOff)) if length >= 6 => {}
            other => panic!("cut after {length} bytes: {other:?}"),
        }
    }
}

#[test]
fn damage_is_named() {
    type Damage = fn(&mut Vec<u8>);
    let cases: [(&str, Damage, &str); 6] = [
        ("magic", |feed| feed[0] = b'X', "this is not a feed"),
        ("version", |feed| feed[6] = 9, "the feed has version 9, this program reads 1"),
        ("record kind", |feed| feed[8] = 200, "the feed has a record of unknown kind 200"),
        ("profile length", |feed| feed[9] = 255, "the feed holds a profile or request that cannot be decoded"),
        ("profile", |feed| feed[10] = 5, "the profile in the feed is unusable: strokes must be 2 or 4"),
        (
            "row count",
            |feed| {
                let low_byte = feed.len() - 4;
                feed[low_byte] = 9;
            },
            "the feed should hold 9 rows and holds 3",
        ),
    ];
    for (name, damage, expected) in cases {
        let mut feed = sample_feed(3);
        damage(&mut feed);
        assert_eq!(run(&feed).0.unwrap_err().to_string(), expected, "{name}");
    }
    let mut without_profile = sample_feed(0);
    let profile_bytes = 2 + usize::from(without_profile[9]);
    without_profile.drain(8..8 + profile_bytes);
    assert_eq!(run(&without_profile).0.unwrap_err().to_string(), "the feed does not begin with a profile");
}

#[test]
fn any_single_byte_may_be_wrong_without_a_crash() {
    let feed = sample_feed(3);
    for at in 0..feed.len() {
        for value in [0, 1, 6, 127, 128, 255] {
            let mut damaged = feed.clone();
            damaged[at] = value;
            // Many of these are valid feeds; the promise is that each one ends.
            let _ = run(&damaged);
        }
    }
}

#[test]
fn the_largest_profile_fits() {
    let largest = Profile {
        rated: Some(Rpm::from_quarter_rpm(i32::MIN)),
        idle: Rpm::from_quarter_rpm(i32::MIN),
        max: Rpm::from_quarter_rpm(i32::MIN),
        thermostat_opens: Some(Temperature::from_millicelsius(i32::MIN)),
        head_limit: Some(Temperature::from_millicelsius(i32::MIN)),
        oil_min: Some(monitor_core::units::Pressure::from_pascals(i32::MIN)),
        flow_min: Some(monitor_core::units::Flow::from_millilitres_per_minute(i32::MIN)),
        relief_valve: Some(true),
        gear_ratio_milli: Some(u32::MAX),
        prop_pitch_milli_inch: Some(u32::MAX),
        electric: Some(monitor_core::profile::Electric {
            charging_min: monitor_core::units::Voltage::from_millivolts(i32::MIN),
        }),
        ..profile()
    };
    let feed = FeedWriter::new(Vec::new(), &largest).unwrap().finish().unwrap();
    assert!(usize::from(feed[9]) <= MAX_ENCODED);
    let mut block = [0; 64];
    let mut reader = FeedReader::new(IoSource(feed.as_slice()), &mut block).unwrap();
    assert_eq!(reader.next_record().unwrap(), Some(Record::Profile(largest)));
}

#[test]
fn flipping_a_bit_changes_that_reading_only() {
    let mut feed = sample_feed(5);
    flip_bit(&mut feed, 2, Channel::Head, 17).unwrap();
    let mut block = [0; 64];
    let mut reader = FeedReader::new(IoSource(feed.as_slice()), &mut block).unwrap();
    let mut row = 0;
    while let Some(record) = reader.next_record().unwrap() {
        if let Record::Row { readings: found, .. } = record {
            let mut expected = readings(row, 2);
            if row == 2 {
                expected.set_raw(Channel::Head, 99_000 ^ (1 << 17), Quality::Good);
            }
            assert_eq!(found, expected, "row {row}");
            row += 1;
        }
    }
    for (name, row, bit) in [("no such row", 5, 0), ("no such bit", 0, 32)] {
        let refused = flip_bit(&mut feed, row, Channel::Head, bit);
        assert!(matches!(refused, Err(EncodeError::NoSuchBit)), "{name}");
    }
}

#[test]
fn a_sink_that_fails_is_reported_with_its_own_reason() {
    struct Full;
    impl std::io::Write for Full {
        fn write(&mut self, _bytes: &[u8]) -> std::io::Result<usize> {
            Err(std::io::Error::other("no room"))
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    let mut block = [0; 16];
    let mut output = crate::Output::new(Full, &mut block);
    let text = "x".repeat(17);
    let written = std::fmt::Write::write_str(&mut output, &text);
    assert!(written.is_err());
    assert_eq!(output.flush().unwrap_err().to_string(), "no room");
}
