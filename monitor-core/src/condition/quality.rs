//! Spans outside which a reading says more about its lead than about the engine.

use crate::acquire::{Channel, Quality};

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

/// The quality of a good reading of `raw` in the channel's own unit once its age and its span are looked at.
#[inline(always)]
pub(crate) fn judged(channel: Channel, raw: i32, age_ms: u16, running: bool) -> Quality {
    if age_ms > STALE_MS {
        return Quality::Missing;
    }
    let (least, below, most, above) = match channel {
        Channel::Rpm => (0, Quality::Implausible, RPM_MOST, Quality::Implausible),
        Channel::Head | Channel::Water => (COLDEST, Quality::Open, HOTTEST, Quality::Short),
        // Less than nothing means an open lead.
        Channel::Flow | Channel::Oil | Channel::Speed => (0, Quality::Open, i32::MAX, Quality::Good),
        Channel::Supply if running => (SUPPLY_RUNNING_LEAST, Quality::Open, i32::MAX, Quality::Good),
        Channel::Supply => (i32::MIN, Quality::Good, i32::MAX, Quality::Good),
    };
    if raw < least {
        below
    } else if raw > most {
        above
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
            assert_eq!(judged(channel, raw, 0, running), expected, "{name}");
        }
    }

    #[test]
    fn an_old_reading_is_missing() {
        assert_eq!(judged(Channel::Head, 1, STALE_MS, true), Quality::Good);
        assert_eq!(judged(Channel::Head, 1, STALE_MS + 1, true), Quality::Missing);
    }
}
