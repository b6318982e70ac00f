//! The flash of the nRF51 through its controller: pages of 1 KiB, words of 4 bytes.
//!
//! Registers and their addresses are those of the nRF51 Series Reference Manual, chapter "NVMC". The processor stands
//! still while a word is written or a page is erased, so nothing else has to be waited for but `READY`.

use core::fmt;
use core::ptr::{read_volatile, with_exposed_provenance, with_exposed_provenance_mut, write_volatile};

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};

/// Bytes of one page.
const PAGE_BYTES: u32 = 1_024;
/// Bytes of one word.
const WORD_BYTES: u32 = 4;

const READY: usize = 0x4001_E400;
const CONFIG: usize = 0x4001_E504;
const ERASE_PAGE: usize = 0x4001_E508;

/// Values of `CONFIG`.
const READ_ONLY: u32 = 0;
const WRITE_ENABLED: u32 = 1;
const ERASE_ENABLED: u32 = 2;

/// What was asked of the flash cannot be done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Refused(NorFlashErrorKind);

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl NorFlashError for Refused {
    fn kind(&self) -> NorFlashErrorKind {
        self.0
    }
}

/// A stretch of the flash, free of code. `before_word` is called with address and value before each word is written.
#[derive(Debug)]
pub(crate) struct Nvmc {
    start: u32,
    length: u32,
    before_word: fn(u32, u32),
}

impl Nvmc {
    /// Takes the pages from `start` on.
    ///
    /// # Safety
    /// From `start`, `length` bytes are whole pages of the part's flash, no code and nothing that Rust knows of lies
    /// there, and nobody else uses the controller.
    pub(crate) const unsafe fn new(start: u32, length: u32, before_word: fn(u32, u32)) -> Self {
        Self { start, length, before_word }
    }

    /// Erases everything, as in a part that comes from the factory.
    pub(crate) fn erase_all(&mut self) -> Result<(), Refused> {
        self.erase(0, self.length)
    }

    /// Where `length` bytes at `offset` begin in the address space.
    fn place(&self, offset: u32, length: usize, unit: u32) -> Result<u32, Refused> {
        let length = u32::try_from(length).map_err(|_| Refused(NorFlashErrorKind::OutOfBounds))?;
        if !offset.is_multiple_of(unit) || !length.is_multiple_of(unit) {
            return Err(Refused(NorFlashErrorKind::NotAligned));
        }
        if offset > self.length || length > self.length.saturating_sub(offset) {
            return Err(Refused(NorFlashErrorKind::OutOfBounds));
        }
        Ok(self.start.wrapping_add(offset))
    }

    /// Changes the mode of the controller for the length of `act`.
    fn in_mode(mode: u32, act: impl FnOnce()) {
        set_register(CONFIG, mode);
        wait_until_ready();
        act();
        wait_until_ready();
        set_register(CONFIG, READ_ONLY);
        wait_until_ready();
    }
}

impl ErrorType for Nvmc {
    type Error = Refused;
}

impl ReadNorFlash for Nvmc {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Refused> {
        let from = with_exposed_provenance::<u8>(address(self.place(offset, bytes.len(), 1)?));
        for (at, byte) in bytes.iter_mut().enumerate() {
            // SAFETY: `place` has checked that all of it lies in the flash that `new` was promised, which can be read
            // at any address.
            *byte = unsafe { read_volatile(from.wrapping_add(at)) };
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        address(self.length)
    }
}

impl NorFlash for Nvmc {
    const WRITE_SIZE: usize = WORD_BYTES as usize;
    const ERASE_SIZE: usize = PAGE_BYTES as usize;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Refused> {
        let length = to.checked_sub(from).ok_or(Refused(NorFlashErrorKind::OutOfBounds))?;
        let mut page = self.place(from, address(length), PAGE_BYTES)?;
        let end = page.wrapping_add(length);
        while page < end {
            Self::in_mode(ERASE_ENABLED, || set_register(ERASE_PAGE, page));
            page = page.wrapping_add(PAGE_BYTES);
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Refused> {
        let mut word = self.place(offset, bytes.len(), WORD_BYTES)?;
        let (values, _) = bytes.as_chunks::<{ WORD_BYTES as usize }>();
        for value in values {
            let value = u32::from_le_bytes(*value);
            (self.before_word)(word, value);
            // SAFETY: `place` has checked that the word lies in the flash that `new` was promised and is aligned; the
            // controller takes the store as the writing of the word.
            Self::in_mode(WRITE_ENABLED, || unsafe {
                write_volatile(with_exposed_provenance_mut(address(word)), value);
            });
            word = word.wrapping_add(WORD_BYTES);
        }
        Ok(())
    }
}

/// Addresses of this processor have 32 bits.
const fn address(number: u32) -> usize {
    number as usize
}

fn set_register(register: usize, value: u32) {
    // SAFETY: the callers name registers of the controller, which take any value that is written here.
    unsafe { write_volatile(with_exposed_provenance_mut(register), value) };
}

fn wait_until_ready() {
    // SAFETY: the register may be read at any time.
    while unsafe { read_volatile(with_exposed_provenance::<u32>(READY)) } & 1 == 0 {}
}
