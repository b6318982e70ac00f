//! The bench on an emulated board.

use board_app::bench::{BenchError, BenchReport, BenchRoom, Pins, Witness, run_bench};
use monitor_core::Monitor;

use crate::file::{CommandLine, File, Mode, Refused};
use crate::replay::{ExitCode, print};

/// The first word of the command line, for a program that takes no feed.
const WORD: &[u8] = b"bench\0";

/// Tells the story of the bench and writes the events to the file named second on the command line, after the word
/// `bench`; what it amounted to, with the deepest use of the stack if `stack_bytes` can tell, goes to the console.
pub fn bench<'p, W: Witness>(
    monitor: &mut Monitor,
    room: &mut BenchRoom<'p>,
    pins: &'p Pins,
    witness: &mut W,
    stack_bytes: fn() -> Option<u32>,
) -> ExitCode {
    match try_bench(monitor, room, pins, witness) {
        Ok(report) => tell(&report, stack_bytes(), room.block()),
        Err(code) => code,
    }
}

/// Apart, as [`try_bench`] is: one frame does not lie on the other, and the depth of the stack is measured.
#[inline(never)]
fn tell(report: &BenchReport, stack_bytes: Option<u32>, block: &mut [u8]) -> ExitCode {
    match print(&report.lines(), stack_bytes, block) {
        Ok(()) => ExitCode::Done,
        Err(Refused) => ExitCode::Output,
    }
}

#[inline(never)]
fn try_bench<'p, W: Witness>(
    monitor: &mut Monitor,
    room: &mut BenchRoom<'p>,
    pins: &'p Pins,
    witness: &mut W,
) -> Result<BenchReport, ExitCode> {
    let events = open_events()?;
    let report = run_bench(monitor, room, pins, &events, witness).map_err(exit_code)?;
    events.close().map_err(|Refused| ExitCode::Output)?;
    Ok(report)
}

/// Apart from what follows, so that the names do not stay on the stack, whose depth is measured.
#[inline(never)]
fn open_events() -> Result<File, ExitCode> {
    let names = CommandLine::fetch().map_err(|Refused| ExitCode::CommandLine)?;
    if names.first() != WORD {
        return Err(ExitCode::CommandLine);
    }
    File::open(names.second(), Mode::Write).map_err(|Refused| ExitCode::Output)
}

fn exit_code(error: BenchError<Refused>) -> ExitCode {
    match error {
        BenchError::Sink(_) => ExitCode::Output,
        BenchError::Event => ExitCode::Event,
        BenchError::Profile(_) => ExitCode::Profile,
        _ => ExitCode::Calibration,
    }
}
