//! Reads a recorded trace as a stream: one good row after the other, every other line counted with its cause.
//!
//! Nothing of a trace is kept but the row at hand, so that memory stays flat however long it is. Numbers become the
//! core's integers without binary fractions between (`decimal`). Whether a number is believable is not judged here:
//! the core knows the spans.

pub(crate) mod ahead;
mod cells;
pub(crate) mod clock;
pub(crate) mod decimal;
mod plan;
mod records;
pub(crate) mod sample;
mod source;
mod tally;
pub(crate) mod unit;

use std::collections::BTreeMap;
use std::fmt;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use monitor_core::acquire::{Channel, ChannelSet, Quality, Readings};
use monitor_core::time::Instant;

use crate::columns::ColumnMap;
use crate::problem::{Exit, Problem};
use cells::Cells;
use clock::{Clock, Moment};
use decimal::Decimal;
use plan::{Header, Pick, Plan};
use records::{Fault, Piece, Records};
pub use tally::Complaint;
use tally::{Skip, Tally};

/// One good row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Row {
    /// Its time stamp. It may be equal to the one before or lie behind it.
    pub stamp: Instant,
    /// What the sensors said; blank cells and channels without a column are missing readings.
    pub readings: Readings,
}

/// A trace that is being read.
pub struct TraceReader {
    path: PathBuf,
    records: Records<Box<dyn Read + Send>>,
    plan: Plan,
    cells: Cells,
    clock: Clock,
    rows_read: u64,
    tally: Tally,
    /// Whether the last header was another one than that of the file, as in files that were joined.
    is_other_layout: bool,
    /// Whether it is a file of the disk, not a pipe or a device.
    is_file: bool,
    is_over: bool,
}

impl TraceReader {
    /// Opens a trace and reads its header; `columns` is the map of a foreign layout.
    ///
    /// # Errors
    /// Exit code 3: a file that cannot be read or is no trace, no time or rpm column, the same channel twice.
    /// Exit code 2: a mapped column that is not in the header.
    pub fn open(path: &Path, columns: Option<&ColumnMap>) -> Result<Self, Problem> {
        let mut records = Records::new(source::open(path)?);
        let (line, names) = read_header(path, &mut records)?;
        let plan = Plan::new(Header { path, line, names: &names }, columns)?;
        let cells = Cells::new(plan.wanted.clone(), plan.names.len());
        let clock = Clock::new(plan.time.unit);
        Ok(Self {
            path: path.to_owned(),
            records,
            plan,
            cells,
            clock,
            rows_read: 0,
            tally: Tally::default(),
            is_other_layout: false,
            is_file: path.is_file(),
            is_over: false,
        })
    }

    /// The channels that have a column.
    #[must_use]
    pub fn channels(&self) -> ChannelSet {
        self.plan.present()
    }

    /// The columns that nothing is read from, each once. Empty with a column map: the map chose.
    #[must_use]
    pub fn unknown_columns(&self) -> &[String] {
        &self.plan.unknown
    }

    /// The next good row, or `None` behind the last.
    ///
    /// # Errors
    /// Exit code 3: the disk fails, or the trace is over and had no row that can be used.
    #[inline]
    pub fn next_row(&mut self) -> Result<Option<Row>, Problem> {
        if self.is_over {
            return self.at_end();
        }
        loop {
            match self.records.next() {
                Piece::Record(record) => {
                    let bytes = self.records.bytes(record);
                    self.cells.split(bytes, record.quoted);
                    match judge(&self.plan, &self.cells, bytes, record.ended) {
                        Ok(_) if self.is_other_layout => self.tally.add(record.line, Skip::OtherLayout),
                        Ok((moment, readings)) => {
                            self.rows_read += 1;
                            return Ok(Some(Row { stamp: self.clock.stamp(moment), readings }));
                        }
                        Err(refusal) => {
                            let skip = explain(refusal, &self.plan, &self.cells, bytes, record.quoted);
                            match skip {
                                Skip::OtherHeader => self.is_other_layout = true,
                                Skip::RepeatedHeader => self.is_other_layout = false,
                                _ => {}
                            }
                            self.tally.add(record.line, skip);
                        }
                    }
                }
                Piece::Bad { line, fault } => self.tally.add(line, fault.into()),
                Piece::End => {
                    self.is_over = true;
                    self.note_failure()?;
                    return self.at_end();
                }
            }
        }
    }

    /// The number of good rows so far.
    #[must_use]
    pub fn rows_read(&self) -> u64 {
        self.rows_read
    }

    /// The number of rows skipped so far, by cause.
    #[must_use]
    pub fn rows_skipped(&self) -> &BTreeMap<&'static str, u64> {
        self.tally.skipped()
    }

    /// The first ten bad rows, with line and cause. Rows that are only blank are counted, but not named here.
    #[must_use]
    pub fn complaints(&self) -> &[Complaint] {
        self.tally.complaints()
    }

    /// Counts what a stream that failed has lost.
    fn note_failure(&mut self) -> Result<(), Problem> {
        let Some(error) = self.records.failure() else { return Ok(()) };
        let line = self.records.line();
        if error.raw_os_error().is_some() {
            return Err(disk_problem(&self.path, error).at_line(line));
        }
        let skip = if error.kind() == io::ErrorKind::UnexpectedEof {
            Skip::CompressedCutOff
        } else {
            Skip::Damaged(error.to_string())
        };
        self.tally.add(line, skip);
        Ok(())
    }

    fn at_end(&self) -> Result<Option<Row>, Problem> {
        if self.rows_read > 0 {
            return Ok(None);
        }
        let problem = match self.tally.summary() {
            None => Problem::new(
                Exit::Unreadable,
                "The trace has a header but no rows",
                "Check that the right file was given",
            ),
            Some(summary) => {
                let cause = format!("No row of this trace can be used: {summary}");
                let remedy = "Correct the rows, or map the columns with --columns MAP.toml";
                Problem::new(Exit::Unreadable, cause, remedy)
            }
        };
        Err(problem.in_file(&self.path))
    }
}

impl fmt::Debug for TraceReader {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("TraceReader")
            .field("path", &self.path)
            .field("plan", &self.plan)
            .field("rows_read", &self.rows_read)
            .field("tally", &self.tally)
            .finish_non_exhaustive()
    }
}

/// Why a record gives no row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Refusal {
    Blank,
    NotPicked,
    CellCount,
    CutOff,
    NoTime,
    NotATime,
    NotANumber { slot: usize },
}

/// The moment and the readings of a record.
#[inline]
fn judge(plan: &Plan, cells: &Cells, record: &[u8], ended: bool) -> Result<(Moment, Readings), Refusal> {
    let time = cells.get(plan.time.slot, record);
    if time.is_empty() && record.iter().all(|byte| matches!(byte, b',' | b'"') || byte.is_ascii_whitespace()) {
        return Err(Refusal::Blank);
    }
    if !cells.fits() {
        return Err(if ended || cells.count() > cells.width() { Refusal::CellCount } else { Refusal::CutOff });
    }
    if !is_picked(plan.time.pick.as_ref(), cells, record) {
        return Err(Refusal::NotPicked);
    }
    if time.is_empty() {
        return Err(Refusal::NoTime);
    }
    let moment = plan.time.unit.parse(time).ok_or(Refusal::NotATime)?;
    let mut readings = Readings::default();
    for source in &plan.channels {
        let cell = cells.get(source.slot, record);
        if cell.is_empty() || !is_picked(source.pick.as_ref(), cells, record) {
            continue;
        }
        let number = Decimal::parse(cell).ok_or(Refusal::NotANumber { slot: source.slot })?;
        readings.set_raw(source.channel, number.to_steps_32(source.scale), Quality::Good);
    }
    Ok((moment, readings))
}

#[inline]
fn is_picked(pick: Option<&Pick>, cells: &Cells, record: &[u8]) -> bool {
    pick.is_none_or(|pick| cells.get(pick.slot, record) == &*pick.equals)
}

/// What to count and to say about a record that gives no row.
#[cold]
fn explain(refusal: Refusal, plan: &Plan, cells: &Cells, record: &[u8], quoted: bool) -> Skip {
    let cell = |slot: usize| (plan.name(slot).to_owned(), shown(cells.get(slot, record)));
    match refusal {
        Refusal::NotATime | Refusal::NotANumber { .. } if is_header(plan, record, quoted) => Skip::RepeatedHeader,
        Refusal::NotATime | Refusal::NotANumber { .. } if is_other_header(plan, record, quoted) => Skip::OtherHeader,
        Refusal::Blank => Skip::Blank,
        Refusal::NotPicked => Skip::NotPicked,
        Refusal::CellCount => Skip::CellCount {
            found: cells.count(),
            expected: cells.width(),
            has_semicolons: memchr::memchr(b';', record).is_some(),
        },
        Refusal::CutOff => Skip::CutOff,
        Refusal::NoTime => Skip::NoTime { column: plan.name(plan.time.slot).to_owned() },
        Refusal::NotATime => {
            let (column, cell) = cell(plan.time.slot);
            Skip::NotATime { column, cell, unit: plan.time.unit }
        }
        Refusal::NotANumber { slot } => {
            let (column, cell) = cell(slot);
            Skip::NotANumber { column, cell }
        }
    }
}

/// Whether a record is the header once more, as in files that were joined.
fn is_header(plan: &Plan, record: &[u8], quoted: bool) -> bool {
    let record = record.strip_prefix(records::BYTE_ORDER_MARK).unwrap_or(record);
    let cells = cells::all(record, quoted);
    cells.len() >= plan.names.len()
        && plan.names.iter().zip(&cells).all(|(name, cell)| name.as_bytes() == cell.trim_ascii())
}

/// Whether a record is the header of another layout with as many columns: it names time and engine speed, in other places.
/// Rows below a header of more or fewer columns do not fit and are counted one by one.
fn is_other_header(plan: &Plan, record: &[u8], quoted: bool) -> bool {
    let cells = cells::all(record.strip_prefix(records::BYTE_ORDER_MARK).unwrap_or(record), quoted);
    let rpm = plan.channels.iter().find(|source| source.channel == Channel::Rpm).map(|source| source.slot);
    [Some(plan.time.slot), rpm].into_iter().flatten().all(|slot| {
        let name = plan.name(slot).as_bytes();
        !name.is_empty() && cells.iter().any(|cell| cell.trim_ascii() == name)
    })
}

/// A cell as it can be shown in a message: short and on one line.
fn shown(cell: &[u8]) -> String {
    const LONGEST: usize = 40;
    let text = String::from_utf8_lossy(cell);
    let mut shown: String = text.chars().take(LONGEST).flat_map(char::escape_debug).collect();
    if text.chars().nth(LONGEST).is_some() {
        shown.push('…');
    }
    shown
}

/// What stands between cells where it is not a comma; a blank may stand in a name and so comes last.
const OTHER_SEPARATORS: [(char, &str); 4] = [(';', "semicolons"), ('\t', "tabs"), ('|', "bars"), (' ', "blanks")];

/// The line and the names of the header: the first line that is neither blank nor a comment.
fn read_header(path: &Path, records: &mut Records<Box<dyn Read + Send>>) -> Result<(u64, Vec<String>), Problem> {
    let refuse = |line: u64, cause: &str, remedy: &str| {
        Problem::new(Exit::Unreadable, cause, remedy).in_file(path).at_line(line)
    };
    loop {
        let line = records.line();
        let record = match records.next() {
            Piece::Record(record) => record,
            Piece::Bad { line, fault: Fault::TooLong } => {
                return Err(refuse(line, "The header is longer than 64 KiB", "Check that this is a CSV trace"));
            }
            Piece::Bad { line, fault: Fault::Quote | Fault::CutOff } => {
                return Err(refuse(line, "A quote in the header is not closed", "Correct the header"));
            }
            Piece::End => return Err(no_header(path, records, line)),
        };
        let bytes = records.bytes(record);
        let Ok(text) = std::str::from_utf8(bytes) else {
            return Err(refuse(
                record.line,
                "The header is not UTF-8 text",
                "Check that this is a CSV trace saved as UTF-8",
            ));
        };
        if text.trim().is_empty() {
            continue;
        }
        if text.contains('\0') {
            return Err(refuse(record.line, "This is not text", "Check that this is a CSV trace saved as UTF-8"));
        }
        if !record.quoted && text.trim_end().contains('\r') {
            let remedy = "Save it again with line feeds (LF or CRLF)";
            return Err(refuse(record.line, "Its lines end with carriage returns only", remedy));
        }
        if let Some((_, name)) = OTHER_SEPARATORS.iter().find(|(sign, _)| text.trim().contains(*sign))
            && !text.contains(',')
        {
            let cause = format!("Its cells are separated by {name}");
            return Err(refuse(record.line, &cause, "Save it with commas between cells and points in numbers"));
        }
        let cells = cells::all(bytes, record.quoted);
        let mut names: Vec<String> = cells.iter().map(|cell| String::from_utf8_lossy(cell).trim().to_owned()).collect();
        while names.last().is_some_and(String::is_empty) {
            names.pop();
        }
        return Ok((record.line, names));
    }
}

/// The problem that there is nothing before the end of the file.
fn no_header(path: &Path, records: &Records<Box<dyn Read + Send>>, lines: u64) -> Problem {
    let remedy = "Check that the right file was given";
    let problem = match records.failure() {
        Some(error) if error.raw_os_error().is_some() => return disk_problem(path, error),
        Some(error) => {
            Problem::new(Exit::Unreadable, format!("The compressed trace is damaged at its start: {error}"), remedy)
        }
        None if lines == 1 && records.line() == 1 => Problem::new(Exit::Unreadable, "The trace is empty", remedy),
        None => Problem::new(Exit::Unreadable, "The trace has no header: only blank lines and comments", remedy),
    };
    problem.in_file(path)
}

fn disk_problem(path: &Path, error: &io::Error) -> Problem {
    let cause = format!("The trace cannot be read on: {error}");
    Problem::new(Exit::Unreadable, cause, "Check the disk, and copy the file again").in_file(path)
}

#[cfg(test)]
mod properties;
#[cfg(test)]
mod tests;
