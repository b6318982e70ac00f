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

mod headless;
mod lock;
mod recover;
mod region;

pub use recover::{Salvage, salvage};
pub use region::{RegionError, RegionFlash};

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use monitor_core::ledger::store::REGION_BYTES;

use self::lock::Lock;
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
    let Some(bytes) = read_bytes(path)? else { return Ok(None) };
    match examine(&bytes) {
        Ok(region) => Ok(Some(region)),
        Err(cause) => Err(Problem::new(Exit::Unreadable, cause, RECOVER).in_file(path)),
    }
}

fn read_bytes(path: &Path) -> Result<Option<Vec<u8>>, Problem> {
    match fs::read(path) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => {
            let cause = format!("The memory cannot be read: {error}");
            Err(Problem::new(Exit::Unreadable, cause, "Give a file that can be read").in_file(path))
        }
    }
}

/// Sixteen random bytes of the operating system, for the key of a new memory's chain; `None` if it has none. The key
/// stands in the memory, as it does in a board's flash, and nothing shows it.
#[must_use]
pub fn random_key() -> Option<[u8; 16]> {
    let mut key = [0; 16];
    getrandom::fill(&mut key).ok().map(|()| key)
}

/// A memory that is read at the start and replaced once, at the end.
#[derive(Debug)]
pub struct Memory {
    /// The board's flash.
    pub region: RegionFlash,
    path: PathBuf,
    /// The region as it was read.
    before: Option<RegionFlash>,
    out: OutFile,
    /// Nobody else works with it meanwhile.
    _lock: Option<Lock>,
}

impl Memory {
    /// Reads a memory, or makes an empty one where there is none; makes sure that it can be written, and that no other
    /// program works with it.
    ///
    /// # Errors
    /// It cannot be read (3) or written (4), or another program has it (4).
    pub fn open(path: &Path) -> Result<Self, Problem> {
        let lock = Lock::take(path)?;
        let before = read(path)?;
        let out = OutFile::create(path, "The memory", "Give --memory a place that can be written to")?;
        let region = before.clone().unwrap_or_default();
        Ok(Self { region, path: path.to_owned(), before, out, _lock: lock })
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
        let lock = Lock::take(path)?;
        let out = OutFile::create(path, "The memory", "Give another place after -o")?;
        Ok(Self { region, path: path.to_owned(), before: None, out, _lock: lock })
    }

    /// Replaces the file.
    ///
    /// # Errors
    /// It cannot be written, or is not what it was when it was read: exit code 4.
    pub fn save(self) -> Result<(), Problem> {
        let now = read_bytes(&self.path)?;
        let before = self.before.as_ref().map(RegionFlash::bytes);
        if now.as_deref().map(|file| file.get(HEADER_BYTES..).unwrap_or_default()) != before {
            let cause = "Another program has changed the memory meanwhile; nothing was written";
            return Err(Problem::new(Exit::Device, cause, "Do it once more").in_file(&self.path));
        }
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
    fn a_memory_that_somebody_else_changed_is_not_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("m.bin");
        Memory::open(&path).unwrap().save().unwrap();
        let whole = fs::read(&path).unwrap();
        let mut other = whole.clone();
        other[1_000] = 0;
        let cases: [(&str, Option<&[u8]>, bool); 3] =
            [("as it was", Some(&whole), true), ("other bytes", Some(&other), false), ("removed", None, false)];
        for (name, meanwhile, saved) in cases {
            fs::write(&path, &whole).unwrap();
            let memory = Memory::open(&path).unwrap();
            match meanwhile {
                Some(bytes) => fs::write(&path, bytes).unwrap(),
                None => fs::remove_file(&path).unwrap(),
            }
            let done = memory.save();
            assert_eq!(done.is_ok(), saved, "{name}: {done:?}");
            assert_eq!(fs::read(&path).ok().as_deref(), meanwhile, "{name}");
        }
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
