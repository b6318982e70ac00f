//! The endurance of the store on an emulated board.

use board_app::Output;
use board_app::endurance::{EnduranceError, Listener, Said, Task};
use monitor_core::ledger::store::Work;

use crate::file::{CommandLine, File, Mode, Refused};
use crate::replay::{ExitCode, print_number};

/// The first word of the command line.
const WORD: &[u8] = b"endurance\0";

/// Marks that an emulator plugin looks for.
pub trait TaskMarks {
    /// A task begins.
    fn begins(&mut self, task: Task);
    /// A task ended, with that work done in flash.
    fn ended(&mut self, task: Task, work: Work);
}

/// How long the store is to be worked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rounds {
    /// On the flash as it is, until the power goes.
    ForEver,
    /// So many rounds, on an erased flash.
    OnErasedFlash(u32),
}

impl Rounds {
    /// Reads the command line: `endurance`, then the number of rounds or 0.
    ///
    /// # Errors
    /// It says something else.
    // Apart, so that the words are not on the stack that is measured.
    #[inline(never)]
    pub fn asked_for() -> Result<Self, ExitCode> {
        let names = CommandLine::fetch().map_err(|Refused| ExitCode::CommandLine)?;
        let Some((&0, digits)) = names.second().split_last() else { return Err(ExitCode::CommandLine) };
        if names.first() != WORD || digits.is_empty() {
            return Err(ExitCode::CommandLine);
        }
        let mut rounds = 0_u32;
        for digit in digits {
            let value = digit.checked_sub(b'0').filter(|value| *value < 10).ok_or(ExitCode::CommandLine)?;
            rounds = rounds.saturating_mul(10).saturating_add(u32::from(value));
        }
        Ok(if rounds == 0 { Self::ForEver } else { Self::OnErasedFlash(rounds) })
    }
}

/// Passes on to the console what the store says, a line `name=value` for each, written at once.
#[derive(Debug)]
pub struct Console<'m, M> {
    file: File,
    marks: &'m mut M,
}

impl<M: TaskMarks> Listener for Console<'_, M> {
    type Error = Refused;

    #[inline(always)]
    fn begins(&mut self, task: Task) {
        self.marks.begins(task);
    }

    #[inline(always)]
    fn ended(&mut self, task: Task, work: Work) {
        self.marks.ended(task, work);
    }

    fn hear(&mut self, said: Said, value: u32) -> Result<(), Refused> {
        tell(&self.file, said.name(), value)
    }
}

/// Lets `run` work the store, with the console as its listener. At the end the deepest use of the stack is told, if
/// `stack_bytes` can tell.
pub fn endurance<M: TaskMarks>(
    marks: &mut M,
    stack_bytes: fn() -> Option<u32>,
    run: impl FnOnce(&mut Console<'_, M>) -> Result<(), EnduranceError<Refused>>,
) -> ExitCode {
    // Opened anew after each reset: the emulator keeps the old one open, which costs it some bytes.
    let Ok(file) = File::open(b":tt\0", Mode::Write) else { return ExitCode::Output };
    let mut console = Console { file, marks };
    let ended = run(&mut console);
    if let Some(bytes) = stack_bytes()
        && tell(&console.file, "stack_bytes", bytes).is_err()
    {
        return ExitCode::Output;
    }
    match ended {
        Ok(()) => ExitCode::Done,
        Err(EnduranceError::Store(_)) => ExitCode::Store,
        Err(EnduranceError::Operations { .. }) => ExitCode::Operations,
        Err(EnduranceError::Restless) => ExitCode::Restless,
        Err(EnduranceError::Listener(Refused)) => ExitCode::Output,
    }
}

/// Writes one line with one call, so that whoever listens never sees half of it.
fn tell(file: &File, name: &str, value: u32) -> Result<(), Refused> {
    let mut line = [0; 32];
    let mut output = Output::new(file, &mut line);
    print_number(&mut output, name, value);
    output.flush()
}
