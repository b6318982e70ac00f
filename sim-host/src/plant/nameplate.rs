//! Fits a kind of engine to what is known of a particular one.

use super::parameters::PlantParameters;

/// What a scenario's profile says about the engine. `None` leaves the kind's own value.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Nameplate {
    /// Strokes, 2 or 4.
    pub strokes: Option<f64>,
    /// Number of cylinders.
    pub cylinders: Option<f64>,
    /// Rated power, kilowatts.
    pub rated_kw: Option<f64>,
    /// Warm idle, revolutions a minute.
    pub idle_rpm: Option<f64>,
    /// Speed of rated power, revolutions a minute.
    pub rated_rpm: Option<f64>,
    /// The handbook's maximum, revolutions a minute. The limiter is put 200 above it (own choice).
    pub max_rpm: Option<f64>,
    /// Thermostat, degrees Celsius; `Some(0.0)` for an engine without.
    pub thermostat_opens_c: Option<f64>,
    /// Head limit, degrees Celsius.
    pub head_limit_c: Option<f64>,
    /// Least oil pressure, kilopascals.
    pub oil_least_kpa: Option<f64>,
    /// Whether the telltale branches off before the thermostat.
    pub telltale_before_thermostat: Option<bool>,
    /// Whether there is a relief valve.
    pub relief_valve: Option<bool>,
    /// Gear ratio.
    pub gear_ratio: Option<f64>,
    /// Pitch of the propeller, inches.
    pub prop_pitch_in: Option<f64>,
    /// Least voltage above 2,000 rpm, volts.
    pub charging_min_v: Option<f64>,
}

/// How a number follows the size of the engine.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Grows {
    Power,
    /// Moments of inertia: mass times the square of a length.
    PowerToFiveThirds,
}

fn growth(section: &str, key: &str) -> Option<Grows> {
    match (section, key) {
        ("engine", "inertia_kg_m2") => Some(Grows::PowerToFiveThirds),
        ("engine", "idle_fuel_lph" | "fuel_buffer_ml") | ("drive", "boat_kg") => Some(Grows::Power),
        ("heat", key) => {
            let sized = key.ends_with("_j_per_k") || key.ends_with("_w_per_k") || key.ends_with("_l");
            (sized || key == "rated_flow_lpm").then_some(Grows::Power)
        }
        ("water", key) => {
            let sized = key.ends_with("_per_root_kpa") || key.ends_with("_per_kpa") || key.ends_with("_l");
            // The telltale is the same nozzle on all engines.
            (sized && !key.starts_with("telltale")).then_some(Grows::Power)
        }
        _ => None,
    }
}

impl PlantParameters {
    /// The same kind with the numbers of `nameplate`. Heat capacities, heat paths and waterways grow with the power,
    /// the pump with power over speed, so that a fitted engine runs as warm as its kind.
    #[must_use]
    pub fn with_nameplate(mut self, nameplate: &Nameplate) -> Self {
        let size = nameplate.rated_kw.map_or(1.0, |kw| kw / self.engine.rated_kw);
        self.each(&mut |parameter| {
            let factor = match growth(parameter.section, parameter.key) {
                None => return,
                Some(Grows::Power) => size,
                Some(Grows::PowerToFiveThirds) => size * libm::cbrt(size * size),
            };
            *parameter.value = (*parameter.value * factor).clamp(parameter.least, parameter.most);
        });
        let rated_rpm = nameplate.rated_rpm.unwrap_or(self.engine.rated_rpm);
        self.water.pump_l_per_rev *= size * self.engine.rated_rpm / rated_rpm;
        let flag = |set: bool| if set { 1.0 } else { 0.0 };
        let engine = &mut self.engine;
        for (field, given) in [
            (&mut engine.strokes, nameplate.strokes),
            (&mut engine.cylinders, nameplate.cylinders),
            (&mut engine.rated_kw, nameplate.rated_kw),
            (&mut engine.idle_rpm, nameplate.idle_rpm),
            (&mut engine.rated_rpm, nameplate.rated_rpm),
            (&mut engine.limiter_rpm, nameplate.max_rpm.map(|rpm| rpm + 200.0)),
            (&mut engine.max_rpm, nameplate.max_rpm),
            (&mut engine.head_limit_c, nameplate.head_limit_c),
            (&mut self.oil.least_kpa, nameplate.oil_least_kpa),
            (&mut self.water.thermostat_opens_c, nameplate.thermostat_opens_c),
            (&mut self.water.telltale_before_thermostat, nameplate.telltale_before_thermostat.map(flag)),
            (&mut self.water.relief_fitted, nameplate.relief_valve.map(flag)),
            (&mut self.drive.gear_ratio, nameplate.gear_ratio),
            (&mut self.drive.prop_pitch_in, nameplate.prop_pitch_in),
            (&mut self.electric.charging_min_v, nameplate.charging_min_v),
        ] {
            if let Some(given) = given {
                *field = given;
            }
        }
        self
    }
}
