//! What can go wrong with the store.

use core::fmt;

use embedded_storage::nor_flash::NorFlashErrorKind;

/// What was asked of the flash.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Operation {
    /// Reading.
    Read,
    /// Writing.
    Write,
    /// Erasing a page.
    Erase,
}

/// What does not fit about a flash part or the place of the region in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Geometry {
    /// Its word is not 1, 2, 4, 8 or 16 bytes.
    Word,
    /// It cannot be read in units of 16 bytes.
    Read,
    /// Its page is larger than 4 KiB, or no power of two.
    Page,
    /// The region does not begin at a multiple of 4 KiB, or ends behind the end of the part.
    Place,
}

/// Why the store could not do what it was asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum StoreError {
    /// The flash part cannot hold this store.
    Geometry(Geometry),
    /// The flash refused. What was saved before is still there; the store goes on with the next call.
    Flash {
        /// What was asked of it.
        operation: Operation,
        /// Where, in bytes from the beginning of the part.
        offset: u32,
        /// What it said.
        kind: NorFlashErrorKind,
    },
    /// More bytes than there is room for.
    TooLong {
        /// How many there is room for.
        room: usize,
    },
    /// The settings were written by a newer version of this program, which this one cannot read. They are kept.
    Newer {
        /// The version they were written in.
        version: u8,
    },
    /// The store has not been opened, or its first acts after power-up are not done: call `service` until `is_ready`.
    NotReady,
}

impl fmt::Display for StoreError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Geometry(Geometry::Word) => write!(f, "the flash word must be 1, 2, 4, 8 or 16 bytes"),
            Self::Geometry(Geometry::Read) => write!(f, "the flash must be readable in units of 16 bytes"),
            Self::Geometry(Geometry::Page) => write!(f, "the flash page must be a power of two of at most 4096 bytes"),
            Self::Geometry(Geometry::Place) => {
                write!(f, "the region must begin at a multiple of 4096 bytes and end within the flash")
            }
            Self::Flash { operation, offset, kind } => {
                let verb = match operation {
                    Operation::Read => "read",
                    Operation::Write => "write",
                    Operation::Erase => "erase",
                };
                write!(f, "flash {verb} at {offset:#x} failed: {kind}; what was saved before is kept, try again")
            }
            Self::TooLong { room } => write!(f, "more bytes than the {room} there is room for"),
            Self::Newer { version } => {
                write!(f, "settings of version {version}: use the newer program that wrote them")
            }
            Self::NotReady => write!(f, "the store is not ready: open it and call service until it is"),
        }
    }
}

impl core::error::Error for StoreError {}
