//! Battery, charging and the bus that the monitor sits on.
//!
//! The worst connection lies between the battery and the bus: the starter's current drops over it, and so does the
//! current of the boat's own load, which is fed through the same terminals.

use super::demand::Wear;
use super::parameters::ElectricParameters;

/// What acts on the battery during a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ElectricInputs {
    pub(super) rpm: f64,
    /// The starter turns.
    pub(super) cranking: bool,
    /// Ignition, injection and pump draw current.
    pub(super) ignition: bool,
    /// What the boat draws, amperes.
    pub(super) boat_load_a: f64,
}

/// State of the battery.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Battery {
    /// Charge, 0 to 1.
    pub(super) charge: f64,
    /// What recent charging or loading still adds at the terminals, volts.
    pub(super) surface_v: f64,
    pub(super) bus_v: f64,
    pub(super) current_a: f64,
    /// How fast the starter turns the engine, as a share of what it does on a sound connection.
    pub(super) starter_share: f64,
}

/// Time constant with which the terminals settle after a change of current, seconds (own assumption).
const SURFACE_S: f64 = 60.0;

/// Rest voltage of a 12 V lead battery: 12.75 V full, 12.2 V half, 11.7 V empty (two published charts differ by 0.2 V).
fn rest_v(charge: f64) -> f64 {
    11.7 + charge * (1.0 + 0.05 * charge)
}

/// Current of the starter and its speed as a share of the usual one. It draws `starter_a` from a sound battery; what a bad
/// connection takes from its voltage it lacks in current and in speed (a direct-current motor near standstill).
fn starter(parameters: &ElectricParameters, connection_ohm: f64, rest: f64) -> (f64, f64) {
    if parameters.starter_a <= 0.0 {
        return (0.0, 1.0);
    }
    let sound_v = 12.6 * parameters.nominal_v / 12.0;
    let starter_ohm = (sound_v / parameters.starter_a - parameters.battery_ohm).max(parameters.battery_ohm);
    let current_a = rest / (parameters.battery_ohm + connection_ohm + starter_ohm);
    (current_a, (current_a / parameters.starter_a).min(1.0))
}

impl Battery {
    pub(super) fn rested(parameters: &ElectricParameters, charge: f64) -> Self {
        let fitted = parameters.battery_ah > 0.0;
        let scale = parameters.nominal_v / 12.0;
        let bus_v = if fitted { rest_v(charge) * scale } else { 0.0 };
        Self { charge, surface_v: 0.0, bus_v, current_a: 0.0, starter_share: 1.0 }
    }

    /// Moves on by `seconds`.
    pub(super) fn advance(
        &mut self,
        parameters: &ElectricParameters,
        inputs: &ElectricInputs,
        wear: &Wear,
        seconds: f64,
    ) {
        if parameters.battery_ah <= 0.0 {
            return;
        }
        let scale = parameters.nominal_v / 12.0;
        let connection = wear.connection_ohm.max(0.0);
        let rest = rest_v(self.charge) * scale + self.surface_v;
        let beyond = inputs.rpm - parameters.charge_from_rpm;
        let charge_a = if beyond > 0.0 {
            let working = 1.0 - wear.rectifier_dead.clamp(0.0, 1.0);
            parameters.charge_a * working * (1.0 - libm::exp(-beyond / parameters.charge_rise_rpm))
        } else {
            0.0
        };
        let engine_a = if inputs.ignition { parameters.engine_load_a } else { 0.0 };
        let (starter_a, starter_share) = starter(parameters, connection, rest);
        let starter_a = if inputs.cranking { starter_a } else { 0.0 };
        self.starter_share = starter_share;
        let surplus_a = charge_a - engine_a - inputs.boat_load_a - starter_a;
        // A battery that is nearly full takes less and less (own form; a few amperes at 14.3 V when full).
        let charge2 = self.charge * self.charge;
        let accepting = parameters.battery_ohm + connection + 0.35 * charge2 * charge2;
        let (bus_v, current_a) = if surplus_a > 0.0 {
            let headroom_v = parameters.regulator_v * scale - rest;
            let current_a = surplus_a.min(headroom_v.max(0.0) / accepting);
            (rest + current_a * accepting, current_a)
        } else {
            (rest + surplus_a * (parameters.battery_ohm + connection), surplus_a)
        };
        // The monitor's feed shares the bad terminals with the boat's load.
        let feed_v = connection * inputs.boat_load_a;
        self.bus_v = (bus_v - feed_v).max(0.0);
        self.current_a = current_a;
        self.charge = (self.charge + current_a * seconds / 3_600.0 / parameters.battery_ah).clamp(0.0, 1.0);
        let toward_v = (0.02 * current_a).clamp(-0.3, 0.3);
        self.surface_v += (toward_v - self.surface_v) * seconds / (SURFACE_S + seconds);
    }

    /// Rests for `seconds` with nothing connected: a thousandth of the charge goes in a day (common practice).
    pub(super) fn rest(&mut self, parameters: &ElectricParameters, seconds: f64) {
        let charge = (self.charge - 0.001 * seconds / 86_400.0).max(0.0);
        *self = Self::rested(parameters, charge);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::{EngineKind, PlantParameters};

    fn settled(inputs: &ElectricInputs, wear: &Wear, seconds: u32) -> f64 {
        let parameters = PlantParameters::of(EngineKind::MidFourStroke).expect("built in").electric;
        let mut battery = Battery::rested(&parameters, 0.9);
        for _ in 0..seconds {
            battery.advance(&parameters, inputs, wear, 1.0);
        }
        battery.bus_v
    }

    #[test]
    fn a_bad_terminal_starves_the_starter_and_never_takes_all_volts() {
        let parameters = PlantParameters::of(EngineKind::MidFourStroke).expect("built in").electric;
        let mut before = (f64::INFINITY, f64::INFINITY);
        for connection_ohm in [0.0, 0.01, 0.03, 0.06, 0.5] {
            let (current_a, share) = starter(&parameters, connection_ohm, 12.6);
            assert!(current_a < before.0 && share <= before.1, "{connection_ohm} ohm: {current_a} A, {share}");
            let left_v = 12.6 - current_a * (parameters.battery_ohm + connection_ohm);
            assert!(left_v > 0.0, "{connection_ohm} ohm: {left_v} V");
            before = (current_a, share);
        }
        let (sound_a, sound_share) = starter(&parameters, 0.0, 12.6);
        assert!((sound_a - parameters.starter_a).abs() < 1e-9 && (sound_share - 1.0).abs() < 1e-9);
    }

    /// The bands are common practice in workshops.
    #[test]
    fn volts_lie_where_a_mechanic_expects_them() {
        let off = ElectricInputs { rpm: 0.0, cranking: false, ignition: false, boat_load_a: 2.0 };
        let idle = ElectricInputs { rpm: 750.0, ignition: true, ..off };
        let cruise = ElectricInputs { rpm: 3_500.0, ..idle };
        let cranking = ElectricInputs { rpm: 250.0, cranking: true, ..idle };
        let loaded = ElectricInputs { boat_load_a: 8.0, ..cruise };
        let healthy = Wear::default();
        let dead = Wear { rectifier_dead: 1.0, ..healthy };
        let weak = Wear { connection_ohm: 0.03, ..healthy };
        for (name, inputs, wear, seconds, least, most) in [
            ("rest", off, healthy, 60, 12.4, 12.8),
            ("idle", idle, healthy, 120, 12.2, 13.0),
            ("cruise", cruise, healthy, 120, 13.6, 14.5),
            ("cranking", cranking, healthy, 2, 9.0, 10.7),
            ("dead rectifier", cruise, dead, 120, 11.8, 12.6),
            ("cranking over a bad terminal", cranking, weak, 2, 6.5, 8.5),
            ("load over a bad terminal", loaded, weak, 120, 12.5, 14.15),
        ] {
            let volts = settled(&inputs, &wear, seconds);
            assert!((least..=most).contains(&volts), "{name}: {volts} V");
        }
    }
}
