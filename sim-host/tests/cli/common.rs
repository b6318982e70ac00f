//! Runs the real command in a folder of its own.

use std::fmt::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use tempfile::TempDir;

/// A profile with all that the findings of these tests need.
pub(crate) const PROFILE: &str = r#"name = "Skiff 3"
[engine]
strokes = 4
idle_rpm = 750
rated_rpm = 5500
max_rpm = 6000
thermostat_opens_c = 60.0
head_limit_c = 95.0
[electric]
charging_min_v = 13.0
[channels]
fitted = ["rpm", "head", "flow", "supply"]
"#;

/// What the command did.
#[derive(Debug)]
pub(crate) struct Done {
    pub(crate) code: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Done {
    /// Standard output as JSON, one value for each line.
    pub(crate) fn events(&self) -> Vec<serde_json::Value> {
        self.out
            .lines()
            .map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}")))
            .collect()
    }

    /// `(trip, finding, state)` of every event.
    pub(crate) fn states(&self) -> Vec<(i64, String, String)> {
        let text = |event: &serde_json::Value, key: &str| event[key].as_str().unwrap().to_owned();
        let states = self.events();
        states
            .iter()
            .map(|event| (event["trip"].as_i64().unwrap(), text(event, "finding"), text(event, "state")))
            .collect()
    }
}

/// A folder with a good profile in it.
#[derive(Debug)]
pub(crate) struct Folder(TempDir);

impl Folder {
    pub(crate) fn new() -> Self {
        let folder = Self(tempfile::tempdir().unwrap());
        folder.write("engine.toml", PROFILE);
        folder
    }

    pub(crate) fn path(&self) -> &Path {
        self.0.path()
    }

    pub(crate) fn write(&self, name: &str, text: impl AsRef<[u8]>) {
        std::fs::write(self.path().join(name), text).unwrap();
    }

    pub(crate) fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path().join(name)).unwrap()
    }

    pub(crate) fn command(&self, arguments: &str) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lookastern"));
        command.current_dir(self.path()).args(arguments.split_whitespace()).stdin(Stdio::null());
        command
    }

    /// Runs `lookastern` with arguments that hold no blanks.
    pub(crate) fn run(&self, arguments: &str) -> Done {
        let output = self.command(arguments).output().unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap();
        Done { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
    }

    /// Runs `lookastern replay --profile engine.toml` with more arguments.
    pub(crate) fn replay(&self, arguments: &str) -> Done {
        self.run(&format!("replay --profile engine.toml {arguments}"))
    }
}

/// A trace at 1 Hz of an engine that is well, second by second; `rpm` and `head_c` can be set.
#[derive(Debug, Default)]
pub(crate) struct Trace {
    rows: String,
    second: u32,
}

impl Trace {
    /// The engine turns over and comes up to speed, warm, water flowing.
    pub(crate) fn started() -> Self {
        Self::default().at(5, 0, 60.0).at(60, 3_000, 62.0)
    }

    /// So many seconds at that speed and that head temperature. Readings breathe a little: no sensor is stuck.
    pub(crate) fn at(mut self, seconds: u32, rpm: u32, head_c: f64) -> Self {
        for _ in 0..seconds {
            let breath = f64::from(self.second * 7 % 5) - 2.0;
            let rpm = if rpm == 0 { 0.0 } else { f64::from(rpm) + breath * 4.0 };
            let flow = if rpm > 0.0 { rpm / 1_250.0 + breath * 0.02 } else { 0.0 };
            let supply = if rpm > 0.0 { 14.1 } else { 12.6 } + breath * 0.02;
            let head = head_c + breath * 0.1;
            writeln!(self.rows, "{},{rpm:.0},{head:.1},{flow:.2},{supply:.2}", self.second).unwrap();
            self.second += 1;
        }
        self
    }

    /// A row as it stands.
    pub(crate) fn raw(mut self, row: &str) -> Self {
        writeln!(self.rows, "{row}").unwrap();
        self.second += 1;
        self
    }

    pub(crate) fn csv(&self) -> String {
        format!("t_s,rpm,head_c,flow_lpm,supply_v\n{}", self.rows)
    }
}

/// Nothing wrong.
pub(crate) fn healthy() -> String {
    Trace::started().at(5, 0, 62.0).csv()
}

/// Ten seconds at 6,400 rpm from second 65 (a warning), then easy again.
pub(crate) fn over_speed() -> String {
    Trace::started().at(10, 6_400, 62.0).at(30, 3_000, 62.0).csv()
}

/// The text with its line breaks taken out.
pub(crate) fn flowing(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
