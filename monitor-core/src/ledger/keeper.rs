//! Between the monitor and its store: what is still to be written, and what was kept comes back.

use embedded_storage::nor_flash::NorFlash;

use super::hours::Hours;
use super::snapshot::{SNAPSHOT_EVERY_S, SnapshotRing, Trigger};
use super::store::{
    Conditions, JournalEvent, LEARNED_BYTES, NewRecord, Progress, Settings, Store, StoreError, Work, learned_is_due,
};
use crate::acquire::Channel;
use crate::event::{Event, State};
use crate::finding::Level;
use crate::profile::Profile;

/// Records that can wait for the flash. One request may change more findings than that at once: what finds no room is
/// counted and told by `Monitor::lost`.
const WAITING: usize = 8;
/// What changed of the alarms is saved after this time at the latest, so that a power cut does not lose an
/// acknowledgement or an open finding; own convention, within the erases that the area can bear.
const ALARMS_SAVED_AFTER_MS: u64 = 30_000;

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
    Snapshot,
    Learned,
    Profile,
}

impl Job {
    const ALL: [Self; 4] = [Self::Journal, Self::Snapshot, Self::Learned, Self::Profile];
}

/// The store and what waits for it.
#[derive(Debug)]
pub(crate) struct Keeper {
    store: Store,
    opened: bool,
    /// Whether what was kept has been taken over since the monitor was made.
    restored: bool,
    writes_allowed: bool,
    waiting: [Option<NewRecord>; WAITING],
    /// Records that found no room.
    lost: u32,
    snapshots: SnapshotRing,
    next_sample_ms: u64,
    /// Running time and elapsed time at which the learned state was saved last.
    learned_at_running_ms: u64,
    learned_at_ms: u64,
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
            waiting: [const { None }; WAITING],
            lost: 0,
            snapshots: SnapshotRing::new(),
            next_sample_ms: 0,
            learned_at_running_ms: 0,
            learned_at_ms: 0,
            alarms_changed: false,
            flush: false,
            failed: None,
            profile_is_kept: false,
        }
    }

    pub(crate) fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32) -> Result<(), StoreError> {
        self.opened = true;
        self.note(NewRecord::PowerUp);
        self.store.open(flash, start)
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
        self.lost
    }

    /// Power-up, or the next trip of a recording.
    pub(crate) fn begin_trip(&mut self, elapsed_ms: u64) {
        self.snapshots = SnapshotRing::new();
        self.next_sample_ms = elapsed_ms;
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

    /// Something that happened is to be remembered.
    pub(crate) fn event(&mut self, event: &Event) {
        self.alarms_changed = true;
        if !self.opened {
            return;
        }
        self.note(NewRecord::Event(JournalEvent::of(event)));
        if matches!(event.state, State::Raised | State::LevelChanged) && event.level >= Level::Warning {
            let trigger = Trigger { id: event.id, finding: event.finding, trip: event.trip, stamp: event.stamp };
            // No more than three are followed at once: the first ones show what there was to see.
            let _followed = self.snapshots.trigger(trigger);
        }
    }

    /// The record has a hole that ended a run.
    pub(crate) fn hole(&mut self, length_ms: u64) {
        let seconds = u32::try_from(length_ms).unwrap_or(u32::MAX) / 1_000;
        self.note(NewRecord::Hole { seconds });
    }

    fn note(&mut self, record: NewRecord) {
        if !self.opened {
            return;
        }
        match self.waiting.iter_mut().find(|waiting| waiting.is_none()) {
            Some(free) => *free = Some(record),
            None => self.lost = self.lost.saturating_add(1),
        }
    }

    /// Whether the channels are to be handed in with [`Self::sample`] now.
    pub(crate) fn sample_is_due(&self, elapsed_ms: u64) -> bool {
        self.opened && elapsed_ms >= self.next_sample_ms
    }

    /// All channels of a tick, for the minutes around alarms.
    pub(crate) fn sample(&mut self, elapsed_ms: u64, values: &[Option<i32>; Channel::COUNT]) {
        let every_ms = u64::from(SNAPSHOT_EVERY_S).saturating_mul(1_000);
        let due_ms = self.next_sample_ms.saturating_add(every_ms);
        // After a hole the rhythm begins anew.
        self.next_sample_ms = if due_ms > elapsed_ms { due_ms } else { elapsed_ms.saturating_add(every_ms) };
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
        hours.take_over(&kept);
        self.learned_at_running_ms = hours.running_ms();
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
        let failed = self.failed.take();
        let next = Job::ALL.into_iter().filter(|job| Some(*job) != failed).find(|job| self.is_due(*job, hours, moment));
        let Some(job) = next.or_else(|| failed.filter(|job| self.is_due(*job, hours, moment))) else {
            self.flush = false;
            return Ok(Work::Nothing);
        };
        let done = match job {
            Job::Journal => self.write_journal(flash, hours),
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
            Job::Journal => {
                self.waiting.iter().any(Option::is_some) || self.store.journal.seal_is_due(running_s(hours))
            }
            Job::Snapshot => self.snapshots.next_half().is_some(),
            Job::Profile => !self.profile_is_kept,
            Job::Learned => {
                let since_ms = hours.running_ms().saturating_sub(self.learned_at_running_ms);
                let since_s = u32::try_from(since_ms / 1_000).unwrap_or(u32::MAX);
                let alarms_age_ms = moment.elapsed_ms.saturating_sub(self.learned_at_ms);
                learned_is_due(since_s, moment.engine_runs)
                    || (self.alarms_changed && (self.flush || alarms_age_ms >= ALARMS_SAVED_AFTER_MS))
                    || (self.flush && since_ms > 0)
            }
        }
    }

    fn write_journal<F: NorFlash>(&mut self, flash: &mut F, hours: &Hours) -> Result<Work, StoreError> {
        let running_s = running_s(hours);
        let Some(record) = self.waiting.iter().flatten().next() else {
            let seal = NewRecord::Seal { starts: hours.starts() };
            let _again = self.store.journal.append(flash, running_s, &seal)?;
            return Ok(Work::Wrote);
        };
        if self.store.journal.append(flash, running_s, record)? == Progress::Done {
            self.waiting.rotate_left(1);
            if let Some(last) = self.waiting.last_mut() {
                *last = None;
            }
        }
        Ok(Work::Wrote)
    }

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
            self.learned_at_running_ms = hours.running_ms();
            self.learned_at_ms = moment.elapsed_ms;
            self.alarms_changed = false;
        }
        Ok(Work::Wrote)
    }

    /// The keys stay as they are.
    fn write_profile<F: NorFlash>(&mut self, flash: &mut F, profile: &Profile) -> Result<Work, StoreError> {
        let kept = match self.store.settings.load(flash) {
            // What a newer version wrote is left to it.
            Err(StoreError::Newer { .. }) => {
                self.profile_is_kept = true;
                return Ok(Work::Nothing);
            }
            kept => kept?.unwrap_or_default(),
        };
        if kept.profile == Some(*profile) {
            self.profile_is_kept = true;
            return Ok(Work::Nothing);
        }
        let settings = Settings { profile: Some(*profile), ..kept };
        self.profile_is_kept = self.store.settings.save(flash, &settings)? == Progress::Done;
        Ok(Work::Wrote)
    }
}

fn running_s(hours: &Hours) -> u32 {
    u32::try_from(hours.running_s()).unwrap_or(u32::MAX)
}
