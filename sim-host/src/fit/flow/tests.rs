use super::*;
use crate::profile::HostProfile;

const SLOW: &str = "pulses,litres,seconds\n";

fn fitted(text: &str, known: &Known) -> Result<Report, String> {
    let points = Points::parse(Path::new("p.csv"), text, &points::FLOW, HEADER).map_err(|error| error.to_string())?;
    fit_points(&points, known, WATER_ERROR_L).map_err(|error| error.to_string())
}

fn known(flow: &str) -> Known {
    let text = format!(
        "[engine]\nstrokes = 4\nidle_rpm = 750\nmax_rpm = 6000\n[water]\nflow_min_lpm = 1.0\n[calibration.flow]\n{flow}"
    );
    Known { profile: Some(HostProfile::from_toml(Path::new("engine.toml"), &text).unwrap()) }
}

fn ids(report: &Report) -> Vec<&'static str> {
    report.remarks.iter().map(|remark| remark.id).collect()
}

/// Buckets of 10 L from a meter with this line, at these flows in L/min.
fn buckets(per_litre: f64, offset_hz: f64, flows: &[f64]) -> String {
    let row = |flow: &f64| {
        let seconds = 600.0 / flow;
        format!("{:.0},10.0,{seconds:.1}\n", per_litre * 10.0 + offset_hz * seconds)
    };
    SLOW.to_owned() + &flows.iter().map(row).collect::<String>()
}

#[test]
fn a_line_comes_back_with_its_offset_only_where_it_has_one() {
    let cases = [
        ("through nothing", 450.0, 0.0, false),
        ("friction", 450.0, -0.9, true),
        ("leaking the other way", 450.0, 0.9, true),
        ("friction too small to see", 450.0, -0.01, false),
    ];
    for (name, per_litre, offset_hz, shows) in cases {
        let report = fitted(&buckets(per_litre, offset_hz, &[0.8, 2.0, 4.0, 6.0]), &Known::default()).unwrap();
        assert!((report.parameters[0].value / per_litre - 1.0).abs() < 0.005, "{name}: {:?}", report.parameters);
        assert_eq!(report.parameters.len() == 2, shows, "{name}");
        assert_eq!(report.profile_lines.contains("offset_hz"), shows, "{name}");
        if let Some(offset) = report.parameters.get(1) {
            assert!((offset.value - offset_hz).abs() < 0.02, "{name}: {offset:?}");
        }
        assert_eq!(ids(&report), [""; 0], "{name}");
    }
}

/// 7.5 Hz at 1 L/min is the same meter as 450 pulses per litre: f = k Q / 60.
#[test]
fn sixty_fold_mistakes_are_noticed() {
    let three = |pulses: u32| format!("pulses,litres\n{pulses},10\n{pulses},10\n{pulses},10\n");
    let by_meter = |hz: &str| format!("hz,lpm\n{hz}\n");
    let cases = [
        ("hertz counted for pulses", three(75), Known::default(), true),
        ("a right meter", three(4_500), Known::default(), false),
        ("pulses of a minute as hertz", by_meter("450,1\n1350,3\n2700,6"), Known::default(), true),
        ("hertz", by_meter("7.5,1\n22.5,3\n45,6"), Known::default(), false),
        ("the profile has hertz at 1 L/min", three(4_500), known("pulses_per_litre = 7.5\n"), true),
        ("the profile is right", three(4_500), known("pulses_per_litre = 450\n"), false),
    ];
    for (name, text, known, is_wrong) in cases {
        let report = fitted(&text, &known).unwrap();
        assert_eq!(ids(&report).contains(&"sixty-fold"), is_wrong, "{name}: {:?}", report.remarks);
        let is_slow = report.parameters[0].value < 10.0;
        assert_eq!(ids(&report).contains(&"refused"), is_slow, "{name}: the reader refuses so few pulses");
    }
}

#[test]
fn another_meter_in_the_profile_is_noticed() {
    let text = buckets(420.0, 0.0, &[1.0, 3.0, 6.0]);
    assert_eq!(ids(&fitted(&text, &known("pulses_per_litre = 450\n")).unwrap()), ["other-meter"]);
}

#[test]
fn a_bucket_too_small_is_noticed_with_the_water_that_is_needed() {
    let cases = [
        ("half a litre", "225,0.5,10\n", true),
        ("two litres", "900,2,40\n", true),
        ("ten litres", "4500,10,200\n", false),
    ];
    for (name, row, is_small) in cases {
        let report = fitted(&format!("{SLOW}{row}4500,10,400\n4500,10,100\n"), &Known::default()).unwrap();
        let remark = report.remarks.iter().find(|remark| remark.id == "little-water");
        assert_eq!(remark.is_some(), is_small, "{name}: {:?}", report.remarks);
        // 0.1 L of 5 L are 2 %; a pulse and more make it 6 whole litres.
        assert!(remark.is_none_or(|remark| remark.text.contains("2 % takes 6 L")), "{name}: {remark:?}");
    }
}

#[test]
fn swapped_columns_are_refused_with_the_remedy() {
    let error = fitted("pulses,litres\n10,4500\n", &Known::default()).unwrap_err();
    assert!(error.starts_with("p.csv:2: ") && error.contains("swapped"), "{error}");
    let error = fitted("pulses,litres\n2,10\n", &Known::default()).unwrap_err();
    assert!(error.contains("Count every pulse"), "{error}");
}

#[test]
fn flows_too_close_together_and_few_buckets_are_noticed() {
    let cases = [
        ("one flow", buckets(450.0, 0.0, &[3.0, 3.1, 3.2]), "points-too-close"),
        ("one bucket", buckets(450.0, 0.0, &[3.0]), "few-points"),
    ];
    for (name, text, expected) in cases {
        assert_eq!(ids(&fitted(&text, &Known::default()).unwrap()), [expected], "{name}");
    }
}

#[test]
fn a_miscounted_bucket_is_left_out() {
    let text = buckets(450.0, 0.0, &[0.8, 2.0, 4.0, 6.0]) + "3500,10,150\n";
    let report = fitted(&text, &Known::default()).unwrap();
    assert_eq!(ids(&report), ["point-left-out"]);
    assert!((report.parameters[0].value - 450.0).abs() < 1.0, "{:?}", report.parameters);
}

#[test]
fn the_error_left_is_never_below_the_bucket_and_grows_where_nothing_was_measured() {
    let report = fitted(&buckets(450.0, -0.9, &[1.0, 3.0, 6.0]), &Known::default()).unwrap();
    let at = |lpm: f64| report.band.iter().find(|band| (band.at - lpm).abs() < 1e-9).unwrap();
    assert!(at(3.0).half_width >= 1.0, "{:?}", report.band);
    assert!(at(0.3).extrapolated && at(0.3).half_width > 2.0 * at(3.0).half_width, "{:?}", report.band);
    assert!(!at(1.0).extrapolated && !at(6.0).extrapolated);
    let blind = fitted("pulses,litres\n4500,10\n4500,10\n4500,10\n", &Known::default()).unwrap();
    assert_eq!(blind.band, [], "without seconds no flow is known");
    let one_flow = fitted(&buckets(450.0, 0.0, &[2.9, 3.0, 3.1]), &Known::default()).unwrap();
    assert_eq!(one_flow.band.iter().map(|band| band.at).collect::<Vec<_>>(), [3.0], "nothing is known of others");
}
