//! One boat on the water: plant, sensors and the hand on the key.

use rand_pcg::Pcg64Mcg;
use rand_pcg::rand_core::SeedableRng;

use super::draw::{Purpose, Run, Trip, stream};
use super::near_miss::Moment;
use super::sensors::{Draws, Sensors, Values};
use crate::plant::{Plant, Surroundings, Truth, Wear};

/// Turns the key: cranks until the engine fires, waits, tries again.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Skipper {
    was_firing: bool,
    cranked_s: f64,
    wait_s: f64,
}

impl Skipper {
    /// Longest that a starter is kept turning, seconds; the handbooks' rule of thumb is ten at most (common practice).
    const CRANKS_S: f64 = 8.0;
    /// Pause until it is tried again, and until a stalled engine is cranked at all.
    const PAUSES_S: f64 = 4.0;

    /// Whether the starter is to turn in the next `seconds`.
    fn cranks(&mut self, wants_to_run: bool, truth: &Truth, seconds: f64) -> bool {
        if !wants_to_run || truth.firing {
            *self = Self { was_firing: truth.firing && wants_to_run, ..Self::default() };
            return false;
        }
        if std::mem::take(&mut self.was_firing) || self.cranked_s >= Self::CRANKS_S {
            self.cranked_s = 0.0;
            self.wait_s = Self::PAUSES_S;
        }
        if self.wait_s > 0.0 {
            self.wait_s -= seconds;
            return false;
        }
        self.cranked_s += seconds;
        true
    }
}

/// A boat. A clone of it goes on exactly as the boat itself would.
#[derive(Debug, Clone)]
pub(super) struct Boat {
    plant: Plant,
    sensors: Sensors,
    skipper: Skipper,
}

impl Boat {
    pub(super) fn new(run: &Run<'_>, seed: u64) -> Self {
        let surroundings = run.trips.first().map_or_else(Surroundings::default, |trip| trip.surroundings);
        let plant = Plant::new(run.parameters, surroundings, stream(seed, Purpose::Plant));
        Self { plant, sensors: Sensors::new(run.sensors), skipper: Skipper::default() }
    }

    /// The engine stood before the trip; then the power comes.
    pub(super) fn begin_trip(&mut self, trip: &Trip, wear: &Wear) {
        // It stands where it is going to run: in the water and air of the trip.
        self.plant.set_surroundings(trip.surroundings);
        self.plant.cool_for(trip.rest_s, wear);
        if trip.warm {
            self.plant.warm_up();
        }
        self.sensors.begin_trip(trip.scales);
        self.skipper = Skipper::default();
    }

    pub(super) fn truth(&self) -> Truth {
        self.plant.truth()
    }

    pub(super) const fn sensors(&self) -> &Sensors {
        &self.sensors
    }

    /// What the sensors show now.
    pub(super) fn read(&mut self, truth: &Truth, elapsed_s: f64, draws: &Draws, moment: &Moment) -> Values {
        self.sensors.read(truth, elapsed_s, draws, &moment.faults)
    }

    /// Goes on for `seconds`.
    pub(super) fn advance(&mut self, seconds: f64, moment: &Moment, surroundings: Surroundings) {
        if moment.water_shift_k != 0.0 {
            let raw_water_c = (surroundings.raw_water_c + moment.water_shift_k).max(-1.8);
            self.plant.set_surroundings(Surroundings { raw_water_c, ..surroundings });
        } else {
            self.plant.set_surroundings(surroundings);
        }
        let truth = self.plant.truth();
        let mut demand = moment.demand;
        demand.cranking = self.skipper.cranks(demand.rpm_wanted > 0.0, &truth, seconds);
        // Started out of gear, as the interlock of the gearbox wants it.
        demand.in_gear &= truth.firing;
        self.plant.advance(seconds, &demand, &moment.wear);
    }
}

/// The noise of all sensors of a run.
pub(super) fn sensor_noise(seed: u64) -> Pcg64Mcg {
    Pcg64Mcg::seed_from_u64(stream(seed, Purpose::Sensors))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_starter_is_rested_and_a_stalled_engine_is_started_again() {
        let mut skipper = Skipper::default();
        let still = Truth::default();
        let firing = Truth { firing: true, ..still };
        let cranks = |skipper: &mut Skipper, truth: &Truth, seconds: u32| {
            (0..seconds).filter(|_| skipper.cranks(true, truth, 1.0)).count()
        };
        assert!(!skipper.cranks(false, &still, 1.0), "nobody wants it");
        assert_eq!(cranks(&mut skipper, &still, 8), 8, "the first try");
        assert_eq!(cranks(&mut skipper, &still, 4), 0, "rest");
        assert_eq!(cranks(&mut skipper, &still, 3), 3, "the second try");
        assert_eq!(cranks(&mut skipper, &firing, 5), 0, "it fires");
        assert_eq!(cranks(&mut skipper, &still, 4), 0, "stalled");
        assert_eq!(cranks(&mut skipper, &still, 2), 2, "again");
    }
}
