//! Spans outside which a reading says more about its lead than about the engine.

use crate::acquire::{Channel, Quality, RawReading};

/// An older reading is not live.
const STALE_MS: u16 = 5_000;
/// No engine turns faster than 30,000 rpm, in ¼ rpm.
const RPM_MOST: i32 = 120_000;
/// Colder than any water an engine starts in, in m°C.
const COLDEST: i32 = -40_000;
/// Hotter than any head cooled by raw water survives, in m°C.
const HOTTEST: i32 = 200_000;
/// The electronics of an engine that runs would have stopped under 5 V: the supply was not measured. In mV.
const SUPPLY_RUNNING_LEAST: i32 = 5_000;

/// Whether a reading in the channel's own unit says more about the engine than about the lead.
#[inline(always)]
pub(crate) fn in_span(channel: Channel, raw: i32, running: bool) -> bool {
    match channel {
        Channel::Rpm => (0..=RPM_MOST).contains(&raw),
        Channel::Head | Channel::Water => (COLDEST..=HOTTEST).contains(&raw),
        // Less than nothing means an open lead.
        Channel::Flow | Channel::Oil | Channel::Speed => raw >= 0,
        Channel::Supply => raw >= SUPPLY_RUNNING_LEAST || !running,
    }
}

/// The quality of a reading once its age and its span are looked at.
pub(crate) fn judged(channel: Channel, reading: RawReading, running: bool) -> Quality {
    if reading.quality != Quality::Good {
        return reading.quality;
    }
    if reading.age_ms > STALE_MS {
        return Quality::Missing;
    }
    if in_span(channel, reading.raw, running) {
        return Quality::Good;
    }
    match channel {
        Channel::Rpm => Quality::Implausible,
        Channel::Head | Channel::Water if reading.raw > HOTTEST => Quality::Short,
        _ => Quality::Open,
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
