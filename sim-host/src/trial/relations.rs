//! What a raised finding is to a fault: the table of `docs/trial.md`.

use monitor_core::acquire::Channel;
use monitor_core::finding::{Family, Finding, Kind};

use Finding::{
    ChargeLost, DryStart, FuelOld, HeadClimbing, HeadOverLimit, HubSlipping, ImpellerWorn, IntakeBlocked, OverSpeed,
    RunningUnsteady, SensorOpen, SensorShort, SensorStuck, StreamLost, TelltalePlugged, ThermostatStuckClosed,
    VaneLost, WaterwayFouled, WeakConnection,
};

/// How long after a start `dry-start` says what can be so, in milliseconds: its own alarm stands after 45 s at the latest.
pub(super) const SINCE_START_MS: i64 = 60_000;

/// Names that the same evidence bears: one, another, why they cannot be told apart. For the reports; [`relation`] knows when
/// they apply.
pub(super) const PAIRS: [(&str, &str, &str); 2] = [
    (
        "telltale-plugged",
        "sensor-stuck, sensor-open or sensor-short of the flow meter",
        "a jammed meter and a plugged outlet both show no pulses while the head stays cool",
    ),
    (
        "dry-start",
        "intake-blocked or vane-lost that was there before the engine started, within 60 s of the start",
        "no water has come yet: why cannot be seen",
    ),
];

/// What a raised finding is to a fault in whose window it was raised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Relation {
    /// It names the fault.
    Own,
    /// It has a name that the same evidence bears as well.
    Twin,
    /// The fault makes this happen.
    Consequence,
    /// A wrong cause for the same evidence.
    Rival,
    /// The fault does not explain it.
    Unexplained,
}

/// A finding with the sensor it is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Named {
    /// The finding.
    pub(super) finding: Finding,
    /// The sensor; `None` for findings of the engine.
    pub(super) channel: Option<Channel>,
}

/// When a finding was raised, as seen from the start of the engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Since {
    /// Raised within [`SINCE_START_MS`] of a start.
    pub(super) just_started: bool,
    /// The fault was there before that start.
    pub(super) fault_before_start: bool,
}

/// What `raised` is to `fault`; the time has been looked at already.
#[must_use]
pub(super) fn relation(fault: Named, raised: Named, since: Since) -> Relation {
    if fault == raised {
        return Relation::Own;
    }
    if are_twins(fault, raised, since) || are_twins(raised, fault, since) {
        return Relation::Twin;
    }
    if fault.finding.kind() == Kind::Condition {
        return if follows_condition(fault.finding, raised.finding) {
            Relation::Consequence
        } else {
            Relation::Unexplained
        };
    }
    if raised.finding == DryStart && !since.just_started && rivals(fault.finding).contains(&DryStart) {
        return Relation::Rival;
    }
    if consequences(fault).contains(&raised.finding) {
        return Relation::Consequence;
    }
    let same_sensor = fault.finding.family() == Family::Sensor
        && raised.finding.family() == Family::Sensor
        && fault.channel == raised.channel;
    if same_sensor || rivals(fault.finding).contains(&raised.finding) {
        return Relation::Rival;
    }
    Relation::Unexplained
}

fn are_twins(one: Named, other: Named, since: Since) -> bool {
    let meter_fault = matches!(other.finding, SensorStuck | SensorOpen | SensorShort);
    match one.finding {
        TelltalePlugged => meter_fault && other.channel == Some(Channel::Flow),
        DryStart => matches!(other.finding, IntakeBlocked | VaneLost) && since.just_started && since.fault_before_start,
        _ => false,
    }
}

/// What a cause makes happen.
fn consequences(fault: Named) -> &'static [Finding] {
    match fault.finding {
        IntakeBlocked | VaneLost | ImpellerWorn => &[StreamLost, DryStart, HeadClimbing, HeadOverLimit],
        DryStart | WaterwayFouled => &[StreamLost, HeadClimbing, HeadOverLimit],
        TelltalePlugged => &[StreamLost, DryStart],
        ThermostatStuckClosed => &[HeadClimbing, HeadOverLimit],
        HubSlipping => &[OverSpeed],
        FuelOld => &[RunningUnsteady],
        SensorOpen | SensorShort | SensorStuck if fault.channel == Some(Channel::Flow) => &[StreamLost, DryStart],
        _ => &[],
    }
}

/// Wrong causes for the same evidence, sensors left aside.
const fn rivals(fault: Finding) -> &'static [Finding] {
    const WATER: &[Finding] =
        &[IntakeBlocked, VaneLost, ImpellerWorn, DryStart, TelltalePlugged, WaterwayFouled, ThermostatStuckClosed];
    const TELLTALE: &[Finding] = &[IntakeBlocked, VaneLost, ImpellerWorn, DryStart, WaterwayFouled];
    const THERMOSTAT: &[Finding] = &[IntakeBlocked, VaneLost, ImpellerWorn, DryStart, TelltalePlugged, WaterwayFouled];
    match fault {
        IntakeBlocked | VaneLost | ImpellerWorn | DryStart | WaterwayFouled => WATER,
        TelltalePlugged => TELLTALE,
        ThermostatStuckClosed => THERMOSTAT,
        ChargeLost => &[WeakConnection],
        WeakConnection => &[ChargeLost],
        _ => &[],
    }
}

/// Whether `raised` is a cause of the condition, or something else that such a cause makes happen.
fn follows_condition(condition: Finding, raised: Finding) -> bool {
    let of_engine = |finding: Finding| Named { finding, channel: None };
    Finding::ALL.into_iter().map(of_engine).any(|cause| {
        let made = consequences(cause);
        cause.finding != condition && made.contains(&condition) && (cause.finding == raised || made.contains(&raised))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const ENGINE: Option<Channel> = None;
    const FLOW: Option<Channel> = Some(Channel::Flow);
    const HEAD: Option<Channel> = Some(Channel::Head);

    const LATER: Since = Since { just_started: false, fault_before_start: false };
    const AT_ONCE: Since = Since { just_started: true, fault_before_start: true };
    const SINCE_THEN: Since = Since { just_started: true, fault_before_start: false };

    #[test]
    fn the_table_of_the_rules() {
        use Relation::{Consequence, Own, Rival, Twin, Unexplained};
        let cases = [
            ("its name", (IntakeBlocked, ENGINE), (IntakeBlocked, ENGINE), LATER, Own),
            ("what follows", (IntakeBlocked, ENGINE), (StreamLost, ENGINE), LATER, Consequence),
            ("a wrong cause", (IntakeBlocked, ENGINE), (ImpellerWorn, ENGINE), LATER, Rival),
            ("another family", (IntakeBlocked, ENGINE), (ChargeLost, ENGINE), LATER, Unexplained),
            ("blocked before the start", (IntakeBlocked, ENGINE), (DryStart, ENGINE), AT_ONCE, Twin),
            ("blocked after it", (IntakeBlocked, ENGINE), (DryStart, ENGINE), SINCE_THEN, Consequence),
            ("dry long after the start", (IntakeBlocked, ENGINE), (DryStart, ENGINE), LATER, Rival),
            ("worn is no twin of dry", (ImpellerWorn, ENGINE), (DryStart, ENGINE), AT_ONCE, Consequence),
            ("dry, said to be blocked", (DryStart, ENGINE), (IntakeBlocked, ENGINE), AT_ONCE, Twin),
            ("plugged, said to be jammed", (TelltalePlugged, ENGINE), (SensorStuck, FLOW), LATER, Twin),
            ("jammed, said to be plugged", (SensorStuck, FLOW), (TelltalePlugged, ENGINE), LATER, Twin),
            ("another sensor jammed", (TelltalePlugged, ENGINE), (SensorStuck, HEAD), LATER, Unexplained),
            ("plugged does not heat", (TelltalePlugged, ENGINE), (HeadClimbing, ENGINE), LATER, Unexplained),
            ("the wrong channel", (SensorOpen, HEAD), (SensorOpen, FLOW), LATER, Unexplained),
            ("the wrong kind", (SensorOpen, HEAD), (SensorShort, HEAD), LATER, Rival),
            (
                "an alarm by a broken sensor",
                (Finding::SensorMiscount, Some(Channel::Rpm)),
                (OverSpeed, ENGINE),
                LATER,
                Unexplained,
            ),
            ("a condition and its cause", (HeadOverLimit, ENGINE), (ThermostatStuckClosed, ENGINE), LATER, Consequence),
            ("a condition and its neighbour", (HeadOverLimit, ENGINE), (HeadClimbing, ENGINE), LATER, Consequence),
            ("a condition and something else", (HeadOverLimit, ENGINE), (HubSlipping, ENGINE), LATER, Unexplained),
            ("oil stands alone", (Finding::OilPressureLow, ENGINE), (HeadOverLimit, ENGINE), LATER, Unexplained),
            ("old fuel hunts", (FuelOld, ENGINE), (RunningUnsteady, ENGINE), LATER, Consequence),
            ("hunting is not old fuel", (RunningUnsteady, ENGINE), (FuelOld, ENGINE), LATER, Unexplained),
        ];
        for (name, fault, raised, since, expected) in cases {
            let fault = Named { finding: fault.0, channel: fault.1 };
            let raised = Named { finding: raised.0, channel: raised.1 };
            assert_eq!(relation(fault, raised, since), expected, "{name}");
        }
    }

    #[test]
    fn every_finding_is_its_own_and_nothing_else_is() {
        for fault in Finding::ALL {
            for raised in Finding::ALL {
                let of_engine = |finding| Named { finding, channel: None };
                let own = relation(of_engine(fault), of_engine(raised), LATER) == Relation::Own;
                assert_eq!(own, fault == raised, "{} {}", fault.name(), raised.name());
            }
        }
    }
}
