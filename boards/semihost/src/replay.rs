//! From a feed file to an events file.

use core::fmt::Write;

use board_app::feed::FeedError;
use board_app::{Blocks, Marks, Output, RunError, RunReport, run_feed};
use monitor_core::Monitor;

use crate::file::{CommandLine, File, Mode, Refused};

/// How a replay ended; the number becomes the exit code of the emulator.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum ExitCode {
    /// All of the feed was run.
    Done = 0,
    /// The command line does not name a feed, or say `bench`, and name an events file; or say `endurance` and a number.
    CommandLine = 10,
    /// The feed file cannot be read.
    FeedFile = 11,
    /// The events file or the console cannot be written.
    Output = 12,
    /// The feed is damaged.
    Feed = 13,
    /// The profile in the feed is unusable.
    Profile = 14,
    /// An event cannot be put into words.
    Event = 15,
    /// A driver refuses its calibration.
    Calibration = 16,
    /// The store refuses.
    Store = 17,
    /// A call of the store did more than one flash operation, or did not say so.
    Operations = 18,
    /// The store finds more and more to do.
    Restless = 19,
}

/// Runs the feed named first on the command line, writes the events to the file named second, and what it amounted to,
/// with the deepest use of the stack if `stack_bytes` can tell, to the console.
pub fn replay<M: Marks>(
    monitor: &mut Monitor,
    blocks: &mut Blocks,
    marks: &mut M,
    stack_bytes: fn() -> Option<u32>,
) -> ExitCode {
    match try_replay(monitor, blocks, marks) {
        Ok(report) => match print(&report.lines(), stack_bytes(), &mut blocks.events) {
            Ok(()) => ExitCode::Done,
            Err(Refused) => ExitCode::Output,
        },
        Err(code) => code,
    }
}

fn try_replay<M: Marks>(monitor: &mut Monitor, blocks: &mut Blocks, marks: &mut M) -> Result<RunReport, ExitCode> {
    let (feed, events) = open_files()?;
    let report = run_feed(monitor, blocks, &feed, &events, marks).map_err(exit_code)?;
    events.close().map_err(|Refused| ExitCode::Output)?;
    Ok(report)
}

/// Apart from what follows, so that the names do not stay on the stack, whose depth is measured.
#[inline(never)]
fn open_files() -> Result<(File, File), ExitCode> {
    let names = CommandLine::fetch().map_err(|Refused| ExitCode::CommandLine)?;
    let feed = File::open(names.first(), Mode::Read).map_err(|Refused| ExitCode::FeedFile)?;
    let events = File::open(names.second(), Mode::Write).map_err(|Refused| ExitCode::Output)?;
    Ok((feed, events))
}

fn exit_code(error: RunError<Refused, Refused>) -> ExitCode {
    match error {
        RunError::Feed(FeedError::Source(_)) => ExitCode::FeedFile,
        RunError::Sink(_) => ExitCode::Output,
        RunError::Event => ExitCode::Event,
        RunError::Profile(_) => ExitCode::Profile,
        _ => ExitCode::Feed,
    }
}

pub(crate) fn print(lines: &[(&str, u32)], stack_bytes: Option<u32>, block: &mut [u8]) -> Result<(), Refused> {
    let console = File::console()?;
    let mut output = Output::new(&console, block);
    for (name, value) in lines {
        print_number(&mut output, name, *value);
    }
    if let Some(bytes) = stack_bytes {
        print_number(&mut output, "stack_bytes", bytes);
    }
    output.flush()
}

/// Writes `name=value` and a line feed. Failures are kept by `output` and come out of its `flush`.
///
/// The formatting machinery of the standard library would bring panic paths into the image.
pub(crate) fn print_number(output: &mut impl Write, name: &str, value: u32) {
    let _kept_by_output = output.write_str(name);
    let _kept_by_output = output.write_char('=');
    let mut divisor = 1_000_000_000;
    while divisor > 1 && value / divisor == 0 {
        divisor /= 10;
    }
    while divisor > 0 {
        let digit = u8::try_from(value / divisor % 10).unwrap_or(0);
        let _kept_by_output = output.write_char(char::from(b'0'.wrapping_add(digit)));
        divisor /= 10;
    }
    let _kept_by_output = output.write_char('\n');
}
