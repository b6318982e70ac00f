//! Crank, gear, hub, propeller and hull.
//!
//! Propeller: torque ~ speed^1.5, which is the duty cycle E4 of ISO 8178-4 (power ~ n^2.5), more with extra slip.
//! Thrust: linear in slip (the straight part of a propeller diagram). Hull: a hump and a quadratic term.
//! The crank is one inertia; the boat is one mass. Both are integrated by Runge-Kutta steps of a maintained library.

use ode_solvers::{Rk4, SVector, System};

use super::parameters::PlantParameters;

/// Knots in a metre a second.
pub const KNOTS_PER_M_PER_S: f64 = 3_600.0 / 1_852.0;
/// Metres in an inch.
const M_PER_IN: f64 = 0.0254;
/// Speeds for which the boat's own equilibrium is worked out beforehand.
const GRID: usize = 49;
/// The grid ends at this multiple of rated speed.
const GRID_ENDS_AT: f64 = 1.2;
const CRANK: usize = 0;
const BOAT: usize = 1;

type Motion = SVector<f64, 2>;

/// Boat speed that a propeller without slip would give, metres a second.
///
/// ```
/// use sim_host::plant::{KNOTS_PER_M_PER_S, theoretical_m_per_s};
/// // A public propeller chart: 6,000 rpm, 25 inches, gear 1.86 give 76.37 miles an hour.
/// let mph = theoretical_m_per_s(6_000.0, 25.0, 1.86) / 0.44704;
/// assert!((mph - 76.37).abs() < 0.01);
/// ```
#[must_use]
pub fn theoretical_m_per_s(rpm: f64, pitch_in: f64, gear_ratio: f64) -> f64 {
    rpm / gear_ratio * pitch_in * M_PER_IN / 60.0
}

/// What the drive must know that does not change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Drive {
    rated_rpm: f64,
    rated_torque_nm: f64,
    /// Thrust at rated speed and slip, newtons.
    rated_thrust_n: f64,
    /// Boat speed there, metres a second.
    rated_m_per_s: f64,
    m_per_s_per_rpm: f64,
    rated_slip: f64,
    zero_thrust_slip: f64,
    slip_torque: f64,
    hump_at: f64,
    hump_height: f64,
    boat_kg: f64,
    inertia_kg_m2: f64,
    friction_nm: f64,
    neutral_nm: f64,
    hub_nm: f64,
    /// Slip at which the boat settles, over the speed of the propeller (both seen from the crank).
    settled_slip: [f64; GRID],
}

/// What acts on crank and boat during a step.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct DriveInputs {
    /// 1 ahead, -1 astern, 0 neutral.
    pub(super) direction: f64,
    /// Torque of the engine where the lever stands, at `lever_rpm`, newton metres, before its own faults.
    pub(super) lever_nm: f64,
    /// Speed the lever stands for.
    pub(super) lever_rpm: f64,
    /// Newton metres for a departure of one revolution a minute.
    pub(super) stiffness_nm_per_rpm: f64,
    /// Most the engine can give, as a share of its full torque.
    pub(super) fuel_share: f64,
    /// Speed at which the ignition begins to cut.
    pub(super) cut_rpm: f64,
    /// Share of the firings that come, 0 with the ignition off.
    pub(super) firing: f64,
    /// Speed and pull of the starter: 0 when it rests.
    pub(super) cranking_rpm: f64,
    /// Share of the blades in air.
    pub(super) ventilating: f64,
    /// Weed on the propeller, 0 to 1.
    pub(super) fouled: f64,
    /// Tow, gusts and waves, newtons against the boat.
    pub(super) pull_n: f64,
    /// Mass of the boat with what is aboard, as a multiple of what it is reckoned with.
    pub(super) laden: f64,
    /// The boat is held (hose on land).
    pub(super) held: bool,
    /// Wear of the hub, 0 to 1.
    pub(super) hub_worn: f64,
}

/// How the crank and the boat move.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Moving {
    pub(super) rpm: f64,
    /// Through the water, metres a second, negative astern.
    pub(super) boat_m_per_s: f64,
    pub(super) hub_slipping: bool,
}

/// The loads of a moment.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Loads {
    /// Torque that the crank feels.
    pub(super) torque_nm: f64,
    /// Speed of the propeller seen from the crank.
    pub(super) propeller_rpm: f64,
    thrust_n: f64,
}

impl Drive {
    pub(super) fn new(parameters: &PlantParameters) -> Self {
        let (engine, drive) = (&parameters.engine, &parameters.drive);
        let rated_torque_nm = engine.rated_kw * 1e3 / (engine.rated_rpm * core::f64::consts::PI / 30.0);
        let m_per_s_per_rpm = theoretical_m_per_s(1.0, drive.prop_pitch_in, drive.gear_ratio);
        let rated_m_per_s = m_per_s_per_rpm * engine.rated_rpm * (1.0 - drive.rated_slip);
        let mut built = Self {
            rated_rpm: engine.rated_rpm,
            rated_torque_nm,
            rated_thrust_n: drive.propulsive_efficiency * engine.rated_kw * 1e3 / rated_m_per_s,
            rated_m_per_s,
            m_per_s_per_rpm,
            rated_slip: drive.rated_slip,
            zero_thrust_slip: drive.zero_thrust_slip,
            slip_torque: drive.slip_torque,
            hump_at: drive.hump_at,
            hump_height: drive.hump_height,
            boat_kg: drive.boat_kg,
            inertia_kg_m2: engine.inertia_kg_m2,
            friction_nm: engine.friction_share * rated_torque_nm,
            neutral_nm: engine.neutral_drag_share * rated_torque_nm,
            hub_nm: drive.hub_lets_go * rated_torque_nm,
            settled_slip: [drive.rated_slip; GRID],
        };
        built.settle();
        built
    }

    /// Works out where the boat settles: the slowest speed at which thrust and resistance meet.
    fn settle(&mut self) {
        let mut settled = self.settled_slip;
        for (index, slip) in settled.iter_mut().enumerate() {
            let rpm = self.grid_rpm(index as f64);
            let free = self.m_per_s_per_rpm * rpm * (1.0 + self.zero_thrust_slip);
            // Coarse search upwards for the first meeting, so that a boat short of the hump stays there; then halving.
            let pushes = |speed: f64| self.thrust_n(rpm, self.slip(rpm, speed)) > self.resistance_n(speed);
            let meeting = (1..=200).map(|part| free * f64::from(part) / 200.0).find(|&speed| !pushes(speed));
            let (mut low, mut high) = (meeting.unwrap_or(free) - free / 200.0, meeting.unwrap_or(free));
            for _ in 0..40 {
                let middle = 0.5 * (low + high);
                if pushes(middle) { low = middle } else { high = middle }
            }
            *slip = self.slip(rpm, low);
        }
        self.settled_slip = settled;
    }

    fn grid_rpm(&self, index: f64) -> f64 {
        // The first point stands a little off zero, where slip has no meaning.
        (index + 0.05) / (GRID - 1) as f64 * GRID_ENDS_AT * self.rated_rpm
    }

    fn settled_slip_at(&self, rpm: f64) -> f64 {
        let at = (rpm / (GRID_ENDS_AT * self.rated_rpm) * (GRID - 1) as f64 - 0.05).clamp(0.0, (GRID - 1) as f64);
        // At most 48, and the share of the way to the next point.
        let index = (at as usize).min(GRID - 2);
        let share = at - index as f64;
        self.settled_slip[index] * (1.0 - share) + self.settled_slip[index + 1] * share
    }

    /// Slip for a boat that makes `speed` the way the propeller pushes; held where it means something.
    fn slip(&self, rpm: f64, speed: f64) -> f64 {
        (1.0 - speed / (self.m_per_s_per_rpm * rpm.max(1.0))).clamp(-0.5, 1.5)
    }

    fn thrust_n(&self, rpm: f64, slip: f64) -> f64 {
        let speed = rpm / self.rated_rpm;
        self.rated_thrust_n * speed * speed * (slip + self.zero_thrust_slip) / (self.rated_slip + self.zero_thrust_slip)
    }

    /// Resistance of the hull, newtons, in the direction against `speed`: at rated speed it equals the rated thrust.
    fn resistance_n(&self, speed: f64) -> f64 {
        let share = speed.abs() / self.rated_m_per_s;
        let hump = |share: f64| {
            let v2 = (share / self.hump_at) * (share / self.hump_at);
            self.hump_height * 2.0 * v2 / (1.0 + v2 * v2)
        };
        let friction = (1.0 - hump(1.0)).max(0.05);
        self.rated_thrust_n * (hump(share) + friction * share * share) * speed.signum()
    }

    /// Torque of a clean propeller that turns at `rpm` behind a boat that has settled there: the curve of E4.
    pub(super) fn settled_torque_nm(&self, rpm: f64) -> f64 {
        let share = (rpm / self.rated_rpm).max(0.0);
        self.rated_torque_nm * share * share.sqrt()
    }

    pub(super) const fn neutral_torque_nm(&self) -> f64 {
        self.neutral_nm
    }

    pub(super) fn laden(&self, load_kg: f64) -> f64 {
        1.0 + load_kg.max(0.0) / self.boat_kg
    }

    pub(super) const fn rated_torque_nm(&self) -> f64 {
        self.rated_torque_nm
    }

    /// Most torque at a speed: nearly flat up to rated speed, falling beyond it.
    fn full_torque_nm(&self, rpm: f64) -> f64 {
        let share = rpm / self.rated_rpm;
        let shape = if share <= 1.0 { 1.0 + 0.12 * share * (1.0 - share) * 4.0 } else { 1.0 - 1.5 * (share - 1.0) };
        // Breathing is poor near standstill.
        self.rated_torque_nm * shape.max(0.0) * (0.55 + 1.8 * share).min(1.0)
    }

    fn torque_factor(&self, inputs: &DriveInputs, rpm: f64, boat_m_per_s: f64) -> f64 {
        let slip = self.slip(rpm, boat_m_per_s * inputs.direction);
        let laden = 1.0 + self.slip_torque * (slip - self.settled_slip_at(rpm));
        laden.max(0.2) * (1.0 + 0.6 * inputs.fouled) * (1.0 - 0.8 * inputs.ventilating)
    }

    /// Torque at which the hub lets go: falls to an eighth of that of a sound one.
    pub(super) fn hub_holds_nm(&self, hub_worn: f64) -> f64 {
        self.hub_nm * (1.0 - 0.875 * hub_worn.clamp(0.0, 1.0))
    }

    pub(super) fn loads(&self, inputs: &DriveInputs, moving: &Moving) -> Loads {
        let rpm = moving.rpm.max(0.0);
        if inputs.direction == 0.0 {
            let torque_nm = self.neutral_nm * rpm / self.rated_rpm;
            return Loads { torque_nm, propeller_rpm: 0.0, thrust_n: 0.0 };
        }
        let factor = self.torque_factor(inputs, rpm, moving.boat_m_per_s);
        let gripped_nm = self.settled_torque_nm(rpm) * factor;
        let (torque_nm, propeller_rpm) = if moving.hub_slipping {
            // Rubber that slides holds about two thirds of what it held before (own assumption).
            let slides_nm = 0.65 * self.hub_holds_nm(inputs.hub_worn);
            let share = libm::cbrt(slides_nm / (self.rated_torque_nm * factor));
            (slides_nm.min(gripped_nm), (self.rated_rpm * share * share).min(rpm))
        } else {
            (gripped_nm, rpm)
        };
        let slip = self.slip(propeller_rpm, moving.boat_m_per_s * inputs.direction);
        let grip = (1.0 - 0.85 * inputs.ventilating) * (1.0 - 0.5 * inputs.fouled);
        let astern = if inputs.direction < 0.0 { 0.6 } else { 1.0 };
        let thrust_n = self.thrust_n(propeller_rpm, slip) * grip * astern * inputs.direction;
        Loads { torque_nm, propeller_rpm, thrust_n }
    }

    /// Torque of the engine at `rpm`.
    pub(super) fn engine_torque_nm(&self, inputs: &DriveInputs, rpm: f64) -> f64 {
        if inputs.firing <= 0.0 {
            return 0.0;
        }
        let wanted = inputs.lever_nm + inputs.stiffness_nm_per_rpm * (inputs.lever_rpm - rpm);
        let full = self.full_torque_nm(rpm) * inputs.fuel_share;
        // The limiter leaves out firings, more the further the speed is over it.
        let kept = inputs.firing * (1.0 - (rpm - inputs.cut_rpm) / 300.0).clamp(0.0, 1.0);
        wanted.clamp(-0.3 * self.friction_nm, full) * kept - self.friction_nm * (1.0 - kept) * fading(rpm)
    }

    /// Lets the hub go or grip.
    fn hub(&self, inputs: &DriveInputs, moving: &mut Moving) {
        if inputs.direction == 0.0 {
            moving.hub_slipping = false;
            return;
        }
        let loads = self.loads(inputs, moving);
        if moving.hub_slipping {
            moving.hub_slipping = loads.propeller_rpm < 0.97 * moving.rpm;
        } else {
            moving.hub_slipping = loads.torque_nm > self.hub_holds_nm(inputs.hub_worn);
        }
    }

    /// Moves crank and boat on by `seconds`, which should be short (an eighth of a second).
    pub(super) fn advance(&self, inputs: &DriveInputs, moving: &mut Moving, seconds: f64) {
        self.hub(inputs, moving);
        let start = Motion::new(moving.rpm, moving.boat_m_per_s);
        let hub_slipping = moving.hub_slipping;
        let mut solver = Rk4::new(Step { drive: self, inputs, hub_slipping }, 0.0, start, 0.5 * seconds, seconds);
        if solver.integrate().is_ok() {
            let after = solver.y_out().last().copied().unwrap_or(start);
            moving.rpm = after[CRANK].max(0.0);
            moving.boat_m_per_s = if inputs.held { 0.0 } else { after[BOAT] };
        }
        if inputs.firing <= 0.0 && inputs.cranking_rpm <= 0.0 && moving.rpm < 10.0 {
            moving.rpm = 0.0;
        }
    }
}

/// Friction fades near standstill, so that the crank comes to rest instead of swinging about it.
fn fading(rpm: f64) -> f64 {
    (rpm / 100.0).min(1.0)
}

/// One step with everything that stays the same during it.
struct Step<'a> {
    drive: &'a Drive,
    inputs: &'a DriveInputs,
    hub_slipping: bool,
}

impl System<f64, Motion> for Step<'_> {
    fn system(&self, _seconds: f64, motion: &Motion, rate: &mut Motion) {
        let (drive, inputs) = (self.drive, self.inputs);
        let moving =
            Moving { rpm: motion[CRANK].max(0.0), boat_m_per_s: motion[BOAT], hub_slipping: self.hub_slipping };
        let loads = drive.loads(inputs, &moving);
        let rpm_per_nm_s = 30.0 / core::f64::consts::PI / drive.inertia_kg_m2;
        rate[CRANK] = if inputs.firing > 0.0 {
            (drive.engine_torque_nm(inputs, moving.rpm) - loads.torque_nm) * rpm_per_nm_s
        } else if inputs.cranking_rpm > 0.0 {
            // The starter pulls the crank to its speed within a few tenths of a second.
            (inputs.cranking_rpm - moving.rpm) / 0.3
        } else {
            -(drive.friction_nm * fading(moving.rpm) + loads.torque_nm) * rpm_per_nm_s
        };
        // Drag grows with displacement, about in proportion (own assumption).
        let resistance = drive.resistance_n(moving.boat_m_per_s) * (1.0 + 0.3 * inputs.fouled) * inputs.laden;
        let against = inputs.pull_n * (moving.boat_m_per_s / 0.5).clamp(-1.0, 1.0);
        // A planing hull carries along about a tenth of its mass in water.
        let mass_kg = 1.1 * drive.boat_kg * inputs.laden;
        rate[BOAT] = if inputs.held { 0.0 } else { (loads.thrust_n - resistance - against) / mass_kg };
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::EngineKind;

    /// ISO 8178-4 cycle E4 (40 CFR 1045 appendix II): speed and torque in per cent; the table as the regulation prints it.
    #[test]
    fn settled_torque_is_that_of_the_duty_cycle_e4() {
        for kind in EngineKind::ALL {
            let drive = Drive::new(&PlantParameters::of(kind).expect("built in"));
            for (speed, torque) in [(1.0, 100.0), (0.8, 71.6), (0.6, 46.5), (0.4, 25.3)] {
                let got = 100.0 * drive.settled_torque_nm(speed * drive.rated_rpm) / drive.rated_torque_nm;
                assert!((got - torque).abs() < 0.1, "{}: {got} % at {speed}, table {torque}", kind.name());
            }
        }
    }

    #[test]
    fn hull_and_propeller_meet_at_the_rated_slip() {
        for kind in EngineKind::ALL {
            let parameters = PlantParameters::of(kind).expect("built in");
            let drive = Drive::new(&parameters);
            let slip = drive.settled_slip_at(drive.rated_rpm);
            assert!((slip - parameters.drive.rated_slip).abs() < 0.01, "{}: settled at {slip}", kind.name());
        }
    }

    /// Slip of the worked example of a public propeller chart: 6,000 rpm, 25 in, 1.86, 68 mph: 10.96 %.
    #[test]
    fn slip_of_a_published_example() {
        let slip = 1.0 - 68.0 * 0.447_04 / theoretical_m_per_s(6_000.0, 25.0, 1.86);
        assert!((slip - 0.109_6).abs() < 1e-4, "{slip}");
    }
}
