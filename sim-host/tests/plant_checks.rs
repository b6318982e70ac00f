//! The plant against the outside: balances, published values, and the rules that keep it apart from the monitor.

use std::path::Path;

use sim_host::plant::{
    Demand, EngineKind, Nameplate, Plant, PlantParameters, Sea, Seawater, Surroundings, Truth, Wear,
};

fn of(kind: EngineKind) -> PlantParameters {
    PlantParameters::of(kind).expect("the built-in engines can be read")
}

fn at(rpm_wanted: f64) -> Demand {
    Demand { rpm_wanted, in_gear: true, ..Demand::default() }
}

fn started(parameters: PlantParameters, seed: u64) -> Plant {
    let mut plant = Plant::new(parameters, Surroundings::default(), seed);
    let cranking = Demand { cranking: true, rpm_wanted: 1.0, ..Demand::default() };
    for _ in 0..40 {
        plant.advance(0.25, &cranking, &Wear::default());
    }
    assert!(plant.truth().firing, "a healthy engine starts within ten seconds");
    plant
}

fn run(plant: &mut Plant, seconds: u32, demand: &Demand, wear: &Wear) {
    for _ in 0..seconds {
        plant.advance(1.0, demand, wear);
    }
}

#[test]
fn energy_and_mass_balance_to_a_thousandth_in_a_steady_state() {
    for kind in EngineKind::ALL {
        let parameters = of(kind);
        for share in [0.15, 0.5, 0.9] {
            let mut plant = started(parameters, 1);
            let demand = at(share * parameters.engine.rated_rpm);
            run(&mut plant, 3_600, &demand, &Wear::default());
            plant.advance(600.0, &demand, &Wear::default());
            let Truth { heat, water, .. } = plant.truth();
            let name = format!("{} at {share} of rated speed", kind.name());
            let out_w = heat.brake_w + heat.exhaust_w + heat.water_w + heat.air_w;
            assert!((heat.fuel_w - out_w - heat.stored_w).abs() < 1e-6 * heat.fuel_w, "{name}, with storage: {heat:?}");
            assert!((heat.fuel_w - out_w).abs() < 1e-3 * heat.fuel_w, "{name}: {heat:?}");
            let out_lpm = water.tube_leak_lpm + water.telltale_lpm + water.leg_lpm + water.jacket_lpm;
            assert!((water.pumped_lpm - out_lpm).abs() < 1e-3 * water.pumped_lpm, "{name}: {water:?}");
            assert!(heat.exhaust_w > 0.0 && heat.water_w > 0.0, "{name}: {heat:?}");
        }
    }
}

/// The heat that leaves with the water is what its flow and its rise carry, told by quantities from outside the sums.
#[test]
fn the_water_carries_what_its_rise_says() {
    let mut plant = started(of(EngineKind::MidFourStroke), 2);
    let demand = at(4_500.0);
    run(&mut plant, 3_600, &demand, &Wear { telltale_plugged: 1.0, ..Wear::default() });
    let truth = plant.truth();
    let j_per_l_k = Seawater::at(18.0, 35.0).j_per_litre_k();
    let jacket_w = truth.main_flow_lpm / 60.0 * j_per_l_k * (truth.coolant_out_c - 18.0);
    let parameters = plant.parameters();
    let leg_most_w = parameters.heat.leg_to_water_w_per_k * 3.0 * (truth.leg_c - 18.0);
    assert!(jacket_w < truth.heat.water_w, "jacket {jacket_w} W of {} W", truth.heat.water_w);
    assert!(truth.heat.water_w < jacket_w + leg_most_w, "jacket {jacket_w} W, leg at most {leg_most_w} W");
}

/// TEOS-10 by gsw 3.6.23 (density kg/m3, heat capacity J/(kg K)) at absolute salinity 0, 20 and 35.16504 g/kg.
#[test]
fn raw_water_is_that_of_teos_10() {
    for (celsius, salinity, density, capacity) in [
        (0.0, 0.0, 999.844, 4_219.41),
        (20.0, 0.0, 998.208, 4_184.06),
        (40.0, 0.0, 992.217, 4_179.42),
        (5.0, 20.0, 1_015.74, 4_076.13),
        (30.0, 20.0, 1_010.454, 4_075.36),
        (0.0, 35.165_04, 1_028.107, 3_986.45),
        (25.0, 35.165_04, 1_023.343, 3_998.98),
        (40.0, 35.165_04, 1_017.972, 4_006.08),
    ] {
        let water = Seawater::at(celsius, salinity);
        let name = format!("{celsius} C, {salinity} g/kg: {water:?}");
        assert!((water.density_kg_per_m3 - density).abs() < 0.1, "{name}, table {density}");
        assert!((water.heat_capacity_j_per_kg_k - capacity).abs() < 2.0, "{name}, table {capacity}");
    }
}

/// A worked example from the reference values: 54.25 kW into 20 L/min of sea water of 25 °C warm it by 39.77 K.
#[test]
fn cooling_water_rises_as_in_the_worked_example() {
    let rise_k = 54_250.0 / (20.0 / 60.0 * Seawater::at(25.0, 35.165_04).j_per_litre_k());
    assert!((rise_k - 39.77).abs() < 0.02, "{rise_k} K");
}

/// Fuel = power x specific consumption / density (the definition of the latter), at the point where it is given.
#[test]
fn rated_power_burns_what_its_specific_consumption_says() {
    for kind in EngineKind::ALL {
        let parameters = of(kind);
        let mut plant = started(parameters, 3);
        let demand = at(parameters.engine.rated_rpm);
        run(&mut plant, 600, &demand, &Wear::default());
        plant.advance(60.0, &demand, &Wear::default());
        let truth = plant.truth();
        let g_per_kwh = truth.fuel_lph * parameters.engine.fuel_kg_per_l * 1e3 / truth.brake_kw;
        let wanted = parameters.engine.rated_bsfc_g_per_kwh;
        assert!((g_per_kwh / wanted - 1.0).abs() < 0.01, "{}: {g_per_kwh} g/kWh, {wanted} given", kind.name());
    }
}

/// Duty cycle E4 of ISO 8178-4 on the running plant: torque over speed at 80, 60 and 40 % of rated speed.
#[test]
fn the_running_engine_settles_on_the_duty_cycle_e4() {
    for kind in EngineKind::ALL {
        let mut parameters = of(kind);
        // A smooth engine, so that the mean of a power curve is the power at the mean.
        parameters.engine.idle_roughness_rpm = 0.0;
        let mut plant = started(parameters, 4);
        for (speed, torque_pct) in [(0.4, 25.3), (0.6, 46.5), (0.8, 71.6)] {
            let demand = Demand { trim: 0.4, ..at(speed * parameters.engine.rated_rpm) };
            run(&mut plant, 300, &demand, &Wear::default());
            let truth = plant.truth();
            let rated_nm =
                parameters.engine.rated_kw * 1e3 / (parameters.engine.rated_rpm * std::f64::consts::PI / 30.0);
            let speed_is = truth.rpm / parameters.engine.rated_rpm;
            assert!((speed_is - speed).abs() < 0.005, "{}: settles at {speed_is}, wanted {speed}", kind.name());
            let torque_is = 100.0 * truth.torque_nm / rated_nm;
            assert!((torque_is - torque_pct).abs() < 1.0, "{}: {torque_is} % at {speed}", kind.name());
        }
    }
}

#[test]
fn the_same_seed_gives_the_same_plant_and_another_seed_another() {
    let course = |seed| {
        let mut plant = started(of(EngineKind::LargeFourStroke), seed);
        run(&mut plant, 120, &Demand { sea: Sea::ROUGH, ..at(3_000.0) }, &Wear { fuel_stale: 0.4, ..Wear::default() });
        plant.truth()
    };
    assert_eq!(course(7), course(7));
    assert_ne!(course(7), course(8));
}

/// A fault-free twin stays bit for bit the same until the fault begins, and meets the same sea afterwards.
#[test]
fn wear_draws_no_random_numbers() {
    let mut sick = started(of(EngineKind::MidFourStroke), 9);
    let mut twin = sick.clone();
    let demand = Demand { sea: Sea::CHOPPY, ..at(3_000.0) };
    let worn = Wear { fuel_stale: 1.0, water_in_fuel: 1.0, impeller_worn: 0.9, air_in_intake: 0.5, ..Wear::default() };
    run(&mut sick, 200, &demand, &worn);
    run(&mut twin, 200, &demand, &Wear::default());
    assert_ne!(sick.truth(), twin.truth());
    for plant in [&mut sick, &mut twin] {
        run(plant, 300, &demand, &Wear::default());
    }
    let (sick, twin) = (sick.truth(), twin.truth());
    assert!((sick.rpm - twin.rpm).abs() < 0.5, "{} and {} rpm after the fault has gone", sick.rpm, twin.rpm);
}

#[test]
fn long_and_short_steps_tell_the_same_story() {
    let warm = |step_s: f64| {
        let mut parameters = of(EngineKind::MidFourStroke);
        parameters.engine.idle_roughness_rpm = 0.0;
        let mut plant = started(parameters, 5);
        for _ in 0..(600.0 / step_s) as u32 {
            plant.advance(step_s, &at(2_000.0), &Wear::default());
        }
        plant.truth()
    };
    let (fine, coarse) = (warm(0.1), warm(5.0));
    assert!((fine.head_c - coarse.head_c).abs() < 0.3, "head {} and {} C", fine.head_c, coarse.head_c);
    assert!((fine.telltale_lpm - coarse.telltale_lpm).abs() < 0.02, "{fine:?}\n{coarse:?}");
}

#[test]
fn individuals_differ_and_all_of_them_are_healthy() {
    for kind in EngineKind::ALL {
        for (spread, seeds) in [(0.1, 0..12), (0.3, 0..12)] {
            let mut heads = Vec::new();
            for seed in seeds {
                let parameters = of(kind).varied(seed, spread);
                let mut plant = started(parameters, seed);
                let name = format!("{} {seed}, spread {spread}", kind.name());
                for share in [0.15, 0.5, 1.0] {
                    run(&mut plant, 400, &at(share * parameters.engine.rated_rpm), &Wear::default());
                    let truth = plant.truth();
                    assert!(truth.firing, "{name} stalls at {share}");
                    assert!(truth.head_c < parameters.engine.head_limit_c - 3.0, "{name}: {} C", truth.head_c);
                    let oil_kpa = truth.oil_kpa.unwrap_or(f64::MAX);
                    assert!(oil_kpa > parameters.oil.least_kpa, "{name}: oil {oil_kpa} kPa at {share}");
                }
                heads.push(plant.truth().head_c);
            }
            let (least, most) =
                (heads.iter().copied().fold(f64::MAX, f64::min), heads.iter().copied().fold(0.0, f64::max));
            assert!(most - least > 10.0 * spread, "{} of spread {spread}: {least} to {most} C", kind.name());
        }
    }
}

#[test]
fn an_engine_fitted_to_a_nameplate_runs_as_warm_as_its_kind() {
    let kind = of(EngineKind::MidFourStroke);
    let nameplate =
        Nameplate { rated_kw: Some(75.0), rated_rpm: Some(5_800.0), max_rpm: Some(6_300.0), ..Nameplate::default() };
    let fitted = kind.with_nameplate(&nameplate);
    let head_c = |parameters: PlantParameters| {
        let mut plant = started(parameters, 6);
        run(&mut plant, 1_500, &at(0.6 * parameters.engine.rated_rpm), &Wear::default());
        assert!((plant.truth().brake_kw / parameters.engine.rated_kw - 0.28).abs() < 0.02, "{:?}", plant.truth());
        plant.truth().head_c
    };
    let (own, other) = (head_c(kind), head_c(fitted));
    assert!((own - other).abs() < 2.0, "{own} and {other} C");
}

#[test]
fn a_damaged_parameter_says_what_is_wrong() {
    let good = include_str!("../src/plant/engines/mid-four-stroke.toml");
    for (name, from, to, cause, remedy) in [
        ("missing", "tube_l = 0.45", "", "water.tube_l is missing", "water.tube_l"),
        ("misspelt", "tube_l = 0.45", "tube_x = 0.45", "tube_x is no parameter", "tube_l"),
        ("out of range", "tube_l = 0.45", "tube_l = 450", "out of its range", "0.02 to 5"),
        ("no number", "tube_l = 0.45", "tube_l = \"big\"", "water.tube_l is not a number", "tube_l = 1.5"),
        ("no section", "[oil]", "[oils]", "oils is no parameter", "oil"),
        ("no TOML", "[oil]", "[oil", "not TOML", "key = number"),
    ] {
        assert!(good.contains(from), "{name}: the file has changed");
        let error = PlantParameters::from_toml(&good.replacen(from, to, 1)).expect_err(name);
        assert!(error.cause.contains(cause), "{name}: {error}");
        assert!(error.remedy.contains(remedy), "{name}: {error}");
    }
}

/// Plant and monitor share no formula, and the plant uses no function that differs between platforms.
#[test]
fn the_plant_keeps_to_itself_and_to_portable_arithmetic() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/plant");
    let mut seen = 0;
    for entry in std::fs::read_dir(&folder).expect("the plant's folder") {
        let path = entry.expect("an entry").path();
        if path.extension().is_none_or(|extension| extension != "rs") {
            continue;
        }
        seen += 1;
        let text = std::fs::read_to_string(&path).expect("a source file");
        for (number, line) in text.lines().enumerate() {
            let place = format!("{}:{}: {line}", path.display(), number + 1);
            let code = line.trim_start();
            if code.starts_with("//") {
                continue;
            }
            assert!(!code.contains("monitor_core") || code.contains("monitor_core::units"), "{place}");
            assert!(!code.contains("crate::") || code.contains("crate::plant"), "{place}");
            let differing = [".exp(", ".exp2(", ".ln(", ".log", ".powf(", ".powi(", ".sin(", ".cos(", ".tan", ".cbrt("];
            for call in differing.iter().chain(&[".hypot(", ".mul_add(", ".exp_m1(", ".ln_1p("]) {
                assert!(!code.contains(call), "{place}");
            }
        }
    }
    assert!(seen >= 10, "only {seen} files seen in {}", folder.display());
}

/// A starved engine that is stopped with boiling water in it cools down in any time.
#[test]
fn an_overheated_engine_cools_down_to_the_air_however_long_it_rests() {
    for kind in EngineKind::ALL {
        let wear = Wear { intake_blocked: 1.0, waterway_fouling: 1.0, ..Wear::default() };
        let mut plant = started(of(kind), 3);
        run(&mut plant, 600, &at(2_000.0), &Wear { waterway_fouling: 1.0, ..Wear::default() });
        run(&mut plant, 120, &at(4_000.0), &wear);
        let hot_c = plant.truth().head_c;
        for rest_s in [1.0, 200.0, 3_600.0, 20.0 * 3_600.0, 40.0 * 3_600.0] {
            let mut rested = plant.clone();
            rested.cool_for(rest_s, &wear);
            let head_c = rested.truth().head_c;
            assert!(head_c.is_finite() && head_c < hot_c + 20.0, "{}, {rest_s} s: {head_c} after {hot_c}", kind.name());
            assert!(rest_s < 72_000.0 || (head_c - 20.0).abs() < 10.0, "{}, {rest_s} s: {head_c}", kind.name());
        }
    }
}
