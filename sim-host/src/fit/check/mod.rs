//! What a careful installer would ask about a profile, and what each channel can resolve on a board.
//!
//! The profile was read without a problem before: nothing here is wrong for certain. Each question names what it costs.

mod cost;
mod questions;
mod resolution;

use std::path::Path;

use monitor_core::acquire::adc::{AdcScale, CalibrationError, Resistance};
use serde::Serialize;

use super::json::{Said, said};
use super::{Remark, text};
use crate::problem::Problem;
use crate::profile::HostProfile;

/// What the profile does not say of the board.
#[derive(Debug, Clone, Copy)]
pub struct Board {
    scale: AdcScale,
    reference_mv: u32,
    pull_up: Resistance,
    /// As a share.
    tolerance: f64,
}

impl Board {
    /// A converter of so many bits and full scale at `reference_mv` at the pin, `pull_up_ohm` to the reference, resistors
    /// within `tolerance_percent`.
    ///
    /// # Errors
    /// A converter that cannot be, in words.
    pub fn new(bits: u8, reference_mv: u32, pull_up_ohm: u32, tolerance_percent: f64) -> Result<Self, &'static str> {
        let full_scale = 1_u32.checked_shl(bits.into()).unwrap_or(0).saturating_sub(1);
        let scale = AdcScale::new(full_scale, 0, 0).map_err(CalibrationError::message)?;
        let pull_up = Resistance::from_ohms(pull_up_ohm);
        Ok(Self { scale, reference_mv, pull_up, tolerance: tolerance_percent / 100.0 })
    }

    fn full_scale(self) -> f64 {
        f64::from(self.scale.full_scale())
    }
}

/// One place in the range of one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Place {
    /// The channel.
    pub channel: &'static str,
    /// The value there.
    pub at: f64,
    /// Unit of `at`.
    pub unit: &'static str,
    /// What comes in at the pin there.
    pub signal: String,
    /// The least change that shows, in the unit of `step_unit`.
    pub step: f64,
    /// What the board's resistors and the model of the curve may add, in the same unit; null where nothing does.
    pub error: Option<f64>,
    /// Unit of step and error.
    pub step_unit: &'static str,
}

/// A finding that cannot be found, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Cost {
    /// Why, in words.
    pub why: String,
    /// The findings.
    pub findings: Vec<&'static str>,
}

/// The whole answer.
#[derive(Debug, Clone)]
pub struct Checked {
    file: String,
    board: String,
    /// What to look at again.
    pub questions: Vec<Remark>,
    /// Findings that this engine does without.
    pub costs: Vec<Cost>,
    /// What each channel can resolve.
    pub places: Vec<Place>,
}

/// Reads a profile and looks at it.
///
/// # Errors
/// A profile that cannot be used: exit code 2, with file, line, cause and remedy.
pub fn check(path: &Path, board: &Board) -> Result<Checked, Problem> {
    let profile = HostProfile::load(path)?;
    let (places, mut questions) = resolution::of(&profile, board);
    questions.extend(questions::of(&profile));
    Ok(Checked {
        file: path.display().to_string(),
        board: format!(
            "{} counts for {} mV, {} ohm to the reference where the profile names none, resistors within {} %",
            board.scale.full_scale(),
            board.reference_mv,
            f64::from(board.pull_up.as_milliohms()) / 1_000.0,
            board.tolerance * 100.0
        ),
        questions,
        costs: cost::of(&profile.core),
        places,
    })
}

/// The answer as a page to read, 80 columns wide.
#[must_use]
pub fn to_text(checked: &Checked) -> String {
    let mut page = text::wrapped("", &format!("{}: {}", checked.file, summary(checked)), 2);
    page.push_str(&text::remarks(&checked.questions));
    for Cost { why, findings } in &checked.costs {
        page.push_str(&text::wrapped("", &format!("Not found: {} ({why}).", findings.join(", ")), 2));
    }
    if checked.places.is_empty() {
        page.push_str("No channel is calibrated: a board cannot read any of them yet.\n");
        return page;
    }
    page.push_str(&text::wrapped("", &format!("What a board can tell apart ({}):", checked.board), 2));
    page.push_str(&table(&checked.places));
    page
}

fn summary(checked: &Checked) -> String {
    match checked.questions.len() {
        0 => "nothing to ask about".to_owned(),
        count => format!("{} to look at again", text::counted(count, "thing")),
    }
}

fn table(places: &[Place]) -> String {
    let mut table = format!("  {:<7} {:>11}  {:<34} {:>11} {:>9}\n", "channel", "at", "signal", "step", "error");
    for place in places {
        let number = |number: f64| format!("{} {}", decimals(number), place.step_unit);
        let error = place.error.map_or("-".to_owned(), number);
        let at = format!("{} {}", decimals(place.at), place.unit);
        let line =
            format!("  {:<7} {at:>11}  {:<34} {:>11} {error:>9}\n", place.channel, place.signal, number(place.step));
        table.push_str(&line);
    }
    table
}

/// Three significant digits, as people read them.
fn decimals(number: f64) -> String {
    let places = match number.abs() {
        size if size >= 100.0 => 0,
        size if size >= 10.0 => 1,
        size if size >= 1.0 || size == 0.0 => 2,
        _ => 3,
    };
    let text = format!("{number:.places$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

#[derive(Serialize)]
struct Whole<'a> {
    file: &'a str,
    board: &'a str,
    questions: Vec<Said<'a>>,
    not_found: &'a [Cost],
    channels: &'a [Place],
}

/// The answer as one line of JSON.
///
/// # Errors
/// A number that JSON cannot hold, which no check has.
pub fn to_json(checked: &Checked) -> Result<String, serde_json::Error> {
    serde_json::to_string(&Whole {
        file: &checked.file,
        board: &checked.board,
        questions: said(&checked.questions),
        not_found: &checked.costs,
        channels: &checked.places,
    })
    .map(|text| text + "\n")
}

#[cfg(test)]
mod tests;
