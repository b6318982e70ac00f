//! One run of a scenario: every range drawn, every day laid out.

use rand_pcg::Pcg64Mcg;
use rand_pcg::rand_core::SeedableRng;

use super::book::Book;
use super::days::{Course, Leg, Speeds, commissioning, steps};
use super::faults::{DRIFT_GROWTH_S, Fault};
use super::near_miss::Occurrence;
use super::scenario::{Engine, Plan, Scenario, TripPlan};
use super::sensors::SensorSpec;
use crate::plant::noise::{normal, uniform};
use crate::plant::{Demand, PlantParameters, Surroundings};
use monitor_core::acquire::Channel;
use monitor_core::finding::Finding;

/// What a stream of random numbers is for: none may move another.
#[derive(Debug, Clone, Copy)]
pub(super) enum Purpose {
    Course,
    Individual,
    Plant,
    Sensors,
    Scales,
}

/// A seed of its own for each purpose.
pub(super) fn stream(seed: u64, purpose: Purpose) -> u64 {
    /// The fractional part of the golden ratio in 64 bits: what splits seeds in the common generators.
    const GOLDEN: u64 = 0x9E37_79B9_7F4A_7C15;
    seed.wrapping_add((purpose as u64 + 1).wrapping_mul(GOLDEN))
}

/// One run with every number settled.
pub(super) struct Run<'s> {
    pub(super) engine: &'s Engine,
    /// The individual of the kind.
    pub(super) parameters: PlantParameters,
    pub(super) speeds: Speeds,
    pub(super) sensors: SensorSpec,
    pub(super) spikes_per_minute: f64,
    pub(super) interval_ms: i64,
    pub(super) trips: Vec<Trip>,
    pub(super) faults: Vec<Fault>,
    pub(super) near_misses: Vec<Occurrence>,
    pub(super) book: Book,
}

/// One trip with every number settled.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Trip {
    pub(super) number: i16,
    pub(super) surroundings: Surroundings,
    pub(super) legs: Vec<Leg>,
    /// Seconds of engine life at its first row.
    pub(super) life_s: f64,
    /// Seconds on the clock from the first row of the first trip to its first row.
    pub(super) clock_s: f64,
    /// Seconds that the engine stood before it.
    pub(super) rest_s: f64,
    pub(super) warm: bool,
    /// Sea, current, tow and trim.
    pub(super) base: Demand,
    /// By what each sensor's scale is off today, as a multiple.
    pub(super) scales: [f64; Channel::COUNT],
}

impl Trip {
    pub(super) fn long_s(&self) -> f64 {
        self.legs.last().map_or(0.0, |leg| leg.until_s)
    }
}

impl<'s> Run<'s> {
    /// Draws everything.
    pub(super) fn new(scenario: &'s Scenario, seed: u64) -> Self {
        let mut random = Pcg64Mcg::seed_from_u64(stream(seed, Purpose::Course));
        let engine = scenario.engines.at(uniform(&mut random));
        let spread = scenario.spread.draw(&mut random);
        let parameters = engine.parameters.varied(stream(seed, Purpose::Individual), spread);
        let rated = &engine.parameters.engine;
        let speeds = Speeds { idle_rpm: rated.idle_rpm, rated_rpm: rated.rated_rpm, rated_kw: rated.rated_kw };
        let interval_s = scenario.interval_s.draw(&mut random);
        let spikes_per_minute = scenario.spikes_per_minute.draw(&mut random);
        let noise = scenario.noise.draw(&mut random);
        let mut sensors = scenario.sensors;
        for channel in Channel::ALL {
            sensors.set(channel, |spec| {
                spec.noise *= noise;
                spec.noise_share *= noise;
                spec.trip_share *= noise;
            });
        }
        let faults = scenario.faults.iter().map(|plan| draw_fault(plan, &mut random)).collect();
        let near_misses = scenario.near_misses.iter().map(|plan| Occurrence {
            kind: plan.kind,
            trip: plan.trip,
            onset_s: plan.onset_s.draw(&mut random),
            end_s: plan.end_s.map(|span| span.draw(&mut random)),
            severity: plan.severity.draw(&mut random),
        });
        let near_misses = near_misses.collect();
        let mut trips = Vec::new();
        let mut life_s = 0.0;
        for (number, plan) in (0..).zip(&scenario.trips) {
            let mut trip = draw_trip(number, plan, speeds, &mut random);
            life_s += plan.gap_h.draw(&mut random) * 3_600.0;
            trip.life_s = life_s;
            life_s += trip.long_s();
            trips.push(trip);
        }
        draw_scales(&mut trips, &sensors, seed);
        if scenario.commission {
            trips.splice(0..0, trips.first().map(|first| commissioning_trip(first, speeds)));
        }
        set_clocks(&mut trips);
        let book = Book::new(&scenario.book, &mut random);
        let interval_ms = ((interval_s * 1_000.0).round() as i64).max(1);
        Self { engine, parameters, speeds, sensors, spikes_per_minute, interval_ms, trips, faults, near_misses, book }
    }
}

/// From numbers of their own, so that a fault more or less moves none of them.
fn draw_scales(trips: &mut [Trip], sensors: &SensorSpec, seed: u64) {
    let mut random = Pcg64Mcg::seed_from_u64(stream(seed, Purpose::Scales));
    for trip in trips {
        trip.scales = Channel::ALL.map(|channel| 1.0 + sensors.of(channel).trip_share * normal(&mut random));
    }
}

/// Trips follow each other after the hours that the engine stood and those that are not written.
fn set_clocks(trips: &mut [Trip]) {
    let mut before: Option<(f64, f64)> = None;
    for trip in trips {
        if let Some((clock_s, life_s)) = before {
            trip.clock_s = clock_s + (trip.life_s - life_s) + trip.rest_s;
        }
        // The commissioning run is no part of the life that faults grow in.
        let lived_s = if trip.number < 0 { 0.0 } else { trip.long_s() };
        before = Some((trip.clock_s + trip.long_s(), trip.life_s + lived_s));
    }
}

fn draw_fault(plan: &super::scenario::FaultPlan, random: &mut Pcg64Mcg) -> Fault {
    let default_growth_s = if plan.finding == Finding::SensorDrift { DRIFT_GROWTH_S } else { 0.0 };
    Fault {
        finding: plan.finding,
        channel: plan.channel,
        trip: plan.trip,
        onset_s: in_milliseconds(plan.onset_s.draw(random)),
        severity: plan.severity.draw(random),
        growth_s: plan.growth_s.map_or(default_growth_s, |span| span.draw(random)),
        end: plan.end_s.map(|span| (plan.end_trip, in_milliseconds(span.draw(random)))),
        way: uniform(random),
    }
}

/// Labels have three decimals; the fault itself must not have more.
fn in_milliseconds(seconds: f64) -> f64 {
    (seconds * 1_000.0).round() / 1_000.0
}

fn draw_trip(number: i16, plan: &TripPlan, speeds: Speeds, random: &mut Pcg64Mcg) -> Trip {
    let raw_water_c = plan.water_c.draw(random);
    let surroundings = Surroundings {
        raw_water_c,
        air_c: plan.air_c.map_or(raw_water_c + 2.0, |span| span.draw(random)),
        salinity_g_per_kg: plan.salinity_g_per_kg.draw(random),
    };
    let legs = match &plan.plan {
        Plan::Steps(plan) => steps(plan, speeds.idle_rpm),
        Plan::Day(day, minutes) => {
            let minutes = minutes.draw(random);
            Course::new(speeds, minutes, random).day(*day)
        }
    };
    let base = Demand {
        sea: plan.sea,
        current_kn: plan.current_kn.draw(random),
        tow_n: plan.tow_n.draw(random),
        load_kg: plan.load_kg.draw(random),
        trim: plan.trim.draw(random),
        ..Demand::default()
    };
    let rest_s = plan.rest_h.draw(random) * 3_600.0;
    Trip {
        number,
        surroundings,
        legs,
        life_s: 0.0,
        clock_s: 0.0,
        rest_s,
        warm: plan.warm,
        base,
        scales: [1.0; Channel::COUNT],
    }
}

/// The commissioning run: on the water of the first trip, from cold, in a calm.
fn commissioning_trip(first: &Trip, speeds: Speeds) -> Trip {
    Trip {
        number: -1,
        surroundings: first.surroundings,
        legs: commissioning(speeds),
        life_s: 0.0,
        clock_s: 0.0,
        rest_s: 0.0,
        warm: false,
        base: Demand::default(),
        scales: [1.0; Channel::COUNT],
    }
}
