//! The engine of the story: what its sensors would measure if they were perfect.

use super::story::{Phase, Water};

/// The sea that the engine starts in, in m°C.
const COLD_MILLICELSIUS: i32 = 18_000;
/// Where the thermostat holds the head: it comes to rest a kelvin under this.
const WARM_MILLICELSIUS: i32 = 65_000;
/// Climb without cooling water in a tenth of a second, in m°C: half a kelvin a second at speed.
const CLIMB_AT_SPEED: i32 = 50;
const CLIMB_AT_IDLE: i32 = 8;
/// How far the engine speed can change in a tenth of a second.
const SLEW_RPM: u32 = 120;
/// How far the oil pressure can change in a tenth of a second.
const SLEW_PASCALS: u32 = 20_000;
/// Under this the starter turns it, or nothing does.
const RUNNING_RPM: u32 = 500;

/// Present values.
#[derive(Debug, Clone, Copy)]
pub(super) struct Engine {
    pub(super) rpm: u32,
    pub(super) head_millicelsius: i32,
    pub(super) oil_pascals: u32,
    pub(super) supply_millivolts: u32,
    pub(super) flow_millilitres_per_minute: u32,
}

impl Engine {
    pub(super) const fn new() -> Self {
        Self {
            rpm: 0,
            head_millicelsius: COLD_MILLICELSIUS,
            oil_pascals: 0,
            supply_millivolts: 12_600,
            flow_millilitres_per_minute: 0,
        }
    }

    /// Lets a tenth of a second pass.
    pub(super) fn pass(&mut self, phase: &Phase) {
        self.rpm = approach(self.rpm, phase.rpm, SLEW_RPM);
        let running = self.rpm >= RUNNING_RPM;
        let stream = running && phase.water == Water::Stream;
        self.flow_millilitres_per_minute = if stream { 430 + self.rpm * 2 / 3 } else { 0 };
        // Shifts instead of divisions: time constants of 102 s under way and of nearly 7 min on the mooring.
        self.head_millicelsius += if !running {
            (COLD_MILLICELSIUS - self.head_millicelsius) >> 12
        } else if stream {
            (WARM_MILLICELSIUS - self.head_millicelsius) >> 10
        } else if self.rpm > 1_500 {
            CLIMB_AT_SPEED
        } else {
            CLIMB_AT_IDLE
        };
        let oil = if running { 150_000 + self.rpm * 60 } else { 0 };
        self.oil_pascals = approach(self.oil_pascals, oil, SLEW_PASCALS);
        self.supply_millivolts = match self.rpm {
            0 => 12_600,
            1..RUNNING_RPM => 10_200,
            RUNNING_RPM..1_000 => 13_800,
            _ => 14_200,
        };
    }
}

fn approach(now: u32, wanted: u32, most: u32) -> u32 {
    // Not `clamp`, which can panic where the compiler does not see that its bounds are in order.
    wanted.max(now.saturating_sub(most)).min(now.saturating_add(most))
}
