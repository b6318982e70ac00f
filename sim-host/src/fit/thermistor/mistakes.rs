//! What is usually wrong with the points of a thermistor.

use monitor_core::calibration::HeadSensor;

use super::curve::{Curve, KELVIN};
use super::{Known, LEAST_SPAN_K, Points, Problem, Quantity, Remark, distinct, shown_by, span};
use crate::fit::text::counted;

/// Temperatures that a thermistor can be measured at, in °C.
const POSSIBLE_C: std::ops::RangeInclusive<f64> = -60.0..=300.0;
/// Betas of the thermistors that engines and boards have, in kelvin (from memory; data sheets print 3380 to 4400).
const USUAL_BETA_K: std::ops::RangeInclusive<f64> = 3_200.0..=4_600.0;
/// In the middle of the usual ones.
const MIDDLE_BETA_K: f64 = 3_900.0;
/// Water boils before this, in °C.
const ABOVE_BOILING_C: f64 = 105.0;
/// Water between ice and boiling, in °F.
const WATER_F: std::ops::RangeInclusive<f64> = 32.0..=217.0;
/// A hot point from here on, in °C, checks the range in which a head can overheat.
const HOT_POINT_C: f64 = 75.0;
/// A profile whose sensor differs by more than this, in kelvin, has another curve.
const OTHER_CURVE_K: f64 = 2.0;
/// Head sensors have more than this at 25 °C, in ohms (from memory).
const LEAST_OHM_AT_25_C: f64 = 50.0;
/// A platinum sensor's resistance rises by this share a kelvin from 0 °C (IEC 60751, A).
const PLATINUM_SLOPE: f64 = 3.908_3e-3;

/// Refuses what cannot be a thermistor's points, whatever the numbers behind the point.
pub(super) fn refuse(points: &Points) -> Result<(), Problem> {
    let (celsius, ohms) = (points.of(Quantity::Celsius), points.of(Quantity::Ohms));
    if let Some(point) = celsius.iter().position(|at| !POSSIBLE_C.contains(at)) {
        let cause = format!("{:.1} °C is no temperature of a head sensor", celsius[point]);
        let swapped = ohms.iter().all(|ohm| (-60.0..=300.0).contains(ohm)) && celsius.iter().all(|at| *at > 0.0);
        let remedy = if swapped {
            "The two columns look swapped: exchange the names in the header"
        } else {
            "Correct the number, or name the unit in the header: temp_c, temp_f or temp_k"
        };
        return Err(points.problem_at(point, cause, remedy));
    }
    points.refuse_what_is_not_above_zero(&[Quantity::Ohms])?;
    if points.count() < 2 || span(&celsius) < 1.0 {
        let cause =
            format!("{} within {:.1} K say nothing about a curve", counted(points.count(), "point"), span(&celsius));
        return Err(points.problem(cause, "Measure in ice water, in warm and in nearly boiling water"));
    }
    if rises(&celsius, &ohms) {
        let cause = "The resistance rises with the temperature, which no thermistor's does";
        return Err(points.problem(cause, remedy_for_rising(&celsius, &ohms)));
    }
    Ok(())
}

/// Whether the hottest point has the greater resistance than the coldest.
fn rises(celsius: &[f64], ohms: &[f64]) -> bool {
    let by_heat = |a: &(&f64, &f64), b: &(&f64, &f64)| a.0.total_cmp(b.0);
    let points = || celsius.iter().zip(ohms);
    matches!((points().min_by(by_heat), points().max_by(by_heat)), (Some(cold), Some(hot)) if hot.1 >= cold.1)
}

fn remedy_for_rising(celsius: &[f64], ohms: &[f64]) -> &'static str {
    let is_platinum = |at_zero: f64| {
        celsius.iter().zip(ohms).all(|(at, ohm)| (ohm / (at_zero * (1.0 + PLATINUM_SLOPE * at)) - 1.0).abs() < 0.05)
    };
    if is_platinum(100.0) {
        "The sensor is a Pt100: write kind = \"pt100\" under [calibration.head], nothing needs fitting"
    } else if is_platinum(1_000.0) {
        "The sensor is a Pt1000: write kind = \"pt1000\" under [calibration.head], nothing needs fitting"
    } else {
        "Check whether the rows of one column stand in the wrong order, and which sensor it is"
    }
}

/// Beta in kelvin from the coldest and the hottest point.
pub(super) fn rough_beta(celsius: &[f64], ohms: &[f64]) -> f64 {
    let by_heat = |a: &(&f64, &f64), b: &(&f64, &f64)| a.0.total_cmp(b.0);
    let points = || celsius.iter().zip(ohms);
    let (Some(cold), Some(hot)) = (points().min_by(by_heat), points().max_by(by_heat)) else { return MIDDLE_BETA_K };
    (cold.1 / hot.1).ln() / (1.0 / (cold.0 + KELVIN) - 1.0 / (hot.0 + KELVIN))
}

/// What the installer should look at again.
pub(super) fn look(points: &[(f64, f64)], curve: &Curve, beta: f64, known: &Known) -> Vec<Remark> {
    let celsius: Vec<_> = points.iter().map(|point| point.0).collect();
    let found = [fahrenheit(points, beta), unusual(curve, beta), too_close(&celsius), other_curve(points, known)];
    found.into_iter().flatten().collect()
}

/// Degrees Fahrenheit under a heading that says Celsius stretch the scale: beta comes out too small.
fn fahrenheit(points: &[(f64, f64)], beta: f64) -> Option<Remark> {
    let hottest = points.iter().map(|point| point.0).fold(f64::NEG_INFINITY, f64::max);
    let all_in_water = points.iter().all(|point| WATER_F.contains(&point.0));
    let (celsius, ohms): (Vec<_>, Vec<_>) = points.iter().map(|(at, ohm)| ((at - 32.0) / 1.8, *ohm)).unzip();
    let as_fahrenheit = rough_beta(&celsius, &ohms);
    let fits_better = (as_fahrenheit - MIDDLE_BETA_K).abs() < (beta - MIDDLE_BETA_K).abs();
    let strange = !USUAL_BETA_K.contains(&beta) || hottest > ABOVE_BOILING_C;
    (all_in_water && strange && fits_better && USUAL_BETA_K.contains(&as_fahrenheit)).then(|| {
        Remark::new(
            "fahrenheit",
            format!(
                "The temperatures look like degrees Fahrenheit: read so, beta is {as_fahrenheit:.0} K, which is usual; \
                 as they stand it is {beta:.0} K. If they are, name the column temp_f."
            ),
        )
    })
}

fn unusual(curve: &Curve, beta: f64) -> Option<Remark> {
    let at_25 = curve.ohms(25.0);
    if at_25 < LEAST_OHM_AT_25_C {
        let text =
            format!("{at_25:.1} ohm at 25 °C is very little. If the meter showed kilohms, name the column kohm.");
        return Some(Remark::new("kilohms", text));
    }
    (!USUAL_BETA_K.contains(&beta)).then(|| {
        Remark::new(
            "unusual-beta",
            format!(
                "Beta is {beta:.0} K; most thermistors have {:.0} to {:.0} K. Check that sensor and thermometer had the \
                 same temperature: stir, wait two minutes, read both at once.",
                USUAL_BETA_K.start(),
                USUAL_BETA_K.end()
            ),
        )
    })
}

fn too_close(celsius: &[f64]) -> Option<Remark> {
    let hottest = celsius.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if span(celsius) < LEAST_SPAN_K || distinct(celsius) < 3 {
        let text = format!(
            "{} different temperatures over {:.0} K: too close together for the three coefficients, so only beta was \
             fitted. Measure three or more over {LEAST_SPAN_K:.0} K at least: ice water, warm water, nearly boiling water.",
            distinct(celsius),
            span(celsius)
        );
        return Some(Remark::new("points-too-close", text));
    }
    (hottest < HOT_POINT_C).then(|| {
        let text = format!(
            "The hottest point is {hottest:.0} °C, but it is above 90 °C that a head overheats. Add a point in nearly \
             boiling water."
        );
        Remark::new("no-hot-point", text)
    })
}

/// The curve in the profile against the points.
fn other_curve(points: &[(f64, f64)], known: &Known) -> Option<Remark> {
    let head = known.profile.as_ref()?.calibration.head?;
    if matches!(head.sensor, HeadSensor::Pt100 | HeadSensor::Pt1000 | HeadSensor::ThermocoupleK | HeadSensor::OneWire) {
        let text = "The profile says that the head sensor is no thermistor. Check which sensor is fitted.";
        return Some(Remark::new("wrong-curve", text));
    }
    let shown = points.iter().map(|(at, ohm)| (*at, shown_by(&head, *ohm)));
    let worst = shown.max_by(|a, b| off(a).total_cmp(&off(b)))?;
    (off(&worst) > OTHER_CURVE_K).then(|| {
        let shows = worst.1.map_or("a broken lead".to_owned(), |shown| format!("{shown:.1} °C"));
        let text = format!(
            "The profile has the curve of another sensor: at {:.1} °C it shows {shows}. Replace its section \
             [calibration.head].",
            worst.0
        );
        Remark::new("wrong-curve", text)
    })
}

fn off((at, shown): &(f64, Option<f64>)) -> f64 {
    shown.map_or(f64::INFINITY, |shown| (shown - at).abs())
}
