//! What a kind of engine is made of: numbers with units, read from a TOML file.
//!
//! The three files in `engines/` say beside each number where it comes from. A scenario may overwrite single numbers, fit
//! a kind to a nameplate, or draw an individual of the kind.

use std::fmt;

use rand_pcg::Pcg64Mcg;
use rand_pcg::rand_core::SeedableRng;
use toml::de::{DeTable, DeValue};

use super::noise::uniform;

/// Why parameters cannot be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ParameterError {
    /// What is wrong.
    pub cause: String,
    /// What to do about it.
    pub remedy: String,
    /// Byte in the text that it is about, where there is one.
    pub offset: Option<usize>,
}

impl fmt::Display for ParameterError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}. {}.", self.cause, self.remedy)
    }
}

impl std::error::Error for ParameterError {}

/// How much one engine of a kind may differ from the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Scatter {
    /// A catalogue value: the same for all.
    None,
    /// Held by tolerances or by adjustment: a fifth of the spread.
    Little,
    /// Grows out of castings, clearances and fittings: the whole spread.
    Full,
}

impl Scatter {
    const fn share(self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Little => 0.2,
            Self::Full => 1.0,
        }
    }
}

/// One number on a walk over all of them.
#[derive(Debug)]
pub(super) struct Parameter<'a> {
    /// The section it stands in.
    pub(super) section: &'static str,
    pub(super) key: &'static str,
    pub(super) value: &'a mut f64,
    pub(super) least: f64,
    pub(super) most: f64,
    scatter: Scatter,
}

/// Declares a section of parameters: the struct, its reader and a walk over its numbers.
macro_rules! section {
    ($(#[$doc:meta])* $name:ident { $($(#[$field_doc:meta])* $field:ident: $least:literal to $most:literal, $scatter:ident;)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq)]
        pub struct $name {
            $($(#[$field_doc])* pub $field: f64,)*
        }

        impl $name {
            /// The keys of this section, in order.
            pub const KEYS: &'static [&'static str] = &[$(stringify!($field)),*];

            fn blank() -> Self {
                Self { $($field: f64::NAN,)* }
            }

            /// Hands every number of this section out.
            fn each(&mut self, section: &'static str, visit: &mut dyn FnMut(Parameter<'_>)) {
                $(visit(Parameter {
                    section,
                    key: stringify!($field),
                    value: &mut self.$field,
                    least: $least,
                    most: $most,
                    scatter: Scatter::$scatter,
                });)*
            }
        }
    };
}

section! {
    /// Crank, combustion and lever.
    EngineParameters {
        /// 2 or 4.
        strokes: 2.0 to 4.0, None;
        /// Number of cylinders.
        cylinders: 1.0 to 12.0, None;
        /// Power at the propeller shaft at `rated_rpm`, kilowatts.
        rated_kw: 0.5 to 500.0, None;
        /// Warm idle, revolutions a minute.
        idle_rpm: 300.0 to 2000.0, None;
        /// Speed of rated power, revolutions a minute.
        rated_rpm: 1000.0 to 12000.0, None;
        /// The handbook's maximum, revolutions a minute.
        max_rpm: 1000.0 to 12000.0, None;
        /// Where the ignition is cut, revolutions a minute.
        limiter_rpm: 1000.0 to 15000.0, None;
        /// Head temperature that the handbook allows at the sensor, degrees Celsius.
        head_limit_c: 60.0 to 130.0, None;
        /// Head temperature at which the engine's own protection holds the speed down, degrees Celsius; 0: it has none.
        protection_c: 0.0 to 150.0, None;
        /// Speed that the protection allows, revolutions a minute.
        protection_rpm: 0.0 to 6000.0, None;
        /// What a stone-cold engine idles faster, revolutions a minute; gone at `fast_idle_ends_c`.
        fast_idle_extra_rpm: 0.0 to 1000.0, Full;
        /// Block temperature at which the fast idle has ended, degrees Celsius.
        fast_idle_ends_c: 0.0 to 80.0, Little;
        /// Moment of inertia of crank, flywheel and, seen from the crank, propeller with its water, kg m2.
        inertia_kg_m2: 0.001 to 10.0, Full;
        /// Speed at which the starter or a pull turns it, revolutions a minute.
        cranking_rpm: 80.0 to 600.0, Little;
        /// Seconds of cranking until a healthy engine fires.
        catch_s: 0.1 to 10.0, Full;
        /// Fuel a kilowatt hour at rated power, grams.
        rated_bsfc_g_per_kwh: 200.0 to 600.0, Little;
        /// Fuel at warm idle, litres an hour.
        idle_fuel_lph: 0.05 to 10.0, Full;
        /// Net calorific value of the fuel, megajoules a kilogram.
        fuel_mj_per_kg: 38.0 to 46.0, None;
        /// Density of the fuel, kilograms a litre.
        fuel_kg_per_l: 0.70 to 0.80, None;
        /// Fuel between pump and cylinders that keeps a starved engine going, millilitres.
        fuel_buffer_ml: 5.0 to 2000.0, Full;
        /// Torque that pushes the speed back to where the lever stands, as a share of rated torque for a departure of
        /// rated speed.
        lever_stiffness: 0.05 to 5.0, Full;
        /// Torque of friction with the ignition off, as a share of rated torque.
        friction_share: 0.02 to 0.4, Full;
        /// Torque of the gearbox in neutral, as a share of rated torque at rated speed.
        neutral_drag_share: 0.002 to 0.1, Full;
        /// Root mean square of the healthy unevenness at idle, revolutions a minute.
        idle_roughness_rpm: 0.0 to 100.0, Full;
    }
}

section! {
    /// Heat: where it comes from, where it stays, where it goes.
    HeatParameters {
        /// Share of the fuel's power that goes into metal and oil at rated power.
        share_at_rated: 0.1 to 0.5, Little;
        /// The same at little load.
        share_at_idle: 0.1 to 0.6, Little;
        /// Of that, what enters at the pistons, chamber walls and exhaust passages.
        to_hot_side: 0.0 to 0.6, Little;
        /// Of that, what enters the head.
        to_head: 0.1 to 0.8, Little;
        /// Of that, what enters the oil.
        to_oil: 0.0 to 0.2, Full;
        /// Share of the fuel's power that the exhaust gives to the leg.
        to_leg: 0.0 to 0.2, Full;
        /// Heat capacity of the hot side, joules a kelvin.
        hot_side_j_per_k: 100.0 to 1e6, Full;
        /// Heat capacity of the head, joules a kelvin.
        head_j_per_k: 100.0 to 1e6, Full;
        /// Heat capacity of the block, joules a kelvin.
        block_j_per_k: 100.0 to 1e6, Full;
        /// Heat capacity of the leg, joules a kelvin.
        leg_j_per_k: 100.0 to 1e6, Full;
        /// Heat capacity of the oil, joules a kelvin.
        oil_j_per_k: 50.0 to 1e6, Full;
        /// Water in the jacket when full, litres.
        jacket_l: 0.02 to 20.0, Full;
        /// Hot side to head, watts a kelvin.
        hot_to_head_w_per_k: 0.1 to 1e4, Full;
        /// Hot side to block, watts a kelvin.
        hot_to_block_w_per_k: 0.1 to 1e4, Full;
        /// Head to block through the gasket face, watts a kelvin.
        head_to_block_w_per_k: 0.1 to 1e4, Full;
        /// Block to leg through the flange, watts a kelvin.
        block_to_leg_w_per_k: 0.0 to 1e3, Full;
        /// Oil to block, watts a kelvin.
        oil_to_block_w_per_k: 0.1 to 1e4, Full;
        /// Head to the water in a full, clean jacket at `rated_flow_lpm`, watts a kelvin.
        head_to_water_w_per_k: 1.0 to 1e5, Full;
        /// Block to the same water, watts a kelvin.
        block_to_water_w_per_k: 1.0 to 1e5, Full;
        /// Flow through the jacket for which these hold, litres a minute.
        rated_flow_lpm: 0.5 to 500.0, None;
        /// What remains of them in standing water.
        still_water_share: 0.01 to 0.5, Full;
        /// Leg to the water inside it at `rated_flow_lpm`, and to the water around it, watts a kelvin.
        leg_to_water_w_per_k: 1.0 to 1e5, Full;
        /// Head to air, watts a kelvin.
        head_to_air_w_per_k: 0.0 to 100.0, Full;
        /// Block to air, watts a kelvin.
        block_to_air_w_per_k: 0.0 to 100.0, Full;
        /// Temperature at which the water boils in the jacket, degrees Celsius.
        boiling_c: 95.0 to 120.0, Little;
        /// Temperature of the gas that heats the metal, degrees Celsius: hotter metal takes less.
        gas_c: 400.0 to 1500.0, None;
    }
}

section! {
    /// The raw-water circuit.
    WaterParameters {
        /// What the impeller displaces in a turn of the crank, litres.
        pump_l_per_rev: 1e-4 to 1.0, Full;
        /// Back leakage of a new pump, litres a minute for a kilopascal.
        pump_leak_lpm_per_kpa: 0.0 to 5.0, Full;
        /// What a wholly worn impeller leaks at any speed, as a share of what a new one moves at idle.
        worn_gap_share: 0.1 to 1.5, Little;
        /// How much faster a wholly worn impeller leaks for a kilopascal, as a multiple of a new one.
        worn_leak_factor: 0.0 to 20.0, Full;
        /// Height the water must be lifted, as pressure, kilopascals.
        lift_kpa: 0.0 to 20.0, Full;
        /// Suction that a flexible vane makes, kilopascals.
        suction_kpa: 5.0 to 80.0, Little;
        /// Conductance of the clean intake, litres a minute for the root of a kilopascal.
        intake_lpm_per_root_kpa: 0.1 to 500.0, Full;
        /// Conductance of the passages in block and head.
        passage_lpm_per_root_kpa: 0.1 to 500.0, Full;
        /// Conductance past the closed thermostat.
        bypass_lpm_per_root_kpa: 0.0 to 100.0, Full;
        /// Conductance of the fully open thermostat, or of the plain outlet where there is none.
        outlet_lpm_per_root_kpa: 0.1 to 500.0, Full;
        /// Conductance of the open relief valve.
        relief_lpm_per_root_kpa: 0.0 to 500.0, Full;
        /// Conductance of the cooling of leg and exhaust.
        leg_lpm_per_root_kpa: 0.0 to 500.0, Full;
        /// Conductance of the telltale's nozzle.
        telltale_lpm_per_root_kpa: 0.01 to 50.0, Full;
        /// Conductance of a slit tube at its worst.
        slit_lpm_per_root_kpa: 0.0 to 500.0, Full;
        /// 1: the telltale branches off before the thermostat; 0: behind it.
        telltale_before_thermostat: 0.0 to 1.0, None;
        /// Temperature at which the thermostat begins to open, degrees Celsius; 0: there is none.
        thermostat_opens_c: 0.0 to 90.0, Little;
        /// Kelvin from there to fully open.
        thermostat_span_k: 2.0 to 25.0, Full;
        /// Kelvin between opening and closing at the same position.
        thermostat_play_k: 0.0 to 6.0, Full;
        /// Time constant of the thermostat's element, seconds.
        thermostat_lag_s: 1.0 to 60.0, Full;
        /// 1: there is a relief valve; 0: none.
        relief_fitted: 0.0 to 1.0, None;
        /// Pressure at which the relief valve begins to open, kilopascals.
        relief_opens_kpa: 1.0 to 300.0, Full;
        /// Pressure from there to fully open, kilopascals.
        relief_span_kpa: 1.0 to 300.0, Full;
        /// Volume between pump and telltale that must fill first, litres.
        tube_l: 0.02 to 5.0, Full;
        /// Seconds in which the standing water runs out of a stopped engine.
        drain_s: 5.0 to 600.0, Full;
    }
}

section! {
    /// Gear, propeller and hull.
    DriveParameters {
        /// Turns of the crank for one of the propeller.
        gear_ratio: 1.0 to 4.0, None;
        /// Pitch of the propeller, inches.
        prop_pitch_in: 3.0 to 30.0, None;
        /// Slip at rated speed, clean hull, full lever.
        rated_slip: 0.03 to 0.6, Full;
        /// Share of the power that moves the boat at rated speed.
        propulsive_efficiency: 0.2 to 0.8, Little;
        /// Slip above 1 that still gives thrust: the pitch that a blade makes is longer than the one stamped on it.
        zero_thrust_slip: 0.02 to 0.4, Full;
        /// Extra torque for extra slip.
        slip_torque: 0.0 to 2.0, Full;
        /// Boat with crew, kilograms.
        boat_kg: 50.0 to 20000.0, Full;
        /// Speed of the hump, as a share of the speed at rated rpm.
        hump_at: 0.1 to 2.0, Little;
        /// Resistance of the hump, as a share of the thrust at rated speed.
        hump_height: 0.0 to 1.5, Full;
        /// Torque at which a sound hub lets go, as a multiple of rated torque.
        hub_lets_go: 1.2 to 4.0, Little;
    }
}

section! {
    /// Battery, charging, starter. A pull-start engine has no battery: `battery_ah` 0.
    ElectricParameters {
        /// Capacity of the battery, ampere hours; 0: none.
        battery_ah: 0.0 to 1000.0, Full;
        /// Resistance of battery and leads, ohms.
        battery_ohm: 0.001 to 0.2, Full;
        /// Current of the starter, amperes.
        starter_a: 0.0 to 500.0, Full;
        /// Largest charging current, amperes.
        charge_a: 0.0 to 200.0, Full;
        /// Speed at which charging begins, revolutions a minute.
        charge_from_rpm: 0.0 to 3000.0, Little;
        /// Speed beyond that at which 63 % of the current comes, revolutions a minute.
        charge_rise_rpm: 100.0 to 5000.0, Little;
        /// Voltage of the regulator, volts.
        regulator_v: 13.0 to 16.0, Little;
        /// Current of ignition, injection and fuel pump, amperes.
        engine_load_a: 0.0 to 50.0, Full;
        /// Nominal voltage, volts.
        nominal_v: 6.0 to 48.0, None;
        /// What the handbook wants to see above 2,000 rpm, volts.
        charging_min_v: 5.0 to 50.0, None;
    }
}

section! {
    /// Oil pressure of a four-stroke; `hot_idle_kpa` 0: none.
    OilParameters {
        /// Pressure at warm idle with hot oil, kilopascals.
        hot_idle_kpa: 0.0 to 500.0, Full;
        /// Pressure at which the oil's relief valve holds it, kilopascals.
        relief_kpa: 100.0 to 1000.0, Little;
        /// The handbook's least pressure, kilopascals.
        least_kpa: 0.0 to 500.0, None;
    }
}

/// Everything that makes one engine with its boat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlantParameters {
    /// Crank, combustion and lever.
    pub engine: EngineParameters,
    /// Heat.
    pub heat: HeatParameters,
    /// Raw water.
    pub water: WaterParameters,
    /// Gear, propeller, hull.
    pub drive: DriveParameters,
    /// Battery and charging.
    pub electric: ElectricParameters,
    /// Oil pressure.
    pub oil: OilParameters,
}

/// The kinds of engines that come with the plant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum EngineKind {
    /// One or two cylinders, pulled by hand, no thermostat, no battery.
    SmallTwoStroke,
    /// Four cylinders with a thermostat.
    MidFourStroke,
    /// Six cylinders with a thermostat and a relief valve.
    LargeFourStroke,
}

impl EngineKind {
    /// All kinds.
    pub const ALL: [Self; 3] = [Self::SmallTwoStroke, Self::MidFourStroke, Self::LargeFourStroke];

    /// The name in scenarios.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::SmallTwoStroke => "small-two-stroke",
            Self::MidFourStroke => "mid-four-stroke",
            Self::LargeFourStroke => "large-four-stroke",
        }
    }

    /// The kind of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }

    const fn toml(self) -> &'static str {
        match self {
            Self::SmallTwoStroke => include_str!("engines/small-two-stroke.toml"),
            Self::MidFourStroke => include_str!("engines/mid-four-stroke.toml"),
            Self::LargeFourStroke => include_str!("engines/large-four-stroke.toml"),
        }
    }
}

impl PlantParameters {
    /// The names of the sections.
    pub const SECTIONS: [&'static str; 6] = ["engine", "heat", "water", "drive", "electric", "oil"];

    /// A typical engine of the kind.
    ///
    /// # Errors
    ///
    /// Where the file that was built in is damaged; a test keeps that from happening.
    pub fn of(kind: EngineKind) -> Result<Self, ParameterError> {
        Self::from_toml(kind.toml())
    }

    /// A complete set from the text of a TOML file.
    ///
    /// # Errors
    ///
    /// Not TOML, a number missing, unknown or out of its range.
    pub fn from_toml(text: &str) -> Result<Self, ParameterError> {
        let table = DeTable::parse(text).map_err(|error| ParameterError {
            cause: format!("These parameters are not TOML: {}", error.message()),
            remedy: "Write each as `key = number` under its section".into(),
            offset: error.span().map(|span| span.start),
        })?;
        let mut parameters = Self {
            engine: EngineParameters::blank(),
            heat: HeatParameters::blank(),
            water: WaterParameters::blank(),
            drive: DriveParameters::blank(),
            electric: ElectricParameters::blank(),
            oil: OilParameters::blank(),
        };
        parameters.apply(table.get_ref())?;
        let mut missing = None;
        parameters.each(&mut |parameter| {
            if parameter.value.is_nan() && missing.is_none() {
                missing = Some(format!("{}.{}", parameter.section, parameter.key));
            }
        });
        match missing {
            None => Ok(parameters),
            Some(name) => Err(ParameterError {
                cause: format!("{name} is missing"),
                remedy: format!("Add it: {name} = number"),
                offset: None,
            }),
        }
    }

    /// Overwrites the numbers that `table` holds, section by section.
    ///
    /// # Errors
    ///
    /// An unknown section or key, something else than a number, or a number out of its range. Nothing is changed then.
    pub fn apply(&mut self, table: &DeTable<'_>) -> Result<(), ParameterError> {
        let mut changed = *self;
        for (section, contents) in table {
            let (name, offset) = (section.get_ref().as_ref(), section.span().start);
            if !Self::SECTIONS.contains(&name) {
                return Err(unknown(name, &Self::SECTIONS, offset));
            }
            let DeValue::Table(contents) = contents.get_ref() else {
                let cause = format!("{name} is no section of parameters");
                let remedy = format!("Write it as [plant.{name}] with `key = number` below");
                return Err(ParameterError { cause, remedy, offset: Some(offset) });
            };
            for (key, value) in contents {
                changed.set(name, key.get_ref(), number(name, key.get_ref(), value)?, value.span().start)?;
            }
        }
        *self = changed;
        Ok(())
    }

    /// Sets one number.
    fn set(&mut self, section: &str, key: &str, number: f64, offset: usize) -> Result<(), ParameterError> {
        let mut keys = Vec::new();
        let mut outcome = None;
        self.each(&mut |parameter| {
            if parameter.section != section {
                return;
            }
            keys.push(parameter.key);
            if parameter.key == key {
                let (least, most) = (parameter.least, parameter.most);
                outcome = Some(if (least..=most).contains(&number) {
                    *parameter.value = number;
                    Ok(())
                } else {
                    Err(ParameterError {
                        cause: format!("{section}.{key} is {number}, which is out of its range"),
                        remedy: format!("Give a number from {least} to {most}"),
                        offset: Some(offset),
                    })
                });
            }
        });
        outcome.unwrap_or_else(|| Err(unknown(key, &keys, offset)))
    }

    /// Hands out every number.
    pub(super) fn each(&mut self, visit: &mut dyn FnMut(Parameter<'_>)) {
        self.engine.each("engine", visit);
        self.heat.each("heat", visit);
        self.water.each("water", visit);
        self.drive.each("drive", visit);
        self.electric.each("electric", visit);
        self.oil.each("oil", visit);
    }

    /// An individual of the kind: each number that castings, clearances and fittings decide is multiplied by
    /// 1 ± `spread` (even distribution), what tolerances hold by a fifth of that, catalogue values by 1. 0.1 gives the
    /// engines of one model, 0.3 engines that merely resemble it. Nothing leaves its range, and what a healthy
    /// engine must keep is kept: the oil pressure at idle 20 % over its least.
    #[must_use]
    pub fn varied(mut self, seed: u64, spread: f64) -> Self {
        let mut random = Pcg64Mcg::seed_from_u64(seed);
        self.each(&mut |parameter| {
            let departure = spread * parameter.scatter.share() * (2.0 * uniform(&mut random) - 1.0);
            // 0 means that there is none.
            if parameter.scatter != Scatter::None && *parameter.value != 0.0 {
                *parameter.value = (*parameter.value * (1.0 + departure)).clamp(parameter.least, parameter.most);
            }
        });
        if self.oil.hot_idle_kpa > 0.0 {
            self.oil.hot_idle_kpa = self.oil.hot_idle_kpa.max(1.2 * self.oil.least_kpa);
        }
        self
    }
}

/// The number at a key.
fn number(section: &str, key: &str, value: &toml::Spanned<DeValue<'_>>) -> Result<f64, ParameterError> {
    let number = match value.get_ref() {
        DeValue::Float(float) => float.as_str().replace('_', "").parse().ok(),
        DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str().replace('_', "").parse().ok(),
        _ => None,
    };
    number.filter(|number: &f64| number.is_finite()).ok_or_else(|| ParameterError {
        cause: format!("{section}.{key} is not a number"),
        remedy: format!("Write it as {key} = 1.5"),
        offset: Some(value.span().start),
    })
}

/// An unknown name, with the one that looks most like it.
fn unknown(name: &str, known: &[&str], offset: usize) -> ParameterError {
    let nearest = known.iter().max_by(|a, b| strsim::jaro(name, a).total_cmp(&strsim::jaro(name, b)));
    ParameterError {
        cause: format!("{name} is no parameter of the plant"),
        remedy: format!("The nearest known one is {}", nearest.copied().unwrap_or("engine")),
        offset: Some(offset),
    }
}
