//! The units that a trace may be written in, as exact ratios to the units of the core.

use monitor_core::acquire::Channel;

use super::decimal::Scale;

/// The name of a unit and what it makes of a number.
pub(crate) type Unit = (&'static str, Scale);

/// Quarter rpm.
const ENGINE_SPEED: [Unit; 1] = [("rpm", Scale::ratio(4, 1))];

/// Thousandths of a degree Celsius; 0 °C is 32 °F and 273.15 K.
const TEMPERATURE: [Unit; 3] = [
    ("C", Scale::ratio(1_000, 1)),
    ("F", Scale::ratio(5_000, 9).with_offset(-32 * 5_000)),
    ("K", Scale::ratio(1_000, 1).with_offset(-273_150)),
];

/// Millilitres a minute; the US gallon is 3.785411784 L.
const FLOW: [Unit; 3] = [
    ("L/min", Scale::ratio(1_000, 1)),
    ("gal/min", Scale::ratio(473_176_473, 125_000)),
    ("m3/h", Scale::ratio(50_000, 3)),
];

/// Millivolts.
const VOLTAGE: [Unit; 2] = [("V", Scale::ratio(1_000, 1)), ("mV", Scale::ratio(1, 1))];

/// Thousandths of a knot; a knot is 1,852 m an hour, a mile 1,609.344 m.
const SPEED: [Unit; 4] = [
    ("kn", Scale::ratio(1_000, 1)),
    ("km/h", Scale::ratio(250_000, 463)),
    ("mph", Scale::ratio(402_336, 463)),
    ("m/s", Scale::ratio(900_000, 463)),
];

/// Pascals; a pound-force per square inch is 6,894.757293168 Pa.
const PRESSURE: [Unit; 5] = [
    ("kPa", Scale::ratio(1_000, 1)),
    ("bar", Scale::ratio(100_000, 1)),
    ("psi", Scale::ratio(430_922_330_823, 62_500_000)),
    ("MPa", Scale::ratio(1_000_000, 1)),
    ("Pa", Scale::ratio(1, 1)),
];

/// The units that `channel` may be written in.
pub(crate) const fn units(channel: Channel) -> &'static [Unit] {
    match channel {
        Channel::Rpm => &ENGINE_SPEED,
        Channel::Head | Channel::Water => &TEMPERATURE,
        Channel::Flow => &FLOW,
        Channel::Supply => &VOLTAGE,
        Channel::Speed => &SPEED,
        Channel::Oil => &PRESSURE,
    }
}

/// The unit of `channel` where a trace or a map does not say: the one in the names of the trace columns.
pub(crate) const fn default_scale(channel: Channel) -> Scale {
    match channel {
        Channel::Rpm => Scale::ratio(4, 1),
        Channel::Head | Channel::Water | Channel::Flow | Channel::Supply | Channel::Speed | Channel::Oil => {
            Scale::ratio(1_000, 1)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::decimal::Decimal;

    #[test]
    fn one_of_each_unit_is_what_the_standards_say() {
        // Expected values in steps of the core, from the exact definitions of the units.
        let cases = [
            (Channel::Rpm, "rpm", "1000", 4_000),
            (Channel::Head, "C", "21.5", 21_500),
            (Channel::Water, "F", "70.7", 21_500),
            (Channel::Head, "K", "294.65", 21_500),
            (Channel::Flow, "L/min", "2.4", 2_400),
            (Channel::Flow, "gal/min", "1000", 3_785_412),
            (Channel::Flow, "m3/h", "0.6", 10_000),
            (Channel::Supply, "V", "13.03", 13_030),
            (Channel::Supply, "mV", "13030", 13_030),
            (Channel::Speed, "kn", "12.5", 12_500),
            (Channel::Speed, "km/h", "18.52", 10_000),
            (Channel::Speed, "mph", "1852", 1_609_344),
            (Channel::Speed, "m/s", "463", 900_000),
            (Channel::Oil, "kPa", "158", 158_000),
            (Channel::Oil, "bar", "1.58", 158_000),
            (Channel::Oil, "psi", "100000", 689_475_729),
            (Channel::Oil, "MPa", "0.158", 158_000),
            (Channel::Oil, "Pa", "158000", 158_000),
        ];
        for (channel, unit, text, expected) in cases {
            let scale = units(channel).iter().find(|(name, _)| *name == unit).map(|(_, scale)| *scale);
            let steps = Decimal::parse(text.as_bytes()).zip(scale).map(|(number, scale)| number.to_steps_32(scale));
            assert_eq!(steps, Some(expected), "{text} {unit}");
        }
        let tried: usize = Channel::ALL.iter().map(|channel| units(*channel).len()).sum();
        assert_eq!(tried - TEMPERATURE.len(), cases.len(), "every unit stands in the table once");
    }

    #[test]
    fn default_is_the_first_unit() {
        for channel in Channel::ALL {
            assert_eq!(units(channel).first().map(|(_, scale)| *scale), Some(default_scale(channel)), "{channel:?}");
        }
    }
}
