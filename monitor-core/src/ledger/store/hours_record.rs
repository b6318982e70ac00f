//! Bytes of the hours area: one header for each sector, then records.
//!
//! ```text
//! header, 80 bytes                         record, 16 bytes
//!  0  1  0x68                               0  1  0x48
//!  1  1  version, 1                         1  1  bits 0–2 band, 3 next sector is erased, 4–6 other counter
//!  2  2  boot, low 16 bits                  2  2  starts since the header
//!  4  4  number of the sector, rising       4  3  milliseconds in the band since the header
//!  8  4  starts                             7  3  other counter since the header
//! 12  4  holes                             10  1  ordinal
//! 16 42  milliseconds in each band, 6 each 11  1  zero
//! 58 18  milliseconds of abuse, 6 each     12  4  CRC-32 of the sector's number and bytes 0–11
//! 76  4  CRC-32 of bytes 0–75
//! ```
//!
//! A record tells the sum since the header, not what was added since the record before it: one that is lost takes
//! nothing with it but its own last seconds, and one that is there twice adds nothing.

use crate::ledger::hours::{Hours, Totals};

use super::bytes::{number16, number32, put};
use super::crc::Crc32;

/// Bytes of a sector's header.
pub(super) const HEADER_BYTES: usize = 80;
/// Bytes of a record.
pub(super) const RECORD_BYTES: usize = 16;

const HEADER_KIND: u8 = 0x68;
const RECORD_KIND: u8 = 0x48;
const VERSION: u8 = 1;
/// What a counter of three bytes can hold; 4.6 hours in milliseconds.
const THREE_BYTES: u32 = 0xFF_FFFF;
const SIX_BYTES: u64 = 0xFFFF_FFFF_FFFF;

/// What was counted since the header of a sector was written: what records carry. Smaller than totals, because a record
/// has no more than three bytes for a counter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Since {
    running_ms: [u32; Hours::BANDS],
    abuse_ms: [u32; 3],
    holes: u32,
    starts: u16,
}

impl Since {
    pub(super) const NONE: Self = Self { running_ms: [0; Hours::BANDS], abuse_ms: [0; 3], holes: 0, starts: 0 };

    /// From totals, as far as there is room.
    pub(super) fn of(totals: &Totals) -> Self {
        let narrow = |ms: u64| u32::try_from(ms).unwrap_or(u32::MAX);
        Self {
            running_ms: totals.running_ms.map(narrow),
            abuse_ms: totals.abuse_ms.map(narrow),
            holes: totals.holes,
            starts: u16::try_from(totals.starts).unwrap_or(u16::MAX),
        }
    }

    /// Adds them to totals, in place.
    pub(super) fn add_to(&self, totals: &mut Totals) {
        self.combine_with(totals, u64::saturating_add, u32::saturating_add);
    }

    /// Takes them from totals, in place; 0 stays where they are more.
    pub(super) fn take_from(&self, totals: &mut Totals) {
        self.combine_with(totals, u64::saturating_sub, u32::saturating_sub);
    }

    fn combine_with(&self, totals: &mut Totals, wide: fn(u64, u64) -> u64, narrow: fn(u32, u32) -> u32) {
        let counters = totals.running_ms.iter_mut().chain(totals.abuse_ms.iter_mut());
        for (counter, more) in counters.zip(self.running_ms.iter().chain(&self.abuse_ms)) {
            *counter = wide(*counter, u64::from(*more));
        }
        totals.holes = narrow(totals.holes, self.holes);
        totals.starts = narrow(totals.starts, u32::from(self.starts));
    }

    /// Raises each counter to that of `floor`, where it is lower.
    pub(super) fn raise_to(&mut self, floor: &Self) {
        let counters = self.running_ms.iter_mut().chain(self.abuse_ms.iter_mut());
        for (counter, floor) in counters.zip(floor.running_ms.iter().chain(&floor.abuse_ms)) {
            *counter = (*counter).max(*floor);
        }
        self.holes = self.holes.max(floor.holes);
        self.starts = self.starts.max(floor.starts);
    }
}

/// The totals at the moment a sector was begun, as its header holds them: smaller than totals to calculate with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Base([u8; BASE_BYTES]);

const BASE_BYTES: usize = 68;
/// Where they stand in a header.
const BASE_AT: usize = 8;
const CHECK_AT: usize = 76;

const _: () = assert!(BASE_AT + BASE_BYTES == CHECK_AT);

impl Base {
    pub(super) const NONE: Self = Self([0; BASE_BYTES]);

    /// Adds them to totals, in place.
    pub(super) fn add_to(&self, totals: &mut Totals) {
        self.combine_with(totals, u64::saturating_add, u32::saturating_add);
    }

    /// Takes them from totals, in place; 0 stays where they are more.
    pub(super) fn take_from(&self, totals: &mut Totals) {
        self.combine_with(totals, u64::saturating_sub, u32::saturating_sub);
    }

    fn combine_with(&self, totals: &mut Totals, wide: fn(u64, u64) -> u64, narrow: fn(u32, u32) -> u32) {
        let (numbers, _) = self.0.as_chunks::<2>();
        let [starts, starts_high, holes, holes_high, counted @ ..] = numbers else { return };
        totals.starts = narrow(totals.starts, word(*starts, *starts_high));
        totals.holes = narrow(totals.holes, word(*holes, *holes_high));
        let counters = totals.running_ms.iter_mut().chain(totals.abuse_ms.iter_mut());
        for (counter, number) in counters.zip(counted.chunks_exact(3)) {
            let [low, middle, high] = number else { continue };
            let more = u64::from(word(*low, *middle)) | (u64::from(u16::from_le_bytes(*high)) << 32);
            *counter = wide(*counter, more);
        }
    }

    pub(super) fn of(totals: &Totals) -> Self {
        let mut bytes = [0; BASE_BYTES];
        put(&mut bytes, 0, 4, u64::from(totals.starts));
        put(&mut bytes, 4, 4, u64::from(totals.holes));
        for (at, total) in SIX_BYTE_PLACES.into_iter().zip(totals.running_ms.iter().chain(&totals.abuse_ms)) {
            put(&mut bytes, at, 6, (*total).min(SIX_BYTES));
        }
        Self(bytes)
    }
}

fn word([a, b]: [u8; 2], [c, d]: [u8; 2]) -> u32 {
    u32::from_le_bytes([a, b, c, d])
}

/// The beginning of a sector.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Header {
    pub(super) sector_number: u32,
    pub(super) base: Base,
}

impl Header {
    pub(super) fn encode(&self, boot: u16) -> [u8; HEADER_BYTES] {
        let mut bytes = [0; HEADER_BYTES];
        put(&mut bytes, 0, 1, u64::from(HEADER_KIND));
        put(&mut bytes, 1, 1, u64::from(VERSION));
        put(&mut bytes, 2, 2, u64::from(boot));
        put(&mut bytes, 4, 4, u64::from(self.sector_number));
        for (to, from) in bytes.iter_mut().skip(BASE_AT).zip(self.base.0) {
            *to = from;
        }
        let crc = check(&[], &bytes, CHECK_AT);
        put(&mut bytes, CHECK_AT, 4, u64::from(crc));
        bytes
    }

    pub(super) fn decode(bytes: &[u8; HEADER_BYTES]) -> Option<Self> {
        let sound = number32(bytes, CHECK_AT, 4) == check(&[], bytes, CHECK_AT);
        if !sound || number32(bytes, 0, 1) != u32::from(HEADER_KIND) || number32(bytes, 1, 1) != u32::from(VERSION) {
            return None;
        }
        let base = Base(*bytes.get(BASE_AT..)?.first_chunk()?);
        Some(Self { sector_number: number32(bytes, 4, 4), base })
    }
}

/// From the beginning of the totals on.
const SIX_BYTE_PLACES: [usize; Hours::BANDS + 3] = [8, 14, 20, 26, 32, 38, 44, 50, 56, 62];

/// Which of the counters that are not bands a record carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Other {
    OverSpeed,
    OverLimit,
    DryRun,
    Holes,
}

impl Other {
    pub(super) const ALL: [Self; 4] = [Self::OverSpeed, Self::OverLimit, Self::DryRun, Self::Holes];

    pub(super) fn of(self, totals: &Totals) -> u64 {
        let [over_speed, over_limit, dry_run] = totals.abuse_ms;
        match self {
            Self::OverSpeed => over_speed,
            Self::OverLimit => over_limit,
            Self::DryRun => dry_run,
            Self::Holes => u64::from(totals.holes),
        }
    }

    fn since(self, since: &Since) -> u32 {
        let [over_speed, over_limit, dry_run] = since.abuse_ms;
        match self {
            Self::OverSpeed => over_speed,
            Self::OverLimit => over_limit,
            Self::DryRun => dry_run,
            Self::Holes => since.holes,
        }
    }

    fn set(self, since: &mut Since, value: u32) {
        let [over_speed, over_limit, dry_run] = &mut since.abuse_ms;
        match self {
            Self::OverSpeed => *over_speed = value,
            Self::OverLimit => *over_limit = value,
            Self::DryRun => *dry_run = value,
            Self::Holes => since.holes = value,
        }
    }
}

/// Which counters have been told by records that were read before, reading backwards.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Told {
    anything: bool,
    bands: u8,
    others: u8,
}

/// One checkpoint: sums since the header of its sector.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Record {
    pub(super) band: u8,
    pub(super) other: Other,
    pub(super) next_is_erased: bool,
    /// Counts the checkpoints of a sector. A copy has the ordinal of its original, so a record that was cut short and
    /// passed over is told from one that counts even if it reads well later: see `HoursArea`.
    pub(super) ordinal: u8,
    band_ms: u32,
    other_value: u32,
    starts: u16,
}

impl Record {
    /// The checkpoint that takes `since` (sums since the header) as far as it can carry.
    pub(super) fn of(since: &Since, band: u8, other: Other, ordinal: u8, next_is_erased: bool) -> Self {
        let band_ms = since.running_ms.get(usize::from(band)).copied().unwrap_or(0);
        Self {
            band,
            other,
            next_is_erased,
            ordinal,
            band_ms: band_ms.min(THREE_BYTES),
            other_value: other.since(since).min(THREE_BYTES),
            starts: since.starts,
        }
    }

    /// Puts what the record carries into sums since the header.
    pub(super) fn put_into(&self, since: &mut Since) {
        self.put_untold(since, &mut Told::default());
    }

    /// Puts what no later record has told into sums since the header.
    pub(super) fn put_untold(&self, since: &mut Since, told: &mut Told) {
        if !told.anything {
            since.starts = self.starts;
        }
        let (band, other) = (1 << (self.band & 0b111), 1 << (self.other as u8));
        if told.bands & band == 0
            && let Some(total) = since.running_ms.get_mut(usize::from(self.band))
        {
            *total = self.band_ms;
        }
        if told.others & other == 0 {
            self.other.set(since, self.other_value);
        }
        *told = Told { anything: true, bands: told.bands | band, others: told.others | other };
    }

    pub(super) fn encode(&self, sector_number: u32) -> [u8; RECORD_BYTES] {
        let mut bytes = [0; RECORD_BYTES];
        let flags = (self.band & 0b111) | (u8::from(self.next_is_erased) << 3) | ((self.other as u8) << 4);
        put(&mut bytes, 0, 1, u64::from(RECORD_KIND));
        put(&mut bytes, 1, 1, u64::from(flags));
        put(&mut bytes, 2, 2, u64::from(self.starts));
        put(&mut bytes, 4, 3, u64::from(self.band_ms));
        put(&mut bytes, 7, 3, u64::from(self.other_value));
        put(&mut bytes, 10, 1, u64::from(self.ordinal));
        let crc = check(&sector_number.to_le_bytes(), &bytes, 12);
        put(&mut bytes, 12, 4, u64::from(crc));
        bytes
    }

    pub(super) fn decode(bytes: &[u8; RECORD_BYTES], sector_number: u32) -> Option<Self> {
        let sound = number32(bytes, 12, 4) == check(&sector_number.to_le_bytes(), bytes, 12);
        let [kind, flags, ..] = *bytes;
        let band = flags & 0b111;
        if !sound || kind != RECORD_KIND || usize::from(band) >= Hours::BANDS {
            return None;
        }
        Some(Self {
            band,
            other: *Other::ALL.get(usize::from((flags >> 4) & 0b111))?,
            next_is_erased: flags & 0b1000 != 0,
            ordinal: *bytes.get(10)?,
            band_ms: number32(bytes, 4, 3),
            other_value: number32(bytes, 7, 3),
            starts: number16(bytes, 2),
        })
    }
}

fn check(prefix: &[u8], bytes: &[u8], length: usize) -> u32 {
    Crc32::new().with(prefix).with(bytes.get(..length).unwrap_or_default()).finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn totals() -> Totals {
        Totals { running_ms: [1, 2, 3, 4, 5, 6, 3_600_000_000], abuse_ms: [7_000, 8_000, 9_000], starts: 258, holes: 3 }
    }

    #[test]
    fn golden_bytes_of_a_header() {
        let header = Header { sector_number: 0x0102_0304, base: Base::of(&totals()) };
        #[rustfmt::skip]
        let expected = [
            0x68, 0x01, 0x06, 0x05, 0x04, 0x03, 0x02, 0x01, 0x02, 0x01, 0, 0, 0x03, 0, 0, 0,
            1, 0, 0, 0, 0, 0, 2, 0, 0, 0, 0, 0, 3, 0, 0, 0, 0, 0, 4, 0, 0, 0, 0, 0,
            5, 0, 0, 0, 0, 0, 6, 0, 0, 0, 0, 0, 0x00, 0xA4, 0x93, 0xD6, 0, 0,
            0x58, 0x1B, 0, 0, 0, 0, 0x40, 0x1F, 0, 0, 0, 0, 0x28, 0x23, 0, 0, 0, 0,
        ];
        let bytes = header.encode(0x0506);
        assert_eq!(bytes[..76], expected);
        assert_eq!(bytes[76..], [0x63, 0x06, 0x79, 0x31], "CRC by another implementation");
        assert_eq!(Header::decode(&bytes), Some(header));
        let mut found = Totals::NONE;
        header.base.add_to(&mut found);
        assert_eq!(found, totals());
        header.base.take_from(&mut found);
        assert_eq!(found, Totals::NONE);
    }

    #[test]
    fn golden_bytes_of_a_record() {
        let since = Since { running_ms: [0, 0, 0, 0, 0x01_0203, 0, 0], starts: 2, abuse_ms: [0, 9_000, 0], holes: 0 };
        let record = Record::of(&since, 4, Other::OverLimit, 17, true);
        let bytes = record.encode(7);
        assert_eq!(bytes[..12], [0x48, 0x1C, 0x02, 0x00, 0x03, 0x02, 0x01, 0x28, 0x23, 0x00, 0x11, 0x00]);
        assert_eq!(bytes[12..], [0x75, 0x76, 0x97, 0x45], "CRC by another implementation");
        assert_eq!(Record::decode(&bytes, 7), Some(record));
        let mut found = Since::NONE;
        record.put_into(&mut found);
        assert_eq!(found, since);
    }

    #[test]
    fn every_flipped_bit_is_noticed() {
        let header = Header { sector_number: 3, base: Base::of(&totals()) }.encode(1);
        for bit in 0..HEADER_BYTES * 8 {
            let mut flipped = header;
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(Header::decode(&flipped), None, "header, bit {bit}");
        }
        let record = Record::of(&Since::of(&totals()), 2, Other::DryRun, 9, false).encode(3);
        for bit in 0..RECORD_BYTES * 8 {
            let mut flipped = record;
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(Record::decode(&flipped, 3), None, "record, bit {bit}");
        }
    }

    #[test]
    fn what_is_no_record_is_not_taken_for_one() {
        let record = Record::of(&Since::of(&totals()), 2, Other::DryRun, 9, false).encode(3);
        assert_eq!(Record::decode(&record, 4), None, "a record of another sector");
        assert_eq!(Record::decode(&[0xFF; RECORD_BYTES], 3), None, "erased");
        assert_eq!(Record::decode(&[0; RECORD_BYTES], 3), None, "all zeros");
        assert_eq!(Header::decode(&[0xFF; HEADER_BYTES]), None, "erased");
        assert_eq!(Header::decode(&[0; HEADER_BYTES]), None, "all zeros");
    }

    #[test]
    fn counters_stop_where_their_bytes_end() {
        let most = Totals { running_ms: [u64::MAX; 7], abuse_ms: [u64::MAX; 3], starts: u32::MAX, holes: u32::MAX };
        let record = Record::of(&Since::of(&most), 6, Other::Holes, 255, false);
        let mut found = Since::NONE;
        record.put_into(&mut found);
        assert_eq!((found.running_ms[6], found.holes, found.starts), (0xFF_FFFF, 0xFF_FFFF, 0xFFFF));
    }
}
