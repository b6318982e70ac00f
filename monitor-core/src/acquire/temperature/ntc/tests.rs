use super::*;
use crate::acquire::adc::{AdcCounts, AdcScale, Pull};
use proptest::prelude::*;

/// Published coefficients of a common 10 kΩ sensor.
fn published() -> SteinhartHart {
    SteinhartHart::new(1_129_240_000, 234_108_000, 87_755).unwrap()
}

fn exact(ohms: f64) -> f64 {
    let l = ohms.ln();
    1.0 / (1.12924e-3 + 2.34108e-4 * l + 8.7755e-8 * l.powi(3)) - 273.15
}

fn celsius(curve: &impl NtcCurve, ohms: f64) -> f64 {
    let resistance = Resistance::from_milliohms((ohms * 1e3).round() as u32);
    f64::from(curve.temperature(resistance).unwrap().as_millicelsius()) / 1e3
}

#[test]
fn arithmetic_follows_the_equation_to_two_millikelvin() {
    let mut worst = 0.0_f64;
    let mut ohms = 200.0;
    while ohms < 340_000.0 {
        worst = worst.max((celsius(&published(), ohms) - exact(ohms)).abs());
        ohms *= 1.000_7;
    }
    assert!(worst < 0.002, "{worst}");
}

#[test]
fn extremes_are_a_side_and_not_a_number() {
    let cases = [
        ("nothing", 0, Err(BeyondCurve::Hotter)),
        ("a drop of solder", 1, Err(BeyondCurve::Hotter)),
        ("megohms", u32::MAX, Ok(())),
    ];
    for (name, milliohms, expected) in cases {
        let answer = published().temperature(Resistance::from_milliohms(milliohms));
        assert_eq!(answer.map(|_| ()), expected, "{name}: {answer:?}");
    }
}

#[test]
fn coefficients_with_a_wrong_power_of_ten_are_refused() {
    let cases = [
        ("published", 1_129_240_000, 234_108_000, 87_755, true),
        ("another common curve", 1_009_249_522, 237_840_544, 201_920, true),
        ("a ten times", 11_292_400_000, 234_108_000, 87_755, false),
        ("a a tenth", 112_924_000, 234_108_000, 87_755, true),
        ("b a tenth", 1_129_240_000, 23_410_800, 87_755, false),
        ("b ten times", 1_129_240_000, 2_341_080_000, 87_755, false),
        ("c a thousand times", 1_129_240_000, 234_108_000, 87_755_000, false),
        ("b negative", 1_129_240_000, -234_108_000, 87_755, false),
        ("c bends it back", 1_129_240_000, 234_108_000, -500_000, false),
        ("zeros", 0, 0, 0, false),
        ("extremes", i64::MAX, i64::MAX, i64::MAX, false),
        ("other extremes", i64::MIN, i64::MIN, i64::MIN, false),
    ];
    for (name, a, b, c, accepted) in cases {
        let curve = SteinhartHart::new(a, b, c);
        assert_eq!(curve.is_ok(), accepted, "{name}");
    }
}

#[test]
fn beta_outside_any_thermistor_is_refused() {
    let r25 = Resistance::from_ohms(10_000);
    for beta in [0, 3_950, 99_999, 1_000_001, u32::MAX] {
        assert_eq!(SteinhartHart::from_beta(r25, beta), Err(CalibrationError::ThermistorCurve), "{beta}");
    }
    assert!(SteinhartHart::from_beta(Resistance::default(), 395_000).is_err(), "no resistance");
}

/// The published curve at whole tens of degrees from 0 to 100 °C, from its coefficients.
fn table() -> NtcTable<11> {
    let ohms = |t: f64| {
        let (mut low, mut high) = (1.0_f64, 1e6_f64);
        for _ in 0..200 {
            let middle = (low * high).sqrt();
            if exact(middle) > t { low = middle } else { high = middle }
        }
        low
    };
    let mut rows = [(Temperature::default(), Resistance::default()); 11];
    for (index, row) in (0..).zip(&mut rows) {
        let resistance = Resistance::from_milliohms((ohms(f64::from(index) * 10.0) * 1e3).round() as u32);
        *row = (Temperature::from_millicelsius(index * 10_000), resistance);
    }
    NtcTable::new(rows).unwrap()
}

#[test]
fn table_follows_its_curve_inside_and_a_little_beyond() {
    let (mut inside, mut beyond) = (0.0_f64, 0.0_f64);
    let mut ohms = 300.0;
    while ohms < 150_000.0 {
        let t = exact(ohms);
        if (-28.0..128.0).contains(&t) {
            let error = (celsius(&table(), ohms) - t).abs();
            if (0.0..=100.0).contains(&t) { inside = inside.max(error) } else { beyond = beyond.max(error) }
        }
        ohms *= 1.003;
    }
    assert!(inside < 0.02, "{inside}");
    assert!(beyond < 1.0, "{beyond}");
}

#[test]
fn far_beyond_the_table_there_is_a_side_and_no_number() {
    let cases = [
        ("short", 1, Err(BeyondCurve::Hotter)),
        ("hotter than 130", 270_000, Err(BeyondCurve::Hotter)),
        ("105 degrees is a temperature", 590_000, Ok(())),
        ("-20 degrees is a temperature", 97_000_000, Ok(())),
        ("colder than -30", 190_000_000, Err(BeyondCurve::Colder)),
        ("open", u32::MAX, Err(BeyondCurve::Colder)),
    ];
    for (name, milliohms, expected) in cases {
        let answer = table().temperature(Resistance::from_milliohms(milliohms));
        assert_eq!(answer.map(|_| ()), expected, "{name}: {answer:?}");
    }
    assert!(table().covers(Temperature::from_millicelsius(100_000)));
    assert!(!table().covers(Temperature::from_millicelsius(100_001)));
}

#[test]
fn tables_out_of_order_are_refused() {
    let row = |celsius: i32, ohms: u32| (Temperature::from_millicelsius(celsius * 1_000), Resistance::from_ohms(ohms));
    let cases = [
        ("temperature falls", [row(25, 10_000), row(0, 3_000)]),
        ("resistance rises", [row(0, 10_000), row(25, 30_000)]),
        ("rows too far apart", [row(0, 30_000), row(61, 2_400)]),
        ("twice the same", [row(25, 10_000), row(25, 9_000)]),
        ("no resistance", [row(25, 10_000), row(40, 0)]),
        ("colder than any", [row(-61, 900_000), row(-20, 100_000)]),
    ];
    for (name, rows) in cases {
        assert_eq!(NtcTable::new(rows), Err(CalibrationError::ThermistorTable), "{name}");
    }
    assert!(NtcTable::new([row(25, 10_000)]).is_err(), "one row");
    assert!(NtcTable::<0>::new([]).is_err(), "no row");
}

fn divider(dead_low: u32, dead_high: u32, ohms: u32) -> Divider {
    Divider::new(AdcScale::new(4_095, dead_low, dead_high).unwrap(), Pull::Up, Resistance::from_ohms(ohms)).unwrap()
}

#[test]
fn dead_zones_may_not_cover_a_cold_start_or_an_overheat() {
    let cases = [
        ("usual", divider(30, 30, 10_000), Ok(())),
        ("low zone up to 110 degrees", divider(205, 30, 10_000), Err(CalibrationError::DeadZoneCoversRange)),
        ("high zone down to 0 degrees", divider(30, 940, 10_000), Err(CalibrationError::DeadZoneCoversRange)),
        ("pull-up for another sensor", divider(30, 30, 100), Err(CalibrationError::DeadZoneCoversRange)),
    ];
    for (name, divider, expected) in cases {
        let calibration = NtcCalibration::new(divider, published(), TemperatureSpan::DEFAULT);
        assert_eq!(calibration.map(|_| ()), expected, "{name}");
    }
}

#[test]
fn counts_near_the_hot_rail_are_never_a_normal_temperature() {
    let calibration = NtcCalibration::new(divider(30, 30, 10_000), published(), TemperatureSpan::DEFAULT).unwrap();
    for counts in 0..=4_095 {
        let reading = calibration.reading(AdcCounts::from_counts(counts));
        let expected = match counts {
            // 30 counts are the zone; from 31 to 34 the value is over 200 °C.
            0..=30 => Quality::Short,
            4_065.. => Quality::Open,
            _ if reading.quality == Quality::Good => Quality::Good,
            31..100 => Quality::Short,
            _ => Quality::Open,
        };
        assert_eq!(reading.quality, expected, "{counts}: {reading:?}");
        if counts < 250 && reading.quality == Quality::Good {
            assert!(reading.value.as_millicelsius() > 100_000, "{counts}");
        }
    }
}

proptest! {
    #[test]
    fn more_resistance_is_never_hotter(milliohms in 100_000_u32..400_000_000, more in 1_u32..1_000_000) {
        let low = Resistance::from_milliohms(milliohms);
        let high = Resistance::from_milliohms(milliohms + more);
        prop_assert!(published().temperature(low).unwrap() >= published().temperature(high).unwrap());
        if let (Ok(hot), Ok(cold)) = (table().temperature(low), table().temperature(high)) {
            prop_assert!(hot >= cold);
        }
    }

    #[test]
    fn no_resistance_panics(milliohms in any::<u32>()) {
        let resistance = Resistance::from_milliohms(milliohms);
        let _ = published().temperature(resistance);
        let _ = table().temperature(resistance);
    }
}

#[test]
fn a_table_with_room_to_spare_is_the_same_table() {
    let row = |celsius: i32, ohms: u32| (Temperature::from_millicelsius(celsius * 1_000), Resistance::from_ohms(ohms));
    let rows = [row(0, 32_650), row(25, 10_000), row(50, 3_603), row(100, 678)];
    let (tight, roomy) = (NtcTable::<4>::from_slice(&rows).unwrap(), NtcTable::<9>::from_slice(&rows).unwrap());
    for ohms in [1, 300, 678, 2_000, 3_603, 9_999, 32_650, 60_000, 400_000] {
        let resistance = Resistance::from_ohms(ohms);
        assert_eq!(roomy.temperature(resistance), tight.temperature(resistance), "{ohms}");
    }
    assert_eq!(NtcTable::<3>::from_slice(&rows), Err(CalibrationError::ThermistorRows));
    assert_eq!(NtcTable::<9>::from_slice(&rows[..1]), Err(CalibrationError::ThermistorTable));
}
