//! A store that is worked as hard as it can be, so that somebody outside can cut its power at any moment.
//!
//! [`run_endurance`] opens the store, tells what it recovered, and then writes hours, events and learned state without a
//! pause. Each time the store has acknowledged something, this is told at once. Who listens can cut the power, start
//! over, and compare. Everything is numbered from 1, so that loss, repetition and disorder show.

mod book;
mod counted;
#[cfg(test)]
mod tests;

use core::fmt;

use embedded_storage::nor_flash::NorFlash;
use monitor_core::ledger::store::{Conditions, LEARNED_BYTES, Progress, Store, StoreError, Work};
use monitor_core::ledger::{SnapshotHalf, SnapshotRing, Totals};

use counted::Counted;

/// Running that each round adds, in milliseconds: a checkpoint is due at once.
const ROUND_MS: u64 = 9_000;
/// Learned state is saved every so many rounds; it is the largest record by far.
const ROUNDS_A_SAVE: u32 = 8;
/// Half a snapshot is kept every so many rounds.
const ROUNDS_A_SNAPSHOT: u32 = 5;
/// The engine stands in one of so many rounds, so that erasing ahead has its time.
const ROUNDS_A_STOP: u32 = 16;
/// More calls in a row that find work than any honest store needs.
const MOST_CALLS: u32 = 2_000;

/// What is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Said {
    /// The number of this power-up.
    Boot,
    /// Milliseconds of running that the store has.
    Hours,
    /// Events that the journal counts, those that had to make room included.
    Events,
    /// Of the events that can still be read one by one, newest first: those that do not follow the one before.
    Disorder,
    /// The number that was saved last as learned state; 0 if there is none.
    Learned,
    /// The number of the newest snapshot; 0 if there is none.
    Snapshots,
    /// 1 if the chain of the journal is broken.
    Broken,
    /// Places that held something and could not be read.
    Damaged,
    /// All that was recovered has been told; the value is the number of events that can be read one by one.
    Ready,
}

impl Said {
    /// Its name on a console.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Boot => "boot",
            Self::Hours => "hours_ms",
            Self::Events => "events",
            Self::Disorder => "disorder",
            Self::Learned => "learned",
            Self::Snapshots => "snapshots",
            Self::Broken => "broken_chain",
            Self::Damaged => "damaged",
            Self::Ready => "ready",
        }
    }
}

/// What is counted apart on an emulated board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Task {
    /// The store is opened.
    Open,
    /// One call of `service`.
    Service,
    /// One call that appends to the journal.
    Append,
    /// One call that saves learned state, settings or half a snapshot.
    Save,
}

/// Who watches the work and listens.
pub trait Listener {
    /// Why it cannot listen any more.
    type Error;

    /// A task begins.
    fn begins(&mut self, task: Task);

    /// A task ended, with that work done in flash.
    fn ended(&mut self, task: Task, work: Work);

    /// Something was recovered or acknowledged.
    ///
    /// # Errors
    /// It cannot be passed on.
    fn hear(&mut self, said: Said, value: u32) -> Result<(), Self::Error>;
}

/// Why the work ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EnduranceError<E> {
    /// The store refused.
    Store(StoreError),
    /// A call did more than one flash operation, or did not say what it did.
    Operations {
        /// Operations that the flash driver counted.
        counted: u32,
        /// What the call said.
        work: Work,
    },
    /// The store finds more and more to do.
    Restless,
    /// Nobody listens.
    Listener(E),
}

impl<E> From<StoreError> for EnduranceError<E> {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

impl<E: fmt::Display> fmt::Display for EnduranceError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Store(error) => write!(f, "{error}"),
            Self::Operations { counted, work } => {
                write!(f, "a call did {counted} flash operations and said {work:?}; at most one is allowed")
            }
            Self::Restless => write!(f, "the store still finds work after {MOST_CALLS} calls"),
            Self::Listener(error) => write!(f, "what was acknowledged cannot be told: {error}"),
        }
    }
}

/// Opens `store` on the region at the beginning of `flash`, tells what it recovered and works it for so many rounds, or
/// for ever.
///
/// # Errors
/// See [`EnduranceError`]; a store that keeps its promises on a flash that works ends with none.
#[inline(never)]
pub fn run_endurance<F: NorFlash, L: Listener>(
    store: &mut Store,
    flash: F,
    rounds: Option<u32>,
    listener: &mut L,
) -> Result<(), EnduranceError<L::Error>> {
    let mut endurance = Endurance {
        store,
        flash: Counted::new(flash),
        listener,
        hours: Totals::NONE,
        events: 0,
        learned: 0,
        snapshots: 0,
    };
    endurance.recover()?;
    let mut round = 0_u32;
    while rounds.is_none_or(|rounds| round < rounds) {
        round = round.wrapping_add(1);
        endurance.work(round)?;
    }
    Ok(())
}

struct Endurance<'a, F, L> {
    store: &'a mut Store,
    flash: Counted<F>,
    listener: &'a mut L,
    hours: Totals,
    events: u32,
    learned: u32,
    snapshots: u32,
}

impl<F: NorFlash, L: Listener> Endurance<'_, F, L> {
    /// Opens the store and tells what it holds. Each part that has much on the stack is a function of its own, so that the
    /// depth that is measured is that of the store.
    #[inline(never)]
    fn recover(&mut self) -> Result<(), EnduranceError<L::Error>> {
        self.open()?;
        self.settle(false)?;
        self.make_key()?;
        self.take_hours();
        let found = book::read(&self.store.journal, &mut self.flash)?;
        self.events = found.events;
        self.learned = self.load()?;
        self.snapshots = book::newest_snapshot(self.store, &mut self.flash)?;
        let broken = book::chain_is_broken(&self.store.journal, &mut self.flash)?;
        self.say(Said::Boot, self.store.boot())?;
        self.say(Said::Damaged, u32::from(self.store.damaged()))?;
        self.say_hours()?;
        self.say(Said::Events, self.events)?;
        self.say(Said::Disorder, found.disorder)?;
        self.say(Said::Learned, self.learned)?;
        self.say(Said::Snapshots, self.snapshots)?;
        self.say(Said::Broken, u32::from(broken))?;
        self.say(Said::Ready, found.readable)
    }

    #[inline(never)]
    fn open(&mut self) -> Result<(), EnduranceError<L::Error>> {
        let _nothing =
            self.one_operation(Task::Open, |store, flash, _| store.open(flash, 0).map(|()| Work::Nothing))?;
        Ok(())
    }

    #[inline(never)]
    fn take_hours(&mut self) {
        self.hours = self.store.hours.saved().unwrap_or(Totals::NONE);
    }

    /// Gives an empty store the key of this board.
    #[inline(never)]
    fn make_key(&mut self) -> Result<(), EnduranceError<L::Error>> {
        if self.store.settings.load(&mut self.flash)?.is_some() {
            return Ok(());
        }
        self.repeat(Task::Save, |store, flash| store.settings.save(flash, &book::settings()))?;
        self.store.take_chain_key(&mut self.flash);
        Ok(())
    }

    /// The number that was saved last as learned state.
    #[inline(never)]
    fn load(&mut self) -> Result<u32, StoreError> {
        let mut bytes = [0; LEARNED_BYTES];
        let length = self.store.learned.load(&mut self.flash, &mut bytes)?;
        Ok(number_of(bytes.get(..length).unwrap_or_default()))
    }

    #[inline(never)]
    fn append(&mut self, number: u32, running_s: u32) -> Result<(), EnduranceError<L::Error>> {
        self.repeat(Task::Append, |store, flash| book::append(&mut store.journal, flash, number, running_s))
    }

    #[inline(never)]
    fn save(&mut self, number: u32) -> Result<(), EnduranceError<L::Error>> {
        self.repeat(Task::Save, |store, flash| store.learned.save(flash, |bytes| put(number, bytes)))
    }

    /// One round: hours in a band that changes, an event, now and then learned state and a standstill.
    #[inline(never)]
    fn work(&mut self, round: u32) -> Result<(), EnduranceError<L::Error>> {
        let bands = self.hours.running_ms.len();
        let band = usize::try_from(round).unwrap_or(0).checked_rem(bands).unwrap_or(0);
        if let Some(running_ms) = self.hours.running_ms.get_mut(band) {
            *running_ms = running_ms.saturating_add(ROUND_MS);
        }
        self.settle(!round.is_multiple_of(ROUNDS_A_STOP))?;
        self.say_hours()?;
        let number = self.events.saturating_add(1);
        let running_s = self.running_ms() / 1_000;
        self.append(number, running_s)?;
        self.events = number;
        self.say(Said::Events, number)?;
        if round.is_multiple_of(ROUNDS_A_SAVE) {
            let number = self.learned.saturating_add(1);
            self.save(number)?;
            self.learned = number;
            self.say(Said::Learned, number)?;
        }
        if round.is_multiple_of(ROUNDS_A_SNAPSHOT) {
            self.take_snapshot()?;
        }
        Ok(())
    }

    #[inline(never)]
    fn take_snapshot(&mut self) -> Result<(), EnduranceError<L::Error>> {
        let number = self.snapshots.saturating_add(1);
        let Some(half) = snapshot(number) else { return Ok(()) };
        self.repeat(Task::Save, |store, flash| store.snapshots.append(flash, &half))?;
        self.snapshots = number;
        self.say(Said::Snapshots, number)
    }

    /// Calls `service` until it has nothing to do and the store is ready.
    #[inline(never)]
    fn settle(&mut self, engine_runs: bool) -> Result<(), EnduranceError<L::Error>> {
        let conditions = Conditions { engine_runs, supply_is_good: true };
        for _ in 0..MOST_CALLS {
            let work =
                self.one_operation(Task::Service, |store, flash, hours| store.service(flash, hours, conditions))?;
            if work == Work::Nothing && self.store.is_ready() {
                return Ok(());
            }
        }
        Err(EnduranceError::Restless)
    }

    /// Asks again until it is done.
    fn repeat(
        &mut self,
        task: Task,
        mut ask: impl FnMut(&mut Store, &mut Counted<F>) -> Result<Progress, StoreError>,
    ) -> Result<(), EnduranceError<L::Error>> {
        for _ in 0..MOST_CALLS {
            let mut progress = Progress::Again;
            let _told_by_progress = self.one_operation(task, |store, flash, _| {
                progress = ask(store, flash)?;
                Ok(if flash.operations() == 0 { Work::Looked } else { flash.last_work() })
            })?;
            if progress == Progress::Done {
                return Ok(());
            }
        }
        Err(EnduranceError::Restless)
    }

    /// One call of the store, watched: it must not do more than one flash operation, and must say which.
    fn one_operation(
        &mut self,
        task: Task,
        call: impl FnOnce(&mut Store, &mut Counted<F>, &Totals) -> Result<Work, StoreError>,
    ) -> Result<Work, EnduranceError<L::Error>> {
        self.flash.forget();
        self.listener.begins(task);
        let work = call(self.store, &mut self.flash, &self.hours);
        self.listener.ended(task, *work.as_ref().unwrap_or(&Work::Nothing));
        let work = work?;
        let counted = self.flash.operations();
        let only_looked = counted == 0 && work == Work::Looked;
        if counted > 1 || (work != self.flash.last_work() && !only_looked) {
            return Err(EnduranceError::Operations { counted, work });
        }
        Ok(work)
    }

    fn running_ms(&self) -> u32 {
        u32::try_from(self.hours.all_running_ms()).unwrap_or(u32::MAX)
    }

    /// Tells the hours as the store says it has them.
    #[inline(never)]
    fn say_hours(&mut self) -> Result<(), EnduranceError<L::Error>> {
        let saved = self.store.hours.saved().unwrap_or(Totals::NONE);
        self.say(Said::Hours, u32::try_from(saved.all_running_ms()).unwrap_or(u32::MAX))
    }

    fn say(&mut self, said: Said, value: u32) -> Result<(), EnduranceError<L::Error>> {
        self.listener.hear(said, value).map_err(EnduranceError::Listener)
    }
}

/// Apart, so that the ring is gone when its half is written.
#[inline(never)]
fn snapshot(number: u32) -> Option<SnapshotHalf> {
    book::snapshot(number, &mut SnapshotRing::new())
}

/// What is saved as learned state: a number, and behind it bytes that depend on it, as many as there is room for.
fn put(number: u32, bytes: &mut [u8]) -> usize {
    let length = bytes.len();
    let Some((first, behind)) = bytes.split_first_chunk_mut() else { return 0 };
    *first = number.to_le_bytes();
    let mut chaos = number;
    for byte in behind {
        *byte = next(&mut chaos);
    }
    length
}

/// The number in what was saved as learned state; 0 if it is not what was saved with that number.
fn number_of(bytes: &[u8]) -> u32 {
    let Some((first, behind)) = bytes.split_first_chunk() else { return 0 };
    let number = u32::from_le_bytes(*first);
    let mut chaos = number;
    let is_whole = bytes.len() == LEARNED_BYTES && behind.iter().all(|byte| *byte == next(&mut chaos));
    if is_whole { number } else { 0 }
}

/// The 32-bit generator of Marsaglia's "Xorshift RNGs" (2003), with its shifts 13, 17 and 5.
fn next(chaos: &mut u32) -> u8 {
    *chaos ^= *chaos << 13;
    *chaos ^= *chaos >> 17;
    *chaos ^= *chaos << 5;
    let [low, ..] = chaos.to_le_bytes();
    low
}
