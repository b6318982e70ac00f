//! The column map of `--columns`: which column of a foreign layout is which channel, in which unit.

use std::path::{Path, PathBuf};

use monitor_core::acquire::Channel;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::problem::{Exit, Problem};
use crate::profile::read_small_text;
use crate::suggest;
use crate::trace::clock::TimeUnit;
use crate::trace::decimal::Scale;
use crate::trace::unit::{default_scale, units};

/// The key of the time column; the other keys are the names of the channels.
const TIME_KEY: &str = "time";
const ENTRY_KEYS: [&str; 3] = ["column", "unit", "where"];
const PICK_KEYS: [&str; 2] = ["column", "equals"];

/// A column map as read from its file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ColumnMap {
    path: PathBuf,
    time: Option<(MappedColumn, TimeUnit)>,
    channels: Vec<(Channel, MappedColumn, Scale)>,
}

/// One column that the map names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct MappedColumn {
    /// Its name in the header.
    pub(crate) column: String,
    /// Which rows count.
    pub(crate) pick: Option<MappedPick>,
    /// Where it stands in the map, counted from 1; none for a column that was guessed.
    pub(crate) line: Option<u64>,
}

/// The key `where`: only rows whose cell in `column` says `equals`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct MappedPick {
    /// Its name in the header.
    pub(crate) column: String,
    /// The text of the cell, without blanks around it.
    pub(crate) equals: String,
}

impl ColumnMap {
    /// Reads a column map.
    ///
    /// # Errors
    /// A file that cannot be read, is not TOML, or holds an unknown key, channel or unit: exit code 2, with file, line
    /// and the nearest known name.
    pub fn load(path: &Path) -> Result<Self, Problem> {
        Self::from_toml(path, &read_small_text(path, "column map")?)
    }

    /// Reads a column map from the text of the file `path`.
    ///
    /// # Errors
    /// As [`ColumnMap::load`].
    pub fn from_toml(path: &Path, text: &str) -> Result<Self, Problem> {
        let source = Source { path, text };
        let document = DeTable::parse(text).map_err(|error| {
            let offset = error.span().map_or(0, |span| span.start);
            let cause = format!("The column map is not valid TOML: {}", error.message().replace('\n', ", "));
            source.problem(offset, cause, "Correct this line; each line is like `rpm = { column = \"rpm\" }`")
        })?;
        let mut entries: Vec<_> = document.get_ref().iter().collect();
        entries.sort_unstable_by_key(|(key, _)| key.span().start);
        let mut map = Self { path: path.to_owned(), time: None, channels: Vec::new() };
        for (key, value) in entries {
            let name = key.get_ref().as_ref();
            if name == TIME_KEY {
                let (column, unit) = source.entry(name, value)?;
                map.time = Some((column, source.time_unit(unit)?));
            } else if let Some(channel) = Channel::from_name(name) {
                let (column, unit) = source.entry(name, value)?;
                map.channels.push((channel, column, source.scale(channel, unit)?));
            } else {
                let known: Vec<&str> = [TIME_KEY].into_iter().chain(Channel::ALL.map(Channel::name)).collect();
                let cause = format!("Unknown channel {name} in the column map");
                return Err(source.problem(key.span().start, cause, suggest::remedy(name, &known)));
            }
        }
        Ok(map)
    }

    /// A map of columns that were guessed; problems with it name `what` in the place of its file.
    pub(crate) fn guessed(what: &Path, time: (String, TimeUnit), channels: Vec<(Channel, String, Scale)>) -> Self {
        let mapped = |column| MappedColumn { column, pick: None, line: None };
        Self {
            path: what.to_owned(),
            time: Some((mapped(time.0), time.1)),
            channels: channels.into_iter().map(|(channel, column, scale)| (channel, mapped(column), scale)).collect(),
        }
    }

    /// The map as a file that [`ColumnMap::load`] reads back.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let line = |key, mapped: &MappedColumn, unit| {
            let pick = mapped.pick.as_ref().map(|pick| {
                let (column, equals) = (quoted(&pick.column), quoted(&pick.equals));
                format!(", where = {{ column = {column}, equals = {equals} }}")
            });
            line_of_map(key, &mapped.column, unit, &pick.unwrap_or_default()) + "\n"
        };
        let time = self.time.iter().map(|(column, unit)| line(TIME_KEY, column, unit.name()));
        let channels = self.channels.iter().map(|(channel, column, scale)| {
            let unit = units(*channel).iter().find(|(_, known)| known == scale).map_or("", |(name, _)| *name);
            line(channel.name(), column, unit)
        });
        time.chain(channels).collect()
    }

    /// The file it was read from.
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// The time column and its unit.
    pub(crate) fn time(&self) -> Option<(&MappedColumn, TimeUnit)> {
        self.time.as_ref().map(|(column, unit)| (column, *unit))
    }

    /// The mapped channels in the order of the file.
    pub(crate) fn channels(&self) -> impl Iterator<Item = (Channel, &MappedColumn, Scale)> {
        self.channels.iter().map(|(channel, column, scale)| (*channel, column, *scale))
    }
}

/// One line of a map, without its line feed; `pick` is written behind the unit.
pub(crate) fn line_of_map(key: &str, column: &str, unit: &str, pick: &str) -> String {
    format!("{key:<6} = {{ column = {}, unit = \"{unit}\"{pick} }}", quoted(column))
}

/// A text as TOML writes it.
fn quoted(text: &str) -> String {
    let mut quoted = String::from('"');
    for sign in text.chars() {
        match sign {
            '"' | '\\' => quoted.extend(['\\', sign]),
            sign if sign.is_control() => quoted.push_str(&format!("\\u{:04X}", u32::from(sign))),
            sign => quoted.push(sign),
        }
    }
    quoted.push('"');
    quoted
}

/// A unit as the file names it, and where.
type NamedUnit<'a> = Option<(usize, &'a str)>;

/// The text of a map and where it came from.
#[derive(Debug, Clone, Copy)]
struct Source<'a> {
    path: &'a Path,
    text: &'a str,
}

impl<'a> Source<'a> {
    /// The line, counted from 1, that holds the byte `offset`.
    fn line(&self, offset: usize) -> u64 {
        let before = self.text.as_bytes().iter().take(offset);
        u64::try_from(1 + before.filter(|byte| **byte == b'\n').count()).unwrap_or(u64::MAX)
    }

    fn problem(&self, offset: usize, cause: impl Into<String>, remedy: impl Into<String>) -> Problem {
        Problem::new(Exit::Usage, cause, remedy).in_file(self.path).at_line(self.line(offset))
    }

    /// One line of the map: the column and the name of its unit.
    fn entry<'v>(&self, name: &str, value: &'v Spanned<DeValue<'v>>) -> Result<(MappedColumn, NamedUnit<'v>), Problem> {
        let offset = value.span().start;
        let table = self.table(name, value, &ENTRY_KEYS, "{ column = \"…\" }")?;
        let Some((_, column)) = self.text(name, table, "column")? else {
            let cause = format!("{name} names no column");
            return Err(self.problem(offset, cause, format!("Write {name} = {{ column = \"…\" }}")));
        };
        let pick = match table.get("where") {
            Some(value) => Some(self.pick(&format!("{name}.where"), value)?),
            None => None,
        };
        let mapped = MappedColumn { column: column.to_owned(), pick, line: Some(self.line(offset)) };
        Ok((mapped, self.text(name, table, "unit")?))
    }

    fn pick(&self, name: &str, value: &Spanned<DeValue<'_>>) -> Result<MappedPick, Problem> {
        const SHAPE: &str = "{ column = \"instance\", equals = \"0\" }";
        let table = self.table(name, value, &PICK_KEYS, SHAPE)?;
        let column = self.text(name, table, "column")?;
        let equals = self.text(name, table, "equals")?;
        let (Some((_, column)), Some((_, equals))) = (column, equals) else {
            let cause = format!("{name} needs both column and equals");
            return Err(self.problem(value.span().start, cause, format!("Write it like {SHAPE}")));
        };
        Ok(MappedPick { column: column.to_owned(), equals: equals.to_owned() })
    }

    /// The table under `name`, with known keys only.
    fn table<'v>(
        &self,
        name: &str,
        value: &'v Spanned<DeValue<'v>>,
        known: &[&str],
        shape: &str,
    ) -> Result<&'v DeTable<'v>, Problem> {
        let DeValue::Table(table) = value.get_ref() else {
            let cause = format!("{name} must be a table in braces");
            return Err(self.problem(value.span().start, cause, format!("Write it like {shape}")));
        };
        let mut keys: Vec<_> = table.iter().map(|(key, _)| key).collect();
        keys.sort_unstable_by_key(|key| key.span().start);
        match keys.into_iter().find(|key| !known.contains(&key.get_ref().as_ref())) {
            None => Ok(table),
            Some(key) => {
                let word = key.get_ref().as_ref();
                let cause = format!("Unknown key {name}.{word}");
                Err(self.problem(key.span().start, cause, suggest::remedy(word, known)))
            }
        }
    }

    /// The text under `key`, without blanks around it, and where it stands.
    fn text<'v>(&self, name: &str, table: &'v DeTable<'v>, key: &str) -> Result<NamedUnit<'v>, Problem> {
        let Some(value) = table.get(key) else { return Ok(None) };
        let offset = value.span().start;
        match value.get_ref() {
            DeValue::String(text) if !text.trim().is_empty() || key == "equals" => Ok(Some((offset, text.trim()))),
            DeValue::String(_) => {
                Err(self.problem(offset, format!("{name}.{key} is empty"), "Name it as the header of the trace does"))
            }
            _ => Err(self.problem(offset, format!("{name}.{key} is not a text"), "Put it in double quotes")),
        }
    }

    fn time_unit(&self, unit: NamedUnit<'_>) -> Result<TimeUnit, Problem> {
        let Some((offset, name)) = unit else { return Ok(TimeUnit::Seconds) };
        TimeUnit::ALL
            .into_iter()
            .find(|unit| unit.name() == name)
            .ok_or_else(|| self.unknown_unit(offset, TIME_KEY, name, &TimeUnit::ALL.map(TimeUnit::name)))
    }

    fn scale(&self, channel: Channel, unit: NamedUnit<'_>) -> Result<Scale, Problem> {
        let Some((offset, name)) = unit else { return Ok(default_scale(channel)) };
        units(channel).iter().find(|(known, _)| *known == name).map(|(_, scale)| *scale).ok_or_else(|| {
            let known: Vec<&str> = units(channel).iter().map(|(known, _)| *known).collect();
            self.unknown_unit(offset, channel.name(), name, &known)
        })
    }

    fn unknown_unit(&self, offset: usize, channel: &str, name: &str, known: &[&str]) -> Problem {
        self.problem(offset, format!("Unknown unit \"{name}\" for {channel}"), suggest::remedy(name, known))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::decimal::Decimal;

    fn parse(text: &str) -> Result<ColumnMap, Problem> {
        ColumnMap::from_toml(Path::new("map.toml"), text)
    }

    #[test]
    fn map_of_the_design_is_read() {
        let map = parse(
            "time   = { column = \"t_ms\", unit = \"ms\" }\n\
             rpm    = { column = \" rpm \" }\n\
             [head]\n\
             column = \"coolant_c\"\n\
             unit = \"F\"\n\
             [supply]\n\
             column = \"voltage_v\"\n\
             where = { column = \"instance\", equals = \"0\" }\n",
        )
        .unwrap();
        let (time, unit) = map.time().unwrap();
        assert_eq!((time.column.as_str(), unit, time.line), ("t_ms", TimeUnit::Millis, Some(1)));
        let channels: Vec<_> = map.channels().collect();
        let names: Vec<_> = channels.iter().map(|(channel, column, _)| (*channel, column.column.as_str())).collect();
        let expected = [(Channel::Rpm, "rpm"), (Channel::Head, "coolant_c"), (Channel::Supply, "voltage_v")];
        assert_eq!(names, expected);
        let boiling = Decimal::parse(b"212").unwrap();
        assert_eq!(boiling.to_steps(channels[1].2), 100_000);
        assert_eq!(channels[2].1.pick, Some(MappedPick { column: "instance".to_owned(), equals: "0".to_owned() }));
    }

    #[test]
    fn written_map_is_read_back() {
        let text = "time = { column = \"Time \\\"s\\\" \\\\\", unit = \"mm:ss\" }\nrpm = { column = \"a\\tb\" }\n\
                    head = { column = \"°F\", unit = \"F\" }\n\
                    supply = { column = \"v\", unit = \"mV\", where = { column = \"i\", equals = \"0\" } }\n";
        let map = parse(text).unwrap();
        let written = map.to_toml();
        assert_eq!(parse(&written).unwrap(), map, "{written}");
    }

    #[test]
    fn unit_of_time_is_seconds_where_it_is_not_named() {
        assert_eq!(parse("time = { column = \"t\" }").unwrap().time().map(|(_, unit)| unit), Some(TimeUnit::Seconds));
    }

    #[test]
    fn what_cannot_be_meant_is_refused_with_its_line() {
        let cases = [
            ("not TOML", "rpm = {\n", 1, "not valid TOML"),
            ("unknown channel", "\nrmp = { column = \"a\" }", 2, "Did you mean rpm?"),
            ("trace column for channel", "head_c = { column = \"a\" }", 1, "Did you mean head?"),
            ("nothing alike", "fuel = { column = \"a\" }", 1, "Use one of: time, rpm, head"),
            ("unknown key", "rpm = { colum = \"a\" }", 1, "Did you mean column?"),
            ("unknown unit", "head = { column = \"a\", unit = \"°C\" }", 1, "Did you mean C?"),
            ("unit of another channel", "head = { column = \"a\", unit = \"kPa\" }", 1, "Use one of: C, F, K"),
            ("unknown unit of time", "time = { column = \"a\", unit = \"hh:mm\" }", 1, "Did you mean hh:mm:ss?"),
            ("unit that is no text", "head = { column = \"a\", unit = 1 }", 1, "head.unit is not a text"),
            ("no column", "[head]\nunit = \"C\"\n", 1, "head names no column"),
            ("empty column", "head = { column = \" \" }", 1, "head.column is empty"),
            ("only a name", "head = \"coolant\"", 1, "Write it like { column ="),
            (
                "number in where",
                "head = { column = \"a\", where = { column = \"b\", equals = 0 } }",
                1,
                "double quotes",
            ),
            ("half a where", "head = { column = \"a\", where = { column = \"b\" } }", 1, "needs both"),
            ("unknown key in where", "head = { column = \"a\", where = { equal = \"b\" } }", 1, "Did you mean equals?"),
            ("the same channel twice", "rpm = { column = \"a\" }\nrpm = { column = \"b\" }", 2, "not valid TOML"),
        ];
        for (name, text, line, part) in cases {
            let problem = parse(text).unwrap_err();
            assert_eq!((problem.exit, problem.line), (Exit::Usage, Some(line)), "{name}: {problem}");
            assert!(problem.to_string().contains(part), "{name}: {part:?} is not in {problem}");
        }
    }

    #[test]
    fn file_that_cannot_be_read_is_a_usage_problem() {
        let problem = ColumnMap::load(Path::new("no/such/map.toml")).unwrap_err();
        assert_eq!(problem.exit, Exit::Usage);
        assert!(problem.to_string().starts_with("no/such/map.toml: "), "{problem}");
    }
}
