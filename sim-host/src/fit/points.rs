//! Reads measured points: a small CSV whose header names quantity and unit.
//!
//! A point is precious, so nothing is passed over: a row that cannot be used is a problem with its line.

use std::io::Read;
use std::path::Path;

use crate::problem::{Exit, Problem};
use crate::profile::read_small_text;
use crate::suggest;

/// The path that stands for standard input.
const STANDARD_INPUT: &str = "-";
/// US gallon, exact.
const LITRES_PER_GALLON: f64 = 3.785_411_784;
/// Litres of fresh water in a kilogram at 20 °C, 998.2 kg/m³ (IAPWS-97).
const LITRES_PER_KILOGRAM: f64 = 1.0 / 0.9982;
/// Sizes of numbers that instruments show, whatever the unit.
const SIZES: std::ops::RangeInclusive<f64> = 1e-6..=1e9;
/// Nobody measures so many points by hand: another kind of file was given.
const MOST_POINTS: usize = 1_000;

/// What a column holds, in the unit of this program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Quantity {
    /// Temperature in °C.
    Celsius,
    /// Resistance in Ω.
    Ohms,
    /// Pulses that were counted.
    Pulses,
    /// Water that ran meanwhile, in litres.
    Litres,
    /// How long it took, in seconds.
    Seconds,
    /// Pulses in a second.
    Hertz,
    /// Flow in L/min.
    LitresPerMinute,
    /// Engine speed by another instrument, in rpm.
    Rpm,
    /// Engine speed that the monitor showed, in rpm.
    ShownRpm,
}

/// A column as it may stand in the header: `quantity = cell × factor + offset`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Column {
    name: &'static str,
    quantity: Quantity,
    factor: f64,
    offset: f64,
}

const fn column(name: &'static str, quantity: Quantity) -> Column {
    Column { name, quantity, factor: 1.0, offset: 0.0 }
}

const fn scaled(name: &'static str, quantity: Quantity, factor: f64) -> Column {
    Column { name, quantity, factor, offset: 0.0 }
}

/// Columns of `fit thermistor`.
pub(super) const THERMISTOR: [Column; 5] = [
    column("temp_c", Quantity::Celsius),
    Column { name: "temp_f", quantity: Quantity::Celsius, factor: 5.0 / 9.0, offset: -160.0 / 9.0 },
    Column { name: "temp_k", quantity: Quantity::Celsius, factor: 1.0, offset: -273.15 },
    column("ohm", Quantity::Ohms),
    scaled("kohm", Quantity::Ohms, 1_000.0),
];
/// Columns of `fit flow`.
pub(super) const FLOW: [Column; 9] = [
    column("pulses", Quantity::Pulses),
    column("litres", Quantity::Litres),
    scaled("ml", Quantity::Litres, 0.001),
    scaled("gal", Quantity::Litres, LITRES_PER_GALLON),
    scaled("kg", Quantity::Litres, LITRES_PER_KILOGRAM),
    column("seconds", Quantity::Seconds),
    scaled("minutes", Quantity::Seconds, 60.0),
    column("hz", Quantity::Hertz),
    column("lpm", Quantity::LitresPerMinute),
];
/// Columns of `fit tacho`.
pub(super) const TACHO: [Column; 5] = [
    column("rpm", Quantity::Rpm),
    column("hz", Quantity::Hertz),
    column("pulses", Quantity::Pulses),
    column("seconds", Quantity::Seconds),
    column("shown_rpm", Quantity::ShownRpm),
];

/// One row: its line in the file and its numbers in the order of the header.
#[derive(Debug, Clone)]
struct Row {
    line: u64,
    numbers: Vec<f64>,
}

/// A file of points.
#[derive(Debug, Clone)]
pub(super) struct Points {
    /// The file's name as it was given.
    pub(super) file: String,
    header: Vec<Column>,
    rows: Vec<Row>,
}

impl Points {
    /// Reads the file `path`, or standard input for `-`.
    pub(super) fn load(path: &Path, known: &[Column], example: &str) -> Result<Self, Problem> {
        if path.as_os_str() == STANDARD_INPUT {
            return Self::parse(Path::new("standard input"), &standard_input()?, known, example);
        }
        Self::parse(path, &read_small_text(path, "points file")?, known, example)
    }

    /// Reads the text of the file `path`; `example` is a header that would do.
    pub(super) fn parse(path: &Path, text: &str, known: &[Column], example: &str) -> Result<Self, Problem> {
        let problem = |line: u64, cause: String, remedy: String| {
            Problem::new(Exit::Usage, cause, remedy).in_file(path).at_line(line)
        };
        let mut lines = (1..)
            .zip(text.lines())
            .map(|(number, line)| (number, line.split('#').next().unwrap_or_default().trim()))
            .filter(|(_, line)| !line.is_empty());
        let Some((header_line, header)) = lines.next() else {
            let cause = "There are no points";
            return Err(
                Problem::new(Exit::Usage, cause, format!("Begin it with a header such as {example}")).in_file(path)
            );
        };
        let header =
            read_header(header, known, example).map_err(|(cause, remedy)| problem(header_line, cause, remedy))?;
        let rows: Vec<_> = lines
            .map(|(line, text)| {
                read_row(text, &header)
                    .map(|numbers| Row { line, numbers })
                    .map_err(|(cause, remedy)| problem(line, cause, remedy))
            })
            .collect::<Result<_, _>>()?;
        if rows.is_empty() || rows.len() > MOST_POINTS {
            let cause = format!("There are {} points behind the header", rows.len());
            let remedy = "Write one line for each measured point; a recording is for `lookastern replay`";
            return Err(problem(header_line, cause, remedy.to_owned()));
        }
        Ok(Self { file: path.display().to_string(), header, rows })
    }

    /// How many points there are.
    pub(super) fn count(&self) -> usize {
        self.rows.len()
    }

    /// Whether the header has the quantity.
    pub(super) fn has(&self, quantity: Quantity) -> bool {
        self.header.iter().any(|column| column.quantity == quantity)
    }

    /// The numbers of one quantity, one for each point; empty where the header does not have it.
    pub(super) fn of(&self, quantity: Quantity) -> Vec<f64> {
        let Some(place) = self.header.iter().position(|column| column.quantity == quantity) else { return Vec::new() };
        self.rows.iter().filter_map(|row| row.numbers.get(place).copied()).collect()
    }

    /// The line of each point.
    pub(super) fn lines(&self) -> Vec<u64> {
        self.rows.iter().map(|row| row.line).collect()
    }

    /// A problem of the whole file.
    pub(super) fn problem(&self, cause: impl Into<String>, remedy: impl Into<String>) -> Problem {
        Problem::new(Exit::Usage, cause, remedy).in_file(Path::new(&self.file))
    }

    /// A problem of one point, counted from 0.
    pub(super) fn problem_at(&self, point: usize, cause: impl Into<String>, remedy: impl Into<String>) -> Problem {
        let problem = self.problem(cause, remedy);
        self.rows.get(point).map_or(problem.clone(), |row| problem.at_line(row.line))
    }

    /// Refuses a number that is not above 0, in any of the quantities.
    pub(super) fn refuse_what_is_not_above_zero(&self, quantities: &[Quantity]) -> Result<(), Problem> {
        for quantity in quantities {
            if let Some(point) = self.of(*quantity).iter().position(|number| *number <= 0.0) {
                let name =
                    self.header.iter().find(|column| column.quantity == *quantity).map_or("", |column| column.name);
                let remedy = "Take the point out, or correct the number";
                return Err(self.problem_at(point, format!("{name} must be above 0"), remedy));
            }
        }
        Ok(())
    }
}

fn standard_input() -> Result<String, Problem> {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text).map(|_| text).map_err(|error| {
        Problem::new(Exit::Usage, format!("Standard input cannot be read: {error}"), "Give a file instead of -")
    })
}

/// What is wrong and what to do about it.
type Complaint = (String, String);

fn read_header(text: &str, known: &[Column], example: &str) -> Result<Vec<Column>, Complaint> {
    if text.contains(';') {
        return Err(("The columns are parted by semicolons".into(), "Use a comma, and a point in decimals".into()));
    }
    let names: Vec<_> = known.iter().map(|column| column.name).collect();
    let mut header: Vec<Column> = Vec::new();
    for name in text.split(',').map(str::trim) {
        if name.parse::<f64>().is_ok() {
            let cause = format!("The header is missing: the first line begins with the number {name}");
            return Err((cause, format!("Begin the file with a header such as {example}")));
        }
        let Some(column) = known.iter().find(|column| column.name == name) else {
            return Err((format!("The column `{name}` is not known here"), suggest::remedy(name, &names)));
        };
        if let Some(twin) = header.iter().find(|other| other.quantity == column.quantity) {
            let cause = format!("The columns `{}` and `{name}` say the same", twin.name);
            return Err((cause, "Keep one of them".into()));
        }
        header.push(*column);
    }
    Ok(header)
}

fn read_row(text: &str, header: &[Column]) -> Result<Vec<f64>, Complaint> {
    let cells: Vec<_> = text.split(',').map(str::trim).collect();
    if cells.len() != header.len() {
        let cause = format!("The row has {} cells, the header {}", cells.len(), header.len());
        return Err((cause, "Write one number for each column, with a point in decimals".into()));
    }
    cells
        .iter()
        .zip(header)
        .map(|(cell, column)| {
            let number = cell.parse::<f64>().ok().filter(|number| number.is_finite()).ok_or_else(|| {
                let cause = format!("`{cell}` under {} is not a number", column.name);
                (cause, "Correct the cell, or take the point out".to_owned())
            })?;
            if number != 0.0 && !SIZES.contains(&number.abs()) {
                let cause = format!("`{cell}` under {} is out of range", column.name);
                return Err((cause, "Give a number between 0.000001 and 1000000000".to_owned()));
            }
            Ok(number * column.factor + column.offset)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str, known: &[Column]) -> Result<Points, String> {
        Points::parse(Path::new("p.csv"), text, known, "temp_c,ohm").map_err(|problem| problem.to_string())
    }

    #[test]
    fn units_of_the_header_end_in_the_units_of_the_program() {
        let cases: &[(&str, &[Column], &str, Quantity, f64)] = &[
            ("Celsius", &THERMISTOR, "temp_c,ohm\n25,10000", Quantity::Celsius, 25.0),
            ("Fahrenheit", &THERMISTOR, "temp_f,ohm\n77,10000", Quantity::Celsius, 25.0),
            ("Kelvin", &THERMISTOR, "temp_k,ohm\n298.15,10000", Quantity::Celsius, 25.0),
            ("kiloohms", &THERMISTOR, "temp_c,kohm\n25,10", Quantity::Ohms, 10_000.0),
            ("millilitres", &FLOW, "pulses,ml\n4500,10000", Quantity::Litres, 10.0),
            ("gallons", &FLOW, "pulses,gal\n4500,1", Quantity::Litres, LITRES_PER_GALLON),
            ("weighed", &FLOW, "pulses,kg\n4500,9.982", Quantity::Litres, 10.0),
            ("minutes", &FLOW, "pulses,litres,minutes\n4500,10,2", Quantity::Seconds, 120.0),
            ("comments and blanks", &THERMISTOR, "# cup\n\n temp_c , ohm # head\n 25 , 1e4 # cup", Quantity::Ohms, 1e4),
        ];
        for (name, known, text, quantity, expected) in cases {
            let numbers = parse(text, known).unwrap().of(*quantity);
            assert!((numbers[0] - expected).abs() < 1e-9, "{name}: {numbers:?}");
        }
    }

    #[test]
    fn what_cannot_be_read_is_named_with_its_line() {
        let cases = [
            ("empty", "# nothing\n", "p.csv: There are no points. Begin it with a header such as temp_c,ohm"),
            ("no header", "25,10000\n", "p.csv:1: The header is missing"),
            ("no rows", "temp_c,ohm\n", "p.csv:1: There are 0 points"),
            ("unknown", "temp_c,ohms\n1,2", "p.csv:1: The column `ohms` is not known here. Did you mean ohm?"),
            ("twice", "temp_c,temp_f\n1,2", "p.csv:1: The columns `temp_c` and `temp_f` say the same"),
            ("short row", "temp_c,ohm\n25\n", "p.csv:2: The row has 1 cells, the header 2"),
            ("decimal comma", "temp_c,ohm\n25,5,10000\n", "p.csv:2: The row has 3 cells"),
            ("semicolons", "temp_c;ohm\n25;10000\n", "p.csv:1: The columns are parted by semicolons"),
            ("word", "temp_c,ohm\n25,open\n", "p.csv:2: `open` under ohm is not a number"),
            ("out of range", "temp_c,ohm\n25,1e300\n", "p.csv:2: `1e300` under ohm is out of range"),
            ("not finite", "temp_c,ohm\n25,inf\n", "p.csv:2: `inf` under ohm is not a number"),
        ];
        for (name, text, expected) in cases {
            let said = parse(text, &THERMISTOR).unwrap_err();
            assert!(said.starts_with(expected), "{name}: {said}");
        }
    }
}
