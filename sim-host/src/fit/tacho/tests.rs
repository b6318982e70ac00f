use super::*;
use crate::profile::HostProfile;

fn known(pulses: &str) -> Known {
    let text = format!(
        "[engine]\nstrokes = 4\nidle_rpm = 750\nmax_rpm = 6000\n[calibration.rpm]\npulses_per_rev = {pulses}\n"
    );
    Known { profile: Some(HostProfile::from_toml(Path::new("engine.toml"), &text).unwrap()) }
}

fn fitted(text: &str, known: &Known) -> Result<Report, String> {
    let points = Points::parse(Path::new("p.csv"), text, &points::TACHO, HEADER).map_err(|error| error.to_string())?;
    fit_points(&points, known, REFERENCE_ERROR_RPM).map_err(|error| error.to_string())
}

fn ids(report: &Report) -> Vec<&'static str> {
    report.remarks.iter().map(|remark| remark.id).collect()
}

/// Pulses of a second from so many a turn, at these speeds; `extra_hz` more at each.
fn speeds(pulses: f64, extra_hz: f64) -> String {
    let row = |rpm: f64| format!("{rpm},{:.2}\n", rpm / 60.0 * pulses + extra_hz);
    "rpm,hz\n".to_owned() + &[760.0, 2_010.0, 4_020.0, 5_500.0].map(row).concat()
}

#[test]
fn whole_and_half_numbers_are_found_from_rough_readings() {
    let cases = [
        ("12 poles", speeds(6.0, 0.0), "pulses_per_rev = 6\n"),
        ("ignition of a four-stroke", speeds(0.5, 0.0), "pulses_per_rev = 0.5\n"),
        ("strobe 1 % low", speeds(6.06, 0.0), "pulses_per_rev = 6\n"),
        ("counted", "rpm,pulses,seconds\n760,760,10\n4000,4003,10\n".to_owned(), "pulses_per_rev = 6\n"),
    ];
    for (name, text, expected) in cases {
        let report = fitted(&text, &Known::default()).unwrap();
        assert!(report.profile_lines.ends_with(expected), "{name}: {}", report.profile_lines);
        assert_eq!(ids(&report), [""; 0], "{name}");
    }
}

/// A 12-pole alternator set as 10: the monitor shows 1.2 times the speed, at all speeds.
#[test]
fn a_wrong_pole_count_is_a_fixed_ratio() {
    let cases = [
        ("by frequency", speeds(6.0, 0.0), "5", Some("1.20")),
        ("by what was shown", "rpm,shown_rpm\n760,912\n2000,2400\n4000,4800\n".to_owned(), "5", Some("1.20")),
        ("right", speeds(6.0, 0.0), "6", None),
        ("half", speeds(6.0, 0.0), "12", Some("0.50")),
    ];
    for (name, text, pulses, ratio) in cases {
        let report = fitted(&text, &known(pulses)).unwrap();
        let remark = report.remarks.iter().find(|remark| remark.id == "wrong-pole-count");
        assert_eq!(remark.is_some(), ratio.is_some(), "{name}: {:?}", report.remarks);
        if let (Some(remark), Some(ratio)) = (remark, ratio) {
            assert!(remark.text.contains(&format!("shows {ratio} times")), "{name}: {}", remark.text);
        }
        assert!(report.profile_lines.ends_with("pulses_per_rev = 6\n"), "{name}: {}", report.profile_lines);
    }
}

#[test]
fn a_ratio_that_changes_with_speed_is_no_pole_count() {
    let report = fitted(&speeds(6.0, 12.0), &Known::default()).unwrap();
    assert!(ids(&report).contains(&"ratio-changes"), "{:?}", report.remarks);
    assert!(!ids(&fitted(&speeds(6.0, 0.0), &Known::default()).unwrap()).contains(&"ratio-changes"));
}

#[test]
fn other_mistakes_are_noticed() {
    let cases = [
        ("pulses of a minute", speeds(360.0, 0.0), "sixty-fold"),
        ("belt", speeds(6.31, 0.0), "odd-ratio"),
        ("one speed", "rpm,hz\n4000,400\n4050,405\n".to_owned(), "points-too-close"),
        ("idle alone with a rough instrument", "rpm,hz\n700,105\n800,120\n".to_owned(), "undecided"),
    ];
    for (name, text, expected) in cases {
        let report = fitted(&text, &Known::default()).unwrap();
        assert!(ids(&report).contains(&expected), "{name}: {:?}", report.remarks);
    }
}

#[test]
fn swapped_columns_are_refused_with_the_remedy() {
    let error = fitted("rpm,hz\n75,750\n400,4000\n", &Known::default()).unwrap_err();
    assert!(error.starts_with("p.csv:2: ") && error.contains("swapped"), "{error}");
}

#[test]
fn what_lacks_a_column_is_refused_with_a_header_that_would_do() {
    let cases = [
        ("no pulses", "rpm\n4000\n", "rpm,pulses,seconds"),
        ("no speed", "hz\n400\n", "rpm,hz"),
        ("shown without a profile", "rpm,shown_rpm\n4000,4800\n", "--profile P"),
        ("standing", "rpm,hz\n0,0\n", "must be above 0"),
    ];
    for (name, text, word) in cases {
        let error = fitted(text, &Known::default()).unwrap_err();
        assert!(error.contains(word), "{name}: {error}");
    }
}

#[test]
fn only_a_certain_number_of_poles_drops_the_error_of_the_reference() {
    let certain = fitted(&speeds(6.0, 0.0), &Known::default()).unwrap();
    let belt = fitted(&speeds(6.31, 0.0), &Known::default()).unwrap();
    assert!(certain.band.iter().all(|band| band.half_width <= 0.1), "{:?}", certain.band);
    // 50 rpm at 5,500 rpm are 0.9 %.
    assert!(belt.band.iter().all(|band| band.half_width >= 0.9), "{:?}", belt.band);
}
