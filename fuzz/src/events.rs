//! Events as the properties append and count them.

use embedded_storage::nor_flash::NorFlash;
use monitor_core::acquire::Channel;
use monitor_core::event::{AlarmState, EvidenceItem, EvidenceKey, State};
use monitor_core::finding::{Finding, Level};
use monitor_core::ledger::store::{JournalEvent, NewRecord, Progress, Store, StoreError};
use monitor_core::time::Instant;

/// Appends event `number`; every other one has evidence. To be repeated until it is done.
pub(crate) fn append<F: NorFlash>(store: &mut Store, flash: &mut F, number: u32) -> Result<Progress, StoreError> {
    let evidence = EvidenceItem { key: EvidenceKey::Value(Channel::Head), value: i32::try_from(number).ok() };
    let event = JournalEvent {
        trip: 0,
        stamp: Instant::from_millis(i64::from(number)),
        id: number,
        finding: Finding::HeadOverLimit,
        channel: None,
        item: None,
        level: Level::Alarm,
        state: State::Raised,
        alarm_state: AlarmState::Unacknowledged,
        evidence: [Some(evidence).filter(|_| number.is_multiple_of(2)), None],
        candidate: None,
        replaced_by: None,
        detail_missing: false,
    };
    store.journal.append(flash, number, &NewRecord::Event(event))
}

/// How many the journal counts, those included that had to make room.
pub(crate) fn count<F: NorFlash>(store: &Store, flash: &mut F) -> Result<u32, StoreError> {
    store.journal.tally(flash).map(|tally| tally.alarms)
}
