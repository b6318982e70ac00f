//! What the command does when all is well: events, formats, trips, actions, summary, exit codes 0 and 1.

use std::process::Stdio;

use crate::common::{Folder, Trace, flowing, healthy, over_speed};

#[test]
fn a_healthy_trip_is_silent_on_standard_output() {
    let folder = Folder::new();
    folder.write("t.csv", healthy());
    for format in ["text", "jsonl"] {
        let done = folder.replay(&format!("t.csv --format {format}"));
        assert_eq!((done.code, done.out.as_str()), (Some(0), ""), "{format}: {}", done.err);
        assert!(done.err.contains("Trip 0, t.csv: ran 0:00:59, 1 start, no findings, 70 rows read"), "{}", done.err);
    }
}

#[test]
fn over_speed_is_raised_after_3_s_and_cleared_after_10_good_ones() {
    let folder = Folder::new();
    folder.write("t.csv", over_speed());
    let done = folder.replay("t.csv --format jsonl");
    assert_eq!(done.code, Some(0), "{}", done.err);
    let events = done.events();
    let seen: Vec<_> = events.iter().map(|event| (event["finding"].as_str(), event["state"].as_str())).collect();
    assert_eq!(seen, [(Some("over-speed"), Some("raised")), (Some("over-speed"), Some("cleared"))]);
    assert_eq!(events[0]["level"], "warning");
    let raised = events[0]["t_s"].as_f64().unwrap();
    let cleared = events[1]["t_s"].as_f64().unwrap();
    assert!((67.0..=69.0).contains(&raised), "{raised}");
    assert!((84.0..=86.0).contains(&cleared), "{cleared}");
    assert_eq!(events[0]["id"], events[1]["id"]);
    assert_eq!(events[0]["check"][0], "ease-off-revs");
    assert!(done.out.ends_with("}\n") && !done.out.contains("\n\n") && !done.out.contains(": "), "{}", done.out);
}

#[test]
fn the_timeline_says_when_what_how_bad_and_what_first_in_80_columns() {
    let folder = Folder::new();
    folder.write("t.csv", over_speed());
    let done = folder.replay("t.csv");
    let lines: Vec<_> = done.out.lines().collect();
    assert_eq!(done.code, Some(0), "{}", done.err);
    assert!(lines[0].starts_with("Skiff 3, trip 0, t.csv"), "{}", done.out);
    let headline = "Engine speed is over the handbook's maximum: WARNING [over-speed]";
    assert!(lines[1].starts_with("  0:01:0") && lines[1].ends_with(headline), "{}", done.out);
    assert!(lines[2].starts_with("           engine 6") && lines[2].ends_with("rpm, limit 6000 rpm"), "{}", done.out);
    assert!(done.out.contains("1. Ease off until the revs are back under the maximum."), "{}", done.out);
    assert!(flowing(&done.out).contains("maximum: ended; nobody took note"), "{}", done.out);
    assert!(lines.iter().all(|line| line.chars().count() <= 80), "{}", done.out);
}

#[test]
fn the_cautions_stand_once_on_standard_error_with_text_and_never_with_jsonl() {
    let folder = Folder::new();
    folder.write("t.csv", over_speed());
    for (format, times) in [("text", 1), ("jsonl", 0)] {
        let done = folder.replay(&format!("t.csv t.csv --format {format}"));
        for words in ["a silent monitor proves", "fuel vapour", "never stops or slows", "exhaust gas"] {
            let said = flowing(&done.err);
            assert_eq!(said.matches(words).count(), times, "{format} {words}: {}", done.err);
            assert!(!done.out.contains(words), "{format}");
        }
    }
}

#[test]
fn fail_on_counts_raised_findings_of_that_level_or_higher() {
    let folder = Folder::new();
    folder.write("well.csv", healthy());
    folder.write("fast.csv", over_speed());
    folder.write("hot.csv", Trace::started().at(15, 3_000, 97.0).csv());
    let cases = [
        ("healthy", "well.csv", "caution", 0),
        ("warning under an alarm limit", "fast.csv", "alarm", 0),
        ("warning", "fast.csv", "warning", 1),
        ("warning over a caution limit", "fast.csv", "caution", 1),
        ("alarm", "hot.csv", "alarm", 1),
        ("second trip", "well.csv hot.csv", "alarm", 1),
        ("an unreadable trace beats it", "hot.csv none.csv", "alarm", 3),
    ];
    for (name, traces, level, code) in cases {
        let done = folder.replay(&format!("{traces} --fail-on {level} --format jsonl"));
        assert_eq!(done.code, Some(code), "{name}: {}{}", done.out, done.err);
    }
    assert_eq!(folder.replay("hot.csv").code, Some(0), "without --fail-on findings are no failure");
}

#[test]
fn traces_are_consecutive_trips_and_an_unreadable_one_keeps_its_number() {
    let folder = Folder::new();
    folder.write("a.csv", over_speed());
    folder.write("c.csv", over_speed());
    let done = folder.replay("a.csv missing.csv c.csv --format jsonl --summary s.json");
    assert_eq!(done.code, Some(3), "{}", done.err);
    assert!(done.err.contains("error: missing.csv: "), "{}", done.err);
    let raised: Vec<_> =
        done.states().into_iter().filter(|(_, _, state)| state == "raised").map(|(trip, ..)| trip).collect();
    assert_eq!(raised, [0, 2]);
    let ids: Vec<_> = done.events().iter().map(|event| event["id"].as_u64()).collect();
    assert_ne!(ids.first(), ids.last(), "the second trip is a new episode");
    let summary: serde_json::Value = serde_json::from_str(&folder.read("s.json")).unwrap();
    let trips: Vec<_> = summary["trips"].as_array().unwrap().iter().map(|trip| trip["trip"].as_i64()).collect();
    assert_eq!(trips, [Some(0), Some(2)]);
}

#[test]
fn the_summary_holds_rows_reasons_trips_and_actions() {
    let folder = Folder::new();
    folder.write("a.csv", Trace::started().raw("x,1,2,3,4").at(10, 0, 62.0).csv());
    folder.write("b.csv", "t_s,rpm,head_c\n0,3000,60\n1,3010,60.1\n2,3000,60.2\n3,3005,60.1\n4,3000,60\n");
    folder.write("do.csv", "trip,t_s,action,finding\n0,10,acknowledge,\n1,99,reset,\n7,0,silence,\n");
    let done = folder.replay("a.csv b.csv --actions do.csv --summary s.json --format jsonl");
    assert_eq!(done.code, Some(0), "{}", done.err);
    let text = folder.read("s.json");
    let summary: serde_json::Value = serde_json::from_str(&text).unwrap();
    let keys = [
        "rows_read",
        "rows_skipped",
        "not_possible",
        "trips",
        "learned",
        "actions_without_effect",
        "alarm_quality",
        "calibration",
    ];
    let places: Vec<_> = keys.iter().map(|key| text.find(&format!("\"{key}\":"))).collect();
    assert!(places.iter().all(Option::is_some) && places.is_sorted(), "{text}");
    assert_eq!(summary.as_object().unwrap().len(), keys.len(), "{text}");
    assert_eq!(summary["rows_read"], 80);
    let skipped: u64 =
        summary["rows_skipped"].as_object().unwrap().values().filter_map(serde_json::Value::as_u64).sum();
    assert_eq!(skipped, 1);
    assert_eq!(summary["trips"][0], serde_json::json!({"trip":0,"file":"a.csv","running_s":59,"starts":1}));
    assert_eq!(summary["trips"][1], serde_json::json!({"trip":1,"file":"b.csv","running_s":4,"starts":1}));
    let learned = summary["learned"].as_array().unwrap();
    assert_eq!(learned.len(), 1, "{text}");
    assert_eq!(learned[0]["rpm_band"], "2624-3187", "{text}");
    assert_eq!(summary["actions_without_effect"], 3);
    let why = |finding: &str| {
        let reasons =
            summary["not_possible"].as_array().unwrap().iter().filter(move |entry| entry["finding"] == finding);
        reasons.map(|entry| entry["why"].as_str().unwrap().to_owned()).collect::<Vec<_>>().join("; ")
    };
    assert!(why("stream-lost").contains("in trip 1") && why("stream-lost").contains("flow"), "{text}");
    assert!(why("oil-pressure-low").contains("oil has no sensor"), "{text}");
    assert_eq!(why("over-speed"), "", "{text}");
    assert!(why("sensor-open").contains("in trip 1: the trace has no column for supply (supply_v)"), "{text}");
    assert!(done.err.contains("3 actions without effect"), "{}", done.err);
    assert_eq!(done.err.matches("stream-lost").count(), 1, "{}", done.err);
}

#[test]
fn actions_take_effect_at_the_first_tick_at_or_after_their_time() {
    let folder = Folder::new();
    folder.write("t.csv", Trace::started().at(40, 6_400, 62.0).csv());
    folder.write(
        "do.csv",
        "trip,t_s,action,finding\n0,75.2,acknowledge,over-speed\n0,80,shelve:5,over-speed\n1,70,reset,\n",
    );
    let done = folder.replay("t.csv t.csv --actions do.csv --format jsonl --summary s.json");
    assert_eq!(done.code, Some(0), "{}", done.err);
    let events = done.events();
    let of =
        |state: &str| events.iter().find(|event| event["state"] == state).unwrap_or_else(|| panic!("{}", done.out));
    assert_eq!((&of("acknowledged")["t_s"], &of("acknowledged")["trip"]), (&76.0.into(), &0.into()));
    assert_eq!(of("acknowledged")["alarm_state"], "acknowledged");
    assert_eq!(of("shelved")["t_s"], 80.0);
    assert_eq!(of("shelved")["id"], of("raised")["id"]);
    assert!(folder.read("s.json").contains("\"actions_without_effect\":1,"), "{}", folder.read("s.json"));
}

#[test]
fn unknown_columns_are_named_once_and_bad_rows_ten_times_at_most() {
    let folder = Folder::new();
    let mut trace = Trace::started();
    for _ in 0..12 {
        trace = trace.raw("7,fast,1,1,1");
    }
    folder.write("t.csv", trace.at(5, 3_000, 62.0).csv().replace("supply_v", "mood"));
    let done = folder.replay("t.csv --format jsonl");
    assert_eq!(done.code, Some(0), "{}", done.err);
    assert_eq!(done.err.matches("mood").count(), 1, "{}", done.err);
    let named =
        done.err.lines().filter(|line| line.starts_with("note: t.csv:")).filter(|line| line.contains("fast")).count();
    assert_eq!(named, 10, "{}", done.err);
    assert!(done.err.contains("note: t.csv:67: "), "{}", done.err);
    let said = flowing(&done.err);
    assert!(said.contains("12 rows skipped"), "{}", done.err);
}

#[test]
fn unknown_columns_near_a_channel_that_is_absent_are_asked_about() {
    let folder = Folder::new();
    folder.write("t.csv", Trace::started().csv().replace("head_c", "head").replace("supply_v", "RPM"));
    let done = folder.replay("t.csv --format jsonl");
    assert_eq!(done.code, Some(0), "{}", done.err);
    let note = done.err.lines().find(|line| line.contains("passed over")).unwrap_or_else(|| panic!("{}", done.err));
    assert!(note.starts_with("note: t.csv: "), "{note}");
    assert!(note.contains("head (did you mean head_c?), RPM. Rename a column"), "rpm is there already: {note}");
    folder.write("t.csv", Trace::started().csv().replace("supply_v", "mood"));
    let done = folder.replay("t.csv --format jsonl");
    assert!(done.err.contains("mood\n") && !done.err.contains("did you mean"), "{}", done.err);
}

#[test]
fn a_calibration_is_shown_and_changes_nothing() {
    let folder = Folder::new();
    folder.write("t.csv", over_speed());
    let plain = folder.replay("t.csv --format jsonl --summary s.json");
    assert!(folder.read("s.json").ends_with(",\"calibration\":[]}\n"), "{}", folder.read("s.json"));
    assert!(!folder.replay("t.csv").err.contains("calibrat"), "nothing to say without one");
    let sections = "[calibration.rpm]\npulses_per_rev = 6\n[calibration.supply]\nratio = 5.7\n\
                    [calibration.flow]\npulses_per_litre = 450\noffset_hz = -0.5\n";
    folder.write("engine.toml", format!("{}{sections}", crate::common::PROFILE));
    let calibrated = folder.replay("t.csv --format jsonl --summary s.json");
    assert_eq!((calibrated.code, &calibrated.out), (Some(0), &plain.out), "{}", calibrated.err);
    assert_eq!(calibrated.err, plain.err, "jsonl says no more than before");
    let summary: serde_json::Value = serde_json::from_str(&folder.read("s.json")).unwrap();
    let expected = serde_json::json!([
        {"channel": "rpm", "calibration": "6 pulses per revolution"},
        {"channel": "flow", "calibration": "450 pulses per litre, offset -0.5 Hz"},
        {"channel": "supply", "calibration": "voltage divider, ratio 5.7"},
    ]);
    assert_eq!(summary["calibration"], expected);
    let said = flowing(&folder.replay("t.csv t.csv").err);
    let note = "note: engine.toml: calibration for a board: rpm: 6 pulses per revolution; flow: 450 pulses per litre, \
                offset -0.5 Hz; supply: voltage divider, ratio 5.7. The values of a trace are calibrated already";
    assert_eq!(said.matches(note).count(), 1, "{said}");
}

#[test]
fn values_that_the_profile_leaves_out_are_named_once() {
    let folder = Folder::new();
    folder
        .write("engine.toml", "[engine]\nstrokes = 2\nidle_rpm = 900.5\nmax_rpm = 5500\n[electric]\nnominal_v = 12\n");
    folder.write("t.csv", healthy());
    let done = folder.replay("t.csv t.csv");
    assert_eq!(done.code, Some(0), "{}", done.err);
    for key in ["rated_rpm", "head_limit_c", "charging_min_v", "[channels]", "oil_min_kpa"] {
        let said = flowing(&done.err);
        let lacking =
            said.matches(&format!("{key} is not given")).count() + said.matches(&format!("not give {key}")).count();
        assert_eq!(lacking, 1, "{key}: {}", done.err);
    }
}

#[test]
fn a_reader_who_has_seen_enough_is_no_failure() {
    let folder = Folder::new();
    folder.write("t.csv", over_speed());
    let mut command = folder.command("replay --profile engine.toml t.csv --format jsonl");
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert!(!String::from_utf8_lossy(&output.stderr).contains("error"), "{output:?}");
}

#[test]
fn help_version_and_completions_go_to_standard_output_and_promise_only_what_there_is() {
    let folder = Folder::new();
    let later = ["report", "fleet"];
    let shells = ["bash", "elvish", "fish", "powershell", "zsh"].map(|shell| format!("completions {shell}"));
    let mut answers = vec!["--help".to_owned(), "help replay".to_owned(), "replay --help".to_owned()];
    answers.extend(shells);
    for arguments in answers {
        let done = folder.run(&arguments);
        assert_eq!((done.code, done.err.as_str()), (Some(0), ""), "{arguments}");
        assert!(done.out.contains("replay"), "{arguments}: {}", done.out);
        for word in later {
            assert!(!done.out.contains(word), "{arguments} promises {word}");
        }
    }
    assert!(folder.run("--version").out.starts_with("lookastern "));
}
