//! The plant itself: what the parts do to each other, step by step.

use rand_pcg::Pcg64Mcg;
use rand_pcg::rand_core::SeedableRng;

use super::demand::{Demand, Surroundings, Wear};
use super::drive::{Drive, KNOTS_PER_M_PER_S, Moving};
use super::electric::{Battery, ElectricInputs};
use super::heat::{self, HeatInputs, HeatMoved, Temperatures};
use super::noise::{Wander, normal};
use super::parameters::PlantParameters;
use super::running::Running;
use super::seawater::Seawater;
use super::truth::{HeatBalance, Truth, WaterBalance};
use super::water::{self, Flows, WaterInputs};

/// Longest part of a step in which water and heat take each other as given, seconds.
const SLOW_PART_S: f64 = 0.5;
/// Longest part of a step for crank and boat, seconds.
const QUICK_PART_S: f64 = 0.125;
/// Time constant of the relief valve, seconds (own assumption: a spring and a plug, slowed by dirt).
const RELIEF_LAG_S: f64 = 1.5;
/// An empty tube runs dry within this time once nothing is pumped, seconds (own assumption).
const TUBE_DRAIN_S: f64 = 12.0;
/// While cooling down the water is let out first, in this time, seconds; then metal cools alone.
const DRAINED_AFTER: f64 = 4.0;
/// Beyond this the engine has taken the temperature of what surrounds it, seconds.
const COLD_AFTER_S: f64 = 24.0 * 3_600.0;

/// An engine with its boat.
#[derive(Debug, Clone)]
pub struct Plant {
    parameters: PlantParameters,
    surroundings: Surroundings,
    seawater: Seawater,
    drive: Drive,
    random: Pcg64Mcg,
    running: Running,
    moving: Moving,
    temperatures: Temperatures,
    battery: Battery,
    flutter: Wander,
    thermostat_open: f64,
    relief_open: f64,
    tube_fill: f64,
    jacket_fill: f64,
    truth: Truth,
}

/// What a part of a step adds up to.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    seconds: f64,
    rpm_s: f64,
    fuel_j: f64,
    brake_j: f64,
    slip_s: f64,
    quick_s: f64,
    limited: bool,
    moved: HeatMoved,
    water: WaterBalance,
    pressure_kpa_s: f64,
}

impl Plant {
    /// A cold, stopped and drained engine on a boat at rest, with a battery at nine tenths.
    #[must_use]
    pub fn new(parameters: PlantParameters, surroundings: Surroundings, seed: u64) -> Self {
        let mut plant = Self {
            parameters,
            surroundings,
            seawater: Seawater::at(surroundings.raw_water_c, surroundings.salinity_g_per_kg),
            drive: Drive::new(&parameters),
            random: Pcg64Mcg::seed_from_u64(seed),
            running: Running::stopped(),
            moving: Moving::default(),
            temperatures: Temperatures::all(surroundings.air_c),
            battery: Battery::rested(&parameters.electric, 0.9),
            flutter: Wander::new(0.8),
            thermostat_open: if parameters.water.thermostat_opens_c > 0.0 { 0.0 } else { 1.0 },
            relief_open: 0.0,
            tube_fill: 0.0,
            jacket_fill: 0.0,
            truth: Truth::default(),
        };
        plant.tell(&Sums::default(), &Demand::default(), &Wear::default());
        plant
    }

    /// What this engine is made of.
    #[must_use]
    pub const fn parameters(&self) -> &PlantParameters {
        &self.parameters
    }

    /// Moves to other water and air.
    pub fn set_surroundings(&mut self, surroundings: Surroundings) {
        self.surroundings = surroundings;
        self.seawater = Seawater::at(surroundings.raw_water_c, surroundings.salinity_g_per_kg);
    }

    /// What really happens, after the last step.
    #[must_use]
    pub const fn truth(&self) -> Truth {
        self.truth
    }

    /// Moves on by `seconds`; more than 10 s are taken as several steps. Means in the truth are those of the whole.
    pub fn advance(&mut self, seconds: f64, demand: &Demand, wear: &Wear) {
        if seconds.is_nan() || seconds <= 0.0 {
            return;
        }
        let mut sums = Sums::default();
        self.truth.rpm_least = self.moving.rpm;
        self.truth.rpm_most = self.moving.rpm;
        // A count, at least 1.
        let parts = (seconds / SLOW_PART_S).ceil() as u64;
        let part_s = seconds / parts as f64;
        for _ in 0..parts {
            self.part(part_s, demand, wear, &mut sums);
        }
        self.tell(&sums, demand, wear);
    }

    /// One part of a step: crank and boat in quick parts, then water, heat and battery once.
    fn part(&mut self, seconds: f64, demand: &Demand, wear: &Wear, sums: &mut Sums) {
        self.running.protect(&self.parameters.engine, demand, self.temperatures.head_c, seconds);
        let before = *sums;
        let quick = (seconds / QUICK_PART_S).ceil() as u64;
        for _ in 0..quick {
            self.quick_part(seconds / quick as f64, demand, wear, sums);
        }
        let mean_rpm = (sums.rpm_s - before.rpm_s) / seconds;
        let fuel_w = (sums.fuel_j - before.fuel_j) / seconds;
        let most_lph = self.lph(self.fuel_w(self.parameters.engine.rated_rpm, self.parameters.engine.rated_kw * 1e3));
        self.running.feed(&self.parameters.engine, wear, most_lph, self.lph(fuel_w), seconds);
        let flows = self.water_part(seconds, mean_rpm, demand, wear);
        let moved = self.heat_part(seconds, fuel_w, &flows, demand, wear);
        self.fill_part(seconds, &flows, moved.boiled_l, sums);
        self.valves(seconds, flows.outlet_kpa, wear);
        let cranking = demand.cranking && !self.running.firing;
        let ignition = demand.rpm_wanted > 0.0 && self.moving.rpm > 0.0;
        let inputs = ElectricInputs { rpm: mean_rpm, cranking, ignition, boat_load_a: demand.boat_load_a };
        self.battery.advance(&self.parameters.electric, &inputs, wear, seconds);
        sums.seconds += seconds;
        sums.pressure_kpa_s += flows.pressure_kpa * seconds;
        add(&mut sums.moved, &moved);
    }

    fn quick_part(&mut self, seconds: f64, demand: &Demand, wear: &Wear, sums: &mut Sums) {
        let engine = &self.parameters.engine;
        let drawn = self.running.draw(&mut self.random, seconds);
        self.running.ignite(engine, demand, wear, self.moving.rpm, seconds);
        let block_c = self.temperatures.block_c;
        let mut inputs = self.running.inputs((engine, &self.drive), (demand, wear), &drawn, block_c, seconds);
        inputs.cranking_rpm *= self.battery.starter_share;
        let before_rpm = self.moving.rpm;
        self.drive.advance(&inputs, &mut self.moving, seconds);
        let rpm = self.moving.rpm;
        let loads = self.drive.loads(&inputs, &self.moving);
        // A crank that passes through a step at steady change has the mean of both ends.
        sums.rpm_s += 0.5 * (before_rpm + rpm) * seconds;
        sums.quick_s += seconds;
        sums.limited |= rpm > inputs.cut_rpm && self.running.firing;
        if inputs.direction != 0.0 && rpm > 1.0 {
            sums.slip_s += (1.0 - loads.propeller_rpm / rpm).max(0.0) * seconds;
        }
        if self.running.firing {
            let torque_nm = self.drive.engine_torque_nm(&inputs, rpm).max(0.0);
            let brake_w = torque_nm * rpm * core::f64::consts::PI / 30.0;
            sums.brake_j += brake_w * seconds;
            sums.fuel_j += self.fuel_w(rpm, brake_w) * seconds;
        }
        self.truth.rpm_least = self.truth.rpm_least.min(rpm);
        self.truth.rpm_most = self.truth.rpm_most.max(rpm);
        self.truth.torque_nm = loads.torque_nm;
    }

    /// Power of the fuel for `brake_w` at `rpm`, watts: what the engine burns to turn itself and a share for each watt
    /// it gives (Willans line), through the idle and the rated point. Turning itself costs less a turn at speed than at
    /// idle, where it burns badly: it grows with speed^0.75 (own form).
    fn fuel_w(&self, rpm: f64, brake_w: f64) -> f64 {
        let engine = &self.parameters.engine;
        let w_per_lph = engine.fuel_kg_per_l * engine.fuel_mj_per_kg * 1e6 / 3_600.0;
        let turning_w = |rpm: f64| {
            let share = rpm / engine.idle_rpm;
            engine.idle_fuel_lph * w_per_lph * (share * share.sqrt()).sqrt()
        };
        let rated_w = engine.rated_kw * engine.rated_bsfc_g_per_kwh * engine.fuel_mj_per_kg / 3.6;
        let per_watt = (rated_w - turning_w(engine.rated_rpm)) / (engine.rated_kw * 1e3);
        // No engine turns more than 45 % of what it burns for power into power (textbook limit of the cycle).
        turning_w(rpm) + per_watt.max(1.0 / 0.45) * brake_w
    }

    fn lph(&self, fuel_w: f64) -> f64 {
        let engine = &self.parameters.engine;
        fuel_w * 3_600.0 / (engine.fuel_kg_per_l * engine.fuel_mj_per_kg * 1e6)
    }

    fn water_part(&mut self, seconds: f64, rpm: f64, demand: &Demand, wear: &Wear) -> Flows {
        let flutter = self.flutter.advance(seconds, normal(&mut self.random));
        let inputs = WaterInputs {
            rpm,
            idle_rpm: self.parameters.engine.idle_rpm,
            hose_lpm: demand.hose_lpm,
            thermostat_open: self.thermostat_open,
            relief_open: self.relief_open,
            tube_fill: self.tube_fill,
            jacket_fill: self.jacket_fill,
            flutter,
        };
        water::flows(&self.parameters.water, &inputs, wear)
    }

    fn heat_part(&mut self, seconds: f64, fuel_w: f64, flows: &Flows, demand: &Demand, wear: &Wear) -> HeatMoved {
        let (engine, heat) = (&self.parameters.engine, &self.parameters.heat);
        let rated_w = self.fuel_w(engine.rated_rpm, engine.rated_kw * 1e3);
        let share = heat.share_at_idle + (heat.share_at_rated - heat.share_at_idle) * (fuel_w / rated_w).min(1.0);
        // A lean mixture burns hotter (own assumption: a tenth more heat to the metal).
        let lean = 1.0 + 0.1 * wear.fuel_starved.clamp(0.0, 1.0);
        let inputs = HeatInputs {
            fuel_w,
            share: share * lean,
            jacket_lpm: flows.jacket_lpm,
            leg_lpm: flows.leg_lpm,
            immersed: demand.hose_lpm.is_none(),
            raw_water_c: self.surroundings.raw_water_c,
            air_c: self.surroundings.air_c,
            water_j_per_l_k: self.seawater.j_per_litre_k(),
            jacket_fill: self.jacket_fill,
            fouling: wear.waterway_fouling,
            element_lag_s: self.parameters.water.thermostat_lag_s,
        };
        heat::advance(&mut self.temperatures, heat, &inputs, seconds)
    }

    /// Fills and drains tube and jacket, and adds up the flows.
    fn fill_part(&mut self, seconds: f64, flows: &Flows, boiled_l: f64, sums: &mut Sums) {
        let water = &self.parameters.water;
        let jacket_l = self.parameters.heat.jacket_l;
        let litres = seconds / 60.0;
        let filling_lpm = if self.jacket_fill < 1.0 { flows.jacket_lpm } else { 0.0 };
        if flows.pumped_lpm > 0.0 {
            self.tube_fill = (self.tube_fill + flows.tube_filling_lpm * litres / water.tube_l).min(1.0);
        } else {
            self.tube_fill /= 1.0 + seconds / TUBE_DRAIN_S;
            self.jacket_fill /= 1.0 + seconds / water.drain_s;
        }
        let gained_l = filling_lpm * litres - boiled_l;
        self.jacket_fill = (self.jacket_fill + gained_l / jacket_l).clamp(0.0, 1.0);
        let balance = &mut sums.water;
        balance.pumped_lpm += flows.pumped_lpm * seconds;
        balance.tube_leak_lpm += flows.slit_lpm * seconds;
        balance.telltale_lpm += flows.telltale_lpm * seconds;
        balance.leg_lpm += flows.leg_lpm * seconds;
        let behind = self.parameters.water.telltale_before_thermostat < 0.5;
        balance.jacket_lpm += (flows.jacket_lpm - if behind { flows.telltale_lpm } else { 0.0 }) * seconds;
        balance.filling_lpm += (flows.tube_filling_lpm + filling_lpm) * seconds;
    }

    /// Thermostat and relief valve follow temperature and pressure.
    fn valves(&mut self, seconds: f64, outlet_kpa: f64, wear: &Wear) {
        let water = &self.parameters.water;
        if water.thermostat_opens_c > 0.0 {
            let half_play = 0.5 * water.thermostat_play_k / water.thermostat_span_k;
            let asked = (self.temperatures.element_c - water.thermostat_opens_c) / water.thermostat_span_k;
            // The plate lags by half the play whichever way it moves.
            let moved = self.thermostat_open.clamp(asked - half_play, asked + half_play).clamp(0.0, 1.0);
            let shut = 1.0 - wear.thermostat_stuck_closed.clamp(0.0, 1.0);
            self.thermostat_open = moved.min(shut).max(wear.thermostat_stuck_open.clamp(0.0, 1.0));
        }
        if water.relief_fitted >= 0.5 {
            let asked = ((outlet_kpa - water.relief_opens_kpa) / water.relief_span_kpa).clamp(0.0, 1.0);
            let asked = asked.max(wear.relief_stuck_open.clamp(0.0, 1.0));
            self.relief_open += (asked - self.relief_open) * seconds / (RELIEF_LAG_S + seconds);
        }
    }

    /// Writes down what the step came to.
    fn tell(&mut self, sums: &Sums, demand: &Demand, wear: &Wear) {
        let each = |sum: f64| if sums.seconds > 0.0 { sum / sums.seconds } else { 0.0 };
        let rpm = each(sums.rpm_s);
        let water = WaterBalance {
            pumped_lpm: each(sums.water.pumped_lpm),
            tube_leak_lpm: each(sums.water.tube_leak_lpm),
            telltale_lpm: each(sums.water.telltale_lpm),
            leg_lpm: each(sums.water.leg_lpm),
            jacket_lpm: each(sums.water.jacket_lpm),
            filling_lpm: each(sums.water.filling_lpm),
        };
        let heat = HeatBalance {
            fuel_w: each(sums.fuel_j),
            brake_w: each(sums.brake_j),
            exhaust_w: each(sums.fuel_j - sums.brake_j - sums.moved.from_fuel_j),
            water_w: each(sums.moved.to_water_j),
            air_w: each(sums.moved.to_air_j),
            stored_w: each(sums.moved.stored_j),
        };
        let through_water_kn = self.moving.boat_m_per_s * KNOTS_PER_M_PER_S;
        let afloat = demand.hose_lpm.is_none();
        let temperatures = &self.temperatures;
        self.truth = Truth {
            rpm,
            head_c: temperatures.head_c,
            block_c: temperatures.block_c,
            leg_c: temperatures.leg_c,
            coolant_out_c: temperatures.jacket_c,
            oil_c: temperatures.oil_c,
            telltale_lpm: water.telltale_lpm,
            main_flow_lpm: water.jacket_lpm,
            pump_kpa: each(sums.pressure_kpa_s),
            supply_v: self.battery.bus_v,
            battery_a: self.battery.current_a,
            speed_kn: if afloat { through_water_kn + demand.current_kn } else { 0.0 },
            water_c: self.surroundings.raw_water_c,
            oil_kpa: self.oil_kpa(rpm, wear),
            thermostat_open: self.thermostat_open,
            relief_open: self.relief_open,
            firing: self.running.firing,
            cranking: demand.cranking && !self.running.firing,
            tach_pulses_ok: !wear.rectifier_breaks_tach,
            hub_slip: each(sums.slip_s),
            ventilating: wear.propeller_ventilating > 0.0 && self.running.firing,
            limiter_active: sums.limited,
            protection_active: self.running.protecting,
            boiling: temperatures.jacket_c > self.parameters.heat.boiling_c,
            jacket_fill: self.jacket_fill,
            brake_kw: heat.brake_w * 1e-3,
            fuel_lph: self.lph(heat.fuel_w),
            water,
            heat,
            ..self.truth
        };
    }

    /// Oil pressure: of a gear pump into bearings, with the root of the speed and thinner when hot; held by its relief
    /// valve; gone when the pickup draws air, which begins at half the oil (own forms).
    fn oil_kpa(&self, rpm: f64, wear: &Wear) -> Option<f64> {
        let oil = &self.parameters.oil;
        if oil.hot_idle_kpa <= 0.0 {
            return None;
        }
        let speed = (rpm / self.parameters.engine.idle_rpm).max(0.0).sqrt();
        let cold = 1.0 + 0.015 * (85.0 - self.temperatures.oil_c).clamp(-30.0, 85.0);
        let air = ((wear.oil_loss.clamp(0.0, 1.0) - 0.5) / 0.4).clamp(0.0, 1.0);
        let bearings = 1.0 - 0.75 * wear.oil_thin.clamp(0.0, 1.0);
        Some((oil.hot_idle_kpa * speed * cold * bearings).min(oil.relief_kpa) * (1.0 - air))
    }

    /// Lets the engine stand for `seconds` with the power off: water drains, metal cools, the battery rests. Costs
    /// little, whatever the time; no random numbers are drawn.
    pub fn cool_for(&mut self, seconds: f64, wear: &Wear) {
        if seconds.is_nan() || seconds <= 0.0 {
            return;
        }
        self.running = Running::stopped();
        self.moving = Moving::default();
        let draining_s = seconds.min(DRAINED_AFTER * self.parameters.water.drain_s);
        let none = Demand::default();
        let mut sums = Sums::default();
        // Two seconds at a time while water is in the jacket.
        let parts = (draining_s / 2.0).ceil() as u64;
        for _ in 0..parts {
            let part_s = draining_s / parts as f64;
            let moved = self.heat_part(part_s, 0.0, &Flows::default(), &none, wear);
            self.fill_part(part_s, &Flows::default(), moved.boiled_l, &mut sums);
            self.valves(part_s, 0.0, wear);
        }
        let left_s = seconds - draining_s;
        if left_s > 0.0 {
            self.jacket_fill = 0.0;
            self.tube_fill = 0.0;
            self.heat_part(left_s.min(COLD_AFTER_S), 0.0, &Flows::default(), &none, wear);
            self.temperatures.jacket_c = self.temperatures.block_c;
            self.temperatures.element_c = self.temperatures.block_c;
            self.thermostat_open = if self.parameters.water.thermostat_opens_c > 0.0 { 0.0 } else { 1.0 };
            self.valves(0.0, 0.0, wear);
        }
        if left_s > COLD_AFTER_S {
            self.temperatures = Temperatures::all(self.surroundings.air_c);
        }
        self.battery.rest(&self.parameters.electric, seconds);
        self.truth = Truth::default();
        self.tell(&Sums::default(), &none, wear);
    }

    /// Puts a stopped engine to the temperatures it has after a quarter of an hour at idle, its waterways full.
    pub fn warm_up(&mut self) {
        let opens_c = self.parameters.water.thermostat_opens_c;
        let raw_c = self.surroundings.raw_water_c;
        let running_c = if opens_c > 0.0 { opens_c + 2.0 } else { raw_c + 14.0 };
        self.temperatures = Temperatures { leg_c: raw_c + 3.0, ..Temperatures::all(running_c) };
        self.tube_fill = 1.0;
        self.jacket_fill = 1.0;
        self.tell(&Sums::default(), &Demand::default(), &Wear::default());
    }
}

fn add(sum: &mut HeatMoved, part: &HeatMoved) {
    sum.from_fuel_j += part.from_fuel_j;
    sum.to_water_j += part.to_water_j;
    sum.to_air_j += part.to_air_j;
    sum.stored_j += part.stored_j;
    sum.boiled_l += part.boiled_l;
}
