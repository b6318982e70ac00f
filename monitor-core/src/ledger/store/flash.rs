//! The flash as the records see it: looks that are taken twice, one write or one erase at a time.

use embedded_storage::nor_flash::{NorFlash, NorFlashError, NorFlashErrorKind};

use super::error::{Geometry, Operation, StoreError};
use super::layout::SECTOR_BYTES;

/// What one look at a place in flash found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Look<const N: usize> {
    /// All ones, twice.
    Blank,
    /// The same bytes twice.
    Bytes([u8; N]),
    /// Two reads that differ: a word that was cut short.
    Unsteady,
    /// The part could not read it: a word that its own check bits refuse.
    Unreadable,
}

/// Whether a part can hold `length` bytes of the store's sectors from `start` on.
pub(super) fn check_geometry<F: NorFlash>(flash: &F, start: u32, length: u32) -> Result<(), StoreError> {
    let fault = if !matches!(F::WRITE_SIZE, 1 | 2 | 4 | 8 | 16) {
        Geometry::Word
    } else if !matches!(F::READ_SIZE, 1 | 2 | 4 | 8 | 16) {
        Geometry::Read
    } else if !F::ERASE_SIZE.is_power_of_two() || F::ERASE_SIZE > bytes_of(SECTOR_BYTES) || F::ERASE_SIZE < 16 {
        Geometry::Page
    } else if !start.is_multiple_of(SECTOR_BYTES) || bytes_of(start.saturating_add(length)) > flash.capacity() {
        Geometry::Place
    } else {
        return Ok(());
    };
    Err(StoreError::Geometry(fault))
}

/// What two looks at a place found, without what stands there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sight {
    Blank,
    Bytes,
    Unsteady,
    Unreadable,
}

/// Looks twice at as many bytes as there is room for, a multiple of 16, and leaves them in `bytes`.
///
/// # Errors
/// Only what a caller got wrong; a place that cannot be read is an answer.
pub(super) fn look_into<F: NorFlash>(flash: &mut F, offset: u32, bytes: &mut [u8]) -> Result<Sight, StoreError> {
    if !read(flash, offset, bytes)? {
        return Ok(Sight::Unreadable);
    }
    // The second read goes by pieces, so that no more than one record stands on the stack.
    let (mut at, mut steady, mut blank) = (offset, true, true);
    for piece in bytes.chunks(32) {
        let mut buffer = [0; 32];
        let again = buffer.get_mut(..piece.len()).unwrap_or_default();
        if !read(flash, at, again)? {
            return Ok(Sight::Unreadable);
        }
        for (byte, first) in again.iter().zip(piece) {
            steady &= byte == first;
            blank &= *byte == u8::MAX;
        }
        at = at.saturating_add(32);
    }
    Ok(match (steady, blank) {
        (false, _) => Sight::Unsteady,
        (true, true) => Sight::Blank,
        (true, false) => Sight::Bytes,
    })
}

/// Looks at `N` bytes, a multiple of 16, twice.
///
/// # Errors
/// Only what a caller got wrong; a place that cannot be read is an answer.
pub(super) fn look<F: NorFlash, const N: usize>(flash: &mut F, offset: u32) -> Result<Look<N>, StoreError> {
    let mut bytes = [0; N];
    Ok(match look_into(flash, offset, &mut bytes)? {
        Sight::Blank => Look::Blank,
        Sight::Bytes => Look::Bytes(bytes),
        Sight::Unsteady => Look::Unsteady,
        Sight::Unreadable => Look::Unreadable,
    })
}

/// Reads; `false` where the part refuses the place three times.
pub(super) fn read<F: NorFlash>(flash: &mut F, offset: u32, bytes: &mut [u8]) -> Result<bool, StoreError> {
    for _ in 0..3 {
        match flash.read(offset, bytes).map_err(|error| error.kind()) {
            Ok(()) => return Ok(true),
            Err(kind @ (NorFlashErrorKind::NotAligned | NorFlashErrorKind::OutOfBounds)) => {
                return Err(StoreError::Flash { operation: Operation::Read, offset, kind });
            }
            Err(_) => {}
        }
    }
    Ok(false)
}

/// That a whole area cannot be read.
pub(super) const fn unreadable(offset: u32) -> StoreError {
    StoreError::Flash { operation: Operation::Read, offset, kind: NorFlashErrorKind::Other }
}

/// The one write of a call.
pub(super) fn write<F: NorFlash>(flash: &mut F, offset: u32, bytes: &[u8]) -> Result<(), StoreError> {
    flash.write(offset, bytes).map_err(|error| StoreError::Flash {
        operation: Operation::Write,
        offset,
        kind: error.kind(),
    })
}

/// Whether `length` bytes read as all ones, twice; `length` is a multiple of 16.
pub(super) fn is_blank<F: NorFlash>(flash: &mut F, offset: u32, length: u32) -> Result<bool, StoreError> {
    for number in 0..length / 16 {
        if look::<F, 16>(flash, offset.saturating_add(number.saturating_mul(16)))? != Look::Blank {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Whether `bytes`, a multiple of 16, read back as they were written.
pub(super) fn reads_back<F: NorFlash>(flash: &mut F, offset: u32, bytes: &[u8]) -> Result<bool, StoreError> {
    let mut at = offset;
    for piece in bytes.chunks_exact(16) {
        if look::<F, 16>(flash, at)? != as_look(piece) {
            return Ok(false);
        }
        at = at.saturating_add(16);
    }
    Ok(true)
}

fn as_look(piece: &[u8]) -> Look<16> {
    match piece.first_chunk::<16>() {
        Some(bytes) if bytes.iter().any(|byte| *byte != u8::MAX) => Look::Bytes(*bytes),
        _ => Look::Blank,
    }
}

/// How far the erasing of one sector has come. A sector is one page or several, and only one page goes in a call.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct SectorErase {
    done_bytes: u16,
}

impl SectorErase {
    /// Nothing is known of the sector: it counts as not erased.
    pub(super) const fn not_begun() -> Self {
        Self { done_bytes: 0 }
    }

    /// The sector is known to be erased.
    pub(super) const fn finished() -> Self {
        Self { done_bytes: 4_096 }
    }

    pub(super) fn is_finished(self) -> bool {
        u32::from(self.done_bytes) >= SECTOR_BYTES
    }

    /// Erases the next page of the sector at `sector`.
    pub(super) fn step<F: NorFlash>(&mut self, flash: &mut F, sector: u32) -> Result<(), StoreError> {
        let page_bytes = u16::try_from(F::ERASE_SIZE).unwrap_or(u16::MAX);
        let from = sector.saturating_add(u32::from(self.done_bytes));
        let to = from.saturating_add(u32::from(page_bytes));
        flash.erase(from, to).map_err(|error| StoreError::Flash {
            operation: Operation::Erase,
            offset: from,
            kind: error.kind(),
        })?;
        self.done_bytes = self.done_bytes.saturating_add(page_bytes);
        Ok(())
    }
}

fn bytes_of(value: u32) -> usize {
    usize::try_from(value).unwrap_or(usize::MAX)
}
