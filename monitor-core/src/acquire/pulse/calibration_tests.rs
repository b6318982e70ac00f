//! Calibrations: times that follow from them, and what is refused.

use super::*;

const fn rpm(whole: i32) -> Rpm {
    Rpm::from_whole_rpm(whole)
}

const fn flow(ml_per_min: i32) -> Flow {
    Flow::from_millilitres_per_minute(ml_per_min)
}

#[test]
fn ratios_are_kept_in_lowest_terms() {
    let cases = [("half", 500, (1, 2)), ("one", 1_000, (1, 1)), ("six", 6_000, (6, 1)), ("2.25", 2_250, (9, 4))];
    for (name, thousandths, expected) in cases {
        let ratio = PulsesPerRevolution::from_thousandths(thousandths).expect(name);
        assert_eq!((ratio.pulses(), ratio.revolutions()), expected, "{name}");
    }
    for (name, pulses, revolutions) in [("none", 0, 1), ("never", 1, 0), ("too many", 2_001, 2), ("too few", 1, 101)] {
        let refused = PulsesPerRevolution::new(pulses, revolutions);
        assert_eq!(refused, Err(CalibrationError::PulsesPerRevolution), "{name}");
    }
}

#[test]
fn tachometer_times() {
    // (pulses in thousandths, slowest, fastest, time-out, shortest period)
    let cases = [
        ("12-pole alternator", 6_000, 50, 9_000, 500_000, 1_111),
        ("one a turn", 1_000, 100, 9_000, 1_500_000, 6_667),
        ("half a turn", 500, 100, 8_000, 3_000_000, 15_000),
        ("60 teeth", 60_000, 50, 8_000, 50_000, 125),
    ];
    for (name, pulses, slowest, fastest, time_out, shortest) in cases {
        let pulses = PulsesPerRevolution::from_thousandths(pulses).expect(name);
        let calibration = TachometerCalibration::new(pulses, rpm(slowest), rpm(fastest)).expect(name);
        assert_eq!((calibration.time_out_us(), calibration.shortest_period_us()), (time_out, shortest), "{name}");
    }
}

#[test]
fn tachometers_that_are_refused() {
    let pulses = |thousandths| PulsesPerRevolution::from_thousandths(thousandths).expect("sound");
    let cases = [
        ("slowest 0", pulses(6_000), 0, 9_000, CalibrationError::SpeedRange),
        ("slowest above fastest", pulses(6_000), 900, 900, CalibrationError::SpeedRange),
        ("no engine", pulses(6_000), 50, 30_001, CalibrationError::SpeedRange),
        ("one pulse in ten turns at 20 rpm", pulses(100), 20, 9_000, CalibrationError::PulsesTooSlow),
        ("1,000 pulses at 30,000 rpm", pulses(1_000_000), 50, 30_000, CalibrationError::PulsesTooFast),
    ];
    for (name, pulses, slowest, fastest, expected) in cases {
        assert_eq!(TachometerCalibration::new(pulses, rpm(slowest), rpm(fastest)), Err(expected), "{name}");
    }
}

#[test]
fn edge_times_must_leave_room_for_the_fastest_pulses() {
    let pulses = PulsesPerRevolution::from_thousandths(6_000).expect("sound");
    let calibration = TachometerCalibration::new(pulses, rpm(50), rpm(9_000)).expect("sound");
    let times = |low, high| EdgeTimes::new(low, high).expect("under a second");
    assert!(calibration.with_edge_times(times(555, 556)).is_ok());
    assert_eq!(calibration.with_edge_times(times(556, 556)), Err(CalibrationError::EdgeTimes));
    assert_eq!(EdgeTimes::new(0, 1_000_001), Err(CalibrationError::EdgeTimes));
    let meter = FlowCalibration::new(450_000, 0, flow(300), flow(30_000)).expect("sound");
    assert_eq!(meter.with_edge_times(times(5_000, 5_000)), Err(CalibrationError::EdgeTimes));
}

#[test]
fn flow_meter_times_follow_from_the_calibration() {
    // (pulses per litre in thousandths, offset, slowest, fastest, time-out, shortest period)
    let cases = [
        ("450 a litre", 450_000, 0, 300, 30_000, 1_111_110, 4_444),
        ("3,900 a litre", 3_900_000, 0, 150, 2_500, 256_410, 6_154),
        ("16.3 a litre, 0.5 L/min wanted", 16_300, 0, 500, 60_000, 18_404_908, 61_350),
        ("friction", 450_000, -1_000, 300, 30_000, 2_000_000, 4_464),
    ];
    for (name, pulses, offset, slowest, fastest, time_out, shortest) in cases {
        let calibration = FlowCalibration::new(pulses, offset, flow(slowest), flow(fastest)).expect(name);
        // Frequencies are kept to a millionth of a hertz: three digits less are left at a tenth of a hertz.
        assert!(calibration.time_out_us().abs_diff(time_out) <= 100, "{name}: {}", calibration.time_out_us());
        assert_eq!(calibration.shortest_period_us(), shortest, "{name}");
    }
}

#[test]
fn flow_meters_that_are_refused() {
    let cases = [
        ("no pulses", 0, 0, 300, 30_000, CalibrationError::PulsesPerLitre),
        ("no least flow", 450_000, 0, 0, 30_000, CalibrationError::FlowRange),
        ("upside down", 450_000, 0, 300, 300, CalibrationError::FlowRange),
        ("stands still at its least flow", 450_000, -2_250, 300, 30_000, CalibrationError::Offset),
        ("pulses per cubic metre", 1_000_000_000, 0, 300, 30_000, CalibrationError::PulsesTooFast),
        ("one pulse a litre at 0.3 L/min", 1_000, 0, 300, 30_000, CalibrationError::PulsesTooSlow),
    ];
    for (name, pulses, offset, slowest, fastest, expected) in cases {
        let refused = FlowCalibration::new(pulses, offset, flow(slowest), flow(fastest));
        assert_eq!(refused, Err(expected), "{name}");
    }
}

#[test]
fn flow_from_frequency() {
    // (pulses per litre in thousandths, offset in mHz, frequency in µHz, mL/min)
    let cases = [
        ("7.5 Hz is one litre a minute", 450_000, 0, 7_500_000, 1_000),
        ("not 7.5 pulses a litre", 7_500, 0, 7_500_000, 30_000),
        ("friction", 450_000, -1_000, 6_500_000, 1_000),
        ("creep", 450_000, 1_000, 8_500_000, 1_000),
        ("under the offset", 450_000, 1_000, 900_000, 0),
        ("never above the greatest", 450_000, 0, 900_000_000, 30_000),
    ];
    for (name, pulses, offset, microhertz, expected) in cases {
        let calibration = FlowCalibration::new(pulses, offset, flow(2_000), flow(30_000)).expect(name);
        assert_eq!(calibration.ml_per_min(microhertz), expected, "{name}");
    }
}
