//! The chain: a tag in every entry of the journal that depends on the key of the board, on the entry, and on the tag of
//! the entry before it.
//!
//! A tag is BLAKE2s (RFC 7693) with the chain key and a result of 8 bytes over 28 bytes: the tag before, then bytes 0–19
//! of the entry with the lap left at 0, because an entry that is copied into the next lap stays the same entry. It shows
//! that somebody without the key has altered, removed or inserted entries. It proves nothing against whoever holds the
//! chip and its key, and it does not notice newest entries cut off: that is what the hand-over slip is for.

use core::fmt;

use super::blake2s::blake2s;
use super::bytes::put;
use super::journal_entry::{Entry, Tag};

/// The tag before the first one, and that of entries without a key.
pub(super) const NO_TAG: Tag = [0; 8];

/// A secret of 16 bytes. It is never shown.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Key([u8; 16]);

impl Key {
    /// From the bytes.
    #[must_use]
    pub const fn from_bytes(bytes: [u8; 16]) -> Self {
        Self(bytes)
    }

    /// The bytes, for whoever has to calculate with them.
    #[must_use]
    pub const fn as_bytes(&self) -> &[u8; 16] {
        &self.0
    }

    /// The tag of `entry` behind an entry with the tag `before`.
    pub(super) fn tag(&self, before: Tag, entry: &Entry) -> Tag {
        let bytes = entry.encode_for_tag();
        let mut message = [0; 28];
        put(&mut message, 0, 8, u64::from_le_bytes(before));
        for (to, from) in message.iter_mut().skip(8).zip(bytes.iter().take(20)) {
            *to = *from;
        }
        blake2s(&self.0, &message, 8).first_chunk::<8>().copied().unwrap_or(NO_TAG)
    }
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Key(hidden)")
    }
}

#[cfg(feature = "defmt")]
impl defmt::Format for Key {
    fn format(&self, f: defmt::Formatter<'_>) {
        defmt::write!(f, "Key(hidden)");
    }
}

/// What a look along the chain found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Verdict {
    /// No entry carries a tag, or there is no key: nothing can be said.
    Unkeyed,
    /// Every entry follows from the one before it. Entries older than the key carry no tag and are not covered.
    Sound,
    /// An entry does not follow from the one before it: it or the one before was altered, lost or put in.
    Broken {
        /// Sequence of the newest such entry.
        seq: u32,
    },
}

/// The newest tag: what a hand-over slip shows of the chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ChainHead(pub(super) Tag);

impl ChainHead {
    /// Digits and letters that are hard to take for each other (Crockford's base 32).
    const ALPHABET: [u8; 32] = *b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";

    /// The first 40 bits of the tag as eight characters of Crockford's base 32, all of them ASCII.
    #[must_use]
    pub fn characters(&self) -> [u8; 8] {
        let [a, b, c, d, e, ..] = self.0;
        let bits = u64::from_be_bytes([0, 0, 0, a, b, c, d, e]);
        core::array::from_fn(|place| {
            let shift = 35_usize.saturating_sub(place.saturating_mul(5));
            let digit = usize::try_from((bits >> shift) & 0x1F).unwrap_or(0);
            Self::ALPHABET.get(digit).copied().unwrap_or(b'0')
        })
    }
}

impl fmt::Display for ChainHead {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.characters().iter().try_for_each(|character| write!(f, "{}", char::from(*character)))
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::ledger::store::journal_entry::Content;
    use std::format;

    #[test]
    fn a_key_is_never_shown() {
        assert_eq!(format!("{:?}", Key::from_bytes([0x41; 16])), "Key(hidden)");
    }

    #[test]
    fn characters_of_the_head() {
        let cases = [
            ("zero", [0; 8], "00000000"),
            ("all ones", [0xFF; 8], "ZZZZZZZZ"),
            ("one by one", [0x00, 0x44, 0x32, 0x14, 0xC7, 0xEE, 0xEE, 0xEE], "01234567"),
        ];
        for (name, tag, expected) in cases {
            assert_eq!(format!("{}", ChainHead(tag)), expected, "{name}");
        }
    }

    #[test]
    fn a_tag_depends_on_everything_but_the_lap() {
        let key = Key::from_bytes([7; 16]);
        let content = Content::Seal { running_s: 3_600, starts: 2 };
        let entry = Entry { seq: 5, boot: 1, running_s: 3_600, content, tag: NO_TAG, lap: 0 };
        let tag = key.tag(NO_TAG, &entry);
        assert_eq!(key.tag(NO_TAG, &Entry { lap: 9, tag: [1; 8], ..entry }), tag, "lap and own tag");
        let others = [
            ("key", Key::from_bytes([8; 16]).tag(NO_TAG, &entry)),
            ("tag before", key.tag([0, 0, 0, 0, 0, 0, 0, 1], &entry)),
            ("sequence", key.tag(NO_TAG, &Entry { seq: 6, ..entry })),
            ("boot", key.tag(NO_TAG, &Entry { boot: 2, ..entry })),
            ("hours", key.tag(NO_TAG, &Entry { running_s: 3_601, ..entry })),
            ("content", key.tag(NO_TAG, &Entry { content: Content::Mark, ..entry })),
        ];
        for (name, other) in others {
            assert_ne!(other, tag, "{name}");
        }
    }
}
