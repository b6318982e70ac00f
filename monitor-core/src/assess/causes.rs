//! Which cause explains which condition.

use crate::finding::{Finding, Level};

/// Whether an open `cause` explains an open `condition`, so that the condition is replaced by it.
///
/// `head-over-limit` and `oil-pressure-low` are never explained away; `head-climbing` only by a cause of at least its
/// own level.
#[must_use]
pub(crate) fn explains(cause: Finding, cause_level: Level, condition: Finding, condition_level: Level) -> bool {
    match (cause, condition) {
        (
            Finding::DryStart | Finding::IntakeBlocked | Finding::VaneLost | Finding::TelltalePlugged,
            Finding::StreamLost,
        ) => true,
        (
            Finding::DryStart
            | Finding::IntakeBlocked
            | Finding::VaneLost
            | Finding::WaterwayFouled
            | Finding::ThermostatStuckClosed,
            Finding::HeadClimbing,
        ) => cause_level >= condition_level,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_dry_start_explains() {
        let cases = [
            ("the lost stream", Level::Warning, Finding::StreamLost, Level::Alarm, true),
            ("a head that climbs, at its own level", Level::Alarm, Finding::HeadClimbing, Level::Alarm, true),
            ("not a climb that is worse", Level::Warning, Finding::HeadClimbing, Level::Alarm, false),
            ("never a head over its limit", Level::Alarm, Finding::HeadOverLimit, Level::Alarm, false),
            ("never low oil pressure", Level::Alarm, Finding::OilPressureLow, Level::Alarm, false),
        ];
        for (name, cause_level, condition, condition_level, expected) in cases {
            assert_eq!(explains(Finding::DryStart, cause_level, condition, condition_level), expected, "{name}");
        }
    }
}
