//! Opens a trace: plain, gzip or zstd, told by its content, read as a stream.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Chain, Cursor, Read};
use std::path::Path;

use flate2::bufread::MultiGzDecoder;
use ruzstd::decoding::errors::{FrameDecoderError, ReadFrameHeaderError};
use ruzstd::decoding::{BlockDecodingStrategy, FrameDecoder};

use crate::problem::{Exit, Problem};

/// Bytes that are looked at to tell what a file is.
const SNIFFED: usize = 8;
/// Read from the disk at once.
const DISK_BUFFER: usize = 64 * 1024;

const GZIP: &[u8] = &[0x1f, 0x8b];
const ZSTD: &[u8] = &[0x28, 0xb5, 0x2f, 0xfd];
const PARQUET: &[u8] = b"PAR1";
/// The last three bytes of the mark of a zstd frame that holds no data; its first byte is 0x50 to 0x5f.
const ZSTD_SKIPPABLE: &[u8] = &[0x2a, 0x4d, 0x18];

/// Starts of files that are no trace, with what they are and what to do about it.
const OTHERS: [(&[u8], &str, &str); 6] = [
    (b"PK\x03\x04", "a zip archive or a spreadsheet", "Unpack it, or save the sheet as CSV"),
    (b"\xfd7zXZ", "compressed with xz", "Unpack it, or compress it with gzip or zstd"),
    (b"BZh", "compressed with bzip2", "Unpack it, or compress it with gzip or zstd"),
    (b"SQLite", "a database", "Export the table as CSV"),
    (b"\xff\xfe", "UTF-16 text", "Save it as UTF-8"),
    (b"\xfe\xff", "UTF-16 text", "Save it as UTF-8"),
];

type Sniffed = BufReader<Chain<Cursor<Vec<u8>>, File>>;

/// Opens the file as a stream of text.
///
/// # Errors
/// A file that cannot be opened or that is plainly something else: exit code 3.
pub(super) fn open(path: &Path) -> Result<Box<dyn Read + Send>, Problem> {
    let refuse = |cause: String, remedy: &str| Problem::new(Exit::Unreadable, cause, remedy).in_file(path);
    let unreadable = |error: io::Error| {
        let remedy = match error.kind() {
            io::ErrorKind::NotFound if path == Path::new("-") => "To read a pipe, give /dev/stdin",
            io::ErrorKind::NotFound => "Check the path",
            _ => "Check the path and who may read it",
        };
        refuse(format!("The trace cannot be read: {error}"), remedy)
    };
    let mut file = File::open(path).map_err(unreadable)?;
    if file.metadata().map_err(unreadable)?.is_dir() {
        return Err(refuse("This is a directory, not a trace".to_owned(), "Name the trace files in it"));
    }
    let mut head = Vec::with_capacity(SNIFFED);
    file.by_ref().take(SNIFFED as u64).read_to_end(&mut head).map_err(unreadable)?;
    if let Some((_, what, remedy)) = OTHERS.iter().find(|(mark, _, _)| head.starts_with(mark)) {
        return Err(refuse(format!("This is no trace but {what}"), remedy));
    }
    if head.starts_with(PARQUET) {
        return parquet(path, file);
    }
    let is_zstd = head.starts_with(ZSTD)
        || (head.get(1..4) == Some(ZSTD_SKIPPABLE) && head.first().is_some_and(|byte| byte & 0xf0 == 0x50));
    let is_gzip = head.starts_with(GZIP);
    let source = BufReader::with_capacity(DISK_BUFFER, Cursor::new(head).chain(file));
    Ok(if is_gzip {
        Box::new(MultiGzDecoder::new(source))
    } else if is_zstd {
        Box::new(ZstdFrames { source, decoder: FrameDecoder::new(), in_frame: false })
    } else {
        Box::new(source)
    })
}

/// The text of a Parquet table. It is read from its end, so a pipe will not do.
#[cfg(feature = "parquet")]
fn parquet(path: &Path, file: File) -> Result<Box<dyn Read + Send>, Problem> {
    let refuse = |cause: String, remedy: &str| Err(Problem::new(Exit::Unreadable, cause, remedy).in_file(path));
    if !path.is_file() {
        return refuse("A Parquet trace cannot be read from a pipe".to_owned(), "Write it to a file first");
    }
    match crate::parquet_file::ParquetText::open(file) {
        Ok(text) => Ok(Box::new(text)),
        Err(error) => {
            refuse(format!("The Parquet file cannot be read: {error}"), "Write it again, or export it as CSV")
        }
    }
}

/// Says that Parquet was left out.
#[cfg(not(feature = "parquet"))]
fn parquet(path: &Path, _file: File) -> Result<Box<dyn Read + Send>, Problem> {
    let cause = "This is a Parquet file, and this lookastern was built without Parquet";
    let remedy = "Build it with `--features parquet`, or export the table as CSV";
    Err(Problem::new(Exit::Unreadable, cause, remedy).in_file(path))
}

/// Reads zstd frames one after the other; the decoder itself knows only one.
struct ZstdFrames {
    source: Sniffed,
    decoder: FrameDecoder,
    in_frame: bool,
}

impl ZstdFrames {
    /// Starts the next frame that holds data; false at the end of the file.
    fn start_frame(&mut self) -> io::Result<bool> {
        while !self.source.fill_buf()?.is_empty() {
            match self.decoder.reset(&mut self.source) {
                Ok(()) => {
                    self.in_frame = true;
                    return Ok(true);
                }
                Err(FrameDecoderError::ReadFrameHeaderError(ReadFrameHeaderError::SkipFrame { length, .. })) => {
                    let mut skipped = self.source.by_ref().take(u64::from(length));
                    if io::copy(&mut skipped, &mut io::sink())? < u64::from(length) {
                        return Err(io::ErrorKind::UnexpectedEof.into());
                    }
                }
                Err(error) => return Err(self.failure(error)),
            }
        }
        Ok(false)
    }

    fn finish_frame(&mut self) -> io::Result<()> {
        self.in_frame = false;
        let stored = self.decoder.get_checksum_from_data();
        if stored.is_some() && stored != self.decoder.get_calculated_checksum() {
            return Err(io::Error::new(io::ErrorKind::InvalidData, "its checksum does not fit"));
        }
        Ok(())
    }

    /// The decoder says in many ways that the file ended too early: the file itself says it better.
    fn failure(&mut self, error: FrameDecoderError) -> io::Error {
        match self.source.fill_buf() {
            Ok([]) => io::Error::new(io::ErrorKind::UnexpectedEof, error),
            Ok(_) => io::Error::new(io::ErrorKind::InvalidData, error),
            Err(error) => error,
        }
    }
}

impl Read for ZstdFrames {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            if !self.in_frame && !self.start_frame()? {
                return Ok(0);
            }
            if self.decoder.can_collect() > 0 {
                return self.decoder.read(buffer);
            }
            if self.decoder.is_finished() {
                self.finish_frame()?;
            } else if let Err(error) =
                self.decoder.decode_blocks(&mut self.source, BlockDecodingStrategy::UptoBlocks(1))
            {
                return Err(self.failure(error));
            }
        }
    }
}
