//! The files of a run: traces, profile, labels.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use monitor_core::acquire::{Channel, ChannelSet, Quality, Readings};
use monitor_core::time::Instant;

use super::{Simulated, TripSink};
use crate::problem::{Exit, Problem};

/// Writes each trip to its own trace. The first problem ends the writing and is kept for [`FileSink::finish`].
#[derive(Debug)]
pub struct FileSink {
    folder: PathBuf,
    trace: Option<(PathBuf, BufWriter<File>)>,
    columns: Vec<Channel>,
    line: Vec<u8>,
    written: Vec<PathBuf>,
    problem: Option<Problem>,
}

impl FileSink {
    /// Files go into `folder`, which is made where it is not there. Files of the names that a run writes are replaced.
    ///
    /// # Errors
    /// The folder cannot be made: exit code 4.
    pub fn new(folder: &Path) -> Result<Self, Problem> {
        fs::create_dir_all(folder).map_err(|error| unwritable(folder, &error))?;
        Ok(Self {
            folder: folder.to_owned(),
            trace: None,
            columns: Vec::new(),
            line: Vec::new(),
            written: Vec::new(),
            problem: None,
        })
    }

    /// Writes what belongs to the whole run, and returns the names of all files in the order in which they were written.
    ///
    /// # Errors
    /// A file cannot be written: exit code 4.
    pub fn finish(mut self, simulated: &Simulated) -> Result<Vec<PathBuf>, Problem> {
        if let Some(problem) = self.problem {
            return Err(problem);
        }
        let mut labels = String::new();
        for label in &simulated.labels {
            label.write_json(&mut labels);
        }
        for (name, text) in [("profile.toml", &simulated.profile_toml), ("labels.jsonl", &labels)] {
            let path = self.folder.join(name);
            fs::write(&path, text).map_err(|error| unwritable(&path, &error))?;
            self.written.push(path);
        }
        Ok(self.written)
    }

    /// Does one thing with the open trace, unless something went wrong before.
    fn attempt(&mut self, act: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>) {
        let Some((path, out)) = &mut self.trace else { return };
        if let Err(error) = act(out) {
            self.problem = Some(unwritable(path, &error));
            self.trace = None;
        }
    }
}

impl TripSink for FileSink {
    fn begin_trip(&mut self, trip: i16, channels: ChannelSet) {
        if self.problem.is_some() {
            return;
        }
        let name = if trip < 0 { "commission.csv".to_owned() } else { format!("trace-{trip:03}.csv") };
        let path = self.folder.join(name);
        match File::create(&path) {
            Ok(file) => self.trace = Some((path, BufWriter::new(file))),
            Err(error) => self.problem = Some(unwritable(&path, &error)),
        }
        self.columns = Channel::ALL.into_iter().filter(|channel| channels.contains(*channel)).collect();
        let names: Vec<_> = ["t_s"].into_iter().chain(self.columns.iter().map(|channel| column(*channel))).collect();
        self.attempt(|out| writeln!(out, "{}", names.join(",")));
    }

    fn sample(&mut self, at: Instant, readings: &Readings) {
        let mut line = std::mem::take(&mut self.line);
        line.clear();
        push_decimal(&mut line, at.as_millis(), 1_000);
        for channel in &self.columns {
            line.push(b',');
            let reading = readings.raw(*channel);
            if reading.quality != Quality::Missing {
                push_decimal(&mut line, i64::from(reading.raw), if *channel == Channel::Rpm { 4 } else { 1_000 });
            }
        }
        line.push(b'\n');
        self.attempt(|out| out.write_all(&line));
        self.line = line;
    }

    fn end_trip(&mut self) {
        self.attempt(Write::flush);
        self.written.extend(self.trace.take().map(|(path, _)| path));
    }
}

fn unwritable(path: &Path, error: &io::Error) -> Problem {
    let remedy = "Check the path, the free space and who may write there";
    Problem::new(Exit::Device, format!("It cannot be written: {error}"), remedy).in_file(path)
}

/// The column of a channel.
const fn column(channel: Channel) -> &'static str {
    match channel {
        Channel::Rpm => "rpm",
        Channel::Head => "head_c",
        Channel::Flow => "flow_lpm",
        Channel::Supply => "supply_v",
        Channel::Speed => "speed_kn",
        Channel::Water => "water_c",
        Channel::Oil => "oil_kpa",
    }
}

/// Appends `steps` of which `per_unit` (4 or 1,000) make one, exactly and without needless zeros.
fn push_decimal(line: &mut Vec<u8>, steps: i64, per_unit: u64) {
    if steps < 0 {
        line.push(b'-');
    }
    let size = steps.unsigned_abs();
    push_digits(line, size / per_unit, 1);
    let thousandths = size % per_unit * (1_000 / per_unit);
    if thousandths == 0 {
        return;
    }
    line.push(b'.');
    push_digits(line, thousandths, 3);
    while line.last() == Some(&b'0') {
        line.pop();
    }
}

/// Appends a whole number with at least `width` digits.
fn push_digits(line: &mut Vec<u8>, mut number: u64, width: usize) {
    let start = line.len();
    while number > 0 || line.len() < start + width {
        line.push(b'0' + (number % 10) as u8);
        number /= 10;
    }
    if let Some(digits) = line.get_mut(start..) {
        digits.reverse();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_written_exactly_and_short() {
        let cases = [
            (0, 1_000, "0"),
            (1, 1_000, "0.001"),
            (412_500, 1_000, "412.5"),
            (-55_000, 1_000, "-55"),
            (-40, 1_000, "-0.04"),
            (12_340, 1_000, "12.34"),
            (3_000, 4, "750"),
            (3_001, 4, "750.25"),
            (3_003, 4, "750.75"),
        ];
        for (steps, per_unit, expected) in cases {
            let mut line = Vec::new();
            push_decimal(&mut line, steps, per_unit);
            assert_eq!(String::from_utf8_lossy(&line), expected);
        }
    }
}
