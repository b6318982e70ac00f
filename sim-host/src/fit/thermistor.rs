//! A thermistor from pairs of temperature and resistance.
//!
//! Three temperatures or more give the three coefficients of Steinhart and Hart, 1/T = a + b ln R + c (ln R)³; two, or more
//! that lie close together, give only the resistance at 25 °C and beta.

use std::path::Path;

use monitor_core::acquire::adc::Resistance;
use monitor_core::acquire::temperature::ntc::{NtcCurve, NtcTable, SteinhartHart};
use monitor_core::calibration::{HeadCalibration, HeadSensor, THERMISTOR_ROWS};

use super::points::{self, Points, Quantity};
use super::regression::{self, Observation, Solution};
use super::{Axis, Band, FittedPoint, Known, Parameter, Remark, Report, remarks_of_scatter, section};
use crate::problem::Problem;
use crate::texts;

mod curve;
mod mistakes;

pub(super) use curve::resistance_at;
use curve::{Curve, KELVIN};

/// Header of a points file.
pub const HEADER: &str = "temp_c,ohm";
/// What a kitchen or aquarium thermometer may be out by, in kelvin: common practice.
pub const THERMOMETER_ERROR_K: f64 = 0.5;
/// What a hand-held ohmmeter may be out by, in per cent: common practice.
pub const OHMMETER_ERROR_PERCENT: f64 = 1.0;

/// Temperatures that a head sensor works at, in °C; 120 °C is an overheating head.
const WORKING_C: [f64; 6] = [0.0, 20.0, 40.0, 60.0, 90.0, 120.0];
/// Under this span in kelvin three coefficients are not determined by what a kitchen can measure.
const LEAST_SPAN_K: f64 = 40.0;
/// Points nearer than this in kelvin count as one temperature.
const SAME_TEMPERATURE_K: f64 = 5.0;
/// What the beta model errs by at least, in kelvin: 0.77 K between 0 and 100 °C for the common 10 kΩ curve by 25 and
/// 100 °C (the reference table is named at the tests).
pub(super) const BETA_MODEL_ERROR_K: f64 = 0.8;
/// The common 10 kΩ curve by its published coefficients: what a real curve looks like that beta alone stands for.
const TYPICAL: [f64; 3] = [1.129_24e-3, 2.341_08e-4, 8.775_5e-8];
/// Half a 95 % interval in standard errors.
const SIGMAS: f64 = 2.0;

/// What the instruments may be out by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Instruments {
    /// The thermometer, in kelvin.
    pub thermometer_k: f64,
    /// The ohmmeter, in per cent of its reading.
    pub ohmmeter_percent: f64,
}

impl Default for Instruments {
    fn default() -> Self {
        Self { thermometer_k: THERMOMETER_ERROR_K, ohmmeter_percent: OHMMETER_ERROR_PERCENT }
    }
}

impl Instruments {
    /// Both together at this temperature, in kelvin, for a thermistor of `beta` kelvin: dT = T² / β · dR/R.
    fn error_k(self, celsius: f64, beta: f64) -> f64 {
        let kelvin = celsius + KELVIN;
        (kelvin * kelvin / beta * self.ohmmeter_percent / 100.0).hypot(self.thermometer_k)
    }
}

/// Fits the points of a file. `pull_up_ohm` is the resistor for the profile's lines; without it that of the known profile.
///
/// # Errors
/// A file that cannot be read, or points that are no thermistor's: exit code 2 with file, line, cause and remedy.
pub fn fit(path: &Path, known: &Known, instruments: Instruments, pull_up_ohm: Option<f64>) -> Result<Report, Problem> {
    let points = Points::load(path, &points::THERMISTOR, HEADER)?;
    let pull_up_ohm = pull_up_ohm.or_else(|| {
        let pull_up = known.profile.as_ref()?.calibration.head?.pull_up?;
        Some(f64::from(pull_up.as_milliohms()) / 1_000.0)
    });
    fit_points(&points, known, instruments, pull_up_ohm)
}

pub(super) fn fit_points(
    points: &Points,
    known: &Known,
    instruments: Instruments,
    pull_up_ohm: Option<f64>,
) -> Result<Report, Problem> {
    for (quantity, name) in [(Quantity::Celsius, "temp_c"), (Quantity::Ohms, "ohm")] {
        if !points.has(quantity) {
            let cause = format!("There is no column `{name}`");
            return Err(points.problem(cause, format!("Begin the file with a header such as {HEADER}")));
        }
    }
    mistakes::refuse(points)?;
    let (celsius, ohms) = (points.of(Quantity::Celsius), points.of(Quantity::Ohms));
    let beta = mistakes::rough_beta(&celsius, &ohms);
    let three = distinct(&celsius) >= 3 && span(&celsius) >= LEAST_SPAN_K;
    let (solution, curve) = solve(points, three, instruments, beta)?;
    let measured: Vec<_> = celsius.iter().zip(&ohms).map(|(at, ohm)| (*at, *ohm)).collect();
    let believed: Vec<_> =
        measured.iter().zip(&solution.used).filter_map(|(point, used)| used.then_some(*point)).collect();
    let errors = Errors { curve: &curve, solution: &solution, instruments, measured: ends(&believed) };
    let mut remarks = mistakes::look(&believed, &curve, beta, known);
    remarks.extend(remarks_of_scatter(&solution, &points.lines()));
    let fitted = points.lines().into_iter().zip(&measured).zip(&solution.used).map(|((line, (at, ohm)), used)| {
        let by_curve = curve.celsius(*ohm);
        FittedPoint { line, at: Some(*at), measured: *at, fitted: by_curve, off: by_curve - at, used: *used }
    });
    Ok(Report {
        title: "Thermistor",
        sensor: "thermistor",
        file: points.file.clone(),
        axis: Axis {
            measured: "measured",
            fitted: "by the curve",
            unit: "°C",
            places: 1,
            along: "°C",
            along_places: 0,
        },
        off_unit: "K",
        points: fitted.collect(),
        parameters: parameters(&errors),
        band: errors.band(),
        basis: basis(&solution, &curve, instruments),
        profile_lines: section("head", points, known, &mut remarks, &lines(&curve, pull_up_ohm)),
        remarks,
    })
}

/// Three coefficients where the points give them, else two.
fn solve(points: &Points, three: bool, instruments: Instruments, beta: f64) -> Result<(Solution, Curve), Problem> {
    let observations: Vec<_> = points
        .of(Quantity::Celsius)
        .into_iter()
        .zip(points.of(Quantity::Ohms))
        .map(|(celsius, ohm)| {
            let kelvin = celsius + KELVIN;
            Observation {
                row: Curve::row(ohm, three),
                value: 1.0 / kelvin,
                sigma: instruments.error_k(celsius, beta) / SIGMAS / (kelvin * kelvin),
            }
        })
        .collect();
    let solution = regression::solve(&observations);
    let curve = solution.as_ref().map(|solution| Curve::new(&solution.coefficients));
    match solution.zip(curve) {
        Some((solution, curve)) if curve.core().is_some() => Ok((solution, curve)),
        _ => {
            let remedy = "A thermistor's resistance falls by 3 to 5 % with each degree: check units and rows, measure \
                          three temperatures or more, the coldest and the hottest 60 degrees apart";
            Err(points.problem("The points describe no thermistor", remedy))
        }
    }
}

/// Temperatures that are further apart than [`SAME_TEMPERATURE_K`].
fn distinct(celsius: &[f64]) -> usize {
    let mut sorted = celsius.to_vec();
    sorted.sort_by(f64::total_cmp);
    let mut last = f64::NEG_INFINITY;
    sorted
        .into_iter()
        .filter(|at| {
            if *at - last > SAME_TEMPERATURE_K {
                last = *at;
                true
            } else {
                false
            }
        })
        .count()
}

fn span(celsius: &[f64]) -> f64 {
    let least = celsius.iter().copied().fold(f64::INFINITY, f64::min);
    celsius.iter().copied().fold(f64::NEG_INFINITY, f64::max) - least
}

/// What is known of the error at any temperature.
#[derive(Debug)]
struct Errors<'a> {
    curve: &'a Curve,
    solution: &'a Solution,
    instruments: Instruments,
    /// Coldest and hottest point that was used, in °C.
    measured: (f64, f64),
}

impl Errors<'_> {
    /// Half the 95 % interval in kelvin. The thermometer may be out by the same everywhere, so more points do not lessen
    /// the error below it.
    fn left(&self, celsius: f64) -> f64 {
        let kelvin = celsius + KELVIN;
        let ohm = self.curve.ohms(celsius);
        let by_points = self.solution.half_width(&Curve::row(ohm, self.curve.is_three())) * kelvin * kelvin;
        by_points.max(self.instruments.error_k(celsius, self.curve.beta_at(celsius))) + self.of_model(celsius)
    }

    /// What a typical curve departs from a line of beta alone through the coldest and the hottest point.
    fn of_model(&self, celsius: f64) -> f64 {
        if self.curve.is_three() {
            return 0.0;
        }
        let typical = Curve::new(&TYPICAL);
        let (cold, hot) = self.measured;
        let (at_cold, at_hot) = (typical.ohms(cold).ln(), typical.ohms(hot).ln());
        let slope = (1.0 / (cold + KELVIN) - 1.0 / (hot + KELVIN)) / (at_cold - at_hot);
        let line = Curve::new(&[1.0 / (cold + KELVIN) - slope * at_cold, slope]);
        (line.celsius(typical.ohms(celsius)) - celsius).abs().max(BETA_MODEL_ERROR_K)
    }

    fn band(&self) -> Vec<Band> {
        let (least, most) = self.measured;
        let outside = |at: f64| at < least - SAME_TEMPERATURE_K || at > most + SAME_TEMPERATURE_K;
        WORKING_C.map(|at| Band { at, half_width: self.left(at), extrapolated: outside(at) }).to_vec()
    }
}

/// The coldest and the hottest of the points that were used.
fn ends(points: &[(f64, f64)]) -> (f64, f64) {
    points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), (at, _)| (least.min(*at), most.max(*at)))
}

fn parameters(errors: &Errors<'_>) -> Vec<Parameter> {
    let Errors { curve, solution, .. } = errors;
    let at_25 = curve.ohms(25.0);
    // dR/R = β / T² · dT
    let share = errors.left(25.0) * curve.beta_at(25.0) / (25.0 + KELVIN).powi(2);
    // Errors of a, b and c cancel each other for the most part: one by one they mean nothing.
    let coefficient = |name, value| Parameter { name, value, half_width: None, unit: "" };
    let mut parameters = if curve.is_three() {
        vec![coefficient("a", curve.a), coefficient("b", curve.b), coefficient("c", curve.c)]
    } else {
        let beta = 1.0 / curve.b;
        let half_width = Some(solution.half_width(&[0.0, 1.0]) * beta * beta);
        vec![Parameter { name: "beta", value: beta, half_width, unit: "K" }]
    };
    let half_width = Some(at_25 * share);
    parameters.push(Parameter { name: "resistance at 25 °C", value: at_25, half_width, unit: "ohm" });
    parameters
}

fn basis(solution: &Solution, curve: &Curve, instruments: Instruments) -> String {
    let Instruments { thermometer_k, ohmmeter_percent } = instruments;
    let instruments = format!("a thermometer within {thermometer_k} K and an ohmmeter within {ohmmeter_percent} %");
    let scatter = match solution.scatter {
        None => "; there are no more points than numbers to fit, so nothing checks them".to_owned(),
        Some(scatter) if scatter > 1.0 => format!(", widened because the points scatter {scatter:.1} times as far"),
        Some(_) => ", which the scatter of the points bears out".to_owned(),
    };
    let model = if curve.is_three() {
        String::new()
    } else {
        format!(", and {BETA_MODEL_ERROR_K} K or more by which beta alone misses a real curve")
    };
    format!("{instruments}{scatter}{model}. The board's converter and resistor come on top: `lookastern fit check`.")
}

fn lines(curve: &Curve, pull_up_ohm: Option<f64>) -> Vec<String> {
    let mut lines = if curve.is_three() {
        let (a, b, c) = curve.picos();
        let line = |key: &str, picos: i64| format!("{key} = {}", texts::picos(picos));
        vec!["kind = \"steinhart-hart\"".to_owned(), line("a", a), line("b", b), line("c", c)]
    } else {
        let beta = format!("beta_k = {:.1}", 1.0 / curve.b);
        vec!["kind = \"beta\"".to_owned(), format!("ohm_at_25_c = {:.1}", curve.ohms(25.0)), beta]
    };
    if let Some(ohm) = pull_up_ohm {
        lines.push(format!("pull_up_ohm = {ohm}"));
    }
    lines
}

/// The temperature that a profile's sensor shows at this resistance, where it is a thermistor.
fn shown_by(head: &HeadCalibration, ohm: f64) -> Option<f64> {
    let resistance = Resistance::from_milliohms(milliohms(ohm)?);
    let temperature = match head.sensor {
        HeadSensor::SteinhartHart(curve) => curve.temperature(resistance),
        HeadSensor::Beta { at_25_celsius, beta_centikelvin } => {
            SteinhartHart::from_beta(at_25_celsius, beta_centikelvin).ok()?.temperature(resistance)
        }
        HeadSensor::Table(table) => NtcTable::<THERMISTOR_ROWS>::from_slice(table.rows()).ok()?.temperature(resistance),
        _ => return None,
    };
    temperature.ok().map(|temperature| f64::from(temperature.as_millicelsius()) / 1_000.0)
}

/// Whole milliohms, where a resistance fits.
fn milliohms(ohm: f64) -> Option<u32> {
    let milliohms = (ohm * 1_000.0).round();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "inside the range of the type")]
    (0.0..=f64::from(u32::MAX)).contains(&milliohms).then_some(milliohms as u32)
}

#[cfg(test)]
mod tests;
