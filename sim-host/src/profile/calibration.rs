//! The sections `[calibration.…]`: what was measured at the sensors, checked by the drivers that will work with it.

use monitor_core::acquire::adc::{AdcScale, CalibrationError, Resistance};
use monitor_core::acquire::pulse::{self, PulsesPerRevolution};
use monitor_core::acquire::supply::DividerRatio;
use monitor_core::acquire::temperature::ntc::SteinhartHart;
use monitor_core::calibration::{
    Calibration, FlowPulses, HeadCalibration, HeadSensor, THERMISTOR_ROWS, ThermistorRows,
};
use monitor_core::profile::Profile;
use monitor_core::units::Temperature;

use super::above_zero;
use super::section::{Pair, Range, Section};
use crate::problem::Problem;

/// Number of a thermistor's coefficients to one: the core keeps them in 10⁻¹² / K.
const COEFFICIENT: u64 = 1_000_000_000_000;
const COEFFICIENTS: [&str; 3] = ["a", "b", "c"];
const BETA_KEYS: [&str; 2] = ["ohm_at_25_c", "beta_k"];
const HEAD_KEYS: [&str; 8] = ["kind", "a", "b", "c", "ohm_at_25_c", "beta_k", "table", "pull_up_ohm"];
/// A thermistor in general: the numbers that are there say which way it is described.
const THERMISTOR: &str = "thermistor";
const KINDS: [&str; 8] =
    ["steinhart-hart", "table", "beta", "pt100", "pt1000", "thermocouple-k", "one-wire", THERMISTOR];

const PULSES_PER_LITRE: Range = Range::new(0, 100_000, 1_000, "pulses per litre");
const HERTZ: Range = Range::new(-1_000, 1_000, 1_000, "Hz");
const OHMS: Range = Range::new(0, 2_000_000, 1_000, "ohm");
const CELSIUS: Range = Range::new(-60, 300, 1_000, "°C");
/// In hundredths of a kelvin; the driver knows the narrower span of thermistors.
const BETA_KELVIN: Range = Range::new(0, 100_000, 100, "K");
const RATIO: Range = Range::new(0, 1_000, 1_000_000, "");

/// Slower and the monitor would hear of lost water too late to be of use.
const LONGEST_FLOW_TIME_OUT_US: u32 = 30_000_000;

pub(super) fn read(root: &Section<'_>, profile: &Profile) -> Result<Calibration, Problem> {
    let mut calibration = Calibration::default();
    let Some(section) = root.section("calibration", &["rpm", "flow", "head", "supply"])? else {
        return Ok(calibration);
    };
    if let Some(rpm) = section.section("rpm", &["pulses_per_rev"])? {
        calibration.rpm = Some(pulses_per_revolution(&rpm)?);
        let tachometer = calibration.tachometer(profile);
        tachometer.map_err(|error| refused(&rpm, "pulses_per_rev", &error.to_string()))?;
    }
    if let Some(flow) = section.section("flow", &["pulses_per_litre", "offset_hz"])? {
        calibration.flow = Some(flow_pulses(&flow)?);
        check_flow(&flow, &calibration, profile)?;
    }
    if let Some(head) = section.section("head", &HEAD_KEYS)? {
        calibration.head = Some(read_head(&head)?);
    }
    if let Some(supply) = section.section("supply", &["ratio"])? {
        calibration.supply = Some(divider_ratio(&supply)?);
    }
    Ok(calibration)
}

fn pulses_per_revolution(rpm: &Section<'_>) -> Result<PulsesPerRevolution, Problem> {
    const KEY: &str = "pulses_per_rev";
    /// The core keeps the ratio of two numbers up to this.
    const LARGEST: i32 = 1_000_000;
    above_zero(rpm, KEY, Range::new(0, 1_000, 1_000, ""))?;
    // As many decimals as the core has room for: belt-driven alternators give any fraction.
    for per_unit in [1_000_000, 100_000, 10_000, 1_000] {
        let Some(pulses) = rpm.number(KEY, Range::new(0, 1_000, per_unit, ""))? else {
            return Err(rpm.missing(KEY, "6"));
        };
        if pulses <= LARGEST {
            let ratio = PulsesPerRevolution::new(pulses.unsigned_abs(), per_unit.unsigned_abs());
            return ratio.map_err(|error| refused(rpm, KEY, &error.to_string()));
        }
    }
    Err(refused(rpm, KEY, &pulse::CalibrationError::PulsesPerRevolution.to_string()))
}

fn flow_pulses(flow: &Section<'_>) -> Result<FlowPulses, Problem> {
    above_zero(flow, "pulses_per_litre", PULSES_PER_LITRE)?;
    let Some(per_litre_milli) = flow.number("pulses_per_litre", PULSES_PER_LITRE)? else {
        return Err(flow.missing("pulses_per_litre", "450"));
    };
    let offset_millihertz = flow.number("offset_hz", HERTZ)?.unwrap_or(0);
    Ok(FlowPulses { per_litre_milli: per_litre_milli.unsigned_abs(), offset_millihertz })
}

/// Asks the driver, and refuses a meter that would be heard too late: mostly its number is hertz at 1 L/min, a sixtieth.
fn check_flow(flow: &Section<'_>, calibration: &Calibration, profile: &Profile) -> Result<(), Problem> {
    const PULSES: &str = "pulses_per_litre";
    let too_slow = match calibration.flow_meter(profile) {
        Ok(meter) => meter.is_some_and(|meter| meter.time_out_us() > LONGEST_FLOW_TIME_OUT_US),
        Err(pulse::CalibrationError::PulsesTooSlow) => true,
        Err(pulse::CalibrationError::Offset) => {
            let cause = format!("With {} the meter gives no pulses at its minimum", flow.joined("offset_hz"));
            let remedy = "Check its sign, and that pulses_per_litre is not the hertz at 1 L/min (a sixtieth of it), or \
                          give the meter's own minimum as water.flow_min_lpm";
            return Err(flow.problem_at("offset_hz", cause, remedy));
        }
        Err(error) => return Err(refused(flow, PULSES, &error.to_string())),
    };
    if too_slow {
        let seconds = LONGEST_FLOW_TIME_OUT_US / 1_000_000;
        let cause = format!("With {} it takes more than {seconds} s to see that water is lost", flow.joined(PULSES));
        let remedy = "Give pulses per litre, which is 60 times the hertz at 1 L/min; where the number is right, give \
                      the meter's own minimum as water.flow_min_lpm, or fit a meter with more pulses";
        return Err(flow.problem_at(PULSES, cause, remedy));
    }
    Ok(())
}

fn read_head(head: &Section<'_>) -> Result<HeadCalibration, Problem> {
    let kind = kind(head)?;
    let allowed: &[&str] = match kind {
        "steinhart-hart" => &["kind", "a", "b", "c", "pull_up_ohm"],
        "table" => &["kind", "table", "pull_up_ohm"],
        "beta" => &["kind", "ohm_at_25_c", "beta_k", "pull_up_ohm"],
        "pt100" | "pt1000" => &["kind", "pull_up_ohm"],
        _ => &["kind"],
    };
    if let Some(extra) = head.keys().into_iter().find(|key| !allowed.contains(key)) {
        let cause = format!("{} does not go with the kind \"{kind}\"", head.joined(extra));
        return Err(head.problem_at(extra, cause, "Leave the line out, or give the kind that it belongs to"));
    }
    above_zero(head, "pull_up_ohm", OHMS)?;
    let pull_up = head.number("pull_up_ohm", OHMS)?.map(milliohms);
    let sensor = match kind {
        "steinhart-hart" => HeadSensor::SteinhartHart(coefficients(head)?),
        "table" => HeadSensor::Table(table(head)?),
        "beta" => beta(head)?,
        "pt100" => HeadSensor::Pt100,
        "pt1000" => HeadSensor::Pt1000,
        "thermocouple-k" => HeadSensor::ThermocoupleK,
        _ => HeadSensor::OneWire,
    };
    let calibration = HeadCalibration { sensor, pull_up };
    check_pull_up(head, &calibration)?;
    Ok(calibration)
}

/// The kind that is meant: as it is written, or by the numbers that are there.
fn kind<'a>(head: &Section<'a>) -> Result<&'a str, Problem> {
    let written = head.word("kind", &KINDS)?;
    let has = |keys: &[&str]| keys.iter().any(|key| head.has(key));
    if head.has("table") && has(&COEFFICIENTS) {
        let cause = format!("{} and the coefficients a, b, c are both given", head.joined("table"));
        return Err(head.problem_at("table", cause, "Keep one of the two"));
    }
    match written {
        Some(kind) if kind != THERMISTOR => Ok(kind),
        _ if head.has("table") => Ok("table"),
        _ if has(&COEFFICIENTS) => Ok("steinhart-hart"),
        _ if has(&BETA_KEYS) => Ok("beta"),
        Some(_) => Err(head.missing("a", "1.12924e-3")),
        None => Err(head.missing("kind", "\"steinhart-hart\"")),
    }
}

fn coefficients(head: &Section<'_>) -> Result<SteinhartHart, Problem> {
    let mut numbers = [0; 3];
    for ((place, key), example) in numbers.iter_mut().zip(COEFFICIENTS).zip(["1.12924e-3", "2.34108e-4", "8.7755e-8"]) {
        *place = head.fine(key, COEFFICIENT)?.ok_or_else(|| head.missing(key, example))?;
    }
    let [a, b, c] = numbers;
    SteinhartHart::new(a, b, c).map_err(|error| refused(head, "a", error.message()))
}

fn beta(head: &Section<'_>) -> Result<HeadSensor, Problem> {
    let [ohm_key, beta_key] = BETA_KEYS;
    above_zero(head, ohm_key, OHMS)?;
    let at_25_celsius = head.number(ohm_key, OHMS)?.map(milliohms).ok_or_else(|| head.missing(ohm_key, "10000"))?;
    let beta_centikelvin =
        head.number(beta_key, BETA_KELVIN)?.ok_or_else(|| head.missing(beta_key, "3950"))?.unsigned_abs();
    if SteinhartHart::from_beta(at_25_celsius, beta_centikelvin).is_err() {
        let cause = format!("{} and {} are no thermistor's", head.joined(ohm_key), head.joined(beta_key));
        let remedy = "Take both from the data sheet: beta lies between 1000 and 10000 K, mostly near 3950";
        return Err(head.problem_at(beta_key, cause, remedy));
    }
    Ok(HeadSensor::Beta { at_25_celsius, beta_centikelvin })
}

/// A table in either order: data sheets print both.
fn table(head: &Section<'_>) -> Result<ThermistorRows, Problem> {
    let mut pairs = head
        .pairs("table", [OHMS, CELSIUS])?
        .ok_or_else(|| head.missing("table", "[[32650, 0], [10000, 25], [3603, 50], [678, 100]]"))?;
    if pairs.len() > THERMISTOR_ROWS {
        let cause = format!(
            "{} has {} rows, more than the {THERMISTOR_ROWS} there is room for",
            head.joined("table"),
            pairs.len()
        );
        return Err(head.problem_at("table", cause, "Leave out every second row: 10 K apart are close enough"));
    }
    if let (Some(first), Some(last)) = (pairs.first(), pairs.last())
        && first.steps[1] > last.steps[1]
    {
        pairs.reverse();
    }
    let rows: Vec<_> = pairs.iter().map(row).collect();
    ThermistorRows::new(&rows).map_err(|error| {
        // The first row that the rows before it do not go with.
        let wrong = (2..=rows.len()).find(|count| ThermistorRows::new(&rows[..*count]).is_err());
        match wrong.and_then(|count| pairs.get(count - 1)) {
            Some(pair) => {
                let cause = format!("This row of {} does not follow from its neighbour", head.joined("table"));
                let remedy = "From row to row the temperature must rise by 1 to 60 degrees and the resistance fall; \
                              each row is [ohm, degrees Celsius]";
                head.problem_at_pair(pair, cause, remedy)
            }
            None => refused(head, "table", error.message()),
        }
    })
}

fn row(pair: &Pair) -> (Temperature, Resistance) {
    let [ohms, celsius] = pair.steps;
    (Temperature::from_millicelsius(celsius), milliohms(ohms))
}

/// Refuses a resistor with which not even a 12-bit converter without dead zones sees every temperature that matters.
fn check_pull_up(head: &Section<'_>, calibration: &HeadCalibration) -> Result<(), Problem> {
    let Some(pull_up) = calibration.pull_up else { return Ok(()) };
    match AdcScale::new(4_095, 0, 0).and_then(|scale| calibration.resistive(scale, pull_up)) {
        Ok(_) => Ok(()),
        Err(CalibrationError::DeadZoneCoversRange) => {
            let cause = format!(
                "With {} a board cannot measure every temperature between -10 and 120 °C",
                head.joined("pull_up_ohm")
            );
            let remedy = "Read the resistor off the board again; it is mostly about as large as the sensor at 25 °C";
            Err(head.problem_at("pull_up_ohm", cause, remedy))
        }
        Err(error) => Err(refused(head, "pull_up_ohm", error.message())),
    }
}

fn divider_ratio(supply: &Section<'_>) -> Result<DividerRatio, Problem> {
    above_zero(supply, "ratio", RATIO)?;
    let millionths = supply.number("ratio", RATIO)?.ok_or_else(|| supply.missing("ratio", "5.7"))?;
    DividerRatio::from_millionths(millionths.unsigned_abs()).map_err(|error| refused(supply, "ratio", error.message()))
}

/// From milliohms that are not negative by their range.
fn milliohms(steps: i32) -> Resistance {
    Resistance::from_milliohms(steps.unsigned_abs())
}

/// What a driver has against a number: it says the cause, and mostly a remedy after a colon.
fn refused(section: &Section<'_>, key: &str, why: &str) -> Problem {
    let (cause, remedy) = why.split_once(": ").unwrap_or((why, "correct the number, or leave the section out"));
    let mut letters = remedy.chars();
    let remedy: String = letters.next().into_iter().flat_map(char::to_uppercase).chain(letters).collect();
    section.problem_at(key, format!("{}: {cause}", section.joined(key)), remedy)
}

#[cfg(test)]
mod tests;
