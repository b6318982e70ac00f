//! BLAKE2s of one short message under a key, as in RFC 7693.
//!
//! Written out here because the messages of the store fit into one block: no buffering is needed, and nothing in it can
//! panic.

const IV: [u32; 8] =
    [0x6A09_E667, 0xBB67_AE85, 0x3C6E_F372, 0xA54F_F53A, 0x510E_527F, 0x9B05_688C, 0x1F83_D9AB, 0x5BE0_CD19];

/// Order of the message words in each round; RFC 7693, 2.7.
#[rustfmt::skip]
const SIGMA: [[u8; 16]; 10] = [
    [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15],
    [14, 10, 4, 8, 9, 15, 13, 6, 1, 12, 0, 2, 11, 7, 5, 3],
    [11, 8, 12, 0, 5, 2, 15, 13, 10, 14, 3, 6, 7, 1, 9, 4],
    [7, 9, 3, 1, 13, 12, 11, 14, 2, 6, 5, 10, 4, 0, 15, 8],
    [9, 0, 5, 7, 2, 4, 10, 15, 14, 1, 11, 12, 6, 8, 3, 13],
    [2, 12, 6, 10, 0, 11, 8, 3, 4, 13, 7, 5, 15, 14, 1, 9],
    [12, 5, 1, 15, 14, 13, 4, 10, 0, 7, 6, 3, 9, 2, 8, 11],
    [13, 11, 7, 14, 12, 1, 3, 9, 5, 0, 15, 4, 8, 6, 2, 10],
    [6, 15, 14, 9, 11, 3, 0, 8, 12, 2, 13, 7, 1, 4, 10, 5],
    [10, 2, 8, 4, 7, 6, 1, 5, 15, 11, 9, 14, 3, 12, 13, 0],
];

/// The first `length` of the bytes returned are the hash of that length; the rest means nothing. `key` has at most 32
/// bytes and may be empty, `message` at most 64; what is over is left out.
pub(super) fn blake2s(key: &[u8], message: &[u8], length: u8) -> [u8; 32] {
    let key_length = u32::try_from(key.len().min(32)).unwrap_or(0);
    let mut state = IV;
    let [first, ..] = &mut state;
    *first ^= 0x0101_0000 ^ (key_length << 8) ^ u32::from(length);
    let mut counted = 0_u32;
    if key_length > 0 {
        counted = 64;
        compress(&mut state, key, counted, false);
    }
    counted = counted.saturating_add(u32::try_from(message.len().min(64)).unwrap_or(0));
    compress(&mut state, message, counted, true);
    let mut hash = [0; 32];
    for (bytes, word) in hash.chunks_exact_mut(4).zip(state) {
        bytes.copy_from_slice(&word.to_le_bytes());
    }
    hash
}

fn compress(state: &mut [u32; 8], bytes: &[u8], counted: u32, last: bool) {
    let mut words = [0_u32; 16];
    for (word, four) in words.iter_mut().zip(bytes.chunks(4)) {
        *word = four.iter().rev().fold(0, |word, byte| (word << 8) | u32::from(*byte));
    }
    let [h0, h1, h2, h3, h4, h5, h6, h7] = *state;
    let [i0, i1, i2, i3, i4, i5, i6, i7] = IV;
    let mut a = [h0, h1, h2, h3];
    let mut b = [h4, h5, h6, h7];
    let mut c = [i0, i1, i2, i3];
    let mut d = [i4 ^ counted, i5, if last { !i6 } else { i6 }, i7];
    for order in &SIGMA {
        let (columns, diagonals) = order.split_at(8);
        mix(&mut a, &mut b, &mut c, &mut d, columns, &words);
        b.rotate_left(1);
        c.rotate_left(2);
        d.rotate_left(3);
        mix(&mut a, &mut b, &mut c, &mut d, diagonals, &words);
        b.rotate_right(1);
        c.rotate_right(2);
        d.rotate_right(3);
    }
    let upper = a.into_iter().chain(b);
    let lower = c.into_iter().chain(d);
    for (word, (upper, lower)) in state.iter_mut().zip(upper.zip(lower)) {
        *word ^= upper ^ lower;
    }
}

/// The mixing function G on four columns.
fn mix(a: &mut [u32; 4], b: &mut [u32; 4], c: &mut [u32; 4], d: &mut [u32; 4], order: &[u8], words: &[u32; 16]) {
    let word = |place: u8| words.get(usize::from(place)).copied().unwrap_or(0);
    let columns = a.iter_mut().zip(b).zip(c).zip(d);
    for ((((a, b), c), d), places) in columns.zip(order.chunks_exact(2)) {
        let &[x, y] = places else { continue };
        *a = a.wrapping_add(*b).wrapping_add(word(x));
        *d = (*d ^ *a).rotate_right(16);
        *c = c.wrapping_add(*d);
        *b = (*b ^ *c).rotate_right(12);
        *a = a.wrapping_add(*b).wrapping_add(word(y));
        *d = (*d ^ *a).rotate_right(8);
        *c = c.wrapping_add(*d);
        *b = (*b ^ *c).rotate_right(7);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn example_of_rfc_7693_appendix_b() {
        #[rustfmt::skip]
        let expected = [
            0x50, 0x8C, 0x5E, 0x8C, 0x32, 0x7C, 0x14, 0xE2, 0xE1, 0xA7, 0x2B, 0xA3, 0x4E, 0xEB, 0x45, 0x2F,
            0x37, 0x45, 0x8B, 0x20, 0x9E, 0xD6, 0x3A, 0x29, 0x4D, 0x99, 0x9B, 0x4C, 0x86, 0x67, 0x59, 0x82,
        ];
        assert_eq!(blake2s(&[], b"abc", 32), expected);
    }

    #[test]
    fn keyed_hashes_by_another_implementation() {
        let key: [u8; 32] = core::array::from_fn(|place| u8::try_from(place).unwrap());
        let message: [u8; 28] = core::array::from_fn(|place| u8::try_from(place).unwrap());
        assert_eq!(blake2s(&key[..16], &message, 8)[..8], KEYED_8);
        assert_eq!(blake2s(&key, &message[..1], 32), KEYED_32);
    }

    const KEYED_8: [u8; 8] = [0xB0, 0x1B, 0x28, 0xE6, 0xDE, 0x6D, 0xD5, 0x42];
    #[rustfmt::skip]
    const KEYED_32: [u8; 32] = [
        0x40, 0xD1, 0x5F, 0xEE, 0x7C, 0x32, 0x88, 0x30, 0x16, 0x6A, 0xC3, 0xF9, 0x18, 0x65, 0x0F, 0x80,
        0x7E, 0x7E, 0x01, 0xE1, 0x77, 0x25, 0x8C, 0xDC, 0x0A, 0x39, 0xB1, 0x1F, 0x59, 0x80, 0x66, 0xF1,
    ];
}
