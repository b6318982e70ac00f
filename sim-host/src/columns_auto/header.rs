//! What the name of a column says: its words, the unit in it, and what it may hold.

use monitor_core::acquire::Channel;

use crate::trace::clock::TimeUnit;

/// The name of a column taken apart.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Named {
    /// Its words in lower case, without numbers behind them and without the unit.
    pub(super) words: Vec<String>,
    /// The unit that the name states.
    pub(super) unit: Option<NamedUnit>,
}

/// A unit as a name states it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NamedUnit {
    /// A unit of a column map, under its name there.
    Known(&'static str),
    /// A unit of time.
    Time(TimeUnit),
    /// A unit in brackets that no channel has.
    Other,
}

/// How units are written, in lower case without blanks and degree signs, and their names in a column map.
const UNITS: [(&str, &[&str]); 18] = [
    ("C", &["c", "degc", "celsius"]),
    ("F", &["f", "degf", "fahrenheit"]),
    ("K", &["k", "kelvin"]),
    ("L/min", &["l/min", "lpm", "lmin", "l/minute", "litres/min", "liters/min", "litre/min", "liter/min"]),
    ("gal/min", &["gal/min", "gpm", "usgpm", "galmin"]),
    ("m3/h", &["m3/h", "m³/h", "m3h", "cbm/h"]),
    ("kn", &["kn", "kt", "kts", "knot", "knots"]),
    ("km/h", &["km/h", "kmh", "kph", "kmph"]),
    ("mph", &["mph", "mi/h"]),
    ("m/s", &["m/s", "mps"]),
    ("V", &["v", "volt", "volts", "vdc"]),
    ("mV", &["mv", "millivolt", "millivolts"]),
    ("kPa", &["kpa"]),
    ("bar", &["bar"]),
    ("psi", &["psi"]),
    ("MPa", &["mpa"]),
    ("Pa", &["pa"]),
    ("rpm", &["rpm", "1/min", "r/min", "rev/min", "min-1"]),
];

const TIME_UNITS: [(TimeUnit, &[&str]); 4] = [
    (TimeUnit::Seconds, &["s", "sec", "secs", "second", "seconds"]),
    (TimeUnit::Millis, &["ms", "msec", "millis", "millisecond", "milliseconds"]),
    (TimeUnit::HoursMinutesSeconds, &["hh:mm:ss"]),
    (TimeUnit::MinutesSeconds, &["mm:ss"]),
];

/// Units that are what is measured as well: they stay among the words.
const TELLING_UNITS: [&str; 6] = ["rpm", "volt", "volts", "kn", "knots", "knot"];

impl Named {
    /// Takes the name of a column apart.
    pub(super) fn new(name: &str) -> Self {
        let (text, bracketed) = split_brackets(name);
        let mut tokens = tokens(&text);
        let mut unit = bracketed.map(|text| unit_of(&text).unwrap_or(NamedUnit::Other));
        if let Some(last) = tokens.last().cloned()
            && unit.is_none()
        {
            unit = unit_of(&last);
            // A name that is a unit and no more says what is measured: `rpm`, `ms`, `volts`.
            if unit.is_some() && tokens.len() > 1 && !TELLING_UNITS.contains(&last.as_str()) {
                tokens.pop();
            }
        }
        let words = tokens.into_iter().flat_map(|token| split_words(&token)).collect();
        Self { words, unit }
    }

    fn has(&self, word: &str) -> bool {
        self.words.iter().any(|known| known == word)
    }

    /// Whether one of `words` stands in the name.
    pub(super) fn has_any(&self, words: &[&str]) -> bool {
        words.iter().any(|word| self.has(word))
    }

    fn is_unit_of(&self, channel: Channel) -> bool {
        matches!(self.unit, Some(NamedUnit::Known(unit))
            if crate::trace::unit::units(channel).iter().any(|(known, _)| *known == unit))
    }
}

/// The name without what stands in brackets, and that.
fn split_brackets(name: &str) -> (String, Option<String>) {
    let (Some(open), Some(close)) = (name.rfind(['[', '(', '{']), name.rfind([']', ')', '}'])) else {
        return (name.to_owned(), None);
    };
    match (name.get(..open), name.get(open + 1..close), name.get(close + 1..)) {
        (Some(before), Some(inside), Some(behind)) if !inside.trim().is_empty() => {
            (format!("{before} {behind}"), Some(inside.to_owned()))
        }
        _ => (name.to_owned(), None),
    }
}

/// Parts at blanks, underscores, dashes and commas, and where a small letter is followed by a large one. A slash stays:
/// it makes units.
fn tokens(text: &str) -> Vec<String> {
    let mut spaced = String::new();
    let mut was_small = false;
    for sign in text.chars() {
        if sign.is_uppercase() && was_small {
            spaced.push(' ');
        }
        was_small = sign.is_lowercase();
        spaced.push(if matches!(sign, '_' | ',' | ':' | ';' | '.' | '-') { ' ' } else { sign });
    }
    spaced.split_whitespace().map(str::to_lowercase).collect()
}

/// The words of a token, without signs and without a number behind.
fn split_words(token: &str) -> Vec<String> {
    let words = token.split(|sign: char| !sign.is_alphanumeric());
    let words = words.map(|word| word.trim_end_matches(|sign: char| sign.is_ascii_digit()));
    words.filter(|word| !word.is_empty()).map(str::to_owned).collect()
}

fn unit_of(text: &str) -> Option<NamedUnit> {
    let plain: String = text.chars().filter(|sign| !sign.is_whitespace() && !matches!(sign, '°' | 'º')).collect();
    let plain = plain.to_lowercase();
    let is = |names: &[&str]| names.contains(&plain.as_str());
    let known = UNITS.iter().find(|(_, names)| is(names)).map(|(unit, _)| NamedUnit::Known(unit));
    known.or_else(|| TIME_UNITS.iter().find(|(_, names)| is(names)).map(|(unit, _)| NamedUnit::Time(*unit)))
}

/// What a column may hold by its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Meaning {
    /// The time.
    Time,
    /// A channel.
    Channel(Channel),
    /// A temperature of the head or of the raw water: the name fits both.
    HeadOrWater,
    /// Nothing that is read.
    Nothing,
}

/// Things that have a temperature, a speed, a flow or a voltage of their own.
const OTHER_THINGS: [&str; 37] = [
    "air",
    "ambient",
    "outside",
    "exhaust",
    "egt",
    "fuel",
    "manifold",
    "map",
    "maf",
    "gear",
    "gearbox",
    "transmission",
    "throttle",
    "accelerator",
    "pedal",
    "load",
    "torque",
    "wind",
    "fan",
    "shaft",
    "propeller",
    "prop",
    "turbo",
    "boost",
    "wheel",
    "trim",
    "tilt",
    "tank",
    "target",
    "setpoint",
    "desired",
    "limit",
    "cabin",
    "lambda",
    "oxygen",
    "current",
    "reference",
];

/// What a column of that name may hold. The names of the project's own layout are taken by the letter.
pub(super) fn meaning(name: &str, named: &Named) -> Meaning {
    match name {
        "t_s" | "time" => return Meaning::Time,
        "speed_kn" | "sog_kn" => return Meaning::Channel(Channel::Speed),
        "water_c" => return Meaning::Channel(Channel::Water),
        _ => {}
    }
    if is_time(named) {
        return Meaning::Time;
    }
    if named.has_any(&OTHER_THINGS) || named.unit == Some(NamedUnit::Other) {
        return Meaning::Nothing;
    }
    let engine_speed = named.has_any(&["engine", "motor"]) && named.has_any(&["speed", "revolutions"]);
    if named.has_any(&["rpm", "revs", "tach", "tacho", "tachometer"]) || engine_speed {
        return Meaning::Channel(Channel::Rpm);
    }
    if named.has("oil") {
        let is_pressure = named.has_any(&["pressure", "press"]) || named.is_unit_of(Channel::Oil);
        return if is_pressure { Meaning::Channel(Channel::Oil) } else { Meaning::Nothing };
    }
    if named.has_any(&["flow", "flowrate", "flowmeter", "telltale"]) {
        return Meaning::Channel(Channel::Flow);
    }
    if let Some(meaning) = temperature(named) {
        return meaning;
    }
    if is_supply(named) {
        return Meaning::Channel(Channel::Supply);
    }
    if named.has("sog") || (named.has_any(&["speed", "knots", "kn"]) && !named.has_any(&["water", "stw"])) {
        return Meaning::Channel(Channel::Speed);
    }
    Meaning::Nothing
}

fn is_time(named: &Named) -> bool {
    let words = ["time", "timestamp", "datetime", "clock", "elapsed", "t", "ts", "ms", "millis", "seconds", "sec"];
    let durations =
        ["run", "running", "engine", "on", "total", "trip", "lag", "delay", "response", "injection", "zone"];
    named.has_any(&words) && !named.has_any(&durations)
}

fn temperature(named: &Named) -> Option<Meaning> {
    let states_unit = named.is_unit_of(Channel::Head);
    let says_so = named.has_any(&["temp", "temperature", "ect", "cht"]) || states_unit;
    // A bare `coolant` is a temperature unless a unit says otherwise.
    if !says_so && (named.unit.is_some() || !named.has_any(&["coolant", "head"])) {
        return None;
    }
    if named.has_any(&["raw", "sea", "seawater", "river", "lake"]) {
        return Some(Meaning::Channel(Channel::Water));
    }
    if named.has_any(&["coolant", "head", "cylinder", "cht", "ect", "engine", "motor", "block"]) && !named.has("level")
    {
        return Some(Meaning::Channel(Channel::Head));
    }
    let plain = ["temp", "temperature", "sensor", "probe", "water"];
    let is_plain = named.words.iter().all(|word| plain.contains(&word.as_str()));
    Some(if is_plain { Meaning::HeadOrWater } else { Meaning::Nothing })
}

fn is_supply(named: &Named) -> bool {
    let is_voltage = named.has_any(&["voltage", "volt", "volts", "vbat", "vbatt"]) || named.is_unit_of(Channel::Supply);
    let is_source = named.has_any(&["battery", "batt", "alternator", "supply"]);
    let is_of_a_sensor = named.has_any(&["sensor", "tps", "signal", "aux"]);
    (is_voltage && !is_of_a_sensor) || (is_source && named.unit.is_none())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_taken_apart() {
        let known = |unit| Some(NamedUnit::Known(unit));
        let cases: [(&str, &[&str], Option<NamedUnit>); 16] = [
            ("Engine Coolant Temperature [°C]", &["engine", "coolant", "temperature"], known("C")),
            ("coolant_c", &["coolant"], known("C")),
            ("coolant temp (deg F)", &["coolant", "temp"], known("F")),
            ("CoolantTempC", &["coolant", "temp"], known("C")),
            ("Vehicle Speed Sensor [km/h]", &["vehicle", "speed", "sensor"], known("km/h")),
            ("speed_kmh", &["speed"], known("km/h")),
            ("Flow L/min", &["flow"], known("L/min")),
            ("flow1", &["flow"], None),
            ("rpm", &["rpm"], known("rpm")),
            ("Engine RPM", &["engine", "rpm"], known("rpm")),
            ("t_ms", &["t"], Some(NamedUnit::Time(TimeUnit::Millis))),
            ("Time (s)", &["time"], Some(NamedUnit::Time(TimeUnit::Seconds))),
            ("ms", &["ms"], Some(NamedUnit::Time(TimeUnit::Millis))),
            ("Air Flow Rate [g/s]", &["air", "flow", "rate"], Some(NamedUnit::Other)),
            ("motor_current_a", &["motor", "current", "a"], None),
            ("a []", &["a"], None),
        ];
        for (name, words, unit) in cases {
            let named = Named::new(name);
            assert_eq!(
                (named.words.iter().map(String::as_str).collect::<Vec<_>>(), named.unit),
                (words.to_vec(), unit),
                "{name}"
            );
        }
    }

    #[test]
    fn names_mean_what_a_mechanic_would_say() {
        let channel = Meaning::Channel;
        let cases: [(&[&str], Meaning); 10] = [
            (&["t_s", "time", "Time", "timestamp_text", "t_ms", "Elapsed (s)", "millis", "DateTime"], Meaning::Time),
            (&["rpm", "Engine RPM [RPM]", "engineSpeed", "Tach", "revs", "Motor speed [1/min]"], channel(Channel::Rpm)),
            (
                &[
                    "head_c",
                    "coolant_c",
                    "Engine Coolant Temperature [°C]",
                    "CHT (°F)",
                    "ECT",
                    "engine_temp_c",
                    "coolant",
                ],
                channel(Channel::Head),
            ),
            (&["water_c", "Sea temp [C]", "raw_water_temp"], channel(Channel::Water)),
            (&["temp", "Water Temp [°F]", "temperature_c"], Meaning::HeadOrWater),
            (&["flow_lpm", "Telltale [L/min]", "flow1", "Coolant Flow (gpm)"], channel(Channel::Flow)),
            (&["supply_v", "voltage_v", "Battery", "alternator_v", "Volts", "Vbat [mV]"], channel(Channel::Supply)),
            (
                &["speed_kn", "sog_kn", "SOG", "Vehicle Speed Sensor [km/h]", "speed_kmh", "gps speed"],
                channel(Channel::Speed),
            ),
            (&["oil_kpa", "Oil Pressure [psi]", "oil_pressure_kpa", "OilPress"], channel(Channel::Oil)),
            (
                &[
                    "map_kpa",
                    "intake_air_c",
                    "ambient_c",
                    "Air Flow Rate from Mass Flow Sensor [g/s]",
                    "oil temp [C]",
                    "Intake Manifold Absolute Pressure [kPa]",
                    "engine_hours",
                    "status1_bits",
                    "current_a",
                    "fuel flow [L/min]",
                    "Absolute Throttle Position [%]",
                    "thermocouple_c",
                    "body_temp_c",
                    "pressure1_mpa",
                    "instance",
                    "note",
                    "Wind Speed [kn]",
                    "shaft rpm",
                    "stw water speed [kn]",
                    "battery_temp_c",
                    "O2 sensor voltage",
                ],
                Meaning::Nothing,
            ),
        ];
        for (names, expected) in cases {
            for name in names {
                assert_eq!(meaning(name, &Named::new(name)), expected, "{name}");
            }
        }
    }
}
