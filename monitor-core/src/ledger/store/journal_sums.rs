//! Making room: the oldest sector of the journal becomes a few sums before it is erased.

use embedded_storage::nor_flash::NorFlash;

use super::error::StoreError;
use super::journal_entry::{Entry, Tag, Tally};
use super::journal_walk::{SLOTS_A_SECTOR, Sector, Seen, Walk, examine};

/// Running seconds that one sum stands for: 50 hours.
const SPAN_S: u32 = 180_000;

/// A sum that is to be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Sum {
    /// Where its span begins.
    pub(super) running_s: u32,
    pub(super) tally: Tally,
    /// Chain tag of the newest entry in it.
    pub(super) replaces: Tag,
    /// Whether no more are to come.
    pub(super) last: bool,
}

/// The summing of one sector, as far as it has come. It begins anew at every power-up; a set that was begun and not
/// finished does not count.
#[derive(Debug, Clone, Copy)]
pub(super) struct Summing {
    walk: Walk,
    /// Spans are doubled so often: few entries over many hours must not need more room than there is.
    doublings: u32,
    pub(super) first_is_written: bool,
}

impl Summing {
    /// Plans the summing of `sector` with at most `room` sums.
    pub(super) fn plan<F: NorFlash>(flash: &mut F, start: u32, sector: Sector, room: u8) -> Result<Self, StoreError> {
        // An entry that was copied into the next sector counts there.
        let below = lowest_seq(flash, start, sector.next())?;
        let mut plan =
            Self { walk: Walk::back_from(sector, SLOTS_A_SECTOR, 1, below), doublings: 0, first_is_written: false };
        while plan.count(flash, start)? > room && plan.span_s().is_some() {
            plan.doublings = plan.doublings.saturating_add(1);
        }
        Ok(plan)
    }

    /// The sum to be written next; `None` if there is nothing more to sum. The plan goes on only with `written`.
    pub(super) fn next<F: NorFlash>(&self, flash: &mut F, start: u32) -> Result<Option<(Sum, Self)>, StoreError> {
        let mut after = *self;
        // The first sum carries the very newest tag, whatever entry it belongs to: there the chain goes on.
        let newest = if self.first_is_written { None } else { self.newest_tag(flash, start)? };
        let Some(record) = after.walk.older(flash, start)? else {
            after.first_is_written = true;
            let empty = |replaces| Sum { running_s: 0, tally: Tally::NONE, replaces, last: true };
            return Ok(newest.map(|tag| (empty(tag), after)));
        };
        let span = self.span_of(&record);
        let mut sum = Sum {
            running_s: span.saturating_mul(self.span_s().unwrap_or(0)),
            tally: record.content.tally(),
            replaces: newest.unwrap_or(record.tag),
            last: false,
        };
        loop {
            let before = after;
            match after.walk.older(flash, start)? {
                Some(entry) if self.span_of(&entry) == span => sum.tally.add(&entry.content.tally()),
                Some(_) => {
                    after = before;
                    break;
                }
                None => {
                    sum.last = true;
                    break;
                }
            }
        }
        after.first_is_written = true;
        Ok(Some((sum, after)))
    }

    fn newest_tag<F: NorFlash>(&self, flash: &mut F, start: u32) -> Result<Option<Tag>, StoreError> {
        let mut walk = self.walk;
        Ok(walk.older_step(flash, start)?.map(|step| step.entry.tag))
    }

    fn count<F: NorFlash>(&self, flash: &mut F, start: u32) -> Result<u8, StoreError> {
        let mut walk = self.walk;
        let (mut count, mut span) = (0_u8, None);
        while let Some(entry) = walk.older(flash, start)? {
            let of_entry = Some(self.span_of(&entry));
            if of_entry != span {
                span = of_entry;
                count = count.saturating_add(1);
            }
        }
        Ok(count)
    }

    /// Length of a span in seconds; `None` once it is longer than any engine runs.
    fn span_s(&self) -> Option<u32> {
        SPAN_S.checked_mul(1_u32.checked_shl(self.doublings)?)
    }

    fn span_of(&self, entry: &Entry) -> u32 {
        self.span_s().and_then(|span_s| entry.running_s.checked_div(span_s)).unwrap_or(0)
    }
}

/// The lowest sequence in a sector.
fn lowest_seq<F: NorFlash>(flash: &mut F, start: u32, sector: Sector) -> Result<Option<u32>, StoreError> {
    let mut lowest = None;
    for slot in 0..SLOTS_A_SECTOR {
        if let Seen::Entry(entry) = examine(flash, start, sector.index, slot)?
            && entry.lap == sector.lap
        {
            lowest = Some(lowest.map_or(entry.seq, |lowest: u32| lowest.min(entry.seq)));
        }
    }
    Ok(lowest)
}
