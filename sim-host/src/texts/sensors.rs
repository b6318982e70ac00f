//! Calibrations in words and in the numbers of the profile.

use monitor_core::acquire::Channel;
use monitor_core::acquire::adc::Resistance;
use monitor_core::acquire::pulse::PulsesPerRevolution;
use monitor_core::calibration::{Calibration, FlowPulses, HeadCalibration, HeadSensor, ThermistorRows};

/// The calibration of each channel that has one.
#[must_use]
pub fn calibrations(calibration: &Calibration) -> Vec<(Channel, String)> {
    let supply = calibration.supply.map(|ratio| {
        let ratio = decimal(i64::from(ratio.as_millionths()), 6);
        (Channel::Supply, format!("voltage divider, ratio {ratio}"))
    });
    let channels = [
        calibration.rpm.map(|pulses| (Channel::Rpm, tachometer(pulses))),
        calibration.head.map(|head| (Channel::Head, head_sensor(&head))),
        calibration.flow.map(|pulses| (Channel::Flow, flow_meter(pulses))),
        supply,
    ];
    channels.into_iter().flatten().collect()
}

fn tachometer(ratio: PulsesPerRevolution) -> String {
    let (pulses, revolutions) = (i64::from(ratio.pulses()), i64::from(ratio.revolutions()));
    // What a profile can hold are whole millionths; anything else is shown to the nearest.
    let millionths = (pulses * 1_000_000 + revolutions / 2) / revolutions.max(1);
    let plural = if millionths == 1_000_000 { "" } else { "s" };
    format!("{} pulse{plural} per revolution", decimal(millionths, 6))
}

fn flow_meter(FlowPulses { per_litre_milli, offset_millihertz }: FlowPulses) -> String {
    let pulses = decimal(i64::from(per_litre_milli), 3);
    match offset_millihertz {
        0 => format!("{pulses} pulses per litre"),
        offset => format!("{pulses} pulses per litre, offset {} Hz", decimal(i64::from(offset), 3)),
    }
}

fn head_sensor(head: &HeadCalibration) -> String {
    let sensor = match &head.sensor {
        HeadSensor::SteinhartHart(curve) => {
            let (a, b, c) = curve.coefficients();
            format!("thermistor by Steinhart-Hart, a {}, b {}, c {}", picos(a), picos(b), picos(c))
        }
        HeadSensor::Beta { at_25_celsius, beta_centikelvin } => {
            let beta = decimal(i64::from(*beta_centikelvin), 2);
            format!("thermistor of {} at 25 °C, beta {beta} K", ohms(*at_25_celsius))
        }
        HeadSensor::Table(table) => thermistor_table(table),
        HeadSensor::Pt100 => "platinum resistor Pt100".to_owned(),
        HeadSensor::Pt1000 => "platinum resistor Pt1000".to_owned(),
        HeadSensor::ThermocoupleK => "thermocouple type K".to_owned(),
        HeadSensor::OneWire => "digital one-wire sensor".to_owned(),
    };
    match head.pull_up {
        Some(pull_up) => format!("{sensor}, pull-up {}", ohms(pull_up)),
        None => sensor,
    }
}

fn thermistor_table(table: &ThermistorRows) -> String {
    let rows = table.rows();
    let celsius = |row: Option<&(_, _)>| {
        let millicelsius =
            row.map_or(0, |(at, _): &(monitor_core::units::Temperature, Resistance)| at.as_millicelsius());
        decimal(i64::from(millicelsius), 3)
    };
    format!(
        "thermistor by a table of {} rows from {} to {} °C",
        rows.len(),
        celsius(rows.first()),
        celsius(rows.last())
    )
}

fn ohms(resistance: Resistance) -> String {
    format!("{} ohm", decimal(i64::from(resistance.as_milliohms()), 3))
}

/// A number of steps of which ten to the power of `places` make one, without zeros at its end.
fn decimal(steps: i64, places: u32) -> String {
    let unit = 10_u64.pow(places);
    let (sign, size) = (if steps < 0 { "-" } else { "" }, steps.unsigned_abs());
    let text = format!("{sign}{}.{:0width$}", size / unit, size % unit, width = places as usize);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A number of 10⁻¹² in the way that data sheets print coefficients.
pub(crate) fn picos(steps: i64) -> String {
    let text = format!("{steps:e}");
    match text.split_once('e').and_then(|(digits, power)| Some((digits, power.parse::<i32>().ok()?))) {
        Some((digits, power)) if steps != 0 => format!("{digits}e{}", power - 12),
        _ => "0".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use monitor_core::acquire::supply::DividerRatio;
    use monitor_core::acquire::temperature::ntc::SteinhartHart;
    use monitor_core::units::Temperature;

    #[test]
    fn numbers_look_as_in_the_profile() {
        let cases = [
            ("whole", decimal(6_000_000, 6), "6"),
            ("half", decimal(500_000, 6), "0.5"),
            ("negative", decimal(-500, 3), "-0.5"),
            ("small negative", decimal(-1, 3), "-0.001"),
            ("hundreds keep their zeros", decimal(450_000, 3), "450"),
            ("nothing", decimal(0, 3), "0"),
            ("coefficient", picos(1_129_240_000), "1.12924e-3"),
            ("small coefficient", picos(87_755), "8.7755e-8"),
            ("negative coefficient", picos(-1_000_000), "-1e-6"),
            ("no coefficient", picos(0), "0"),
        ];
        for (name, shown, expected) in cases {
            assert_eq!(shown, expected, "{name}");
        }
    }

    #[test]
    fn pulses_are_one_or_many() {
        for (pulses, revolutions, expected) in [
            (1, 1, "1 pulse per revolution"),
            (6, 1, "6 pulses per revolution"),
            (1, 2, "0.5 pulses per revolution"),
            (8, 3, "2.666667 pulses per revolution"),
        ] {
            assert_eq!(tachometer(PulsesPerRevolution::new(pulses, revolutions).unwrap()), expected);
        }
    }

    #[test]
    fn every_head_sensor_is_named_with_its_numbers() {
        let row =
            |celsius: i32, ohms: u32| (Temperature::from_millicelsius(celsius * 1_000), Resistance::from_ohms(ohms));
        let curve = SteinhartHart::new(1_129_240_000, 234_108_000, 87_755).unwrap();
        let table = ThermistorRows::new(&[row(0, 32_650), row(50, 3_603), row(100, 678)]).unwrap();
        let beta = HeadSensor::Beta { at_25_celsius: Resistance::from_ohms(10_000), beta_centikelvin: 395_000 };
        let cases = [
            (
                HeadSensor::SteinhartHart(curve),
                Some(10_000),
                "thermistor by Steinhart-Hart, a 1.12924e-3, b 2.34108e-4, c 8.7755e-8, pull-up 10000 ohm",
            ),
            (HeadSensor::Table(table), None, "thermistor by a table of 3 rows from 0 to 100 °C"),
            (beta, None, "thermistor of 10000 ohm at 25 °C, beta 3950 K"),
            (HeadSensor::Pt100, Some(330), "platinum resistor Pt100, pull-up 330 ohm"),
            (HeadSensor::Pt1000, None, "platinum resistor Pt1000"),
            (HeadSensor::ThermocoupleK, None, "thermocouple type K"),
            (HeadSensor::OneWire, None, "digital one-wire sensor"),
        ];
        for (sensor, pull_up, expected) in cases {
            let head = HeadCalibration { sensor, pull_up: pull_up.map(Resistance::from_ohms) };
            assert_eq!(head_sensor(&head), expected);
        }
    }

    #[test]
    fn channels_come_in_their_fixed_order() {
        let calibration = Calibration {
            supply: DividerRatio::from_millionths(5_700_000).ok(),
            flow: Some(FlowPulses { per_litre_milli: 450_000, offset_millihertz: -500 }),
            head: Some(HeadCalibration { sensor: HeadSensor::OneWire, pull_up: None }),
            rpm: PulsesPerRevolution::new(6, 1).ok(),
        };
        let said = calibrations(&calibration);
        assert_eq!(said.iter().map(|(channel, _)| *channel).collect::<Vec<_>>(), Channel::ALL[..4]);
        assert_eq!(said[2].1, "450 pulses per litre, offset -0.5 Hz");
        assert_eq!(said[3].1, "voltage divider, ratio 5.7");
        assert_eq!(calibrations(&Calibration::default()), []);
    }
}
