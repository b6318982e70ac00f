//! A flash that counts what is asked of it.

use embedded_storage::nor_flash::{ErrorType, NorFlash, ReadNorFlash};
use monitor_core::ledger::store::Work;

/// Hands everything on to a flash and counts writes and erases.
#[derive(Debug)]
pub(super) struct Counted<F> {
    flash: F,
    operations: u32,
    last_work: Work,
}

impl<F> Counted<F> {
    pub(super) const fn new(flash: F) -> Self {
        Self { flash, operations: 0, last_work: Work::Nothing }
    }

    /// Begins to count anew.
    pub(super) fn forget(&mut self) {
        self.operations = 0;
        self.last_work = Work::Nothing;
    }

    /// Writes and erases since then, each call of the driver counted as one.
    pub(super) const fn operations(&self) -> u32 {
        self.operations
    }

    /// The last of them.
    pub(super) const fn last_work(&self) -> Work {
        self.last_work
    }

    fn count(&mut self, work: Work) {
        self.operations = self.operations.saturating_add(1);
        self.last_work = work;
    }
}

impl<F: ErrorType> ErrorType for Counted<F> {
    type Error = F::Error;
}

impl<F: ReadNorFlash> ReadNorFlash for Counted<F> {
    const READ_SIZE: usize = F::READ_SIZE;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), F::Error> {
        self.flash.read(offset, bytes)
    }

    fn capacity(&self) -> usize {
        self.flash.capacity()
    }
}

impl<F: NorFlash> NorFlash for Counted<F> {
    const WRITE_SIZE: usize = F::WRITE_SIZE;
    const ERASE_SIZE: usize = F::ERASE_SIZE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), F::Error> {
        self.count(Work::Erased);
        self.flash.erase(from, to)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), F::Error> {
        self.count(Work::Wrote);
        self.flash.write(offset, bytes)
    }
}
