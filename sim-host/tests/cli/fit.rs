//! `fit`: lines that a profile can hold, remarks, refusals.

use crate::common::{Folder, PROFILE, flowing};

const THERMISTOR: &str = "temp_c,ohm\n0.0,32650\n25,10000\n60.0,2488\n95.0,788.5\n";
const FLOW: &str = "pulses,litres,seconds\n4440,10,750\n4482,10,200\n4491,10,100\n";
const TACHO: &str = "rpm,hz\n760,75.8\n2000,200.5\n4000,401\n";

fn folder() -> Folder {
    let folder = Folder::new();
    folder.write("thermistor.csv", THERMISTOR);
    folder.write("flow.csv", FLOW);
    folder.write("tacho.csv", TACHO);
    folder
}

/// Each sensor's lines, pasted behind a profile, are what `replay` then names as its calibration.
#[test]
fn the_lines_that_are_written_are_read_back_from_a_profile() {
    let cases = [
        ("thermistor", "head: thermistor by Steinhart-Hart, a 1.12"),
        ("flow", "flow: 447.078 pulses per litre"),
        ("tacho", "rpm: 6 pulses per revolution"),
    ];
    let folder = folder();
    let mut profile = PROFILE.to_owned();
    for (sensor, _) in cases {
        let done = folder.run(&format!("fit {sensor} {sensor}.csv --write"));
        assert_eq!(done.code, Some(0), "{sensor}: {}", done.err);
        assert!(done.err.contains("Error left"), "{sensor}: {}", done.err);
        profile.push_str(&done.out);
    }
    folder.write("engine.toml", &profile);
    folder.write("t.csv", "t_s,rpm\n0,0\n1,0\n");
    let done = folder.replay("t.csv");
    assert_eq!(done.code, Some(0), "{}", done.err);
    for (sensor, expected) in cases {
        assert!(flowing(&done.err).contains(expected), "{sensor}: {}", done.err);
    }
    let checked = folder.run("fit check engine.toml");
    assert_eq!(checked.code, Some(0), "{}", checked.err);
    assert!(!checked.out.contains("[calibration.head] is missing"), "{}", checked.out);
}

#[test]
fn the_page_ends_with_the_lines_and_carries_the_cautions_beside_it() {
    let folder = folder();
    for sensor in ["thermistor", "flow", "tacho"] {
        let done = folder.run(&format!("fit {sensor} {sensor}.csv"));
        let lines = folder.run(&format!("fit {sensor} {sensor}.csv --write")).out;
        assert!(done.out.ends_with(&format!("Lines for the profile:\n\n{lines}")), "{sensor}: {}", done.out);
        assert!(flowing(&done.err).contains("a silent monitor proves nothing"), "{sensor}: {}", done.err);
        assert!(done.out.lines().all(|line| line.chars().count() <= 80), "{sensor}: {}", done.out);
    }
}

#[test]
fn json_has_the_numbers_the_error_and_the_lines() {
    let folder = folder();
    for (sensor, parameter, low, high) in [
        ("thermistor", "a", 1.1e-3, 1.2e-3),
        ("flow", "pulses_per_litre", 440.0, 460.0),
        ("tacho", "pulses_per_rev", 5.9, 6.1),
    ] {
        let done = folder.run(&format!("fit {sensor} {sensor}.csv --format json"));
        assert_eq!((done.code, done.err.as_str()), (Some(0), ""), "{sensor}");
        let answer: serde_json::Value = serde_json::from_str(&done.out).unwrap();
        assert_eq!(answer["fit"], sensor);
        assert_eq!(answer["points"][0]["line"], 2, "{sensor}");
        assert_eq!(answer["parameters"][0]["name"], parameter, "{sensor}");
        let value = answer["parameters"][0]["value"].as_f64().unwrap();
        assert!((low..high).contains(&value), "{sensor}: {value}");
        assert!(answer["band"][0]["half_width"].as_f64().unwrap() > 0.0, "{sensor}");
        assert!(answer["profile"].as_str().unwrap().starts_with("[calibration."), "{sensor}");
        assert_eq!(answer["remarks"], serde_json::json!([]), "{sensor}");
    }
    let answer: serde_json::Value =
        serde_json::from_str(&folder.run("fit check engine.toml --format json").out).unwrap();
    assert_eq!(answer["questions"][0]["id"], "telltale");
    assert_eq!(answer["not_found"][0]["findings"][0], "hub-slipping");
}

#[test]
fn points_come_from_standard_input_too() {
    use std::io::Write;
    use std::process::Stdio;
    let folder = folder();
    let mut child = folder
        .command("fit tacho - --write")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(TACHO.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(String::from_utf8(output.stdout).unwrap().ends_with("pulses_per_rev = 6\n"));
}

/// By the option, else as the profile has it.
#[test]
fn the_resistor_of_the_board_is_kept() {
    let folder = folder();
    folder.write("old.toml", format!("{PROFILE}[calibration.head]\nkind = \"pt1000\"\npull_up_ohm = 2200\n"));
    for (options, expected) in [("--profile old.toml", "2200"), ("--profile old.toml --pull-up 4700", "4700")] {
        let done = folder.run(&format!("fit thermistor thermistor.csv --write {options}"));
        assert!(done.out.ends_with(&format!("pull_up_ohm = {expected}\n")), "{options}: {}", done.out);
    }
}

#[test]
fn doubts_stand_in_the_lines_too() {
    let folder = folder();
    folder.write("f.csv", "temp_c,ohm\n32,32650\n77,10000\n140,2488\n");
    let done = folder.run("fit thermistor f.csv --write");
    assert!(done.out.contains("# in doubt: fahrenheit"), "{}", done.out);
    assert!(done.err.contains("Look again [fahrenheit]"), "{}", done.err);
}

#[test]
fn what_cannot_be_fitted_exits_with_2_and_prints_nothing() {
    let folder = folder();
    folder.write("swapped.csv", "pulses,litres\n10,4500\n");
    folder.write("bad.toml", "[engine]\n");
    let cases = [
        ("fit thermistor nowhere.csv", "nowhere.csv: The points file cannot be read"),
        ("fit thermistor flow.csv", "flow.csv:1: The column `pulses` is not known here"),
        ("fit flow swapped.csv", "swapped.csv:2: "),
        ("fit tacho tacho.csv --profile bad.toml", "bad.toml:1: engine.strokes is missing"),
        ("fit check bad.toml", "bad.toml:1: engine.strokes is missing"),
        ("fit check engine.toml --adc-bits 30", "--adc-bits"),
        ("fit thermistor thermistor.csv --thermometer-error 0", "a number above 0"),
        ("fit thermistor thermistor.csv --write --format json", "cannot be used with"),
        ("fit flwo flow.csv", "There is no command `fit flwo`. Did you mean flow?"),
        ("fit", "Usage"),
    ];
    for (line, expected) in cases {
        let done = folder.run(line);
        assert_eq!((done.code, done.out.as_str()), (Some(2), ""), "{line}: {}", done.err);
        assert!(done.err.contains(expected), "{line}: {}", done.err);
    }
}
