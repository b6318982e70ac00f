//! Looks at the first rows of a trace of which nothing is known but that it is CSV.

use std::path::Path;

use super::clock::TimeUnit;
use super::records::{Piece, Records};
use super::{cells, read_header, source};
use crate::problem::{Exit, Problem};

/// Most rows that are looked at: a quarter of an hour of the quickest recordings, a day of slow ones.
pub(crate) const ROWS: u64 = 20_000;
/// Different texts of a column that are kept.
const TEXTS: usize = 8;
/// Longest of such texts: anything longer is no number of an instance and no date.
const TEXT_LENGTH: usize = 40;

/// The units of time that show in the cells themselves.
pub(crate) const CLOCKS: [TimeUnit; 3] = [TimeUnit::Rfc3339, TimeUnit::HoursMinutesSeconds, TimeUnit::MinutesSeconds];

/// What the first rows of a trace hold.
#[derive(Debug)]
pub(crate) struct Sample {
    /// The line of the header, counted from 1.
    pub(crate) line: u64,
    /// Rows that were looked at.
    pub(crate) rows: u64,
    /// The columns in their order.
    pub(crate) columns: Vec<SampledColumn>,
}

/// What stands in one column.
#[derive(Debug, Default)]
pub(crate) struct SampledColumn {
    /// Its name in the header.
    pub(crate) name: String,
    /// The finite numbers, in the order of the rows.
    pub(crate) numbers: Vec<f64>,
    /// Cells that are not blank.
    pub(crate) filled: u64,
    /// Cells that are dates, times of day, minutes and seconds: see [`CLOCKS`].
    pub(crate) clocks: [u64; CLOCKS.len()],
    /// The first few different texts.
    pub(crate) texts: Vec<String>,
}

impl SampledColumn {
    fn new(name: String) -> Self {
        Self { name, ..Self::default() }
    }

    fn take(&mut self, cell: &[u8]) {
        if cell.is_empty() {
            return;
        }
        self.filled += 1;
        for (count, unit) in self.clocks.iter_mut().zip(CLOCKS) {
            *count += u64::from(unit.parse(cell).is_some());
        }
        let Ok(text) = std::str::from_utf8(cell) else { return };
        if let Ok(number) = text.parse::<f64>()
            && number.is_finite()
        {
            self.numbers.push(number);
        }
        if self.texts.len() < TEXTS && text.len() <= TEXT_LENGTH && !self.texts.iter().any(|known| known == text) {
            self.texts.push(text.to_owned());
        }
    }
}

/// The header and the first rows of the trace at `path`.
///
/// # Errors
/// Exit code 3 as for a trace that is opened; exit code 2 for a pipe, which could not be read a second time.
pub(crate) fn sample(path: &Path) -> Result<Sample, Problem> {
    if path.metadata().is_ok_and(|there| !there.is_file() && !there.is_dir()) {
        let cause = "--columns auto has to read the trace twice, and this is a pipe or a device";
        return Err(Problem::new(Exit::Usage, cause, "Write it to a file first, or give a map").in_file(path));
    }
    let mut records = Records::new(source::open(path)?);
    let (line, names) = read_header(path, &mut records)?;
    let mut sample = Sample { line, rows: 0, columns: names.into_iter().map(SampledColumn::new).collect() };
    while sample.rows < ROWS {
        match records.next() {
            Piece::Record(record) => {
                let cells = cells::all(records.bytes(record), record.quoted);
                if cells.len() >= sample.columns.len() {
                    sample.rows += 1;
                    sample.columns.iter_mut().zip(&cells).for_each(|(column, cell)| column.take(cell));
                }
            }
            Piece::Bad { .. } => {}
            Piece::End => break,
        }
    }
    Ok(sample)
}
