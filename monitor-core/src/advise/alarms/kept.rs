//! The findings that are open, as they are kept over a power cut.
//!
//! ```text
//!   0   4  the last id given
//!   4   1  number of findings that follow
//!   5  13  each: id 4; finding 1; channel or item 1 (0 none); bits 1: 0–1 level, 2 standing, 3 acknowledged, 4 reset;
//!          aside 1: 0 no, 1–30 shelved for so many minutes more, 64 suppressed, 65 out of service;
//!          since 1: seconds since it was raised or cleared, at most 255; id of the cause that replaced it 4 (0 none)
//! ```

use super::slot::{Aside, Slot};
use super::{Alarms, EPISODE_MS, clock_ms};
use crate::advise::subject::Subject;
use crate::finding::Family;
use crate::ledger::packing::{Packer, Unpacker};
use crate::ledger::store::codes::{
    channel_code, channel_of, finding_code, finding_of, item_code, item_of, level_code, level_of,
};

const STANDING: u8 = 0b0_0100;
const ACKNOWLEDGED: u8 = 0b0_1000;
const RESET: u8 = 0b1_0000;
const SUPPRESSED: u8 = 64;
const OUT_OF_SERVICE: u8 = 65;

impl Alarms {
    /// Writes down what is open, and what was a moment ago.
    pub(crate) fn pack(&self, at_ms: u64, packer: &mut Packer<'_>) {
        let now_ms = clock_ms(at_ms);
        let lasting =
            |slot: &&Slot| slot.is_open() || slot.replaced_by().is_some() || slot.age_ms(now_ms) <= EPISODE_MS;
        let count = self.slots.iter().flatten().filter(lasting).count();
        packer.u32(self.last_id);
        packer.u8(u8::try_from(count).unwrap_or(u8::MAX));
        for slot in self.slots.iter().flatten().filter(lasting) {
            packer.u32(slot.id);
            packer.u8(finding_code(slot.finding));
            packer.u8(slot.subject.item().map_or(slot.subject.channel().map_or(0, channel_code), item_code));
            let bit = |set: bool, bit: u8| if set { bit } else { 0 };
            let bits =
                bit(slot.standing(), STANDING) | bit(slot.acknowledged(), ACKNOWLEDGED) | bit(slot.reset(), RESET);
            packer.u8(level_code(slot.level) | bits);
            packer.u8(match slot.aside() {
                Aside::No => 0,
                Aside::Suppressed => SUPPRESSED,
                Aside::OutOfService => OUT_OF_SERVICE,
                // Begun minutes count whole: a finding does not come out of its shelf early by a power cut.
                Aside::Shelved => minutes_until(slot.shelved_until_ms().saturating_sub(now_ms)),
            });
            packer.u8(u8::try_from(slot.age_ms(now_ms) / 1_000).unwrap_or(u8::MAX));
            packer.u32(slot.replaced_by().unwrap_or(0));
        }
    }

    /// Takes back what was written down; what this version does not know is left out. `None` if it ends too early.
    pub(crate) fn unpack(&mut self, at_ms: u64, kept: &mut Unpacker<'_>) -> Option<()> {
        let now_ms = clock_ms(at_ms);
        self.last_id = self.last_id.max(kept.u32()?);
        for _ in 0..kept.u8()? {
            let (id, finding, code) = (kept.u32()?, finding_of(kept.u8()?), kept.u8()?);
            let (bits, aside, age_s, cause) = (kept.u8()?, kept.u8()?, kept.u8()?, kept.u32()?);
            let (Some(finding), Some(level)) = (finding, level_of(bits & 0b11)) else { continue };
            let since_ms = now_ms.saturating_sub(u64::from(age_s).saturating_mul(1_000));
            let subject = match (finding.family(), item_of(code)) {
                (Family::Care, Some(item)) => Subject::of_item(item),
                _ => Subject::of_channel(channel_of(code)),
            };
            let mut slot = Slot::new(id, finding, subject, level, since_ms);
            slot.set_standing(bits & STANDING != 0);
            slot.set_acknowledged(bits & ACKNOWLEDGED != 0);
            slot.set_reset(bits & RESET != 0);
            slot.set_replaced_by((cause != 0).then_some(cause));
            match aside {
                0 => {}
                OUT_OF_SERVICE => slot.set_aside(Aside::OutOfService),
                SUPPRESSED => slot.set_aside(Aside::Suppressed),
                minutes => slot.shelve_until(now_ms.saturating_add(u64::from(minutes.min(30)).saturating_mul(60_000))),
            }
            self.take_back(slot);
        }
        self.note_change();
        Some(())
    }

    /// A finding that was raised anew since power-up stands as it is.
    fn take_back(&mut self, kept: Slot) {
        let same = |slot: &Slot| slot.finding == kept.finding && slot.subject == kept.subject;
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::Channel;
    use crate::command::Command;
    use crate::condition::Tick;
    use crate::detect::Standing;
    use crate::finding::{Finding, Level};

    fn tick(at_ms: u64) -> Tick {
        let mut tick = Tick::NONE;
        tick.at_ms = at_ms;
        tick
    }

    /// An acknowledged alarm, a shelved warning of a sensor, and a warning that has nobody's attention.
    fn alarms() -> Alarms {
        let mut alarms = Alarms::new();
        let present = |level| Standing::Present(level);
        let _ = alarms.apply(&tick(1_000), Finding::HeadOverLimit, None, present(Level::Alarm));
        let _ = alarms.apply(&tick(2_000), Finding::SensorOpen, Some(Channel::Head), present(Level::Warning));
        let _ = alarms.apply(&tick(9_000), Finding::OverSpeed, None, present(Level::Warning));
        for position in 0..Alarms::POSITIONS {
            let _ = alarms.command(position, Command::Acknowledge(Some(Finding::HeadOverLimit)), 9_500);
            let shelve = Command::Shelve { finding: Some(Finding::SensorOpen), minutes: 12 };
            let _ = alarms.command(position, shelve, 9_500);
        }
        alarms
    }

    fn packed(alarms: &Alarms, at_ms: u64) -> ([u8; 96], usize) {
        let mut bytes = [0; 96];
        let mut packer = Packer::new(&mut bytes);
        alarms.pack(at_ms, &mut packer);
        let length = packer.finish();
        (bytes, length)
    }

    #[test]
    fn golden_bytes() {
        let (bytes, length) = packed(&alarms(), 10_000);
        #[rustfmt::skip]
        let expected = [
            3, 0, 0, 0, 3,
            1, 0, 0, 0, 5, 0, 0b0_1111, 0, 9, 0, 0, 0, 0,
            2, 0, 0, 0, 15, 2, 0b0_0110, 12, 8, 0, 0, 0, 0,
            3, 0, 0, 0, 10, 0, 0b0_0110, 0, 1, 0, 0, 0, 0,
        ];
        assert_eq!(bytes[..length], expected);
    }

    #[test]
    fn what_was_written_down_comes_back() {
        let (bytes, length) = packed(&alarms(), 10_000);
        // Right after power-up, when less time has passed than since they were raised.
        let mut again = Alarms::new();
        assert_eq!(again.unpack(0, &mut Unpacker::new(&bytes[..length])), Some(()));
        assert_eq!(packed(&again, 0), (bytes, length));
        assert_eq!(again.outlook(), alarms().outlook());
        let cut = Alarms::new().unpack(0, &mut Unpacker::new(&bytes[..length - 1]));
        assert_eq!(cut, None, "it ends too early");
    }

    #[test]
    fn an_episode_that_was_over_stays_over() {
        let mut alarms = Alarms::new();
        let _ = alarms.apply(&tick(0), Finding::OverSpeed, None, Standing::Present(Level::Caution));
        for second in 0..=11 {
            let mut tick = tick(second * 1_000);
            tick.since_last_ms = 1_000;
            let _ = alarms.apply(&tick, Finding::OverSpeed, None, Standing::Absent);
        }
        let (bytes, length) = packed(&alarms, 60_000);
        assert_eq!(length, 18, "it cleared less than a minute ago");
        let mut again = Alarms::new();
        let _ = again.unpack(0, &mut Unpacker::new(&bytes[..length]));
        let raised = again.apply(&tick(30_000), Finding::OverSpeed, None, Standing::Present(Level::Caution));
        assert_eq!(raised.map(|happening| happening.id), Some(2), "more than a minute in all");
        assert_eq!(packed(&alarms, 80_000).1, 5, "nothing is left of it");
    }
}
