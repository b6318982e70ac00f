//! Between the monitor and its store: what is still to be written, and what was kept comes back.

use embedded_storage::nor_flash::NorFlash;

use super::hours::Hours;
use super::quota::Quota;
use super::snapshot::{SNAPSHOT_EVERY_S, SnapshotRing, Trigger};
use super::store::{
    Conditions, JournalEvent, Key, LEARNED_BYTES, NewRecord, Progress, Settings, Store, StoreError, Work,
    learned_is_due,
};
use super::waiting::Waiting;
use crate::acquire::Channel;
use crate::event::{Event, State};
use crate::finding::Level;
use crate::profile::Profile;

/// What changed of the alarms is saved after this time at the latest, so that a power cut does not lose an
/// acknowledgement or an open finding; own convention, within the erases that the area can bear.
const ALARMS_SAVED_AFTER_MS: u32 = 30_000;

/// What the keeper has to know of the moment.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Moment {
    /// Elapsed time since the monitor was made.
    pub(crate) elapsed_ms: u64,
    pub(crate) engine_runs: bool,
}

/// What is to be done next; one kind that fails must not keep the others waiting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Job {
    Journal,
    Counts,
    Snapshot,
    Learned,
    Profile,
}

impl Job {
    const ALL: [Self; 5] = [Self::Journal, Self::Counts, Self::Snapshot, Self::Learned, Self::Profile];
}

/// The store and what waits for it.
#[derive(Debug)]
pub(crate) struct Keeper {
    store: Store,
    opened: bool,
    /// Whether what was kept has been taken over since the monitor was made.
    restored: bool,
    writes_allowed: bool,
    waiting: Waiting,
    quota: Quota,
    /// Records that found no room and are not counted either.
    lost: u16,
    snapshots: SnapshotRing,
    // Of all times of the clock the low 32 bits: none is compared with one 49 days away.
    next_sample_ms: u32,
    /// Running time and elapsed time at which the learned state was saved last.
    learned_at_running_s: u32,
    learned_at_ms: u32,
    /// Since when something is counted that is not written.
    counted_since_ms: Option<u32>,
    alarms_changed: bool,
    /// The end of a trip: what changed is saved at once.
    flush: bool,
    failed: Option<Job>,
    /// Whether the store holds the profile that the monitor works with.
    profile_is_kept: bool,
}

impl Keeper {
    pub(crate) const fn new() -> Self {
        Self {
            store: Store::new(),
            opened: false,
            restored: false,
            writes_allowed: true,
            waiting: Waiting::new(),
            quota: Quota::new(),
            lost: 0,
            snapshots: SnapshotRing::new(),
            next_sample_ms: 0,
            learned_at_running_s: 0,
            learned_at_ms: 0,
            counted_since_ms: None,
            alarms_changed: false,
            flush: false,
            failed: None,
            profile_is_kept: false,
        }
    }

    /// Power-up at so many running seconds; what was kept of earlier ones is added once it is known.
    pub(crate) fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32, running_s: u32) -> Result<(), StoreError> {
        self.opened = true;
        let opened = self.store.open(flash, start);
        self.note(&NewRecord::PowerUp, running_s, false);
        opened
    }

    pub(crate) fn allow_writes(&mut self, allowed: bool) {
        self.writes_allowed = allowed;
    }

    pub(crate) fn is_ready(&self) -> bool {
        self.restored && self.store.is_ready()
    }

    pub(crate) const fn store(&self) -> &Store {
        &self.store
    }

    pub(crate) const fn lost(&self) -> u32 {
        self.lost as u32
    }

    /// Power-up, or the next trip of a recording.
    pub(crate) fn begin_trip(&mut self, elapsed_ms: u64) {
        self.snapshots = SnapshotRing::new();
        self.next_sample_ms = low_32(elapsed_ms);
        // What was counted in the trip before is written before anything else comes to it.
        self.quota.begin_trip();
        self.flush |= self.quota.has_counts();
    }

    /// The end of a trip: what waits is written as it is.
    pub(crate) fn end_trip(&mut self) {
        self.snapshots.finish();
        self.flush = true;
    }

    /// The monitor was given an engine.
    pub(crate) fn profile_changed(&mut self) {
        self.profile_is_kept = false;
    }

    /// Something that happened is to be remembered, at so many running seconds.
    pub(crate) fn event(&mut self, event: &Event, running_s: u32) {
        self.alarms_changed = true;
        if !self.opened {
            return;
        }
        let by_hand = !matches!(event.state, State::Raised | State::LevelChanged | State::Cleared | State::Replaced);
        let record = NewRecord::Event(JournalEvent::of(event));
        let is_noted =
            self.quota.takes(event.finding) && self.waiting.add(&record, self.store.boot(), running_s, by_hand);
        if !is_noted && !self.quota.count(event.finding, event.level) {
            self.lost = self.lost.saturating_add(1);
        }
        if matches!(event.state, State::Raised | State::LevelChanged) && event.level >= Level::Warning {
            let trigger = Trigger { id: event.id, finding: event.finding, trip: event.trip, stamp: event.stamp };
            // No more than three are followed at once: the first ones show what there was to see.
            let _followed = self.snapshots.trigger(trigger);
        }
    }

    /// The record has a hole that ended a run, after so many running seconds.
    pub(crate) fn hole(&mut self, length_ms: u64, running_s: u32) {
        let seconds = u32::try_from(length_ms).unwrap_or(u32::MAX) / 1_000;
        self.note(&NewRecord::Hole { seconds }, running_s, false);
    }

    fn note(&mut self, record: &NewRecord, running_s: u32, spared: bool) {
        if self.opened && !self.waiting.add(record, self.store.boot(), running_s, spared) {
            self.lost = self.lost.saturating_add(1);
        }
    }

    /// Whether the channels are to be handed in with [`Self::sample`] now.
    pub(crate) const fn sample_is_due(&self, elapsed_ms: u64) -> bool {
        self.opened && has_come(self.next_sample_ms, elapsed_ms)
    }

    /// All channels of a tick, for the minutes around alarms.
    pub(crate) fn sample(&mut self, elapsed_ms: u64, values: &[Option<i32>; Channel::COUNT]) {
        let every_ms = SNAPSHOT_EVERY_S.saturating_mul(1_000);
        let due_ms = self.next_sample_ms.wrapping_add(every_ms);
        // After a hole the rhythm begins anew.
        self.next_sample_ms =
            if has_come(due_ms, elapsed_ms) { low_32(elapsed_ms).wrapping_add(every_ms) } else { due_ms };
        self.snapshots.sample(values);
    }

    /// Whether what was kept can be taken over and has not been.
    pub(crate) fn can_take_back(&self) -> bool {
        !self.restored && self.store.learned.is_ready() && self.store.hours.is_ready()
    }

    /// Takes over the hours and reads what was learned into `learned`; tells its length.
    pub(crate) fn take_back<F: NorFlash>(
        &mut self,
        flash: &mut F,
        hours: &mut Hours,
        learned: &mut [u8; LEARNED_BYTES],
    ) -> Result<usize, StoreError> {
        let kept = self.store.hours.saved().ok_or(StoreError::NotReady)?;
        self.restored = true;
        let before_s = hours.running_seconds();
        hours.take_over(&kept);
        self.waiting.shift(hours.running_seconds().saturating_sub(before_s));
        self.learned_at_running_s = hours.running_seconds();
        self.store.learned.load(flash, learned)
    }

    /// Does the next thing that is to be done, with one flash operation at most; hours come first. `pack` writes down
    /// what was learned and tells its length in bytes.
    pub(crate) fn service<F: NorFlash>(
        &mut self,
        flash: &mut F,
        hours: &Hours,
        profile: &Profile,
        moment: Moment,
        pack: impl FnOnce(&mut [u8]) -> usize,
    ) -> Result<Work, StoreError> {
        if !self.opened {
            return Err(StoreError::NotReady);
        }
        let conditions = Conditions { engine_runs: moment.engine_runs, supply_is_good: self.writes_allowed };
        let work = self.store.service(flash, hours.totals(), conditions)?;
        if work != Work::Nothing || !self.writes_allowed || !self.is_ready() {
            return Ok(work);
        }
        if self.quota.has_counts() {
            let _since = self.counted_since_ms.get_or_insert(low_32(moment.elapsed_ms));
        } else {
            self.counted_since_ms = None;
        }
        let failed = self.failed.take();
        let next = Job::ALL.into_iter().filter(|job| Some(*job) != failed).find(|job| self.is_due(*job, hours, moment));
        let Some(job) = next.or_else(|| failed.filter(|job| self.is_due(*job, hours, moment))) else {
            self.flush = false;
            return Ok(Work::Nothing);
        };
        let done = match job {
            Job::Journal => self.write_journal(flash, hours),
            Job::Counts => self.write_count(flash, hours),
            Job::Snapshot => self.write_snapshot(flash),
            Job::Learned => self.write_learned(flash, hours, moment, pack),
            Job::Profile => self.write_profile(flash, profile),
        };
        if done.is_err() {
            self.failed = Some(job);
        }
        done
    }

    fn is_due(&self, job: Job, hours: &Hours, moment: Moment) -> bool {
        match job {
            Job::Journal => !self.waiting.is_empty() || self.store.journal.seal_is_due(hours.running_seconds()),
            Job::Counts => self.counts_are_due(moment),
            Job::Snapshot => self.snapshots.next_half().is_some(),
            Job::Profile => !self.profile_is_kept,
            Job::Learned => {
                let since_s = hours.running_seconds().saturating_sub(self.learned_at_running_s);
                let alarms_age_ms = low_32(moment.elapsed_ms).wrapping_sub(self.learned_at_ms);
                learned_is_due(since_s, moment.engine_runs)
                    || (self.alarms_changed && (self.flush || alarms_age_ms >= ALARMS_SAVED_AFTER_MS))
                    || (self.flush && since_s > 0)
            }
        }
    }

    /// What is counted is written at the end of the trip, and before: as often as learned state, so that a power cut does
    /// not take more with it, and as soon as nothing else can be counted.
    fn counts_are_due(&self, moment: Moment) -> bool {
        let Some(since_ms) = self.counted_since_ms else { return false };
        let age_s = low_32(moment.elapsed_ms).wrapping_sub(since_ms) / 1_000;
        self.flush || self.quota.is_full() || learned_is_due(age_s, moment.engine_runs)
    }

    #[inline(never)]
    fn write_journal<F: NorFlash>(&mut self, flash: &mut F, hours: &Hours) -> Result<Work, StoreError> {
        let Some((detail, main)) = self.waiting.oldest() else {
            let seal = NewRecord::Seal { starts: hours.starts() };
            let _again = self.store.journal.append(flash, hours.running_seconds(), &seal)?;
            return Ok(Work::Wrote);
        };
        if self.store.journal.append_waiting(flash, detail, main)? == Progress::Done {
            self.waiting.remove_oldest();
        }
        Ok(Work::Wrote)
    }

    #[inline(never)]
    fn write_count<F: NorFlash>(&mut self, flash: &mut F, hours: &Hours) -> Result<Work, StoreError> {
        let Some(record) = self.quota.next() else { return Ok(Work::Nothing) };
        if self.store.journal.append(flash, hours.running_seconds(), &record)? == Progress::Done {
            self.quota.is_written(&record);
        }
        Ok(Work::Wrote)
    }

    #[inline(never)]
    fn write_snapshot<F: NorFlash>(&mut self, flash: &mut F) -> Result<Work, StoreError> {
        let Some(half) = self.snapshots.next_half() else { return Ok(Work::Nothing) };
        if self.store.snapshots.append(flash, &half)? == Progress::Done {
            self.snapshots.half_is_kept(&half);
        }
        Ok(Work::Wrote)
    }

    fn write_learned<F: NorFlash>(
        &mut self,
        flash: &mut F,
        hours: &Hours,
        moment: Moment,
        pack: impl FnOnce(&mut [u8]) -> usize,
    ) -> Result<Work, StoreError> {
        if self.store.learned.save(flash, pack)? == Progress::Done {
            self.learned_at_running_s = hours.running_seconds();
            self.learned_at_ms = low_32(moment.elapsed_ms);
            self.alarms_changed = false;
        }
        Ok(Work::Wrote)
    }

    /// The keys stay as they are.
    #[inline(never)]
    fn write_profile<F: NorFlash>(&mut self, flash: &mut F, profile: &Profile) -> Result<Work, StoreError> {
        let mut kept = match self.store.settings.load(flash) {
            // What a newer version wrote is left to it.
            Err(StoreError::Newer { .. }) => {
                self.profile_is_kept = true;
                return Ok(Work::Nothing);
            }
            kept => kept?.unwrap_or_default(),
        };
        if kept.profile == Some(*profile) {
            self.profile_is_kept = true;
            return Ok(Work::Looked);
        }
        kept.profile = Some(*profile);
        self.profile_is_kept = self.save_settings(flash, &kept)? == Progress::Done;
        Ok(Work::Wrote)
    }

    /// Gives the chain of the journal its key, if there is none yet.
    #[inline(never)]
    pub(crate) fn make_chain_key<F: NorFlash>(
        &mut self,
        flash: &mut F,
        random: &[u8; 16],
    ) -> Result<Progress, StoreError> {
        if !self.is_ready() || !self.writes_allowed {
            return Err(StoreError::NotReady);
        }
        let mut kept = self.store.settings.load(flash)?.unwrap_or_default();
        if kept.chain_key.is_some() {
            return Ok(Progress::Done);
        }
        kept.chain_key = Some(Key::from_bytes(*random));
        self.save_settings(flash, &kept)
    }

    fn save_settings<F: NorFlash>(&mut self, flash: &mut F, settings: &Settings) -> Result<Progress, StoreError> {
        let progress = self.store.settings.save(flash, settings)?;
        if progress == Progress::Done {
            self.store.settings_changed();
        }
        Ok(progress)
    }
}

/// The low 32 bits of a time in milliseconds.
const fn low_32(ms: u64) -> u32 {
    let [a, b, c, d, ..] = ms.to_le_bytes();
    u32::from_le_bytes([a, b, c, d])
}

/// Whether the time `due_ms`, of which the low 32 bits are known, has come; it is less than 24 days away.
const fn has_come(due_ms: u32, now_ms: u64) -> bool {
    low_32(now_ms).wrapping_sub(due_ms) <= u32::MAX / 2
}
