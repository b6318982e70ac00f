use super::*;

const ENGINE: &str = "[engine]\nstrokes = 4\nidle_rpm = 750\nrated_rpm = 5500\nmax_rpm = 6000\nthermostat_opens_c = 62\n\
                      head_limit_c = 95\n[water]\ntelltale = \"before-thermostat\"\n[electric]\ncharging_min_v = 13.0\n\
                      [channels]\nfitted = [\"rpm\", \"head\", \"flow\", \"supply\"]\n";
const CALIBRATION: &str = "[calibration.rpm]\npulses_per_rev = 6\n[calibration.flow]\npulses_per_litre = 450\n\
                           [calibration.head]\na = 1.12924e-3\nb = 2.34108e-4\nc = 8.7755e-8\npull_up_ohm = 10000\n\
                           [calibration.supply]\nratio = 5.7\n";

fn checked(profile: &str) -> Checked {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("engine.toml");
    std::fs::write(&path, profile).unwrap();
    check(&path, &Board::new(12, 3_300, 10_000, 1.0).unwrap()).unwrap()
}

fn ids(checked: &Checked) -> Vec<&'static str> {
    checked.questions.iter().map(|question| question.id).collect()
}

/// 10 kΩ and beta 3950 on 10 kΩ and 12 bits, computed elsewhere: K of 1 % of resistance and K of a count.
#[test]
fn head_steps_are_those_of_the_reference() {
    let beta =
        CALIBRATION.replace("a = 1.12924e-3\nb = 2.34108e-4\nc = 8.7755e-8", "ohm_at_25_c = 10000\nbeta_k = 3950");
    let engine = ENGINE.replace("head_limit_c = 95", "head_limit_c = 100");
    let places = checked(&format!("{engine}{beta}")).places;
    for (celsius, per_percent, per_count) in [(0.0, 0.189, 0.026), (20.0, 0.218, 0.022), (100.0, 0.353, 0.141)] {
        let place = places.iter().find(|place| place.channel == "head" && (place.at - celsius).abs() < 1e-9).unwrap();
        assert!((place.step - per_count).abs() < 0.000_6, "{place:?}");
        // The model's own 0.8 K stand beside the resistor's.
        assert!((place.error.unwrap() - 0.8 - per_percent).abs() < 0.000_6, "{place:?}");
    }
}

/// Pt100: 0.385 ohm a kelvin at 0 °C and 138.51 ohm at 100 °C (IEC 60751); 330 ohm and 12 bits.
#[test]
fn platinum_and_tables_have_steps_too() {
    let platinum = CALIBRATION.replace(
        "a = 1.12924e-3\nb = 2.34108e-4\nc = 8.7755e-8\npull_up_ohm = 10000",
        "kind = \"pt100\"\npull_up_ohm = 330",
    );
    let places = checked(&format!("{ENGINE}{platinum}")).places;
    let place = places.iter().find(|place| place.channel == "head" && place.at.abs() < 1e-9).unwrap();
    // (R + Rp)² / (Rp · 4095) ohm a count over 0.39083 ohm a kelvin.
    assert!((place.step - 430.0_f64.powi(2) / (330.0 * 4_095.0) / 0.390_83).abs() < 1e-4, "{place:?}");
    let table = CALIBRATION.replace(
        "a = 1.12924e-3\nb = 2.34108e-4\nc = 8.7755e-8",
        "table = [[32650, 0], [10000, 25], [2488, 60], [680, 100]]",
    );
    let answer = checked(&format!("{ENGINE}{table}"));
    assert!(answer.places.iter().all(|place| place.step.is_finite()), "{:?}", answer.places);
    assert_eq!(ids(&answer), ["short-table"]);
    let short = checked(&format!("{ENGINE}{}", table_to_60(CALIBRATION)));
    let hottest = short.places.iter().filter(|place| place.channel == "head").map(|place| place.at).fold(0.0, f64::max);
    assert!((hottest - 60.0).abs() < 1e-9, "nothing is said 60 K beyond a table: {:?}", short.places);
}

fn table_to_60(calibration: &str) -> String {
    let rows = "table = [[32650, 0], [10000, 25], [2488, 60]]";
    calibration.replace("a = 1.12924e-3\nb = 2.34108e-4\nc = 8.7755e-8", rows)
}

#[test]
fn supply_and_pulses_are_those_of_the_arithmetic() {
    let places = checked(&format!("{ENGINE}{CALIBRATION}")).places;
    let place = |channel: &str| places.iter().find(|place| place.channel == channel).unwrap();
    assert!((place("supply").step - 3.3 * 5.7 / 4_095.0).abs() < 1e-9);
    assert!((place("supply").error.unwrap() - 12.0 * 4.7 / 5.7 * 0.02).abs() < 1e-9);
    assert!(place("supply").signal.starts_with("2.105 V, count 2612"), "{}", place("supply").signal);
    // 450 pulses per litre at 0.3 L/min: 2.25 Hz, and 2.5 periods of it until nothing is said.
    assert_eq!(place("flow").signal, "2.2 Hz, no water after 1.11 s");
    assert_eq!(place("rpm").signal, "75.0 Hz, a stop shows after 0.167 s");
}

#[test]
fn a_careful_profile_raises_no_question() {
    let answer = checked(&format!("{ENGINE}{CALIBRATION}"));
    assert_eq!(ids(&answer), [""; 0]);
    assert!(
        to_text(&answer).starts_with(&format!("{}: nothing to ask about\n", answer.file)) || answer.file.len() > 50
    );
}

#[test]
fn each_question_is_asked_where_it_belongs_and_nowhere_else() {
    let cases = [
        ("idle", "idle_rpm = 750", "idle_rpm = 1500", "idle"),
        ("limit in °F", "head_limit_c = 95", "head_limit_c = 194", "head-limit"),
        ("no headroom", "head_limit_c = 95", "head_limit_c = 70", "headroom"),
        ("maximum", "max_rpm = 6000", "max_rpm = 7500", "max"),
        ("charging", "charging_min_v = 13.0", "charging_min_v = 12.0", "charging-min"),
        ("telltale", "telltale = \"before-thermostat\"", "relief_valve = true", "telltale"),
        ("coarse meter", "[water]\n", "[water]\nflow_min_lpm = 1.5\n", "flow-min"),
        ("two-stroke with oil", "strokes = 4", "strokes = 2\noil_min_kpa = 100", "oil"),
        ("limit assumed", "head_limit_c = 95\n", "", "assumed"),
        ("drive", "\"supply\"]", "\"supply\", \"speed\"]", "drive"),
        ("no flow", "\"flow\", ", "", "no-flow"),
        ("supply not fitted", ", \"supply\"]", "]", "supply"),
        ("tacho missing", "[calibration.rpm]\npulses_per_rev = 6\n", "", "uncalibrated"),
        ("odd pulses", "pulses_per_rev = 6", "pulses_per_rev = 6.3", "pulses"),
        ("many pulses", "pulses_per_litre = 450", "pulses_per_litre = 9000", "pulses"),
        ("beta", "a = 1.12924e-3\nb = 2.34108e-4\nc = 8.7755e-8", "ohm_at_25_c = 10000\nbeta_k = 3950", "beta-only"),
        ("coarse head", "pull_up_ohm = 10000", "pull_up_ohm = 200000", "coarse-head"),
        ("range", "ratio = 5.7", "ratio = 4.0", "supply-range"),
    ];
    let careful = format!("{ENGINE}{CALIBRATION}");
    for (name, from, to, expected) in cases {
        assert!(careful.contains(from), "{name}");
        let found = ids(&checked(&careful.replacen(from, to, 1)));
        assert!(found.contains(&expected), "{name}: {found:?}");
    }
}

/// 7.5 is refused with the usual minimum; a meter that begins at 1 L/min lets it pass.
#[test]
fn hertz_at_a_litre_a_minute_is_asked_about_where_the_reader_lets_it_pass() {
    let profile = format!("{ENGINE}{CALIBRATION}").replace("[water]\n", "[water]\nflow_min_lpm = 1.0\n");
    let answer = checked(&profile.replace("pulses_per_litre = 450", "pulses_per_litre = 7.5"));
    let question = answer.questions.iter().find(|question| question.id == "pulses").unwrap();
    assert!(question.text.contains("450, a factor of 60 away"), "{}", question.text);
}

#[test]
fn missing_sensors_are_named_with_the_findings_they_cost() {
    let profile = format!("{ENGINE}{CALIBRATION}")
        .replace("\"flow\", ", "")
        .replace("[calibration.flow]\npulses_per_litre = 450\n", "");
    let costs = checked(&profile).costs;
    let flow = costs.iter().find(|cost| cost.why.contains("flow")).unwrap();
    assert!(flow.findings.contains(&"stream-lost") && flow.findings.contains(&"dry-start"), "{costs:?}");
}
