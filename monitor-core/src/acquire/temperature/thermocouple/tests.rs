use super::*;

/// The ITS-90 reference function of type K in mV (NIST Standard Reference Database 60).
fn its90_millivolts(t: f64) -> f64 {
    const BELOW: [f64; 11] = [
        0.0,
        0.039450128025,
        2.3622373598e-05,
        -3.2858906784e-07,
        -4.9904828777e-09,
        -6.7509059173e-11,
        -5.7410327428e-13,
        -3.1088872894e-15,
        -1.0451609365e-17,
        -1.9889266878e-20,
        -1.6322697486e-23,
    ];
    const ABOVE: [f64; 10] = [
        -0.017600413686,
        0.038921204975,
        1.8558770032e-05,
        -9.9457592874e-08,
        3.1840945719e-10,
        -5.6072844889e-13,
        5.6075059059e-16,
        -3.2020720003e-19,
        9.7151147152e-23,
        -1.2104721275e-26,
    ];
    let sum = |row: &[f64]| row.iter().rev().fold(0.0, |sum, coefficient| sum * t + coefficient);
    if t < 0.0 { sum(&BELOW) } else { sum(&ABOVE) + 0.1185976 * (-1.183432e-4 * (t - 126.9686).powi(2)).exp() }
}

#[test]
fn the_table_is_the_published_function() {
    for (index, row) in (0..).zip(EMF_NANOVOLTS) {
        let t = f64::from(FIRST_MILLICELSIUS + index * STEP_MILLICELSIUS) / 1e3;
        assert_eq!(f64::from(row), (its90_millivolts(t) * 1e6).round(), "{t}");
    }
}

#[test]
fn between_the_rows_both_ways() {
    let (mut worst_nanovolts, mut worst_kelvin) = (0.0_f64, 0.0_f64);
    for t in (-50_000..=600_000).step_by(97) {
        let celsius = f64::from(t) / 1e3;
        let exact = its90_millivolts(celsius) * 1e6;
        let ours = emf(Temperature::from_millicelsius(t)).unwrap();
        worst_nanovolts = worst_nanovolts.max((f64::from(ours.as_nanovolts()) - exact).abs());
        let back = temperature(Emf::from_nanovolts(exact.round() as i32)).unwrap();
        worst_kelvin = worst_kelvin.max((f64::from(back.as_millicelsius()) / 1e3 - celsius).abs());
    }
    assert!(worst_nanovolts < 100.0, "{worst_nanovolts} nV");
    assert!(worst_kelvin < 0.005, "{worst_kelvin} K");
}

#[test]
fn the_ends_of_the_table() {
    let cases = [
        ("first row", -50_000, Some(-1_889_383)),
        ("last row", 600_000, Some(24_905_467)),
        ("colder", -50_001, None),
        ("hotter", 600_001, None),
        ("no number", i32::MAX, None),
        ("no number either", i32::MIN, None),
    ];
    for (name, t, expected) in cases {
        assert_eq!(emf(Temperature::from_millicelsius(t)).map(Emf::as_nanovolts), expected, "{name}");
    }
    let back = [(-1_889_384, None), (-1_889_383, Some(-50_000)), (24_905_467, Some(600_000)), (24_905_468, None)];
    for (nanovolts, expected) in back {
        let ours = temperature(Emf::from_nanovolts(nanovolts)).map(Temperature::as_millicelsius);
        assert_eq!(ours, expected, "{nanovolts}");
    }
}

fn calibration() -> ThermocoupleCalibration {
    // 16 bits over 3.3 V behind a gain of 120: 0.42 µV a count, zero at a fifth of the scale.
    let scale = AdcScale::new(65_535, 500, 500).unwrap();
    ThermocoupleCalibration::new(scale, AdcCounts::from_counts(13_107), 419_623, TemperatureSpan::DEFAULT).unwrap()
}

fn counts(millivolts: f64) -> AdcCounts {
    AdcCounts::from_counts((13_107.0 + millivolts * 1e9 / 419_623.0).round() as u32)
}

#[test]
fn readings_and_faults() {
    let cold = Reading::good(Temperature::from_millicelsius(25_000));
    let cases = [
        ("hot head", counts(3.919_640), cold, Quality::Good),
        ("same as the junction", counts(0.0), cold, Quality::Good),
        ("ice at a warm board", counts(-1.0), cold, Quality::Good),
        ("open: bias current drives it up", AdcCounts::from_counts(65_400), cold, Quality::Open),
        ("low rail", AdcCounts::from_counts(3), cold, Quality::Short),
        ("hotter than a head can be", counts(12.0), cold, Quality::Open),
        ("swapped leads on a hot head", counts(-4.0), cold, Quality::Short),
        ("cold junction lost", counts(3.0), Reading::missing(), Quality::Missing),
        ("cold junction open", counts(3.0), fault(Quality::Open), Quality::Open),
    ];
    for (name, counts, cold, expected) in cases {
        assert_eq!(calibration().reading(counts, cold).quality, expected, "{name}");
    }
    let hot = calibration().reading(counts(3.919_640), cold).value.as_millicelsius();
    assert!(hot.abs_diff(120_000) < 20, "{hot}");
}

#[test]
fn nonsense_is_refused() {
    let scale = AdcScale::new(65_535, 500, 500).unwrap();
    let with = |zero, step| {
        ThermocoupleCalibration::new(scale, AdcCounts::from_counts(zero), step, TemperatureSpan::DEFAULT).map(|_| ())
    };
    assert_eq!(with(13_107, 0), Err(CalibrationError::AmplifierStep));
    assert_eq!(with(13_107, 40_000_001), Err(CalibrationError::AmplifierStep));
    assert_eq!(with(400, 419_623), Err(CalibrationError::AmplifierZero));
    assert_eq!(with(13_107, 419_623), Ok(()));
}

/// Answers in turn; never again after the last.
struct Script<T, const N: usize>([nb::Result<T, u8>; N], usize);

impl<T: Clone, const N: usize> Script<T, N> {
    fn next(&mut self) -> nb::Result<T, u8> {
        let answer = self.0[self.1].clone();
        self.1 += 1;
        answer
    }
}

impl<const N: usize> AdcInput for Script<AdcCounts, N> {
    type Error = u8;

    fn read_counts(&mut self) -> nb::Result<AdcCounts, u8> {
        self.next()
    }
}

impl<const N: usize> SlowSensor for Script<Reading<Temperature>, N> {
    type Sample = Reading<Temperature>;
    type Error = u8;

    fn read(&mut self) -> nb::Result<Reading<Temperature>, u8> {
        self.next()
    }
}

#[test]
fn waits_for_both_junctions_and_asks_each_once() {
    let cold = Reading::good(Temperature::from_millicelsius(25_000));
    let input = Script([Err(nb::Error::WouldBlock), Ok(counts(0.0)), Ok(counts(1.0)), Err(nb::Error::Other(7))], 0);
    let junction = Script([Err(nb::Error::WouldBlock), Ok(cold), Err(nb::Error::Other(9))], 0);
    let mut sensor = Thermocouple::new(input, junction, calibration());
    assert_eq!(sensor.read(), Err(nb::Error::WouldBlock), "converter busy");
    assert_eq!(sensor.read(), Err(nb::Error::WouldBlock), "cold junction busy");
    assert_eq!(sensor.read().map(|reading| reading.quality), Ok(Quality::Good));
    assert_eq!(sensor.read(), Err(nb::Error::Other(ThermocoupleError::ColdJunction(9))));
    assert_eq!(sensor.read(), Err(nb::Error::Other(ThermocoupleError::Input(7))));
}
