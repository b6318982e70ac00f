//! What the tests of the store share.

use embedded_storage::nor_flash::NorFlash;
use monitor_core::ledger::Totals;
use monitor_core::ledger::store::{Conditions, HoursArea, Journal, Key, NewRecord, Progress, StoreError, Work};

/// The engine runs on a good supply.
pub(crate) const RUNNING: Conditions = Conditions { engine_runs: true, supply_is_good: true };
/// The engine stands, the supply is good.
pub(crate) const STANDING: Conditions = Conditions { engine_runs: false, supply_is_good: true };

/// Calls the hours area until it has nothing to do.
pub(crate) fn settle_hours<F: NorFlash>(
    area: &mut HoursArea,
    flash: &mut F,
    hours: &Totals,
    conditions: Conditions,
) -> Result<(), StoreError> {
    while area.service(flash, hours, conditions)? != Work::Nothing {}
    Ok(())
}

/// Key of the chain in the tests of the journal; the tags in their golden bytes belong to it.
pub(crate) const KEY: Key = Key::from_bytes(*b"a key of a board");

/// Opens a journal after a power-up, with the key, and lets it do what comes first.
pub(crate) fn open_journal<F: NorFlash>(flash: &mut F, boot: u32) -> Result<Journal, StoreError> {
    let mut journal = Journal::new();
    journal.open(flash, 0, boot)?;
    journal.use_key(Some(KEY));
    while !journal.is_ready() {
        let _ = journal.service(flash, RUNNING)?;
    }
    Ok(journal)
}

/// Appends a record, with as many calls as it takes.
pub(crate) fn append<F: NorFlash>(
    journal: &mut Journal,
    flash: &mut F,
    running_s: u32,
    record: &NewRecord,
) -> Result<(), StoreError> {
    while journal.append(flash, running_s, record)? == Progress::Again {}
    Ok(())
}
