//! `impeller-worn`: the flow has sunk over hours, most at idle, where what leaks back is most of what the pump moves
//! (common practice: worn pumps fail at idle first).

use super::cooling::Cooling;
use super::evidence::Shown;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::event::{Evidence, EvidenceKey};
use crate::finding::Level;
use crate::forecast::{HoursLeft, hours_left};

/// Idle flow under which the impeller is called worn, in 1/1,024 of its normal: 84 %.
const WORN: i32 = 860;
/// Back in order from here: 90 %.
const BACK: i32 = 922;
/// At speed it has not sunk more than at idle, within this.
const WITHIN: i32 = 40;
/// Under so many running hours to the renewal point it is a warning, in tenths.
const WARNING_TENTHS: i32 = 200;

/// What is shown for it.
pub(crate) const SHOWN: &[Shown] =
    &[Shown::Always(EvidenceKey::Value(Channel::Flow)), Shown::Always(EvidenceKey::Normal(Channel::Flow))];

/// Judges one tick.
pub(crate) fn judge(scene: &Scene, cooling: &Cooling, running_tenths: i32) -> Standing {
    let wear = &scene.normal.wear;
    let Some(idle) = wear.idle.get() else { return Standing::Unjudged };
    if cooling.cause.is_some() || cooling.low_ms > 0 {
        return Standing::Unjudged;
    }
    if idle >= BACK {
        return Standing::Absent;
    }
    let most_at_idle = wear.speed.get().is_none_or(|speed| speed.wrapping_add(WITHIN) >= idle);
    if idle > WORN || !most_at_idle {
        return Standing::Between;
    }
    let soon = forecast(scene, running_tenths).is_some_and(|left| left.tenths < WARNING_TENTHS);
    Standing::Present(if soon { Level::Warning } else { Level::Caution })
}

fn forecast(scene: &Scene, running_tenths: i32) -> Option<HoursLeft> {
    hours_left(&scene.normal.wear.points, running_tenths)
}

/// Adds the forecast to what is shown.
pub(crate) fn add_forecast(scene: &Scene, running_tenths: i32, evidence: &mut Evidence) {
    let left = forecast(scene, running_tenths);
    evidence.add(EvidenceKey::HoursLeft, left.map(|left| left.tenths));
    evidence.add(EvidenceKey::HoursLeftLow, left.map(|left| left.low_tenths));
    evidence.add(EvidenceKey::HoursLeftHigh, left.and_then(|left| left.high_tenths));
}
