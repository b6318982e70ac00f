//! A number that stands for a long row of others.

/// FNV-1a of 32 bits over whole words: enough to notice a difference, no protection against intent.
#[derive(Debug, Clone, Copy)]
pub(super) struct Hash(u32);

impl Hash {
    pub(super) const fn new() -> Self {
        Self(0x811c_9dc5)
    }

    pub(super) const fn add(&mut self, word: u32) {
        self.0 = (self.0 ^ word).wrapping_mul(0x0100_0193);
    }

    pub(super) const fn value(self) -> u32 {
        self.0
    }
}
