//! Heat between fuel, metal, oil, water and air: seven lumps, integrated by Runge-Kutta steps of a maintained library.
//!
//! ```text
//! fuel ─ hot side ─┬─ head ── water in the jacket ── overboard
//!                  └─ block ──┘   │
//!          oil ────── block ── leg ── sea
//! ```
//! The jacket is one well-stirred volume. Heat to water grows with flow to the power of 0.8 (Dittus-Boelter) over a
//! share that standing water takes, and with how much of the jacket is wet. Above its boiling point the water makes
//! steam, which carries the heat off and empties the jacket.

use ode_solvers::{Rk4, SVector, System};

use super::parameters::HeatParameters;

/// Heat that turns a litre of boiling water to steam, joules (IAPWS: 2,257 kJ/kg at 100 °C; 0.958 kg/L).
const STEAM_J_PER_L: f64 = 2.257e6 * 0.958;
/// Share of the jacket's heat capacity that clings to the walls when it is empty, so that the sums stay finite.
const LEAST_WET: f64 = 0.03;
/// How many times more heat metal gives to water where it is 5 K and more over the boiling point (own factor for bubbles).
const BUBBLES: f64 = 5.0;
/// How fast steam takes off what the water is over its boiling point, for a second (own value).
const STEAM_PER_S: f64 = 1.5;
/// Longest step of the integration, seconds.
const LONGEST_STEP_S: f64 = 0.5;
/// The same with no fuel burning and no water left: metals are slow.
const LONGEST_RESTING_STEP_S: f64 = 20.0;

const HOT: usize = 0;
const HEAD: usize = 1;
const BLOCK: usize = 2;
const LEG: usize = 3;
const OIL: usize = 4;
const JACKET: usize = 5;
const ELEMENT: usize = 6;
/// Heat that water, steam and sea have carried off since the step began, joules.
const TO_WATER: usize = 7;
/// Heat that air has taken since the step began, joules.
const TO_AIR: usize = 8;
/// Heat that metal and oil have taken from the fuel since the step began, joules.
const FROM_FUEL: usize = 9;
/// Water boiled off since the step began, litres.
const BOILED: usize = 10;

type Lumps = SVector<f64, 11>;

/// Temperatures of the lumps, degrees Celsius.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Temperatures {
    pub(super) hot_side_c: f64,
    pub(super) head_c: f64,
    pub(super) block_c: f64,
    pub(super) leg_c: f64,
    pub(super) oil_c: f64,
    pub(super) jacket_c: f64,
    /// Element of the thermostat.
    pub(super) element_c: f64,
}

impl Temperatures {
    pub(super) const fn all(celsius: f64) -> Self {
        Self {
            hot_side_c: celsius,
            head_c: celsius,
            block_c: celsius,
            leg_c: celsius,
            oil_c: celsius,
            jacket_c: celsius,
            element_c: celsius,
        }
    }
}

/// What acts on the lumps during a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct HeatInputs {
    /// Power of the fuel, watts.
    pub(super) fuel_w: f64,
    /// Share of it that goes into metal and oil.
    pub(super) share: f64,
    /// Flow into the jacket, litres a minute.
    pub(super) jacket_lpm: f64,
    /// Flow through the leg, litres a minute.
    pub(super) leg_lpm: f64,
    /// Whether the leg stands in water.
    pub(super) immersed: bool,
    /// Raw water, degrees Celsius.
    pub(super) raw_water_c: f64,
    /// Air, degrees Celsius.
    pub(super) air_c: f64,
    /// Heat capacity of the raw water, joules a litre and kelvin.
    pub(super) water_j_per_l_k: f64,
    /// How full the jacket is, 0 to 1.
    pub(super) jacket_fill: f64,
    /// Fouling of the heat paths to water, 0 to 1.
    pub(super) fouling: f64,
    /// Time constant of the thermostat's element, seconds.
    pub(super) element_lag_s: f64,
}

/// What a step moved, joules and litres.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct HeatMoved {
    pub(super) from_fuel_j: f64,
    pub(super) to_water_j: f64,
    pub(super) to_air_j: f64,
    pub(super) stored_j: f64,
    pub(super) boiled_l: f64,
}

/// The constants of a step, so that the derivative is sums and products only.
struct Circuit {
    parameters: HeatParameters,
    inputs: HeatInputs,
    head_to_water_w_per_k: f64,
    block_to_water_w_per_k: f64,
    leg_to_water_w_per_k: f64,
    through_jacket_w_per_k: f64,
    jacket_j_per_k: f64,
    resting: bool,
}

impl Circuit {
    fn new(parameters: &HeatParameters, inputs: &HeatInputs) -> Self {
        let still = parameters.still_water_share;
        let stirred = |flow_lpm: f64| {
            let share = if flow_lpm > 0.0 { libm::pow(flow_lpm / parameters.rated_flow_lpm, 0.8) } else { 0.0 };
            still + (1.0 - still) * share
        };
        let wet = inputs.jacket_fill.max(LEAST_WET);
        // A layer of salt or lime in series with the film: at the worst four times the resistance (own assumption).
        let clean = 1.0 / (1.0 + 3.0 * inputs.fouling.clamp(0.0, 1.0));
        // Without fuel and water only metals are left: nothing boils in a dry jacket, and steps may be long.
        let resting = inputs.fuel_w <= 0.0 && inputs.jacket_fill <= 0.0 && inputs.jacket_lpm <= 0.0;
        let in_jacket = if resting { 0.0 } else { stirred(inputs.jacket_lpm) * wet * clean };
        let water_w_per_k = |flow_lpm: f64| flow_lpm / 60.0 * inputs.water_j_per_l_k;
        // A leg of many tubes: what its walls can give, but never more than the water can take up.
        let inside = parameters.leg_to_water_w_per_k * stirred(inputs.leg_lpm);
        let inside = if inputs.leg_lpm > 0.0 { inside.min(water_w_per_k(inputs.leg_lpm)) } else { 0.0 };
        let outside = if inputs.immersed { parameters.leg_to_water_w_per_k * still } else { 0.0 };
        Self {
            parameters: *parameters,
            inputs: *inputs,
            head_to_water_w_per_k: parameters.head_to_water_w_per_k * in_jacket,
            block_to_water_w_per_k: parameters.block_to_water_w_per_k * in_jacket,
            leg_to_water_w_per_k: inside + outside,
            through_jacket_w_per_k: water_w_per_k(inputs.jacket_lpm),
            jacket_j_per_k: parameters.jacket_l * inputs.water_j_per_l_k * wet,
            resting,
        }
    }

    /// How many steps keep the method stable and true. No lump answers faster than twice the sum of its heat paths over
    /// its capacity (Gershgorin); Runge-Kutta of order 4 is stable up to 2.78 times the inverse of the fastest rate.
    fn steps(&self, seconds: f64) -> usize {
        let p = &self.parameters;
        let to_block = p.hot_to_block_w_per_k + p.head_to_block_w_per_k + p.oil_to_block_w_per_k;
        let around_head = p.hot_to_head_w_per_k + p.head_to_block_w_per_k + p.head_to_air_w_per_k;
        let around_block = to_block + p.block_to_leg_w_per_k + p.block_to_air_w_per_k;
        let jacket = self.head_to_water_w_per_k + self.block_to_water_w_per_k + self.through_jacket_w_per_k;
        let bubbles = if self.inputs.jacket_fill > 0.0 { BUBBLES } else { 1.0 };
        let metals = [
            (p.hot_to_head_w_per_k + p.hot_to_block_w_per_k) / p.hot_side_j_per_k,
            (around_head + bubbles * self.head_to_water_w_per_k) / p.head_j_per_k,
            (around_block + bubbles * self.block_to_water_w_per_k) / p.block_j_per_k,
            (p.block_to_leg_w_per_k + self.leg_to_water_w_per_k) / p.leg_j_per_k,
            p.oil_to_block_w_per_k / p.oil_j_per_k,
        ];
        let element = 1.3 * self.inputs.element_lag_s;
        // The course of metals at rest is wanted exactly: half the time of the fastest.
        let metals = metals.into_iter().fold(1e-9, f64::max);
        let step_s = if self.resting {
            LONGEST_RESTING_STEP_S.min(0.5 / metals).min(element)
        } else {
            let jacket = jacket / self.jacket_j_per_k + STEAM_PER_S;
            LONGEST_STEP_S.min(1.3 / metals.max(jacket)).min(element)
        };
        // A count of at most some ten thousand.
        (seconds / step_s).ceil().max(1.0) as usize
    }
}

impl System<f64, Lumps> for Circuit {
    fn system(&self, _seconds: f64, lumps: &Lumps, rate: &mut Lumps) {
        let (p, i) = (&self.parameters, &self.inputs);
        let [hot, head, block, leg, oil, jacket, element] =
            [lumps[HOT], lumps[HEAD], lumps[BLOCK], lumps[LEG], lumps[OIL], lumps[JACKET], lumps[ELEMENT]];
        // Heat enters in proportion to how much hotter the gas is than the metal; the shares hold for metal at 70 °C.
        let metal_w = i.fuel_w * i.share;
        let colder = |metal_c: f64| (p.gas_c - metal_c) / (p.gas_c - 70.0);
        let into_hot = metal_w * p.to_hot_side * colder(hot);
        let into_head = metal_w * p.to_head * colder(head);
        let into_oil = metal_w * p.to_oil;
        let into_block = metal_w * (1.0 - p.to_hot_side - p.to_head - p.to_oil) * colder(block);
        let into_leg = i.fuel_w * p.to_leg;

        let hot_to_head = p.hot_to_head_w_per_k * (hot - head);
        let hot_to_block = p.hot_to_block_w_per_k * (hot - block);
        let head_to_block = p.head_to_block_w_per_k * (head - block);
        let block_to_leg = p.block_to_leg_w_per_k * (block - leg);
        let oil_to_block = p.oil_to_block_w_per_k * (oil - block);
        let boiling = |w_per_k: f64, metal: f64| {
            w_per_k * (metal - jacket + (BUBBLES - 1.0) * (metal - p.boiling_c - 5.0).max(0.0))
        };
        let head_to_water = boiling(self.head_to_water_w_per_k, head);
        let block_to_water = boiling(self.block_to_water_w_per_k, block);
        let overboard = self.through_jacket_w_per_k * (jacket - i.raw_water_c);
        // Steam holds the water within a few kelvin of its boiling point.
        let boils = if self.resting { 0.0 } else { STEAM_PER_S };
        let steam = self.jacket_j_per_k * boils * (jacket - p.boiling_c).max(0.0);
        let leg_to_water = self.leg_to_water_w_per_k * (leg - i.raw_water_c);
        let head_to_air = p.head_to_air_w_per_k * (head - i.air_c);
        let block_to_air = p.block_to_air_w_per_k * (block - i.air_c);

        rate[HOT] = (into_hot - hot_to_head - hot_to_block) / p.hot_side_j_per_k;
        rate[HEAD] = (into_head + hot_to_head - head_to_block - head_to_water - head_to_air) / p.head_j_per_k;
        rate[BLOCK] =
            (into_block + hot_to_block + head_to_block + oil_to_block - block_to_leg - block_to_water - block_to_air)
                / p.block_j_per_k;
        rate[LEG] = (into_leg + block_to_leg - leg_to_water) / p.leg_j_per_k;
        rate[OIL] = (into_oil - oil_to_block) / p.oil_j_per_k;
        rate[JACKET] = (head_to_water + block_to_water - overboard - steam) / self.jacket_j_per_k;
        rate[ELEMENT] = (jacket - element) / i.element_lag_s;
        rate[TO_WATER] = overboard + steam + leg_to_water;
        rate[TO_AIR] = head_to_air + block_to_air;
        rate[FROM_FUEL] = into_hot + into_head + into_block + into_oil + into_leg;
        rate[BOILED] = steam / STEAM_J_PER_L;
    }
}

/// Moves the temperatures on by `seconds`.
pub(super) fn advance(
    temperatures: &mut Temperatures,
    parameters: &HeatParameters,
    inputs: &HeatInputs,
    seconds: f64,
) -> HeatMoved {
    let t = *temperatures;
    let mut lumps = Lumps::zeros();
    for (index, celsius) in [
        (HOT, t.hot_side_c),
        (HEAD, t.head_c),
        (BLOCK, t.block_c),
        (LEG, t.leg_c),
        (OIL, t.oil_c),
        (JACKET, t.jacket_c),
        (ELEMENT, t.element_c),
    ] {
        lumps[index] = celsius;
    }
    let circuit = Circuit::new(parameters, inputs);
    let jacket_j_per_k = circuit.jacket_j_per_k;
    let after = integrated(circuit, lumps, seconds);
    *temperatures = Temperatures {
        hot_side_c: after[HOT],
        head_c: after[HEAD],
        block_c: after[BLOCK],
        leg_c: after[LEG],
        oil_c: after[OIL],
        jacket_c: after[JACKET],
        element_c: after[ELEMENT],
    };
    let stored_j = [
        (HOT, parameters.hot_side_j_per_k),
        (HEAD, parameters.head_j_per_k),
        (BLOCK, parameters.block_j_per_k),
        (LEG, parameters.leg_j_per_k),
        (OIL, parameters.oil_j_per_k),
        (JACKET, jacket_j_per_k),
    ];
    HeatMoved {
        from_fuel_j: after[FROM_FUEL],
        to_water_j: after[TO_WATER],
        to_air_j: after[TO_AIR],
        stored_j: stored_j.into_iter().map(|(index, j_per_k)| j_per_k * (after[index] - lumps[index])).sum(),
        boiled_l: after[BOILED],
    }
}

fn integrated(circuit: Circuit, lumps: Lumps, seconds: f64) -> Lumps {
    let steps = circuit.steps(seconds);
    let step_s = seconds / steps as f64;
    // The library counts its steps by rounding up; half a step less makes the count certain.
    let mut solver = Rk4::new(circuit, 0.0, lumps, seconds - 0.5 * step_s, step_s);
    match solver.integrate() {
        Ok(_) => solver.y_out().last().copied().unwrap_or(lumps),
        // A fixed step cannot fail; were it to, the temperatures would stand still and every check of the balance fail.
        Err(_) => lumps,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::{EngineKind, PlantParameters};

    /// A head of `j_per_k` that nothing touches but air over `w_per_k`.
    fn lone_head(j_per_k: f64, w_per_k: f64, celsius: f64, air_c: f64, seconds: f64) -> f64 {
        let mut parameters = PlantParameters::of(EngineKind::MidFourStroke).expect("built in").heat;
        parameters.head_j_per_k = j_per_k;
        parameters.head_to_air_w_per_k = w_per_k;
        parameters.hot_to_head_w_per_k = 0.0;
        parameters.head_to_block_w_per_k = 0.0;
        parameters.head_to_water_w_per_k = 0.0;
        let inputs = HeatInputs {
            fuel_w: 0.0,
            share: 0.3,
            jacket_lpm: 0.0,
            leg_lpm: 0.0,
            immersed: false,
            raw_water_c: 20.0,
            air_c,
            water_j_per_l_k: 4_100.0,
            jacket_fill: 0.0,
            fouling: 0.0,
            element_lag_s: 10.0,
        };
        let mut temperatures = Temperatures { head_c: celsius, ..Temperatures::all(20.0) };
        advance(&mut temperatures, &parameters, &inputs, seconds);
        temperatures.head_c
    }

    /// The quick answer of a jacket of little water once made the long steps of a dry engine unstable.
    #[test]
    fn a_dry_engine_over_the_boiling_point_cools_down_in_long_steps() {
        for kind in EngineKind::ALL {
            let mut parameters = PlantParameters::of(kind).expect("built in").heat;
            // A jacket of little water between walls that carry much: the quickest that an individual may have.
            parameters.jacket_l *= 0.5;
            parameters.head_to_water_w_per_k *= 1.5;
            parameters.block_to_water_w_per_k *= 1.5;
            let inputs = HeatInputs {
                fuel_w: 0.0,
                share: 0.3,
                jacket_lpm: 0.0,
                leg_lpm: 0.0,
                immersed: true,
                raw_water_c: 20.0,
                air_c: 20.0,
                water_j_per_l_k: 4_100.0,
                jacket_fill: 0.0,
                fouling: 0.0,
                element_lag_s: 10.0,
            };
            let mut temperatures = Temperatures::all(160.0);
            advance(&mut temperatures, &parameters, &inputs, 72_000.0);
            assert!((temperatures.head_c - 20.0).abs() < 10.0, "{}: {} C", kind.name(), temperatures.head_c);
            assert!(temperatures.element_c.is_finite(), "{}: {} C", kind.name(), temperatures.element_c);
        }
    }

    /// Thermocouple junctions as lumps. Incropera, Fundamentals of Heat and Mass Transfer, example 5.1: h 400, c 400,
    /// rho 8500, D 0.706 mm: 25 to 199 C in gas of 200 C after 5.2 s (5.165 s unrounded). Cengel, Heat Transfer, example
    /// 4-1: h 210, c 320, rho 8500, D 1 mm: 99 % of the step after 10 s (9.94 s unrounded).
    #[test]
    fn a_lone_lump_follows_the_textbook() {
        let sphere = |d_m: f64| (core::f64::consts::PI * d_m * d_m, core::f64::consts::PI * d_m * d_m * d_m / 6.0);
        let (area, volume) = sphere(7.058_823_5e-4);
        let incropera = lone_head(8_500.0 * 400.0 * volume, 400.0 * area, 25.0, 200.0, 5.164_786);
        assert!((incropera - 199.0).abs() < 0.01, "Incropera 5.1: {incropera} C");
        let (area, volume) = sphere(1e-3);
        let cengel = lone_head(8_500.0 * 320.0 * volume, 210.0 * area, 0.0, 100.0, 9.941_32);
        assert!((cengel - 99.0).abs() < 0.01, "Cengel 4-1: {cengel} C");
    }

    #[test]
    fn a_lump_reaches_63_per_cent_of_a_step_after_its_time_constant() {
        let after = lone_head(5_000.0, 10.0, 0.0, 100.0, 500.0);
        assert!((after - 63.212).abs() < 0.063, "{after} % after 500 s, 63.212 % in closed form");
    }
}
