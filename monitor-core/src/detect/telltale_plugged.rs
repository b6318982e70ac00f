//! `telltale-plugged`: the stream is gone and the head stays as it was: the outlet is plugged, or the meter jams. The two
//! cannot be told apart.

use super::cooling::Cooling;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::finding::{Finding, Level};
use crate::units::Quantity;

/// A head without water is hotter after so long at speed (common practice: 10 to 60 s) …
const AT_SPEED_MS: u32 = 40_000;
/// … and after so long at idle, in milliseconds.
const AT_IDLE_MS: u32 = 100_000;
/// From 3/8 of rated speed on, an engine is at speed.
const AT_SPEED_EIGHTHS: i32 = 3;
/// The head stays as it was within this, in m°C.
const STAYS_MILLIKELVIN: i32 = 2_000;

/// Judges one tick.
pub(crate) fn judge(scene: &Scene, cooling: &mut Cooling) -> Standing {
    if cooling.low_ms == 0 {
        return Standing::Absent;
    }
    match cooling.cause {
        Some(Finding::TelltalePlugged) => return Standing::Present(Level::Warning),
        // The head has answered since: there is another cause.
        Some(_) => return Standing::Absent,
        None => {}
    }
    if !cooling.is_next_to_nothing() || !scene.expected.warm {
        return Standing::Between;
    }
    let stays = cooling.hotter(scene).is_some_and(|hotter| hotter <= STAYS_MILLIKELVIN)
        || cooling.over.is_some_and(|over| over <= 0);
    if !stays {
        return Standing::Between;
    }
    let fast = scene.profile.rated_or_max().raw().wrapping_mul(AT_SPEED_EIGHTHS) >> 3_u32;
    let at_speed = scene.good(Channel::Rpm).is_some_and(|rpm| rpm >= fast);
    if cooling.low_ms < if at_speed { AT_SPEED_MS } else { AT_IDLE_MS } {
        return Standing::Between;
    }
    cooling.cause = Some(Finding::TelltalePlugged);
    Standing::Present(Level::Warning)
}
