//! Traces in Parquet, behind the feature `parquet`.
//!
//! A Parquet table is turned into the text that the same table has as CSV, so that whatever holds for the one holds for the
//! other: names, units, bad rows, what is said about them. Binary fractions are written with as few digits as tell them
//! apart, which gives the decimals back that they were made of.

mod read;
mod write;

pub(crate) use read::ParquetText;
pub(crate) use write::from_csv;
