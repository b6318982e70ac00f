//! Linearisation of temperature sensors against published tables.

use monitor_core::acquire::adc::{AdcCounts, AdcScale, Divider, Pull, Resistance};
use monitor_core::acquire::temperature::TemperatureSpan;
use monitor_core::acquire::temperature::ntc::{NtcCalibration, NtcCurve, NtcTable, SteinhartHart};
use monitor_core::acquire::temperature::rtd::{self, RtdCalibration, ToleranceClass};
use monitor_core::acquire::temperature::thermocouple::{self, Emf, ThermocoupleCalibration};
use monitor_core::acquire::{Quality, Reading};
use monitor_core::units::Temperature;

fn ohms(ohms: f64) -> Resistance {
    Resistance::from_milliohms((ohms * 1e3).round() as u32)
}

fn celsius(temperature: Temperature) -> f64 {
    f64::from(temperature.as_millicelsius()) / 1e3
}

fn at(celsius: f64) -> Temperature {
    Temperature::from_millicelsius((celsius * 1e3).round() as i32)
}

/// A common 10 kΩ thermistor, °C and Ω: the same rows in three public manuals.
const NTC_MANUALS: [(f64, f64); 11] = [
    (0.0, 32_650.0),
    (10.0, 19_900.0),
    (20.0, 12_490.0),
    (25.0, 10_000.0),
    (30.0, 8_057.0),
    (55.0, 2_986.0),
    (60.0, 2_488.0),
    (65.0, 2_083.0),
    (90.0, 917.7),
    (95.0, 788.5),
    (100.0, 680.0),
];

/// Coefficients published for that thermistor.
fn published() -> SteinhartHart {
    SteinhartHart::new(1_129_240_000, 234_108_000, 87_755).unwrap()
}

fn worst(curve: &impl NtcCurve, rows: &[(f64, f64)], span: std::ops::RangeInclusive<f64>) -> f64 {
    rows.iter()
        .filter(|(t, _)| span.contains(t))
        .map(|(t, r)| (celsius(curve.temperature(ohms(*r)).unwrap()) - t).abs())
        .fold(0.0, f64::max)
}

#[test]
fn ntc_published_coefficients_on_the_published_table() {
    assert!(worst(&published(), &NTC_MANUALS, 0.0..=60.0) <= 0.011);
    assert!(worst(&published(), &NTC_MANUALS, 60.0..=100.0) <= 0.1);
    assert!(worst(&published(), &NTC_MANUALS, 60.0..=100.0) > 0.07, "the coefficients' own error is still seen");
}

#[test]
fn ntc_coefficients_fitted_to_three_rows() {
    // Fits to the rows at 0, 25, 60 and at 0, 60, 100 °C, computed by two routes.
    let cold = SteinhartHart::new(1_127_598_029, 234_360_402, 86_878).unwrap();
    assert!(worst(&cold, &NTC_MANUALS, 0.0..=65.0) <= 0.009);
    assert!(worst(&cold, &NTC_MANUALS, 0.0..=100.0) <= 0.048);
    let wide = SteinhartHart::new(1_123_619_375, 235_033_576, 84_190).unwrap();
    assert!(worst(&wide, &NTC_MANUALS, 0.0..=100.0) <= 0.017);
}

#[test]
fn ntc_beta_model_is_worse_and_by_how_much() {
    // Beta between 25 and 100 °C of the same table; its published error is +0.77 K at 0 °C.
    let beta = SteinhartHart::from_beta(Resistance::from_ohms(10_000), 398_773).unwrap();
    let error = worst(&beta, &NTC_MANUALS, 0.0..=100.0);
    assert!(error <= 0.8 && error > 0.7, "{error}");
}

#[test]
fn ntc_coefficients_of_another_sensor_are_seen_at_25_degrees() {
    // Widely copied from forums; it belongs to another curve.
    let another = SteinhartHart::new(1_009_249_522, 237_840_544, 201_920).unwrap();
    let read = celsius(another.temperature(Resistance::from_ohms(10_000)).unwrap());
    assert!((read - 24.68).abs() < 0.01, "{read}");
}

#[test]
fn ntc_table_gives_back_its_rows_and_guesses_those_left_out() {
    let row = |(t, r): (f64, f64)| (at(t), ohms(r));
    let table = NtcTable::new(NTC_MANUALS.map(row)).unwrap();
    assert!(worst(&table, &NTC_MANUALS, 0.0..=100.0) <= 0.001);
    let [first, _, third, .., last] = NTC_MANUALS;
    let sparse = NtcTable::new([first, third, NTC_MANUALS[5], NTC_MANUALS[7], NTC_MANUALS[8], last].map(row)).unwrap();
    let error = worst(&sparse, &NTC_MANUALS, 0.0..=100.0);
    // Rows up to 35 K apart.
    assert!(error <= 0.1, "{error}");
}

/// Beta model with 3950 K and 10 kΩ at 25 °C: °C, Ω, and 12-bit counts with a pull-up of 10 kΩ.
const NTC_BETA_3950: [(f64, f64, f64); 16] = [
    (-20.0, 105384.69, 3740.1),
    (-10.0, 58245.71, 3494.96),
    (0.0, 33620.6, 3156.22),
    (10.0, 20174.58, 2737.9),
    (20.0, 12535.33, 2277.85),
    (30.0, 8037.14, 1824.68),
    (40.0, 5301.47, 1418.79),
    (50.0, 3588.18, 1081.35),
    (60.0, 2486.16, 815.37),
    (70.0, 1759.84, 612.81),
    (80.0, 1270.32, 461.56),
    (90.0, 933.58, 349.66),
    (100.0, 697.52, 267.01),
    (110.0, 529.14, 205.79),
    (120.0, 407.09, 160.18),
    (130.0, 317.29, 125.93),
];

#[test]
fn ntc_beta_3950_rows_and_their_counts() {
    let curve = SteinhartHart::from_beta(Resistance::from_ohms(10_000), 395_000).unwrap();
    let scale = AdcScale::new(4_095, 20, 20).unwrap();
    let divider = Divider::new(scale, Pull::Up, Resistance::from_ohms(10_000)).unwrap();
    for (t, r, counts) in NTC_BETA_3950 {
        assert!((celsius(curve.temperature(ohms(r)).unwrap()) - t).abs() <= 0.002, "{t}");
        let measured = divider.resistance(AdcCounts::from_counts(counts.round() as u32)).unwrap();
        let back = 4_095.0 * f64::from(measured.as_milliohms()) / (f64::from(measured.as_milliohms()) + 1e7);
        assert!((back - counts).abs() <= 0.51, "{t}: {back} {counts}");
    }
}

#[test]
fn ntc_counts_to_temperature_and_back_within_one_count() {
    for full_scale in [1_023_u32, 4_095, 65_535] {
        let zone = full_scale / 200;
        let divider =
            Divider::new(AdcScale::new(full_scale, zone, zone).unwrap(), Pull::Up, Resistance::from_ohms(10_000))
                .unwrap();
        let calibration = NtcCalibration::new(divider, published(), TemperatureSpan::DEFAULT).unwrap();
        let mut good = 0;
        for counts in 0..=full_scale {
            let reading = calibration.reading(AdcCounts::from_counts(counts));
            if reading.quality != Quality::Good {
                continue;
            }
            good += 1;
            let back = f64::from(full_scale) * share(celsius(reading.value));
            assert!((back - f64::from(counts)).abs() <= 1.0, "{full_scale}: {counts} {back}");
        }
        assert!(good > full_scale * 9 / 10, "{good} of {full_scale}");
    }
}

/// Share of the reference at the pin for a temperature, by bisection of the published equation.
fn share(celsius: f64) -> f64 {
    let (mut low, mut high) = (1.0_f64, 1e7_f64);
    for _ in 0..100 {
        let middle = (low * high).sqrt();
        let l = middle.ln();
        let t = 1.0 / (1.12924e-3 + 2.34108e-4 * l + 8.7755e-8 * l.powi(3)) - 273.15;
        if t > celsius { low = middle } else { high = middle }
    }
    low / (low + 10_000.0)
}

/// IEC 60751, °C: Ω of a Pt100 as printed (two places), as computed (four), and the tolerance of classes AA, A, B, C in m°C.
const PT100: [(f64, f64, f64, [u32; 4]); 28] = [
    (-20.0, 92.16, 92.1599, [134, 190, 400, 800]),
    (-10.0, 96.09, 96.0859, [117, 170, 350, 700]),
    (0.0, 100.0, 100.0, [100, 150, 300, 600]),
    (10.0, 103.9, 103.9025, [117, 170, 350, 700]),
    (20.0, 107.79, 107.7935, [134, 190, 400, 800]),
    (30.0, 111.67, 111.6729, [151, 210, 450, 900]),
    (40.0, 115.54, 115.5408, [168, 230, 500, 1000]),
    (50.0, 119.4, 119.3971, [185, 250, 550, 1100]),
    (60.0, 123.24, 123.2419, [202, 270, 600, 1200]),
    (70.0, 127.08, 127.0751, [219, 290, 650, 1300]),
    (80.0, 130.9, 130.8968, [236, 310, 700, 1400]),
    (90.0, 134.71, 134.7069, [253, 330, 750, 1500]),
    (100.0, 138.51, 138.5055, [270, 350, 800, 1600]),
    (110.0, 142.29, 142.2925, [287, 370, 850, 1700]),
    (120.0, 146.07, 146.068, [304, 390, 900, 1800]),
    (130.0, 149.83, 149.8319, [321, 410, 950, 1900]),
    (140.0, 153.58, 153.5843, [338, 430, 1000, 2000]),
    (150.0, 157.33, 157.3251, [355, 450, 1050, 2100]),
    (160.0, 161.05, 161.0544, [372, 470, 1100, 2200]),
    (170.0, 164.77, 164.7721, [389, 490, 1150, 2300]),
    (180.0, 168.48, 168.4783, [406, 510, 1200, 2400]),
    (190.0, 172.17, 172.1729, [423, 530, 1250, 2500]),
    (200.0, 175.86, 175.856, [440, 550, 1300, 2600]),
    (210.0, 179.53, 179.5275, [457, 570, 1350, 2700]),
    (220.0, 183.19, 183.1875, [474, 590, 1400, 2800]),
    (230.0, 186.84, 186.8359, [491, 610, 1450, 2900]),
    (240.0, 190.47, 190.4728, [508, 630, 1500, 3000]),
    (250.0, 194.1, 194.0981, [525, 650, 1550, 3100]),
];

#[test]
fn rtd_every_row_forward_and_back() {
    for (t, printed, computed, _) in PT100 {
        for (name, at_zero, times) in [("Pt100", 100, 1.0), ("Pt1000", 1_000, 10.0)] {
            let at_zero = Resistance::from_ohms(at_zero);
            let ours = f64::from(rtd::resistance(at_zero, at(t)).unwrap().as_milliohms()) / 1e3 / times;
            assert!((ours - printed).abs() <= 0.0051, "{name} {t}: {ours} {printed}");
            assert!((ours - computed).abs() <= 0.0006, "{name} {t}: {ours} {computed}");
            let back = celsius(rtd::temperature(at_zero, ohms(computed * times)).unwrap());
            assert!((back - t).abs() <= 0.01, "{name} {t}: {back}");
            let from_print = celsius(rtd::temperature(at_zero, ohms(printed * times)).unwrap());
            assert!((from_print - t).abs() <= 0.1, "{name} {t}: {from_print}");
        }
    }
}

#[test]
fn rtd_tolerance_classes() {
    let classes = [ToleranceClass::Aa, ToleranceClass::A, ToleranceClass::B, ToleranceClass::C];
    for (t, _, _, permitted) in PT100 {
        for (class, expected) in classes.into_iter().zip(permitted) {
            assert_eq!(class.permitted_millicelsius(at(t)), expected, "{t} {class:?}");
        }
    }
    let class_b = ToleranceClass::B;
    assert!(class_b.accepts(at(100.0), at(100.8)), "at the edge of class B in boiling water");
    assert!(!class_b.accepts(at(100.0), at(100.801)), "outside class B");
    assert!(!class_b.accepts(at(0.0), at(-0.301)), "outside class B in melting ice");
}

#[test]
fn rtd_the_older_curve_is_not_ours() {
    // 138.50 Ω at 100 °C belongs to a curve that the standard replaced.
    let read = celsius(rtd::temperature(Resistance::from_ohms(100), ohms(138.50)).unwrap());
    assert!((read - 100.0).abs() > 0.01 && (read - 100.0).abs() < 0.1, "{read}");
}

#[test]
fn rtd_through_a_divider() {
    let scale = AdcScale::new(65_535, 300, 300).unwrap();
    let divider = Divider::new(scale, Pull::Up, Resistance::from_ohms(1_000)).unwrap();
    let pt1000 = Resistance::from_ohms(1_000);
    let calibration =
        RtdCalibration::new(divider, pt1000, Resistance::from_milliohms(0), TemperatureSpan::DEFAULT).unwrap();
    for (t, _, computed, _) in PT100 {
        let r = computed * 10.0;
        let counts = (65_535.0 * r / (r + 1_000.0)).round() as u32;
        let reading = calibration.reading(AdcCounts::from_counts(counts));
        if t <= 200.0 {
            assert_eq!(reading.quality, Quality::Good, "{t}");
            assert!((celsius(reading.value) - t).abs() <= 0.1, "{t}: {reading:?}");
        } else {
            assert_eq!(reading.quality, Quality::Open, "{t}: hotter than any head");
        }
    }
}

/// Type K by ITS-90 (NIST Standard Reference Database 60), °C and mV against 0 °C.
const TYPE_K: [(f64, f64); 43] = [
    (-20.0, -0.77754),
    (-10.0, -0.391854),
    (0.0, 0.0),
    (10.0, 0.396862),
    (20.0, 0.79812),
    (30.0, 1.203275),
    (40.0, 1.611792),
    (50.0, 2.023078),
    (60.0, 2.436472),
    (70.0, 2.851249),
    (80.0, 3.266642),
    (90.0, 3.681879),
    (100.0, 4.09623),
    (110.0, 4.50906),
    (120.0, 4.919882),
    (130.0, 5.328395),
    (140.0, 5.734508),
    (150.0, 6.138344),
    (160.0, 6.540216),
    (170.0, 6.940588),
    (180.0, 7.340023),
    (190.0, 7.739124),
    (200.0, 8.138473),
    (210.0, 8.53859),
    (220.0, 8.939893),
    (230.0, 9.342685),
    (240.0, 9.747152),
    (250.0, 10.153369),
    (260.0, 10.561326),
    (270.0, 10.970948),
    (280.0, 11.382118),
    (290.0, 11.794703),
    (300.0, 12.208566),
    (310.0, 12.623577),
    (320.0, 13.039627),
    (330.0, 13.45662),
    (340.0, 13.874481),
    (350.0, 14.293149),
    (360.0, 14.712576),
    (370.0, 15.132723),
    (380.0, 15.553553),
    (390.0, 15.975037),
    (400.0, 16.397142),
];

#[test]
fn thermocouple_every_row_forward_and_back() {
    for (t, millivolts) in TYPE_K {
        let ours = f64::from(thermocouple::emf(at(t)).unwrap().as_nanovolts()) / 1e6;
        assert!((ours - millivolts).abs() <= 0.000_002, "{t}: {ours} {millivolts}");
        let back = thermocouple::temperature(Emf::from_nanovolts((millivolts * 1e6).round() as i32)).unwrap();
        assert!((celsius(back) - t).abs() <= 0.002, "{t}: {back:?}");
        // From the table as printed, with three places.
        let printed = ((millivolts * 1e3).round() * 1e3) as i32;
        let back = thermocouple::temperature(Emf::from_nanovolts(printed)).unwrap();
        assert!((celsius(back) - t).abs() <= 0.05, "{t}: {back:?}");
    }
}

#[test]
fn thermocouple_between_the_rows_the_published_inverse_agrees() {
    // NIST inverse for 0 to 20.644 mV, published error −0.05 to +0.04 °C.
    const INVERSE: [f64; 10] = [
        0.0,
        25.08355,
        0.07860106,
        -0.2503131,
        0.0831527,
        -0.01228034,
        0.0009804036,
        -4.41303e-05,
        1.057734e-06,
        -1.052755e-08,
    ];
    for nanovolts in (0..20_644_000).step_by(7_919) {
        let millivolts = f64::from(nanovolts) / 1e6;
        let published = INVERSE.iter().rev().fold(0.0, |sum, d| sum * millivolts + d);
        let ours = celsius(thermocouple::temperature(Emf::from_nanovolts(nanovolts)).unwrap());
        let error = published - ours;
        assert!((-0.055..=0.045).contains(&error), "{millivolts} mV: {ours} {published}");
    }
}

#[test]
fn thermocouple_round_trip_with_a_cold_junction() {
    // Hot 120 °C, cold 25 °C: 3.919640 mV.
    let (hot, cold) = (thermocouple::emf(at(120.0)).unwrap(), thermocouple::emf(at(25.0)).unwrap());
    let between = hot.as_nanovolts() - cold.as_nanovolts();
    assert!((f64::from(between) / 1e6 - 3.919_640).abs() <= 0.000_1, "{between}");
    for (cold, hot) in [(25.0, 120.0), (-20.0, 400.0), (70.0, 20.0), (40.0, 40.0), (0.0, 99.9), (61.3, 187.7)] {
        let emf = |t| thermocouple::emf(at(t)).unwrap().as_nanovolts();
        let measured = Emf::from_nanovolts(emf(hot) - emf(cold));
        let back = celsius(thermocouple::compensated(measured, at(cold)).unwrap());
        assert!((back - hot).abs() <= 0.1, "{hot} at {cold}: {back}");
    }
}

#[test]
fn thermocouple_through_an_amplifier() {
    // 12 bits, 6.6 µV a count, zero at an eighth of the scale.
    let scale = AdcScale::new(4_095, 40, 40).unwrap();
    let zero = AdcCounts::from_counts(512);
    let calibration = ThermocoupleCalibration::new(scale, zero, 6_600_000, TemperatureSpan::DEFAULT).unwrap();
    let cold = Reading::good(at(25.0));
    for (t, millivolts) in TYPE_K.into_iter().filter(|(t, _)| (0.0..=190.0).contains(t)) {
        let counts = 512.0 + (millivolts - 1.000_2) * 1e6 / 6_600.0;
        let reading = calibration.reading(AdcCounts::from_counts(counts.round() as u32), cold);
        assert_eq!(reading.quality, Quality::Good, "{t}");
        // Half a count is 0.08 K.
        assert!((celsius(reading.value) - t).abs() <= 0.1, "{t}: {reading:?}");
    }
}
