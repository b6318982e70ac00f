//! Making room: the oldest sector of the journal becomes a few sums before it is erased.
//!
//! The sector is read a few slots a call, so that no call takes long: first where the next sector begins in the
//! sequence, then how many spans the entries lie in, then span by span what the sums say.

use embedded_storage::nor_flash::NorFlash;

use super::error::StoreError;
use super::journal_entry::{Entry, Tag, Tally};
use super::journal_walk::{Glance, SLOTS_A_SECTOR, Sector, Seen, Walk, examine};

/// Running seconds that one sum stands for: 50 hours.
const SPAN_S: u32 = 180_000;
/// Times that spans can be doubled: one is then longer than the running seconds that an entry can hold.
const DOUBLINGS: usize = 12;

/// A sum that is to be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Sum {
    /// Number of its span.
    span: u16,
    pub(super) tally: Tally,
    /// Chain tag of the newest entry in it.
    pub(super) replaces: Tag,
    /// Whether no more are to come.
    pub(super) last: bool,
}

#[derive(Debug, Clone, Copy)]
enum Stage {
    /// Looks for the first entry of the next sector, from this slot on.
    Border { slot: u8 },
    /// Counts spans.
    Count {
        before: Option<u16>,
        /// Neighbours that so many doublings and no fewer put into one span.
        apart: [u8; DOUBLINGS],
    },
    /// Adds up one span.
    Gather(Option<Sum>),
    /// The sum is complete.
    Complete(Sum),
    /// There is nothing more to sum.
    Over,
}

/// The summing of one sector, as far as it has come. It begins anew at every power-up; a set that was begun and not
/// finished does not count.
#[derive(Debug, Clone, Copy)]
pub(super) struct Summing {
    stage: Stage,
    walk: Walk,
    /// An entry that was copied into the next sector counts there: entries of that sequence or a higher one.
    below_seq: Option<u32>,
    /// Spans are doubled so often: few entries over many hours must not need more room than there is.
    doublings: u8,
    first_is_written: bool,
}

/// How far a summing has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Progress {
    /// To be read on with [`Summing::read_on`].
    Reading,
    /// To be written next, and whether it is the first; then [`Summing::is_written`] goes on.
    Sum { sum: Sum, running_s: u32, first: bool },
    /// There is nothing more to sum.
    Over,
}

impl Summing {
    /// The summing of `sector` begins.
    pub(super) const fn of(sector: Sector) -> Self {
        Self {
            stage: Stage::Border { slot: 0 },
            walk: Walk::back_from(sector, SLOTS_A_SECTOR, 1, None),
            below_seq: None,
            doublings: 0,
            first_is_written: false,
        }
    }

    /// What is to be done next.
    pub(super) fn next(&self) -> Progress {
        match self.stage {
            Stage::Complete(sum) => {
                let running_s = self.span_s().saturating_mul(u32::from(sum.span));
                Progress::Sum { sum, running_s, first: !self.first_is_written }
            }
            Stage::Over => Progress::Over,
            _ => Progress::Reading,
        }
    }

    /// Reads on in `sector`, no more than `slots` of it. There is room for so many sums.
    #[inline(never)]
    pub(super) fn read_on<F: NorFlash>(
        &mut self,
        flash: &mut F,
        start: u32,
        sector: Sector,
        room: u8,
        slots: u8,
    ) -> Result<(), StoreError> {
        for _ in 0..slots {
            match self.stage {
                Stage::Border { slot } => self.look_for_border(flash, start, sector, slot)?,
                Stage::Count { before, apart } => self.count(flash, start, sector, room, (before, apart))?,
                Stage::Gather(sum) => self.gather(flash, start, sum)?,
                Stage::Complete(_) | Stage::Over => break,
            }
        }
        Ok(())
    }

    /// The sum that was complete stands in the journal.
    pub(super) fn is_written(&mut self) {
        if let Stage::Complete(sum) = self.stage {
            self.first_is_written = true;
            self.stage = if sum.last { Stage::Over } else { Stage::Gather(None) };
        }
    }

    /// The sequence rises within a sector, so its first entry has the lowest.
    #[inline(never)]
    fn look_for_border<F: NorFlash>(
        &mut self,
        flash: &mut F,
        start: u32,
        sector: Sector,
        slot: u8,
    ) -> Result<(), StoreError> {
        let next = sector.next();
        if slot < SLOTS_A_SECTOR {
            self.stage = Stage::Border { slot: slot.saturating_add(1) };
            match examine(flash, start, next.index, slot)? {
                Seen::Entry(entry) if entry.lap == next.lap => self.below_seq = Some(entry.seq),
                _ => return Ok(()),
            }
        }
        self.stage = Stage::Count { before: None, apart: [0; DOUBLINGS] };
        self.walk = Walk::back_from(sector, SLOTS_A_SECTOR, 1, self.below_seq);
        Ok(())
    }

    #[inline(never)]
    fn count<F: NorFlash>(
        &mut self,
        flash: &mut F,
        start: u32,
        sector: Sector,
        room: u8,
        (before, mut apart): (Option<u16>, [u8; DOUBLINGS]),
    ) -> Result<(), StoreError> {
        match self.walk.glance(flash, start)? {
            Glance::Step(step) if step.is_record => {
                let span = span_of(&step.entry);
                // Two spans become one as soon as as many doublings have taken the bits in which their numbers differ.
                let bits = u16::BITS.saturating_sub((span ^ before.unwrap_or(span)).leading_zeros());
                let place = usize::try_from(bits).ok().and_then(|bits| apart.get_mut(bits));
                if let Some(place) = place.filter(|_| bits > 0) {
                    *place = place.saturating_add(1);
                }
                self.stage = Stage::Count { before: Some(span), apart };
            }
            Glance::Step(_) | Glance::Passed => {}
            Glance::SectorIsOver => {
                self.doublings = doublings_for(&apart, room);
                self.walk = Walk::back_from(sector, SLOTS_A_SECTOR, 1, self.below_seq);
                self.stage = Stage::Gather(None);
            }
        }
        Ok(())
    }

    #[inline(never)]
    fn gather<F: NorFlash>(&mut self, flash: &mut F, start: u32, sum: Option<Sum>) -> Result<(), StoreError> {
        let before = self.walk;
        let step = match self.walk.glance(flash, start)? {
            Glance::Passed => return Ok(()),
            Glance::SectorIsOver => {
                self.stage = match sum {
                    Some(sum) => Stage::Complete(Sum { last: true, ..sum }),
                    None => Stage::Over,
                };
                return Ok(());
            }
            Glance::Step(step) => step,
        };
        let span = span_of(&step.entry).checked_shr(u32::from(self.doublings)).unwrap_or(0);
        self.stage = match sum {
            // The first sum carries the very newest tag, whatever entry it belongs to: there the chain goes on.
            None if step.is_record || !self.first_is_written => {
                let (span, tally) = if step.is_record { (span, step.entry.content.tally()) } else { (0, Tally::NONE) };
                Stage::Gather(Some(Sum { span, tally, replaces: step.entry.tag, last: false }))
            }
            Some(mut sum) if step.is_record && (sum.span == span || sum.tally == Tally::NONE) => {
                sum.tally.add(&step.entry.content.tally());
                Stage::Gather(Some(Sum { span, ..sum }))
            }
            Some(sum) if step.is_record => {
                self.walk = before;
                Stage::Complete(sum)
            }
            unchanged => Stage::Gather(unchanged),
        };
        Ok(())
    }

    fn span_s(&self) -> u32 {
        SPAN_S.checked_shl(u32::from(self.doublings)).unwrap_or(0)
    }
}

/// The number of the span without doublings that an entry lies in.
fn span_of(entry: &Entry) -> u16 {
    u16::try_from(entry.running_s / SPAN_S).unwrap_or(u16::MAX)
}

/// The fewest doublings after which there is room for the sums.
fn doublings_for(apart: &[u8; DOUBLINGS], room: u8) -> u8 {
    let mut spans = apart.iter().fold(1_u8, |spans, count| spans.saturating_add(*count));
    let mut doublings = 0;
    for count in apart.iter().skip(1) {
        if spans <= room {
            break;
        }
        doublings = u8::saturating_add(doublings, 1);
        spans = spans.saturating_sub(*count);
    }
    doublings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::store::journal_entry::Content;

    #[test]
    fn spans_are_doubled_until_there_is_room() {
        let apart = |pairs: &[(usize, u8)]| {
            let mut apart = [0; DOUBLINGS];
            for (bits, count) in pairs {
                apart[*bits] = *count;
            }
            apart
        };
        let cases = [
            ("one span", apart(&[]), 1, 0),
            ("as many as there is room for", apart(&[(1, 4)]), 5, 0),
            ("one too many", apart(&[(1, 4)]), 4, 1),
            ("far apart", apart(&[(1, 3), (5, 2), (11, 1)]), 2, 5),
            ("all into one", apart(&[(1, 3), (5, 2), (11, 1)]), 1, 11),
        ];
        for (name, apart, room, doublings) in cases {
            assert_eq!(doublings_for(&apart, room), doublings, "{name}");
        }
    }

    #[test]
    fn the_longest_running_time_fits_into_the_doublings() {
        let (running_s, content) = (0x0FFF_FFFF, Content::Mark);
        let longest = Entry { seq: 0, boot: 0, running_s, content, tag: [0; 8], lap: 0 };
        let bits = u16::BITS - span_of(&longest).leading_zeros();
        assert!(usize::try_from(bits).unwrap() < DOUBLINGS);
        let summing = Summing { doublings: 11, ..Summing::of(Sector { index: 0, lap: 0 }) };
        assert!(summing.span_s() > 0x0FFF_FFFF);
    }
}
