//! A Parquet table as a stream of CSV text.

use std::fs::File;
use std::io::{self, Read, Write as _};
use std::panic::{AssertUnwindSafe, catch_unwind};

use ::parquet::basic::{ConvertedType, LogicalType, TimeUnit};
use ::parquet::column::reader::{ColumnReader, ColumnReaderImpl};
use ::parquet::data_type::{ByteArray, DataType};
use ::parquet::errors::ParquetError;
use ::parquet::file::reader::{FileReader, SerializedFileReader};
use ::parquet::schema::types::ColumnDescriptor;
use time::OffsetDateTime;

/// Rows that are turned into text at once.
const ROWS: usize = 1_024;

/// Reads a Parquet file as CSV text: its header, then a line for each row.
pub(crate) struct ParquetText {
    file: SerializedFileReader<File>,
    columns: Vec<Column>,
    /// The row group that comes next.
    next_group: usize,
    rows_left: usize,
    text: Vec<u8>,
    at: usize,
}

/// One column of the row group at hand.
struct Column {
    kind: Kind,
    reader: Option<ColumnReader>,
    /// Greatest definition level: the cell is filled.
    filled: i16,
    levels: Vec<i16>,
    values: Values,
    next: usize,
}

/// What the numbers of a column are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Plain,
    Unsigned,
    /// Ticks since 1970, so many to the second.
    Date(i64),
    /// A type that no channel has; its name stands in every cell, so that a row that needs it is told.
    Other(&'static str),
}

enum Values {
    Bool(Vec<bool>),
    Int32(Vec<i32>),
    Int64(Vec<i64>),
    Float(Vec<f32>),
    Double(Vec<f64>),
    Text(Vec<ByteArray>),
    None,
}

impl ParquetText {
    /// Opens a file that begins like one of Parquet.
    ///
    /// # Errors
    /// It is damaged, or uses a compression that is not built in.
    pub(crate) fn open(file: File) -> io::Result<Self> {
        guarded(|| {
            let file = SerializedFileReader::new(file)?;
            let schema = file.metadata().file_metadata().schema_descr();
            let columns: Vec<_> = schema.columns().iter().map(|column| Column::new(column)).collect();
            let mut text = Vec::new();
            for (position, column) in schema.columns().iter().enumerate() {
                separate(&mut text, position);
                push_text(&mut text, column.path().string().as_bytes());
            }
            text.push(b'\n');
            Ok(Self { file, columns, next_group: 0, rows_left: 0, text, at: 0 })
        })
    }

    /// Turns the next rows into text; none is left where there are no more.
    fn refill(&mut self) -> Result<(), ParquetError> {
        self.text.clear();
        self.at = 0;
        while self.rows_left == 0 && self.next_group < self.file.num_row_groups() {
            let group = self.file.get_row_group(self.next_group)?;
            for (position, column) in self.columns.iter_mut().enumerate() {
                column.reader = Some(group.get_column_reader(position)?);
            }
            self.rows_left = usize::try_from(group.metadata().num_rows()).unwrap_or(0);
            self.next_group += 1;
        }
        let rows = self.rows_left.min(ROWS);
        for column in &mut self.columns {
            column.read(rows)?;
        }
        for _ in 0..rows {
            for (position, column) in self.columns.iter_mut().enumerate() {
                separate(&mut self.text, position);
                column.push_next(&mut self.text);
            }
            self.text.push(b'\n');
        }
        self.rows_left -= rows;
        Ok(())
    }
}

impl Read for ParquetText {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.at == self.text.len() {
            guarded(|| self.refill())?;
        }
        let rest = self.text.get(self.at..).unwrap_or(&[]);
        let length = rest.len().min(buffer.len());
        if let (Some(to), Some(from)) = (buffer.get_mut(..length), rest.get(..length)) {
            to.copy_from_slice(from);
        }
        self.at += length;
        Ok(length)
    }
}

/// Damage that the decoder did not expect must not end the command.
fn guarded<T>(work: impl FnOnce() -> Result<T, ParquetError>) -> io::Result<T> {
    match catch_unwind(AssertUnwindSafe(work)) {
        Ok(result) => result.map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error)),
        Err(_) => Err(io::Error::new(io::ErrorKind::InvalidData, "the Parquet decoder gave up")),
    }
}

impl Column {
    fn new(descriptor: &ColumnDescriptor) -> Self {
        let filled = descriptor.max_def_level();
        Self { kind: kind(descriptor), reader: None, filled, levels: Vec::new(), values: Values::None, next: 0 }
    }

    fn read(&mut self, rows: usize) -> Result<(), ParquetError> {
        self.levels.clear();
        self.next = 0;
        let Some(reader) = &mut self.reader else { return Ok(()) };
        if matches!(self.kind, Kind::Other(_)) {
            return Ok(());
        }
        let levels = (self.filled > 0).then_some(&mut self.levels);
        self.values = match reader {
            ColumnReader::BoolColumnReader(reader) => Values::Bool(values(reader, rows, levels)?),
            ColumnReader::Int32ColumnReader(reader) => Values::Int32(values(reader, rows, levels)?),
            ColumnReader::Int64ColumnReader(reader) => Values::Int64(values(reader, rows, levels)?),
            ColumnReader::FloatColumnReader(reader) => Values::Float(values(reader, rows, levels)?),
            ColumnReader::DoubleColumnReader(reader) => Values::Double(values(reader, rows, levels)?),
            ColumnReader::ByteArrayColumnReader(reader) => Values::Text(values(reader, rows, levels)?),
            ColumnReader::Int96ColumnReader(_) | ColumnReader::FixedLenByteArrayColumnReader(_) => Values::None,
        };
        if self.filled == 0 {
            self.levels.resize(rows, 0);
        }
        if self.levels.len() < rows {
            return Err(ParquetError::General("a column ends before the others".to_owned()));
        }
        // From the end, so that the next cell is taken from there.
        self.levels.reverse();
        Ok(())
    }

    /// Writes the cell of the next row.
    fn push_next(&mut self, text: &mut Vec<u8>) {
        if let Kind::Other(name) = self.kind {
            text.extend_from_slice(name.as_bytes());
            return;
        }
        if self.levels.pop() != Some(self.filled) {
            return;
        }
        let at = self.next;
        self.next += 1;
        match &self.values {
            Values::Bool(values) => push(text, values.get(at).map(|value| u8::from(*value))),
            Values::Int32(values) if self.kind == Kind::Unsigned => {
                push(text, values.get(at).map(|value| value.cast_unsigned()));
            }
            Values::Int32(values) => push(text, values.get(at)),
            Values::Int64(values) => match (self.kind, values.get(at)) {
                (Kind::Date(per_second), Some(ticks)) => push_date(text, *ticks, per_second),
                (Kind::Unsigned, value) => push(text, value.map(|value| value.cast_unsigned())),
                (_, value) => push(text, value),
            },
            Values::Float(values) => push(text, values.get(at)),
            Values::Double(values) => push(text, values.get(at)),
            Values::Text(values) => push_text(text, values.get(at).map_or(&[], ByteArray::data)),
            Values::None => {}
        }
    }
}

/// The next values of a column; `levels` tells which cells are filled.
fn values<T: DataType>(
    reader: &mut ColumnReaderImpl<T>,
    rows: usize,
    levels: Option<&mut Vec<i16>>,
) -> Result<Vec<T::T>, ParquetError> {
    let mut values = Vec::with_capacity(rows);
    let (records, _, _) = reader.read_records(rows, levels, None, &mut values)?;
    if records < rows {
        return Err(ParquetError::General("a column ends before the others".to_owned()));
    }
    Ok(values)
}

fn kind(descriptor: &ColumnDescriptor) -> Kind {
    use ::parquet::basic::Type::{FIXED_LEN_BYTE_ARRAY, INT96};
    if descriptor.max_rep_level() > 0 {
        return Kind::Other("list");
    }
    match descriptor.physical_type() {
        INT96 => return Kind::Other("INT96"),
        FIXED_LEN_BYTE_ARRAY => return Kind::Other("bytes"),
        _ => {}
    }
    match descriptor.logical_type_ref() {
        Some(LogicalType::Timestamp(stamp)) => Kind::Date(match stamp.unit {
            TimeUnit::MILLIS => 1_000,
            TimeUnit::MICROS => 1_000_000,
            TimeUnit::NANOS => 1_000_000_000,
        }),
        Some(LogicalType::Integer(int)) if !int.is_signed => Kind::Unsigned,
        Some(LogicalType::Integer(_) | LogicalType::String | LogicalType::Enum) => Kind::Plain,
        Some(LogicalType::Decimal(_)) => Kind::Other("decimal"),
        Some(LogicalType::Date) => Kind::Other("date"),
        Some(LogicalType::Time(_)) => Kind::Other("time"),
        Some(_) => Kind::Other("other"),
        None => match descriptor.converted_type() {
            ConvertedType::TIMESTAMP_MILLIS => Kind::Date(1_000),
            ConvertedType::TIMESTAMP_MICROS => Kind::Date(1_000_000),
            ConvertedType::DECIMAL => Kind::Other("decimal"),
            ConvertedType::DATE => Kind::Other("date"),
            ConvertedType::TIME_MILLIS | ConvertedType::TIME_MICROS => Kind::Other("time"),
            ConvertedType::UINT_8 | ConvertedType::UINT_16 | ConvertedType::UINT_32 | ConvertedType::UINT_64 => {
                Kind::Unsigned
            }
            _ => Kind::Plain,
        },
    }
}

fn separate(text: &mut Vec<u8>, position: usize) {
    if position > 0 {
        text.push(b',');
    }
}

fn push(text: &mut Vec<u8>, value: Option<impl std::fmt::Display>) {
    if let Some(value) = value {
        // Writing to a vector cannot fail.
        let _ = write!(text, "{value}");
    }
}

/// A text as RFC 4180 writes it.
fn push_text(text: &mut Vec<u8>, bytes: &[u8]) {
    if !bytes.iter().any(|byte| matches!(byte, b',' | b'"' | b'\n' | b'\r' | b'#')) {
        text.extend_from_slice(bytes);
        return;
    }
    text.push(b'"');
    for byte in bytes {
        if *byte == b'"' {
            text.push(b'"');
        }
        text.push(*byte);
    }
    text.push(b'"');
}

/// A date as RFC 3339 writes it; one outside the years 0 to 9999 as the bare number, which is no date.
fn push_date(text: &mut Vec<u8>, ticks: i64, per_second: i64) {
    let (seconds, rest) = (ticks.div_euclid(per_second), ticks.rem_euclid(per_second));
    let Some(date) = OffsetDateTime::from_unix_timestamp(seconds).ok().filter(|date| date.year() >= 0) else {
        return push(text, Some(ticks));
    };
    let nanos = rest * (1_000_000_000 / per_second);
    let (month, day) = (u8::from(date.month()), date.day());
    let (hour, minute, second) = date.to_hms();
    let year = date.year();
    push(text, Some(format_args!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{nanos:09}Z")));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_and_texts_are_written_as_a_csv_has_them() {
        let dates = [
            (0, 1_000, "1970-01-01T00:00:00.000000000Z"),
            (-1, 1_000, "1969-12-31T23:59:59.999000000Z"),
            (1_778_000_000_123_456, 1_000_000, "2026-05-05T16:53:20.123456000Z"),
            (i64::MAX, 1_000, "9223372036854775807"),
        ];
        for (ticks, per_second, expected) in dates {
            let mut text = Vec::new();
            push_date(&mut text, ticks, per_second);
            assert_eq!(String::from_utf8_lossy(&text), expected);
        }
        for (plain, expected) in
            [("a b", "a b"), ("a,\"b\"", "\"a,\"\"b\"\"\""), ("#1", "\"#1\""), ("a\nb", "\"a\nb\"")]
        {
            let mut text = Vec::new();
            push_text(&mut text, plain.as_bytes());
            assert_eq!(String::from_utf8_lossy(&text), expected);
        }
    }
}
