//! Raw water from the intake to the ways out, in the steady state of the moment.
//!
//! Pump: Q = displacement × speed × (1 − slip). The slip is what leaks back: it grows with the pressure, and a worn
//! impeller leaks a fixed flow besides, which is most of what it moves at idle and little at speed (common practice:
//! worn pumps fail at idle first; the form is our own, as no measured curve of a flexible-vane pump was found).
//! Ways: turbulent resistances, flow = conductance × √pressure. In series 1/G² add, in parallel G add. With a back
//! leakage linear in pressure, pressure and flow follow from one quadratic equation.

use super::demand::Wear;
use super::parameters::WaterParameters;

/// What drives and what holds the water back at this moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct WaterInputs {
    /// Speed of the pump, turns of the crank a minute.
    pub(super) rpm: f64,
    /// Warm idle, which sets what a worn pump leaks.
    pub(super) idle_rpm: f64,
    /// What a hose offers.
    pub(super) hose_lpm: Option<f64>,
    /// How far the thermostat is open.
    pub(super) thermostat_open: f64,
    /// How far the relief valve is open.
    pub(super) relief_open: f64,
    /// How full tube and jacket are.
    pub(super) tube_fill: f64,
    /// See `tube_fill`.
    pub(super) jacket_fill: f64,
    /// Passing disturbance of the flow where air comes in, mean 0, variance 1.
    pub(super) flutter: f64,
}

/// The flows of a moment, litres a minute.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Flows {
    pub(super) pumped_lpm: f64,
    /// Behind the pump and above the height of the engine.
    pub(super) pressure_kpa: f64,
    /// Behind the passages, where thermostat and relief valve sit.
    pub(super) outlet_kpa: f64,
    pub(super) slit_lpm: f64,
    pub(super) leg_lpm: f64,
    /// Into the jacket, a telltale behind it included.
    pub(super) jacket_lpm: f64,
    pub(super) telltale_lpm: f64,
    /// Of `pumped_lpm`, what fills the tube.
    pub(super) tube_filling_lpm: f64,
}

/// 1 − slip of the pump that moves `flow_lpm`, out of what it displaces.
#[cfg(test)]
fn one_minus_slip(flow_lpm: f64, parameters: &WaterParameters, rpm: f64) -> f64 {
    flow_lpm / (parameters.pump_l_per_rev * rpm)
}

/// The flow of a pump with displacement `moved_lpm` and back leakage `leak_lpm_per_kpa` × pressure, against a height
/// `lift_kpa` and ways out of the conductance `ways`: the root of leak/G² Q² + Q − (moved − leak × lift) = 0.
fn balanced(moved_lpm: f64, leak_lpm_per_kpa: f64, lift_kpa: f64, ways: f64) -> f64 {
    let over_the_lift = moved_lpm - leak_lpm_per_kpa * lift_kpa;
    if over_the_lift <= 0.0 || ways <= 0.0 {
        return 0.0;
    }
    // The form without cancellation for small leaks.
    2.0 * over_the_lift / (1.0 + (1.0 + 4.0 * leak_lpm_per_kpa * over_the_lift / (ways * ways)).sqrt())
}

fn in_series(a: f64, b: f64) -> f64 {
    if a <= 0.0 || b <= 0.0 { 0.0 } else { a * b / (a * a + b * b).sqrt() }
}

/// Conductances of the ways out.
struct Ways {
    slit: f64,
    leg: f64,
    telltale_before: f64,
    jacket: f64,
    /// Behind the passages; infinite while air leaves everywhere.
    outlets: f64,
    /// Share of the jacket's water that leaves by a telltale behind the thermostat.
    telltale_behind: f64,
}

impl Ways {
    fn of(parameters: &WaterParameters, inputs: &WaterInputs, wear: &Wear) -> Self {
        // Salt and lime settle where it is hot: in head and block, not in the leg. At the worst half of what a clean passage
        // lets through (own assumption: a layer takes heat paths before it takes the width).
        let fouling = 1.0 / (1.0 + wear.waterway_fouling.clamp(0.0, 1.0));
        let nozzle = parameters.telltale_lpm_per_root_kpa * (1.0 - wear.telltale_plugged.clamp(0.0, 1.0));
        let passage = parameters.passage_lpm_per_root_kpa * fouling;
        let thermostat = inputs.thermostat_open * parameters.outlet_lpm_per_root_kpa * fouling;
        let relief = inputs.relief_open * parameters.relief_lpm_per_root_kpa;
        let before = parameters.telltale_before_thermostat >= 0.5;
        let behind = if before { 0.0 } else { nozzle };
        let outlets = parameters.bypass_lpm_per_root_kpa + thermostat + relief + behind;
        // While it fills, air leaves everywhere and only the passages hold the water back.
        let jacket = if inputs.jacket_fill < 1.0 { passage } else { in_series(passage, outlets) };
        Self {
            slit: parameters.slit_lpm_per_root_kpa * wear.water_tube_leak.clamp(0.0, 1.0),
            leg: parameters.leg_lpm_per_root_kpa,
            telltale_before: if before { nozzle } else { 0.0 },
            jacket,
            outlets: if inputs.jacket_fill < 1.0 { f64::INFINITY } else { outlets },
            telltale_behind: if inputs.jacket_fill < 1.0 { 0.0 } else { behind / outlets },
        }
    }

    fn sum(&self) -> f64 {
        self.slit + self.leg + self.telltale_before + self.jacket
    }
}

/// What the pump would move against no pressure, and how much it leaks for a kilopascal.
fn pump(parameters: &WaterParameters, inputs: &WaterInputs, wear: &Wear) -> (f64, f64) {
    let worn = wear.impeller_worn.clamp(0.0, 1.0);
    let vanes = 1.0 - wear.vanes_lost.clamp(0.0, 1.0);
    // A lost vane opens its chamber to the next one: the flow falls faster than the number of vanes (own assumption).
    let vanes = vanes * (0.5 + 0.5 * vanes);
    let air = wear.air_in_intake.clamp(0.0, 1.0);
    let air = (air + 0.25 * air.min(1.0 - air) * inputs.flutter).clamp(0.0, 1.0);
    let displaced = parameters.pump_l_per_rev * inputs.rpm;
    let gap = worn * parameters.worn_gap_share * parameters.pump_l_per_rev * inputs.idle_rpm;
    let leak = parameters.pump_leak_lpm_per_kpa * (1.0 + worn * parameters.worn_leak_factor);
    ((displaced * vanes * (1.0 - air) - gap).max(0.0), leak)
}

/// The flows of a moment.
pub(super) fn flows(parameters: &WaterParameters, inputs: &WaterInputs, wear: &Wear) -> Flows {
    let ways = Ways::of(parameters, inputs, wear);
    let conductance = ways.sum();
    let (moved_lpm, leak) = pump(parameters, inputs, wear);
    let free_intake = 1.0 - wear.intake_blocked.clamp(0.0, 1.0);
    let drawn_at_most = parameters.intake_lpm_per_root_kpa * free_intake * parameters.suction_kpa.sqrt();
    let pumped = balanced(moved_lpm, leak, parameters.lift_kpa, conductance);
    let pumped_lpm = match inputs.hose_lpm {
        // The mains press water through, whatever the pump does; some is lost past the cups (own assumption: 30 %).
        Some(hose_lpm) => pumped.min(hose_lpm).max(0.7 * hose_lpm),
        None => pumped.min(drawn_at_most),
    };
    if pumped_lpm <= 0.0 || conductance <= 0.0 {
        return Flows::default();
    }
    if inputs.tube_fill < 1.0 {
        let pressure_kpa = parameters.lift_kpa * inputs.tube_fill;
        return Flows { pumped_lpm, tube_filling_lpm: pumped_lpm, pressure_kpa, ..Flows::default() };
    }
    let root_kpa = pumped_lpm / conductance;
    let jacket_lpm = ways.jacket * root_kpa;
    Flows {
        pumped_lpm,
        pressure_kpa: root_kpa * root_kpa,
        outlet_kpa: (jacket_lpm / ways.outlets) * (jacket_lpm / ways.outlets),
        slit_lpm: ways.slit * root_kpa,
        leg_lpm: ways.leg * root_kpa,
        jacket_lpm,
        telltale_lpm: ways.telltale_before * root_kpa + ways.telltale_behind * jacket_lpm,
        tube_filling_lpm: 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::{EngineKind, PlantParameters};

    fn at(rpm: f64) -> WaterInputs {
        WaterInputs {
            rpm,
            idle_rpm: 750.0,
            hose_lpm: None,
            thermostat_open: 0.5,
            relief_open: 0.0,
            tube_fill: 1.0,
            jacket_fill: 1.0,
            flutter: 0.0,
        }
    }

    fn mid() -> WaterParameters {
        PlantParameters::of(EngineKind::MidFourStroke).expect("built in").water
    }

    /// Affinity laws of pumps, as technical handbooks print them: Q ~ N, H ~ N², where slip and height play no part.
    #[test]
    fn a_tight_pump_without_lift_follows_the_affinity_laws() {
        let parameters =
            WaterParameters { pump_leak_lpm_per_kpa: 0.0, lift_kpa: 0.0, intake_lpm_per_root_kpa: 500.0, ..mid() };
        let slow = flows(&parameters, &at(1_000.0), &Wear::default());
        for factor in [2.0, 3.0, 5.0] {
            let fast = flows(&parameters, &at(1_000.0 * factor), &Wear::default());
            assert!((fast.pumped_lpm / slow.pumped_lpm / factor - 1.0).abs() < 1e-12, "flow at {factor}");
            assert!((fast.pressure_kpa / slow.pressure_kpa / factor / factor - 1.0).abs() < 1e-12, "head at {factor}");
        }
    }

    #[test]
    fn flow_and_pressure_satisfy_the_pump_and_the_ways_at_once() {
        let (moved, leak, lift, ways) = (40.0, 0.2, 5.0, 4.0);
        let flow = balanced(moved, leak, lift, ways);
        let pressure = lift + flow * flow / (ways * ways);
        assert!((moved - leak * pressure - flow).abs() < 1e-9, "{flow} at {pressure} kPa");
    }

    #[test]
    fn what_comes_in_goes_out() {
        for rpm in [700.0, 2_500.0, 5_500.0] {
            for worn in [0.0, 0.5, 0.9] {
                let wear = Wear { impeller_worn: worn, water_tube_leak: 0.3, ..Wear::default() };
                let all = flows(&mid(), &at(rpm), &wear);
                let out = all.slit_lpm + all.leg_lpm + all.telltale_lpm + all.jacket_lpm;
                assert!((all.pumped_lpm - out).abs() < 1e-9 * all.pumped_lpm.max(1.0), "{rpm} rpm, worn {worn}");
            }
        }
    }

    #[test]
    fn slip_grows_with_back_pressure_and_with_wear_most_at_idle() {
        let parameters = mid();
        let slip =
            |rpm, wear: &Wear| 1.0 - one_minus_slip(flows(&parameters, &at(rpm), wear).pumped_lpm, &parameters, rpm);
        let open = slip(4_000.0, &Wear::default());
        let fouled = slip(4_000.0, &Wear { waterway_fouling: 1.0, ..Wear::default() });
        assert!(fouled > open + 0.02, "{fouled} behind fouled ways, {open} behind clean ones");
        let worn = Wear { impeller_worn: 0.6, ..Wear::default() };
        let more_at_idle = slip(750.0, &worn) - slip(750.0, &Wear::default());
        let more_at_speed = slip(5_000.0, &worn) - slip(5_000.0, &Wear::default());
        assert!(more_at_idle > 2.0 * more_at_speed, "{more_at_idle} at idle, {more_at_speed} at speed");
    }

    #[test]
    fn a_blocked_intake_counts_more_the_more_the_pump_wants() {
        let wear = |blocked| Wear { intake_blocked: blocked, ..Wear::default() };
        let left = |rpm, blocked| {
            flows(&mid(), &at(rpm), &wear(blocked)).pumped_lpm / flows(&mid(), &at(rpm), &wear(0.0)).pumped_lpm
        };
        assert!(left(5_500.0, 0.3) > 0.99, "a third covered");
        assert!(left(5_500.0, 0.85) < 0.7, "mostly covered at speed");
        assert!(left(750.0, 0.85) > 0.9, "mostly covered at idle");
        assert!(left(750.0, 1.0) < 1e-9, "covered at idle");
    }
}
