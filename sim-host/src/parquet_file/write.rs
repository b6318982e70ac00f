//! A trace that was written as CSV, once more as Parquet.

use std::fs::{self, File};
use std::io::{self, BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use ::parquet::basic::{Compression, Repetition, Type as Physical};
use ::parquet::data_type::DoubleType;
use ::parquet::errors::ParquetError;
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::SerializedFileWriter;
use ::parquet::schema::types::Type;

use crate::problem::{Exit, Problem};

/// Rows of a row group: what is held in memory at once.
const GROUP_ROWS: usize = 65_536;

/// One column of a row group: the numbers, and for each row whether it has one.
#[derive(Default)]
struct Column {
    numbers: Vec<f64>,
    is_filled: Vec<i16>,
}

/// Replaces the trace `csv`, as `simulate` writes it, by a Parquet file of the same name and columns; returns that.
///
/// # Errors
/// Exit code 4: the file cannot be written.
pub(crate) fn from_csv(csv: &Path) -> Result<PathBuf, Problem> {
    let target = csv.with_extension("parquet");
    let written = convert(csv, &target).and_then(|()| fs::remove_file(csv).map_err(ParquetError::from));
    written.map_err(|error| {
        let cause = format!("The trace cannot be written: {error}");
        Problem::new(Exit::Device, cause, "Check the path, the free space and who may write there").in_file(&target)
    })?;
    Ok(target)
}

fn convert(csv: &Path, target: &Path) -> Result<(), ParquetError> {
    let mut lines = BufReader::new(File::open(csv)?).lines();
    let header = lines.next().transpose()?.unwrap_or_default();
    let fields = header.split(',').map(|name| {
        Ok(Arc::new(
            Type::primitive_type_builder(name, Physical::DOUBLE).with_repetition(Repetition::OPTIONAL).build()?,
        ))
    });
    let fields = fields.collect::<Result<Vec<_>, ParquetError>>()?;
    let mut columns: Vec<Column> = fields.iter().map(|_| Column::default()).collect();
    let schema = Arc::new(Type::group_type_builder("trace").with_fields(fields).build()?);
    let properties = Arc::new(WriterProperties::builder().set_compression(Compression::SNAPPY).build());
    let mut writer = SerializedFileWriter::new(File::create(target)?, schema, properties)?;
    let mut rows = 0;
    for line in lines {
        for (column, cell) in columns.iter_mut().zip(line?.split(',')) {
            column.push(cell)?;
        }
        rows += 1;
        if rows == GROUP_ROWS {
            write_group(&mut writer, &mut columns)?;
            rows = 0;
        }
    }
    if rows > 0 {
        write_group(&mut writer, &mut columns)?;
    }
    writer.close()?;
    Ok(())
}

impl Column {
    fn push(&mut self, cell: &str) -> Result<(), ParquetError> {
        self.is_filled.push(i16::from(!cell.is_empty()));
        if !cell.is_empty() {
            let number =
                cell.parse().map_err(|_| ParquetError::from(io::Error::other(format!("{cell} is no number"))))?;
            self.numbers.push(number);
        }
        Ok(())
    }
}

fn write_group(writer: &mut SerializedFileWriter<File>, columns: &mut [Column]) -> Result<(), ParquetError> {
    let mut group = writer.next_row_group()?;
    for column in columns {
        if let Some(mut out) = group.next_column()? {
            out.typed::<DoubleType>().write_batch(&column.numbers, Some(&column.is_filled), None)?;
            out.close()?;
        }
        column.numbers.clear();
        column.is_filled.clear();
    }
    group.close()?;
    Ok(())
}
