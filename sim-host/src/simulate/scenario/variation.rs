//! Variations: a small file that is laid over scenarios, so that the same days are lived with other engines or sensors.

use std::path::{Path, PathBuf};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::parse;
use crate::problem::Problem;
use crate::profile::read_small_text;

/// A variation, read and checked for being TOML; whether it fits a scenario shows when it is laid over one.
#[derive(Debug, Clone)]
pub struct Variation {
    path: PathBuf,
    text: String,
}

impl Variation {
    /// Reads a variation.
    ///
    /// # Errors
    /// A file that cannot be read or is not TOML: exit code 2.
    pub fn read(path: &Path) -> Result<Self, Problem> {
        let text = read_small_text(path, "variation")?;
        parse(path, &text)?;
        Ok(Self { path: path.to_owned(), text })
    }

    /// The file, as it was given.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Hands `read` the scenario `table` with this variation over it.
    pub(super) fn over<T>(
        &self,
        table: &DeTable<'_>,
        read: impl FnOnce(&DeTable<'_>) -> Result<T, Problem>,
    ) -> Result<T, Problem> {
        let own = parse(&self.path, &self.text)?;
        let mut varied = table.clone();
        lay_over(&mut varied, own.get_ref());
        read(&varied).map_err(|problem| {
            // Lines of two files stand in it: only the cause is sure.
            let cause = format!("The variation does not fit the scenario: {}", problem.cause);
            Problem { file: Some(self.path.clone()), line: None, cause, ..problem }
        })
    }
}

/// Tables go into tables, a table over a list of tables into each of them; anything else takes the place of what was there.
fn lay_over<'t>(under: &mut DeTable<'t>, over: &DeTable<'t>) {
    for (key, value) in over {
        match (under.get_mut(key.get_ref().as_ref()).map(Spanned::get_mut), value.get_ref()) {
            (Some(DeValue::Table(inner)), DeValue::Table(more)) => lay_over(inner, more),
            (Some(DeValue::Array(items)), DeValue::Table(more)) => {
                for item in items.iter_mut() {
                    if let DeValue::Table(inner) = item.get_mut() {
                        lay_over(inner, more);
                    }
                }
            }
            _ => {
                under.insert(key.clone(), value.clone());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_go_into_tables_and_into_each_of_a_list() {
        let scenario = "seed = 1\n[sensors]\nnoise = 1.0\nhead = { step = 0.1 }\n[[trip]]\nwater_c = 18\n[[trip]]\nwater_c = 20\ntow_n = 5\n";
        let variation =
            "commission = false\n[sensors]\nhead = { step = 1.0 }\n[trip]\nwater_c = 5\n[plant]\nspread = 0.3\n";
        let expected = "seed = 1\ncommission = false\n[sensors]\nnoise = 1.0\nhead = { step = 1.0 }\n[[trip]]\nwater_c = 5\n[[trip]]\nwater_c = 5\ntow_n = 5\n[plant]\nspread = 0.3\n";
        let mut table = DeTable::parse(scenario).unwrap().into_inner();
        lay_over(&mut table, DeTable::parse(variation).unwrap().get_ref());
        assert_eq!(plain(&table), plain(DeTable::parse(expected).unwrap().get_ref()));
    }

    /// Keys and numbers without their places; keys are in order.
    fn plain(table: &DeTable<'_>) -> String {
        table.iter().map(|(key, value)| format!("{}={} ", key.get_ref(), plain_value(value.get_ref()))).collect()
    }

    fn plain_value(value: &DeValue<'_>) -> String {
        match value {
            DeValue::Integer(number) => number.as_str().to_owned(),
            DeValue::Float(number) => number.as_str().to_owned(),
            DeValue::Boolean(flag) => flag.to_string(),
            DeValue::Array(items) => items.iter().map(|item| format!("[{}]", plain_value(item.get_ref()))).collect(),
            DeValue::Table(table) => format!("{{{}}}", plain(table)),
            other => panic!("{other:?}"),
        }
    }
}
