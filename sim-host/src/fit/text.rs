//! A fit as a page to read, 80 columns wide.

use std::fmt::Write as _;

use super::{Band, Parameter, Remark, Report, plot};
use crate::timeline::write_wrapped;

/// The whole report, the lines for the profile at its end.
#[must_use]
pub fn to_text(report: &Report) -> String {
    without_lines(report) + "Lines for the profile:\n\n" + &report.profile_lines
}

/// The report but for the lines for the profile.
#[must_use]
pub fn without_lines(report: &Report) -> String {
    let heading = format!("{}: {} of {}", report.title, counted(report.points.len(), "point"), report.file);
    let mut page = wrapped("", &heading, 2);
    let axis = report.axis;
    let _ = writeln!(page, "  {:>4}  {:>18}  {:>18}  {:>10}", "line", axis.measured, axis.fitted, "off");
    for point in &report.points {
        let cell = |number: f64| format!("{} {}", plain(number, axis.places), axis.unit);
        let off = format!("{} {}", signed(point.off, 2), report.off_unit);
        let note = if point.used { "" } else { "  left out" };
        let _ = writeln!(
            page,
            "  {:>4}  {:>18}  {:>18}  {off:>10}{note}",
            point.line,
            cell(point.measured),
            cell(point.fitted)
        );
    }
    page.push_str(&plot::draw(report));
    for parameter in &report.parameters {
        page.push_str(&wrapped("  ", &parameter_words(parameter), 4));
    }
    page.push_str(&band(report));
    page.push_str(&wrapped("", &format!("Basis: {}", report.basis), 2));
    page.push_str(&remarks(&report.remarks));
    page
}

/// The remarks, one paragraph each; nothing where there are none.
pub(super) fn remarks(remarks: &[Remark]) -> String {
    remarks.iter().map(|remark| wrapped("", &format!("Look again [{}]: {}", remark.id, remark.text), 2)).collect()
}

fn parameter_words(parameter: &Parameter) -> String {
    let Parameter { name, value, half_width, unit } = parameter;
    let text = match half_width {
        Some(half_width) => {
            let places = places_for(*half_width);
            format!("{name} {value:.places$} ± {half_width:.places$} {unit}")
        }
        None => format!("{name} {value:.6e} {unit}"),
    };
    text.trim_end().to_owned()
}

/// Two lines: the places of the working range, and the error left at each; nothing where no place is known.
fn band(report: &Report) -> String {
    if report.band.is_empty() {
        return String::new();
    }
    let axis = report.axis;
    let cells = |cell: &dyn Fn(&Band) -> String| {
        report.band.iter().map(|band| format!(" {:>10}", cell(band))).collect::<String>()
    };
    let star = |band: &Band| if band.extrapolated { "*" } else { "" };
    let at = cells(&|band| format!("{:.*} {}{}", axis.along_places, band.at, axis.along, star(band)));
    let error = cells(&|band| {
        format!("±{:.1} {}{}", band.half_width, report.off_unit, if star(band).is_empty() { "" } else { " " })
    });
    let note = if report.band.iter().any(|band| band.extrapolated) { "; * outside the measured points" } else { "" };
    format!("Error left (95 %{note}):\n {}\n {}\n", at, error.trim_end())
}

/// Decimals with which an uncertainty shows two digits, three at most.
fn places_for(half_width: f64) -> usize {
    [10.0, 1.0, 0.1].iter().take_while(|step| half_width < **step).count()
}

/// A number with its sign; nothing off has none.
pub(super) fn signed(number: f64, places: usize) -> String {
    let text = format!("{number:+.places$}");
    if text.chars().any(|sign| ('1'..='9').contains(&sign)) { text } else { format!("{:.places$}", 0.0) }
}

/// A number without a sign before nothing.
fn plain(number: f64, places: usize) -> String {
    let text = format!("{number:.places$}");
    if text.chars().any(|sign| ('1'..='9').contains(&sign)) { text } else { format!("{:.places$}", 0.0) }
}

/// A text in lines of 80 columns.
pub(super) fn wrapped(lead: &str, text: &str, rest: usize) -> String {
    let mut bytes = Vec::new();
    // Memory is never full for a line.
    let _ = write_wrapped(&mut bytes, lead, text, rest);
    String::from_utf8(bytes).unwrap_or_default()
}

/// So many of `what`.
pub(super) fn counted(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}
