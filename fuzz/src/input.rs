//! Choices made from bytes.

/// Bytes of the fuzzer, taken from the front. When they are used up, zeros follow.
#[derive(Debug)]
pub(crate) struct Input<'a>(&'a [u8]);

impl<'a> Input<'a> {
    pub(crate) const fn new(bytes: &'a [u8]) -> Self {
        Self(bytes)
    }

    pub(crate) const fn is_used_up(&self) -> bool {
        self.0.is_empty()
    }

    pub(crate) fn byte(&mut self) -> u8 {
        let Some((first, rest)) = self.0.split_first() else { return 0 };
        self.0 = rest;
        *first
    }

    pub(crate) fn number(&mut self) -> u16 {
        u16::from_le_bytes([self.byte(), self.byte()])
    }

    /// As many bytes as there are, up to `most`.
    pub(crate) fn bytes(&mut self, most: usize) -> &'a [u8] {
        let (taken, rest) = self.0.split_at(most.min(self.0.len()));
        self.0 = rest;
        taken
    }
}
