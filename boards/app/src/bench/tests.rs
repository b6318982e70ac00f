//! The story on the host: what is found and when, what the drivers say on the way, and that nothing else happens.

use monitor_core::acquire::adc::{AdcCounts, AdcScale};
use monitor_core::acquire::{Quality, RawReading};
use monitor_core::units::Quantity;

use super::*;

/// Every reading of the story, with its time in milliseconds.
#[derive(Default)]
struct Recorder(Vec<(i64, Readings)>);

impl Witness for Recorder {
    fn polled(&mut self, now: Instant, readings: &Readings) {
        self.0.push((now.as_millis(), *readings));
    }
}

impl Recorder {
    fn between(&self, from_s: i64, until_s: i64, channel: Channel) -> impl Iterator<Item = (i64, RawReading)> + '_ {
        let inside = self.0.iter().filter(move |(at, _)| (from_s * 1_000..until_s * 1_000).contains(at));
        inside.map(move |(at, readings)| (*at, readings.raw(channel)))
    }
}

struct Told {
    report: BenchReport,
    events: String,
    readings: Recorder,
}

fn tell_in<'p>(room: &mut BenchRoom<'p>, pins: &'p Pins) -> Told {
    let (mut monitor, mut events, mut readings) = (Box::new(Monitor::new()), Vec::new(), Recorder::default());
    let report = run_bench(&mut monitor, room, pins, &mut events, &mut readings).unwrap();
    Told { report, events: String::from_utf8(events).unwrap(), readings }
}

fn tell() -> Told {
    let pins = Pins::new();
    tell_in(&mut BenchRoom::new(), &pins)
}

/// The text after `"key":` up to the next comma, without quotes.
fn value<'a>(event: &'a str, key: &str) -> &'a str {
    let after = event.split_once(&format!("\"{key}\":")).unwrap().1;
    after.split(',').next().unwrap().trim_matches('"')
}

#[test]
fn each_event_comes_when_it_should_and_nothing_else_does() {
    // Finding, state, level, and the earliest and latest second. Nothing before the propeller leaves the water at 330
    // s, and nothing between the events of one trouble and the next: the healthy parts are silent.
    let expected = [
        // Faster than the maximum from 332.3 s on, for 3 s; slower again from 341 s on, for 10 s.
        ("over-speed", "raised", "warning", 335..=337),
        ("over-speed", "cleared", "warning", 350..=353),
        // Weed from 420 s on; the meter's least flow takes 1.1 s to time out.
        ("stream-lost", "raised", "alarm", 423..=427),
        ("head-climbing", "raised", "warning", 425..=432),
        ("head-climbing", "level-changed", "alarm", 428..=440),
        // Nothing is left of the flow and the head answers: now there is a cause.
        ("intake-blocked", "raised", "alarm", 430..=445),
        ("head-climbing", "replaced", "alarm", 430..=445),
        ("stream-lost", "replaced", "alarm", 430..=445),
        // From 63 °C at half a kelvin a second.
        ("head-over-limit", "raised", "alarm", 484..=492),
        // Water again from 510 s on.
        ("head-over-limit", "cleared", "alarm", 535..=550),
        ("intake-blocked", "cleared", "alarm", 520..=550),
        // The lead comes off at 600 s and is back at 660 s.
        ("sensor-open", "raised", "warning", 605..=607),
        ("sensor-open", "cleared", "warning", 670..=680),
    ];
    let Told { report, events, .. } = tell();
    let lines: Vec<&str> = events.lines().collect();
    for (line, (finding, state, level, seconds)) in lines.iter().zip(&expected) {
        let found = (value(line, "finding"), value(line, "state"), value(line, "level"));
        assert_eq!(found, (*finding, *state, *level), "{line}");
        let at: f64 = value(line, "t_s").parse().unwrap();
        assert!((f64::from(*seconds.start())..=f64::from(*seconds.end())).contains(&at), "{line}");
    }
    assert_eq!((lines.len(), report.events as usize), (expected.len(), expected.len()), "{events}");
    assert!(lines.iter().filter(|line| line.contains("sensor-open")).all(|line| value(line, "channel") == "head"));
}

#[test]
fn hours_and_edges_are_those_of_the_story() {
    let Told { report, .. } = tell();
    assert_eq!((report.polls, report.ticks, report.starts), (7_600, 760, 1));
    // From the first firing after 22 s to the stop after 705 s.
    assert!((681..=684).contains(&report.running_s), "{}", report.running_s);
    assert!(report.tachometer_glitches > 50_000, "the ignition is heard: {}", report.tachometer_glitches);
    assert!(report.flow_pulses_since_stopped > 20, "the boat rocks: {}", report.flow_pulses_since_stopped);
    assert!(report.sound_polls > 0 && report.lamp_polls > report.sound_polls);
}

#[test]
fn what_the_drivers_say_is_what_the_engine_does() {
    // Channel, seconds, expected, permitted deviation; every reading is good.
    let cases = [
        ("standstill", Channel::Rpm, 1, 20, 0, 0),
        ("idle", Channel::Rpm, 25, 100, 3_200, 64),
        ("cruise", Channel::Rpm, 105, 250, 12_000, 180),
        ("a leaking ignition", Channel::Rpm, 250, 280, 12_000, 180),
        ("across the wrap of the counter", Channel::Rpm, 280, 330, 12_000, 180),
        ("too fast", Channel::Rpm, 334, 340, 25_200, 378),
        ("standstill again", Channel::Rpm, 707, 760, 0, 0),
        ("idle stream", Channel::Flow, 26, 100, 963, 30),
        ("stream at cruise", Channel::Flow, 105, 330, 2_430, 73),
        ("no stream", Channel::Flow, 423, 510, 0, 0),
        ("warm head", Channel::Head, 390, 420, 63_000, 1_000),
        ("battery", Channel::Supply, 1, 20, 12_600, 20),
        ("charging", Channel::Supply, 105, 330, 14_200, 20),
        ("no oil pressure", Channel::Oil, 1, 20, 150, 500),
        ("oil pressure", Channel::Oil, 105, 330, 330_000, 2_000),
    ];
    let Told { readings, .. } = tell();
    for (name, channel, from_s, until_s, expected, deviation) in cases {
        let mut count = 0;
        for (at, reading) in readings.between(from_s, until_s, channel) {
            assert_eq!(reading.quality, Quality::Good, "{name} at {at} ms");
            assert!((reading.raw - expected).abs() <= deviation, "{name} at {at} ms: {}", reading.raw);
            count += 1;
        }
        assert_eq!(count, (until_s - from_s) * 10, "{name}");
    }
}

#[test]
fn rocking_is_no_flow_and_a_lead_that_is_off_gives_no_temperature() {
    let Told { readings, .. } = tell();
    let mut turned = 0;
    for (at, reading) in readings.between(4, 22, Channel::Flow).chain(readings.between(708, 760, Channel::Flow)) {
        let nothing_good = reading.quality != Quality::Good || reading.raw == 0;
        assert!(nothing_good, "rocking at {at} ms: {reading:?}");
        turned += u32::from(reading.quality == Quality::BelowRange);
    }
    assert!(turned > 100, "the rotor turned, and that is said: {turned}");
    for (at, reading) in readings.between(600, 660, Channel::Head).skip(1) {
        assert_ne!(reading.quality, Quality::Good, "lead off at {at} ms: {reading:?}");
    }
}

#[test]
fn late_conversions_show_as_age_and_never_as_a_new_measurement() {
    let Told { readings, .. } = tell();
    for channel in [Channel::Head, Channel::Supply, Channel::Oil] {
        let polls: Vec<_> = readings.between(100, 330, channel).collect();
        let late = polls.iter().filter(|(_, reading)| reading.age_ms > 0).count();
        assert!((100..=500).contains(&late), "{}: {late} of {} late", channel.name(), polls.len());
        for pair in polls.windows(2) {
            let [(_, before), (at, now)] = pair else { continue };
            let same = now.raw == before.raw && now.age_ms == before.age_ms + 100;
            assert!(now.age_ms == 0 || same, "{} at {at} ms: {before:?} {now:?}", channel.name());
        }
    }
}

#[test]
fn the_same_room_tells_the_same_story_again() {
    let pins = Pins::new();
    let mut room = BenchRoom::new();
    let first = tell_in(&mut room, &pins);
    let again = tell_in(&mut room, &pins);
    assert_eq!((first.report, &first.events), (again.report, &again.events));
}

#[test]
fn the_hash_stands_for_every_reading() {
    let Told { report, readings, .. } = tell();
    let hash_of = |readings: &[(i64, Readings)]| {
        let mut hash = Hash::new();
        readings.iter().for_each(|(_, readings)| note(&mut hash, readings));
        hash.value()
    };
    assert_eq!(hash_of(&readings.0), report.readings_hash);
    type Change = fn(&mut Readings);
    let changes: [(&str, Change); 3] = [
        ("value", |readings| readings.supply.value = Voltage::from_raw(readings.supply.value.raw() + 1)),
        ("quality", |readings| readings.flow.quality = Quality::Implausible),
        ("age", |readings| readings.oil.age_ms += 1),
    ];
    for (name, change) in changes {
        let mut other = readings.0.clone();
        change(&mut other[4_000].1);
        assert_ne!(hash_of(&other), report.readings_hash, "{name}");
    }
}

#[test]
fn the_table_of_the_thermistor_agrees_with_the_driver() {
    let scale = AdcScale::new(pins::FULL_SCALE, 20, 20).unwrap();
    let calibration = drivers::thermistor(scale).unwrap();
    for celsius in -20..=120 {
        let reading = calibration.reading(AdcCounts::from_counts(pins::thermistor_counts(celsius * 1_000)));
        let off = reading.value.as_millicelsius() - celsius * 1_000;
        // Half a count is 0.5 K at the hot end; the straight lines between the rows take the rest.
        assert!(reading.quality == Quality::Good && off.abs() <= 900, "{celsius} °C: {off} m°C off");
    }
}

#[test]
fn phases_follow_one_another() {
    assert!(story::STORY.is_sorted_by_key(|phase| phase.until_s));
    assert_eq!(story::at(0).map(|phase| phase.until_s), Some(4));
    assert_eq!(story::at(759).map(|phase| phase.rpm), Some(0));
    assert_eq!(story::at(760), None);
}
