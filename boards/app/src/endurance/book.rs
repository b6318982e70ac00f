//! Numbered events in the journal, sealed and under a chain key, and numbered snapshots.

use embedded_storage::nor_flash::NorFlash;
use monitor_core::acquire::Channel;
use monitor_core::event::{AlarmState, EvidenceItem, EvidenceKey, State};
use monitor_core::finding::{Finding, Level};
use monitor_core::ledger::store::{
    Journal, JournalEvent, Key, NewRecord, Progress, Record, Settings, Store, StoreError, Verdict,
};
use monitor_core::ledger::{SnapshotHalf, SnapshotRing, Trigger};
use monitor_core::time::Instant;

/// The chain key of a board that has no secrets.
const KEY: Key = Key::from_bytes(*b"known to anybody");

/// What the journal holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Found {
    /// Events that it counts.
    pub(super) events: u32,
    /// Those that can be read one by one.
    pub(super) readable: u32,
    /// Of these, those that are not the one before the one read before, or not as they were appended.
    pub(super) disorder: u32,
}

/// The settings of this board.
pub(super) fn settings() -> Settings {
    Settings { chain_key: Some(KEY), ..Settings::default() }
}

/// Appends event `number`, or the seal that is due before it, which counts as no event. To be repeated until it is done.
pub(super) fn append<F: NorFlash>(
    journal: &mut Journal,
    flash: &mut F,
    number: u32,
    running_s: u32,
) -> Result<Progress, StoreError> {
    if journal.seal_is_due(running_s) {
        let _told_by_the_next_call = journal.append(flash, running_s, &NewRecord::Seal { starts: number })?;
        return Ok(Progress::Again);
    }
    journal.append(flash, running_s, &NewRecord::Event(event(number)))
}

/// Every third event carries evidence, which takes two entries.
fn event(number: u32) -> JournalEvent {
    let value = i32::try_from(number).unwrap_or(i32::MAX);
    let item = |key| Some(EvidenceItem { key, value: Some(value) });
    let evidence = if number.is_multiple_of(3) {
        [item(EvidenceKey::Value(Channel::Head)), item(EvidenceKey::Limit(Channel::Head))]
    } else {
        [None; 2]
    };
    JournalEvent {
        trip: 0,
        stamp: Instant::from_millis(i64::from(number)),
        id: number,
        finding: Finding::HeadOverLimit,
        channel: None,
        item: None,
        level: Level::Alarm,
        state: State::Raised,
        alarm_state: AlarmState::Unacknowledged,
        evidence,
        candidate: None,
        replaced_by: None,
        detail_missing: false,
    }
}

/// Reads the journal from the newest event to the oldest.
#[inline(never)]
pub(super) fn read<F: NorFlash>(journal: &Journal, flash: &mut F) -> Result<Found, StoreError> {
    let mut found = Found { events: journal.tally(flash)?.alarms, ..Found::default() };
    let mut expected = found.events;
    let mut detail_is_missing = false;
    let mut walk = journal.newest();
    while let Some(recorded) = journal.older(flash, &mut walk)? {
        let Record::Event(read) = recorded.record else { continue };
        found.readable = found.readable.saturating_add(1);
        // Only the oldest event may have lost its detail: that stood in the sector that had to make room.
        let whole = JournalEvent { detail_missing: false, ..read };
        let as_appended = whole == event(expected) || read.detail_missing;
        if read.id != expected || !as_appended || detail_is_missing {
            found.disorder = found.disorder.saturating_add(1);
        }
        detail_is_missing = read.detail_missing;
        expected = read.id.saturating_sub(1);
    }
    Ok(found)
}

/// Whether the journal is not what was written under the key.
#[inline(never)]
pub(super) fn chain_is_broken<F: NorFlash>(journal: &Journal, flash: &mut F) -> Result<bool, StoreError> {
    Ok(matches!(journal.verify(flash, Some(&KEY))?, Verdict::Broken { .. }))
}

/// Snapshot `number`: one half of it, made in a ring of its own.
#[inline(never)]
pub(super) fn snapshot(number: u32, ring: &mut SnapshotRing) -> Option<SnapshotHalf> {
    let value = i32::try_from(number).unwrap_or(i32::MAX);
    *ring = SnapshotRing::new();
    ring.sample(&[Some(value); Channel::COUNT]);
    let stamp = Instant::from_millis(i64::from(number));
    let _followed = ring.trigger(Trigger { id: number, finding: Finding::HeadOverLimit, trip: 0, stamp });
    ring.next_half()
}

/// The number of the newest snapshot; 0 if there is none, or if it is not as it was appended.
#[inline(never)]
pub(super) fn newest_snapshot<F: NorFlash>(store: &Store, flash: &mut F) -> Result<u32, StoreError> {
    let mut walk = store.snapshots.newest();
    let Some(recorded) = store.snapshots.older(flash, &mut walk)? else { return Ok(0) };
    let number = recorded.half.trigger.id;
    Ok(if is_as_appended(&recorded.half) { number } else { 0 })
}

#[inline(never)]
fn is_as_appended(half: &SnapshotHalf) -> bool {
    snapshot(half.trigger.id, &mut SnapshotRing::new()).as_ref() == Some(half)
}
