//! Spans outside which a reading says more about its lead than about the engine.

use crate::acquire::{Channel, Quality, RawReading};

/// Below this a temperature sensor's lead is open: colder than any water an engine starts in.
const TEMPERATURE_MIN_MILLICELSIUS: i32 = -40_000;
/// Above this a temperature sensor's lead is shorted: hotter than any raw-water-cooled head survives.
const TEMPERATURE_MAX_MILLICELSIUS: i32 = 200_000;
/// Below this the supply of a running engine was not measured: its electronics would have stopped.
const SUPPLY_MIN_RUNNING_MILLIVOLTS: i32 = 5_000;
/// Above this no engine speed is real.
const RPM_MAX_QUARTERS: i32 = 30_000 * 4;
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
    match channel {
        Channel::Rpm if reading.raw < 0 || reading.raw > RPM_MAX_QUARTERS => Quality::Implausible,
        Channel::Head | Channel::Water if reading.raw < TEMPERATURE_MIN_MILLICELSIUS => Quality::Open,
        Channel::Head | Channel::Water if reading.raw > TEMPERATURE_MAX_MILLICELSIUS => Quality::Short,
        Channel::Flow | Channel::Oil | Channel::Speed if reading.raw < 0 => Quality::Open,
        Channel::Supply if running && reading.raw < SUPPLY_MIN_RUNNING_MILLIVOLTS => Quality::Open,
        _ => Quality::Good,
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
