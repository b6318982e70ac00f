use super::*;

const ENGINE: Option<monitor_core::acquire::Channel> = None;

fn at(seconds: i64) -> Moment {
    Moment { trip: 0, at_ms: seconds * 1_000 }
}

fn of_engine(finding: Finding) -> Named {
    Named { finding, channel: ENGINE }
}

fn fault(finding: Finding, onset: i64, detectable: Option<i64>, end: Option<i64>) -> Fault {
    Fault {
        named: of_engine(finding),
        onset: at(onset),
        detectable: detectable.map(at),
        end: end.map_or(Moment::end_of_trip(0), at),
        mended: end.is_some(),
        severity: 1.0,
    }
}

fn episode(finding: Finding, raised: i64, gone: Option<i64>) -> Episode {
    let raised = at(raised);
    Episode { named: of_engine(finding), raised, run_began: Some(at(0)), warned: Some(raised), gone: gone.map(at) }
}

fn history(faults: &[Fault]) -> History {
    let running = vec![Stretch { trip: 0, from_ms: 0, to_ms: 3_600_000 }];
    History { faults: faults.to_vec(), running, overheats: Vec::new() }
}

#[test]
fn one_blocked_intake_and_what_was_said() {
    use Finding::{ChargeLost, DryStart, HeadOverLimit, ImpellerWorn, IntakeBlocked, StreamLost};
    struct Case {
        name: &'static str,
        said: Vec<Episode>,
        found_after_s: Option<i64>,
        family: bool,
        cause: CauseFirst,
        false_findings: usize,
    }
    let case = |name, said, found_after_s, family, cause, false_findings| Case {
        name,
        said,
        found_after_s,
        family,
        cause,
        false_findings,
    };
    use CauseFirst::{Right, Wrong};
    // There from 1,000 s, to be seen from 1,010 s, gone at 1,500 s.
    let cases = [
        case("nothing", vec![], None, false, Wrong, 0),
        case("found", vec![episode(IntakeBlocked, 1_030, None)], Some(20), true, Right, 0),
        case("before the onset", vec![episode(IntakeBlocked, 999, None)], None, false, Wrong, 1),
        case("came and went too early", vec![episode(IntakeBlocked, 1_001, Some(1_009))], None, false, Wrong, 1),
        case("early and still there", vec![episode(IntakeBlocked, 1_001, Some(1_011))], Some(0), true, Right, 0),
        case("in the grace", vec![episode(IntakeBlocked, 1_560, None)], Some(550), true, Right, 0),
        case("after the grace", vec![episode(IntakeBlocked, 1_561, None)], None, false, Wrong, 1),
        case("the stream only", vec![episode(StreamLost, 1_020, None)], None, true, Wrong, 0),
        case("the heat only", vec![episode(HeadOverLimit, 1_790, None)], None, false, Wrong, 0),
        case("the heat too late", vec![episode(HeadOverLimit, 1_801, None)], None, false, Wrong, 1),
        case("dry long after the start", vec![episode(DryStart, 1_020, None)], None, true, Wrong, 0),
        case(
            "condition, then cause",
            vec![episode(StreamLost, 1_015, Some(1_030)), episode(IntakeBlocked, 1_030, None)],
            Some(20),
            true,
            Right,
            0,
        ),
        case(
            "the wrong cause first",
            vec![episode(ImpellerWorn, 1_020, Some(1_040)), episode(IntakeBlocked, 1_040, None)],
            Some(30),
            true,
            Wrong,
            0,
        ),
        case(
            "something else beside it",
            vec![episode(ChargeLost, 1_020, None), episode(IntakeBlocked, 1_030, None)],
            Some(20),
            true,
            Right,
            1,
        ),
    ];
    for case in cases {
        let history = history(&[fault(IntakeBlocked, 1_000, Some(1_010), Some(1_500))]);
        let judgement = judge(&history, &case.said);
        let verdict = judgement.verdicts[0];
        assert_eq!(verdict.found_after_ms, case.found_after_s.map(|s| s * 1_000), "{}", case.name);
        assert_eq!(verdict.family_after_ms.is_some(), case.family, "{}", case.name);
        assert_eq!(verdict.cause, case.cause, "{}", case.name);
        assert_eq!(judgement.false_findings.len(), case.false_findings, "{}", case.name);
    }
}

#[test]
fn what_comes_in_health_is_told_from_what_comes_beside_a_fault() {
    let history = history(&[fault(Finding::ChargeLost, 1_000, Some(1_000), Some(1_100))]);
    let cases = [(999, true), (1_050, false), (1_399, false), (1_401, true)];
    for (raised, in_health) in cases {
        let judgement = judge(&history, &[episode(Finding::HubSlipping, raised, None)]);
        let seen: Vec<_> = judgement.false_findings.iter().map(|finding| finding.in_health).collect();
        assert_eq!(seen, [in_health], "raised at {raised} s");
    }
}

#[test]
fn hours_in_health_are_those_that_no_fault_covers() {
    let cases = [
        ("no fault", vec![], 3_600),
        ("one that ends, and its 300 s", vec![fault(Finding::ChargeLost, 1_000, None, Some(1_100))], 3_200),
        ("one that stays", vec![fault(Finding::ChargeLost, 1_000, None, None)], 1_000),
        (
            "two, one within the other",
            vec![
                fault(Finding::IntakeBlocked, 500, None, Some(2_000)),
                fault(Finding::ChargeLost, 1_000, None, Some(1_100)),
            ],
            500 + 1_300,
        ),
        ("from the first moment", vec![fault(Finding::ChargeLost, 0, None, None)], 0),
    ];
    for (name, faults, healthy_s) in cases {
        assert_eq!(running_ms(&history(&faults)), (3_600_000, healthy_s * 1_000), "{name}");
    }
}

#[test]
fn two_faults_at_once_each_have_their_own() {
    let faults =
        [fault(Finding::ImpellerWorn, 100, Some(100), None), fault(Finding::IntakeBlocked, 1_000, Some(1_000), None)];
    let said = [episode(Finding::ImpellerWorn, 500, None), episode(Finding::IntakeBlocked, 1_020, None)];
    let judgement = judge(&history(&faults), &said);
    for (verdict, after_ms) in judgement.verdicts.iter().zip([400_000, 20_000]) {
        assert_eq!((verdict.found_after_ms, verdict.cause), (Some(after_ms), CauseFirst::Right));
    }
    assert!(judgement.false_findings.is_empty());
}

#[test]
fn a_second_fault_of_the_same_name_is_not_found_by_what_stood_already() {
    let faults =
        [fault(Finding::IntakeBlocked, 100, Some(100), Some(200)), fault(Finding::IntakeBlocked, 230, Some(230), None)];
    let judgement = judge(&history(&faults), &[episode(Finding::IntakeBlocked, 120, None)]);
    let found: Vec<_> = judgement.verdicts.iter().map(|verdict| verdict.found_after_ms).collect();
    assert_eq!(found, [Some(20_000), None]);
    let judgement = judge(&history(&faults), &[episode(Finding::IntakeBlocked, 240, None)]);
    let found: Vec<_> = judgement.verdicts.iter().map(|verdict| verdict.found_after_ms).collect();
    assert_eq!(found, [None, Some(10_000)], "it belongs to the later onset, also in the grace of the first");
}

#[test]
fn a_fault_that_changes_nothing_makes_nothing_false() {
    let history = history(&[fault(Finding::IntakeBlocked, 1_000, None, None)]);
    let judgement = judge(&history, &[episode(Finding::StreamLost, 1_001, Some(1_002))]);
    assert!(judgement.false_findings.is_empty());
}

#[test]
fn leads_are_counted_late_and_missed_ones_too() {
    let overheat = Overheat { at: at(1_300), rpm: 3_000.0, trip_ends_ms: 2_000_000 };
    let cases = [
        ("in time", vec![episode(Finding::StreamLost, 1_010, None)], 290, false),
        ("late", vec![episode(Finding::HeadOverLimit, 1_304, None)], -4, false),
        ("none", vec![], -700, true),
        ("before the onset", vec![episode(Finding::StreamLost, 900, None)], -700, true),
        ("for something else", vec![episode(Finding::ChargeLost, 1_100, None)], -700, true),
    ];
    for (name, said, lead_s, unwarned) in cases {
        let mut history = history(&[fault(Finding::IntakeBlocked, 1_000, Some(1_001), None)]);
        history.overheats.push(overheat);
        let lead = judge(&history, &said).verdicts[0].lead.unwrap();
        assert_eq!((lead.lead_ms, lead.unwarned), (lead_s * 1_000, unwarned), "{name}");
        assert_eq!(lead.most_ms, 299_000, "{name}: it shows from 1,001 s on");
    }
    let mut over = history(&[fault(Finding::HeadOverLimit, 1_000, Some(1_300), None)]);
    over.overheats.push(overheat);
    let most_ms = judge(&over, &[]).verdicts[0].lead.unwrap().most_ms;
    assert_eq!(most_ms, 300_000, "a condition that is the limit itself could be seen coming");
    let cold = history(&[fault(Finding::IntakeBlocked, 1_000, Some(1_001), None)]);
    assert_eq!(judge(&cold, &[]).verdicts[0].lead, None, "the head never passed its limit");
    let mut plugged = history(&[fault(Finding::TelltalePlugged, 1_000, Some(1_001), None)]);
    plugged.overheats.push(overheat);
    assert_eq!(judge(&plugged, &[]).verdicts[0].lead, None, "a plugged telltale heats nothing");
}

#[test]
fn a_caution_is_no_warning() {
    let mut history = history(&[fault(Finding::ImpellerWorn, 1_000, Some(1_001), None)]);
    history.overheats.push(Overheat { at: at(1_300), rpm: 3_000.0, trip_ends_ms: 1_400_000 });
    let caution = Episode { warned: None, ..episode(Finding::ImpellerWorn, 1_100, None) };
    let verdict = judge(&history, &[caution]).verdicts[0];
    assert_eq!(verdict.found_after_ms, Some(99_000));
    assert!(verdict.lead.unwrap().unwarned);
}

#[test]
fn twins_count_as_found_and_not_as_cause() {
    let jammed = Named { finding: Finding::SensorStuck, channel: Some(monitor_core::acquire::Channel::Flow) };
    let history = history(&[Fault { named: jammed, ..fault(Finding::SensorStuck, 1_000, Some(1_000), None) }]);
    let verdict = judge(&history, &[episode(Finding::TelltalePlugged, 1_200, None)]).verdicts[0];
    assert_eq!((verdict.found_after_ms, verdict.cause), (Some(200_000), CauseFirst::Twin));
}

#[test]
fn time_between_trips_is_no_delay() {
    let running =
        vec![Stretch { trip: 0, from_ms: 0, to_ms: 2_000_000 }, Stretch { trip: 1, from_ms: 5_000, to_ms: 2_000_000 }];
    let worn = fault(Finding::ImpellerWorn, 1_000, Some(1_500), None);
    let worn = Fault { end: Moment::end_of_trip(1), ..worn };
    let history = History { faults: vec![worn], running, overheats: Vec::new() };
    let raised = Moment { trip: 1, at_ms: 65_000 };
    let said = Episode { raised, warned: Some(raised), ..episode(Finding::ImpellerWorn, 0, None) };
    assert_eq!(judge(&history, &[said]).verdicts[0].found_after_ms, Some(500_000 + 60_000));
}
