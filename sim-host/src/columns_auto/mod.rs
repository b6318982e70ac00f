//! `--columns auto`: guesses which column of a foreign layout is which channel, in which unit, and how sure that is.
//!
//! A column is taken only where its name says what it is, its unit is known, and its values do not speak against both.
//! Whatever leaves a choice is refused: a wrong unit would make a healthy engine look ill, or an ill one healthy.

mod header;
mod values;

use std::fmt::Write as _;
use std::path::Path;

use monitor_core::acquire::Channel;

use crate::columns::{ColumnMap, line_of_map};
use crate::problem::{Exit, Problem};
use crate::trace::clock::TimeUnit;
use crate::trace::sample::{Sample, SampledColumn, sample};
use crate::trace::unit::units;
use header::{Meaning, Named, NamedUnit, meaning};
use values::{Values, can_be, possible_units, time_unit};

/// What stands in the place of the map's file in messages.
const NAME: &str = "--columns auto";
/// Columns that tell several senders apart which share the others.
const INSTANCE_WORDS: [&str; 4] = ["instance", "source", "bank", "sender"];

/// The map that was guessed.
#[derive(Debug)]
pub struct Guess {
    /// The map, to be used like one from a file.
    pub map: ColumnMap,
    /// What was found where, and why, one line for each key of the map and one for what is not used.
    pub said: Vec<String>,
    /// Rows that were looked at.
    pub rows: u64,
}

/// Guesses the columns of the trace at `path`.
///
/// # Errors
/// Exit code 2: more than one reading is possible; the remedy is a map with the lines to choose from. Exit code 3: the
/// trace cannot be read, or has no column that looks like time or engine speed.
pub fn guess(path: &Path) -> Result<Guess, Problem> {
    let sample = sample(path)?;
    let columns: Vec<Column<'_>> = sample.columns.iter().map(Column::new).collect();
    let mut found = Found::default();
    find_time(&columns, &mut found);
    for channel in Channel::ALL {
        find_channel(channel, &columns, &mut found);
    }
    find_head_or_water(&columns, &mut found);
    find_instances(&columns, &mut found);
    found.conclude(path, &sample, &columns)
}

/// One column: its name taken apart, and what it may be.
struct Column<'a> {
    sampled: &'a SampledColumn,
    named: Named,
    meaning: Meaning,
    values: Option<Values>,
}

impl<'a> Column<'a> {
    fn new(sampled: &'a SampledColumn) -> Self {
        let named = Named::new(&sampled.name);
        let meaning = if sampled.name.is_empty() { Meaning::Nothing } else { meaning(&sampled.name, &named) };
        Self { sampled, named, meaning, values: Values::of(sampled) }
    }

    fn name(&self) -> &str {
        &self.sampled.name
    }

    /// The values in words.
    fn shown(&self) -> String {
        match self.values {
            Some(Values { low, high }) => format!("values {low} to {high}"),
            None if self.sampled.filled == 0 => "no values yet".to_owned(),
            None => "no numbers".to_owned(),
        }
    }
}

/// A line of the map to be, with its reason.
struct Taken {
    key: &'static str,
    column: String,
    unit: &'static str,
    why: String,
}

impl Taken {
    fn line(&self) -> String {
        line_of_map(self.key, &self.column, self.unit, "")
    }
}

#[derive(Default)]
struct Found {
    time: Option<(Taken, TimeUnit)>,
    channels: Vec<(Channel, Taken)>,
    /// What has to be chosen: the question, and the lines to choose from.
    open: Vec<(String, Vec<String>)>,
}

fn find_time(columns: &[Column<'_>], found: &mut Found) {
    let mut fitting = Vec::new();
    for column in columns.iter().filter(|column| column.meaning == Meaning::Time) {
        let by_cells = time_unit(column.sampled);
        let unit = match (column.named.unit, by_cells) {
            (Some(NamedUnit::Time(unit)), Some((seen, _))) if is_number(unit) == is_number(seen) => {
                Some((unit, "its unit stands in the name"))
            }
            (_, seen) => seen,
        };
        if let Some((unit, why)) = unit {
            let sure = if why.starts_with("by the steps") { "likely" } else { "sure" };
            let why = format!("{sure}: named so, {why}");
            fitting.push((Taken { key: "time", column: column.name().to_owned(), unit: unit.name(), why }, unit));
        }
    }
    if fitting.len() > 1 {
        // Of a clock and a count both are right; the own layout's name decides, else nobody can know.
        if let Some(own) = fitting.iter().position(|(taken, _)| taken.column == "t_s") {
            found.time = Some(fitting.swap_remove(own));
            return;
        }
        let lines = fitting.iter().map(|(taken, _)| taken.line()).collect();
        found.open.push(("several columns can be the time".to_owned(), lines));
        return;
    }
    found.time = fitting.pop();
}

const fn is_number(unit: TimeUnit) -> bool {
    matches!(unit, TimeUnit::Seconds | TimeUnit::Millis)
}

fn find_channel(channel: Channel, columns: &[Column<'_>], found: &mut Found) {
    let name = channel.name();
    let named: Vec<_> = columns.iter().filter(|column| column.meaning == Meaning::Channel(channel)).collect();
    // A column without a single number is taken only where no other carries the name.
    let with_values: Vec<_> = named.iter().copied().filter(|column| column.values.is_some()).collect();
    let candidates = if with_values.is_empty() { named } else { with_values };
    let mut lines = Vec::new();
    let mut questions = Vec::new();
    let mut taken = Vec::new();
    for column in candidates {
        if column.values.is_none() && column.sampled.filled > 0 {
            continue;
        }
        match unit_of(channel, column) {
            Ok(found) => taken.push(found),
            Err((question, possible)) => {
                questions.push(question);
                lines.extend(possible.iter().map(|unit| line(name, column, unit)));
            }
        }
    }
    if questions.is_empty() && taken.len() <= 1 {
        found.channels.extend(taken.into_iter().map(|taken| (channel, taken)));
        return;
    }
    if taken.len() + questions.len() > 1 {
        questions = vec![format!("several columns can be {name}")];
    }
    lines.splice(0..0, taken.iter().map(Taken::line));
    found.open.push((questions.join("; "), lines));
}

fn line(key: &'static str, column: &Column<'_>, unit: &'static str) -> String {
    Taken { key, column: column.name().to_owned(), unit, why: String::new() }.line()
}

/// The unit of a column that is named like `channel`; or the question that is open, and the units to choose from.
fn unit_of(channel: Channel, column: &Column<'_>) -> Result<Taken, (String, Vec<&'static str>)> {
    let all = || units(channel).iter().map(|(unit, _)| *unit).collect::<Vec<_>>();
    let take = |unit, sure: &str, how: &str| {
        let why = format!("{sure}: named so, {how}, {}", column.shown());
        Taken { key: channel.name(), column: column.name().to_owned(), unit, why }
    };
    let stated = match column.named.unit {
        Some(NamedUnit::Known(unit)) => units(channel).iter().find(|(known, _)| *known == unit).map(|(unit, _)| *unit),
        _ => None,
    };
    let Some(values) = column.values else {
        return match stated.or_else(|| (all().len() == 1).then(|| all().first().copied()).flatten()) {
            Some(unit) => Ok(take(unit, "likely", "its unit stands in the name")),
            None => Err((format!("the unit of \"{}\" is not known, and it has no values", column.name()), all())),
        };
    };
    if let Some(unit) = stated {
        if can_be(channel, values, unit) {
            return Ok(take(unit, "sure", "its unit stands in the name"));
        }
        let question =
            format!("\"{}\" has {} that cannot be {} in {unit}", column.name(), column.shown(), channel.name());
        return Err((question, all()));
    }
    match possible_units(channel, values).as_slice() {
        [] => Err((format!("no unit fits \"{}\" with {}", column.name(), column.shown()), all())),
        [only] if can_be(channel, values, only) && all().len() == 1 => Ok(take(only, "sure", "it has one unit only")),
        [only] if can_be(channel, values, only) => Ok(take(only, "likely", "its unit told by its values")),
        _ => Err((format!("the unit of \"{}\" cannot be told by {}", column.name(), column.shown()), all())),
    }
}

/// A temperature that may be the head's or the raw water's.
fn find_head_or_water(columns: &[Column<'_>], found: &mut Found) {
    let has = |found: &Found, channel| found.channels.iter().any(|(known, _)| *known == channel);
    // Where one of the two has a column of its own, a third temperature is nobody's.
    if has(found, Channel::Head) || found.open.iter().any(|(question, _)| question.contains("head")) {
        return;
    }
    for column in columns.iter().filter(|column| column.meaning == Meaning::HeadOrWater && column.values.is_some()) {
        let units = match column.named.unit {
            Some(NamedUnit::Known(unit)) => vec![unit],
            _ => units(Channel::Head).iter().map(|(unit, _)| *unit).collect(),
        };
        let lines = ["head", "water"].into_iter().flat_map(|key| units.iter().map(move |unit| line(key, column, unit)));
        let question = format!("\"{}\" can be the head or the raw water", column.name());
        found.open.push((question, lines.collect()));
    }
}

/// Several senders whose messages stand in one table.
fn find_instances(columns: &[Column<'_>], found: &mut Found) {
    for column in columns.iter().filter(|column| column.named.has_any(&INSTANCE_WORDS)) {
        if column.sampled.texts.len() > 1 {
            let question = format!(
                "\"{}\" tells several senders apart ({}): add where = {{ column = \"{}\", equals = \"{}\" }} to the lines \
                 that need it",
                column.name(),
                column.sampled.texts.join(", "),
                column.name(),
                column.sampled.texts.first().map_or("", String::as_str)
            );
            found.open.push((question, Vec::new()));
        }
    }
}

impl Found {
    fn conclude(self, path: &Path, sample: &Sample, columns: &[Column<'_>]) -> Result<Guess, Problem> {
        let is_open = |key: &str| self.open.iter().any(|(_, lines)| lines.iter().any(|line| line.starts_with(key)));
        let no_rpm = self.channels.iter().all(|(channel, _)| *channel != Channel::Rpm) && !is_open("rpm");
        let no_time = self.time.is_none() && !is_open("time");
        if no_rpm || no_time {
            let what = match (no_time, no_rpm) {
                (true, true) => "the time or the engine speed",
                (true, false) => "the time",
                _ => "the engine speed",
            };
            let names: Vec<_> = columns.iter().map(Column::name).filter(|name| !name.is_empty()).collect();
            let unread = columns.iter().find(|column| no_time && column.meaning == Meaning::Time);
            let unread = unread.and_then(|column| Some((column.name(), column.sampled.texts.first()?)));
            let hint = unread.map(|(name, cell)| {
                format!(". \"{name}\" is named like one, but \"{cell}\" is in no form that is known here")
            });
            let hint = hint.unwrap_or_default();
            let cause = format!("No column looks like {what}; the columns are: {}{hint}", names.join(", "));
            let remedy = "Write what is what into a map and give it with --columns MAP.toml";
            return Err(Problem::new(Exit::Unreadable, cause, remedy).in_file(path).at_line(sample.line));
        }
        let (Some((time, unit)), true) = (&self.time, self.open.is_empty()) else {
            return Err(self.refusal(path, sample));
        };
        let scaled = self.channels.iter().filter_map(|(channel, taken)| {
            let scale = units(*channel).iter().find(|(known, _)| *known == taken.unit).map(|(_, scale)| *scale)?;
            Some((*channel, taken.column.clone(), scale))
        });
        let map = ColumnMap::guessed(Path::new(NAME), (time.column.clone(), *unit), scaled.collect());
        let mut said: Vec<_> = self.taken().map(|taken| format!("{}  # {}", taken.line(), taken.why)).collect();
        let used: Vec<_> = self.taken().map(|taken| taken.column.as_str()).collect();
        let rest: Vec<_> =
            columns.iter().map(Column::name).filter(|name| !name.is_empty() && !used.contains(name)).collect();
        if !rest.is_empty() {
            said.push(format!("# not used: {}", rest.join(", ")));
        }
        Ok(Guess { map, said, rows: sample.rows })
    }

    fn taken(&self) -> impl Iterator<Item = &Taken> {
        self.time.iter().map(|(taken, _)| taken).chain(self.channels.iter().map(|(_, taken)| taken))
    }

    /// What is open, with a map in which only that has to be chosen.
    fn refusal(&self, path: &Path, sample: &Sample) -> Problem {
        let questions: Vec<_> = self.open.iter().map(|(question, _)| question.as_str()).collect();
        let cause = format!("{NAME} is not sure: {}", questions.join("; "));
        let mut remedy = String::from(
            "Write this into a map, take the # away from the lines that are true, and give it with --columns MAP.toml:",
        );
        for taken in self.taken() {
            // Writing to a String cannot fail.
            let _ = write!(remedy, "\n  {}", taken.line());
        }
        for line in self.open.iter().flat_map(|(_, lines)| lines) {
            let _ = write!(remedy, "\n  # {line}");
        }
        Problem::new(Exit::Usage, cause, remedy).in_file(path).at_line(sample.line)
    }
}
