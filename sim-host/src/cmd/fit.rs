//! `fit`: measured points in, lines for the profile out; and questions about a profile.

use std::io::{self, IsTerminal, Write};
use std::path::Path;

use super::{notes, output_failed};
use crate::cli::{CheckArgs, FitArgs, FitCommand, FitFormat};
use crate::fit::{Known, Report, check, flow, json, tacho, text, thermistor};
use crate::problem::{Exit, Problem};
use crate::profile::HostProfile;
use crate::texts;

/// Fits or checks; returns the exit code where it is not 0.
pub(super) fn run(command: &FitCommand) -> Result<Option<Exit>, Problem> {
    match command {
        FitCommand::Thermistor { common, thermometer_error, ohmmeter_error, pull_up } => {
            let instruments =
                thermistor::Instruments { thermometer_k: *thermometer_error, ohmmeter_percent: *ohmmeter_error };
            fit(common, thermistor::HEADER, |points, known| thermistor::fit(points, known, instruments, *pull_up))
        }
        FitCommand::Flow { common, water_error } => {
            fit(common, flow::HEADER, |points, known| flow::fit(points, known, *water_error))
        }
        FitCommand::Tacho { common, reference_error } => {
            fit(common, tacho::HEADER, |points, known| tacho::fit(points, known, *reference_error))
        }
        FitCommand::Check(args) => run_check(args),
        // Refused by the parser.
        FitCommand::Other(_) => Ok(None),
    }
}

fn fit(
    args: &FitArgs,
    header: &str,
    fitted: impl Fn(&Path, &Known) -> Result<Report, Problem>,
) -> Result<Option<Exit>, Problem> {
    let known = Known { profile: args.profile.as_deref().map(HostProfile::load).transpose()? };
    if args.points.as_os_str() == "-" && io::stdin().is_terminal() {
        notes::say("note", &format!("type the header ({header}), then one line for each point; end with Ctrl-D"));
    }
    let report = fitted(&args.points, &known)?;
    if args.format == FitFormat::Json {
        return print(&json::to_json(&report).map_err(|error| unwritable(&error))?);
    }
    notes::say_wrapped(texts::CAUTIONS);
    if args.write {
        // Where standard error is closed there is nobody to tell.
        let _ = io::stderr().write_all(text::without_lines(&report).as_bytes());
        return print(&report.profile_lines);
    }
    print(&text::to_text(&report))
}

fn run_check(args: &CheckArgs) -> Result<Option<Exit>, Problem> {
    let checked = check::check(&args.profile, &board(args)?)?;
    match args.format {
        FitFormat::Json => print(&check::to_json(&checked).map_err(|error| unwritable(&error))?),
        FitFormat::Text => {
            notes::say_wrapped(texts::CAUTIONS);
            print(&check::to_text(&checked))
        }
    }
}

fn board(args: &CheckArgs) -> Result<check::Board, Problem> {
    check::Board::new(args.adc_bits, args.reference_mv, args.pull_up, args.resistor_tolerance)
        .map_err(|cause| Problem::new(Exit::Usage, cause, "Give the board's converter: --adc-bits, --reference-mv"))
}

fn print(text: &str) -> Result<Option<Exit>, Problem> {
    io::stdout().write_all(text.as_bytes()).map(|()| None).or_else(output_failed)
}

fn unwritable(error: &serde_json::Error) -> Problem {
    Problem::new(Exit::Device, format!("The report cannot be written: {error}"), "Use --format text")
}
