//! What the values of a column say: whether they can be what the name means, and in which unit.

use monitor_core::acquire::Channel;

use crate::trace::clock::TimeUnit;
use crate::trace::sample::{CLOCKS, SampledColumn};
use crate::trace::unit::units;

/// Share of filled cells that must be of one kind, in percent: units under the header, `NaN` and such may be among them.
const MOST_PCT: u64 = 90;
/// Longest step between two rows that can be seconds: across longer ones nothing is judged.
const LONGEST_STEP_S: f64 = 5.0;

/// The values of a column in short: without the hundredth at either end, where sensors put their marks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Values {
    pub(super) low: f64,
    pub(super) high: f64,
}

impl Values {
    /// Of a column of numbers; `None` where it holds none, or much else.
    pub(super) fn of(column: &SampledColumn) -> Option<Self> {
        let numbers = u64::try_from(column.numbers.len()).unwrap_or(u64::MAX);
        if numbers == 0 || numbers * 100 < column.filled * MOST_PCT {
            return None;
        }
        let mut sorted = column.numbers.clone();
        sorted.sort_unstable_by(f64::total_cmp);
        let cut = sorted.len() / 100;
        Some(Self { low: *sorted.get(cut)?, high: *sorted.get(sorted.len() - 1 - cut)? })
    }
}

/// Where the values of an engine's channel lie in one unit: none below `low`, the greatest between `high_from` and
/// `high_to`. Common practice, wide on purpose; from memory. Other units follow from the first by their definition.
struct Range {
    channel: Channel,
    low: f64,
    high_from: f64,
    high_to: f64,
}

const RANGES: [Range; Channel::COUNT] = [
    Range { channel: Channel::Rpm, low: 0.0, high_from: 0.0, high_to: 12_000.0 },
    Range { channel: Channel::Head, low: -40.0, high_from: -10.0, high_to: 200.0 },
    Range { channel: Channel::Flow, low: 0.0, high_from: 0.0, high_to: 300.0 },
    Range { channel: Channel::Supply, low: 0.0, high_from: 0.0, high_to: 60.0 },
    Range { channel: Channel::Speed, low: 0.0, high_from: 0.0, high_to: 150.0 },
    Range { channel: Channel::Water, low: -5.0, high_from: -2.0, high_to: 45.0 },
    Range { channel: Channel::Oil, low: -20.0, high_from: 0.0, high_to: 1_500.0 },
];

/// The same where the unit is to be told by the values: a warm engine, a charged battery, oil under pressure, in narrower
/// bounds. Channels whose units cannot be told apart by any value are left out.
const TELLING_RANGES: [Range; 3] = [
    Range { channel: Channel::Head, low: -30.0, high_from: 45.0, high_to: 112.0 },
    Range { channel: Channel::Supply, low: 0.0, high_from: 6.0, high_to: 32.0 },
    Range { channel: Channel::Oil, low: -20.0, high_from: 150.0, high_to: 900.0 },
];

/// What one unit of `unit` is in the first unit of its channel, and where its zero lies.
fn to_first_unit(unit: &str) -> (f64, f64) {
    match unit {
        "F" => (5.0 / 9.0, -160.0 / 9.0),
        "K" => (1.0, -273.15),
        "gal/min" => (3.785_411_784, 0.0),
        "m3/h" => (1_000.0 / 60.0, 0.0),
        "km/h" => (1.0 / 1.852, 0.0),
        "mph" => (1.609_344 / 1.852, 0.0),
        "m/s" => (3.6 / 1.852, 0.0),
        "mV" | "Pa" => (0.001, 0.0),
        "bar" => (100.0, 0.0),
        "psi" => (6.894_757, 0.0),
        "MPa" => (1_000.0, 0.0),
        _ => (1.0, 0.0),
    }
}

fn fits(range: &Range, values: Values, unit: &str) -> bool {
    let (factor, zero) = to_first_unit(unit);
    let (low, high) = (values.low * factor + zero, values.high * factor + zero);
    low >= range.low && (range.high_from..=range.high_to).contains(&high)
}

/// Whether the values can be those of `channel` in `unit`.
pub(super) fn can_be(channel: Channel, values: Values, unit: &str) -> bool {
    RANGES.iter().find(|range| range.channel == channel).is_none_or(|range| fits(range, values, unit))
}

/// The units in which the values can be those of `channel`, where the name states none.
pub(super) fn possible_units(channel: Channel, values: Values) -> Vec<&'static str> {
    let all = units(channel).iter().map(|(unit, _)| *unit);
    if all.len() == 1 {
        return all.collect();
    }
    match TELLING_RANGES.iter().find(|range| range.channel == channel) {
        Some(range) => all.filter(|unit| fits(range, values, unit)).collect(),
        None => all.collect(),
    }
}

/// The unit of a time column by its cells, or by the steps between its numbers; and why.
pub(super) fn time_unit(column: &SampledColumn) -> Option<(TimeUnit, &'static str)> {
    let mostly = |count: u64| count > 0 && count * 100 >= column.filled * MOST_PCT;
    if let Some((_, unit)) = column.clocks.iter().zip(CLOCKS).find(|(count, _)| mostly(**count)) {
        return Some((unit, "its cells are written so"));
    }
    Values::of(column)?;
    let mut steps: Vec<f64> = column.numbers.windows(2).filter_map(|pair| Some(pair.get(1)? - pair.first()?)).collect();
    steps.retain(|step| *step > 0.0);
    steps.sort_unstable_by(f64::total_cmp);
    let step = *steps.get(steps.len() / 2)?;
    Some(if step <= LONGEST_STEP_S {
        (TimeUnit::Seconds, "by the steps between rows")
    } else {
        (TimeUnit::Millis, "by the steps between rows, too long for seconds")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn column(numbers: &[f64]) -> SampledColumn {
        SampledColumn { numbers: numbers.to_vec(), filled: numbers.len() as u64, ..SampledColumn::default() }
    }

    #[test]
    fn units_are_told_by_values_where_they_can_be() {
        let cases: [(&str, Channel, f64, f64, &[&str]); 11] = [
            ("warm engine in °C", Channel::Head, 16.0, 88.0, &["C"]),
            ("warm engine in °F", Channel::Head, 60.0, 190.0, &["F"]),
            ("warm engine in K", Channel::Head, 288.0, 360.0, &["K"]),
            ("hot in °C or cold in °F", Channel::Head, 60.0, 112.0, &["C"]),
            ("cold engine", Channel::Head, 5.0, 20.0, &[]),
            ("battery in V", Channel::Supply, 11.9, 14.2, &["V"]),
            ("battery in mV", Channel::Supply, 11_900.0, 14_200.0, &["mV"]),
            ("oil in psi or kPa", Channel::Oil, 10.0, 60.0, &["psi"]),
            ("oil in bar", Channel::Oil, 1.0, 4.5, &["bar"]),
            ("flow tells nothing", Channel::Flow, 0.5, 2.0, &["L/min", "gal/min", "m3/h"]),
            ("speed tells nothing", Channel::Speed, 0.0, 30.0, &["kn", "km/h", "mph", "m/s"]),
        ];
        for (name, channel, low, high, expected) in cases {
            assert_eq!(possible_units(channel, Values { low, high }), expected, "{name}");
        }
    }

    #[test]
    fn marks_at_the_ends_do_not_count() {
        let mut numbers = vec![62.0; 300];
        numbers[7] = -127.0;
        numbers[8] = 65_535.0;
        assert_eq!(Values::of(&column(&numbers)), Some(Values { low: 62.0, high: 62.0 }));
        let mixed = SampledColumn { filled: 400, ..column(&numbers) };
        assert_eq!(Values::of(&mixed), None, "a quarter of its cells is no number");
        assert_eq!(Values::of(&column(&[])), None);
    }

    #[test]
    fn steps_tell_seconds_from_milliseconds() {
        let cases: [(&str, &[f64], Option<TimeUnit>); 5] = [
            ("seconds", &[0.0, 1.0, 2.0, 3.0], Some(TimeUnit::Seconds)),
            ("tenths", &[0.0, 0.1, 0.2, 0.2, 0.1, 0.3], Some(TimeUnit::Seconds)),
            ("milliseconds", &[0.0, 90.0, 180.0, 271.0], Some(TimeUnit::Millis)),
            ("standing still", &[1.0, 1.0, 1.0], None),
            ("one row", &[1.0], None),
        ];
        for (name, numbers, expected) in cases {
            assert_eq!(time_unit(&column(numbers)).map(|(unit, _)| unit), expected, "{name}");
        }
    }
}
