//! The region of a memory file as a NOR flash, as strict as the parts that boards have.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};
use monitor_core::ledger::store::{REGION_BYTES, SECTOR_BYTES};

const REGION: usize = REGION_BYTES as usize;
const WORD: usize = 4;

/// 64 KiB of flash in memory: words of 4 bytes that are written once between two erases, pages of 4 KiB.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RegionFlash {
    bytes: Vec<u8>,
}

/// What went against the rules of a NOR flash.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RegionError {
    /// Place or length is not a multiple of a word, or of a page.
    NotAligned,
    /// Outside the region.
    OutOfBounds,
    /// A word that holds something already.
    WrittenTwice,
}

impl RegionFlash {
    /// A region from its bytes; `None` unless there are 64 KiB of them.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        (bytes.len() == REGION).then(|| Self { bytes: bytes.to_vec() })
    }

    /// The region's bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }
}

/// An erased region.
impl Default for RegionFlash {
    fn default() -> Self {
        Self { bytes: vec![u8::MAX; REGION] }
    }
}

impl NorFlashError for RegionError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::NotAligned => NorFlashErrorKind::NotAligned,
            Self::OutOfBounds => NorFlashErrorKind::OutOfBounds,
            Self::WrittenTwice => NorFlashErrorKind::Other,
        }
    }
}

impl From<NorFlashErrorKind> for RegionError {
    fn from(kind: NorFlashErrorKind) -> Self {
        if kind == NorFlashErrorKind::NotAligned { Self::NotAligned } else { Self::OutOfBounds }
    }
}

impl ErrorType for RegionFlash {
    type Error = RegionError;
}

impl ReadNorFlash for RegionFlash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), RegionError> {
        check_read(self, offset, bytes.len())?;
        let from = offset as usize;
        bytes.copy_from_slice(&self.bytes[from..from + bytes.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        REGION
    }
}

impl NorFlash for RegionFlash {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = SECTOR_BYTES as usize;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), RegionError> {
        check_erase(self, from, to)?;
        self.bytes[from as usize..to as usize].fill(u8::MAX);
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), RegionError> {
        check_write(self, offset, bytes.len())?;
        let from = offset as usize;
        let place = &mut self.bytes[from..from + bytes.len()];
        if place.iter().any(|byte| *byte != u8::MAX) {
            return Err(RegionError::WrittenTwice);
        }
        place.copy_from_slice(bytes);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_word_is_written_once_between_two_erases() {
        let mut region = RegionFlash::default();
        assert_eq!(region.write(8, &[1, 2, 3, 4]), Ok(()));
        assert_eq!(region.write(4, &[0; 8]), Err(RegionError::WrittenTwice));
        assert_eq!(region.write(2, &[0; 4]), Err(RegionError::NotAligned));
        assert_eq!(region.write(65_536, &[0; 4]), Err(RegionError::OutOfBounds));
        assert_eq!(region.erase(0, 4_096), Ok(()));
        assert_eq!(region.write(4, &[0; 8]), Ok(()));
        assert_eq!(region.bytes()[..16], [255, 255, 255, 255, 0, 0, 0, 0, 0, 0, 0, 0, 255, 255, 255, 255]);
    }
}
