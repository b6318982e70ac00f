//! Events on their way out, through a small block buffer.

use core::fmt;

/// Where the bytes of the events go.
pub trait Sink {
    /// What can go wrong.
    type Error;

    /// Takes all of `bytes`.
    ///
    /// # Errors
    /// Not all bytes could be put away.
    fn write(&mut self, bytes: &[u8]) -> Result<(), Self::Error>;
}

#[cfg(any(test, feature = "std"))]
impl<W: std::io::Write> Sink for W {
    type Error = std::io::Error;

    fn write(&mut self, bytes: &[u8]) -> Result<(), std::io::Error> {
        self.write_all(bytes)
    }
}

/// Gathers text into blocks for a [`Sink`].
///
/// [`fmt::Write`] knows only one error without a reason; the sink's own is kept for [`Output::flush`].
#[derive(Debug)]
pub struct Output<'b, K: Sink> {
    sink: K,
    block: &'b mut [u8],
    filled: usize,
    failure: Option<K::Error>,
}

impl<'b, K: Sink> Output<'b, K> {
    /// Nothing written yet. `block` holds what is handed to the sink at a time; without any room nothing is.
    pub const fn new(sink: K, block: &'b mut [u8]) -> Self {
        Self { sink, block, filled: 0, failure: None }
    }

    /// Hands on what is still in the buffer.
    ///
    /// # Errors
    /// The sink fails now, or failed before.
    pub fn flush(&mut self) -> Result<(), K::Error> {
        self.hand_on();
        self.failure.take().map_or(Ok(()), Err)
    }

    fn hand_on(&mut self) {
        if self.failure.is_none()
            && let Some(bytes) = self.block.get(..self.filled)
            && !bytes.is_empty()
        {
            self.failure = self.sink.write(bytes).err();
        }
        self.filled = 0;
    }
}

impl<K: Sink> fmt::Write for Output<'_, K> {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        for byte in text.bytes() {
            if self.filled >= self.block.len() {
                self.hand_on();
            }
            if let Some(free) = self.block.get_mut(self.filled) {
                *free = byte;
                self.filled = self.filled.wrapping_add(1);
            }
        }
        if self.failure.is_none() { Ok(()) } else { Err(fmt::Error) }
    }
}
