//! Each finding of the first set, from rows to events, through the façade.

mod common;

use common::{Drive, Row, profile};
use monitor_core::acquire::{Channel, ChannelSet};
use monitor_core::command::Command;
use monitor_core::profile::Profile;

fn drive() -> Drive {
    Drive::new(&profile())
}

/// A healthy engine that has idled long enough for its idle stream to be known as readable.
fn warm() -> Drive {
    let mut drive = drive();
    drive.seconds(30, |_| Row::healthy(750));
    drive
}

#[test]
fn a_healthy_engine_says_nothing() {
    let mut drive = warm();
    drive.seconds(600, |t| Row::healthy(750 + (t as i32 % 60) * 80)).seconds(60, |_| Row {
        rpm: Some(0),
        flow_lpm: Some(0.0),
        head_c: Some(75.0),
        supply_v: Some(12.7),
        speed_kn: Some(0.0),
        oil_kpa: Some(0.0),
    });
    assert_eq!(drive.finish(), [""; 0]);
}

#[test]
fn stream_lost_at_speed_is_an_alarm_after_three_seconds() {
    let mut drive = warm();
    drive
        .seconds(60, |_| Row::healthy(3_000))
        .seconds(20, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(3_000) })
        .seconds(20, |_| Row::healthy(3_000));
    assert_eq!(
        drive.finish(),
        ["93 stream-lost raised alarm unacknowledged", "120 stream-lost cleared alarm returned-unacknowledged",]
    );
}

#[test]
fn stream_lost_at_idle_takes_fifteen_seconds_and_grows_with_the_head() {
    let mut drive = warm();
    drive.seconds(40, |t| Row {
        flow_lpm: Some(0.0),
        head_c: Some(65.0 + if t >= 20.0 { 5.0 } else { 0.0 }),
        ..Row::healthy(750)
    });
    let log = drive.finish();
    assert_eq!(
        log.iter().filter(|line| line.contains("stream-lost")).collect::<Vec<_>>(),
        ["45 stream-lost raised warning unacknowledged", "50 stream-lost level-changed alarm unacknowledged",]
    );
}

#[test]
fn a_pulse_one_sample_shorter_than_the_delay_raises_nothing() {
    let mut drive = warm();
    drive.seconds(60, |_| Row::healthy(3_000)).seconds(3, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(3_000) });
    drive.seconds(60, |_| Row::healthy(3_000));
    assert_eq!(drive.finish(), [""; 0]);
}

#[test]
fn an_idle_stream_that_was_never_readable_proves_nothing() {
    let mut drive = drive();
    drive
        .seconds(60, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(750) })
        .seconds(60, |_| Row::healthy(3_000))
        .seconds(60, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(750) });
    assert_eq!(drive.finish(), [""; 0]);
}

#[test]
fn dry_start_warns_at_five_and_alarms_at_fifteen_seconds_and_leaves_when_water_comes() {
    let mut drive = warm();
    drive
        .seconds(10, |_| Row { rpm: Some(0), flow_lpm: Some(0.0), ..Row::healthy(0) })
        .seconds(20, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(1_000) })
        .seconds(15, |_| Row::healthy(1_000));
    assert_eq!(
        drive.finish(),
        [
            "45 dry-start raised warning unacknowledged",
            "55 dry-start level-changed alarm unacknowledged",
            "70 dry-start cleared alarm returned-unacknowledged",
        ]
    );
}

#[test]
fn a_dry_start_at_idle_is_not_judged_before_a_readable_idle_flow_was_seen() {
    let mut drive = drive();
    drive.seconds(60, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(800) });
    drive.seconds(16, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(2_500) });
    assert_eq!(
        drive.finish(),
        ["65 dry-start raised warning unacknowledged", "75 dry-start level-changed alarm unacknowledged"]
    );
}

#[test]
fn a_climb_is_forecast_and_the_limit_latches() {
    let mut drive = warm();
    drive
        .seconds(60, |_| Row::healthy(3_000))
        .seconds(80, |t| Row { head_c: Some(65.0 + 0.5 * t), ..Row::healthy(3_000) })
        .seconds(60, |_| Row { head_c: Some(70.0), ..Row::healthy(1_000) });
    let log = drive.finish();
    let find =
        |what: &str| log.iter().position(|line| line.contains(what)).unwrap_or_else(|| panic!("{what}: {log:?}"));
    let climbing = find("head-climbing raised");
    let over = find("head-over-limit raised alarm unacknowledged");
    assert!(climbing < over, "{log:?}");
    // The limit is passed after 60.5 s of climbing, at second 151; three seconds later it stands.
    assert!(log[over].starts_with("154 "), "{log:?}");
    assert!(log.iter().any(|line| line.contains("head-over-limit cleared alarm latched")), "{log:?}");
    let second: f64 = log[climbing].split(' ').next().unwrap().parse().unwrap();
    assert!(second <= 115.0, "at least half a minute ahead: {log:?}");
}

#[test]
fn latched_needs_acknowledge_and_reset_in_either_order() {
    use monitor_core::finding::Finding::HeadOverLimit;
    let acknowledge = Command::Acknowledge(Some(HeadOverLimit));
    let reset = Command::Reset(Some(HeadOverLimit));
    for (name, first, second, expected) in [
        ("acknowledge first", acknowledge, reset, ["acknowledged alarm latched", "reset alarm normal"]),
        ("reset first", reset, acknowledge, ["reset alarm latched", "acknowledged alarm normal"]),
    ] {
        let mut drive = warm();
        drive.seconds(10, |_| Row { head_c: Some(97.0), ..Row::healthy(3_000) });
        drive.command(reset);
        drive.seconds(20, |_| Row { head_c: Some(80.0), ..Row::healthy(3_000) }).command(first).command(second);
        let log = drive.finish();
        let log: Vec<_> = log.iter().filter(|line| !line.contains("head-climbing")).collect();
        assert!(log[0].ends_with("head-over-limit raised alarm unacknowledged"), "{name}: {log:?}");
        assert_eq!(log[1], "refused: nothing open that it could apply to", "{name}: reset while it stands");
        assert!(log[2].ends_with("head-over-limit cleared alarm latched"), "{name}: {log:?}");
        assert!(log[3].ends_with(expected[0]), "{name}: {log:?}");
        assert!(log[4].ends_with(expected[1]), "{name}: {log:?}");
    }
}

#[test]
fn hot_restart_is_quiet_while_the_head_falls_and_alarms_at_once_when_it_rises() {
    let soaked = |drive: &mut Drive| {
        drive.seconds(60, |_| Row::healthy(3_000)).seconds(120, |_| Row {
            rpm: Some(0),
            flow_lpm: Some(0.0),
            head_c: Some(97.0),
            ..Row::healthy(0)
        });
    };
    let mut falling = warm();
    soaked(&mut falling);
    falling.seconds(90, |t| Row { head_c: Some(97.0 - 0.3 * t), ..Row::healthy(1_500) });
    assert_eq!(falling.finish(), [""; 0], "falling");

    let mut rising = warm();
    soaked(&mut rising);
    rising.seconds(20, |t| Row { head_c: Some(97.0 + 0.2 * t), ..Row::healthy(1_500) });
    let log = rising.finish();
    assert!(log.contains(&"213 head-over-limit raised alarm unacknowledged".to_owned()), "rising: {log:?}");

    let mut level = warm();
    soaked(&mut level);
    level.seconds(90, |_| Row { head_c: Some(97.0), ..Row::healthy(1_500) });
    let log = level.finish();
    assert!(log.iter().any(|line| line.contains("head-over-limit raised")), "staying hot is not falling: {log:?}");
}

#[test]
fn a_stopped_engine_has_no_heat_finding() {
    let mut drive = warm();
    drive.seconds(60, |_| Row::healthy(3_000)).seconds(300, |t| Row {
        rpm: Some(0),
        flow_lpm: Some(0.0),
        head_c: Some(85.0 + 0.1 * t),
        ..Row::healthy(0)
    });
    assert_eq!(drive.finish(), [""; 0]);
}

#[test]
fn a_warm_up_is_no_climb() {
    for (name, kelvin_per_s) in [("quick two-stroke", 0.26), ("slow", 0.1)] {
        let mut drive = drive();
        drive.seconds(600, |t| Row { head_c: Some((15.0 + kelvin_per_s * t).min(66.0)), ..Row::healthy(1_400) });
        assert_eq!(drive.finish(), [""; 0], "{name}");
    }
}

#[test]
fn over_speed_has_a_delay_and_a_deadband() {
    let mut drive = warm();
    drive
        .seconds(60, |_| Row::healthy(5_000))
        .seconds(5, |_| Row::healthy(6_001))
        .seconds(30, |_| Row::healthy(5_950))
        .seconds(30, |_| Row::healthy(5_900));
    assert_eq!(
        drive.finish(),
        ["93 over-speed raised warning unacknowledged", "135 over-speed cleared warning returned-unacknowledged"]
    );
}

#[test]
fn charge_lost_counts_only_time_above_two_thousand() {
    let flat = |rpm| Row { supply_v: Some(12.4), ..Row::healthy(rpm) };
    let mut short_pause = warm();
    short_pause.seconds(41, |_| flat(3_000)).seconds(5, |_| flat(1_500)).seconds(30, |_| flat(3_000));
    assert_eq!(short_pause.finish(), ["96 charge-lost raised warning unacknowledged"], "short pause stops the clock");

    let mut long_pause = warm();
    long_pause.seconds(41, |_| flat(3_000)).seconds(15, |_| flat(1_500)).seconds(40, |_| flat(3_000));
    assert_eq!(long_pause.finish(), [""; 0], "long pause sets it back");

    let mut recovers = warm();
    recovers.seconds(61, |_| flat(3_000)).seconds(20, |_| Row::healthy(3_000));
    assert_eq!(
        recovers.finish(),
        ["90 charge-lost raised warning unacknowledged", "101 charge-lost cleared warning returned-unacknowledged"]
    );
}

#[test]
fn no_electrical_system_no_electric_finding() {
    let mut drive = Drive::new(&Profile { electric: None, ..profile() });
    drive.seconds(200, |_| Row { supply_v: Some(11.0), ..Row::healthy(3_000) });
    assert_eq!(drive.finish(), [""; 0]);
}

#[test]
fn oil_pressure_low_is_an_alarm_of_a_running_engine() {
    let mut drive = warm();
    drive.seconds(5, |_| Row { oil_kpa: Some(99.0), ..Row::healthy(2_000) }).seconds(20, |_| Row {
        oil_kpa: Some(0.0),
        rpm: Some(0),
        ..Row::healthy(0)
    });
    assert_eq!(
        drive.finish(),
        [
            "33 oil-pressure-low raised alarm unacknowledged",
            "47 oil-pressure-low cleared alarm returned-unacknowledged",
        ]
    );
}

#[test]
fn open_and_short_leads() {
    let mut drive = warm();
    drive
        .seconds(10, |_| Row { head_c: Some(-41.0), ..Row::healthy(2_000) })
        .seconds(15, |_| Row::healthy(2_000))
        .seconds(10, |_| Row { head_c: Some(201.0), ..Row::healthy(2_000) })
        .seconds(15, |_| Row::healthy(2_000))
        .seconds(10, |_| Row { supply_v: Some(4.9), ..Row::healthy(2_000) });
    assert_eq!(
        drive.finish(),
        [
            "35 sensor-open(head) raised warning unacknowledged",
            "50 sensor-open(head) cleared warning returned-unacknowledged",
            "60 sensor-short(head) raised warning unacknowledged",
            "75 sensor-short(head) cleared warning returned-unacknowledged",
            "85 sensor-open(supply) raised caution acknowledged",
        ]
    );
}

#[test]
fn a_silent_channel_is_open_after_thirty_seconds_unless_it_has_no_column() {
    let silent = |_| Row { flow_lpm: None, ..Row::healthy(2_000) };
    let mut drive = warm();
    drive.seconds(40, silent);
    assert_eq!(drive.finish(), ["60 sensor-open(flow) raised warning unacknowledged"]);

    let mut not_recorded = self::drive();
    not_recorded.monitor.expect_channels(ChannelSet::ALL.without(Channel::Flow));
    not_recorded.seconds(60, silent);
    assert_eq!(not_recorded.finish(), [""; 0]);
}

#[test]
fn a_head_sensor_that_froze_is_found_and_a_thermostat_plateau_is_not() {
    // A noisy sensor of 0.1 K steps that lives, then freezes while the engine goes through idle and load.
    let rpm = |t: f64| if (t as i64 / 120) % 2 == 0 { 750 } else { 4_000 };
    let alive = |t: f64| Row { head_c: Some(65.0 + ((t as i64 * 7) % 11) as f64 / 10.0), ..Row::healthy(rpm(t)) };
    let mut froze = drive();
    froze.seconds(600, alive).seconds(700, |t| Row { head_c: Some(65.4), ..Row::healthy(rpm(t)) });
    let log = froze.finish();
    assert_eq!(log.len(), 1, "{log:?}");
    assert!(log[0].ends_with("sensor-stuck(head) raised warning unacknowledged"), "{log:?}");

    // Whole degrees, held by a thermostat for six minutes.
    let mut plateau = drive();
    plateau
        .seconds(500, |t| Row { head_c: Some((15.0 + 0.1 * t).floor()), ..Row::healthy(rpm(t)) })
        .seconds(360, |t| Row { head_c: Some(65.0), ..Row::healthy(rpm(t)) });
    assert_eq!(plateau.finish(), [""; 0]);
}

#[test]
fn raised_again_within_a_minute_is_the_same_episode() {
    let lost = |_| Row { flow_lpm: Some(0.0), ..Row::healthy(3_000) };
    let fine = |_| Row::healthy(3_000);
    let mut drive = warm();
    drive.seconds(30, fine).seconds(10, lost).command(Command::Acknowledge(None));
    drive.seconds(20, fine).seconds(10, lost).seconds(90, fine).seconds(10, lost);
    assert_eq!(
        drive.finish(),
        [
            "63 stream-lost raised alarm unacknowledged",
            "69 stream-lost acknowledged alarm acknowledged",
            "80 stream-lost cleared alarm normal",
            "93 stream-lost raised alarm acknowledged",
            "110 stream-lost cleared alarm normal",
            "193 stream-lost raised alarm unacknowledged",
        ]
    );
}

#[test]
fn open_findings_go_on_in_the_next_trip_without_an_event() {
    let lost = |_| Row { flow_lpm: Some(0.0), supply_v: Some(12.0), ..Row::healthy(3_000) };
    let mut drive = warm();
    drive.seconds(70, |_| Row { supply_v: Some(12.0), ..Row::healthy(3_000) }).seconds(10, lost);
    drive.next_trip(1).seconds(15, |_| Row::healthy(3_000));
    assert_eq!(
        drive.finish(),
        [
            "90 charge-lost raised warning unacknowledged",
            "103 stream-lost raised alarm unacknowledged",
            "10 stream-lost cleared alarm returned-unacknowledged",
            "10 charge-lost cleared warning returned-unacknowledged",
        ]
    );
}

#[test]
fn several_samples_a_second_make_one_tick_stamped_with_its_last_sample() {
    let mut drive = drive();
    drive.rows(40, 250, |_| Row::healthy(6_100));
    assert_eq!(drive.finish(), ["3.75 over-speed raised warning unacknowledged"]);
}

#[test]
fn a_hole_ends_the_run_and_no_delay_counts_across_it() {
    let mut drive = warm();
    drive.seconds(2, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(3_000) }).jump(60_000);
    drive.seconds(2, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(3_000) });
    drive.seconds(30, |_| Row::healthy(3_000));
    assert_eq!(drive.finish(), [""; 0]);
    assert_eq!((drive.monitor.hours().starts(), drive.monitor.hours().holes()), (2, 1));
}

#[test]
fn abuse_is_counted_back_to_its_beginning() {
    use monitor_core::ledger::Abuse;
    let mut drive = warm();
    drive
        .seconds(10, |_| Row::healthy(6_100))
        .seconds(10, |_| Row::healthy(3_000))
        .seconds(2, |_| Row::healthy(6_100))
        .seconds(20, |_| Row::healthy(3_000))
        .seconds(10, |_| Row { flow_lpm: Some(0.0), ..Row::healthy(3_000) })
        .seconds(5, |_| Row::healthy(3_000));
    drive.finish();
    let hours = drive.monitor.hours();
    assert_eq!((hours.abuse_s(Abuse::OverSpeed), hours.abuse_s(Abuse::DryRun)), (9, 9));
    assert_eq!(hours.abuse_s(Abuse::OverLimit), 0);
}

#[test]
fn after_a_hole_nobody_says_since_the_start() {
    let dry = |_| Row { flow_lpm: Some(0.0), ..Row::healthy(3_000) };
    let mut drive = warm();
    drive.seconds(60, |_| Row::healthy(3_000)).jump(20_000).seconds(20, dry);
    assert_eq!(drive.finish(), ["116 stream-lost raised alarm unacknowledged"]);

    let mut standing = warm();
    standing.seconds(60, |_| Row::healthy(3_000)).seconds(10, dry).jump(20_000).seconds(20, dry);
    assert_eq!(standing.finish(), ["93 stream-lost raised alarm unacknowledged"], "it goes on standing");

    let mut stopped = warm();
    stopped.seconds(60, |_| Row::healthy(3_000)).jump(20_000);
    stopped.seconds(5, |_| Row { rpm: Some(0), flow_lpm: Some(0.0), ..Row::healthy(0) }).seconds(20, dry);
    let log = stopped.finish();
    assert!(log[0].ends_with("dry-start raised warning unacknowledged"), "seen to stand still: {log:?}");
}

#[test]
fn a_climb_without_water_does_not_end_because_it_slows_down() {
    let mut drive = warm();
    drive.seconds(60, |_| Row::healthy(3_000));
    drive.seconds(20, |t| Row { flow_lpm: Some(0.0), head_c: Some(65.0 + 0.6 * t), ..Row::healthy(3_000) });
    drive.seconds(60, |t| Row { flow_lpm: Some(0.0), head_c: Some(77.0 + 0.05 * t), ..Row::healthy(900) });
    let log = drive.finish();
    assert!(log.iter().any(|line| line.contains("head-climbing raised")), "{log:?}");
    assert!(!log.iter().any(|line| line.contains("head-climbing cleared")), "{log:?}");
}

#[test]
fn over_the_limit_no_time_to_the_limit_is_forecast() {
    let mut drive = warm();
    drive.seconds(60, |_| Row::healthy(3_000)).seconds(60, |_| Row { head_c: Some(97.0), ..Row::healthy(3_000) });
    assert_eq!(drive.finish(), ["93 head-over-limit raised alarm unacknowledged"]);
}

#[test]
fn the_limit_is_guarded_when_the_speed_sensor_fails_under_way() {
    let mut lost = warm();
    lost.seconds(60, |_| Row::healthy(3_000));
    lost.seconds(60, |t| Row { rpm: None, head_c: Some(70.0 + t), ..Row::healthy(3_000) });
    let log = lost.finish();
    // Over 95 degrees from second 116 on.
    assert!(log.contains(&"119 head-over-limit raised alarm unacknowledged".to_owned()), "{log:?}");
    assert!(log.contains(&"120 sensor-open(rpm) raised warning unacknowledged".to_owned()), "{log:?}");

    let mut never_ran = drive();
    never_ran.seconds(60, |t| Row { rpm: None, head_c: Some(70.0 + t), ..Row::healthy(3_000) });
    let log = never_ran.finish();
    assert!(!log.iter().any(|line| line.contains("head-over-limit")), "{log:?}");
}
