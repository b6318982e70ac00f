//! What surrounds an engine and what is asked of it.

/// The water and the air around the boat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surroundings {
    /// Temperature of the raw water, degrees Celsius.
    pub raw_water_c: f64,
    /// Temperature of the air under the cowl of a cold engine, degrees Celsius.
    pub air_c: f64,
    /// Salinity of the raw water, grams a kilogram. Open sea 35, fresh water 0.
    pub salinity_g_per_kg: f64,
}

impl Default for Surroundings {
    /// A mild day at sea.
    fn default() -> Self {
        Self { raw_water_c: 18.0, air_c: 20.0, salinity_g_per_kg: 35.0 }
    }
}

/// Wind and waves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sea {
    /// Height of the waves that the boat meets, metres.
    pub wave_height_m: f64,
    /// Seconds between two waves as the boat meets them.
    pub wave_period_s: f64,
    /// Root mean square of the speed that gusts give and take, knots.
    pub gust_kn: f64,
}

impl Sea {
    /// No wind, no waves.
    pub const CALM: Self = Self { wave_height_m: 0.0, wave_period_s: 4.0, gust_kn: 0.0 };
    /// A breeze in sheltered water.
    pub const CHOPPY: Self = Self { wave_height_m: 0.3, wave_period_s: 2.5, gust_kn: 0.3 };
    /// As much as a small boat goes out in.
    pub const ROUGH: Self = Self { wave_height_m: 0.8, wave_period_s: 4.0, gust_kn: 0.8 };
}

/// What the skipper and the sea ask of the engine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Demand {
    /// Where the lever stands, said as the speed at which a healthy engine with a clean propeller, at even keel without
    /// tow or sea, settles there; revolutions a minute. 0 switches the ignition off. Anything from 1 to idle is idle.
    /// The lever stays put: a sick engine or another load gives another speed.
    pub rpm_wanted: f64,
    /// In gear (ahead) or in neutral.
    pub in_gear: bool,
    /// In gear astern. Water and load as ahead, less thrust, speed over ground negative.
    pub astern: bool,
    /// The starter turns. It does nothing on an engine that runs.
    pub cranking: bool,
    /// Litres a minute that a hose on the flushing inlet offers; `None` afloat. On the hose the boat does not move.
    pub hose_lpm: Option<f64>,
    /// Pull of whatever is towed, newtons.
    pub tow_n: f64,
    /// People and gear aboard beyond what the boat is reckoned with, kilograms.
    pub load_kg: f64,
    /// Current along the course, knots; a following current is positive.
    pub current_kn: f64,
    /// Wind and waves.
    pub sea: Sea,
    /// Trim from -1 (full in) over 0 (even) to 1 (full out).
    pub trim: f64,
    /// Electric load beside the engine's own (plotter, pump, lamps), amperes.
    pub boat_load_a: f64,
}

impl Default for Demand {
    /// Engine off, afloat, calm.
    fn default() -> Self {
        Self {
            rpm_wanted: 0.0,
            in_gear: false,
            astern: false,
            cranking: false,
            hose_lpm: None,
            tow_n: 0.0,
            load_kg: 0.0,
            current_kn: 0.0,
            sea: Sea::CALM,
            trim: 0.0,
            boat_load_a: 2.0,
        }
    }
}

/// What is worn, blocked or broken. `Default` is a healthy engine. Every number runs from 0 (healthy) to 1 (as bad as it
/// gets) unless it says otherwise; larger or smaller ones are cut to that range.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Wear {
    /// Worn or set impeller: it leaks back past its vanes, which an idling pump feels most. At 1 hardly anything comes at idle.
    pub impeller_worn: f64,
    /// Share of the vanes that are gone, whole ones.
    pub vanes_lost: f64,
    /// Share of the intake that weed or plastic covers. It matters little under 0.5 and shuts everything off at 1.
    pub intake_blocked: f64,
    /// Share of air in what the pump takes in.
    pub air_in_intake: f64,
    /// Share of the telltale's outlet that is blocked. The cooling stays as it is.
    pub telltale_plugged: f64,
    /// How far the thermostat is held shut: at 1 it does not open at all.
    pub thermostat_stuck_closed: f64,
    /// How far the thermostat is held open: at 1 it stays fully open.
    pub thermostat_stuck_open: f64,
    /// Salt, lime or sand in the passages: resistance to flow and to heat.
    pub waterway_fouling: f64,
    /// Slit in the tube between pump and head.
    pub water_tube_leak: f64,
    /// Worn propeller hub: the torque at which it lets go falls.
    pub hub_worn: f64,
    /// Share of the blades that turns in air.
    pub propeller_ventilating: f64,
    /// Weed on the propeller: more torque, less thrust.
    pub propeller_fouled: f64,
    /// Share of the full fuel flow that does not come.
    pub fuel_starved: f64,
    /// Old fuel: uneven idling, bad starts, less power.
    pub fuel_stale: f64,
    /// Droplets of water in the fuel: sudden sags, at 1 one in a quarter of a minute.
    pub water_in_fuel: f64,
    /// Resistance of the worst connection between battery and bus, ohms (not 0 to 1).
    pub connection_ohm: f64,
    /// Share of the charging current that the rectifier no longer gives.
    pub rectifier_dead: f64,
    /// The rectifier still charges, but no tacho pulses come.
    pub rectifier_breaks_tach: bool,
    /// Share of the oil that is missing.
    pub oil_loss: f64,
    /// Worn bearings or oil thinned by fuel: lower pressure at every speed.
    pub oil_thin: f64,
    /// Relief valve held open by dirt on its seat.
    pub relief_stuck_open: f64,
}
