//! Spans outside which a reading says more about its lead than about the engine.

use crate::acquire::{Channel, Quality, RawReading};

/// Readings of one channel that can be believed, in the channel's own unit, and what lies outside.
struct Span {
    least: i32,
    below: Quality,
    most: i32,
    above: Quality,
}

impl Span {
    /// Flow, pressure and speed over ground: less than nothing means an open lead.
    const NOT_NEGATIVE: Self = Self { least: 0, below: Quality::Open, most: i32::MAX, above: Quality::Good };
    /// Colder than any water an engine starts in, or hotter than any head cooled by raw water survives.
    const TEMPERATURE: Self = Self { least: -40_000, below: Quality::Open, most: 200_000, above: Quality::Short };
    /// No engine turns faster than 30,000 rpm.
    const RPM: Self = Self { least: 0, below: Quality::Implausible, most: 120_000, above: Quality::Implausible };
    const ANY: Self = Self { least: i32::MIN, below: Quality::Good, most: i32::MAX, above: Quality::Good };
    /// The electronics of an engine that runs would have stopped under 5 V: the supply was not measured.
    const SUPPLY_RUNNING: Self = Self { least: 5_000, below: Quality::Open, most: i32::MAX, above: Quality::Good };

    const fn of(channel: Channel, running: bool) -> &'static Self {
        match channel {
            Channel::Rpm => &Self::RPM,
            Channel::Head | Channel::Water => &Self::TEMPERATURE,
            Channel::Flow | Channel::Oil | Channel::Speed => &Self::NOT_NEGATIVE,
            Channel::Supply if running => &Self::SUPPLY_RUNNING,
            Channel::Supply => &Self::ANY,
        }
    }
}

/// An older reading is not live.
const STALE_MS: u16 = 5_000;

/// The quality of a reading once its age and its span are looked at.
pub(crate) fn judged(channel: Channel, reading: RawReading, running: bool) -> Quality {
    if reading.quality != Quality::Good {
        return reading.quality;
    }
    if reading.age_ms > STALE_MS {
        return Quality::Missing;
    }
    let span = Span::of(channel, running);
    if reading.raw < span.least {
        span.below
    } else if reading.raw > span.most {
        span.above
    } else {
        Quality::Good
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans() {
        let cases = [
            ("coldest legal start", Channel::Head, -40_000, true, Quality::Good),
            ("open thermistor", Channel::Head, -40_001, true, Quality::Open),
            ("open water sensor", Channel::Water, -45_000, false, Quality::Open),
            ("a genuine 85 degrees", Channel::Head, 85_000, true, Quality::Good),
            ("hottest believable", Channel::Head, 200_000, true, Quality::Good),
            ("shorted thermistor", Channel::Head, 200_001, true, Quality::Short),
            ("no flow is a value", Channel::Flow, 0, true, Quality::Good),
            ("negative flow", Channel::Flow, -1, true, Quality::Open),
            ("negative oil pressure", Channel::Oil, -1, true, Quality::Open),
            ("negative speed", Channel::Speed, -1, true, Quality::Open),
            ("supply lost while running", Channel::Supply, 4_999, true, Quality::Open),
            ("flat battery, engine off", Channel::Supply, 0, false, Quality::Good),
            ("cranking sag", Channel::Supply, 5_000, true, Quality::Good),
            ("backward rpm", Channel::Rpm, -1, false, Quality::Implausible),
            ("fastest rpm", Channel::Rpm, 120_000, false, Quality::Good),
            ("impossible rpm", Channel::Rpm, 120_001, false, Quality::Implausible),
        ];
        for (name, channel, raw, running, expected) in cases {
            let reading = RawReading { raw, quality: Quality::Good, age_ms: 0 };
            assert_eq!(judged(channel, reading, running), expected, "{name}");
        }
    }

    #[test]
    fn an_old_reading_is_missing_and_a_bad_one_stays_bad() {
        let old = RawReading { raw: 1, quality: Quality::Good, age_ms: STALE_MS + 1 };
        assert_eq!(judged(Channel::Head, old, true), Quality::Missing);
        let short = RawReading { raw: 1, quality: Quality::Short, age_ms: 0 };
        assert_eq!(judged(Channel::Head, short, true), Quality::Short);
    }
}
