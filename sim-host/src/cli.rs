//! The command line: what can be typed, and an honest answer to what a later version will do.

mod fit;

use std::ffi::OsString;
use std::path::PathBuf;

use crate::texts;
use clap::error::ErrorKind;
use clap::{CommandFactory, Parser, Subcommand, ValueEnum};
use monitor_core::finding::Level;

use crate::problem::{Exit, Problem};
use crate::suggest;

pub use fit::{CheckArgs, FitArgs, FitCommand, FitFormat};

/// Commands that later versions will have.
const LATER_COMMANDS: [&str; 4] = ["report", "board", "fleet", "demo"];

const EXIT_CODES: &str = "\
Exit codes:
  0  done
  1  a finding of the --fail-on level was raised
  2  usage, profile, columns or actions unusable
  3  a trace or memory of which nothing can be read
  4  an output that cannot be written";

const LEDGER_EXIT_CODES: &str = "\
Exit codes:
  0  done
  2  usage
  3  a memory of which nothing can be read
  4  an output that cannot be written";

const TRIAL_EXIT_CODES: &str = "\
Exit codes:
  0  done
  2  usage or a scenario unusable
  4  an output that cannot be written";

/// Replays recordings of an outboard engine through its monitor.
#[derive(Debug, Parser)]
#[command(name = "lookastern", version, after_help = texts::CAUTIONS)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands of this version.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Replays traces as the trips of one engine and prints the findings.
    #[command(after_help = EXIT_CODES)]
    Replay(ReplayArgs),
    /// Invents trips of an engine with faults from a scenario: traces, their profile, labels of what really happened.
    Simulate(SimulateArgs),
    /// Lets simulated engines live with the faults of scenarios and scores what the monitor made of them.
    #[command(after_help = TRIAL_EXIT_CODES)]
    Trial(TrialArgs),
    /// Shows, plans, exports and signs an engine's service book, or saves what can be read of a damaged one.
    #[command(subcommand)]
    Ledger(LedgerCommand),
    /// Fits a sensor's numbers to a few measured points, or looks at a profile as a careful installer would.
    #[command(subcommand)]
    Fit(FitCommand),
    /// Prints a completion script for a shell.
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
    /// Anything else that stands in the place of a command.
    #[command(external_subcommand)]
    Other(Vec<OsString>),
}

/// What `replay` is given.
#[derive(Debug, clap::Args)]
pub struct ReplayArgs {
    /// Recorded traces (CSV, also .gz and .zst, or Parquet): trip 0, trip 1 and so on
    #[arg(required = true, value_name = "TRACE")]
    pub traces: Vec<PathBuf>,
    /// What is known of the engine (TOML)
    #[arg(long, value_name = "P")]
    pub profile: PathBuf,
    /// Where the channels stand in traces of another layout (TOML), or `auto` to guess it from the first trace
    #[arg(long, value_name = "MAP|auto")]
    pub columns: Option<PathBuf>,
    /// Also write the map that was used to this file (TOML)
    #[arg(long, value_name = "MAP.toml", requires = "columns")]
    pub write_columns: Option<PathBuf>,
    /// The commissioning run, replayed first, as trip -1: what this engine does when it is well
    #[arg(long, value_name = "TRACE")]
    pub commission: Option<PathBuf>,
    /// Forget what the memory knows of the engine and learn it anew from the commissioning run
    #[arg(long, requires = "commission")]
    pub relearn: bool,
    /// What people do meanwhile (CSV, header `trip,t_s,action,finding`)
    #[arg(long, value_name = "A.csv")]
    pub actions: Option<PathBuf>,
    /// A timeline to read, or one JSON object for each event
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,
    /// Also write rows, hours and what could not be found to this file (JSON)
    #[arg(long, value_name = "S.json")]
    pub summary: Option<PathBuf>,
    /// Also draw channels, run states and findings on a page (HTML) that needs nothing else
    #[arg(long, value_name = "OUT.html")]
    pub plot: Option<PathBuf>,
    /// Keep hours, findings and the journal in this file; made if it is not there, replaced once at the end
    #[arg(long, value_name = "M")]
    pub memory: Option<PathBuf>,
    /// Exit with 1 if a finding of this level or a higher one is raised
    #[arg(long, value_enum, value_name = "LEVEL")]
    pub fail_on: Option<FailOn>,
}

/// What can be done with a service book.
#[derive(Debug, Subcommand)]
pub enum LedgerCommand {
    /// Prints hours, loads and what happened.
    #[command(after_help = LEDGER_EXIT_CODES)]
    Show {
        /// The memory, from `replay --memory` or a board
        #[arg(value_name = "MEMORY")]
        memory: PathBuf,
        /// A page to read, or one JSON object
        #[arg(long, value_enum, default_value_t = LedgerFormat::Text)]
        format: LedgerFormat,
    },
    /// Prints the sheet for a walk round the engine: what is due, what its record adds, what a workshop looks at anyway.
    #[command(after_help = LEDGER_EXIT_CODES)]
    Plan(PlanArgs),
    /// Writes the service book for other programs.
    #[command(after_help = LEDGER_EXIT_CODES)]
    Export(ExportArgs),
    /// Signs that a service was done. Nothing is ever changed in the book: a correction is another sign-off.
    #[command(after_help = LEDGER_EXIT_CODES)]
    Sign(SignArgs),
    /// Makes a memory of what can be read of a raw dump of a board's flash.
    #[command(after_help = LEDGER_EXIT_CODES)]
    Recover {
        /// The raw region of 64 KiB, damaged or not
        #[arg(value_name = "DUMP")]
        dump: PathBuf,
        /// The memory to make; never replaced if it is there
        #[arg(short, long, value_name = "M")]
        output: PathBuf,
    },
    /// Anything else that stands in the place of a command.
    #[command(external_subcommand)]
    Other(Vec<OsString>),
}

/// What `ledger plan` is given.
#[derive(Debug, clap::Args)]
pub struct PlanArgs {
    /// The memory of the engine
    #[arg(value_name = "MEMORY")]
    pub memory: PathBuf,
    /// A page of text, or one of HTML for A4 paper
    #[arg(long, value_enum, default_value_t = PlanFormat::Text)]
    pub format: PlanFormat,
    /// Write it to this file instead
    #[arg(short, long, value_name = "OUT")]
    pub output: Option<PathBuf>,
    /// The water that the engine runs in: salt and sand shorten some intervals
    #[arg(long, value_enum, default_value_t = WaterKind::Fresh)]
    pub water: WaterKind,
    /// The day it is for, such as 2026-05-31; this computer's if left out
    #[arg(long, value_name = "D")]
    pub today: Option<String>,
}

/// How the sheet is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PlanFormat {
    /// For a terminal.
    Text,
    /// For paper.
    Html,
}

/// The water that an engine runs in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum WaterKind {
    /// Nothing to add.
    Fresh,
    /// Salt water.
    Salt,
    /// Shallow water with sand or silt.
    Sand,
}

/// What `ledger export` is given.
#[derive(Debug, clap::Args)]
pub struct ExportArgs {
    /// The memory of the engine
    #[arg(value_name = "MEMORY")]
    pub memory: PathBuf,
    /// A table of all records, one JSON object, or a calendar of what is due
    #[arg(long, value_enum, default_value_t = ExportFormat::Csv)]
    pub format: ExportFormat,
    /// Write it to this file instead
    #[arg(short, long, value_name = "OUT")]
    pub output: Option<PathBuf>,
    /// The day it is for, such as 2026-05-31; this computer's if left out
    #[arg(long, value_name = "D")]
    pub today: Option<String>,
}

/// How a service book is exported.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ExportFormat {
    /// RFC 4180.
    Csv,
    /// One object.
    Json,
    /// iCalendar, RFC 5545.
    #[value(alias = "ics", alias = "icalendar")]
    Ical,
}

/// What `ledger sign` is given.
#[derive(Debug, clap::Args)]
pub struct SignArgs {
    /// The memory to sign in
    #[arg(value_name = "MEMORY")]
    pub memory: PathBuf,
    /// What was done, such as impeller or engine-oil
    #[arg(long, value_name = "I", required_unless_present = "engine_hours")]
    pub item: Option<String>,
    /// Who says so: owner, mechanic or yard
    #[arg(long, value_name = "R")]
    pub role: String,
    /// Running hours at which it was done, such as 41.5; the present ones if left out
    #[arg(long, value_name = "H", allow_hyphen_values = true)]
    pub at_hours: Option<String>,
    /// The day on which it was done, such as 2026-05-31; unknown if left out
    #[arg(long, value_name = "D", allow_hyphen_values = true)]
    pub date: Option<String>,
    /// A few words that go into the book with it
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub note: Option<String>,
    /// Instead of a service: running hours that the engine has by the hour meter or board before this one
    #[arg(long, value_name = "H", allow_hyphen_values = true, conflicts_with_all = ["item", "at_hours", "date", "note"])]
    pub engine_hours: Option<String>,
}

/// How a service book is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LedgerFormat {
    /// For people.
    Text,
    /// For programs.
    Json,
}

/// What `simulate` is given.
#[derive(Debug, clap::Args)]
pub struct SimulateArgs {
    /// The scenario (TOML): engine, sensors, trips, faults
    #[arg(value_name = "SCENARIO")]
    pub scenario: PathBuf,
    /// Folder for trace-000.csv and so on, profile.toml, labels.jsonl
    #[arg(short, long, value_name = "DIR")]
    pub output: PathBuf,
    /// Write the traces as Parquet instead of CSV (where it is built in)
    #[arg(long)]
    pub parquet: bool,
    /// Another seed than the scenario's
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
    /// A variation (TOML) that is laid over the scenario
    #[arg(long, value_name = "V.toml")]
    pub vary: Option<PathBuf>,
    /// Also draw the trips on a page (HTML)
    #[arg(long, value_name = "OUT.html")]
    pub plot: Option<PathBuf>,
}

/// What `trial` is given.
#[derive(Debug, clap::Args)]
pub struct TrialArgs {
    /// Scenarios (TOML), each a kind of day with its faults
    #[arg(required = true, value_name = "SCENARIO")]
    pub scenarios: Vec<PathBuf>,
    /// Runs of each scenario, every one with a seed of its own
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub runs: u32,
    /// A variation (TOML) that is laid over each scenario
    #[arg(long, value_name = "V.toml")]
    pub vary: Option<PathBuf>,
    /// Tables to read, one JSON object, or one line with its heading
    #[arg(long, value_enum, default_value_t = TrialFormat::Text)]
    pub format: TrialFormat,
    /// Also write a page with curves and the worst cases (HTML)
    #[arg(short, long, value_name = "OUT.html")]
    pub output: Option<PathBuf>,
}

/// How the report of a trial is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum TrialFormat {
    /// For people.
    Text,
    /// For programs.
    Json,
    /// For tables of many trials.
    Line,
}

/// How events are printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people.
    Text,
    /// For programs.
    Jsonl,
}

/// The level from which a finding makes the command fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FailOn {
    /// Any finding.
    Caution,
    /// Warnings and alarms.
    Warning,
    /// Alarms only.
    Alarm,
}

impl FailOn {
    /// The level of the core.
    #[must_use]
    pub const fn level(self) -> Level {
        match self {
            Self::Caution => Level::Caution,
            Self::Warning => Level::Warning,
            Self::Alarm => Level::Alarm,
        }
    }
}

/// Why nothing is to be run.
#[derive(Debug)]
pub enum Refusal {
    /// Help or the version was asked for: this text is the whole answer.
    Answer(String),
    /// The command line is unusable: clap's own words.
    Usage(String),
    /// The command line asks for what is not there.
    Problem(Problem),
}

/// Parses a command line, with the program's name first.
///
/// # Errors
/// A [`Refusal`]: help, or why the command line is unusable.
pub fn parse(args: impl IntoIterator<Item = OsString>) -> Result<Cli, Refusal> {
    let cli = Cli::try_parse_from(args).map_err(|error| refusal(&error))?;
    match &cli.command {
        Command::Other(words) => Err(Refusal::Problem(unknown_command(words))),
        Command::Ledger(LedgerCommand::Other(words)) => Err(Refusal::Problem(unknown_ledger_command(words))),
        Command::Fit(FitCommand::Other(words)) => Err(Refusal::Problem(unknown_fit_command(words))),
        _ => Ok(cli),
    }
}

/// The definition of the command line, for completion scripts.
#[must_use]
pub fn definition() -> clap::Command {
    Cli::command()
}

fn refusal(error: &clap::Error) -> Refusal {
    match error.kind() {
        ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => return Refusal::Answer(error.to_string()),
        _ => {}
    }
    Refusal::Usage(error.to_string())
}

fn unknown_command(words: &[OsString]) -> Problem {
    let word = words.first().map_or_else(String::new, |word| word.to_string_lossy().into_owned());
    if LATER_COMMANDS.contains(&word.as_str()) {
        return not_yet(&word);
    }
    let remedy = suggest::remedy(&word, &["replay", "simulate", "trial", "ledger", "fit", "completions", "help"]);
    Problem::new(Exit::Usage, format!("There is no command `{word}`"), remedy)
}

fn unknown_ledger_command(words: &[OsString]) -> Problem {
    let word = words.first().map_or_else(String::new, |word| word.to_string_lossy().into_owned());
    let remedy = suggest::remedy(&word, &["show", "plan", "export", "sign", "recover", "help"]);
    Problem::new(Exit::Usage, format!("There is no command `ledger {word}`"), remedy)
}

fn unknown_fit_command(words: &[OsString]) -> Problem {
    let word = words.first().map_or_else(String::new, |word| word.to_string_lossy().into_owned());
    let remedy = suggest::remedy(&word, &["thermistor", "flow", "tacho", "check", "help"]);
    Problem::new(Exit::Usage, format!("There is no command `fit {word}`"), remedy)
}

fn not_yet(what: &str) -> Problem {
    let remedy = "Run `lookastern help` to see what it can do";
    Problem::new(Exit::Usage, format!("`{what}`: this version cannot do that yet"), remedy)
}
