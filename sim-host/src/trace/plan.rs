//! What is read from each row: made once from the header and the column map.

use std::path::Path;

use monitor_core::acquire::{Channel, ChannelSet};

use super::clock::TimeUnit;
use super::decimal::{Decimal, Scale};
use super::unit::default_scale;
use crate::columns::{ColumnMap, MappedColumn};
use crate::problem::{Exit, Problem};
use crate::suggest;

/// The columns of a trace without a map.
const TIME_COLUMNS: [(&str, TimeUnit); 2] = [("t_s", TimeUnit::Seconds), ("time", TimeUnit::Rfc3339)];
const CHANNEL_COLUMNS: [(&str, Channel); 8] = [
    ("rpm", Channel::Rpm),
    ("head_c", Channel::Head),
    ("flow_lpm", Channel::Flow),
    ("supply_v", Channel::Supply),
    ("speed_kn", Channel::Speed),
    ("sog_kn", Channel::Speed),
    ("water_c", Channel::Water),
    ("oil_kpa", Channel::Oil),
];

/// Most columns that a message lists.
const LISTED: usize = 20;

/// A condition on the row: only where the cell in `slot` says `equals` is the reading taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Pick {
    pub(super) slot: usize,
    pub(super) equals: Box<[u8]>,
}

/// The time column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct TimeSource {
    pub(super) slot: usize,
    pub(super) unit: TimeUnit,
    pub(super) pick: Option<Pick>,
}

/// The column of one channel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct ChannelSource {
    pub(super) channel: Channel,
    pub(super) slot: usize,
    pub(super) scale: Scale,
    pub(super) pick: Option<Pick>,
}

/// What is read from each row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Plan {
    pub(super) time: TimeSource,
    pub(super) channels: Vec<ChannelSource>,
    /// The columns that are looked at, rising; a slot is a place in this list.
    pub(super) wanted: Vec<usize>,
    /// Names of the columns; nameless ones at the end are left out.
    pub(super) names: Vec<String>,
    /// Columns that nothing is read from, each once.
    pub(super) unknown: Vec<String>,
}

impl Plan {
    /// The plan for a trace with this header.
    ///
    /// # Errors
    /// Exit code 3 for a header without time or rpm or with a channel twice, 2 for a mapped column that is not there.
    pub(super) fn new(trace: Header<'_>, columns: Option<&ColumnMap>) -> Result<Self, Problem> {
        let found = match columns {
            Some(map) => find_mapped(trace, map)?,
            None => find_named(trace)?,
        };
        let (Some(time), true) = (&found.time, found.channels.iter().any(|entry| entry.channel == Channel::Rpm)) else {
            return Err(missing(trace, &found, columns));
        };
        Ok(found.plan(time, trace.names))
    }

    /// The channels that have a column.
    pub(super) fn present(&self) -> ChannelSet {
        self.channels.iter().fold(ChannelSet::EMPTY, |set, source| set.with(source.channel))
    }

    /// The name of the column in `slot`.
    pub(super) fn name(&self, slot: usize) -> &str {
        self.wanted.get(slot).and_then(|column| self.names.get(*column)).map_or("", String::as_str)
    }
}

/// The header of a trace and where it stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct Header<'a> {
    pub(super) path: &'a Path,
    pub(super) line: u64,
    pub(super) names: &'a [String],
}

impl Header<'_> {
    fn problem(&self, cause: impl Into<String>, remedy: impl Into<String>) -> Problem {
        Problem::new(Exit::Unreadable, cause, remedy).in_file(self.path).at_line(self.line)
    }

    fn positions(&self, name: &str) -> impl Iterator<Item = usize> {
        self.names.iter().enumerate().filter(move |(_, other)| *other == name).map(|(position, _)| position)
    }

    /// The only column of that name, or the problem that there are two.
    fn only(&self, name: &str) -> Result<Option<usize>, Problem> {
        let mut positions = self.positions(name);
        match (positions.next(), positions.next()) {
            (Some(first), Some(second)) => Err(self.twice(name, first, second)),
            (first, _) => Ok(first),
        }
    }

    fn twice(&self, what: &str, first: usize, second: usize) -> Problem {
        let name = |position: usize| self.names.get(position).map_or("", String::as_str);
        let cause = format!(
            "Two columns for {what}: \"{}\" (column {}) and \"{}\" (column {})",
            name(first),
            first + 1,
            name(second),
            second + 1
        );
        self.problem(cause, "Keep one of the two, or choose one by its own name with --columns")
    }
}

/// Where things were found, in columns of the header.
#[derive(Debug, Default)]
struct Found {
    time: Option<FoundTime>,
    channels: Vec<FoundChannel>,
    unknown: Vec<String>,
}

#[derive(Debug)]
struct FoundTime {
    column: usize,
    unit: TimeUnit,
    pick: Option<(usize, String)>,
}

#[derive(Debug)]
struct FoundChannel {
    channel: Channel,
    column: usize,
    scale: Scale,
    pick: Option<(usize, String)>,
}

impl Found {
    fn plan(&self, time: &FoundTime, names: &[String]) -> Plan {
        let picks = self.channels.iter().map(|entry| &entry.pick).chain([&time.pick]);
        let mut wanted: Vec<usize> = picks.flatten().map(|(column, _)| *column).collect();
        wanted.push(time.column);
        wanted.extend(self.channels.iter().map(|entry| entry.column));
        wanted.sort_unstable();
        wanted.dedup();
        // Every column that is asked for stands in the list; a place outside it would read as a blank cell.
        let slot = |column: usize| wanted.binary_search(&column).unwrap_or(usize::MAX);
        let pick = |pick: &Option<(usize, String)>| {
            pick.as_ref().map(|(column, equals)| Pick { slot: slot(*column), equals: equals.as_bytes().into() })
        };
        let channels = self.channels.iter().map(|entry| ChannelSource {
            channel: entry.channel,
            slot: slot(entry.column),
            scale: entry.scale,
            pick: pick(&entry.pick),
        });
        Plan {
            time: TimeSource { slot: slot(time.column), unit: time.unit, pick: pick(&time.pick) },
            channels: channels.collect(),
            names: names.to_vec(),
            unknown: self.unknown.clone(),
            wanted,
        }
    }
}

/// The columns of a trace in the project's own layout.
fn find_named(trace: Header<'_>) -> Result<Found, Problem> {
    let mut found = Found::default();
    for (column, name) in trace.names.iter().enumerate() {
        if let Some((_, unit)) = TIME_COLUMNS.iter().find(|(known, _)| known == name) {
            if let Some(first) = &found.time {
                return Err(trace.twice("time", first.column, column));
            }
            found.time = Some(FoundTime { column, unit: *unit, pick: None });
        } else if let Some((_, channel)) = CHANNEL_COLUMNS.iter().find(|(known, _)| known == name) {
            if let Some(first) = found.channels.iter().find(|entry| entry.channel == *channel) {
                return Err(trace.twice(channel.name(), first.column, column));
            }
            let scale = default_scale(*channel);
            found.channels.push(FoundChannel { channel: *channel, column, scale, pick: None });
        } else if !name.is_empty() && !found.unknown.contains(name) {
            found.unknown.push(name.clone());
        }
    }
    Ok(found)
}

/// The columns that a map chose.
fn find_mapped(trace: Header<'_>, map: &ColumnMap) -> Result<Found, Problem> {
    let mut found = Found::default();
    if let Some((mapped, unit)) = map.time() {
        let (column, pick) = locate(trace, map, mapped)?;
        found.time = Some(FoundTime { column, unit, pick });
    }
    for (channel, mapped, scale) in map.channels() {
        let (column, pick) = locate(trace, map, mapped)?;
        found.channels.push(FoundChannel { channel, column, scale, pick });
    }
    Ok(found)
}

/// Where a mapped column and the column of its condition stand.
fn locate(
    trace: Header<'_>,
    map: &ColumnMap,
    mapped: &MappedColumn,
) -> Result<(usize, Option<(usize, String)>), Problem> {
    let absent = |name: &str| {
        let names: Vec<&str> = trace.names.iter().map(String::as_str).filter(|name| !name.is_empty()).collect();
        let cause = format!("The column \"{name}\" is not in the header of {}", trace.path.display());
        let remedy = match suggest::nearest(name, &names) {
            Some(near) => format!("Did you mean \"{near}\"?"),
            None if names.len() > LISTED => format!("The first columns there are: {}", names[..LISTED].join(", ")),
            None => format!("The columns there are: {}", names.join(", ")),
        };
        let problem = Problem::new(Exit::Usage, cause, remedy).in_file(map.path());
        mapped.line.map_or(problem.clone(), |line| problem.at_line(line))
    };
    let column = trace.only(&mapped.column)?.ok_or_else(|| absent(&mapped.column))?;
    let pick = match &mapped.pick {
        Some(pick) => {
            let column = trace.only(&pick.column)?.ok_or_else(|| absent(&pick.column))?;
            Some((column, pick.equals.clone()))
        }
        None => None,
    };
    Ok((column, pick))
}

/// The problem that there is no time, no rpm, or neither.
fn missing(trace: Header<'_>, found: &Found, columns: Option<&ColumnMap>) -> Problem {
    let no_time = found.time.is_none();
    let no_rpm = found.channels.iter().all(|entry| entry.channel != Channel::Rpm);
    let what = match (no_time, no_rpm) {
        (true, true) => "time and rpm",
        (true, false) => "time",
        _ => "rpm",
    };
    if let Some(map) = columns {
        let cause = format!("No column is mapped to {what}, and no trace can be read without");
        let remedy = format!(
            "Add `{} = {{ column = \"…\" }}` to {}",
            if no_time { "time" } else { "rpm" },
            map.path().display()
        );
        return trace.problem(cause, remedy);
    }
    if trace.names.iter().all(|name| Decimal::parse(name.as_bytes()).is_some()) {
        let remedy = "Put the names of the columns in a first line, such as t_s,rpm,head_c";
        return trace.problem("The trace has no header: its first line holds numbers", remedy);
    }
    let names: Vec<&str> = found.unknown.iter().map(String::as_str).collect();
    let near = if no_time {
        TIME_COLUMNS.iter().find_map(|(known, _)| suggest::nearest(known, &names))
    } else {
        suggest::nearest("rpm", &names)
    };
    let hint = near.map(|near| format!("Is it the column \"{near}\"? ")).unwrap_or_default();
    let rule = match (no_time, no_rpm) {
        (true, true) => "Name the columns t_s (seconds) or time (RFC 3339), and rpm,",
        (true, false) => "Name the column t_s (seconds) or time (RFC 3339),",
        _ => "Name the column rpm,",
    };
    let cause = format!("The trace has no column for {what}");
    trace.problem(cause, format!("{hint}{rule} or map the columns as they are with --columns MAP.toml"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(names: &[&str]) -> Result<Plan, Problem> {
        let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
        Plan::new(Header { path: Path::new("trip.csv"), line: 3, names: &names }, None)
    }

    #[test]
    fn columns_are_found_in_any_order() {
        let names =
            ["note", "oil_kpa", "sog_kn", "", "time", "note", "water_c", "supply_v", "flow_lpm", "head_c", "rpm"];
        let plan = plan(&names).unwrap();
        assert_eq!(plan.present(), ChannelSet::ALL);
        assert_eq!(plan.wanted, [1, 2, 4, 6, 7, 8, 9, 10]);
        assert_eq!((plan.time.slot, plan.time.unit), (2, TimeUnit::Rfc3339));
        assert_eq!(plan.unknown, ["note"], "named once, nameless columns not at all");
        for source in &plan.channels {
            assert!(plan.name(source.slot).starts_with(source.channel.name()) || plan.name(source.slot) == "sog_kn");
        }
    }

    #[test]
    fn headers_that_cannot_be_used_are_refused() {
        let cases: [(&str, &[&str], &[&str]); 9] = [
            ("no time", &["rpm", "head_c"], &["no column for time", "t_s", "--columns"]),
            ("time of other case", &["Time", "rpm"], &["no column for time", "\"Time\""]),
            ("milliseconds are not seconds", &["t_ms", "rpm"], &["\"t_ms\"", "t_s (seconds)", "--columns"]),
            ("no rpm", &["t_s", "Engine RPM [RPM]"], &["no column for rpm", "\"Engine RPM [RPM]\"", "--columns"]),
            ("neither", &["a", "b"], &["no column for time and rpm", "--columns"]),
            ("no names at all", &["0", "12.5"], &["no header", "t_s,rpm"]),
            ("rpm twice", &["t_s", "rpm", "rpm"], &["\"rpm\" (column 2) and \"rpm\" (column 3)"]),
            ("two speeds", &["t_s", "rpm", "sog_kn", "speed_kn"], &["\"sog_kn\"", "\"speed_kn\"", "Two columns"]),
            ("two times", &["t_s", "time", "rpm"], &["\"t_s\" (column 1) and \"time\" (column 2)"]),
        ];
        for (name, names, parts) in cases {
            let problem = plan(names).unwrap_err();
            assert_eq!((problem.exit, problem.line), (Exit::Unreadable, Some(3)), "{name}");
            for part in parts {
                assert!(problem.to_string().contains(part), "{name}: {part:?} is not in {problem}");
            }
        }
    }
}
