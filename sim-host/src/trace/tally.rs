//! Counts the rows that are skipped, and keeps the first few for the reader to find and mend.

use std::collections::BTreeMap;

use super::clock::TimeUnit;
use super::records::Fault;

/// How many bad rows are kept.
const KEPT: usize = 10;

/// One bad row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Complaint {
    /// The line it begins in, counted from 1.
    pub line: u64,
    /// What is wrong with it.
    pub cause: String,
}

/// Why a row is skipped.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Skip {
    Blank,
    NotPicked,
    RepeatedHeader,
    OtherHeader,
    OtherLayout,
    CellCount { found: usize, expected: usize, has_semicolons: bool },
    CutOff,
    CompressedCutOff,
    Damaged(String),
    NoTime { column: String },
    NotATime { column: String, cell: String, unit: TimeUnit },
    NotANumber { column: String, cell: String },
    TooLong,
    Quote,
}

impl From<Fault> for Skip {
    fn from(fault: Fault) -> Self {
        match fault {
            Fault::TooLong => Self::TooLong,
            Fault::Quote => Self::Quote,
            Fault::CutOff => Self::CutOff,
        }
    }
}

impl Skip {
    /// The name under which it is counted.
    fn name(&self) -> &'static str {
        match self {
            Self::Blank => "blank row",
            Self::NotPicked => "not picked",
            Self::RepeatedHeader => "repeated header",
            Self::OtherHeader | Self::OtherLayout => "other layout",
            Self::CellCount { .. } => "cell count",
            Self::CutOff | Self::CompressedCutOff => "cut off",
            Self::Damaged(_) => "damaged",
            Self::NoTime { .. } => "no time",
            Self::NotATime { unit: TimeUnit::Seconds | TimeUnit::Millis, .. } | Self::NotANumber { .. } => {
                "not a number"
            }
            Self::NotATime { .. } => "not a time",
            Self::TooLong => "line too long",
            Self::Quote => "open quote",
        }
    }

    /// What is wrong, for a person; `None` where nothing is.
    fn complaint(&self) -> Option<String> {
        match self {
            Self::Blank | Self::NotPicked | Self::OtherLayout => None,
            Self::RepeatedHeader => Some("the header stands here again".to_owned()),
            Self::OtherHeader => Some(
                "here begins another header; no row is used until the first one stands here again. Split the file there"
                    .to_owned(),
            ),
            Self::CellCount { found, expected, has_semicolons } => {
                let cells = if *found == 1 { "cell" } else { "cells" };
                let hint = match (has_semicolons, found > expected) {
                    (true, _) => "; cells are separated by commas, not by semicolons",
                    (false, true) => "; a number with a decimal comma counts as two: write points",
                    (false, false) => "",
                };
                Some(format!("{found} {cells} where the header has {expected}{hint}"))
            }
            Self::CutOff => Some("the file ends in the middle of this row".to_owned()),
            Self::CompressedCutOff => Some("the compressed data is cut off here; what followed is lost".to_owned()),
            Self::Damaged(error) => {
                Some(format!("the compressed data is damaged here ({error}); what followed is lost"))
            }
            Self::NoTime { column } => Some(format!("{column} is blank, so the row has no time")),
            Self::NotATime { column, cell, unit } => Some(format!("{column} is \"{cell}\", {}", unit.refusal())),
            Self::NotANumber { column, cell } => {
                let hint = number_hint(cell);
                Some(format!("{column} is \"{cell}\", not a number{hint}"))
            }
            Self::TooLong => Some("the line is longer than 64 KiB".to_owned()),
            Self::Quote => Some("a quote is not closed as it should be".to_owned()),
        }
    }
}

/// The rows skipped so far.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally {
    skipped: BTreeMap<&'static str, u64>,
    complaints: Vec<Complaint>,
}

impl Tally {
    /// Counts a row.
    pub(super) fn add(&mut self, line: u64, skip: Skip) {
        *self.skipped.entry(skip.name()).or_default() += 1;
        if self.complaints.len() < KEPT
            && let Some(cause) = skip.complaint()
        {
            self.complaints.push(Complaint { line, cause });
        }
    }

    /// The number of skipped rows by cause.
    pub(super) fn skipped(&self) -> &BTreeMap<&'static str, u64> {
        &self.skipped
    }

    /// The first bad rows.
    pub(super) fn complaints(&self) -> &[Complaint] {
        &self.complaints
    }

    /// All of it in one line; `None` where no row was skipped.
    pub(super) fn summary(&self) -> Option<String> {
        let causes: Vec<_> = self.skipped.iter().map(|(cause, count)| format!("{count} {cause}")).collect();
        let first = self.complaints.first().map(|first| format!("; line {}: {}", first.line, first.cause));
        (!causes.is_empty()).then(|| format!("skipped {}{}", causes.join(", "), first.unwrap_or_default()))
    }
}

/// What may help somebody whose cell is no number.
fn number_hint(cell: &str) -> &'static str {
    if cell.contains(':') {
        "; for clock times map the column with --columns and unit = \"hh:mm:ss\" or \"rfc3339\""
    } else if ["nan", "na", "n/a", "#n/a", "null", "none", "-"].contains(&cell.to_ascii_lowercase().as_str()) {
        "; leave the cell empty where nothing was measured"
    } else {
        ""
    }
}
