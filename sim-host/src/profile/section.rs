//! Reads the tables of a profile or a scenario: every value has a line, every key is known, every number is exact and in its range.

use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::problem::{Exit, Problem};
use crate::suggest;
use crate::trace::decimal::{self, Decimal, Scale};

/// The text of a profile and where it came from.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Source<'a> {
    pub(crate) path: &'a Path,
    pub(crate) text: &'a str,
}

impl Source<'_> {
    /// A problem at the line that holds the byte `offset`.
    pub(crate) fn problem(&self, offset: usize, cause: impl Into<String>, remedy: impl Into<String>) -> Problem {
        let before = self.text.as_bytes().iter().take(offset);
        let line = 1 + before.filter(|byte| **byte == b'\n').count();
        let line = u64::try_from(line).unwrap_or(u64::MAX);
        Problem::new(Exit::Usage, cause, remedy).in_file(self.path).at_line(line)
    }
}

/// What a number may be, counted in steps of which `per_unit` make one of the unit in the file.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Range {
    per_unit: i32,
    least: i32,
    most: i32,
    unit: &'static str,
}

impl Range {
    /// From `least` to `most`, both in whole units; `per_unit` steps make one unit.
    pub(crate) const fn new(least: i32, most: i32, per_unit: i32, unit: &'static str) -> Self {
        Self { per_unit, least: least * per_unit, most: most * per_unit, unit }
    }

    fn allows(&self, steps: i32) -> bool {
        (self.least..=self.most).contains(&steps)
    }

    fn wanted(&self) -> String {
        let (least, most) = (self.least / self.per_unit, self.most / self.per_unit);
        format!("{least} to {most} {}", self.unit).trim_end().to_owned()
    }
}

/// Two numbers of a list of pairs, in steps, and where they stand.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pair {
    offset: usize,
    pub(crate) steps: [i32; 2],
}

/// One table of a profile.
#[derive(Debug, Clone)]
pub(crate) struct Section<'a> {
    source: Source<'a>,
    name: String,
    table: &'a DeTable<'a>,
    offset: usize,
}

impl<'a> Section<'a> {
    /// The whole file as one table.
    pub(crate) fn root(source: Source<'a>, table: &'a DeTable<'a>, known: &[&str]) -> Result<Self, Problem> {
        Self { source, name: String::new(), table, offset: 0 }.with_only(known)
    }

    /// The table under `key`, where there is one.
    pub(crate) fn section(&self, key: &str, known: &[&str]) -> Result<Option<Self>, Problem> {
        let Some(value) = self.value(key) else { return Ok(None) };
        let offset = value.span().start;
        let DeValue::Table(table) = value.get_ref() else {
            let name = self.joined(key);
            let cause = format!("{name} is {}, not a section", kind_of(value.get_ref()));
            return Err(self.source.problem(offset, cause, format!("Write the section as [{name}]")));
        };
        Self { source: self.source, name: self.joined(key), table, offset }.with_only(known).map(Some)
    }

    /// The tables of the list under `key`, written as `[[key]]`; none where the key is missing.
    pub(crate) fn tables(&self, key: &str, known: &[&str]) -> Result<Vec<Self>, Problem> {
        let remedy = || format!("Write each as a section of its own: [[{}]]", self.joined(key));
        let Some(value) = self.value(key) else { return Ok(Vec::new()) };
        let DeValue::Array(items) = value.get_ref() else {
            let cause = format!("{} is {}, not a list of sections", self.joined(key), kind_of(value.get_ref()));
            return Err(self.problem_at(key, cause, remedy()));
        };
        let mut tables = Vec::new();
        for item in items.iter() {
            let offset = item.span().start;
            let DeValue::Table(table) = item.get_ref() else {
                let cause = format!("{} holds {}, not a section", self.joined(key), kind_of(item.get_ref()));
                return Err(self.source.problem(offset, cause, remedy()));
            };
            tables.push(Self { source: self.source, name: self.joined(key), table, offset }.with_only(known)?);
        }
        Ok(tables)
    }

    /// This table as it was parsed.
    pub(crate) const fn table(&self) -> &'a DeTable<'a> {
        self.table
    }

    /// The text and the file that this table stands in.
    pub(crate) const fn source(&self) -> Source<'a> {
        self.source
    }

    /// The keys of this table in the order of the file.
    pub(crate) fn keys(&self) -> Vec<&'a str> {
        let mut keys: Vec<_> = self.table.iter().map(|(key, _)| (key.span().start, key.get_ref().as_ref())).collect();
        keys.sort_unstable();
        keys.into_iter().map(|(_, key)| key).collect()
    }

    /// Whether `key` has a value.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.value(key).is_some()
    }

    /// A problem at `key`, or at the head of this table where the key is missing.
    pub(crate) fn problem_at(&self, key: &str, cause: impl Into<String>, remedy: impl Into<String>) -> Problem {
        self.source.problem(self.value(key).map_or(self.offset, |value| value.span().start), cause, remedy)
    }

    /// A problem that says that `key` must be there.
    pub(crate) fn missing(&self, key: &str, example: &str) -> Problem {
        let cause = format!("{} is missing", self.joined(key));
        self.problem_at(key, cause, format!("Add a line such as `{key} = {example}` under [{}]", self.name))
    }

    /// A problem that says that the section `key` must be there.
    pub(crate) fn missing_section(&self, key: &str, contents: &str) -> Problem {
        self.source.problem(0, format!("The section [{key}] is missing"), format!("Add [{key}] with {contents}"))
    }

    /// The number under `key`, in the steps of `range`, rounded half away from zero.
    pub(crate) fn number(&self, key: &str, range: Range) -> Result<Option<i32>, Problem> {
        self.value(key).map(|value| self.steps(key, value, range)).transpose()
    }

    /// The whole number under `key`, in the steps of `range`.
    pub(crate) fn whole(&self, key: &str, range: Range) -> Result<Option<i32>, Problem> {
        let Some(value) = self.value(key) else { return Ok(None) };
        if let DeValue::Integer(_) = value.get_ref() {
            return self.steps(key, value, range).map(Some);
        }
        let cause = format!("{} is {}, not a whole number", self.joined(key), kind_of(value.get_ref()));
        Err(self.problem_at(key, cause, format!("Give a whole number from {}", range.wanted())))
    }

    /// The finite number under `key` in steps of which `per_unit` make one, rounded half away from zero, saturating.
    ///
    /// For numbers of so many powers of ten that only their user knows what is out of range.
    pub(crate) fn fine(&self, key: &str, per_unit: u64) -> Result<Option<i64>, Problem> {
        let Some(value) = self.value(key) else { return Ok(None) };
        let digits = self.digits(key, value)?;
        Ok(Decimal::parse(digits.as_bytes()).map(|number| number.to_steps(Scale::ratio(per_unit, 1))))
    }

    /// The text under `key`.
    pub(crate) fn text(&self, key: &str) -> Result<Option<&'a str>, Problem> {
        let Some(value) = self.value(key) else { return Ok(None) };
        if let DeValue::String(text) = value.get_ref() {
            return Ok(Some(text.as_ref()));
        }
        let cause = format!("{} is {}, not a text", self.joined(key), kind_of(value.get_ref()));
        Err(self.problem_at(key, cause, "Put the text in double quotes"))
    }

    /// The text under `key`, which must be one of `words`.
    pub(crate) fn word(&self, key: &str, words: &[&str]) -> Result<Option<&'a str>, Problem> {
        let Some(text) = self.text(key)? else { return Ok(None) };
        if words.contains(&text) {
            return Ok(Some(text));
        }
        let cause = format!("{} = \"{text}\" is not known", self.joined(key));
        Err(self.problem_at(key, cause, suggest::remedy(text, words)))
    }

    /// The `true` or `false` under `key`.
    pub(crate) fn flag(&self, key: &str) -> Result<Option<bool>, Problem> {
        let Some(value) = self.value(key) else { return Ok(None) };
        if let DeValue::Boolean(flag) = value.get_ref() {
            return Ok(Some(*flag));
        }
        let cause = format!("{} is {}, not true or false", self.joined(key), kind_of(value.get_ref()));
        Err(self.problem_at(key, cause, "Write true or false without quotes"))
    }

    /// The list of texts under `key`; each must be one of `words` and stand there once.
    pub(crate) fn words(&self, key: &str, words: &[&str]) -> Result<Option<Vec<&'a str>>, Problem> {
        let Some(items) = self.list(key)? else { return Ok(None) };
        let mut found = Vec::new();
        for item in items {
            let offset = item.span().start;
            let DeValue::String(text) = item.get_ref() else {
                let cause = format!("{} holds {}, not a text", self.joined(key), kind_of(item.get_ref()));
                return Err(self.source.problem(offset, cause, "Put each name in double quotes"));
            };
            let text = text.as_ref();
            if !words.contains(&text) {
                let cause = format!("\"{text}\" in {} is not known", self.joined(key));
                return Err(self.source.problem(offset, cause, suggest::remedy(text, words)));
            }
            if found.contains(&text) {
                let cause = format!("\"{text}\" stands twice in {}", self.joined(key));
                return Err(self.source.problem(offset, cause, "Name it once"));
            }
            found.push(text);
        }
        Ok(Some(found))
    }

    /// The list of pairs of numbers under `key`, two at least, each number in the steps of its range.
    pub(crate) fn pairs(&self, key: &str, ranges: [Range; 2]) -> Result<Option<Vec<Pair>>, Problem> {
        let Some(items) = self.list(key)? else { return Ok(None) };
        let remedy = "Write it as pairs of numbers, two at least: [[10000, 25.0], [5000, 45.0]]";
        if items.len() < 2 {
            let cause = format!("{} has {} points", self.joined(key), items.len());
            return Err(self.problem_at(key, cause, remedy));
        }
        let mut pairs = Vec::new();
        for item in items {
            let numbers: Vec<_> = match item.get_ref() {
                DeValue::Array(pair) if pair.len() == 2 => pair.iter().zip(ranges).collect(),
                _ => {
                    let cause = format!("{} holds something that is not a pair of numbers", self.joined(key));
                    return Err(self.source.problem(item.span().start, cause, remedy));
                }
            };
            let mut steps = [0; 2];
            for (place, (number, range)) in steps.iter_mut().zip(numbers) {
                *place = self.steps(key, number, range)?;
            }
            pairs.push(Pair { offset: item.span().start, steps });
        }
        Ok(Some(pairs))
    }

    /// A problem at one pair of a list.
    pub(crate) fn problem_at_pair(&self, pair: &Pair, cause: impl Into<String>, remedy: impl Into<String>) -> Problem {
        self.source.problem(pair.offset, cause, remedy)
    }

    /// The name of `key` with the sections that hold it.
    pub(crate) fn joined(&self, key: &str) -> String {
        if self.name.is_empty() { key.to_owned() } else { format!("{}.{key}", self.name) }
    }

    fn with_only(self, known: &[&str]) -> Result<Self, Problem> {
        let mut keys: Vec<_> = self.table.iter().map(|(key, _)| key).collect();
        keys.sort_unstable_by_key(|key| key.span().start);
        match keys.into_iter().find(|key| !known.contains(&key.get_ref().as_ref())) {
            None => Ok(self),
            Some(key) => {
                let word = key.get_ref().as_ref();
                let cause = format!("Unknown key {}", self.joined(word));
                Err(self.source.problem(key.span().start, cause, suggest::remedy(word, known)))
            }
        }
    }

    /// What stands under `key`.
    pub(crate) fn value(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.table.get(key)
    }

    /// The list under `key`.
    pub(crate) fn list(&self, key: &str) -> Result<Option<&'a [Spanned<DeValue<'a>>]>, Problem> {
        let Some(value) = self.value(key) else { return Ok(None) };
        if let DeValue::Array(items) = value.get_ref() {
            return Ok(Some(items));
        }
        let cause = format!("{} is {}, not a list", self.joined(key), kind_of(value.get_ref()));
        Err(self.problem_at(key, cause, "Put the values in square brackets, with commas between them"))
    }

    fn steps(&self, key: &str, value: &Spanned<DeValue<'a>>, range: Range) -> Result<i32, Problem> {
        let digits = self.digits(key, value)?;
        match decimal::scaled(&digits, range.per_unit) {
            Some(steps) if range.allows(steps) => Ok(steps),
            _ => {
                let cause = format!("{} = {digits} is out of range", self.joined(key));
                Err(self.source.problem(value.span().start, cause, format!("Give a number from {}", range.wanted())))
            }
        }
    }

    /// The decimal digits of a number that is finite.
    pub(crate) fn digits(&self, key: &str, value: &Spanned<DeValue<'a>>) -> Result<String, Problem> {
        let name = self.joined(key);
        let offset = value.span().start;
        let not_finite =
            || self.source.problem(offset, format!("{name} is not a finite number"), "Give a finite number");
        match value.get_ref() {
            DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix())
                .map(|number| number.to_string())
                .map_err(|_| self.source.problem(offset, format!("{name} is out of range"), "Give a smaller number")),
            DeValue::Float(float) => match float.as_str().parse::<f64>() {
                Ok(number) if number.is_finite() => Ok(float.as_str().to_owned()),
                _ => Err(not_finite()),
            },
            other => {
                let cause = format!("{name} is {}, not a number", kind_of(other));
                Err(self.source.problem(offset, cause, "Write the number without quotes"))
            }
        }
    }
}

/// What a value is, in words.
pub(crate) fn kind_of(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a decimal number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a section",
    }
}
