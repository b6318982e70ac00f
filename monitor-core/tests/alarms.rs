//! Alarms as the people aboard meet them, through the façade: deadbands, lamp and sounder, button, shelving.

mod common;

use common::{Drive, Row, profile};
use monitor_core::advise::Signals;
use monitor_core::command::Command;
use monitor_core::finding::Finding;
use monitor_core::time::Instant;

/// A running engine that knows its idle stream, at second 90.
fn under_way() -> Drive {
    let mut drive = Drive::new(&profile());
    drive.seconds(30, |_| Row::healthy(750)).seconds(60, |_| Row::healthy(3_000));
    drive
}

/// Moments in ms, from `from_s` on, at which lamp and sounder turn on or off, looked at 50 times a second.
fn edges(drive: &mut Drive, from_s: i64, for_s: i64) -> (Vec<i64>, Vec<i64>) {
    let mut last = Signals::default();
    let (mut lamp, mut sound) = (Vec::new(), Vec::new());
    for offset in (0..for_s * 1_000).step_by(20) {
        let signals = drive.monitor.signals(Instant::from_millis(from_s * 1_000 + offset));
        if signals.lamp != last.lamp {
            lamp.push(offset);
        }
        if signals.sound != last.sound {
            sound.push(offset);
        }
        last = signals;
    }
    (lamp, sound)
}

/// OPC UA Part 9 B.1.5: a value must come back past its limit by the whole deadband. So a sine of half the deadband
/// around the limit activates once, however long it goes on.
#[test]
fn a_sine_of_half_the_deadband_activates_once() {
    let sine = |t: f64, period: f64| (t * std::f64::consts::TAU / period).sin();
    for period in [9.0, 17.0, 40.0, 61.0] {
        let mut head = under_way();
        head.seconds(600, |t| Row { head_c: Some(95.0 + sine(t, period)), ..Row::healthy(3_000) });
        let log = head.finish();
        let of = |what: &str| log.iter().filter(|line| line.contains(what)).count();
        assert_eq!((of("head-over-limit raised"), of("head-over-limit cleared")), (1, 0), "{period} s: {log:?}");

        let mut revs = under_way();
        revs.seconds(600, |t| Row::healthy((6_000.0 + 50.0 * sine(t, period)) as i32));
        let log = revs.finish();
        let raised = log.iter().filter(|line| line.contains("over-speed raised")).count();
        assert_eq!((raised, log.len()), (1, 1), "{period} s: {log:?}");
    }
}

#[test]
fn power_up_then_alarm_then_button() {
    let mut drive = Drive::new(&profile());
    assert_eq!(edges(&mut drive, 0, 5), (vec![0, 2_000], vec![0, 300]), "power-up");
    drive.seconds(30, |_| Row::healthy(750)).seconds(60, |_| Row::healthy(3_000));
    drive.seconds(5, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(3_000) });
    // The tick of second 93 closed with the sample of second 94.
    let (lamp, sound) = edges(&mut drive, 94, 8);
    assert_eq!(lamp, (0..16).map(|half| half * 500).collect::<Vec<_>>());
    assert_eq!(sound, [0, 300, 600, 900, 1_200, 1_500, 7_000, 7_300, 7_600, 7_900]);
    press(&mut drive, 102_000);
    let (_, sound) = edges(&mut drive, 103, 30);
    assert!(sound.first().is_some_and(|first| (29_080..=29_120).contains(first)), "30 s of silence: {sound:?}");
    // Nothing acknowledged it, so the next press silences again and only then the one after acknowledges.
    press(&mut drive, 134_000);
    press(&mut drive, 135_000);
    assert_eq!(edges(&mut drive, 136, 70), (vec![0], vec![]), "steady and silent");
    assert_eq!(
        drive.finish(),
        [
            "93 stream-lost raised alarm unacknowledged",
            "102.1 stream-lost silenced alarm unacknowledged",
            "134.1 stream-lost silenced alarm unacknowledged",
            "135.1 stream-lost acknowledged alarm acknowledged",
        ]
    );
}

fn press(drive: &mut Drive, at_ms: i64) {
    drive.monitor.button(Instant::from_millis(at_ms), true);
    drive.monitor.button(Instant::from_millis(at_ms + 100), false);
}

#[test]
fn holding_the_button_does_nothing() {
    let mut drive = under_way();
    drive.seconds(5, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(3_000) });
    drive.monitor.button(Instant::from_millis(94_000), true);
    drive.monitor.button(Instant::from_millis(99_000), false);
    assert_eq!(drive.finish(), ["93 stream-lost raised alarm unacknowledged"]);
}

#[test]
fn shelving_ends_by_itself_and_is_refused_where_it_must_be() {
    let mut drive = under_way();
    let fast = |_| Row::healthy(6_500);
    drive.seconds(5, fast).command(Command::Shelve { finding: Some(Finding::OverSpeed), minutes: 1 });
    drive.seconds(70, fast).command(Command::Shelve { finding: None, minutes: 31 });
    assert_eq!(
        drive.finish(),
        [
            "93 over-speed raised warning unacknowledged",
            "94 over-speed shelved warning shelved",
            "153 over-speed unshelved warning unacknowledged",
            "refused: shelving takes 1 to 30 minutes",
        ]
    );

    let mut hot = under_way();
    hot.seconds(5, |_| Row { head_c: Some(99.0), ..Row::healthy(3_000) });
    hot.command(Command::Shelve { finding: Some(Finding::HeadOverLimit), minutes: 10 });
    assert!(hot.finish().contains(&"refused: nothing open that it could apply to".to_owned()));
}

#[test]
fn a_queue_that_nobody_drains_keeps_the_worst_and_counts_the_rest() {
    let mut drive = under_way();
    let everything = |_: f64| Row {
        rpm: Some(6_500),
        head_c: Some(99.0),
        flow_lpm: Some(0.0),
        supply_v: Some(4.0),
        speed_kn: Some(-1.0),
        oil_kpa: Some(10.0),
    };
    for cycle in 0..20_i64 {
        for second in 0..40 {
            let row = if second < 15 { everything(0.0) } else { Row::healthy(3_000) };
            let now = Instant::from_millis((100 + cycle * 40 + second) * 1_000);
            drive.monitor.step(now, &row.readings());
        }
    }
    assert!(drive.monitor.lost() > 0);
    let log = drive.finish();
    assert!(log.len() >= 10 && log.iter().all(|line| line.contains(" alarm ")), "{log:?}");
}

#[test]
fn an_unacknowledged_warning_becomes_an_alarm_only_where_that_is_wanted() {
    let fast = |_| Row::healthy(6_100);
    let mut off = under_way();
    off.seconds(400, fast);
    assert_eq!(off.finish().len(), 1);
    let mut on = under_way();
    on.monitor.escalate_unacknowledged(Some(5));
    on.seconds(400, fast);
    assert_eq!(
        on.finish(),
        ["93 over-speed raised warning unacknowledged", "393 over-speed level-changed alarm unacknowledged",]
    );
}
