//! Operations of the store in any order, with the power cut at any moment.

use monitor_core::ledger::Totals;
use monitor_core::ledger::store::{Conditions, Progress, REGION_BYTES, Store, StoreError, Work};
use powercut::{SharedFlash, SimFlash, Tear};

use crate::events;
use crate::input::Input;

/// Asking again and again must come to an end.
const MOST_CALLS: usize = 1_000;

/// The first byte chooses words and pages of the flash. Each operation takes a byte and, where it has a choice, more:
/// running, service, events, learned state, power-downs and cuts. What was acknowledged must be there after each
/// power-down, what was not may be.
///
/// # Panics
/// It is not.
pub fn store_operations(data: &[u8]) {
    let mut input = Input::new(data);
    match input.byte() % 4 {
        0 => Life::<4, 1_024>::lead(input),
        1 => Life::<8, 2_048>::lead(input),
        2 => Life::<16, 4_096>::lead(input),
        _ => Life::<2, 512>::lead(input),
    }
}

/// A store and what it has acknowledged.
struct Life<const WORD: usize, const PAGE: usize> {
    flash: SharedFlash<WORD, PAGE>,
    store: Store,
    /// What the engine has run, and what of it the store said it has.
    hours: Totals,
    saved: Totals,
    events: u32,
    /// Whether an event is asked for that is not acknowledged.
    event_in_flight: bool,
    learned: u8,
    learned_in_flight: Option<u8>,
}

/// The power has gone.
struct PowerGone;

impl<const WORD: usize, const PAGE: usize> Life<WORD, PAGE> {
    fn lead(mut input: Input<'_>) {
        let pages = REGION_BYTES as usize / PAGE;
        let mut life = Self {
            flash: SharedFlash::new(SimFlash::new(pages)),
            store: Store::new(),
            hours: Totals::NONE,
            saved: Totals::NONE,
            events: 0,
            event_in_flight: false,
            learned: 0,
            learned_in_flight: None,
        };
        life.power_up(&mut input);
        while !input.is_used_up() {
            if life.operate(&mut input).is_err() {
                life.power_up(&mut input);
            }
        }
        life.power_up(&mut input);
        assert_eq!(life.flash.with(|flash| flash.breach()), None);
    }

    fn operate(&mut self, input: &mut Input<'_>) -> Result<(), PowerGone> {
        match input.byte() % 8 {
            0 => {
                let band = usize::from(input.byte()) % self.hours.running_ms.len();
                self.hours.running_ms[band] += u64::from(input.number());
                Ok(())
            }
            1 => self.serve(Conditions { engine_runs: true, supply_is_good: true }),
            2 => self.serve(Conditions { engine_runs: false, supply_is_good: true }),
            3 => {
                let before = self.flash.with(|flash| flash.counts().units);
                self.serve(Conditions { engine_runs: false, supply_is_good: false })?;
                assert_eq!(self.flash.with(|flash| flash.counts().units), before, "writing on a bad supply");
                Ok(())
            }
            4 => self.append(),
            5 => self.save(input.byte()),
            6 => {
                self.arm(input);
                Ok(())
            }
            // The power goes between two flash operations.
            _ => Err(PowerGone),
        }
    }

    /// The power will go at some unit from here on.
    fn arm(&self, input: &mut Input<'_>) {
        let (unit, style) = (u64::from(input.number() % 700) + 1, input.byte());
        let tear = Tear::ALL[usize::from(style) % Tear::ALL.len()];
        self.flash.with(|flash| {
            flash.set_unstable(style >= 128);
            flash.cut_at(unit, tear, u64::from(style));
        });
    }

    /// The power comes back, and goes again as often as the input says; then everything must be there.
    fn power_up(&mut self, input: &mut Input<'_>) {
        loop {
            self.flash.with(|flash| flash.power_up());
            let again = input.byte() % 4 == 3;
            if again {
                self.arm(input);
            }
            match self.recover() {
                Ok(()) => return,
                Err(PowerGone) => assert!(again, "no power was cut"),
            }
        }
    }

    fn recover(&mut self) -> Result<(), PowerGone> {
        self.store = Store::new();
        let opened = self.store.open(&mut self.flash, 0);
        self.unless_gone(opened)?;
        let asked = self.hours;
        // What is not known to be saved is not asked for before it is known what is.
        self.hours = Totals::NONE;
        let served = self.serve(Conditions { engine_runs: false, supply_is_good: true });
        self.hours = asked;
        served?;
        let found = self.store.hours.saved().unwrap_or_else(|| panic!("ready without hours"));
        for ((found, saved), asked) in found.running_ms.iter().zip(self.saved.running_ms).zip(asked.running_ms) {
            assert!((saved..=asked).contains(found), "{found} ms of running, {saved} acknowledged, {asked} asked for");
        }
        let counted = events::count(&self.store, &mut self.flash);
        let events = self.unless_gone(counted)?;
        let most = self.events + u32::from(self.event_in_flight);
        assert!((self.events..=most).contains(&events), "{events} events, {} acknowledged", self.events);
        let mut learned = [0; 512];
        let loaded = self.store.learned.load(&mut self.flash, &mut learned);
        let length = self.unless_gone(loaded)?;
        let number = learned[0];
        assert!(learned[..length].iter().all(|byte| *byte == number), "learned state of two halves");
        let either = number == self.learned || Some(number) == self.learned_in_flight;
        assert!(either, "{number} learned, {} acknowledged", self.learned);
        (self.hours, self.saved, self.events, self.learned) = (found, found, events, number);
        (self.event_in_flight, self.learned_in_flight) = (false, None);
        Ok(())
    }

    /// Calls `service` until there is nothing to do.
    fn serve(&mut self, conditions: Conditions) -> Result<(), PowerGone> {
        for _ in 0..MOST_CALLS {
            let served = self.store.service(&mut self.flash, &self.hours, conditions);
            let work = self.unless_gone(served)?;
            if let Some(saved) = self.store.hours.saved() {
                self.saved.raise_to(&saved);
            }
            if work == Work::Nothing && (self.store.is_ready() || !conditions.supply_is_good) {
                return Ok(());
            }
        }
        panic!("still something to do after {MOST_CALLS} calls")
    }

    fn append(&mut self) -> Result<(), PowerGone> {
        self.event_in_flight = true;
        for _ in 0..MOST_CALLS {
            let appended = events::append(&mut self.store, &mut self.flash, self.events + 1);
            if self.unless_gone(appended)? == Progress::Done {
                self.events += 1;
                self.event_in_flight = false;
                return Ok(());
            }
        }
        panic!("an event is not done after {MOST_CALLS} calls")
    }

    fn save(&mut self, number: u8) -> Result<(), PowerGone> {
        self.learned_in_flight = Some(number);
        let fill = |bytes: &mut [u8]| {
            let length = usize::from(number).min(bytes.len()).max(1);
            bytes.iter_mut().take(length).for_each(|byte| *byte = number);
            length
        };
        for _ in 0..MOST_CALLS {
            let saved = self.store.learned.save(&mut self.flash, fill);
            if self.unless_gone(saved)? == Progress::Done {
                self.learned = number;
                self.learned_in_flight = None;
                return Ok(());
            }
        }
        panic!("learned state is not saved after {MOST_CALLS} calls")
    }

    /// An error counts against the store as long as there is power.
    fn unless_gone<T>(&self, result: Result<T, StoreError>) -> Result<T, PowerGone> {
        if !self.flash.with(|flash| flash.is_powered()) {
            return Err(PowerGone);
        }
        result.map_err(|error| panic!("{error}"))
    }
}
