use super::*;
use crate::acquire::Quality;

const TEN_KILOHM: Resistance = Resistance::from_ohms(10_000);

fn profile(flow_min_ml: Option<i32>) -> Profile {
    let mut profile = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
    profile.flow_min = flow_min_ml.map(Flow::from_millilitres_per_minute);
    profile
}

fn scale() -> AdcScale {
    AdcScale::new(4_095, 10, 10).unwrap()
}

/// The counts of a 12-bit converter for a sensor of `ohms` against `pull_up` ohms.
fn counts(ohms: f64, pull_up: f64) -> AdcCounts {
    AdcCounts::from_counts((4_095.0 * ohms / (ohms + pull_up)).round() as u32)
}

/// A thermistor of 10 kΩ, by a table as data sheets print them.
fn rows() -> [(Temperature, Resistance); 5] {
    [(0, 32_650), (25, 10_000), (50, 3_603), (75, 1_480), (100, 678)]
        .map(|(celsius, ohms)| (Temperature::from_millicelsius(celsius * 1_000), Resistance::from_ohms(ohms)))
}

fn flow(per_litre_milli: u32, offset_millihertz: i32) -> Calibration {
    Calibration { flow: Some(FlowPulses { per_litre_milli, offset_millihertz }), ..Calibration::default() }
}

#[test]
fn what_was_not_measured_makes_no_driver() {
    let nothing = Calibration::default();
    assert!(nothing.is_empty());
    assert_eq!(nothing.tachometer(&profile(None)), Ok(None));
    assert_eq!(nothing.flow_meter(&profile(None)), Ok(None));
    assert_eq!(nothing.supply_input(scale(), 3_300), Ok(None));
    assert_eq!(nothing.head_input(scale(), TEN_KILOHM), Ok(None));
    assert!(!flow(450_000, 0).is_empty());
}

#[test]
fn the_tachometer_sees_cranking_and_half_as_much_again_as_the_maximum() {
    let with = |pulses, revolutions| Calibration {
        rpm: Some(PulsesPerRevolution::new(pulses, revolutions).unwrap()),
        ..Calibration::default()
    };
    let six = with(6, 1).tachometer(&profile(None)).unwrap().unwrap();
    // 9,000 rpm with 6 pulses are 900 Hz; 150 rpm are 15 Hz, of which 2.5 periods are waited for.
    assert_eq!((six.shortest_period_us(), six.time_out_us()), (1_111, 166_668));
    let cases = [
        ("half a pulse", 1, 2, Ok(())),
        ("one pulse in 20 turns", 1, 20, Err(pulse::CalibrationError::PulsesTooSlow)),
        ("a thousand teeth", 1_000, 1, Err(pulse::CalibrationError::PulsesTooFast)),
    ];
    for (name, pulses, revolutions, expected) in cases {
        assert_eq!(with(pulses, revolutions).tachometer(&profile(None)).map(|_| ()), expected, "{name}");
    }
}

#[test]
fn a_negative_offset_takes_pulses_away_and_the_minimum_bounds_the_time_out() {
    let periods = |offset_millihertz, flow_min| {
        let meter = flow(450_000, offset_millihertz).flow_meter(&profile(flow_min)).unwrap().unwrap();
        (meter.shortest_period_us(), meter.time_out_us())
    };
    // 60 L/min are 450 Hz, 0.3 L/min 2.25 Hz and 1 L/min 7.5 Hz before the offset.
    assert_eq!(periods(0, None), (2_222, 1_111_110));
    assert_eq!(periods(-500, None), (2_225, 1_428_573));
    assert_eq!(periods(500, None), (2_220, 909_090));
    assert_eq!(periods(-500, Some(1_000)), (2_225, 357_143));
    assert_eq!(periods(0, Some(10_000)), (667, 33_333), "a large meter goes to 20 times its minimum");
}

#[test]
fn flow_meters_that_cannot_be_are_refused() {
    let cases = [
        ("no pulses", 0, 0, None, pulse::CalibrationError::PulsesPerLitre),
        ("offset larger than the least flow", 450_000, -2_250, None, pulse::CalibrationError::Offset),
        ("one pulse a litre", 1_000, 0, None, pulse::CalibrationError::PulsesTooSlow),
        ("a million pulses a litre", 1_000_000_000, 0, None, pulse::CalibrationError::PulsesTooFast),
        ("a meter without a minimum", 450_000, 0, Some(0), pulse::CalibrationError::FlowRange),
    ];
    for (name, per_litre_milli, offset, flow_min, expected) in cases {
        assert_eq!(flow(per_litre_milli, offset).flow_meter(&profile(flow_min)), Err(expected), "{name}");
    }
}

#[test]
fn every_resistive_kind_reads_its_known_temperature() {
    let published = SteinhartHart::new(1_129_241_000, 234_107_700, 87_755).unwrap();
    let beta = HeadSensor::Beta { at_25_celsius: TEN_KILOHM, beta_centikelvin: 395_000 };
    let table = HeadSensor::Table(ThermistorRows::new(&rows()).unwrap());
    let cases = [
        ("coefficients", HeadSensor::SteinhartHart(published), None, counts(10_000.0, 10_000.0), 25_000, 30),
        (
            "coefficients, resistor of the profile",
            HeadSensor::SteinhartHart(published),
            Some(2_000),
            counts(10_000.0, 2_000.0),
            25_000,
            60,
        ),
        ("beta", beta, None, counts(10_000.0, 10_000.0), 25_000, 30),
        ("table at a row", table, None, counts(678.0, 10_000.0), 100_000, 200),
        ("table between rows", table, None, counts(2_186.0, 10_000.0), 63_580, 100),
        ("Pt100", HeadSensor::Pt100, Some(330), counts(138.51, 330.0), 100_000, 700),
        ("Pt1000", HeadSensor::Pt1000, Some(1_000), counts(1_385.1, 1_000.0), 100_000, 300),
    ];
    for (name, sensor, pull_up_ohms, counts, expected, within) in cases {
        let head = HeadCalibration { sensor, pull_up: pull_up_ohms.map(Resistance::from_ohms) };
        let calibration = Calibration { head: Some(head), ..Calibration::default() };
        let reading = calibration.head_input(scale(), TEN_KILOHM).unwrap().unwrap().reading(counts);
        assert_eq!(reading.quality, Quality::Good, "{name}");
        assert!(reading.value.as_millicelsius().abs_diff(expected) <= within, "{name}: {reading:?}");
    }
}

#[test]
fn heads_that_cannot_be_read_are_refused_and_others_need_no_resistor() {
    let head = |sensor, ohms| HeadCalibration { sensor, pull_up: Some(Resistance::from_ohms(ohms)) };
    let beta = |beta_centikelvin| HeadSensor::Beta { at_25_celsius: TEN_KILOHM, beta_centikelvin };
    let cases = [
        ("no resistor", head(beta(395_000), 0), CalibrationError::Resistor),
        ("resistor of a thousandth", head(beta(395_000), 10), CalibrationError::DeadZoneCoversRange),
        ("resistor of a hundredfold", head(beta(395_000), 1_000_000), CalibrationError::DeadZoneCoversRange),
        ("beta of no thermistor", head(beta(3_950), 10_000), CalibrationError::ThermistorCurve),
    ];
    for (name, head, expected) in cases {
        assert_eq!(head.resistive(scale(), TEN_KILOHM), Err(expected), "{name}");
    }
    for sensor in [HeadSensor::ThermocoupleK, HeadSensor::OneWire] {
        let head = HeadCalibration { sensor, pull_up: None };
        assert_eq!(head.resistive(scale(), TEN_KILOHM), Ok(None), "{sensor:?}");
    }
}

#[test]
fn tables_keep_their_rows_up_to_the_room_there_is() {
    assert_eq!(ThermistorRows::new(&rows()).unwrap().rows(), rows());
    let long: [_; 33] = core::array::from_fn(|step| {
        let step = i32::try_from(step).unwrap();
        let ohms = 100_000 - 1_000 * step.unsigned_abs();
        (Temperature::from_millicelsius(step * 4_000), Resistance::from_ohms(ohms))
    });
    assert_eq!(ThermistorRows::new(&long[..32]).map(|kept| kept.rows().len()), Ok(32));
    assert_eq!(ThermistorRows::new(&long), Err(CalibrationError::ThermistorRows));
    assert_eq!(ThermistorRows::new(&rows()[..1]), Err(CalibrationError::ThermistorTable), "one row");
    let mut shuffled = rows();
    shuffled.swap(1, 2);
    assert_eq!(ThermistorRows::new(&shuffled), Err(CalibrationError::ThermistorTable), "not in order");
}

#[test]
fn the_supply_needs_the_converter_of_the_board() {
    let calibration =
        Calibration { supply: Some(DividerRatio::from_millionths(5_700_000).unwrap()), ..Calibration::default() };
    let supply = calibration.supply_input(scale(), 3_300).unwrap().unwrap();
    let reading = supply.reading(AdcCounts::from_counts(2_722));
    assert_eq!((reading.quality, reading.value.as_millivolts()), (Quality::Good, 12_503));
    assert_eq!(calibration.supply_input(scale(), 1_100), Err(CalibrationError::SupplyRange), "6.3 V at most");
    for refused in [999_999, 100_000_001] {
        assert_eq!(DividerRatio::from_millionths(refused), Err(CalibrationError::DividerRatio), "{refused}");
    }
}

/// What comes over a wire is checked like what comes from a file.
#[cfg(feature = "serde")]
#[test]
fn numbers_from_outside_are_checked() {
    use serde::Deserialize;
    use serde::de::value::{Error, SeqDeserializer, U32Deserializer};

    let pulses = |numbers: [u32; 2]| {
        PulsesPerRevolution::deserialize(SeqDeserializer::<_, Error>::new(numbers.into_iter())).ok()
    };
    assert_eq!(pulses([6, 1]), PulsesPerRevolution::new(6, 1).ok());
    assert_eq!(pulses([6, 0]), None);
    let curve =
        |numbers: [i64; 3]| SteinhartHart::deserialize(SeqDeserializer::<_, Error>::new(numbers.into_iter())).is_ok();
    assert!(curve([1_129_241_000, 234_107_700, 87_755]) && !curve([0, 0, 0]));
    let ratio = |millionths: u32| DividerRatio::deserialize(U32Deserializer::<Error>::new(millionths)).is_ok();
    assert!(ratio(5_700_000) && !ratio(5));
}
