//! Situations that a mechanic knows, with the bands that common practice gives for them.

use sim_host::plant::{Demand, EngineKind, Plant, PlantParameters, Surroundings, Truth, Wear};

fn plant_in(kind: EngineKind, raw_water_c: f64) -> Plant {
    let parameters = PlantParameters::of(kind).expect("the built-in engines can be read");
    Plant::new(parameters, Surroundings { raw_water_c, ..Surroundings::default() }, 11)
}

fn at(rpm_wanted: f64) -> Demand {
    Demand { rpm_wanted, in_gear: true, ..Demand::default() }
}

fn idling() -> Demand {
    Demand { rpm_wanted: 1.0, ..Demand::default() }
}

fn start(plant: &mut Plant, wear: &Wear) -> f64 {
    let cranking = Demand { cranking: true, ..idling() };
    let mut seconds = 0.0;
    while !plant.truth().firing && seconds < 30.0 {
        plant.advance(0.25, &cranking, wear);
        seconds += 0.25;
    }
    seconds
}

fn run(plant: &mut Plant, seconds: u32, demand: &Demand, wear: &Wear) {
    for _ in 0..seconds {
        plant.advance(1.0, demand, wear);
    }
}

/// Seconds of running until `done`, at most `most`.
fn until(plant: &mut Plant, most: u32, demand: &Demand, wear: &Wear, done: impl Fn(&Truth) -> bool) -> Option<u32> {
    (1..=most).find(|_| {
        plant.advance(1.0, demand, wear);
        done(&plant.truth())
    })
}

/// Mean and root mean square departure of the speed over `seconds`.
fn steadiness(plant: &mut Plant, seconds: u32, demand: &Demand, wear: &Wear) -> (f64, f64) {
    let speeds: Vec<f64> = (0..seconds)
        .map(|_| {
            plant.advance(1.0, demand, wear);
            plant.truth().rpm
        })
        .collect();
    let mean = speeds.iter().sum::<f64>() / f64::from(seconds);
    let square = speeds.iter().map(|rpm| (rpm - mean) * (rpm - mean)).sum::<f64>() / f64::from(seconds);
    (mean, square.sqrt())
}

fn warm(kind: EngineKind) -> Plant {
    let mut plant = plant_in(kind, 18.0);
    start(&mut plant, &Wear::default());
    run(&mut plant, 900, &idling(), &Wear::default());
    plant
}

#[test]
fn warms_up_in_minutes_and_longer_in_cold_water() {
    let healthy = Wear::default();
    let minutes = |raw_water_c| {
        let mut plant = plant_in(EngineKind::MidFourStroke, raw_water_c);
        start(&mut plant, &healthy);
        let seconds = until(&mut plant, 1_800, &at(1_300.0), &healthy, |truth| truth.head_c > 60.0);
        f64::from(seconds.expect("it gets warm")) / 60.0
    };
    let (mild, cold) = (minutes(18.0), minutes(4.0));
    assert!((3.0..=8.0).contains(&mild), "{mild} minutes at fast idle in 18 °C water");
    assert!(cold > mild, "{cold} minutes in 4 °C, {mild} in 18 °C");
}

#[test]
fn the_telltale_shows_within_half_a_minute() {
    for kind in EngineKind::ALL {
        let mut plant = plant_in(kind, 18.0);
        start(&mut plant, &Wear::default());
        let seconds = until(&mut plant, 60, &idling(), &Wear::default(), |truth| truth.telltale_lpm > 0.2);
        assert!(seconds.is_some_and(|seconds| seconds <= 30), "{}: {seconds:?}", kind.name());
    }
}

/// 68 ± 3 °C at idle behind a 62 °C thermostat; with a relief valve 50 ± 11 °C at high speed, cooler than at idle.
#[test]
fn a_relief_valve_makes_the_head_cooler_at_speed_than_at_idle() {
    let mut large = warm(EngineKind::LargeFourStroke);
    let idle_c = large.truth().head_c;
    assert!((65.0..=71.0).contains(&idle_c), "{idle_c} °C at idle");
    run(&mut large, 600, &at(5_200.0), &Wear::default());
    let fast_c = large.truth().head_c;
    assert!((39.0..=61.0).contains(&fast_c), "{fast_c} °C at speed");
    let mut mid = warm(EngineKind::MidFourStroke);
    let idle_c = mid.truth().head_c;
    run(&mut mid, 600, &at(5_200.0), &Wear::default());
    let fast_c = mid.truth().head_c;
    assert!(fast_c > idle_c && fast_c < 80.0, "without a valve {idle_c} °C at idle, {fast_c} °C at speed");
}

/// The valve opens at 1,800 to 2,200 rpm.
#[test]
fn the_relief_valve_opens_where_it_should() {
    let mut large = warm(EngineKind::LargeFourStroke);
    run(&mut large, 120, &at(1_500.0), &Wear::default());
    assert!(large.truth().relief_open < 0.02, "{:?}", large.truth());
    run(&mut large, 120, &at(2_400.0), &Wear::default());
    assert!(large.truth().relief_open > 0.05, "{:?}", large.truth());
}

#[test]
fn the_head_soaks_by_5_to_15_kelvin_after_a_hard_run_and_cools_in_hours() {
    for kind in EngineKind::ALL {
        let mut plant = warm(kind);
        let rated_rpm = plant.parameters().engine.rated_rpm;
        run(&mut plant, 900, &at(rated_rpm), &Wear::default());
        let before_c = plant.truth().head_c;
        let mut resting = plant.clone();
        let mut peak_c = before_c;
        for _ in 0..900 {
            plant.advance(1.0, &Demand::default(), &Wear::default());
            peak_c = plant.truth().head_c.max(peak_c);
        }
        let soak_k = peak_c - before_c;
        assert!((5.0..=15.0).contains(&soak_k), "{}: {soak_k} K", kind.name());
        resting.cool_for(900.0, &Wear::default());
        let difference_k = plant.truth().head_c - resting.truth().head_c;
        assert!(difference_k.abs() < 4.0, "{}: {difference_k} K between the two ways to cool", kind.name());
        resting.cool_for(12.0 * 3_600.0, &Wear::default());
        // Between the water of 18 °C that the leg stands in and the air of 20 °C.
        assert!((17.5..=21.0).contains(&resting.truth().head_c), "{}: {:?}", kind.name(), resting.truth());
    }
}

/// Common practice: about ten seconds of grace at full throttle, damage within a minute. The heat that enters the head
/// (textbook shares) over its heat capacity bounds the rise: 159 kW x 0.25 x 0.42 / 8 kJ/K = 2.1 K/s, and somewhat more
/// from the hot side.
#[test]
fn a_starved_engine_heats_by_kelvins_a_second_at_speed_and_slowly_at_idle() {
    let starved = Wear { intake_blocked: 1.0, ..Wear::default() };
    let mut fast = warm(EngineKind::MidFourStroke);
    run(&mut fast, 300, &at(5_500.0), &Wear::default());
    let before_c = fast.truth().head_c;
    run(&mut fast, 8, &at(5_500.0), &starved);
    let rise = (fast.truth().head_c - before_c) / 8.0;
    assert!((1.0..=3.0).contains(&rise), "{rise} K/s at full speed");
    let mut idle = warm(EngineKind::MidFourStroke);
    let before_c = idle.truth().head_c;
    run(&mut idle, 60, &idling(), &starved);
    let rise = (idle.truth().head_c - before_c) / 60.0;
    assert!((0.03..=0.3).contains(&rise), "{rise} K/s at idle");
    let boils = until(&mut idle, 1_200, &idling(), &starved, |truth| truth.boiling);
    assert!(boils.is_some(), "it boils in the end: {:?}", idle.truth());
}

#[test]
fn water_faults_show_where_a_mechanic_looks() {
    let healthy = Wear::default();
    let after = |wear: &Wear, demand: &Demand| {
        let mut plant = warm(EngineKind::LargeFourStroke);
        run(&mut plant, 600, demand, wear);
        plant.truth()
    };
    let (idle, fast) = (after(&healthy, &idling()), after(&healthy, &at(4_900.0)));
    let worn = Wear { impeller_worn: 0.5, ..healthy };
    let at_idle = after(&worn, &idling()).telltale_lpm / idle.telltale_lpm;
    let at_speed = after(&worn, &at(4_900.0)).telltale_lpm / fast.telltale_lpm;
    assert!(at_idle < 0.6 && at_speed > 0.85, "worn impeller: {at_idle} of the flow at idle, {at_speed} at speed");
    let plugged = after(&Wear { telltale_plugged: 1.0, ..healthy }, &at(4_900.0));
    assert!(plugged.telltale_lpm < 1e-9 && (plugged.head_c - fast.head_c).abs() < 5.0, "{plugged:?}");
    let closed = Wear { thermostat_stuck_closed: 1.0, ..healthy };
    let (closed_idle, closed_fast) = (after(&closed, &idling()), after(&closed, &at(4_900.0)));
    assert!(closed_idle.head_c > idle.head_c + 10.0, "stuck shut at idle: {} °C", closed_idle.head_c);
    assert!((closed_fast.head_c - fast.head_c).abs() < 3.0, "stuck shut at speed: {} °C", closed_fast.head_c);
    let open = after(&Wear { thermostat_stuck_open: 1.0, ..healthy }, &idling());
    assert!(open.head_c < idle.head_c - 15.0, "stuck open at idle: {} °C", open.head_c);
    let fouled = after(&Wear { waterway_fouling: 0.5, ..healthy }, &at(4_900.0));
    assert!(fouled.head_c > fast.head_c + 5.0 && fouled.telltale_lpm > 0.9 * fast.telltale_lpm, "{fouled:?}");
    let slit = after(&Wear { water_tube_leak: 0.6, ..healthy }, &at(3_000.0));
    let sound = after(&healthy, &at(3_000.0));
    assert!(slit.head_c > sound.head_c + 10.0 && slit.telltale_lpm < 0.6 * sound.telltale_lpm, "{slit:?}");
}

/// Field report: overheats at 3,000 rpm only, fine at idle and at full speed: a slit water tube.
#[test]
fn a_small_slit_in_the_water_tube_is_felt_in_the_middle() {
    let rise_k = |rpm: f64| {
        let head_c = |wear: &Wear| {
            let mut plant = warm(EngineKind::LargeFourStroke);
            run(&mut plant, 600, &if rpm > 0.0 { at(rpm) } else { idling() }, wear);
            plant.truth().head_c
        };
        head_c(&Wear { water_tube_leak: 0.1, ..Wear::default() }) - head_c(&Wear::default())
    };
    let (idle, middle, full) = (rise_k(0.0), rise_k(3_000.0), rise_k(5_500.0));
    assert!(idle < 3.0, "{idle} K at idle");
    assert!(middle > 10.0 && middle > full + 3.0, "{middle} K in the middle, {full} K at full speed");
}

/// "Flow good, overheats at high speed or on a long run: salt or scale in the head."
#[test]
fn fouled_passages_heat_at_every_speed_while_the_stream_is_good() {
    for kind in EngineKind::ALL {
        let rated_rpm = PlantParameters::of(kind).expect("built in").engine.rated_rpm;
        let after = |share: f64, wear: &Wear| {
            let mut plant = warm(kind);
            run(&mut plant, 600, &if share > 0.0 { at(share * rated_rpm) } else { idling() }, wear);
            plant.truth()
        };
        let mut rises = Vec::new();
        for share in [0.0, 0.3, 0.55, 0.8] {
            let healthy = after(share, &Wear::default());
            let fouled = after(share, &Wear { waterway_fouling: 0.5, ..Wear::default() });
            assert!(fouled.telltale_lpm > 0.9 * healthy.telltale_lpm, "{} at {share}: no stream", kind.name());
            rises.push(fouled.head_c - healthy.head_c);
        }
        let hottest = rises.iter().copied().fold(0.0, f64::max);
        assert!(rises.iter().all(|rise| *rise > 1.0) && hottest > 1.9 * rises[0], "{}: {rises:?} K", kind.name());
    }
}

#[test]
fn a_corroded_terminal_makes_the_starter_slow() {
    let started = |connection_ohm| {
        let mut plant = plant_in(EngineKind::MidFourStroke, 18.0);
        let wear = Wear { connection_ohm, ..Wear::default() };
        let cranking = Demand { cranking: true, ..idling() };
        let (mut least_v, mut most_rpm) = (f64::INFINITY, 0.0_f64);
        let mut seconds = 0.0;
        while !plant.truth().firing && seconds < 30.0 {
            plant.advance(0.25, &cranking, &wear);
            let truth = plant.truth();
            if truth.cranking {
                (least_v, most_rpm) = (least_v.min(truth.supply_v), most_rpm.max(truth.rpm));
            }
            seconds += 0.25;
        }
        (least_v, most_rpm, seconds)
    };
    let (sound, weak) = (started(0.0), started(0.04));
    assert!((9.0..=10.7).contains(&sound.0), "a sound one sags to {} V", sound.0);
    assert!((5.5..=8.0).contains(&weak.0), "a weak one sags to {} V", weak.0);
    assert!(weak.1 < 0.8 * sound.1 && weak.2 >= sound.2, "{weak:?} beside {sound:?}");
}

#[test]
fn people_aboard_slow_the_boat_and_load_the_engine() {
    let cruising = |load_kg| {
        let mut plant = warm(EngineKind::MidFourStroke);
        run(&mut plant, 120, &Demand { load_kg, ..at(4_200.0) }, &Wear::default());
        plant.truth()
    };
    let (light, laden) = (cruising(0.0), cruising(225.0));
    assert!(laden.speed_kn < light.speed_kn - 1.0 && laden.rpm < light.rpm - 20.0, "{laden:?}\n{light:?}");
    assert!(laden.fuel_lph / laden.rpm > light.fuel_lph / light.rpm, "more fuel for each turn");
}

#[test]
fn hose_pressure_hides_a_dead_impeller() {
    let dead = Wear { impeller_worn: 1.0, vanes_lost: 1.0, ..Wear::default() };
    let mut plant = warm(EngineKind::MidFourStroke);
    let hose = Demand { hose_lpm: Some(19.0), ..idling() };
    run(&mut plant, 120, &hose, &dead);
    assert!(plant.truth().telltale_lpm > 0.5, "{:?}", plant.truth());
    assert!(plant.truth().speed_kn.abs() < 1e-9, "{:?}", plant.truth());
    run(&mut plant, 30, &Demand { rpm_wanted: 0.0, ..hose }, &dead);
    assert!(plant.truth().rpm < 1e-9 && plant.truth().telltale_lpm > 0.5, "stopped on the hose: {:?}", plant.truth());
}

#[test]
fn a_worn_hub_lets_go_under_load_and_grips_again_when_eased() {
    let worn = Wear { hub_worn: 0.75, ..Wear::default() };
    let mut plant = warm(EngineKind::MidFourStroke);
    run(&mut plant, 120, &at(2_000.0), &worn);
    assert!(plant.truth().hub_slip < 1e-9, "it holds at low power: {:?}", plant.truth());
    run(&mut plant, 60, &at(5_200.0), &Wear::default());
    let sound = plant.truth();
    run(&mut plant, 60, &at(5_200.0), &worn);
    let slips = plant.truth();
    assert!(slips.rpm > sound.rpm + 300.0 && slips.speed_kn < 0.7 * sound.speed_kn, "{slips:?}");
    run(&mut plant, 60, &at(2_000.0), &worn);
    assert!(plant.truth().hub_slip < 1e-9, "it grips again: {:?}", plant.truth());
}

#[test]
fn bad_fuel_hunts_sags_and_stalls() {
    let mut plant = warm(EngineKind::MidFourStroke);
    let (_, healthy) = steadiness(&mut plant.clone(), 120, &idling(), &Wear::default());
    let (_, stale) = steadiness(&mut plant.clone(), 120, &idling(), &Wear { fuel_stale: 0.7, ..Wear::default() });
    assert!(healthy < 20.0 && stale > 2.5 * healthy, "idle wanders by {healthy} rpm healthy, {stale} rpm stale");
    let fast = at(5_000.0);
    run(&mut plant, 60, &fast, &Wear::default());
    let (steady, wander) = steadiness(&mut plant.clone(), 120, &fast, &Wear::default());
    assert!(wander < 40.0, "{wander} rpm at speed");
    let (starved, surge) = steadiness(&mut plant.clone(), 240, &fast, &Wear { fuel_starved: 0.5, ..Wear::default() });
    assert!(
        starved < steady - 200.0 && surge > 5.0 * wander,
        "starved: {starved} ± {surge}, healthy {steady} ± {wander}"
    );
    run(&mut plant, 240, &fast, &Wear { fuel_starved: 1.0, ..Wear::default() });
    assert!(!plant.truth().firing && plant.truth().rpm < 1.0, "no fuel at all: {:?}", plant.truth());
    let stale_start = start(&mut warm_stopped(), &Wear { fuel_stale: 1.0, ..Wear::default() });
    let good_start = start(&mut warm_stopped(), &Wear::default());
    assert!(stale_start > 2.0 * good_start, "{stale_start} s with stale fuel, {good_start} s with good");
}

fn warm_stopped() -> Plant {
    let mut plant = plant_in(EngineKind::MidFourStroke, 18.0);
    plant.warm_up();
    plant
}

#[test]
fn limiter_and_protection_hold_the_speed() {
    let mut plant = warm(EngineKind::MidFourStroke);
    let limiter_rpm = plant.parameters().engine.limiter_rpm;
    let racing = Demand { in_gear: false, ..at(8_000.0) };
    run(&mut plant, 10, &racing, &Wear::default());
    let (mean, _) = steadiness(&mut plant, 30, &racing, &Wear::default());
    assert!(plant.truth().limiter_active && (limiter_rpm - 100.0..limiter_rpm + 400.0).contains(&mean), "{mean} rpm");
    let mut hot = warm(EngineKind::MidFourStroke);
    let dry = Wear { intake_blocked: 1.0, ..Wear::default() };
    let held = until(&mut hot, 120, &at(5_000.0), &dry, |truth| truth.protection_active);
    assert!(held.is_some(), "{:?}", hot.truth());
    let (mean, wander) = steadiness(&mut hot, 60, &at(5_000.0), &dry);
    assert!(mean < 3_500.0 && wander < 500.0, "protected at {mean} ± {wander} rpm");
}

#[test]
fn towing_loads_the_engine_and_ventilation_frees_it() {
    let mut plant = warm(EngineKind::MidFourStroke);
    let cruise = at(4_800.0);
    run(&mut plant, 90, &cruise, &Wear::default());
    let free = plant.truth();
    let mut towing = plant.clone();
    run(&mut towing, 90, &Demand { tow_n: 800.0, ..cruise }, &Wear::default());
    assert!(
        towing.truth().rpm < free.rpm - 50.0 && towing.truth().speed_kn < free.speed_kn - 3.0,
        "{:?}",
        towing.truth()
    );
    run(&mut plant, 4, &cruise, &Wear { propeller_ventilating: 0.7, ..Wear::default() });
    assert!(plant.truth().rpm > free.rpm + 300.0 && plant.truth().ventilating, "{:?}", plant.truth());
    run(&mut plant, 30, &cruise, &Wear::default());
    assert!((plant.truth().rpm - free.rpm).abs() < 100.0, "{:?}", plant.truth());
}

#[test]
fn oil_pressure_falls_hot_and_collapses_when_the_pickup_draws_air() {
    let mut plant = warm(EngineKind::MidFourStroke);
    let cold_kpa = {
        let mut cold = plant_in(EngineKind::MidFourStroke, 18.0);
        start(&mut cold, &Wear::default());
        run(&mut cold, 20, &idling(), &Wear::default());
        cold.truth().oil_kpa.unwrap_or(0.0)
    };
    let warm_kpa = plant.truth().oil_kpa.unwrap_or(0.0);
    assert!(cold_kpa > warm_kpa + 50.0 && warm_kpa > 120.0, "{cold_kpa} kPa cold, {warm_kpa} kPa warm");
    run(&mut plant, 5, &at(3_000.0), &Wear { oil_loss: 0.95, ..Wear::default() });
    assert!(plant.truth().oil_kpa.is_some_and(|kpa| kpa < 50.0), "{:?}", plant.truth());
    let two_stroke = warm(EngineKind::SmallTwoStroke).truth();
    assert!(two_stroke.oil_kpa.is_none() && two_stroke.supply_v < 1e-9, "{two_stroke:?}");
}

/// Prints what a mechanic would look at: `cargo test --release -p sim-host --test plant_situations -- --ignored --nocapture`.
#[test]
#[ignore = "prints a table to look at, and the cost of a simulated second"]
fn ten_situations_to_look_at() {
    let healthy = Wear::default();
    for kind in EngineKind::ALL {
        let engine = PlantParameters::of(kind).expect("built in").engine;
        println!("{}\nsituation                rpm  head  flow   V    kn  fuel L/h  oil kPa", kind.name());
        let warmed = warm(kind);
        for (name, share, wear) in [
            ("idle in neutral", 0.0, healthy),
            ("trolling", 0.2, healthy),
            ("slow cruise", 0.5, healthy),
            ("cruise", 0.75, healthy),
            ("full speed", 1.0, healthy),
            ("worn impeller, idle", 0.0, Wear { impeller_worn: 0.6, ..healthy }),
            ("two vanes lost, cruise", 0.75, Wear { vanes_lost: 0.33, ..healthy }),
            ("fouled, cruise", 0.75, Wear { waterway_fouling: 0.4, ..healthy }),
            ("stat shut, idle", 0.0, Wear { thermostat_stuck_closed: 1.0, ..healthy }),
            ("hub slips, full speed", 1.0, Wear { hub_worn: 0.75, ..healthy }),
        ] {
            let mut plant = warmed.clone();
            let demand = if share > 0.0 { at(share * engine.rated_rpm) } else { idling() };
            run(&mut plant, 600, &demand, &wear);
            let truth = plant.truth();
            let oil_kpa = truth.oil_kpa.map_or("-".to_owned(), |kpa| format!("{kpa:.0}"));
            println!(
                "{name:23} {:4.0} {:5.1} {:5.2} {:5.2} {:4.1} {:6.1} {oil_kpa:>7}",
                truth.rpm, truth.head_c, truth.telltale_lpm, truth.supply_v, truth.speed_kn, truth.fuel_lph
            );
        }
        let mut plant = warmed;
        let began = std::time::Instant::now();
        run(&mut plant, 200_000, &at(0.5 * engine.rated_rpm), &healthy);
        println!("{:.2} microseconds a simulated second\n", began.elapsed().as_secs_f64() * 5.0);
    }
}
