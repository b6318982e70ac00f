//! What makes an engine run, hunt, sag and stall: ignition, fuel, lever, limiter, the engine's own protection.

use rand_pcg::Pcg64Mcg;

use super::demand::{Demand, Wear};
use super::drive::{Drive, DriveInputs};
use super::noise::{Wander, normal, uniform};
use super::parameters::EngineParameters;

/// Firing, fuel and protection of an engine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Running {
    pub(super) firing: bool,
    /// Seconds the starter has turned the engine without its firing.
    cranked_s: f64,
    /// Seconds since it fired.
    fired_s: f64,
    /// Fuel between pump and cylinders, 0 to 1.
    buffer: f64,
    /// Fuel has run out and the buffer must fill again before it fires well.
    dry: bool,
    /// Seconds until a droplet of water has passed.
    droplet_s: f64,
    /// Seconds the head has been over the engine's own limit.
    too_hot_s: f64,
    pub(super) protecting: bool,
    unevenness: Wander,
    hunting: Wander,
    gust: Wander,
    wave_turns: f64,
}

/// What drives the crank in the next part of a second, and the fuel it takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Drawn {
    unevenness: f64,
    hunting: f64,
    gust: f64,
    chance: f64,
    length: f64,
    chatter: f64,
}

impl Running {
    pub(super) const fn stopped() -> Self {
        Self {
            firing: false,
            cranked_s: 0.0,
            fired_s: 0.0,
            buffer: 1.0,
            dry: false,
            droplet_s: 0.0,
            too_hot_s: 0.0,
            protecting: false,
            unevenness: Wander::new(0.5),
            hunting: Wander::new(2.0),
            gust: Wander::new(6.0),
            wave_turns: 0.0,
        }
    }

    /// Draws the random numbers of a part of a step. Always the same count, so that a twin draws the same.
    pub(super) fn draw(&mut self, random: &mut Pcg64Mcg, seconds: f64) -> Drawn {
        Drawn {
            unevenness: self.unevenness.advance(seconds, normal(random)),
            hunting: self.hunting.advance(seconds, normal(random)),
            gust: self.gust.advance(seconds, normal(random)),
            chance: uniform(random),
            length: uniform(random),
            chatter: normal(random),
        }
    }

    /// Starter, ignition and stall.
    pub(super) fn ignite(&mut self, engine: &EngineParameters, demand: &Demand, wear: &Wear, rpm: f64, seconds: f64) {
        if demand.rpm_wanted <= 0.0 {
            self.firing = false;
            self.protecting = false;
        } else if self.firing {
            self.fired_s += seconds;
            if rpm < 0.35 * engine.idle_rpm && self.fired_s > 1.0 {
                self.firing = false;
            }
        }
        if self.firing || !demand.cranking || rpm < 0.5 * engine.cranking_rpm {
            self.cranked_s = 0.0;
            return;
        }
        self.cranked_s += seconds;
        let stale = wear.fuel_stale.clamp(0.0, 1.0);
        let needs_s = engine.catch_s * (1.0 + 4.0 * stale);
        if demand.rpm_wanted > 0.0 && self.cranked_s >= needs_s && self.buffer > 0.05 {
            self.firing = true;
            self.fired_s = 0.0;
        }
    }

    /// The engine's own protection: over its limit for 3 s it holds the speed down until the lever is at idle and the
    /// head 15 K cooler (own assumption; makers differ).
    pub(super) fn protect(&mut self, engine: &EngineParameters, demand: &Demand, head_c: f64, seconds: f64) {
        if engine.protection_c <= 0.0 {
            return;
        }
        self.too_hot_s = if self.firing && head_c > engine.protection_c { self.too_hot_s + seconds } else { 0.0 };
        if self.too_hot_s >= 3.0 {
            self.protecting = true;
        } else if head_c < engine.protection_c - 15.0 && demand.rpm_wanted < 1.3 * engine.idle_rpm {
            self.protecting = false;
        }
    }

    /// Fuel that reaches the cylinders: the buffer fills at what the supply gives and empties at what is burnt.
    pub(super) fn feed(&mut self, engine: &EngineParameters, wear: &Wear, most_lph: f64, used_lph: f64, seconds: f64) {
        let comes_lph = most_lph * 1.3 * (1.0 - wear.fuel_starved.clamp(0.0, 1.0));
        let gained_ml = (comes_lph - used_lph) * seconds / 3.6;
        self.buffer = (self.buffer + gained_ml / engine.fuel_buffer_ml).clamp(0.0, 1.0);
        self.dry = if self.dry { self.buffer < 0.2 } else { self.buffer <= 0.0 };
    }

    /// Share of the firings that come.
    fn firing_share(&mut self, wear: &Wear, drawn: &Drawn, seconds: f64) -> f64 {
        self.droplet_s -= seconds;
        if drawn.chance < wear.water_in_fuel.clamp(0.0, 1.0) * seconds / 15.0 {
            self.droplet_s = 0.5 + 1.5 * drawn.length;
        }
        if !self.firing {
            return 0.0;
        }
        let droplet = if self.droplet_s > 0.0 { 0.4 } else { 1.0 };
        // An empty bowl still spits now and then.
        let dry = if self.dry { if self.buffer > 0.0 { 0.3 } else { 0.02 } } else { 1.0 };
        droplet * dry
    }

    /// The speed the lever stands for, with fast idle, hunting and protection.
    fn lever_rpm(&self, engine: &EngineParameters, demand: &Demand, wear: &Wear, drawn: &Drawn, block_c: f64) -> f64 {
        let cold = (1.0 - block_c / engine.fast_idle_ends_c.max(1.0)).clamp(0.0, 1.0);
        let least_rpm = engine.idle_rpm + engine.fast_idle_extra_rpm * cold;
        let mut lever_rpm = demand.rpm_wanted.max(least_rpm);
        if self.protecting {
            lever_rpm = lever_rpm.min(engine.protection_rpm);
        }
        // Old or lean fuel: the idle swings by up to a fifth, a loaded engine by a few per cent.
        let ill = wear.fuel_stale.clamp(0.0, 1.0).max(0.4 * wear.fuel_starved.clamp(0.0, 1.0));
        let swing = ill * (0.03 + 0.15 * (least_rpm / lever_rpm) * (least_rpm / lever_rpm));
        let healthy = engine.idle_roughness_rpm * (1.0 + 0.2 * lever_rpm / engine.idle_rpm);
        (lever_rpm * (1.0 + swing * drawn.hunting) + healthy * drawn.unevenness).max(0.2 * engine.idle_rpm)
    }

    /// Everything that acts on the crank and the boat in the next `seconds`.
    pub(super) fn inputs(
        &mut self,
        (engine, drive): (&EngineParameters, &Drive),
        (demand, wear): (&Demand, &Wear),
        drawn: &Drawn,
        block_c: f64,
        seconds: f64,
    ) -> DriveInputs {
        let afloat = demand.hose_lpm.is_none();
        let direction = if !afloat || !demand.in_gear && !demand.astern {
            0.0
        } else if demand.astern {
            -1.0
        } else {
            1.0
        };
        let lever_rpm = self.lever_rpm(engine, demand, wear, drawn, block_c);
        let (rated_nm, rated_rpm) = (drive.rated_torque_nm(), engine.rated_rpm);
        let lever_nm = if direction == 0.0 {
            drive.neutral_torque_nm() * lever_rpm / rated_rpm
        } else {
            drive.settled_torque_nm(lever_rpm)
        };
        // At idle a governor (or the carburettor's idle circuit) holds the speed harder than the lever does.
        let governed = if lever_rpm < 1.4 * engine.idle_rpm { 3.0 } else { 1.0 };
        let stiffness = engine.lever_stiffness * rated_nm / rated_rpm * governed + 1.2 * lever_nm / lever_rpm;
        let sea = &demand.sea;
        self.wave_turns = (self.wave_turns + seconds / sea.wave_period_s.max(0.5)).fract();
        // A wave as a parabola in two halves: close to a sine and the same on every machine.
        let half = 2.0 * self.wave_turns;
        let wave = if half < 1.0 { 4.0 * half * (1.0 - half) } else { -4.0 * (half - 1.0) * (2.0 - half) };
        let rated_n = engine.rated_kw * 1e3 * 0.05;
        let pull_n = demand.tow_n + rated_n * (0.3 * sea.gust_kn * drawn.gust + 0.4 * sea.wave_height_m * wave);
        // Trim: a little out is where a hull runs freest.
        let from_best = demand.trim.clamp(-1.0, 1.0) - 0.4;
        let trimmed_n = rated_n * 0.3 * from_best * from_best;
        DriveInputs {
            direction,
            lever_nm,
            lever_rpm,
            stiffness_nm_per_rpm: stiffness,
            fuel_share: 1.0 - 0.15 * wear.fuel_stale.clamp(0.0, 1.0),
            cut_rpm: engine.limiter_rpm + 25.0 * drawn.chatter,
            firing: self.firing_share(wear, drawn, seconds),
            cranking_rpm: if demand.cranking && !self.firing { engine.cranking_rpm } else { 0.0 },
            ventilating: wear.propeller_ventilating.clamp(0.0, 1.0),
            fouled: wear.propeller_fouled.clamp(0.0, 1.0),
            pull_n: pull_n + trimmed_n,
            laden: drive.laden(demand.load_kg),
            held: !afloat,
            hub_worn: wear.hub_worn,
        }
    }
}
