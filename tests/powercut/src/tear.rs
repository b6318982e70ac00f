//! What a write or an erase leaves behind when the power fails in the middle of it.

use crate::random::Random;

/// How the operation in flight ends when the power fails.
///
/// Each style draws its extent from the seed of the cut, from "nothing happened yet" to "all done, but nobody was
/// told".
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tear {
    /// Write: the first bytes of the word are done. Erase: one end of the page is erased, the rest is as it was.
    Prefix,
    /// Write: some of the bits to clear are cleared. Erase: some of the bits to set are set.
    RandomBits,
    /// Write: the word holds anything. Erase: the page holds anything.
    Undefined,
    /// Write: every word of the write call holds anything, those before and after the cut too, as the contract of
    /// `embedded-storage` allows and as chips with a page buffer do. Erase: as [`Tear::Undefined`].
    WholeWrite,
}

impl Tear {
    /// All styles.
    pub const ALL: [Self; 4] = [Self::Prefix, Self::RandomBits, Self::Undefined, Self::WholeWrite];

    /// What is left of writing `intended` into an erased word.
    pub(crate) fn word(self, intended: &[u8], random: &mut Random) -> Vec<u8> {
        match self {
            Self::Prefix => {
                let done = extent(intended.len(), random);
                intended.iter().enumerate().map(|(at, &byte)| if at < done { byte } else { 0xFF }).collect()
            }
            Self::RandomBits => {
                let quarters = random.below(5);
                intended.iter().map(|&byte| byte | !random.byte_with(quarters)).collect()
            }
            Self::Undefined | Self::WholeWrite => intended.iter().map(|_| random.byte_with(2)).collect(),
        }
    }

    /// What is left of erasing a page that held `before`.
    pub(crate) fn page(self, before: &[u8], random: &mut Random) -> Vec<u8> {
        match self {
            Self::Prefix => {
                let done = extent(before.len(), random);
                let from_the_end = random.below(2) == 1;
                let erased = |at: usize| if from_the_end { at >= before.len() - done } else { at < done };
                before.iter().enumerate().map(|(at, &byte)| if erased(at) { 0xFF } else { byte }).collect()
            }
            Self::RandomBits => {
                let quarters = random.below(5);
                before.iter().map(|&byte| byte | random.byte_with(quarters)).collect()
            }
            Self::Undefined | Self::WholeWrite => before.iter().map(|_| random.byte_with(2)).collect(),
        }
    }
}

/// A length from 0 to `whole`, both included.
fn extent(whole: usize, random: &mut Random) -> usize {
    let choices = u64::try_from(whole).unwrap_or(u64::MAX).saturating_add(1);
    usize::try_from(random.below(choices)).unwrap_or(whole)
}
