//! From a few measured points to the calibration lines of a profile, with the error that is left; and what a careful
//! installer would ask about a profile.
//!
//! Calibration is done once, with a kettle, a bucket and a strobe. What goes wrong then stays wrong for years, so each
//! fit says how far its numbers can be out over the range the sensor works in, on what that rests, and which of the
//! usual mistakes the points look like. It never corrects a point by itself.

pub mod check;
pub mod flow;
pub mod json;
mod plot;
mod points;
mod regression;
pub mod tacho;
pub mod text;
pub mod thermistor;

use std::path::Path;

use crate::profile::HostProfile;

/// What a fit may know beside the points.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// The profile that the lines are for: its calibration is compared, its limits give the working range.
    pub profile: Option<HostProfile>,
}

/// A point and what the fit makes of it.
#[derive(Debug, Clone, PartialEq)]
pub struct FittedPoint {
    /// Line in the file.
    pub line: u64,
    /// Where the point lies on the axis of the working range, where that is known.
    pub at: Option<f64>,
    /// What was measured.
    pub measured: f64,
    /// What the fitted numbers give instead, in the same unit.
    pub fitted: f64,
    /// How far off the fit is, in the unit of [`Report::off_unit`].
    pub off: f64,
    /// Whether the point was used; the others lie too far off.
    pub used: bool,
}

/// A fitted number.
#[derive(Debug, Clone, PartialEq)]
pub struct Parameter {
    /// Its key in the profile, or what it is called.
    pub name: &'static str,
    /// The number.
    pub value: f64,
    /// Half the 95 % interval; `None` for coefficients that mean nothing one by one.
    pub half_width: Option<f64>,
    /// Its unit, where the name does not say it.
    pub unit: &'static str,
}

/// The error that is left at one place of the working range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// The place, in the unit of the axis.
    pub at: f64,
    /// Half the 95 % interval, in the unit of [`Report::off_unit`].
    pub half_width: f64,
    /// Whether the place lies outside the measured points.
    pub extrapolated: bool,
}

/// Something that the installer should look at again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remark {
    /// A stable name of the mistake.
    pub id: &'static str,
    /// What was seen and what to do.
    pub text: String,
}

impl Remark {
    fn new(id: &'static str, text: impl Into<String>) -> Self {
        Self { id, text: text.into() }
    }
}

/// The quantity along the working range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Axis {
    /// What was measured, as the head of a column.
    pub measured: &'static str,
    /// What stands beside it by the fit.
    pub fitted: &'static str,
    /// Unit of the two.
    pub unit: &'static str,
    /// Decimals of the two.
    pub places: usize,
    /// Unit along the working range.
    pub along: &'static str,
    /// Decimals along the working range.
    pub along_places: usize,
}

/// What a fit comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// What was fitted, as the heading.
    pub title: &'static str,
    /// The command's word for it.
    pub sensor: &'static str,
    /// The points file.
    pub file: String,
    /// What the points are measured in.
    pub axis: Axis,
    /// Unit of everything that is off: K or %.
    pub off_unit: &'static str,
    /// The points, in the order of the file.
    pub points: Vec<FittedPoint>,
    /// The numbers that were fitted.
    pub parameters: Vec<Parameter>,
    /// The error that is left over the working range.
    pub band: Vec<Band>,
    /// What the error rests on.
    pub basis: String,
    /// What looks like a mistake.
    pub remarks: Vec<Remark>,
    /// The lines for the profile.
    pub profile_lines: String,
}

/// Remarks that every kind of fit can have: points left out, points that contradict each other.
fn remarks_of_scatter(solution: &regression::Solution, lines: &[u64]) -> Vec<Remark> {
    let mut remarks = Vec::new();
    let left_out: Vec<_> =
        lines.iter().zip(&solution.used).filter(|(_, used)| !**used).map(|(line, _)| line.to_string()).collect();
    if !left_out.is_empty() {
        let plural = if left_out.len() == 1 { "Line" } else { "Lines" };
        remarks.push(Remark::new(
            "point-left-out",
            format!(
                "{plural} {} lies too far from what the other points agree on and was left out. Measure it again; if \
                 it was right, the others are wrong.",
                left_out.join(", ")
            ),
        ));
    }
    if solution.disagrees() {
        let scatter = solution.scatter.unwrap_or(0.0);
        remarks.push(Remark::new(
            "points-disagree",
            format!(
                "The points contradict each other: they scatter {scatter:.1} times as far as the instruments explain. \
                 Look for a swapped row, a reading taken too early, or a worse instrument than was said."
            ),
        ));
    }
    remarks
}

/// The lines of one section, with where they come from. Lines that a profile would refuse are a remark more.
fn section(name: &str, points: &points::Points, known: &Known, remarks: &mut Vec<Remark>, lines: &[String]) -> String {
    let body: String = lines.iter().map(|line| format!("{line}\n")).collect();
    let head = format!("[calibration.{name}]\n");
    remarks.extend(refused(&format!("{head}{body}"), known));
    let ids: Vec<_> = remarks.iter().map(|remark| remark.id).collect();
    let doubt = if ids.is_empty() { String::new() } else { format!("# in doubt: {}\n", ids.join(", ")) };
    // A file name may hold anything; a comment ends with its line.
    let file: String = points.file.chars().map(|sign| if sign.is_control() { '?' } else { sign }).collect();
    format!("{head}# fitted to {} of {file}\n{doubt}{body}", text::counted(points.count(), "point"))
}

/// What the reader of profiles has against the lines, if anything.
fn refused(lines: &str, known: &Known) -> Option<Remark> {
    let flow_min = known.profile.as_ref().and_then(|profile| profile.core.flow_min);
    let water = flow_min.map_or_else(String::new, |flow| {
        format!("[water]\nflow_min_lpm = {}\n", f64::from(flow.as_millilitres_per_minute()) / 1_000.0)
    });
    let profile = format!("[engine]\nstrokes = 4\nidle_rpm = 750\nmax_rpm = 6000\n{water}{lines}");
    let problem = HostProfile::from_toml(Path::new(""), &profile).err()?;
    Some(Remark::new("refused", format!("A profile refuses these lines: {}. {}.", problem.cause, problem.remedy)))
}

#[cfg(test)]
mod properties;
