//! One flash in two hands: the store's and the driver's.

use std::cell::RefCell;
use std::rc::Rc;

use embedded_storage::nor_flash::{ErrorType, NorFlash, ReadNorFlash};

use crate::flash::{SimError, SimFlash};

/// A handle to a [`SimFlash`] that a store may own while the driver cuts its power. Clones are the same flash.
#[derive(Clone, Debug)]
pub struct SharedFlash<const WORD: usize, const PAGE: usize>(Rc<RefCell<SimFlash<WORD, PAGE>>>);

impl<const WORD: usize, const PAGE: usize> SharedFlash<WORD, PAGE> {
    /// A handle to `flash`.
    #[must_use]
    pub fn new(flash: SimFlash<WORD, PAGE>) -> Self {
        Self(Rc::new(RefCell::new(flash)))
    }

    /// Does something with the flash itself.
    pub fn with<T>(&self, act: impl FnOnce(&mut SimFlash<WORD, PAGE>) -> T) -> T {
        act(&mut self.0.borrow_mut())
    }

    /// A copy of the flash as it is now.
    #[must_use]
    pub fn image(&self) -> SimFlash<WORD, PAGE> {
        self.0.borrow().clone()
    }
}

impl<const WORD: usize, const PAGE: usize> ErrorType for SharedFlash<WORD, PAGE> {
    type Error = SimError;
}

impl<const WORD: usize, const PAGE: usize> ReadNorFlash for SharedFlash<WORD, PAGE> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), SimError> {
        self.0.borrow_mut().read(offset, bytes)
    }

    fn capacity(&self) -> usize {
        self.0.borrow().capacity()
    }
}

impl<const WORD: usize, const PAGE: usize> NorFlash for SharedFlash<WORD, PAGE> {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), SimError> {
        self.0.borrow_mut().erase(from, to)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), SimError> {
        self.0.borrow_mut().write(offset, bytes)
    }
}
