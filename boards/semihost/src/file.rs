//! Files of the emulating machine, and the names it was started with.

use board_app::Sink;
use board_app::feed::Source;

use crate::call::{Operation, call};

/// The emulating machine refused an operation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Refused;

/// How a file is opened; the numbers are those of the specification.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(usize)]
pub enum Mode {
    /// Existing bytes, read only.
    Read = 1,
    /// Emptied or created, write only.
    Write = 5,
}

/// A file of the emulating machine.
#[derive(Debug)]
pub struct File {
    handle: usize,
}

impl File {
    /// Opens the file of that name, relative to the emulator's working directory. `name` must end with a zero byte.
    ///
    /// # Errors
    /// There is no such file, it cannot be created, or the name does not end with a zero byte.
    pub fn open(name: &[u8], mode: Mode) -> Result<Self, Refused> {
        let Some((&0, text)) = name.split_last() else { return Err(Refused) };
        let handle = call(Operation::Open, &mut [name.as_ptr().expose_provenance(), mode as usize, text.len()]);
        if handle == usize::MAX { Err(Refused) } else { Ok(Self { handle }) }
    }

    /// Opens the emulator's standard output.
    ///
    /// # Errors
    /// The emulator has none.
    pub fn console() -> Result<Self, Refused> {
        Self::open(b":tt\0", Mode::Write)
    }

    /// Closes the file; the last bytes of a written file reach the disk here.
    ///
    /// # Errors
    /// The file cannot be closed.
    pub fn close(self) -> Result<(), Refused> {
        if call(Operation::Close, &mut [self.handle]) == 0 { Ok(()) } else { Err(Refused) }
    }
}

impl Source for &File {
    type Error = Refused;

    fn read(&mut self, block: &mut [u8]) -> Result<usize, Refused> {
        let mut arguments = [self.handle, block.as_mut_ptr().expose_provenance(), block.len()];
        // The answer is the number of bytes that were not read.
        block.len().checked_sub(call(Operation::Read, &mut arguments)).ok_or(Refused)
    }
}

impl Sink for &File {
    type Error = Refused;

    fn write(&mut self, bytes: &[u8]) -> Result<(), Refused> {
        let mut arguments = [self.handle, bytes.as_ptr().expose_provenance(), bytes.len()];
        // The answer is the number of bytes that were not written.
        if call(Operation::Write, &mut arguments) == 0 { Ok(()) } else { Err(Refused) }
    }
}

/// The two names that the emulator was started with.
#[derive(Debug)]
pub struct CommandLine {
    text: [u8; Self::CAPACITY],
    first_length: usize,
    length: usize,
}

impl CommandLine {
    /// Room for both names and what separates them.
    const CAPACITY: usize = 128;

    /// Fetches the command line.
    ///
    /// # Errors
    /// There is none, it is longer than 127 bytes, or it does not hold two names with one blank between them.
    pub fn fetch() -> Result<Self, Refused> {
        let mut text = [0; Self::CAPACITY];
        let mut arguments = [text.as_mut_ptr().expose_provenance(), text.len()];
        if call(Operation::GetCommandLine, &mut arguments) != 0 {
            return Err(Refused);
        }
        let first_length = text.iter().position(|byte| *byte == b' ').ok_or(Refused)?;
        if let Some(blank) = text.get_mut(first_length) {
            *blank = 0;
        }
        let after = text.get(first_length.wrapping_add(1)..).ok_or(Refused)?;
        let second_length = after.iter().position(|byte| *byte == 0).ok_or(Refused)?;
        let length = first_length.wrapping_add(second_length).wrapping_add(2);
        Ok(Self { text, first_length, length })
    }

    /// The first name, with a zero byte at its end.
    #[must_use]
    pub fn first(&self) -> &[u8] {
        self.text.get(..=self.first_length).unwrap_or_default()
    }

    /// The second name, with a zero byte at its end.
    #[must_use]
    pub fn second(&self) -> &[u8] {
        self.text.get(self.first_length.wrapping_add(1)..self.length).unwrap_or_default()
    }
}
