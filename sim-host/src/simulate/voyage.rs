//! The loop: one sample after the other, and beside the boat its twin without faults.

use monitor_core::acquire::{Channel, ChannelSet};
use monitor_core::time::Instant;
use monitor_core::units::Quantity;
use rand_pcg::Pcg64Mcg;

use super::TripSink;
use super::boat::{Boat, sensor_noise};
use super::days::Leg;
use super::detectable::{Scene, Watch};
use super::draw::{Run, Trip};
use super::faults::Fault;
use super::labels::{Label, TripFacts};
use super::near_miss::Moment;
use super::sensors::{Draws, Values, readings};
use crate::plant::{Demand, Truth};

/// Longest step of the plant while a near miss stands: some last half a second only.
const FINE_STEP_MS: i64 = 500;

/// All trips of one run.
pub(super) struct Voyage<'r> {
    run: &'r Run<'r>,
    channels: ChannelSet,
    boat: Boat,
    /// Parts from the boat when the first fault comes; until then the two are one.
    twin: Option<Boat>,
    noise: Pcg64Mcg,
    /// Seconds of engine life at the onset of each fault.
    onsets_life_s: Vec<f64>,
    /// Seconds that the engine has run since the first row.
    running_s: f64,
}

/// What acts on the boat and on its twin.
struct Acting {
    boat: Moment,
    twin: Moment,
    any_fault: bool,
    any_near_miss: bool,
}

impl<'r> Voyage<'r> {
    pub(super) fn new(run: &'r Run<'r>, seed: u64) -> Self {
        let boat = Boat::new(run, seed);
        let mut channels = run.engine.profile.core.fitted;
        if boat.truth().oil_kpa.is_none() {
            channels = channels.without(Channel::Oil);
        }
        if run.parameters.electric.battery_ah <= 0.0 {
            channels = channels.without(Channel::Supply);
        }
        let begins = |number: i16| run.trips.iter().find(|trip| trip.number == number).map_or(0.0, |trip| trip.life_s);
        let onsets_life_s = run.faults.iter().map(|fault| begins(fault.trip) + fault.onset_s).collect();
        Self { run, channels, boat, twin: None, noise: sensor_noise(seed), onsets_life_s, running_s: 0.0 }
    }

    /// One trip, from power-up to power-down.
    pub(super) fn trip(&mut self, trip: &Trip, sink: &mut dyn TripSink) -> (TripFacts, Vec<Label>) {
        let acting = self.acting(trip, 0.0);
        self.part_from_twin(&acting);
        self.boat.begin_trip(trip, &acting.boat.wear);
        if let Some(twin) = &mut self.twin {
            twin.begin_trip(trip, &acting.twin.wear);
        }
        sink.begin_trip(trip.number, self.channels);
        let mut watches = self.watches(trip);
        let mut facts = TripFacts { trip: trip.number, written_s: 0.0, running_s: 0.0, head_over_limit_s: None };
        let end_ms = (trip.long_s() * 1_000.0).round() as i64;
        let (mut at_ms, mut elapsed_s) = (0, 0.0);
        while at_ms < end_ms {
            let truth = self.sample(trip, at_ms, elapsed_s, &mut watches, sink);
            let next_ms = at_ms + self.run.interval_ms;
            self.advance(trip, at_ms, next_ms);
            elapsed_s = seconds(next_ms - at_ms);
            self.note(&mut facts, at_ms, elapsed_s, &truth);
            at_ms = next_ms;
        }
        sink.end_trip();
        (facts, watches.into_iter().map(|(_, watch)| watch.label()).collect())
    }

    /// One row of the trace.
    fn sample(
        &mut self,
        trip: &Trip,
        at_ms: i64,
        elapsed_s: f64,
        watches: &mut [(usize, Watch)],
        sink: &mut dyn TripSink,
    ) -> Truth {
        let at_s = seconds(at_ms);
        let acting = self.acting(trip, at_s);
        self.part_from_twin(&acting);
        let draws = Draws::new(&mut self.noise);
        let truth = self.boat.truth();
        let values = self.boat.read(&truth, elapsed_s, &draws, &acting.boat);
        if let Some(twin) = &mut self.twin {
            let twin_truth = twin.truth();
            let twin_values = twin.read(&twin_truth, elapsed_s, &draws, &acting.twin);
            let scene = Scene {
                at_s,
                elapsed_s,
                profile: &self.run.engine.profile.core,
                channels: self.channels,
                truth: &truth,
                twin_truth: &twin_truth,
                values: &values,
                twin_values: &twin_values,
                twin_sensors: twin.sensors(),
                book: &self.run.book,
                running_s: self.running_s,
                clock_s: trip.clock_s + at_s,
            };
            for (place, watch) in watches {
                if self.run.faults.get(*place).is_some_and(|fault| fault.stands(trip.number, at_s)) {
                    watch.look(&scene);
                }
            }
        }
        if !acting.boat.is_dark {
            let at = Instant::from_millis(at_ms);
            sink.sample(at, &readings(&self.written(&values)));
            sink.truth(at, &truth);
        }
        truth
    }

    /// The values of the channels that have a column.
    fn written(&self, values: &Values) -> Values {
        let mut written = *values;
        for (channel, value) in Channel::ALL.into_iter().zip(&mut written) {
            if !self.channels.contains(channel) {
                *value = None;
            }
        }
        written
    }

    fn advance(&mut self, trip: &Trip, from_ms: i64, to_ms: i64) {
        let mut at_ms = from_ms;
        while at_ms < to_ms {
            let acting = self.acting(trip, seconds(at_ms));
            let step_ms = if acting.any_near_miss { FINE_STEP_MS.min(to_ms - at_ms) } else { to_ms - at_ms };
            self.boat.advance(seconds(step_ms), &acting.boat, trip.surroundings);
            if let Some(twin) = &mut self.twin {
                twin.advance(seconds(step_ms), &acting.twin, trip.surroundings);
            }
            at_ms += step_ms;
        }
    }

    /// What acts at a moment of a trip.
    fn acting(&self, trip: &Trip, at_s: f64) -> Acting {
        let leg = leg_at(&trip.legs, at_s);
        let mut twin = Moment { demand: demand(trip, &leg), ..Moment::default() };
        twin.faults.spikes_per_minute = self.run.spikes_per_minute;
        let mut any_near_miss = false;
        for near_miss in self.run.near_misses.iter().filter(|near_miss| near_miss.stands(trip.number, at_s)) {
            near_miss.act(at_s, &leg, self.run.speeds, &mut twin);
            any_near_miss = true;
        }
        let mut boat = twin;
        let mut any_fault = false;
        for (fault, onset_life_s) in self.run.faults.iter().zip(&self.onsets_life_s) {
            if !fault.stands(trip.number, at_s) {
                continue;
            }
            any_fault = true;
            let grown = fault.grown(trip.life_s + at_s - onset_life_s);
            fault.wear(grown, &mut boat.wear);
            fault.sensors(grown, &mut boat.faults);
            if let Some(times) =
                fault.over_speed(grown).filter(|_| leg.in_gear && leg.rpm > self.run.speeds.rated_rpm / 2.0)
            {
                boat.demand.rpm_wanted = self.run.parameters.engine.max_rpm * times;
            }
        }
        Acting { boat, twin, any_fault, any_near_miss }
    }

    fn part_from_twin(&mut self, acting: &Acting) {
        if acting.any_fault && self.twin.is_none() {
            self.twin = Some(self.boat.clone());
        }
    }

    /// One watch for each fault that stands at some time of the trip.
    fn watches(&self, trip: &Trip) -> Vec<(usize, Watch)> {
        let stands = |(place, fault): (usize, &Fault)| {
            let onset_s = if fault.trip == trip.number { fault.onset_s } else { 0.0 };
            let from_here = fault.trip <= trip.number && fault.stands(trip.number, onset_s);
            from_here.then(|| (place, Watch::new(*fault, trip.number, onset_s)))
        };
        self.run.faults.iter().enumerate().filter_map(stands).collect()
    }

    fn note(&mut self, facts: &mut TripFacts, at_ms: i64, elapsed_s: f64, truth: &Truth) {
        facts.written_s += elapsed_s;
        if !truth.firing {
            return;
        }
        facts.running_s += elapsed_s;
        self.running_s += elapsed_s;
        let limit_c = f64::from(self.run.engine.profile.core.head_limit_or_default().raw()) / 1_000.0;
        if truth.head_c > limit_c && facts.head_over_limit_s.is_none() {
            facts.head_over_limit_s = Some(seconds(at_ms));
        }
    }
}

fn seconds(milliseconds: i64) -> f64 {
    milliseconds as f64 / 1_000.0
}

/// The leg at a moment; behind the last one the engine is off.
fn leg_at(legs: &[Leg], at_s: f64) -> Leg {
    let place = legs.partition_point(|leg| leg.until_s <= at_s);
    legs.get(place).copied().unwrap_or(Leg::OFF)
}

fn demand(trip: &Trip, leg: &Leg) -> Demand {
    Demand {
        rpm_wanted: leg.rpm,
        in_gear: leg.in_gear,
        astern: leg.astern,
        hose_lpm: leg.hose_lpm,
        tow_n: trip.base.tow_n + leg.tow_n,
        ..trip.base
    }
}
