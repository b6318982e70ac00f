//! Numbers without a pattern, the same ones every time.

/// A linear congruential generator; only its upper half is used, which has no short cycles.
#[derive(Debug, Clone, Copy)]
pub(super) struct Dice(u32);

impl Dice {
    pub(super) const fn new(seed: u32) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u32 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        self.0 >> 16
    }

    /// From 0 up to, but not including, `bound`; exact enough for bounds far under 65,536.
    pub(super) fn below(&mut self, bound: u16) -> u32 {
        (self.next() * u32::from(bound)) >> 16
    }

    /// From `−most` to `most`.
    pub(super) fn within(&mut self, most: u16) -> i32 {
        let most_signed = i32::from(most);
        i32::try_from(self.below(most.saturating_mul(2).saturating_add(1))).unwrap_or(most_signed) - most_signed
    }

    /// `length`, shorter or longer by up to a thirty-second of it; for lengths under a second in microseconds.
    pub(super) fn jitter(&mut self, length_us: u32) -> u32 {
        length_us - length_us / 32 + (((length_us / 16) * self.next()) >> 16)
    }
}
