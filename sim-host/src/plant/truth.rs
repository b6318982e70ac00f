//! What really happens in the plant, before any sensor.

/// Where the water goes, litres a minute. In a filled circuit at rest, what comes in is the sum of the ways out.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct WaterBalance {
    /// What the pump moves, or the hose pushes through.
    pub pumped_lpm: f64,
    /// Out through a slit in the water tube.
    pub tube_leak_lpm: f64,
    /// Out through the telltale.
    pub telltale_lpm: f64,
    /// Out through the cooling of the leg and the exhaust.
    pub leg_lpm: f64,
    /// Through the passages of block and head, not counting a telltale behind them.
    pub jacket_lpm: f64,
    /// Goes to fill empty passages.
    pub filling_lpm: f64,
}

/// Where the power of the fuel goes, watts. In a steady state the fuel is the sum of the rest.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct HeatBalance {
    /// Power of the fuel that is burned.
    pub fuel_w: f64,
    /// Power at the crank.
    pub brake_w: f64,
    /// Exhaust and unburnt fuel.
    pub exhaust_w: f64,
    /// Carried away by water from the jacket, the leg and by steam.
    pub water_w: f64,
    /// Given to the air around the engine.
    pub air_w: f64,
    /// Goes into warming metal, oil and water; zero in a steady state.
    pub stored_w: f64,
}

/// The state of the plant after a step. Temperatures in degrees Celsius.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Truth {
    /// Speed of the crank, revolutions a minute, as a mean of the last step.
    pub rpm: f64,
    /// Lowest and highest speed of the crank in the last step.
    pub rpm_least: f64,
    /// See `rpm_least`.
    pub rpm_most: f64,
    /// Metal of the cylinder head where a sensor sits.
    pub head_c: f64,
    /// Metal of the block.
    pub block_c: f64,
    /// Metal of the leg.
    pub leg_c: f64,
    /// Water that leaves the jacket.
    pub coolant_out_c: f64,
    /// Oil in the sump; the block in a two-stroke.
    pub oil_c: f64,
    /// What comes out of the telltale, litres a minute.
    pub telltale_lpm: f64,
    /// What flows through block and head, litres a minute.
    pub main_flow_lpm: f64,
    /// Pressure behind the pump, kilopascals.
    pub pump_kpa: f64,
    /// The 12 V bus at the monitor, volts; 0 where there is no battery and nothing turns.
    pub supply_v: f64,
    /// Current into the battery, amperes; negative when it gives.
    pub battery_a: f64,
    /// Speed over ground, knots; negative astern.
    pub speed_kn: f64,
    /// Raw water, degrees Celsius.
    pub water_c: f64,
    /// Oil pressure, kilopascals; `None` in a two-stroke.
    pub oil_kpa: Option<f64>,
    /// How far the thermostat is open, 0 to 1; 1 where there is none.
    pub thermostat_open: f64,
    /// How far the relief valve is open, 0 to 1; 0 where there is none.
    pub relief_open: f64,
    /// The ignition fires and the engine carries itself.
    pub firing: bool,
    /// The starter turns it.
    pub cranking: bool,
    /// Tacho pulses come.
    pub tach_pulses_ok: bool,
    /// Share of the crank's turns that the propeller does not make.
    pub hub_slip: f64,
    /// The propeller draws air.
    pub ventilating: bool,
    /// The limiter has cut in during the last step.
    pub limiter_active: bool,
    /// The engine's own protection holds the speed down.
    pub protection_active: bool,
    /// The water in the jacket boils.
    pub boiling: bool,
    /// How full the jacket is, 0 to 1.
    pub jacket_fill: f64,
    /// Power at the crank, kilowatts.
    pub brake_kw: f64,
    /// Torque at the crank, newton metres.
    pub torque_nm: f64,
    /// Fuel, litres an hour.
    pub fuel_lph: f64,
    /// Where the water goes.
    pub water: WaterBalance,
    /// Where the heat goes.
    pub heat: HeatBalance,
}
