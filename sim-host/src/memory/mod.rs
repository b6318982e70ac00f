//! The memory file: a board's region of flash with a header before it.
//!
//! ```text
//!  0   8  LKASTERN
//!  8   2  version, 1
//! 10   2  region in KiB, 64
//! 12  48  zero
//! 60   4  CRC-32/ISO-HDLC of bytes 0-59
//! 64      the region
//! ```
//!
//! All numbers are little-endian. Host and board read and write the region with the same code.

mod recover;
mod region;

pub use recover::{Salvage, salvage};
pub use region::{RegionError, RegionFlash};

use std::fs;
use std::io;
use std::path::Path;

use monitor_core::ledger::store::REGION_BYTES;

use crate::out_file::OutFile;
use crate::problem::{Exit, Problem};

const MAGIC: &[u8; 8] = b"LKASTERN";
const VERSION: u16 = 1;
const REGION_KIB: u16 = 64;
const HEADER_BYTES: usize = 64;
/// Bytes of a memory file.
pub const FILE_BYTES: usize = HEADER_BYTES + REGION_BYTES as usize;

const RECOVER: &str = "Nothing was changed. `lookastern ledger recover` saves what can be read of it";

/// The header of this version.
#[must_use]
pub fn header() -> [u8; HEADER_BYTES] {
    let mut header = [0; HEADER_BYTES];
    header[..8].copy_from_slice(MAGIC);
    header[8..10].copy_from_slice(&VERSION.to_le_bytes());
    header[10..12].copy_from_slice(&REGION_KIB.to_le_bytes());
    let check = crc(&header[..60]);
    header[60..].copy_from_slice(&check.to_le_bytes());
    header
}

/// Takes a memory file apart; the words of the error say what is wrong with it.
///
/// # Errors
/// Not a memory file of a version that is known.
pub fn examine(file: &[u8]) -> Result<RegionFlash, String> {
    let Some(header) = file.first_chunk::<HEADER_BYTES>() else {
        return Err(format!("It has {} bytes; a memory file has {FILE_BYTES}", file.len()));
    };
    if &header[..8] != MAGIC {
        return Err("It does not begin like a memory file".to_owned());
    }
    if u32::from_le_bytes([header[60], header[61], header[62], header[63]]) != crc(&header[..60]) {
        return Err("Its header is damaged".to_owned());
    }
    let version = u16::from_le_bytes([header[8], header[9]]);
    if version != VERSION {
        return Err(format!("It has version {version}; this program knows version {VERSION}"));
    }
    let region_kib = u16::from_le_bytes([header[10], header[11]]);
    if region_kib != REGION_KIB {
        return Err(format!("Its region has {region_kib} KiB, not {REGION_KIB}"));
    }
    match RegionFlash::from_bytes(&file[HEADER_BYTES..]) {
        Some(region) => Ok(region),
        None => Err(format!("It has {} bytes; a memory file has {FILE_BYTES}", file.len())),
    }
}

/// Reads a memory file; `None` if there is none.
///
/// # Errors
/// It cannot be read, or is no memory file of a version that is known: exit code 3.
pub fn read(path: &Path) -> Result<Option<RegionFlash>, Problem> {
    let bytes = match fs::read(path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => {
            let cause = format!("The memory cannot be read: {error}");
            return Err(Problem::new(Exit::Unreadable, cause, "Give a file that can be read").in_file(path));
        }
    };
    match examine(&bytes) {
        Ok(region) => Ok(Some(region)),
        Err(cause) => Err(Problem::new(Exit::Unreadable, cause, RECOVER).in_file(path)),
    }
}

/// A memory that is read at the start and replaced once, at the end.
#[derive(Debug)]
pub struct Memory {
    /// The board's flash.
    pub region: RegionFlash,
    out: OutFile,
}

impl Memory {
    /// Reads a memory, or makes an empty one where there is none; makes sure that it can be written.
    ///
    /// # Errors
    /// It cannot be read (3) or written (4).
    pub fn open(path: &Path) -> Result<Self, Problem> {
        let region = read(path)?.unwrap_or_default();
        let out = OutFile::create(path, "The memory", "Give --memory a place that can be written to")?;
        Ok(Self { region, out })
    }

    /// A new memory that holds `region`; the place must be free.
    ///
    /// # Errors
    /// There is a file already (2), or the place cannot be written to (4).
    pub fn of_region(path: &Path, region: RegionFlash) -> Result<Self, Problem> {
        if path.exists() {
            let cause = "There is a file of that name already";
            return Err(Problem::new(Exit::Usage, cause, "Give another name after -o").in_file(path));
        }
        let out = OutFile::create(path, "The memory", "Give another place after -o")?;
        Ok(Self { region, out })
    }

    /// Replaces the file.
    ///
    /// # Errors
    /// It cannot be written: exit code 4.
    pub fn save(self) -> Result<(), Problem> {
        let mut bytes = header().to_vec();
        bytes.extend_from_slice(self.region.bytes());
        self.out.finish(&bytes)
    }
}

fn crc(bytes: &[u8]) -> u32 {
    let mut crc = flate2::Crc::new();
    crc.update(bytes);
    crc.sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn golden_bytes_of_the_header() {
        let header = header();
        assert_eq!(&header[..12], b"LKASTERN\x01\x00\x40\x00");
        assert_eq!(header[12..60], [0; 48]);
        assert_eq!(crc(b"123456789"), 0xCBF4_3926, "CRC-32/ISO-HDLC, catalogue check value");
        // By another implementation.
        assert_eq!(u32::from_le_bytes(header[60..].try_into().unwrap()), 0x1853_1A57);
    }

    #[test]
    fn what_is_no_memory_file_is_told_apart() {
        let mut good = header().to_vec();
        good.resize(FILE_BYTES, 0xFF);
        assert!(examine(&good).is_ok());
        let altered = |at: usize, value: u8, sound: bool| {
            let mut file = good.clone();
            file[at] = value;
            if sound {
                let check = crc(&file[..60]);
                file[60..64].copy_from_slice(&check.to_le_bytes());
            }
            file
        };
        let cases = [
            ("empty", Vec::new(), "has 0 bytes"),
            ("only a header", good[..64].to_vec(), "has 64 bytes"),
            ("cut off", good[..FILE_BYTES - 1].to_vec(), "has 65599 bytes"),
            ("too long", [&good[..], &[0]].concat(), "has 65601 bytes"),
            ("something else", altered(0, b'X', true), "does not begin"),
            ("a flipped bit", altered(30, 1, false), "damaged"),
            ("newer", altered(8, 2, true), "version 2"),
            ("another region", altered(10, 32, true), "32 KiB"),
        ];
        for (name, file, expected) in cases {
            let said = examine(&file).unwrap_err();
            assert!(said.contains(expected), "{name}: {said}");
        }
    }
}
