//! What the tests of the store share.

use embedded_storage::nor_flash::NorFlash;
use monitor_core::ledger::Totals;
use monitor_core::ledger::store::{Conditions, HoursArea, StoreError, Work};

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
