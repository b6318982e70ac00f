//! Little-endian numbers in fixed places of a record.

/// Puts the `length` low bytes of `value` at `at`; what does not fit into `record` is left out.
pub(super) fn put(record: &mut [u8], at: usize, length: usize, mut value: u64) {
    for byte in record.iter_mut().skip(at).take(length.min(8)) {
        let [low, ..] = value.to_le_bytes();
        *byte = low;
        value >>= 8;
    }
}

/// The number of `length` bytes at `at`.
pub(super) fn number(record: &[u8], at: usize, length: usize) -> u64 {
    record.iter().skip(at).take(length.min(8)).rev().fold(0, |value, byte| (value << 8) | u64::from(*byte))
}

/// The number of four bytes, or fewer, at `at`.
pub(super) fn number32(record: &[u8], at: usize, length: usize) -> u32 {
    record.iter().skip(at).take(length.min(4)).rev().fold(0, |value, byte| (value << 8) | u32::from(*byte))
}

/// The number of two bytes at `at`.
pub(super) fn number16(record: &[u8], at: usize) -> u16 {
    u16::try_from(number(record, at, 2)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_come_back_as_they_were_put() {
        let cases = [
            ("byte", 1, 0xA5, 0xA5),
            ("three bytes", 3, 0x01_0203, 0x01_0203),
            ("six bytes", 6, 0xFFFF_FFFF_FFFF, 0xFFFF_FFFF_FFFF),
            ("eight bytes", 8, u64::MAX, u64::MAX),
            ("high bytes left out", 2, 0x1_0002, 2),
        ];
        for (name, length, value, expected) in cases {
            let mut record = [0xEE; 16];
            put(&mut record, 4, length, value);
            assert_eq!(number(&record, 4, length), expected, "{name}");
            assert_eq!(record[3], 0xEE, "{name}: the byte before");
            assert_eq!(record[4 + length], 0xEE, "{name}: the byte after");
        }
    }

    #[test]
    fn a_record_that_is_too_short_is_no_panic() {
        let mut record = [0; 4];
        put(&mut record, 2, 8, u64::MAX);
        assert_eq!(record, [0, 0, 0xFF, 0xFF]);
        assert_eq!(number(&record, 3, 8), 0xFF);
        assert_eq!(number(&record, 9, 4), 0);
    }
}
