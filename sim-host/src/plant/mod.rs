//! An engine on the desk: an outboard with its water, heat, drive, electric system and boat.
//!
//! It exists to try the monitor on engines whose faults are known. So that plant and monitor share no formula, nothing
//! here uses `monitor-core` (a test says so). Every number comes from the documented files in `engines/`.
//!
//! The plant is the same, bit for bit, for the same seed and the same calls on every machine: beyond sums, products
//! and roots it uses only `libm`. It draws the same count of random numbers whatever is worn, so that a second plant
//! with the same seed and no wear is a fault-free twin.
//!
//! What it leaves out: single cylinders, the crank's turn within a cycle, damage done by heat (the engine never
//! seizes), passages other than one jacket and the leg, and everything below an eighth of a second.

mod demand;
mod drive;
mod electric;
mod heat;
mod nameplate;
pub(crate) mod noise;
mod parameters;
mod running;
mod seawater;
mod truth;
mod vessel;
mod water;

pub use demand::{Demand, Sea, Surroundings, Wear};
pub use drive::{KNOTS_PER_M_PER_S, theoretical_m_per_s};
pub use nameplate::Nameplate;
pub use parameters::{
    DriveParameters, ElectricParameters, EngineKind, EngineParameters, HeatParameters, OilParameters, ParameterError,
    PlantParameters, WaterParameters,
};
pub use seawater::Seawater;
pub use truth::{HeatBalance, Truth, WaterBalance};
pub use vessel::Plant;
