//! Writing a feed, on a host.

use std::fmt;
use std::io::{self, Read, Write};

use monitor_core::acquire::{Channel, Readings};
use monitor_core::command::Command;
use monitor_core::profile::Profile;
use monitor_core::time::Instant;

use super::{MAGIC, MAX_ENCODED, ROW_BYTES, Source, VERSION, tag};

/// Why a feed cannot be written.
#[derive(Debug)]
#[non_exhaustive]
pub enum EncodeError {
    /// The output failed.
    Io(io::Error),
    /// A profile or request takes more than [`MAX_ENCODED`] bytes.
    TooLong,
    /// More rows than the end record can count.
    TooManyRows,
    /// There is no such row, channel or bit.
    NoSuchBit,
}

impl fmt::Display for EncodeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(error) => write!(f, "the feed cannot be written: {error}"),
            Self::TooLong => write!(f, "a profile or request takes more than {MAX_ENCODED} bytes"),
            Self::TooManyRows => write!(f, "a feed holds {} rows at most; use fewer traces", u32::MAX),
            Self::NoSuchBit => f.write_str("the feed has no such row, channel or bit"),
        }
    }
}

impl std::error::Error for EncodeError {}

impl From<io::Error> for EncodeError {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

/// Writes the calls made of a monitor, in the order in which they were made.
#[derive(Debug)]
pub struct FeedWriter<W> {
    out: W,
    rows: u32,
}

impl<W: Write> FeedWriter<W> {
    /// Begins a feed with the engine it is about.
    ///
    /// # Errors
    /// The output fails, or the profile is longer than [`MAX_ENCODED`].
    pub fn new(mut out: W, profile: &Profile) -> Result<Self, EncodeError> {
        out.write_all(&MAGIC)?;
        out.write_all(&VERSION.to_le_bytes())?;
        let mut writer = Self { out, rows: 0 };
        writer.out.write_all(&[tag::PROFILE])?;
        writer.encoded(profile)?;
        Ok(writer)
    }

    /// Notes a `begin_trip`.
    ///
    /// # Errors
    /// The output fails.
    pub fn begin_trip(&mut self, now: Instant, trip: i16) -> Result<(), EncodeError> {
        self.out.write_all(&[tag::BEGIN])?;
        self.out.write_all(&trip.to_le_bytes())?;
        self.instant(now)
    }

    /// Notes a `step`. The age of the readings is not kept: a trace has none.
    ///
    /// # Errors
    /// The output fails, or there are more than [`u32::MAX`] rows.
    pub fn row(&mut self, now: Instant, readings: &Readings) -> Result<(), EncodeError> {
        self.rows = self.rows.checked_add(1).ok_or(EncodeError::TooManyRows)?;
        self.out.write_all(&[tag::ROW])?;
        self.instant(now)?;
        for channel in Channel::ALL {
            let reading = readings.raw(channel);
            self.out.write_all(&reading.raw.to_le_bytes())?;
            self.out.write_all(&[reading.quality as u8])?;
        }
        Ok(())
    }

    /// Notes an `end_trip`.
    ///
    /// # Errors
    /// The output fails.
    pub fn end_trip(&mut self) -> Result<(), EncodeError> {
        Ok(self.out.write_all(&[tag::FINISH])?)
    }

    /// Notes a `handle`.
    ///
    /// # Errors
    /// The output fails.
    pub fn command(&mut self, now: Instant, command: Command) -> Result<(), EncodeError> {
        self.out.write_all(&[tag::COMMAND])?;
        self.instant(now)?;
        self.encoded(&command)
    }

    /// Ends the feed and hands the output back, flushed.
    ///
    /// # Errors
    /// The output fails.
    pub fn finish(mut self) -> Result<W, EncodeError> {
        self.out.write_all(&[tag::END])?;
        self.out.write_all(&self.rows.to_le_bytes())?;
        self.out.flush()?;
        Ok(self.out)
    }

    fn instant(&mut self, now: Instant) -> Result<(), EncodeError> {
        Ok(self.out.write_all(&now.as_millis().to_le_bytes())?)
    }

    fn encoded<T: serde::Serialize>(&mut self, value: &T) -> Result<(), EncodeError> {
        let mut space = [0; MAX_ENCODED];
        let bytes = postcard::to_slice(value, &mut space).map_err(|_| EncodeError::TooLong)?;
        let length = u8::try_from(bytes.len()).map_err(|_| EncodeError::TooLong)?;
        self.out.write_all(&[length])?;
        Ok(self.out.write_all(bytes)?)
    }
}

/// Feeds from anything that can be read.
#[derive(Debug)]
pub struct IoSource<R>(pub R);

impl<R: Read> Source for IoSource<R> {
    type Error = io::Error;

    fn read(&mut self, block: &mut [u8]) -> Result<usize, io::Error> {
        self.0.read(block)
    }
}

/// Turns over one bit of one reading: `row` counts the row records of the feed from 0, `bit` is 0 to 31.
///
/// # Errors
/// [`EncodeError::NoSuchBit`] where the feed has no such row or the channel no such bit; the feed is unchanged then.
pub fn flip_bit(feed: &mut [u8], row: u32, channel: Channel, bit: u8) -> Result<(), EncodeError> {
    let at = row_offset(feed, row).ok_or(EncodeError::NoSuchBit)?;
    let byte = at + 1 + 8 + channel.index() * 5 + usize::from(bit / 8);
    match feed.get_mut(byte) {
        Some(byte) if bit < 32 => {
            *byte ^= 1 << (bit % 8);
            Ok(())
        }
        _ => Err(EncodeError::NoSuchBit),
    }
}

/// Where in `feed` the record of that row begins.
fn row_offset(feed: &[u8], row: u32) -> Option<usize> {
    let mut at = MAGIC.len() + 2;
    let mut rows_passed = 0;
    loop {
        let encoded_at = |offset: usize| feed.get(at + offset).map(|length| offset + 1 + usize::from(*length));
        at += match *feed.get(at)? {
            tag::ROW if rows_passed == row => return Some(at),
            tag::ROW => {
                rows_passed += 1;
                ROW_BYTES
            }
            tag::PROFILE => encoded_at(1)?,
            tag::COMMAND => encoded_at(9)?,
            tag::BEGIN => 11,
            tag::FINISH => 1,
            _ => return None,
        };
    }
}
