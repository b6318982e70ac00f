//! `simulate`: a scenario in, trips of samples out, with labels of what really happened.
//!
//! One seed gives one run, the same on every machine: all draws come from seeded generators, and nothing here or in the
//! plant uses the machine's own mathematics. `docs/scenario.md` describes the files.

mod boat;
mod book;
mod csv;
mod days;
mod detectable;
mod draw;
mod faults;
mod labels;
mod near_miss;
mod page;
mod scenario;
mod sensors;
mod voyage;

use monitor_core::acquire::{ChannelSet, Readings};
use monitor_core::time::Instant;

use crate::plant::Truth;
use crate::profile::HostProfile;
pub use csv::FileSink;
use draw::Run;
pub use labels::{Label, NearMiss, TripFacts};
use near_miss::Occurrence;
pub use page::Page;
use scenario::Engine;
pub use scenario::{Scenario, Variation};
use voyage::Voyage;

/// Where the trips of a run go. Trip −1 is the commissioning trip and comes first where there is one.
pub trait TripSink {
    /// The run begins, on an engine of this profile; said once, before the first trip.
    fn begin_run(&mut self, _profile: &HostProfile) {}
    /// A trip begins; its trace has columns for `channels`.
    fn begin_trip(&mut self, trip: i16, channels: ChannelSet);
    /// One row: exactly what reading the written trace back gives.
    fn sample(&mut self, at: Instant, readings: &Readings);
    /// What is true at the row just given.
    fn truth(&mut self, _at: Instant, _truth: &Truth) {}
    /// The trip is over.
    fn end_trip(&mut self);
}

/// What a run came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulated {
    /// The profile that goes with the traces.
    pub profile: HostProfile,
    /// The same as a file.
    pub profile_toml: String,
    /// What really happened, by trip and then in the order of the scenario.
    pub labels: Vec<Label>,
    /// What looked like trouble and was none.
    pub near_misses: Vec<NearMiss>,
    /// One entry for each trip.
    pub trips: Vec<TripFacts>,
}

/// Runs `scenario` with `seed` and hands every sample to `sink`.
pub fn simulate(scenario: &Scenario, seed: u64, sink: &mut dyn TripSink) -> Simulated {
    let run = Run::new(scenario, seed);
    sink.begin_run(&run.engine.profile);
    let mut voyage = Voyage::new(&run, seed);
    let (mut labels, mut trips) = (Vec::new(), Vec::new());
    for trip in &run.trips {
        let (facts, found) = voyage.trip(trip, sink);
        trips.push(facts);
        labels.extend(found);
    }
    let near_misses = run.near_misses.iter().map(Occurrence::as_near_miss).collect();
    let Engine { profile, profile_toml, .. } = run.engine.clone();
    Simulated { profile, profile_toml, labels, near_misses, trips }
}
