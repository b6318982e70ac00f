//! `--summary`: what a replay came to, as one JSON object in a file.

use std::fmt::Write as _;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::problem::{Exit, Problem};
use crate::quality::AlarmQuality;
use crate::replay::Outcome;
use crate::texts;

/// A summary file that is not there before it is complete.
///
/// It is written beside its place and moved there at the end, so that a reader never sees half of it. The place is tried
/// before the replay begins, so that one that cannot be written to is known before the work is done.
#[derive(Debug)]
pub struct SummaryFile {
    target: PathBuf,
    /// Devices and pipes are written as they are; there is nothing to replace.
    is_regular: bool,
}

impl SummaryFile {
    /// Makes sure that `target` can be written.
    ///
    /// # Errors
    /// The place cannot be written to: exit code 4.
    pub fn create(target: &Path) -> Result<Self, Problem> {
        Self::try_place(target).map_err(|error| unwritable(target, &error))
    }

    fn try_place(target: &Path) -> io::Result<Self> {
        // A link stays a link: what it points to is replaced.
        let target = fs::canonicalize(target).unwrap_or_else(|_| target.to_owned());
        let is_regular = match fs::metadata(&target) {
            Ok(there) if there.is_dir() => return Err(io::Error::other("it is a directory")),
            Ok(there) if there.is_file() && there.permissions().readonly() => {
                return Err(io::Error::other("it is read-only"));
            }
            Ok(there) => there.is_file(),
            Err(_) => true,
        };
        if is_regular {
            Part::beside(&target)?;
        }
        Ok(Self { target, is_regular })
    }

    /// Writes the summary and moves it to its place.
    ///
    /// # Errors
    /// The file cannot be written: exit code 4.
    pub fn finish(self, outcome: &Outcome) -> Result<(), Problem> {
        self.write(to_json(outcome).as_bytes()).map_err(|error| unwritable(&self.target, &error))
    }

    fn write(&self, bytes: &[u8]) -> io::Result<()> {
        if !self.is_regular {
            return OpenOptions::new().write(true).open(&self.target)?.write_all(bytes);
        }
        let mut part = Part::beside(&self.target)?;
        part.file.write_all(bytes)?;
        part.file.sync_all()?;
        fs::rename(&part.path, &self.target)
    }
}

/// A file that is removed again unless it was moved to its place.
struct Part {
    path: PathBuf,
    file: File,
}

impl Part {
    fn beside(target: &Path) -> io::Result<Self> {
        let name = target.file_name().ok_or_else(|| io::Error::other("it is not the name of a file"))?;
        let name = format!(".{}.{}.part", name.to_string_lossy(), std::process::id());
        let path = target.with_file_name(name);
        let file = OpenOptions::new().write(true).create_new(true).open(&path)?;
        Ok(Self { path, file })
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        // Gone already where it was moved; otherwise nothing is left to do about a file that cannot be removed.
        let _ = fs::remove_file(&self.path);
    }
}

fn unwritable(target: &Path, error: &io::Error) -> Problem {
    let remedy = "Give --summary a place that can be written to";
    Problem::new(Exit::Device, format!("The summary cannot be written: {error}"), remedy).in_file(target)
}

/// The summary as one line of JSON with its line feed.
#[must_use]
pub fn to_json(outcome: &Outcome) -> String {
    let mut json = format!("{{\"rows_read\":{},\"rows_skipped\":{{", outcome.rows_read);
    list(&mut json, &outcome.rows_skipped, |json, (cause, rows)| {
        string(json, cause);
        push(json, format_args!(":{rows}"));
    });
    json.push_str("},\"not_possible\":[");
    list(&mut json, &outcome.not_possible, |json, entry| {
        push(json, format_args!("{{\"finding\":\"{}\",\"why\":", entry.finding.name()));
        string(json, &texts::why_in_trips(entry.why, &entry.trips, outcome.trips.len()));
        json.push('}');
    });
    json.push_str("],\"trips\":[");
    list(&mut json, &outcome.trips, |json, trip| {
        push(json, format_args!("{{\"trip\":{},\"file\":", trip.trip));
        string(json, &trip.file);
        push(json, format_args!(",\"running_s\":{},\"starts\":{}}}", trip.running_ms / 1_000, trip.starts));
    });
    // Nothing is learned in this version.
    push(&mut json, format_args!("],\"learned\":[],\"actions_without_effect\":{}", outcome.actions_without_effect));
    alarm_quality(&mut json, &outcome.alarms);
    json.push_str(",\"calibration\":[");
    list(&mut json, texts::calibrations(&outcome.calibration), |json, (channel, words)| {
        push(json, format_args!("{{\"channel\":\"{}\",\"calibration\":", channel.name()));
        string(json, &words);
        json.push('}');
    });
    json.push_str("]}\n");
    json
}

fn alarm_quality(json: &mut String, alarms: &AlarmQuality) {
    let rate = alarms.hundredths_per_10_min();
    push(json, format_args!(",\"alarm_quality\":{{\"raised\":{},", alarms.raised));
    push(json, format_args!("\"per_10_min\":{}.{:02},", rate / 100, rate % 100));
    push(json, format_args!("\"most_in_10_min\":{},\"chattering\":[", alarms.most_in_10_min));
    list(json, &alarms.chattering, |json, name| string(json, name));
    json.push_str("],\"stale\":[");
    list(json, &alarms.stale, |json, name| string(json, name));
    json.push_str("]}");
}

fn list<T>(json: &mut String, items: impl IntoIterator<Item = T>, mut write: impl FnMut(&mut String, T)) {
    for (position, item) in items.into_iter().enumerate() {
        if position > 0 {
            json.push(',');
        }
        write(json, item);
    }
}

fn push(json: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a String cannot fail.
    let _ = json.write_fmt(text);
}

fn string(json: &mut String, text: &str) {
    json.push('"');
    for character in text.chars() {
        match character {
            '"' => json.push_str("\\\""),
            '\\' => json.push_str("\\\\"),
            control if u32::from(control) < 0x20 => push(json, format_args!("\\u{:04x}", u32::from(control))),
            other => json.push(other),
        }
    }
    json.push('"');
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use monitor_core::acquire::supply::DividerRatio;
    use monitor_core::calibration::Calibration;

    use super::*;
    use crate::replay::Trip;

    #[test]
    fn the_keys_and_their_order_are_fixed() {
        let trip = Trip {
            trip: 0,
            file: "a \"b\"\\\n.csv".to_owned(),
            running_ms: 61_999,
            starts: 2,
            raised: 0,
            rows_read: 70,
            rows_skipped: BTreeMap::new(),
            doubts: Vec::new(),
        };
        let outcome = Outcome {
            trips: vec![trip],
            rows_read: 70,
            rows_skipped: BTreeMap::from([("cell count", 2), ("not a number", 1)]),
            actions_without_effect: 3,
            calibration: Calibration {
                supply: DividerRatio::from_millionths(5_700_000).ok(),
                ..Calibration::default()
            },
            ..Outcome::default()
        };
        let expected = concat!(
            r#"{"rows_read":70,"rows_skipped":{"cell count":2,"not a number":1},"not_possible":[],"#,
            r#""trips":[{"trip":0,"file":"a \"b\"\\\u000a.csv","running_s":61,"starts":2}],"#,
            r#""learned":[],"actions_without_effect":3,"#,
            r#""alarm_quality":{"raised":0,"per_10_min":0.00,"most_in_10_min":0,"chattering":[],"stale":[]},"calibration":["#,
            r#"{"channel":"supply","calibration":"voltage divider, ratio 5.7"}]}"#,
            "\n"
        );
        assert_eq!(to_json(&outcome), expected);
    }

    #[test]
    fn nothing_is_there_until_the_summary_is_complete() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("s.json");
        fs::write(&target, "old").unwrap();
        let pending = SummaryFile::create(&target).unwrap();
        assert_eq!(fs::read_to_string(&target).unwrap(), "old");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "trying the place leaves nothing behind");
        pending.finish(&Outcome::default()).unwrap();
        assert!(fs::read_to_string(&target).unwrap().starts_with("{\"rows_read\":0,"));
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
