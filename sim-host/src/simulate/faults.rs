//! From a fault of the scenario to what is worn, blocked or broken, and to what the sensors then say.

use monitor_core::acquire::Channel;
use monitor_core::finding::Finding;

use super::sensors::{SensorFault, SensorFaults};
use crate::plant::Wear;

/// Drift over so long where the scenario does not say: a drift that comes at once would be a step.
pub(super) const DRIFT_GROWTH_S: f64 = 1_800.0;

/// One fault with its numbers drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fault {
    pub(super) finding: Finding,
    pub(super) channel: Option<Channel>,
    /// The trip in which it begins, and when, in seconds of that trip.
    pub(super) trip: i16,
    pub(super) onset_s: f64,
    /// From 0 to 1, once it has grown.
    pub(super) severity: f64,
    /// Seconds of engine life from onset to its full severity; 0 is a step.
    pub(super) growth_s: f64,
    /// The trip in which it ends, and when; `None`: it stays.
    pub(super) end: Option<(i16, f64)>,
    /// From 0 to 1: which of several ways leads to the finding.
    pub(super) way: f64,
}

impl Fault {
    /// Whether it stands at a moment.
    pub(super) fn stands(&self, trip: i16, at_s: f64) -> bool {
        (trip, at_s) >= (self.trip, self.onset_s) && self.end.is_none_or(|end| (trip, at_s) < end)
    }

    /// How far it has grown `life_s` seconds of engine life after its onset, 0 to 1.
    pub(super) fn grown(&self, life_s: f64) -> f64 {
        if self.growth_s > 0.0 { (life_s / self.growth_s).clamp(0.0, 1.0) } else { 1.0 }
    }

    /// Speed that a lever pushed beyond the handbook's maximum asks for, as a multiple of that maximum.
    pub(super) fn over_speed(&self, grown: f64) -> Option<f64> {
        (self.finding == Finding::OverSpeed).then_some(1.0 + (0.03 + 0.09 * self.severity) * grown)
    }

    /// Adds what is broken to `wear`. What does no harm below a threshold begins there at severity 0, so that every
    /// severity can be noticed by somebody who looks long enough.
    pub(super) fn wear(&self, grown: f64, wear: &mut Wear) {
        let from = |least: f64| (least + (1.0 - least) * self.severity) * grown;
        let add = |place: &mut f64, amount: f64| *place = place.max(amount);
        match self.finding {
            // The intake breathes air: the boat heels, or the engine hangs too high. No finding names it as a cause.
            Finding::StreamLost => add(&mut wear.air_in_intake, from(0.8)),
            Finding::DryStart => add(&mut wear.air_in_intake, grown),
            Finding::IntakeBlocked => add(&mut wear.intake_blocked, from(0.85)),
            Finding::VaneLost => add(&mut wear.vanes_lost, from(0.17)),
            Finding::ImpellerWorn => add(&mut wear.impeller_worn, from(0.0)),
            // Half of them are a jammed meter instead, see `sensors`: the two cannot be told apart.
            Finding::TelltalePlugged if self.way < 0.5 => add(&mut wear.telltale_plugged, from(0.9)),
            // The nozzle of the telltale may or may not grow shut with the passages: the flow that is seen falls or rises.
            Finding::WaterwayFouled => {
                add(&mut wear.waterway_fouling, from(0.0));
                add(&mut wear.telltale_plugged, 0.6 * self.way * from(0.0));
            }
            // A slit in the water tube starves the head while the pump works: no finding names it as a cause.
            Finding::HeadClimbing => add(&mut wear.water_tube_leak, from(0.6)),
            Finding::HeadOverLimit => {
                add(&mut wear.water_tube_leak, grown);
                add(&mut wear.waterway_fouling, from(0.6));
            }
            Finding::ThermostatStuckClosed => add(&mut wear.thermostat_stuck_closed, from(0.7)),
            Finding::ThermostatStuckOpen => add(&mut wear.thermostat_stuck_open, from(0.5)),
            // Oil runs out, or it is thin and the bearings are worn, which an idling engine feels.
            Finding::OilPressureLow if self.way < 0.5 => add(&mut wear.oil_loss, from(0.75)),
            Finding::OilPressureLow => add(&mut wear.oil_thin, from(0.8)),
            // A half-dead rectifier still charges and gives no pulses: a counter then says that nothing turns.
            Finding::SensorOpen if self.loses_pulses() => wear.rectifier_breaks_tach |= grown > 0.0,
            Finding::HubSlipping => add(&mut wear.hub_worn, from(0.6)),
            // A boat on a light load: with the lever alone a sound propeller holds the engine under its maximum.
            Finding::OverSpeed => add(&mut wear.propeller_ventilating, from(0.4)),
            Finding::RunningUnsteady => {
                // Fuel trouble comes in three ways: too little, too old, with water in it.
                let place = match self.way {
                    way if way < 1.0 / 3.0 => &mut wear.fuel_starved,
                    way if way < 2.0 / 3.0 => &mut wear.fuel_stale,
                    _ => &mut wear.water_in_fuel,
                };
                add(place, from(0.3));
            }
            Finding::ChargeLost => add(&mut wear.rectifier_dead, from(0.8)),
            Finding::WeakConnection => add(&mut wear.connection_ohm, (0.010 + 0.035 * self.severity) * grown),
            // The lever, the sensors and the calendar do the rest.
            _ => {}
        }
    }

    /// Whether an open tacho lead shows as 0, and not as a blank cell: a third of them.
    fn loses_pulses(&self) -> bool {
        self.channel == Some(Channel::Rpm) && self.way < 1.0 / 3.0
    }

    /// Adds what happens to the sensors.
    pub(super) fn sensors(&self, grown: f64, faults: &mut SensorFaults) {
        if self.finding == Finding::TelltalePlugged && self.way >= 0.5 {
            faults.set(Channel::Flow, SensorFault::Jammed);
        }
        let Some(channel) = self.channel else { return };
        let level = self.severity * grown;
        let fault = match self.finding {
            Finding::SensorOpen if self.loses_pulses() => return,
            Finding::SensorOpen => SensorFault::Open,
            Finding::SensorShort => SensorFault::Short,
            Finding::SensorStuck => SensorFault::Stuck,
            Finding::SensorNoisy => SensorFault::Noisy(level),
            // Up or down, as the seed has it.
            Finding::SensorDrift => SensorFault::Drift(if self.way < 0.5 { level } else { -level }),
            Finding::SensorMiscount => SensorFault::Miscount(if self.way < 0.5 { 2.0 } else { 0.5 }),
            _ => return,
        };
        faults.set(channel, fault);
    }
}

/// The channels on which a sensor finding can be provoked; `None` for findings that name no channel.
pub(super) fn channels_of(finding: Finding) -> Option<&'static [Channel]> {
    match finding {
        Finding::SensorOpen | Finding::SensorStuck | Finding::SensorNoisy | Finding::SensorDrift => Some(&Channel::ALL),
        Finding::SensorShort => Some(&[Channel::Head, Channel::Water]),
        Finding::SensorMiscount => Some(&[Channel::Rpm, Channel::Flow]),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fault(finding: Finding) -> Fault {
        let (trip, onset_s, severity, growth_s) = (1, 100.0, 0.8, 200.0);
        Fault { finding, channel: None, trip, onset_s, severity, growth_s, end: Some((2, 50.0)), way: 0.1 }
    }

    #[test]
    fn a_fault_stands_from_its_onset_to_its_end() {
        let cases = [
            ("trip before", 0, 500.0, false),
            ("before the onset", 1, 99.9, false),
            ("at the onset", 1, 100.0, true),
            ("next trip", 2, 0.0, true),
            ("at the end", 2, 50.0, false),
            ("after", 3, 0.0, false),
        ];
        for (name, trip, at_s, expected) in cases {
            assert_eq!(fault(Finding::ImpellerWorn).stands(trip, at_s), expected, "{name}");
        }
    }

    #[test]
    fn a_fault_grows_to_its_severity() {
        let cases = [(-1.0, 0.0), (0.0, 0.0), (50.0, 0.2), (200.0, 0.8), (1e6, 0.8)];
        for (life_s, expected) in cases {
            let worn = fault(Finding::ImpellerWorn);
            let mut wear = Wear::default();
            worn.wear(worn.grown(life_s), &mut wear);
            assert!((wear.impeller_worn - expected).abs() < 1e-12, "{life_s}: {}", wear.impeller_worn);
        }
        let step = Fault { growth_s: 0.0, ..fault(Finding::ImpellerWorn) };
        assert_eq!(step.grown(0.0), 1.0);
    }

    #[test]
    fn every_finding_but_those_of_lever_and_calendar_breaks_something() {
        for finding in Finding::ALL {
            let channel = channels_of(finding).map(|channels| channels[0]);
            let broken = Fault { channel, ..fault(finding) };
            let (mut wear, mut faults) = (Wear::default(), SensorFaults::default());
            broken.wear(1.0, &mut wear);
            broken.sensors(1.0, &mut faults);
            let changed = wear != Wear::default() || faults != SensorFaults::default();
            let elsewhere = matches!(finding, Finding::ServiceDue | Finding::FuelOld);
            assert_eq!(changed, !elsewhere, "{}", finding.name());
            assert_eq!(broken.over_speed(1.0).is_some(), finding == Finding::OverSpeed, "{}", finding.name());
        }
    }
}
