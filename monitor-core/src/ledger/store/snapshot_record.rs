//! Bytes of one half of a snapshot.
//!
//! ```text
//!   0   1  0x42 before, 0x41 after
//!   1   1  spoiled places right before this one
//!   2   1  number of samples, 0–16
//!   3   1  finding
//!   4   4  position: counts the places since the part was new, spoiled ones included
//!   8   3  id of the event; over 16,777,215 as that
//!  11   1  trip + 1
//!  12   2  boot, low 16 bits
//!  14   6  stamp in milliseconds, two's complement
//!  20 102  values: 16 of each channel, packed from the low bits on: rpm 16 bytes, head 16, flow 16, supply 14, speed 14,
//!          water 12, oil 14
//! 122   2  0
//! 124   4  CRC-32 of bytes 0–123
//! ```

use crate::acquire::Channel;
use crate::ledger::snapshot::{Part, SAMPLES, Scale, SnapshotHalf, Trigger};
use crate::time::Instant;

use super::bytes::{number, number16, number32, put};
use super::codes::{finding_code, finding_of};
use super::crc::Crc32;

/// Bytes of a record.
pub(super) const RECORD_BYTES: usize = 128;

const BEFORE: u8 = 0x42;
const AFTER: u8 = 0x41;
const VALUES_AT: usize = 20;
const CRC_AT: usize = 124;

/// A half and where it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RecordedHalf {
    /// Counts the places since the part was new; orders the halves.
    pub position: u32,
    /// Number of the power-up, low 16 bits.
    pub boot: u16,
    /// What was kept.
    pub half: SnapshotHalf,
    /// Places right before it that hold nothing of worth.
    pub(super) spoiled_before: u8,
}

impl RecordedHalf {
    pub(super) fn decode(bytes: &[u8; RECORD_BYTES]) -> Option<Self> {
        let [kind, spoiled_before, count, finding, ..] = *bytes;
        if number32(bytes, CRC_AT, 4) != check(bytes) || usize::from(count) > SAMPLES {
            return None;
        }
        let part = match kind {
            BEFORE => Part::Before,
            AFTER => Part::After,
            _ => return None,
        };
        // Moved up, so that the sign comes down with it.
        let stamp = (number(bytes, 14, 6) << 16).cast_signed() >> 16;
        let trigger = Trigger {
            id: number32(bytes, 8, 3),
            finding: finding_of(finding)?,
            trip: i16::from(*bytes.get(11)?).saturating_sub(1),
            stamp: Instant::from_millis(stamp),
        };
        let mut samples = [[0; Channel::COUNT]; SAMPLES];
        let mut at_bit = VALUES_AT.saturating_mul(8);
        for channel in Channel::ALL {
            let bits = Scale::of(channel).bits;
            for sample in &mut samples {
                if let Some(code) = sample.get_mut(channel.index()) {
                    *code = take_bits(bytes, at_bit, bits);
                }
                at_bit = at_bit.saturating_add(usize::from(bits));
            }
        }
        let half = SnapshotHalf { trigger, part, samples, count };
        Some(Self { position: number32(bytes, 4, 4), boot: number16(bytes, 12), half, spoiled_before })
    }
}

/// The bytes of a half, which is not copied for it: it is the largest thing that is written from the stack but one.
pub(super) fn encode(half: &SnapshotHalf, position: u32, boot: u16, spoiled_before: u8) -> [u8; RECORD_BYTES] {
    let SnapshotHalf { trigger, part, samples, count } = half;
    let mut bytes = [0; RECORD_BYTES];
    let kind = match part {
        Part::Before => BEFORE,
        Part::After => AFTER,
    };
    let trip = u64::try_from(trigger.trip.clamp(-1, 254).saturating_add(1)).unwrap_or(0);
    let most = (1_i64 << 47).saturating_sub(1);
    let stamp = trigger.stamp.as_millis().clamp(most.saturating_neg().saturating_sub(1), most);
    put(&mut bytes, 0, 1, u64::from(kind));
    put(&mut bytes, 1, 1, u64::from(spoiled_before));
    put(&mut bytes, 2, 1, u64::from(*count));
    put(&mut bytes, 3, 1, u64::from(finding_code(trigger.finding)));
    put(&mut bytes, 4, 4, u64::from(position));
    put(&mut bytes, 8, 3, u64::from(trigger.id.min(0xFF_FFFF)));
    put(&mut bytes, 11, 1, trip);
    put(&mut bytes, 12, 2, u64::from(boot));
    put(&mut bytes, 14, 6, stamp.cast_unsigned());
    let mut at_bit = VALUES_AT.saturating_mul(8);
    for channel in Channel::ALL {
        let bits = Scale::of(channel).bits;
        for sample in samples {
            put_bits(&mut bytes, at_bit, bits, sample.get(channel.index()).copied().unwrap_or(0));
            at_bit = at_bit.saturating_add(usize::from(bits));
        }
    }
    let crc = check(&bytes);
    put(&mut bytes, CRC_AT, 4, u64::from(crc));
    bytes
}

/// The position of a record that is whole.
#[inline(never)]
pub(super) fn position_of(bytes: &[u8; RECORD_BYTES]) -> Option<u32> {
    RecordedHalf::decode(bytes).map(|found| found.position)
}

/// Spoiled places right before the one of a record.
pub(super) fn spoiled_before(bytes: &[u8; RECORD_BYTES]) -> u8 {
    let [_, spoiled_before, ..] = *bytes;
    spoiled_before
}

/// Puts the low `bits` of `value`, eight at most, at a bit of `bytes`; they reach into two bytes at most.
fn put_bits(bytes: &mut [u8], at_bit: usize, bits: u8, value: u8) {
    let kept = value & mask(bits);
    let [low, high] = (u16::from(kept) << (at_bit & 7)).to_le_bytes();
    for (byte, part) in bytes.iter_mut().skip(at_bit / 8).zip([low, high]) {
        *byte |= part;
    }
}

fn take_bits(bytes: &[u8], at_bit: usize, bits: u8) -> u8 {
    let wide = number16(bytes, at_bit / 8) >> (at_bit & 7);
    let [low, _] = wide.to_le_bytes();
    low & mask(bits)
}

/// As many ones, eight at most, from the low end.
const fn mask(bits: u8) -> u8 {
    match u8::MAX.checked_shr(8_u32.saturating_sub(bits as u32)) {
        Some(mask) => mask,
        None => 0,
    }
}

fn check(bytes: &[u8; RECORD_BYTES]) -> u32 {
    Crc32::new().with(bytes.get(..CRC_AT).unwrap_or_default()).finish()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::Finding;

    fn recorded() -> RecordedHalf {
        let trigger =
            Trigger { id: 0x01_0203, finding: Finding::IntakeBlocked, trip: 4, stamp: Instant::from_millis(-2) };
        let codes = |place: usize| u8::try_from(place).unwrap();
        let samples = core::array::from_fn(|sample| core::array::from_fn(|channel| codes(sample * 2 + channel)));
        let half = SnapshotHalf { trigger, part: Part::After, samples, count: 16 };
        RecordedHalf { position: 0x0A0B_0C0D, boot: 0x0E0F, half, spoiled_before: 2 }
    }

    fn encoded() -> [u8; RECORD_BYTES] {
        let RecordedHalf { position, boot, half, spoiled_before } = recorded();
        encode(&half, position, boot, spoiled_before)
    }

    #[test]
    fn golden_bytes() {
        let bytes = encoded();
        #[rustfmt::skip]
        let head = [
            0x41, 2, 16, 8, 0x0D, 0x0C, 0x0B, 0x0A, 3, 2, 1, 5, 0x0F, 0x0E, 0xFE, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF,
        ];
        assert_eq!(bytes[..20], head);
        assert_eq!(bytes[20..36], core::array::from_fn::<u8, 16, _>(|place| 2 * u8::try_from(place).unwrap()), "rpm");
        // Supply, seven bits each: 3, 5, 7, 9, 11, 13, 15, 17.
        assert_eq!(bytes[68..75], [0x83, 0xC2, 0x21, 0xB1, 0x68, 0x3C, 0x22]);
        assert_eq!(bytes[122..124], [0, 0]);
        assert_eq!(RecordedHalf::decode(&bytes), Some(recorded()));
    }

    #[test]
    fn every_flipped_bit_is_noticed() {
        for bit in 0..RECORD_BYTES * 8 {
            let mut flipped = encoded();
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(RecordedHalf::decode(&flipped), None, "bit {bit}");
        }
        assert_eq!(RecordedHalf::decode(&[0; RECORD_BYTES]), None, "all zeros");
        assert_eq!(RecordedHalf::decode(&[0xFF; RECORD_BYTES]), None, "erased");
    }
}
