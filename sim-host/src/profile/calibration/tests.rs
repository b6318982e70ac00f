use std::path::Path;

use super::*;
use crate::problem::Exit;
use crate::profile::HostProfile;
use crate::texts::calibrations;

const ENGINE: &str = "[engine]\nstrokes = 4\nidle_rpm = 750\nmax_rpm = 6000\n";

fn with(sections: &str) -> Result<HostProfile, Problem> {
    HostProfile::from_toml(Path::new("engine.toml"), &format!("{ENGINE}{sections}"))
}

fn words(sections: &str) -> Vec<String> {
    let calibration = with(sections).unwrap_or_else(|problem| panic!("{sections}: {problem}")).calibration;
    calibrations(&calibration).into_iter().map(|(_, words)| words).collect()
}

#[test]
fn every_digit_of_the_file_counts() {
    let calibration = with(
        "[calibration.rpm]\npulses_per_rev = 2.66667\n[calibration.flow]\npulses_per_litre = 447.3125\noffset_hz = -0.4\n\
         [calibration.head]\na = 1.129241e-3\nb = 0.0002341077\nc = 8.775468e-8\npull_up_ohm = 9_980.5\n\
         [calibration.supply]\nratio = 5.6999996\n",
    )
    .unwrap()
    .calibration;
    let expected = Calibration {
        rpm: PulsesPerRevolution::new(266_667, 100_000).ok(),
        // Half a thousandth is rounded away from zero.
        flow: Some(FlowPulses { per_litre_milli: 447_313, offset_millihertz: -400 }),
        head: Some(HeadCalibration {
            sensor: HeadSensor::SteinhartHart(SteinhartHart::new(1_129_241_000, 234_107_700, 87_755).unwrap()),
            pull_up: Some(Resistance::from_milliohms(9_980_500)),
        }),
        supply: DividerRatio::from_millionths(5_700_000).ok(),
    };
    assert_eq!(calibration, expected);
}

#[test]
fn pulses_of_every_size_keep_as_many_decimals_as_fit() {
    let cases = [
        ("6", 6, 1),
        ("0.5", 1, 2),
        ("0.333333", 333_333, 1_000_000),
        ("1.3333333", 133_333, 100_000),
        ("12.3456", 123_456, 10_000),
        ("120.125", 961, 8),
    ];
    for (written, pulses, revolutions) in cases {
        let calibration = with(&format!("[calibration.rpm]\npulses_per_rev = {written}\n")).unwrap().calibration;
        assert_eq!(calibration.rpm, PulsesPerRevolution::new(pulses, revolutions).ok(), "{written}");
    }
}

#[test]
fn head_sensors_are_told_by_their_kind_or_by_their_numbers() {
    const TABLE: &str = "table = [[32650, 0], [10000, 25.0], [3603, 50], [678.5, 100]]\n";
    const CURVE: &str = "a = 1.129241e-3\nb = 2.341077e-4\nc = 8.775468e-8\n";
    let by_curve = "thermistor by Steinhart-Hart, a 1.129241e-3, b 2.341077e-4, c 8.7755e-8";
    let by_table = "thermistor by a table of 4 rows from 0 to 100 °C";
    let cases = [
        ("curve", format!("kind = \"steinhart-hart\"\n{CURVE}"), by_curve),
        ("curve of a thermistor", format!("kind = \"thermistor\"\n{CURVE}"), by_curve),
        ("curve without a kind", CURVE.to_owned(), by_curve),
        ("table", format!("kind = \"table\"\n{TABLE}"), by_table),
        ("table of a thermistor", format!("kind = \"thermistor\"\n{TABLE}"), by_table),
        ("table without a kind", TABLE.to_owned(), by_table),
        ("table from hot to cold", "table = [[678, 100], [3603, 50], [10000, 25], [32650, 0]]".to_owned(), by_table),
        (
            "beta",
            "kind = \"beta\"\nohm_at_25_c = 10000\nbeta_k = 3977.5\npull_up_ohm = 4700".to_owned(),
            "thermistor of 10000 ohm at 25 °C, beta 3977.5 K, pull-up 4700 ohm",
        ),
        ("platinum", "kind = \"pt100\"\npull_up_ohm = 1000".to_owned(), "platinum resistor Pt100, pull-up 1000 ohm"),
        ("platinum, resistor of the board", "kind = \"pt1000\"".to_owned(), "platinum resistor Pt1000"),
        ("thermocouple", "kind = \"thermocouple-k\"".to_owned(), "thermocouple type K"),
        ("one-wire", "kind = \"one-wire\"".to_owned(), "digital one-wire sensor"),
    ];
    for (name, section, expected) in cases {
        assert_eq!(words(&format!("[calibration.head]\n{section}\n")), [expected], "{name}");
    }
}

#[test]
fn no_section_or_an_empty_one_is_no_calibration() {
    for sections in ["", "[calibration]\n"] {
        assert!(with(sections).unwrap().calibration.is_empty(), "{sections:?}");
    }
}

/// `(name, sections after the engine, line, words of cause and remedy)`
type Refused<'a> = (&'a str, &'a str, u64, &'a [&'a str]);

fn refuse(cases: &[Refused<'_>]) {
    for (name, sections, line, words) in cases {
        let problem = with(sections).expect_err(name);
        assert_eq!((problem.exit, problem.line), (Exit::Usage, Some(*line)), "{name}: {problem}");
        for word in *words {
            assert!(problem.to_string().contains(word), "{name}: no `{word}` in {problem}");
        }
    }
}

#[test]
fn pulses_that_cannot_be_are_refused_with_line_and_remedy() {
    refuse(&[
        ("no pulses", "[calibration.rpm]\npulses_per_rev = 0", 6, &["calibration.rpm.pulses_per_rev", "above 0"]),
        ("nothing given", "[calibration.rpm]", 5, &["pulses_per_rev is missing", "pulses_per_rev = 6"]),
        ("too many", "[calibration.rpm]\npulses_per_rev = 1001", 6, &["out of range", "0 to 1000"]),
        ("too few", "[calibration.rpm]\npulses_per_rev = 0.005", 6, &["between 0.01 and 1,000", "Count the poles"]),
        ("too few for cranking", "[calibration.rpm]\npulses_per_rev = 0.05", 6, &["too far apart", "more pulses"]),
        ("too many at speed", "[calibration.rpm]\npulses_per_rev = 900", 6, &["closer than 20 µs", "Check both"]),
        ("unknown key", "[calibration.rpm]\npulses_per_ref = 6", 6, &["pulses_per_ref", "pulses_per_rev"]),
        ("unknown channel", "[calibration.flwo]\nratio = 6", 5, &["calibration.flwo", "flow"]),
        ("no litre", "[calibration.flow]\noffset_hz = 1", 5, &["pulses_per_litre is missing", "= 450"]),
        ("no flow", "[calibration.flow]\npulses_per_litre = 0", 6, &["above 0"]),
        (
            "hertz at 1 L/min",
            "[calibration.flow]\npulses_per_litre = 7.5",
            6,
            &["more than 30 s", "60 times the hertz"],
        ),
        ("slower still", "[calibration.flow]\npulses_per_litre = 0.5", 6, &["more than 30 s"]),
        ("too quick", "[calibration.flow]\npulses_per_litre = 60000", 6, &["closer than 20 µs"]),
        (
            "offset of the wrong sign",
            "[calibration.flow]\npulses_per_litre = 450\noffset_hz = -3",
            7,
            &["no pulses at its minimum", "Check its sign", "flow_min_lpm"],
        ),
        (
            "a meter without a minimum",
            "[water]\nflow_min_lpm = 0\n[calibration.flow]\npulses_per_litre = 450",
            6,
            &["flow_min_lpm must be above 0", "such as 0.3"],
        ),
    ]);
    let meter = "[water]\nflow_min_lpm = 2\n[calibration.flow]\npulses_per_litre = 450\noffset_hz = -3\n";
    assert_eq!(words(meter), ["450 pulses per litre, offset -3 Hz"], "with its own minimum the same meter is right");
}

#[test]
fn heads_and_supplies_that_cannot_be_are_refused_with_line_and_remedy() {
    refuse(&[
        ("no kind", "[calibration.head]", 5, &["head.kind is missing"]),
        ("kind only", "[calibration.head]\nkind = \"thermistor\"", 5, &["head.a is missing", "1.12924e-3"]),
        ("unknown kind", "[calibration.head]\nkind = \"pt10\"", 6, &["pt10", "Did you mean pt100?"]),
        ("kind in general", "[calibration.head]\nkind = \"thermocouple\"", 6, &["Did you mean thermocouple-k?"]),
        ("one number missing", "[calibration.head]\na = 1.1e-3\nb = 2.4e-4", 5, &["head.c is missing", "8.7755e-8"]),
        (
            "power of ten",
            "[calibration.head]\nkind = \"steinhart-hart\"\na = 1.1e-2\nb = 2.4e-3\nc = 7.5e-7",
            7,
            &["do not describe a thermistor", "Check their powers of ten"],
        ),
        ("huge", "[calibration.head]\na = 1e300\nb = -1e300\nc = 7.5e-7", 6, &["do not describe a thermistor"]),
        ("not finite", "[calibration.head]\na = nan", 6, &["not a finite number"]),
        ("both", "[calibration.head]\na = 1\ntable = [[9, 2], [3, 4]]", 7, &["both", "Keep one"]),
        ("one row", "[calibration.head]\ntable = [[9, 2]]", 6, &["1 points", "two at least"]),
        ("no pair", "[calibration.head]\ntable = [[9, 2], [3]]", 6, &["not a pair"]),
        ("colder than any", "[calibration.head]\ntable = [[9, -61], [3, 4]]", 6, &["out of range", "-60 to 300"]),
        (
            "a row out of order",
            "[calibration.head]\ntable = [\n[32650, 0],\n[10000, 25],\n[36030, 50],\n[678, 100],\n]",
            9,
            &["does not follow from its neighbour", "[ohm, degrees Celsius]"],
        ),
        ("columns swapped", "[calibration.head]\ntable = [[0, 265], [25, 100]]", 6, &["does not follow"]),
        ("resistor 0", "[calibration.head]\nkind = \"pt100\"\npull_up_ohm = 0", 7, &["above 0"]),
        (
            "resistor of a thousandth",
            "[calibration.head]\nkind = \"beta\"\nohm_at_25_c = 10000\nbeta_k = 3950\npull_up_ohm = 1",
            9,
            &["-10 and 120", "Read the resistor off the board"],
        ),
        ("beta", "[calibration.head]\nohm_at_25_c = 10000\nbeta_k = 39.5", 7, &["no thermistor's", "3950"]),
        ("beta alone", "[calibration.head]\nbeta_k = 3950", 5, &["ohm_at_25_c is missing"]),
        (
            "number of another kind",
            "[calibration.head]\nkind = \"one-wire\"\npull_up_ohm = 4700",
            7,
            &["pull_up_ohm does not go with the kind \"one-wire\"", "Leave the line out"],
        ),
        (
            "ratio under 1",
            "[calibration.supply]\nratio = 0.175",
            6,
            &["1 to 100", "Input voltage over voltage at the pin"],
        ),
        ("ratio 0", "[calibration.supply]\nratio = 0", 6, &["above 0"]),
        ("no ratio", "[calibration.supply]", 5, &["supply.ratio is missing", "ratio = 5.7"]),
    ]);
    let long: Vec<_> = (0..33).map(|step| format!("[{}, {}]", 90_000 - step * 1_000, step * 3)).collect();
    let long = format!("[calibration.head]\ntable = [{}]", long.join(", "));
    refuse(&[("too long", &long, 6, &["33 rows", "32", "every second row"])]);
}
