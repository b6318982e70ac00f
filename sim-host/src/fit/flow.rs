//! A flow meter from buckets: pulses that were counted while so much water ran.
//!
//! The line is that of the core, f = k Q / 60 + offset, with f in Hz, k in pulses per litre and Q in L/min. The offset needs
//! flows that differ and their times; without them only k is fitted.

use std::path::Path;

use monitor_core::profile::Profile;
use monitor_core::units::Flow;

use super::points::{self, Points, Quantity};
use super::regression::{self, Observation, Solution};
use super::{Axis, Band, FittedPoint, Known, Parameter, Remark, Report, remarks_of_scatter, section};
use crate::problem::Problem;

/// Header of a points file.
pub const HEADER: &str = "pulses,litres,seconds";
/// What a bucket with marks may be out by, in litres: common practice.
pub const WATER_ERROR_L: f64 = 0.1;
/// What a reference flow meter may be out by, in per cent: common practice.
const REFERENCE_METER_PERCENT: f64 = 2.0;
/// A bucket should be good for this, in per cent.
const WANTED_PERCENT: f64 = 2.0;
/// Pulses per litre of the meters that suit a telltale: turbines with 270 to 3,900 are sold (common practice).
pub(super) const USUAL_PER_LITRE: std::ops::RangeInclusive<f64> = 200.0..=6_000.0;
/// Flows of telltales in L/min, from idle to full speed: 0.5 to 6 (from memory, low confidence).
const WORKING_LPM: [f64; 3] = [1.0, 3.0, 6.0];
/// The least flow of small turbine meters, where no profile says it: common practice.
const DEFAULT_LEAST: Flow = Flow::from_millilitres_per_minute(300);
/// The greatest flow over the least, from which on they differ.
const DIFFERENT: f64 = 2.0;
/// A profile whose number differs by more than this share is another meter's.
const OTHER_METER: f64 = 0.05;
/// 95 % in standard errors.
const SIGMAS: f64 = 2.0;

/// One bucket, or one reading of a reference meter.
#[derive(Debug, Clone, Copy)]
struct Bucket {
    /// Water in litres, and the pulses of it; of a reference meter in one minute.
    litres: f64,
    pulses: f64,
    /// How long it took.
    minutes: Option<f64>,
    /// What the instruments may be out by, as a share.
    share: f64,
}

/// The straight line of a meter.
#[derive(Debug, Clone, Copy)]
struct Line {
    per_litre: f64,
    offset_hz: f64,
}

impl Line {
    /// The water that so many pulses mean.
    fn litres(self, bucket: &Bucket) -> f64 {
        let idle = bucket.minutes.map_or(0.0, |minutes| self.offset_hz * minutes * 60.0);
        (bucket.pulses - idle) / self.per_litre
    }
}

/// Fits the points of a file. `water_error_l` is what the bucket may be out by, in litres.
///
/// # Errors
/// A file that cannot be read, or points that are no flow meter's: exit code 2 with file, line, cause and remedy.
pub fn fit(path: &Path, known: &Known, water_error_l: f64) -> Result<Report, Problem> {
    let points = Points::load(path, &points::FLOW, HEADER)?;
    fit_points(&points, known, water_error_l)
}

pub(super) fn fit_points(points: &Points, known: &Known, water_error_l: f64) -> Result<Report, Problem> {
    let by_meter = points.has(Quantity::LitresPerMinute);
    let buckets = read(points, water_error_l)?;
    let solutions = solve(points, &buckets)?;
    let (solution, line) = (&solutions.used, solutions.line);
    let mut remarks: Vec<_> = [
        little_water(points, &buckets, by_meter, line, water_error_l),
        sixty_fold(line, known, by_meter),
        few(&buckets),
    ]
    .into_iter()
    .flatten()
    .collect();
    remarks.extend(remarks_of_scatter(solution, &points.lines()));
    let fitted = points.lines().into_iter().zip(&buckets).zip(&solution.used).map(|((number, bucket), used)| {
        let litres = line.litres(bucket);
        let at = bucket.minutes.map(|minutes| bucket.litres / minutes);
        FittedPoint {
            line: number,
            at,
            measured: bucket.litres,
            fitted: litres,
            off: (litres / bucket.litres - 1.0) * 100.0,
            used: *used,
        }
    });
    let unit = if by_meter { "L/min" } else { "L" };
    Ok(Report {
        title: "Flow meter",
        sensor: "flow",
        file: points.file.clone(),
        axis: Axis { measured: "measured", fitted: "by the meter", unit, places: 2, along: "L/min", along_places: 1 },
        off_unit: "%",
        points: fitted.collect(),
        parameters: parameters(solution, line),
        band: band(&solutions, &buckets, known),
        basis: basis(solution, &buckets, by_meter, water_error_l),
        profile_lines: section("flow", points, known, &mut remarks, &lines(line)),
        remarks,
    })
}

fn read(points: &Points, water_error_l: f64) -> Result<Vec<Bucket>, Problem> {
    use Quantity::{Hertz, Litres, LitresPerMinute, Pulses, Seconds};
    points.refuse_what_is_not_above_zero(&[Pulses, Litres, Seconds, Hertz, LitresPerMinute])?;
    let buckets: Vec<_> = if points.has(Pulses) && points.has(Litres) {
        let mut minutes = points.of(Seconds).into_iter().map(|seconds| seconds / 60.0);
        let share = |pulses: f64, litres: f64| (1.0 / pulses).hypot(water_error_l / litres);
        let both = points.of(Pulses).into_iter().zip(points.of(Litres));
        both.map(|(pulses, litres)| Bucket { litres, pulses, minutes: minutes.next(), share: share(pulses, litres) })
            .collect()
    } else if points.has(Hertz) && points.has(LitresPerMinute) {
        let both = points.of(Hertz).into_iter().zip(points.of(LitresPerMinute));
        let share = REFERENCE_METER_PERCENT / 100.0;
        both.map(|(hertz, lpm)| Bucket { litres: lpm, pulses: hertz * 60.0, minutes: Some(1.0), share }).collect()
    } else {
        let remedy = format!("Begin the file with {HEADER}, or with hz,lpm where another meter shows the flow");
        return Err(points.problem("Pulses and water must both be there", remedy));
    };
    // Fewer pulses than litres: the other way round it would be a meter.
    if let Some(point) = buckets.iter().position(|bucket| bucket.pulses < bucket.litres) {
        let Bucket { pulses, litres, .. } = buckets[point];
        let swapped = USUAL_PER_LITRE.contains(&(litres / pulses));
        let remedy = if swapped {
            "The two columns look swapped: exchange the names in the header"
        } else {
            "Count every pulse: look at the pull-up and at the counter's input"
        };
        return Err(points.problem_at(
            point,
            format!("{pulses} pulses of {litres} litres are no flow meter's"),
            remedy,
        ));
    }
    Ok(buckets)
}

/// What the points determine: the number of pulses alone, and with the offset where flows differ enough.
#[derive(Debug)]
struct Solutions {
    line: Line,
    /// Of the line that is used.
    used: Solution,
    /// Of the line with an offset, whether it is used or not: it says how well small flows are known.
    with_offset: Option<Solution>,
}

/// The offset is used where the points show that there is one.
fn solve(points: &Points, buckets: &[Bucket]) -> Result<Solutions, Problem> {
    let with_offset = with_offset(buckets);
    if let Some(solution) = &with_offset {
        let line = Line { per_litre: solution.coefficients[0], offset_hz: solution.coefficients[1] };
        if line.offset_hz.abs() > solution.half_width(&[0.0, 1.0]) && line.per_litre > 0.0 {
            return Ok(Solutions { line, used: solution.clone(), with_offset });
        }
    }
    let observations: Vec<_> = buckets
        .iter()
        .map(|bucket| {
            let per_litre = bucket.pulses / bucket.litres;
            Observation { row: vec![1.0], value: per_litre, sigma: per_litre * bucket.share / SIGMAS }
        })
        .collect();
    let used = regression::solve(&observations)
        .ok_or_else(|| points.problem("The points give no number of pulses", "Measure three buckets again"))?;
    Ok(Solutions { line: Line { per_litre: used.coefficients[0], offset_hz: 0.0 }, used, with_offset })
}

fn with_offset(buckets: &[Bucket]) -> Option<Solution> {
    let flows = flows(buckets);
    let (least, most) = ends(&flows)?;
    if flows.len() < 3 || most < DIFFERENT * least {
        return None;
    }
    let observations: Vec<_> = buckets
        .iter()
        .filter_map(|bucket| {
            let minutes = bucket.minutes?;
            let hertz = bucket.pulses / minutes / 60.0;
            let row = vec![bucket.litres / minutes / 60.0, 1.0];
            Some(Observation { row, value: hertz, sigma: hertz * bucket.share / SIGMAS })
        })
        .collect();
    regression::solve(&observations)
}

fn flows(buckets: &[Bucket]) -> Vec<f64> {
    buckets.iter().filter_map(|bucket| Some(bucket.litres / bucket.minutes?)).collect()
}

fn ends(numbers: &[f64]) -> Option<(f64, f64)> {
    let least = numbers.iter().copied().reduce(f64::min)?;
    Some((least, numbers.iter().copied().reduce(f64::max)?))
}

fn parameters(solution: &Solution, line: Line) -> Vec<Parameter> {
    let has_offset = solution.coefficients.len() > 1;
    let unit: &[f64] = if has_offset { &[1.0, 0.0] } else { &[1.0] };
    let half_width = Some(solution.half_width(unit));
    let mut parameters = vec![Parameter { name: "pulses_per_litre", value: line.per_litre, half_width, unit: "" }];
    if has_offset {
        let half_width = Some(solution.half_width(&[0.0, 1.0]));
        parameters.push(Parameter { name: "offset_hz", value: line.offset_hz, half_width, unit: "" });
    }
    parameters
}

/// Never better than the best bucket: its marks may all be out the same way. Where flows do not differ enough to show an
/// offset, nothing is said of flows that were not measured.
fn band(solutions: &Solutions, buckets: &[Bucket], known: &Known) -> Vec<Band> {
    let Some((least_measured, most_measured)) = ends(&flows(buckets)) else { return Vec::new() };
    let floor = buckets.iter().map(|bucket| bucket.share).fold(f64::INFINITY, f64::min);
    let profile = known.profile.as_ref().map(|profile| &profile.core);
    let least = profile.map_or(DEFAULT_LEAST, Profile::flow_min_or_default);
    let least = f64::from(least.as_millilitres_per_minute()) / 1_000.0;
    // A tenth beyond the measured flows is near enough.
    let inside = |at: f64| (least_measured * 0.9..=most_measured * 1.1).contains(&at);
    let per_litre = solutions.line.per_litre;
    let at = |lpm: f64| {
        let share = match &solutions.with_offset {
            Some(solution) => solution.half_width(&[lpm / 60.0, 1.0]) * 60.0 / (per_litre * lpm),
            None => solutions.used.half_width(&[1.0]) / per_litre,
        };
        Band { at: lpm, half_width: share.max(floor) * 100.0, extrapolated: !inside(lpm) }
    };
    let places = [least].into_iter().chain(WORKING_LPM.into_iter().filter(|lpm| *lpm > least));
    let places: Vec<_> = places.filter(|lpm| solutions.with_offset.is_some() || inside(*lpm)).collect();
    if places.is_empty() {
        vec![at(f64::midpoint(least_measured, most_measured))]
    } else {
        places.into_iter().map(at).collect()
    }
}

fn basis(solution: &Solution, buckets: &[Bucket], by_meter: bool, water_error_l: f64) -> String {
    let instruments = if by_meter {
        format!("a reference meter within {REFERENCE_METER_PERCENT} %")
    } else {
        format!("water measured within {water_error_l} L and one pulse")
    };
    let scatter = match solution.scatter {
        None => "; there are no more points than numbers to fit, so nothing checks them".to_owned(),
        Some(scatter) if scatter > 1.0 => format!(", widened because the points scatter {scatter:.1} times as far"),
        Some(_) => ", which the scatter of the points bears out".to_owned(),
    };
    let range = match ends(&flows(buckets)) {
        Some((least, most)) => {
            format!("measured from {least:.1} to {most:.1} L/min; below, a rotor drags and the meter reads low")
        }
        None => {
            "at which flow is not known (no column seconds), so nothing is said of small flows, where meters read low"
                .to_owned()
        }
    };
    format!("{instruments}{scatter}; {range}.")
}

/// A bucket whose water or pulses are too few to be good for [`WANTED_PERCENT`].
fn little_water(points: &Points, buckets: &[Bucket], by_meter: bool, line: Line, water_error_l: f64) -> Option<Remark> {
    let lines: Vec<_> = points
        .lines()
        .into_iter()
        .zip(buckets)
        .filter(|(_, bucket)| bucket.share * 100.0 > WANTED_PERCENT)
        .map(|(number, bucket)| format!("line {number} ±{:.0} %", bucket.share * 100.0))
        .collect();
    if by_meter || lines.is_empty() {
        return None;
    }
    let needed = (water_error_l * 100.0 / WANTED_PERCENT).hypot(100.0 / WANTED_PERCENT / line.per_litre).ceil();
    let text = format!(
        "Too little water ({}): with {water_error_l} L of error in the bucket, {WANTED_PERCENT} % takes {needed:.0} L. Use \
         more water, or weigh it and say --water-error.",
        lines.join(", ")
    );
    Some(Remark::new("little-water", text))
}

/// Hertz at 1 L/min is a sixtieth of pulses per litre, and both are printed as "the" number of a meter.
fn sixty_fold(line: Line, known: &Known, by_meter: bool) -> Option<Remark> {
    let k = line.per_litre;
    if let Some(pulses) = known.profile.as_ref().and_then(|profile| profile.calibration.flow) {
        let in_profile = f64::from(pulses.per_litre_milli) / 1_000.0;
        let ratio = k / in_profile;
        let near = |wanted: f64| (ratio / wanted - 1.0).abs() < 0.25;
        if near(60.0) || near(1.0 / 60.0) {
            let text = format!(
                "The profile has {in_profile} where the meter gives {k:.1} pulses per litre, a factor of 60: hertz at \
                 1 L/min was taken for pulses per litre. Replace the profile's section [calibration.flow]."
            );
            return Some(Remark::new("sixty-fold", text));
        }
        if (ratio - 1.0).abs() > OTHER_METER {
            let text = format!(
                "The profile has {in_profile} pulses per litre, the points {k:.1}: meters of one type differ. Replace \
                 the profile's section [calibration.flow], or measure again."
            );
            return Some(Remark::new("other-meter", text));
        }
    }
    if USUAL_PER_LITRE.contains(&k) {
        return None;
    }
    let (other, hint) = match (k < *USUAL_PER_LITRE.start(), by_meter) {
        (true, true) => (k * 60.0, "Do hz and lpm stand under each other's names?"),
        (true, false) => (k * 60.0, "Was the frequency written down instead of all pulses?"),
        (false, true) => (k / 60.0, "Does hz hold the pulses of a minute?"),
        (false, false) => (k / 60.0, "Does the number of pulses belong to more water than that?"),
    };
    USUAL_PER_LITRE.contains(&other).then(|| {
        let text = format!(
            "{k:.1} pulses per litre is not usual for a telltale; {other:.0}, a factor of 60 away, is. {hint} Hertz at \
             1 L/min is a sixtieth of pulses per litre."
        );
        Remark::new("sixty-fold", text)
    })
}

fn few(buckets: &[Bucket]) -> Option<Remark> {
    if buckets.len() < 3 {
        let text =
            "Fewer than three buckets: nothing shows whether one of them was wrong. Measure three, slow and fast.";
        return Some(Remark::new("few-points", text));
    }
    let (least, most) = ends(&flows(buckets))?;
    (most < DIFFERENT * least).then(|| {
        let text = format!(
            "All flows lie between {least:.1} and {most:.1} L/min: too close together to show how the meter errs at \
             small flows. Add a bucket at a quarter of the flow."
        );
        Remark::new("points-too-close", text)
    })
}

fn lines(line: Line) -> Vec<String> {
    let mut lines = vec![format!("pulses_per_litre = {}", thousandths(line.per_litre))];
    if line.offset_hz != 0.0 {
        lines.push(format!("offset_hz = {}", thousandths(line.offset_hz)));
    }
    lines
}

/// Rounded to what a profile keeps.
fn thousandths(number: f64) -> f64 {
    (number * 1_000.0).round() / 1_000.0
}

#[cfg(test)]
mod tests;
