//! The findings that are open, as they are kept over a power cut.
//!
//! ```text
//!   0   4  the last id given
//!   4   1  number of findings that follow
//!   5  13  each: id 4; finding 1; channel 1 (0 none); bits 1: 0–1 level, 2 standing, 3 acknowledged, 4 reset;
//!          aside 1: 0 no, 1–30 shelved for so many minutes more, 64 suppressed, 65 out of service;
//!          since 1: seconds since it was raised or cleared, at most 255; id of the cause that replaced it 4 (0 none)
//! ```

use super::{Alarms, Aside, EPISODE_MS, Slot, clock_ms};
use crate::ledger::packing::{Packer, Unpacker};
use crate::ledger::store::codes::{channel_code, channel_of, finding_code, finding_of, level_code, level_of};

const STANDING: u8 = 0b0_0100;
const ACKNOWLEDGED: u8 = 0b0_1000;
const RESET: u8 = 0b1_0000;
const SUPPRESSED: u8 = 64;
const OUT_OF_SERVICE: u8 = 65;

impl Alarms {
    /// Writes down what is open, and what was a moment ago.
    pub(crate) fn pack(&self, at_ms: u64, packer: &mut Packer<'_>) {
        let now_ms = clock_ms(at_ms);
        let lasting = |slot: &&Slot| slot.is_open() || slot.replaced_by.is_some() || slot.age_ms(now_ms) <= EPISODE_MS;
        let count = self.slots.iter().flatten().filter(lasting).count();
        packer.u32(self.last_id);
        packer.u8(u8::try_from(count).unwrap_or(u8::MAX));
        for slot in self.slots.iter().flatten().filter(lasting) {
            packer.u32(slot.id);
            packer.u8(finding_code(slot.finding));
            packer.u8(slot.channel.map_or(0, channel_code));
            let bit = |set: bool, bit: u8| if set { bit } else { 0 };
            let bits = bit(slot.standing, STANDING) | bit(slot.acknowledged, ACKNOWLEDGED) | bit(slot.reset, RESET);
            packer.u8(level_code(slot.level) | bits);
            packer.u8(match slot.aside {
                Aside::No => 0,
                Aside::Suppressed => SUPPRESSED,
                Aside::OutOfService => OUT_OF_SERVICE,
                // Begun minutes count whole: a finding does not come out of its shelf early by a power cut.
                Aside::ShelvedUntil(until_ms) => minutes_until(until_ms.saturating_sub(now_ms)),
            });
            packer.u8(u8::try_from(slot.age_ms(now_ms) / 1_000).unwrap_or(u8::MAX));
            packer.u32(slot.replaced_by.unwrap_or(0));
        }
    }

    /// Takes back what was written down; what this version does not know is left out. `None` if it ends too early.
    pub(crate) fn unpack(&mut self, at_ms: u64, kept: &mut Unpacker<'_>) -> Option<()> {
        let now_ms = clock_ms(at_ms);
        self.last_id = self.last_id.max(kept.u32()?);
        for _ in 0..kept.u8()? {
            let (id, finding, channel) = (kept.u32()?, finding_of(kept.u8()?), kept.u8()?);
            let (bits, aside, age_s, cause) = (kept.u8()?, kept.u8()?, kept.u8()?, kept.u32()?);
            let (Some(finding), Some(level)) = (finding, level_of(bits & 0b11)) else { continue };
            let since_ms = now_ms.saturating_sub(u64::from(age_s).saturating_mul(1_000));
            let slot = Slot {
                id,
                finding,
                channel: channel_of(channel),
                level,
                standing: bits & STANDING != 0,
                acknowledged: bits & ACKNOWLEDGED != 0,
                reset: bits & RESET != 0,
                silenced: false,
                aside: match aside {
                    0 => Aside::No,
                    OUT_OF_SERVICE => Aside::OutOfService,
                    SUPPRESSED => Aside::Suppressed,
                    minutes => {
                        Aside::ShelvedUntil(now_ms.saturating_add(u64::from(minutes.min(30)).saturating_mul(60_000)))
                    }
                },
                absent_ms: None,
                since_ms,
                replaced_by: (cause != 0).then_some(cause),
            };
            self.take_back(slot);
        }
        self.note_change();
        Some(())
    }

    /// A finding that was raised anew since power-up stands as it is.
    fn take_back(&mut self, kept: Slot) {
        let same = |slot: &Slot| slot.finding == kept.finding && slot.channel == kept.channel;
        if self.slots.iter().flatten().any(same) {
            return;
        }
        if let Some(free) = self.slots.iter_mut().find(|slot| slot.is_none()) {
            *free = Some(kept);
        }
    }
}

fn minutes_until(left_ms: u64) -> u8 {
    let minutes = left_ms.saturating_add(59_999) / 60_000;
    u8::try_from(minutes.clamp(1, 30)).unwrap_or(30)
}
