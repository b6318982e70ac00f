//! The simulated flash.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};

use crate::random::Random;
use crate::tear::Tear;

/// What was done to a flash since it was made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Read calls.
    pub reads: u64,
    /// Bytes read.
    pub bytes_read: u64,
    /// Words written, torn ones included.
    pub word_writes: u64,
    /// Pages erased, torn ones included.
    pub erases: u64,
    /// Word writes and page erases together: what a power cut can hit.
    pub units: u64,
}

impl Counts {
    /// What was done since `earlier` was taken from the same flash.
    #[must_use]
    pub const fn since(&self, earlier: &Self) -> Self {
        Self {
            reads: self.reads.saturating_sub(earlier.reads),
            bytes_read: self.bytes_read.saturating_sub(earlier.bytes_read),
            word_writes: self.word_writes.saturating_sub(earlier.word_writes),
            erases: self.erases.saturating_sub(earlier.erases),
            units: self.units.saturating_sub(earlier.units),
        }
    }
}

/// Why the simulated flash refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum SimError {
    /// The power is gone; nothing works until [`SimFlash::power_up`].
    PowerLost,
    /// A word was written a second time without an erase in between, be it with all ones.
    WrittenTwice {
        /// Byte offset of the word.
        offset: u32,
    },
    /// Offset or length is no multiple of the word or the page.
    NotAligned {
        /// Byte offset of the call.
        offset: u32,
    },
    /// The range does not lie inside the flash.
    OutOfBounds {
        /// Byte offset of the call.
        offset: u32,
    },
    /// More calls since power-up than [`SimFlash::limit_calls`] allows: the store hangs.
    TooManyCalls,
}

impl core::fmt::Display for SimError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::PowerLost => write!(f, "the power is gone"),
            Self::WrittenTwice { offset } => write!(f, "the word at {offset:#x} is written twice without an erase"),
            Self::NotAligned { offset } => write!(f, "the call at {offset:#x} is not aligned"),
            Self::OutOfBounds { offset } => write!(f, "the call at {offset:#x} leaves the flash"),
            Self::TooManyCalls => write!(f, "too many calls since power-up: the store hangs"),
        }
    }
}

impl core::error::Error for SimError {}

impl NorFlashError for SimError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::NotAligned { .. } => NorFlashErrorKind::NotAligned,
            Self::OutOfBounds { .. } => NorFlashErrorKind::OutOfBounds,
            Self::PowerLost | Self::WrittenTwice { .. } | Self::TooManyCalls => NorFlashErrorKind::Other,
        }
    }
}

#[derive(Clone, Copy, Debug)]
struct Cut {
    units_left: u64,
    tear: Tear,
    seed: u64,
}

/// A NOR flash in memory: words of `WORD` bytes (1 to 32), pages of `PAGE` bytes (256 to 131,072).
///
/// A clone is a copy of the chip with all that its cells hold, so one image can be cut in many ways.
#[derive(Clone)]
pub struct SimFlash<const WORD: usize, const PAGE: usize> {
    bytes: Vec<u8>,
    /// What an unstable word reads as at other times; empty as long as there is none. Words that are the same in both
    /// are stable.
    other_reading: Vec<u8>,
    written: Vec<bool>,
    wear: Vec<u32>,
    counts: Counts,
    cut: Option<Cut>,
    powered: bool,
    leaves_unstable_words: bool,
    erases_whole: bool,
    random: Random,
    breach: Option<SimError>,
    calls_left: u64,
    call_limit: u64,
}

impl<const WORD: usize, const PAGE: usize> SimFlash<WORD, PAGE> {
    const GEOMETRY_IS_SOUND: () = {
        assert!(WORD >= 1 && WORD <= 32, "words have 1 to 32 bytes");
        assert!(PAGE >= 256 && PAGE <= 128 * 1024, "pages have 256 bytes to 128 KiB");
        assert!(PAGE.is_multiple_of(WORD), "a page holds whole words");
    };

    /// An erased flash of so many pages.
    #[must_use]
    pub fn new(pages: usize) -> Self {
        Self::from_bytes(vec![0xFF; pages * PAGE])
    }

    /// A flash that holds `bytes`. Words that are not all ones count as written. A last page that is not whole is
    /// filled up as erased.
    #[must_use]
    pub fn from_bytes(mut bytes: Vec<u8>) -> Self {
        let () = Self::GEOMETRY_IS_SOUND;
        bytes.resize(bytes.len().div_ceil(PAGE) * PAGE, 0xFF);
        let written = bytes.chunks_exact(WORD).map(|word| !is_erased(word)).collect();
        let wear = vec![0; bytes.len() / PAGE];
        Self {
            bytes,
            other_reading: Vec::new(),
            written,
            wear,
            counts: Counts::default(),
            cut: None,
            powered: true,
            leaves_unstable_words: false,
            erases_whole: false,
            random: Random::new(0),
            breach: None,
            calls_left: u64::MAX,
            call_limit: u64::MAX,
        }
    }

    /// What the cells hold. For unstable words one of their readings.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// Cuts the power at the `unit`th word write or page erase from now, counted from 1: that one ends torn, drawn
    /// from `seed`, and everything after it fails. With 0 the power goes at once, between two operations.
    pub fn cut_at(&mut self, unit: u64, tear: Tear, seed: u64) {
        if unit == 0 {
            self.powered = false;
            self.cut = None;
        } else {
            self.cut = Some(Cut { units_left: unit, tear, seed });
        }
    }

    /// Whether torn words read differently from read to read until they are erased. Off at first.
    pub const fn set_unstable(&mut self, unstable: bool) {
        self.leaves_unstable_words = unstable;
    }

    /// Whether an erase that is cut does nothing or all of its work, whatever the style. Off at first. For finding out
    /// whether a store is hurt by torn words or by half-erased pages.
    pub const fn set_erases_whole(&mut self, whole: bool) {
        self.erases_whole = whole;
    }

    /// The power comes back; a cut that has not happened is forgotten. What the cells hold stays.
    pub const fn power_up(&mut self) {
        self.powered = true;
        self.cut = None;
        self.calls_left = self.call_limit;
    }

    /// Whether the flash answers.
    #[must_use]
    pub const fn is_powered(&self) -> bool {
        self.powered
    }

    /// Lets calls fail after so many between two power-ups, so that a store that hangs is found.
    pub const fn limit_calls(&mut self, calls: u64) {
        self.call_limit = calls;
        self.calls_left = calls;
    }

    /// What was done since the flash was made.
    #[must_use]
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    /// Erases of each page, torn ones included.
    #[must_use]
    pub fn wear(&self) -> &[u32] {
        &self.wear
    }

    /// The first call that broke the contract, also where the store ignored the error.
    #[must_use]
    pub const fn breach(&self) -> Option<SimError> {
        self.breach
    }

    fn admit(&mut self) -> Result<(), SimError> {
        if !self.powered {
            return Err(SimError::PowerLost);
        }
        match self.calls_left.checked_sub(1) {
            Some(left) => self.calls_left = left,
            None => return self.refuse(SimError::TooManyCalls),
        }
        Ok(())
    }

    fn refuse(&mut self, error: SimError) -> Result<(), SimError> {
        self.breach.get_or_insert(error);
        Err(error)
    }

    fn refuse_kind(&mut self, kind: NorFlashErrorKind, offset: u32) -> Result<(), SimError> {
        self.refuse(match kind {
            NorFlashErrorKind::NotAligned => SimError::NotAligned { offset },
            _ => SimError::OutOfBounds { offset },
        })
    }

    /// Counts one unit; gives the style and the seed if the power fails in it.
    fn unit(&mut self) -> Option<Tear> {
        self.counts.units += 1;
        let cut = self.cut.as_mut()?;
        cut.units_left -= 1;
        if cut.units_left > 0 {
            return None;
        }
        let Cut { tear, seed, .. } = *cut;
        self.random = Random::new(seed);
        self.cut = None;
        self.powered = false;
        Some(tear)
    }

    fn tear_word(&mut self, word: usize, intended: &[u8], tear: Tear) {
        let left = tear.word(intended, &mut self.random);
        self.leave(word, &left, intended);
    }

    /// Leaves a torn word behind.
    fn leave(&mut self, word: usize, left: &[u8], intended: &[u8]) {
        let range = word * WORD..(word + 1) * WORD;
        let unstable = self.leaves_unstable_words && left != intended;
        if unstable && self.other_reading.is_empty() {
            self.other_reading = self.bytes.clone();
        }
        self.bytes[range.clone()].copy_from_slice(left);
        if !self.other_reading.is_empty() {
            self.other_reading[range].copy_from_slice(if unstable { intended } else { left });
        }
        self.written[word] = unstable || !is_erased(left);
    }

    fn store_word(&mut self, word: usize, value: &[u8]) {
        let range = word * WORD..(word + 1) * WORD;
        self.bytes[range.clone()].copy_from_slice(value);
        if !self.other_reading.is_empty() {
            self.other_reading[range].copy_from_slice(value);
        }
        self.written[word] = true;
    }

    fn erase_page(&mut self, page: usize) -> Result<(), SimError> {
        self.counts.erases += 1;
        self.wear[page] = self.wear[page].saturating_add(1);
        let range = page * PAGE..(page + 1) * PAGE;
        let torn = self.unit();
        if torn.is_some() && self.erases_whole && self.random.below(2) == 0 {
            return Err(SimError::PowerLost);
        }
        if let Some(tear) = torn.filter(|_| !self.erases_whole) {
            let left = tear.page(&self.bytes[range], &mut self.random);
            let erased = [0xFF; WORD];
            for (at, word) in left.chunks_exact(WORD).enumerate() {
                self.leave(page * (PAGE / WORD) + at, word, &erased);
            }
            return Err(SimError::PowerLost);
        }
        self.bytes[range.clone()].fill(0xFF);
        if !self.other_reading.is_empty() {
            self.other_reading[range].fill(0xFF);
            if self.other_reading == self.bytes {
                self.other_reading = Vec::new();
            }
        }
        let words = PAGE / WORD;
        self.written[page * words..(page + 1) * words].fill(false);
        if torn.is_some() { Err(SimError::PowerLost) } else { Ok(()) }
    }

    /// One reading of an unstable word: either of its two faces or a mix. Never all ones: see the crate's own page.
    fn unstable_reading(&mut self, word: usize) -> [u8; WORD] {
        let range = word * WORD..(word + 1) * WORD;
        let (mut one, mut other) = ([0; WORD], [0; WORD]);
        one.copy_from_slice(&self.bytes[range.clone()]);
        other.copy_from_slice(&self.other_reading[range]);
        let reading = match self.random.below(4) {
            0 => one,
            1 => other,
            _ => core::array::from_fn(|at| {
                let mask = self.random.byte_with(2);
                (one[at] & mask) | (other[at] & !mask)
            }),
        };
        match (is_erased(&reading), is_erased(&one)) {
            (false, _) => reading,
            (true, false) => one,
            (true, true) => other,
        }
    }
}

fn is_erased(bytes: &[u8]) -> bool {
    bytes.iter().all(|&byte| byte == 0xFF)
}

impl<const WORD: usize, const PAGE: usize> ErrorType for SimFlash<WORD, PAGE> {
    type Error = SimError;
}

impl<const WORD: usize, const PAGE: usize> ReadNorFlash for SimFlash<WORD, PAGE> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), SimError> {
        self.admit()?;
        if let Err(kind) = check_read(self, offset, bytes.len()) {
            return self.refuse_kind(kind, offset);
        }
        self.counts.reads += 1;
        self.counts.bytes_read += bytes.len() as u64;
        let start = offset as usize;
        let end = start + bytes.len();
        bytes.copy_from_slice(&self.bytes[start..end]);
        if self.other_reading.is_empty() {
            return Ok(());
        }
        for word in start / WORD..end.div_ceil(WORD) {
            let range = word * WORD..(word + 1) * WORD;
            if self.bytes[range.clone()] == self.other_reading[range] {
                continue;
            }
            for (at, byte) in self.unstable_reading(word).into_iter().enumerate() {
                let at = word * WORD + at;
                if (start..end).contains(&at) {
                    bytes[at - start] = byte;
                }
            }
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl<const WORD: usize, const PAGE: usize> NorFlash for SimFlash<WORD, PAGE> {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), SimError> {
        self.admit()?;
        if let Err(kind) = check_erase(self, from, to) {
            return self.refuse_kind(kind, from);
        }
        for page in from as usize / PAGE..to as usize / PAGE {
            self.erase_page(page)?;
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), SimError> {
        self.admit()?;
        if let Err(kind) = check_write(self, offset, bytes.len()) {
            return self.refuse_kind(kind, offset);
        }
        let first = offset as usize / WORD;
        let words = bytes.len() / WORD;
        if let Some(at) = self.written[first..first + words].iter().position(|&written| written) {
            let offset = offset.saturating_add(u32::try_from(at * WORD).unwrap_or(u32::MAX));
            return self.refuse(SimError::WrittenTwice { offset });
        }
        for (at, value) in bytes.chunks_exact(WORD).enumerate() {
            self.counts.word_writes += 1;
            let Some(tear) = self.unit() else {
                self.store_word(first + at, value);
                continue;
            };
            if tear == Tear::WholeWrite {
                for (at, value) in bytes.chunks_exact(WORD).enumerate() {
                    self.tear_word(first + at, value, tear);
                }
            } else {
                self.tear_word(first + at, value, tear);
            }
            return Err(SimError::PowerLost);
        }
        Ok(())
    }
}

impl<const WORD: usize, const PAGE: usize> core::fmt::Debug for SimFlash<WORD, PAGE> {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("SimFlash")
            .field("word_bytes", &WORD)
            .field("page_bytes", &PAGE)
            .field("pages", &self.wear.len())
            .field("powered", &self.powered)
            .field("cut", &self.cut)
            .field("counts", &self.counts)
            .field("breach", &self.breach)
            .finish_non_exhaustive()
    }
}
