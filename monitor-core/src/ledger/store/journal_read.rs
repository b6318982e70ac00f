//! Reading the journal: records, totals, the chain.

use embedded_storage::nor_flash::NorFlash;

use crate::finding::{Finding, Level};
use crate::ledger::{ClockAnchor, MeterChange, SignOff};

use super::chain::{ChainHead, Key, NO_TAG, Verdict};
use super::error::StoreError;
use super::journal::Journal;
use super::journal_entry::{Content, Entry, NOTE_PIECE_BYTES, NOTE_PIECES, Tally};
use super::journal_event::JournalEvent;
use super::journal_walk::{SECTORS, Step, Walk};

/// Running seconds between two seals: an hour.
pub const SEAL_EVERY_S: u32 = 3_600;

/// A record of the journal, and where it stands in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Recorded {
    /// Counts the entries since the part was new; orders the records.
    pub seq: u32,
    /// Number of the power-up, low 16 bits.
    pub boot: u16,
    /// Running seconds of the engine; of a sum: where its span begins.
    pub running_s: u32,
    /// Chain tag; all 0 without a key.
    pub tag: [u8; 8],
    /// What it says.
    pub record: Record,
}

/// What a record of the journal says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Record {
    /// Something happened to a finding.
    Event(JournalEvent),
    /// While the engine ran nothing came from its speed sensor for so long.
    Hole {
        /// Length in seconds.
        seconds: u32,
    },
    /// The power came.
    PowerUp {
        /// Number of the power-up.
        boot: u32,
    },
    /// Events of a finding that were only counted, after the first 20 of a trip.
    Counted {
        /// What they were about.
        finding: Finding,
        /// Their level.
        level: Level,
        /// How many since the last such record.
        count: u16,
    },
    /// What stood in the hours, under the chain.
    Seal {
        /// Running seconds.
        running_s: u32,
        /// Starts of the engine.
        starts: u32,
    },
    /// Records that had to make room, of 50 hours of running or more.
    Sum {
        /// How many of each kind.
        tally: Tally,
        /// Chain tag of the newest entry it stands for; absent where it was lost.
        replaces: Option<[u8; 8]>,
    },
    /// A service was done. [`Journal::note`] reads what was noted with it.
    SignOff(SignOff),
    /// Somebody told the time of day.
    Clock(ClockAnchor),
    /// The monitor took over from another hour meter or board.
    Meter(MeterChange),
}

/// Bytes that the longest note has.
pub const NOTE_BYTES: usize = NOTE_PIECE_BYTES * NOTE_PIECES as usize;

impl Journal {
    /// A walk from the newest record back to the oldest, for [`Journal::older`]. Records that are appended meanwhile are
    /// not in it; the oldest may be gone by then.
    #[must_use]
    pub const fn newest(&self) -> Walk {
        Walk::back_from(self.head, self.fresh, SECTORS, None)
    }

    /// The next older record of a walk.
    ///
    /// # Errors
    /// Not ready.
    pub fn older<F: NorFlash>(&self, flash: &mut F, walk: &mut Walk) -> Result<Option<Recorded>, StoreError> {
        if !self.is_ready() {
            return Err(StoreError::NotReady);
        }
        while let Some(entry) = walk.older(flash, self.start)? {
            if let Some(record) = self.record(flash, walk, &entry)? {
                let Entry { seq, boot, running_s, tag, .. } = entry;
                return Ok(Some(Recorded { seq, boot, running_s, tag, record }));
            }
        }
        Ok(None)
    }

    fn record<F: NorFlash>(&self, flash: &mut F, walk: &Walk, entry: &Entry) -> Result<Option<Record>, StoreError> {
        Ok(Some(match entry.content {
            Content::Event(main) if main.has_detail => match walk.companion(flash, self.start)? {
                Some(Content::Detail(detail)) => Record::Event(main.join(Some(&detail))),
                _ => Record::Event(main.join(None)),
            },
            Content::Event(main) => Record::Event(main.join(None)),
            Content::Hole { seconds } => Record::Hole { seconds },
            Content::PowerUp { boot } => Record::PowerUp { boot },
            Content::Counted { finding, level, count } => Record::Counted { finding, level, count },
            Content::Seal { running_s, starts } => Record::Seal { running_s, starts },
            Content::Sum { tally, .. } => {
                let replaces = match walk.companion(flash, self.start)? {
                    Some(Content::Replaced { tag }) => Some(tag),
                    _ => None,
                };
                Record::Sum { tally, replaces }
            }
            Content::SignOff(sign_off) => Record::SignOff(sign_off),
            Content::Clock(anchor) => Record::Clock(anchor),
            Content::Meter(change) => Record::Meter(change),
            Content::Detail(_) | Content::Replaced { .. } | Content::Note(_) | Content::Mark => return Ok(None),
        }))
    }

    /// What was noted with the sign-off that [`Journal::older`] has just given, in UTF-8, its length in bytes first; `None`
    /// where a piece of it is gone.
    ///
    /// # Errors
    /// Not ready.
    pub fn note<F: NorFlash>(
        &self,
        flash: &mut F,
        walk: &Walk,
        sign_off: &SignOff,
    ) -> Result<Option<(usize, [u8; NOTE_BYTES])>, StoreError> {
        if !self.is_ready() {
            return Err(StoreError::NotReady);
        }
        let (mut walk, mut text) = (*walk, [0; NOTE_BYTES]);
        let mut wanted = sign_off.note_pieces.min(NOTE_PIECES);
        while let Some(number) = wanted.checked_sub(1) {
            let Some(Step { entry, .. }) = walk.older_step(flash, self.start)? else { return Ok(None) };
            match entry.content {
                Content::Note(piece) if piece.number == number => {
                    let places = text.iter_mut().skip(usize::from(number).saturating_mul(NOTE_PIECE_BYTES));
                    for (to, from) in places.zip(&piece.text) {
                        *to = *from;
                    }
                    wanted = number;
                }
                // The pieces of another note: those of this one are gone.
                Content::SignOff(_) => return Ok(None),
                _ => {}
            }
        }
        let length = text.iter().rposition(|byte| *byte != 0).map_or(0, |last| last.saturating_add(1));
        Ok(Some((length, text)))
    }

    /// How many records there have been of each kind, those that had to make room included.
    ///
    /// # Errors
    /// Not ready.
    pub fn tally<F: NorFlash>(&self, flash: &mut F) -> Result<Tally, StoreError> {
        if !self.is_ready() {
            return Err(StoreError::NotReady);
        }
        let mut tally = Tally::NONE;
        let mut walk = self.newest();
        while let Some(entry) = walk.older(flash, self.start)? {
            tally.add(&entry.content.tally());
        }
        Ok(tally)
    }

    /// Whether the hours are to be sealed: there is a key, and an hour of running has passed since the last seal.
    #[must_use]
    pub const fn seal_is_due(&self, running_s: u32) -> bool {
        self.key.is_some() && running_s.saturating_sub(self.sealed_s) >= SEAL_EVERY_S
    }

    /// Whether entries are tagged.
    #[must_use]
    pub const fn is_keyed(&self) -> bool {
        self.key.is_some()
    }

    /// The newest tag, for the hand-over slip; `None` while no entry carries one.
    #[must_use]
    pub fn head(&self) -> Option<ChainHead> {
        (self.tag != NO_TAG).then_some(ChainHead(self.tag))
    }

    /// Whether every entry follows from the one before it. Entries that are older than the key carry no tag.
    ///
    /// # Errors
    /// Not ready.
    pub fn verify<F: NorFlash>(&self, flash: &mut F, key: Option<&Key>) -> Result<Verdict, StoreError> {
        if !self.is_ready() {
            return Err(StoreError::NotReady);
        }
        let Some(key) = key else { return Ok(Verdict::Unkeyed) };
        let mut walk = self.newest();
        let (mut newer, mut any_keyed): (Option<Entry>, bool) = (None, false);
        // The tag before the oldest entry: the newest set of sums carries it.
        let mut replaced = None;
        while let Some(Step { entry, is_record }) = walk.older_step(flash, self.start)? {
            if let Some(newer) = newer
                && !follows(key, &newer, &entry)
            {
                return Ok(Verdict::Broken { seq: newer.seq });
            }
            any_keyed |= entry.tag != NO_TAG;
            newer = Some(entry);
            if replaced.is_none() && is_record && matches!(entry.content, Content::Sum { first: true, .. }) {
                replaced = match walk.companion(flash, self.start)? {
                    Some(Content::Replaced { tag }) => Some(tag),
                    _ => None,
                };
            }
        }
        Ok(match newer {
            Some(oldest) if oldest.tag != NO_TAG && oldest.tag != key.tag(replaced.unwrap_or(NO_TAG), &oldest) => {
                Verdict::Broken { seq: oldest.seq }
            }
            Some(_) if any_keyed => Verdict::Sound,
            _ => Verdict::Unkeyed,
        })
    }
}

/// Whether `entry` follows from the one before it in the walk's sense: an entry without a tag only from others without.
fn follows(key: &Key, entry: &Entry, before: &Entry) -> bool {
    if entry.tag == NO_TAG {
        return before.tag == NO_TAG;
    }
    entry.seq == before.seq.saturating_add(1) && entry.tag == key.tag(before.tag, entry)
}
