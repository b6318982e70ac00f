//! A small random generator, the same on every machine, so that every cut can be repeated from its seed.

/// The splitmix64 generator of Steele, Lea and Flood (2014).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Random(u64);

impl Random {
    /// A generator that always gives the same numbers for the same `seed`.
    #[must_use]
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// A number from 0 up to but not including `bound`; 0 where `bound` is 0.
    pub fn below(&mut self, bound: u64) -> u64 {
        // The bias of the remainder is far below what a test could see.
        self.bits().checked_rem(bound).unwrap_or(0)
    }

    /// A byte in which each bit is one with a chance of `quarters` in four.
    pub(crate) fn byte_with(&mut self, quarters: u64) -> u8 {
        let (first, second) = (self.bits().to_le_bytes()[0], self.bits().to_le_bytes()[0]);
        match quarters {
            0 => 0x00,
            1 => first & second,
            2 => first,
            3 => first | second,
            _ => 0xFF,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Random;

    #[test]
    fn gives_the_published_first_numbers() {
        // The reference implementation's output for the seed 1234567.
        let mut random = Random::new(1_234_567);
        let first: Vec<u64> = (0..3).map(|_| random.bits()).collect();
        assert_eq!(first, [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]);
    }

    #[test]
    fn bits_come_as_often_as_asked() {
        let mut random = Random::new(1);
        for quarters in 0..=4 {
            let ones: u32 = (0..4000).map(|_| random.byte_with(quarters).count_ones()).sum();
            let expected = 8000 * u32::try_from(quarters).unwrap_or(0);
            assert!(ones.abs_diff(expected) < 600, "{quarters} quarters: {ones} ones, expected about {expected}");
        }
    }
}
