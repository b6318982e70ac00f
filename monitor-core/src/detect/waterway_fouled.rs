//! `waterway-fouled`: hotter than this engine's normal for its load, with the flow all but in order, and not by a fault of
//! the moment: salt or lime narrows the ways and keeps the heat in the metal.

use super::cooling::Cooling;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::finding::{Finding, Level};

/// Settled head over its normal from which the ways are called fouled, in m°C.
const FOULED_MILLIKELVIN: i32 = 6_000;
/// Without a thermostat the head wanders with load and water: it must be this much over its normal.
const FOULED_WITHOUT_MILLIKELVIN: i32 = 10_000;
/// Back in order under this.
const BACK_MILLIKELVIN: i32 = 3_000;
/// With less flow than this it is lack of water, in 1/1,024 of the normal.
const LEAST_FLOW: i32 = 700;

/// Judges one tick.
pub(crate) fn judge(scene: &Scene, cooling: &Cooling, thermostat_stuck: bool) -> Standing {
    // Without a flow meter a hot head may as well lack water: the condition alone is told.
    if scene.good(Channel::Flow).is_none() {
        return Standing::Unjudged;
    }
    let wear = &scene.normal.wear;
    let Some(excess) = wear.excess_millikelvin() else { return Standing::Unjudged };
    if cooling.low_ms > 0 || cooling.cause.is_some_and(|cause| cause != Finding::TelltalePlugged) || thermostat_stuck {
        return Standing::Unjudged;
    }
    if excess < BACK_MILLIKELVIN {
        return Standing::Absent;
    }
    let fouled = if scene.profile.thermostat_opens.is_some() { FOULED_MILLIKELVIN } else { FOULED_WITHOUT_MILLIKELVIN };
    if excess < fouled || wear.speed.get().is_some_and(|flow| flow < LEAST_FLOW) {
        return Standing::Between;
    }
    Standing::Present(Level::Warning)
}
