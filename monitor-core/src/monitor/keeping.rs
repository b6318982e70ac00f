//! The monitor and its store: what is kept over a power cut, and what comes back.

use embedded_storage::nor_flash::NorFlash;

use super::Monitor;
use crate::advise::Alarms;
use crate::assess::Normal;
use crate::ledger::Moment;
use crate::ledger::packing::{Packer, Unpacker};
use crate::ledger::store::{LEARNED_BYTES, Progress, Store, StoreError, Work};
use crate::time::Instant;

/// For how long after its last sample a running engine counts as running.
const RUNNING_IS_KNOWN_MS: u32 = 5_000;

/// Version of what is kept of the learned state.
const LEARNED_VERSION: u8 = 2;

/// Writes down what was learned and which findings are open; tells the length in bytes.
fn pack(alarms: &Alarms, normal: &Normal, elapsed_ms: u64, bytes: &mut [u8]) -> usize {
    let mut packer = Packer::new(bytes);
    packer.u8(LEARNED_VERSION);
    normal.pack(&mut packer);
    alarms.pack(elapsed_ms, &mut packer);
    packer.finish()
}

impl Monitor {
    /// Opens the store at power-up, after [`Monitor::begin`]: reads the region that begins `start` bytes into the part and
    /// writes nothing. What was kept is taken over by [`Monitor::service`] as soon as the store [is
    /// ready](Monitor::is_ready).
    ///
    /// # Errors
    /// The part cannot hold the region, or nothing can be read of an area. The monitor works without a store; what can
    /// be read is kept up.
    pub fn open<F: NorFlash>(&mut self, flash: &mut F, start: u32) -> Result<(), StoreError> {
        self.keeper.open(flash, start, self.hours.running_seconds())
    }

    /// Writes to flash what is due, with one flash operation at most. To be called until it says [`Work::Nothing`], and
    /// at least twice a second.
    ///
    /// # Errors
    /// The flash refused. What was saved is kept; the next call goes on.
    pub fn service<F: NorFlash>(&mut self, now: Instant, flash: &mut F) -> Result<Work, StoreError> {
        let elapsed_ms = self.timeline.elapsed_ms();
        // An engine whose samples stopped coming is not known to run.
        let engine_runs = self.tracker.running() && now.millis_since(self.last_stamp) <= RUNNING_IS_KNOWN_MS;
        let (alarms, normal) = (&self.alarms, &self.scene.normal);
        let pack = |bytes: &mut [u8]| pack(alarms, normal, elapsed_ms, bytes);
        let work =
            self.keeper.service(flash, &self.hours, &self.scene.profile, Moment { elapsed_ms, engine_runs }, pack)?;
        if self.keeper.can_take_back() {
            self.take_back(flash)?;
            self.refresh_signals(now);
        }
        if work == Work::Nothing && self.keeper.is_ready() && self.care_is_stale() {
            self.read_care(flash);
        }
        Ok(work)
    }

    /// Takes back the hours, what was learned and which findings were open; what a newer version wrote is left alone. Apart
    /// from [`Monitor::service`], so that its buffer is on the stack only then.
    #[inline(never)]
    fn take_back<F: NorFlash>(&mut self, flash: &mut F) -> Result<(), StoreError> {
        let mut bytes = [0; LEARNED_BYTES];
        let length = self.keeper.take_back(flash, &mut self.hours, &mut bytes)?;
        let mut kept = Unpacker::new(bytes.get(..length).unwrap_or_default());
        let elapsed_ms = self.timeline.elapsed_ms();
        let normal = &mut self.scene.normal;
        // What ends too early was written by nobody: the slot has its own check.
        let _complete = match kept.u8() {
            Some(1) => normal.unpack_first_version(&mut kept),
            Some(LEARNED_VERSION) => normal.unpack(&mut kept),
            _ => return Ok(()),
        }
        .and_then(|()| self.alarms.unpack(elapsed_ms, &mut kept));
        Ok(())
    }

    /// Gives the chain of the journal its key: 16 random bytes that are made on the board and never leave it. To be called
    /// once the store [is ready](Monitor::is_ready), with one flash operation at most a call, until it says
    /// [`Progress::Done`]; a memory that has a key keeps it. Without a key the journal works as well, and shows no edits.
    ///
    /// # Errors
    /// Not ready, flash may not be written, or the flash refused: the memory has no new key then.
    pub fn make_chain_key<F: NorFlash>(&mut self, flash: &mut F, random: &[u8; 16]) -> Result<Progress, StoreError> {
        self.keeper.make_chain_key(flash, random)
    }

    /// Whether the store is open, its first acts after power-up are done, and what it kept has been taken over.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.keeper.is_ready()
    }

    /// Says whether flash may be written: not while the supply is under the least voltage at which the board can do it.
    /// At first it may.
    pub fn allow_writes(&mut self, allowed: bool) {
        self.keeper.allow_writes(allowed);
    }

    /// The store, for reading.
    #[must_use]
    pub const fn store(&self) -> &Store {
        self.keeper.store()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::Channel;
    use crate::condition::Tick;
    use crate::detect::Standing;
    use crate::finding::{Finding, Level};

    #[test]
    fn the_most_that_can_be_open_and_learned_fits_a_slot() {
        let mut alarms = Alarms::new();
        let findings = Finding::ALL.into_iter().filter(|finding| finding.family() != crate::finding::Family::Care);
        for finding in findings {
            let _ = alarms.apply(&Tick::NONE, finding, Some(Channel::Rpm), Standing::Present(Level::Alarm));
        }
        let mut bytes = [0; LEARNED_BYTES];
        let length = pack(&alarms, &Normal::new(), 0, &mut bytes);
        assert!(length > 400, "{length}");
    }
}
