//! CRC-32/ISO-HDLC of the published catalogue of CRC algorithms: the check of every record in the store.

/// A checksum under way.
#[derive(Debug, Clone, Copy)]
pub(super) struct Crc32(u32);

impl Crc32 {
    /// The reflected polynomial, four bits at a time: 64 bytes of table instead of 1 KiB.
    const TABLE: [u32; 16] = [
        0x0000_0000,
        0x1DB7_1064,
        0x3B6E_20C8,
        0x26D9_30AC,
        0x76DC_4190,
        0x6B6B_51F4,
        0x4DB2_6158,
        0x5005_713C,
        0xEDB8_8320,
        0xF00F_9344,
        0xD6D6_A3E8,
        0xCB61_B38C,
        0x9B64_C2B0,
        0x86D3_D2D4,
        0xA00A_E278,
        0xBDBD_F21C,
    ];

    pub(super) const fn new() -> Self {
        Self(u32::MAX)
    }

    pub(super) fn with(mut self, bytes: &[u8]) -> Self {
        for &byte in bytes {
            self.0 = Self::nibble(self.0 ^ u32::from(byte));
            self.0 = Self::nibble(self.0);
        }
        self
    }

    fn nibble(crc: u32) -> u32 {
        let row = usize::from(u8::try_from(crc & 0xF).unwrap_or(0));
        (crc >> 4) ^ Self::TABLE.get(row).copied().unwrap_or(0)
    }

    pub(super) const fn finish(self) -> u32 {
        !self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn catalogue_check_value_of_crc_32_iso_hdlc() {
        assert_eq!(Crc32::new().with(b"123456789").finish(), 0xCBF4_3926);
    }

    #[test]
    fn pieces_give_the_same_as_the_whole() {
        assert_eq!(Crc32::new().with(b"1234").with(b"").with(b"56789").finish(), 0xCBF4_3926);
    }

    #[test]
    fn table_follows_from_the_reflected_polynomial() {
        for (row, &entry) in Crc32::TABLE.iter().enumerate() {
            let mut crc = u32::try_from(row).unwrap();
            for _ in 0..4 {
                crc = if crc & 1 == 1 { (crc >> 1) ^ 0xEDB8_8320 } else { crc >> 1 };
            }
            assert_eq!(entry, crc, "row {row}");
        }
    }
}
