//! `intake-blocked`: the flow collapses and the head answers. Weed or a bag is by far the most common reason for that
//! (common practice), so it is named unless the flow still follows the speed, as it does behind a pump with lost vanes.

use super::cooling::{Cooling, Follows};
use super::{Scene, Standing};
use crate::finding::{Finding, Level};

/// The flow must have been low for so long, in milliseconds.
const LOW_MS: u32 = 4_000;
/// Where the flow alone does not tell it from `vane-lost`, so long is waited for the speed to change, which does.
const WAIT_MS: u32 = 600_000;

/// Judges one tick.
pub(crate) fn judge(scene: &Scene, cooling: &mut Cooling) -> Standing {
    if cooling.cause == Some(Finding::IntakeBlocked) {
        if cooling.follows() != Follows::Proportional {
            return Standing::Present(Level::Alarm);
        }
        // The flow follows the speed after all.
        cooling.cause = None;
    }
    if cooling.cause.is_some_and(|cause| cause != Finding::TelltalePlugged) || cooling.low_ms < LOW_MS {
        return if cooling.low_ms == 0 { Standing::Absent } else { Standing::Between };
    }
    if cooling.head_answers(scene) != Some(true) || cooling.follows() == Follows::Proportional {
        return Standing::Between;
    }
    let sure = cooling.is_nothing_at_speed(scene) || cooling.follows() == Follows::Limited;
    if !sure && cooling.low_ms < WAIT_MS {
        return Standing::Between;
    }
    cooling.cause = Some(Finding::IntakeBlocked);
    Standing::Present(Level::Alarm)
}
