//! A fit as one JSON object; keys as in `docs/fitting.md`.

use serde::Serialize;

use super::{Remark, Report};

#[derive(Serialize)]
struct Whole<'a> {
    fit: &'a str,
    file: &'a str,
    unit: &'a str,
    off_unit: &'a str,
    points: Vec<Point>,
    parameters: Vec<Parameter<'a>>,
    band: Vec<Band<'a>>,
    basis: &'a str,
    remarks: Vec<Said<'a>>,
    profile: &'a str,
}

#[derive(Serialize)]
struct Point {
    line: u64,
    measured: f64,
    fitted: f64,
    off: f64,
    used: bool,
}

#[derive(Serialize)]
struct Parameter<'a> {
    name: &'a str,
    value: f64,
    half_width: Option<f64>,
    unit: &'a str,
}

#[derive(Serialize)]
struct Band<'a> {
    at: f64,
    at_unit: &'a str,
    half_width: f64,
    extrapolated: bool,
}

/// A remark as programs see it.
#[derive(Serialize)]
pub(super) struct Said<'a> {
    id: &'a str,
    text: &'a str,
}

pub(super) fn said(remarks: &[Remark]) -> Vec<Said<'_>> {
    remarks.iter().map(|Remark { id, text }| Said { id, text }).collect()
}

/// The report as one line of JSON.
///
/// # Errors
/// A number that JSON cannot hold, which no fit has.
pub fn to_json(report: &Report) -> Result<String, serde_json::Error> {
    let points = report.points.iter().map(|point| Point {
        line: point.line,
        measured: point.measured,
        fitted: point.fitted,
        off: point.off,
        used: point.used,
    });
    let parameters = report.parameters.iter().map(|parameter| Parameter {
        name: parameter.name,
        value: parameter.value,
        half_width: parameter.half_width,
        unit: parameter.unit,
    });
    let band = report.band.iter().map(|band| Band {
        at: band.at,
        at_unit: report.axis.along,
        half_width: band.half_width,
        extrapolated: band.extrapolated,
    });
    serde_json::to_string(&Whole {
        fit: report.sensor,
        file: &report.file,
        unit: report.axis.unit,
        off_unit: report.off_unit,
        points: points.collect(),
        parameters: parameters.collect(),
        band: band.collect(),
        basis: &report.basis,
        remarks: said(&report.remarks),
        profile: &report.profile_lines,
    })
    .map(|text| text + "\n")
}
