//! Reading a feed, one record at a time, through a small block buffer.

use core::fmt;

use monitor_core::acquire::{Channel, Quality, Readings};
use monitor_core::command::Command;
use monitor_core::profile::Profile;
use monitor_core::time::Instant;

use super::{MAGIC, MAX_ENCODED, VERSION, tag};

/// Where the bytes of a feed come from.
pub trait Source {
    /// What can go wrong.
    type Error;

    /// Fills the start of `block` and returns how many bytes it filled; 0 at the end.
    ///
    /// # Errors
    /// The bytes cannot be had.
    fn read(&mut self, block: &mut [u8]) -> Result<usize, Self::Error>;
}

/// One call of the façade.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Record {
    /// `begin` with this engine.
    Profile(Profile),
    /// `begin_trip`.
    Begin {
        /// Number of the trip; −1 is the commissioning run.
        trip: i16,
        /// Power-up.
        now: Instant,
    },
    /// `step`.
    Row {
        /// Stamp of the row.
        now: Instant,
        /// What the sensors said.
        readings: Readings,
    },
    /// `end_trip`.
    Finish,
    /// `handle`.
    Command {
        /// When it was asked.
        now: Instant,
        /// What was asked.
        command: Command,
    },
}

/// Why a feed cannot be read on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum FeedError<E> {
    /// The source failed.
    Source(E),
    /// The file does not begin like a feed.
    NotAFeed,
    /// The feed has another version than [`VERSION`].
    Version(u16),
    /// A record of a kind that this version does not know.
    UnknownRecord(u8),
    /// The feed ends in the middle of a record or without its end record.
    CutOff,
    /// A profile or request that cannot be decoded.
    Undecodable,
    /// The end record counts another number of rows than were read.
    RowCount {
        /// Rows by the end record.
        expected: u32,
        /// Rows read.
        found: u32,
    },
}

impl<E: fmt::Display> fmt::Display for FeedError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Source(error) => write!(f, "the feed cannot be read: {error}"),
            Self::NotAFeed => f.write_str("this is not a feed"),
            Self::Version(version) => write!(f, "the feed has version {version}, this program reads {VERSION}"),
            Self::UnknownRecord(tag) => write!(f, "the feed has a record of unknown kind {tag}"),
            Self::CutOff => f.write_str("the feed is cut off"),
            Self::Undecodable => f.write_str("the feed holds a profile or request that cannot be decoded"),
            Self::RowCount { expected, found } => write!(f, "the feed should hold {expected} rows and holds {found}"),
        }
    }
}

impl<E: fmt::Debug + fmt::Display> core::error::Error for FeedError<E> {}

/// Reads records from a [`Source`].
#[derive(Debug)]
pub struct FeedReader<'b, S> {
    source: S,
    block: &'b mut [u8],
    next: usize,
    filled: usize,
    rows: u32,
}

impl<'b, S: Source> FeedReader<'b, S> {
    /// Checks the head of the feed. `block` holds what is fetched from the source at a time.
    ///
    /// # Errors
    /// Not a feed, another version, or the source fails.
    pub fn new(source: S, block: &'b mut [u8]) -> Result<Self, FeedError<S::Error>> {
        let mut reader = Self { source, block, next: 0, filled: 0, rows: 0 };
        let magic: [u8; 6] = reader.array().map_err(|error| match error {
            FeedError::CutOff => FeedError::NotAFeed,
            other => other,
        })?;
        if magic != MAGIC {
            return Err(FeedError::NotAFeed);
        }
        match u16::from_le_bytes(reader.array()?) {
            VERSION => Ok(reader),
            other => Err(FeedError::Version(other)),
        }
    }

    /// The next record; `None` after the end record.
    ///
    /// # Errors
    /// The feed is damaged or the source fails.
    pub fn next_record(&mut self) -> Result<Option<Record>, FeedError<S::Error>> {
        let [kind] = self.array()?;
        Ok(Some(match kind {
            tag::PROFILE => Record::Profile(self.encoded()?),
            tag::BEGIN => Record::Begin { trip: i16::from_le_bytes(self.array()?), now: self.instant()? },
            tag::ROW => Record::Row { now: self.instant()?, readings: self.readings()? },
            tag::FINISH => Record::Finish,
            tag::COMMAND => Record::Command { now: self.instant()?, command: self.encoded()? },
            tag::END => {
                let expected = u32::from_le_bytes(self.array()?);
                if expected != self.rows {
                    return Err(FeedError::RowCount { expected, found: self.rows });
                }
                return Ok(None);
            }
            other => return Err(FeedError::UnknownRecord(other)),
        }))
    }

    fn readings(&mut self) -> Result<Readings, FeedError<S::Error>> {
        let mut readings = Readings::default();
        for channel in Channel::ALL {
            let raw = i32::from_le_bytes(self.array()?);
            let [quality] = self.array()?;
            readings.set_raw(channel, raw, Quality::from_code(quality));
        }
        self.rows = self.rows.saturating_add(1);
        Ok(readings)
    }

    fn instant(&mut self) -> Result<Instant, FeedError<S::Error>> {
        Ok(Instant::from_millis(i64::from_le_bytes(self.array()?)))
    }

    // Apart from its caller, because its buffer would stay on the stack of everything that is called there.
    #[inline(never)]
    fn encoded<T: for<'de> serde::Deserialize<'de>>(&mut self) -> Result<T, FeedError<S::Error>> {
        let [length] = self.array()?;
        let mut bytes = [0; MAX_ENCODED];
        let slot = bytes.get_mut(..usize::from(length)).ok_or(FeedError::Undecodable)?;
        for byte in slot.iter_mut() {
            *byte = self.byte()?;
        }
        match postcard::take_from_bytes(slot) {
            Ok((value, [])) => Ok(value),
            _ => Err(FeedError::Undecodable),
        }
    }

    fn array<const N: usize>(&mut self) -> Result<[u8; N], FeedError<S::Error>> {
        let mut array = [0; N];
        for byte in &mut array {
            *byte = self.byte()?;
        }
        Ok(array)
    }

    fn byte(&mut self) -> Result<u8, FeedError<S::Error>> {
        if self.next >= self.filled {
            self.filled = self.source.read(self.block).map_err(FeedError::Source)?;
            self.next = 0;
            if self.filled == 0 {
                return Err(FeedError::CutOff);
            }
        }
        // A source that claims more bytes than fit the block ends the feed instead of the program.
        let byte = self.block.get(self.next).copied().ok_or(FeedError::CutOff)?;
        self.next = self.next.wrapping_add(1);
        Ok(byte)
    }
}
