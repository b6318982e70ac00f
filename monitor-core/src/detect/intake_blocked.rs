//! `intake-blocked`: the flow collapses and the head answers. Weed or a bag is by far the most common reason for that
//! (common practice), so it is named unless the flow still follows the speed, as it does behind a pump with lost vanes.

use super::cooling::{Cooling, Follows};
use super::{Scene, Standing};
use crate::finding::{Finding, Level};

/// The flow must have been low for so long, in milliseconds.
const LOW_MS: u32 = 4_000;
/// Where a share of the flow is left, so long is waited for the speed to change, which tells it from `vane-lost` …
const WAIT_MS: u32 = 120_000;
/// … but not with a head so much hotter, in m°C.
const HOT_MILLIKELVIN: i32 = 12_000;

/// Judges one tick.
pub(crate) fn judge(scene: &Scene, cooling: &mut Cooling) -> Standing {
    if cooling.cause == Some(Finding::IntakeBlocked) {
        return Standing::Present(Level::Alarm);
    }
    if cooling.cause.is_some_and(|cause| cause != Finding::TelltalePlugged) || cooling.low_ms < LOW_MS {
        return if cooling.low_ms == 0 { Standing::Absent } else { Standing::Between };
    }
    if cooling.head_answers(scene) != Some(true) || cooling.follows() == Follows::Proportional {
        return Standing::Between;
    }
    let sure = cooling.is_next_to_nothing() || cooling.follows() == Follows::Limited;
    let pressing = cooling.low_ms >= WAIT_MS || cooling.hotter(scene).is_some_and(|hotter| hotter >= HOT_MILLIKELVIN);
    if !sure && !pressing {
        return Standing::Between;
    }
    cooling.cause = Some(Finding::IntakeBlocked);
    Standing::Present(Level::Alarm)
}
