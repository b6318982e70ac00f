//! A tachometer from speeds that another instrument shows: pulses of one revolution of the crankshaft.
//!
//! A pick-up or an alternator gives a whole or half number of pulses a turn, the same at every speed. So a number near one of
//! those is taken for it, and a ratio that changes with speed is no question of poles.

use std::path::Path;

use monitor_core::profile::Profile;

use super::points::{self, Points, Quantity};
use super::regression::{self, Observation, Solution};
use super::{Axis, Band, FittedPoint, Known, Parameter, Remark, Report, remarks_of_scatter, section};
use crate::problem::Problem;

/// Header of a points file.
pub const HEADER: &str = "rpm,hz";
/// What a strobe or a workshop tachometer may be out by, in rpm: common practice.
pub const REFERENCE_ERROR_RPM: f64 = 50.0;
/// Frequencies are read to this share.
const FREQUENCY_SHARE: f64 = 0.002;
/// Pulses of a turn that engines give: half of one from a four-stroke's ignition, up to 12 from 24 poles (from memory).
const USUAL_PULSES: std::ops::RangeInclusive<f64> = 0.4..=24.0;
/// A whole or half number so near, as a share, is meant, whatever the instrument is said to be good for.
const NEAR_WHOLE: f64 = 0.02;
/// A profile that is out by more than this share has another number.
const OTHER_NUMBER: f64 = 0.02;
/// The greatest speed over the least, from which on they differ.
const DIFFERENT: f64 = 1.5;
/// Working range where no profile gives it: idle and the greatest speed, in rpm.
const WORKING_RPM: (f64, f64) = (750.0, 6_000.0);
/// Engines do not run slower than this for long, in rpm.
const SLOW_RPM: f64 = 500.0;
/// 95 % in standard errors.
const SIGMAS: f64 = 2.0;

/// One speed: by the other instrument, and the pulses of the monitor's input.
#[derive(Debug, Clone, Copy)]
struct Speed {
    rpm: f64,
    hertz: f64,
    /// What the instruments may be out by, as a share.
    share: f64,
}

/// Fits the points of a file. `reference_error_rpm` is what the other instrument may be out by, in rpm.
///
/// # Errors
/// A file that cannot be read, or points that are no tachometer's: exit code 2 with file, line, cause and remedy.
pub fn fit(path: &Path, known: &Known, reference_error_rpm: f64) -> Result<Report, Problem> {
    let points = Points::load(path, &points::TACHO, HEADER)?;
    fit_points(&points, known, reference_error_rpm)
}

pub(super) fn fit_points(points: &Points, known: &Known, reference_error_rpm: f64) -> Result<Report, Problem> {
    let in_profile = known.profile.as_ref().and_then(pulses_in_profile);
    let speeds = read(points, in_profile, reference_error_rpm)?;
    let observations: Vec<_> = speeds.iter().map(|speed| observation(speed, false)).collect();
    let solution = regression::solve(&observations)
        .ok_or_else(|| points.problem("The points give no number of pulses", "Measure three speeds again"))?;
    let measured = solution.coefficients[0];
    let half_width = half_width(&solution, &speeds, measured);
    let choice = Choice::of(measured, half_width);
    let mut remarks: Vec<_> = [
        per_minute(measured),
        wrong_number(choice.pulses, in_profile),
        ratio_changes(&speeds),
        choice.remark(measured, half_width),
        too_close(&speeds),
    ]
    .into_iter()
    .flatten()
    .collect();
    remarks.extend(remarks_of_scatter(&solution, &points.lines()));
    let fitted = points.lines().into_iter().zip(&speeds).zip(&solution.used).map(|((line, speed), used)| {
        let rpm = speed.hertz * 60.0 / choice.pulses;
        let off = (rpm / speed.rpm - 1.0) * 100.0;
        FittedPoint { line, at: Some(speed.rpm), measured: speed.rpm, fitted: rpm, off, used: *used }
    });
    Ok(Report {
        title: "Tachometer",
        sensor: "tacho",
        file: points.file.clone(),
        axis: Axis {
            measured: "measured",
            fitted: "by the pulses",
            unit: "rpm",
            places: 0,
            along: "rpm",
            along_places: 0,
        },
        off_unit: "%",
        points: fitted.collect(),
        parameters: vec![Parameter { name: "pulses_per_rev", value: measured, half_width: Some(half_width), unit: "" }],
        band: band(&choice, half_width / measured, &speeds, known.profile.as_ref().map(|profile| &profile.core)),
        basis: basis(&solution, &choice, reference_error_rpm),
        profile_lines: section("rpm", points, known, &mut remarks, &[choice.line()]),
        remarks,
    })
}

fn pulses_in_profile(profile: &crate::profile::HostProfile) -> Option<f64> {
    profile.calibration.rpm.map(|ratio| f64::from(ratio.pulses()) / f64::from(ratio.revolutions()))
}

fn read(points: &Points, in_profile: Option<f64>, reference_error_rpm: f64) -> Result<Vec<Speed>, Problem> {
    use Quantity::{Hertz, Pulses, Rpm, Seconds, ShownRpm};
    points.refuse_what_is_not_above_zero(&[Rpm, Hertz, Pulses, Seconds, ShownRpm])?;
    let share = |rpm: f64, frequency: f64| (reference_error_rpm / rpm).hypot(frequency);
    let (hertz, frequency_shares): (Vec<_>, Vec<_>) = if points.has(Hertz) {
        points.of(Hertz).into_iter().map(|hertz| (hertz, FREQUENCY_SHARE)).unzip()
    } else if points.has(Pulses) && points.has(Seconds) {
        let both = points.of(Pulses).into_iter().zip(points.of(Seconds));
        both.map(|(pulses, seconds)| (pulses / seconds, 1.0 / pulses)).unzip()
    } else if points.has(ShownRpm) {
        let Some(pulses) = in_profile else {
            let remedy = "Give the profile that the monitor worked with: --profile P, with [calibration.rpm] in it";
            return Err(points.problem("shown_rpm needs the pulses that the monitor counted with", remedy));
        };
        points.of(ShownRpm).into_iter().map(|shown| (shown * pulses / 60.0, FREQUENCY_SHARE)).unzip()
    } else {
        (Vec::new(), Vec::new())
    };
    if hertz.is_empty() || !points.has(Rpm) {
        let remedy = format!("Begin the file with {HEADER}, or with rpm,pulses,seconds, or with rpm,shown_rpm");
        return Err(points.problem("The true speed and the pulses must both be there", remedy));
    }
    let rpm = points.of(Rpm);
    let all = |numbers: &[f64], holds: &dyn Fn(f64) -> bool| numbers.iter().all(|number| holds(*number));
    if all(&rpm, &|rpm| rpm < SLOW_RPM) && all(&hertz, &|hertz| hertz > SLOW_RPM) {
        let cause = format!("{} pulses a second at {} rpm are no engine's", hertz[0], rpm[0]);
        return Err(points.problem_at(0, cause, "The two columns look swapped: exchange the names in the header"));
    }
    let both = rpm.into_iter().zip(hertz).zip(frequency_shares);
    Ok(both.map(|((rpm, hertz), frequency)| Speed { rpm, hertz, share: share(rpm, frequency) }).collect())
}

fn observation(speed: &Speed, with_offset: bool) -> Observation {
    let turns = speed.rpm / 60.0;
    let row = if with_offset { vec![turns, 1.0] } else { vec![turns] };
    Observation { row, value: speed.hertz, sigma: speed.hertz * speed.share / SIGMAS }
}

/// Never better than the best point: the other instrument may be out the same way everywhere.
fn half_width(solution: &Solution, speeds: &[Speed], measured: f64) -> f64 {
    let best = speeds.iter().map(|speed| speed.share).fold(f64::INFINITY, f64::min);
    solution.half_width(&[1.0]).max(best * measured)
}

/// The number that goes into the profile.
#[derive(Debug, Clone, Copy)]
struct Choice {
    pulses: f64,
    /// How many whole or half numbers lie inside the interval.
    candidates: usize,
}

impl Choice {
    /// The whole or half number that the points mean, or their own number where they mean none.
    fn of(measured: f64, half_width: f64) -> Self {
        let half_width = half_width.max(NEAR_WHOLE * measured);
        let halves = (1..=48_u8).map(|halves| f64::from(halves) / 2.0);
        let inside: Vec<_> = halves.filter(|number| (number - measured).abs() <= half_width).collect();
        let nearest = inside.iter().copied().min_by(|a, b| (a - measured).abs().total_cmp(&(b - measured).abs()));
        Self { pulses: nearest.unwrap_or(measured), candidates: inside.len() }
    }

    fn remark(&self, measured: f64, half_width: f64) -> Option<Remark> {
        match self.candidates {
            1 => None,
            0 if !USUAL_PULSES.contains(&measured) => None,
            0 => Some(Remark::new(
                "odd-ratio",
                format!(
                    "{measured:.3} pulses per revolution is no whole or half number. Right for an alternator on a belt; \
                     else the other instrument is out by a fixed ratio, or pulses are lost or doubled."
                ),
            )),
            many => Some(Remark::new(
                "undecided",
                format!(
                    "{measured:.2} ± {half_width:.2} leaves {many} numbers possible; {} is nearest. Measure at higher speed \
                     or with a better instrument.",
                    self.pulses
                ),
            )),
        }
    }

    fn line(&self) -> String {
        if self.candidates == 0 {
            format!("pulses_per_rev = {:.4}", self.pulses)
        } else {
            format!("pulses_per_rev = {}", self.pulses)
        }
    }
}

fn per_minute(measured: f64) -> Option<Remark> {
    (measured > *USUAL_PULSES.end() && USUAL_PULSES.contains(&(measured / 60.0))).then(|| {
        let text = format!(
            "{measured:.0} pulses per revolution are no engine's; {:.1}, a sixtieth, could be. Do the pulses belong to a \
             minute? The column is pulses per second.",
            measured / 60.0
        );
        Remark::new("sixty-fold", text)
    })
}

/// A wrong number of poles gives a fixed ratio at all speeds.
fn wrong_number(pulses: f64, in_profile: Option<f64>) -> Option<Remark> {
    let in_profile = in_profile?;
    let ratio = pulses / in_profile;
    ((ratio - 1.0).abs() > OTHER_NUMBER).then(|| {
        let text = format!(
            "With the profile's {in_profile} pulses per revolution ({:.0} poles) the monitor shows {ratio:.2} times the true \
             speed, at all speeds: a wrong pole count. The points mean {pulses} ({:.0} poles at two poles a pulse). \
             Replace its section [calibration.rpm].",
            in_profile * 2.0,
            pulses * 2.0
        );
        Remark::new("wrong-pole-count", text)
    })
}

/// A straight line that does not go through nothing is no ratio.
fn ratio_changes(speeds: &[Speed]) -> Option<Remark> {
    let (least, most) = ends(speeds)?;
    if speeds.len() < 3 || most < DIFFERENT * least {
        return None;
    }
    let observations: Vec<_> = speeds.iter().map(|speed| observation(speed, true)).collect();
    let solution = regression::solve(&observations)?;
    let shows = solution.coefficients[1].abs() > solution.half_width(&[0.0, 1.0]);
    shows.then(|| {
        let at = |rpm: f64| solution.value(&[rpm / 60.0, 1.0]) * 60.0 / rpm;
        let text = format!(
            "The ratio changes with speed: {:.2} pulses per revolution at {least:.0} rpm, {:.2} at {most:.0} rpm. That is \
             no pole count: a slipping belt, pulses lost at one end of the range or doubled at the other.",
            at(least),
            at(most)
        );
        Remark::new("ratio-changes", text)
    })
}

fn too_close(speeds: &[Speed]) -> Option<Remark> {
    let (least, most) = ends(speeds)?;
    (speeds.len() < 2 || most < DIFFERENT * least).then(|| {
        let text = format!(
            "Speeds from {least:.0} to {most:.0} rpm are too close together to show that the ratio is fixed. Add idle and a \
             speed three times as high."
        );
        Remark::new("points-too-close", text)
    })
}

fn ends(speeds: &[Speed]) -> Option<(f64, f64)> {
    let rpm = || speeds.iter().map(|speed| speed.rpm);
    Some((rpm().reduce(f64::min)?, rpm().reduce(f64::max)?))
}

/// Nothing is left of the reference's error where the number of poles is certain.
fn band(choice: &Choice, share: f64, speeds: &[Speed], profile: Option<&Profile>) -> Vec<Band> {
    let whole = |rpm: monitor_core::units::Rpm| f64::from(rpm.as_quarter_rpm()) / 4.0;
    let (idle, most) = profile.map_or(WORKING_RPM, |profile| (whole(profile.idle), whole(profile.max)));
    let measured = ends(speeds).unwrap_or((idle, most));
    // A microsecond of the time between two pulses, at the fastest.
    let half_width = if choice.candidates == 1 { 0.1 } else { share * 100.0 };
    let at = |at: f64| Band { at, half_width, extrapolated: !(measured.0 * 0.8..=measured.1 * 1.25).contains(&at) };
    [idle, f64::midpoint(idle, most), most].into_iter().map(at).collect()
}

fn basis(solution: &Solution, choice: &Choice, reference_error_rpm: f64) -> String {
    let scatter = match solution.scatter {
        None => "; there is one point, so nothing checks it".to_owned(),
        Some(scatter) if scatter > 1.0 => format!(", widened because the points scatter {scatter:.1} times as far"),
        Some(_) => ", which the scatter of the points bears out".to_owned(),
    };
    let whole = if choice.candidates == 1 {
        "; only one whole or half number lies near enough, so the error of the other instrument drops out; that of the \
         board's clock comes on top"
    } else {
        ""
    };
    format!("another instrument within {reference_error_rpm} rpm{scatter}{whole}.")
}

#[cfg(test)]
mod tests;
