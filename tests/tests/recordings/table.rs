//! A recording as text cells, for derived copies: nothing but the cells that a test changes differs from the original.

use std::path::Path;

/// How the stamps of a recording are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Clock {
    /// Bare milliseconds.
    Milliseconds,
    /// RFC 3339 in UTC.
    Rfc3339,
    /// `hh:mm:ss` with a fraction.
    Hours,
    /// `mm:ss` with a fraction.
    Minutes,
    /// Date with slashes and `hh:mm:ss`, which the product does not read: copies keep the time of day only.
    Date,
}

impl Clock {
    /// Seconds of the stamp in its own clock (day, hour or origin); `None` if the cell is no such stamp.
    pub(crate) fn seconds(self, cell: &str) -> Option<f64> {
        let cell = cell.trim();
        let of_parts = |text: &str, wanted: usize| {
            let parts: Vec<f64> = text.split(':').map(str::parse).collect::<Result<_, _>>().ok()?;
            (parts.len() == wanted).then(|| parts.iter().fold(0.0, |sum, part| sum * 60.0 + part))
        };
        match self {
            Self::Milliseconds => cell.parse::<f64>().ok().map(|milliseconds| milliseconds / 1000.0),
            Self::Rfc3339 => of_parts(cell.split_once('T')?.1.trim_end_matches('Z'), 3),
            Self::Minutes => of_parts(cell, 2),
            Self::Hours | Self::Date => of_parts(cell, 3),
        }
    }
}

/// Header and rows of one recording.
#[derive(Debug, Clone)]
pub(crate) struct Table {
    pub(crate) header: Vec<String>,
    pub(crate) rows: Vec<Vec<String>>,
}

impl Table {
    pub(crate) fn read(file: &Path) -> Result<Self, String> {
        let text = std::fs::read_to_string(file).map_err(|error| format!("{}: {error}", file.display()))?;
        let cells = |line: &str| line.split(',').map(str::to_owned).collect::<Vec<_>>();
        let mut lines = text.lines();
        let header = lines.next().map(cells).ok_or_else(|| format!("{}: empty", file.display()))?;
        Ok(Self { header, rows: lines.map(cells).collect() })
    }

    pub(crate) fn write(&self, file: &Path) -> Result<(), String> {
        let mut text = self.header.join(",");
        text.push('\n');
        for row in &self.rows {
            text.push_str(&row.join(","));
            text.push('\n');
        }
        std::fs::write(file, text).map_err(|error| format!("{}: {error}", file.display()))
    }

    pub(crate) fn column(&self, name: &str) -> Result<usize, String> {
        self.header.iter().position(|header| header == name).ok_or_else(|| format!("no column `{name}`"))
    }

    /// Adds a column with one value in every row that is not blank.
    pub(crate) fn add_column(&mut self, name: &str, value: &str) {
        self.header.push(name.to_owned());
        for row in &mut self.rows {
            let blank = row.iter().all(|cell| cell.trim().is_empty());
            row.push(if blank { String::new() } else { value.to_owned() });
        }
    }

    /// Cuts the date off the stamps and leaves the time of day.
    pub(crate) fn drop_date(&mut self, stamp: &str) -> Result<(), String> {
        let column = self.column(stamp)?;
        for cell in self.rows.iter_mut().filter_map(|row| row.get_mut(column)) {
            if let Some((_, time)) = cell.split_once(' ') {
                *cell = time.to_owned();
            }
        }
        Ok(())
    }

    /// The number in a cell, if there is one.
    pub(crate) fn number(&self, row: usize, column: usize) -> Option<f64> {
        self.rows.get(row)?.get(column)?.trim().parse().ok()
    }

    /// Seconds of every row as events have them: the file's own value for bare milliseconds, otherwise since the first
    /// good row, with midnight and the full hour undone. `NaN` for a row without a stamp.
    pub(crate) fn seconds(&self, stamp: &str, clock: Clock) -> Result<Vec<f64>, String> {
        let column = self.column(stamp)?;
        let turn = match clock {
            Clock::Milliseconds | Clock::Rfc3339 => f64::INFINITY,
            Clock::Hours | Clock::Date => 86_400.0,
            Clock::Minutes => 3_600.0,
        };
        let (mut first, mut last, mut turns) = (None, None, 0.0);
        let seconds = self.rows.iter().map(|row| {
            let Some(seconds) = row.get(column).and_then(|cell| clock.seconds(cell)) else { return f64::NAN };
            if last.is_some_and(|last: f64| last - seconds > turn / 2.0) {
                turns += turn;
            }
            last = Some(seconds);
            let origin = if clock == Clock::Milliseconds { 0.0 } else { *first.get_or_insert(seconds) };
            seconds + turns - origin
        });
        Ok(seconds.collect())
    }

    /// Changes the numbers of a column from a row on; `change` gets the row number and the number. Blank cells stay, and
    /// each cell keeps its decimals: a sensor of whole degrees goes on showing whole degrees.
    pub(crate) fn change(&mut self, column: usize, from_row: usize, mut change: impl FnMut(usize, f64) -> f64) {
        for row in from_row..self.rows.len() {
            let Some(value) = self.number(row, column) else { continue };
            if let Some(cell) = self.rows.get_mut(row).and_then(|cells| cells.get_mut(column)) {
                let decimals = cell.trim().split_once('.').map_or(0, |(_, fraction)| fraction.len());
                *cell = format!("{:.decimals$}", change(row, value));
            }
        }
    }

    /// Appends the recording to itself, `times` in all, with RFC 3339 stamps that go on: a recording may be shorter than
    /// a finding takes.
    pub(crate) fn repeat(&mut self, stamp: &str, times: u32) -> Result<(), String> {
        let column = self.column(stamp)?;
        let cell = |row: &Vec<String>| row.get(column).cloned().unwrap_or_default();
        let seconds = |row: &Vec<String>| Clock::Rfc3339.seconds(&cell(row));
        let (Some(first), Some(last)) = (self.rows.first().and_then(seconds), self.rows.last().and_then(seconds))
        else {
            return Err("the first or last row has no RFC 3339 stamp".to_owned());
        };
        let period = last - first + 0.1;
        let original = self.rows.clone();
        for round in 1..times {
            for row in &original {
                let Some(seconds) = seconds(row) else { continue };
                let milliseconds = ((seconds + period * f64::from(round)) * 1000.0).round();
                let minutes = (milliseconds / 60_000.0).floor();
                let (hour, minute) = ((minutes / 60.0).floor(), minutes % 60.0);
                let second = (milliseconds - minutes * 60_000.0) / 1000.0;
                let text = cell(row);
                let date = text.split_once('T').map_or("", |(date, _)| date);
                let mut row = row.clone();
                if let Some(cell) = row.get_mut(column) {
                    *cell = format!("{date}T{hour:02}:{minute:02}:{second:06.3}Z");
                }
                self.rows.push(row);
            }
        }
        Ok(())
    }
}
