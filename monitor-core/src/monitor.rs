//! The façade: readings in, events out.

use crate::acquire::Readings;
use crate::advise::Signals;
use crate::command::{Command, Refusal};
use crate::event::Event;
use crate::ledger::Hours;
use crate::profile::{Profile, ProfileError};
use crate::time::Instant;

/// The monitor. Built in place (`const` constructor, then [`Monitor::begin`]); never moved by value.
#[derive(Debug)]
pub struct Monitor {
    hours: Hours,
}

impl Monitor {
    /// An idle monitor; [`Monitor::begin`] gives it its engine.
    #[must_use]
    pub const fn new() -> Self {
        Self { hours: Hours::new() }
    }

    /// Gives the monitor its engine.
    ///
    /// # Errors
    /// A profile that contradicts itself; the monitor stays as it was.
    pub fn begin(&mut self, profile: &Profile) -> Result<(), ProfileError> {
        profile.validate()
    }

    /// Power-up: the engine stands still and nothing has been measured yet. Open findings, hours and what was learned
    /// go on. Trips are numbered by the caller; the commissioning run is −1.
    pub fn begin_trip(&mut self, _now: Instant, _trip: i16) {}

    /// Takes one set of readings. Returns the stamp of the decision tick that this call closed, if it closed one;
    /// events of that tick can then be drained with [`Monitor::next_event`].
    pub fn step(&mut self, _now: Instant, _readings: &Readings) -> Option<Instant> {
        None
    }

    /// Power-down: closes the last decision tick and returns its stamp.
    pub fn end_trip(&mut self) -> Option<Instant> {
        None
    }

    /// Carries out a request. The event it causes bears the stamp `now`.
    ///
    /// # Errors
    /// Why the request had no effect.
    pub fn handle(&mut self, _now: Instant, _command: Command) -> Result<(), Refusal> {
        Err(Refusal::NotAvailable)
    }

    /// The next event, oldest first.
    pub fn next_event(&mut self) -> Option<Event> {
        None
    }

    /// Lamp and sounder at this moment. Cheap: called 20 times a second.
    #[must_use]
    pub fn signals(&self, _now: Instant) -> Signals {
        Signals::default()
    }

    /// Running hours and starts.
    #[must_use]
    pub fn hours(&self) -> &Hours {
        &self.hours
    }
}

impl Default for Monitor {
    fn default() -> Self {
        Self::new()
    }
}
