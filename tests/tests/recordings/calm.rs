//! Alarms that people can live with: no recording and no identity trace chatters or floods.
//!
//! Bounds of ISA-18.2 / IEC 62682: raised three times or more within a minute is chattering, more than ten findings in
//! ten minutes are a flood.

use std::path::Path;
use std::process::Command;

use lookastern_tests::{lookastern, package_file, recordings, say};
use serde_json::Value;

use crate::catalogue::{CAR, LOOP, MARINE, PUMP, Recording};
use crate::clean::replay;

const MOST_IN_10_MIN: u64 = 10;

#[test]
fn no_recording_chatters_or_floods() {
    let Some(directory) = recordings("calm alarms") else { return };
    let mut wrong = Vec::new();
    let all = [CAR, MARINE, LOOP, PUMP].concat();
    let mut most = 0;
    for recording in &all {
        match quality_of(&directory, recording) {
            Ok(in_10_min) => most = most.max(in_10_min),
            Err(cause) => wrong.push(format!("{} with {}: {cause}", recording.file, recording.layout.map)),
        }
    }
    assert!(wrong.is_empty(), "{} of {} are not calm:\n  {}", wrong.len(), all.len(), wrong.join("\n  "));
    say(&format!("{} recordings: nothing chatters, {most} findings in 10 min at most", all.len()));
}

fn quality_of(directory: &Path, recording: &Recording) -> Result<u64, String> {
    let outcome = replay(directory, recording, &recording.load(directory)?)?;
    calm(&outcome.summary)
}

#[test]
fn no_identity_trace_chatters_or_floods() -> Result<(), String> {
    let folder = package_file("identity");
    let entries = std::fs::read_dir(&folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    let mut traces: Vec<_> = entries.flatten().map(|entry| entry.path()).collect();
    traces.retain(|path| {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        name.ends_with(".csv") && !name.ends_with(".actions.csv")
    });
    traces.sort_unstable();
    assert!(!traces.is_empty(), "no traces in {}", folder.display());
    let mut wrong = Vec::new();
    for trace in &traces {
        match identity_summary(trace).and_then(|summary| calm(&summary)) {
            Ok(in_10_min) => say(&format!("{}: {in_10_min} findings in 10 min at most", trace.display())),
            Err(cause) => wrong.push(format!("{}: {cause}", trace.display())),
        }
    }
    assert!(wrong.is_empty(), "{} of {} are not calm:\n  {}", wrong.len(), traces.len(), wrong.join("\n  "));
    Ok(())
}

/// Replays an identity trace with its own profile and actions where it has them, as the boards do.
fn identity_summary(trace: &Path) -> Result<Value, String> {
    let place = tempfile::tempdir().map_err(|error| format!("no temporary directory: {error}"))?;
    let summary = place.path().join("summary.json");
    let own_profile = trace.with_extension("toml");
    let profile = if own_profile.is_file() { own_profile } else { trace.with_file_name("profile.toml") };
    let actions = trace.with_extension("actions.csv");
    let mut command = Command::new(lookastern()?);
    command.arg("replay").arg(trace).arg("--profile").arg(profile).args(["--format", "jsonl", "--summary"]);
    command.arg(&summary);
    if actions.is_file() {
        command.arg("--actions").arg(actions);
    }
    let output = command.output().map_err(|error| format!("the command does not start: {error}"))?;
    if !output.status.success() {
        return Err(format!("{}: {}", output.status, String::from_utf8_lossy(&output.stderr).trim()));
    }
    let text = std::fs::read_to_string(&summary).map_err(|error| format!("no summary: {error}"))?;
    serde_json::from_str(&text).map_err(|error| format!("the summary is no JSON: {error}"))
}

/// Most findings in ten minutes, where that is no flood and nothing chatters.
fn calm(summary: &Value) -> Result<u64, String> {
    let quality = &summary["alarm_quality"];
    let chattering = quality["chattering"].as_array().ok_or_else(|| format!("chattering is missing: {quality}"))?;
    let most = quality["most_in_10_min"].as_u64().ok_or_else(|| format!("most_in_10_min is missing: {quality}"))?;
    if !chattering.is_empty() {
        return Err(format!("chatters: {quality}"));
    }
    if most > MOST_IN_10_MIN {
        return Err(format!("{most} findings in ten minutes are a flood: {quality}"));
    }
    Ok(most)
}

#[test]
fn chatter_floods_and_missing_figures_are_seen() {
    let summary = |text: &str| serde_json::from_str::<Value>(text).unwrap_or_default();
    let cases = [
        ("calm", r#"{"alarm_quality":{"most_in_10_min":10,"chattering":[]}}"#, Ok(10)),
        ("flood", r#"{"alarm_quality":{"most_in_10_min":11,"chattering":[]}}"#, Err("flood")),
        ("chatter", r#"{"alarm_quality":{"most_in_10_min":3,"chattering":["over-speed"]}}"#, Err("over-speed")),
        ("nothing said", "{}", Err("missing")),
    ];
    for (name, text, expected) in cases {
        match (calm(&summary(text)), expected) {
            (Ok(most), Ok(expected)) => assert_eq!(most, expected, "{name}"),
            (Err(cause), Err(word)) => assert!(cause.contains(word), "{name}: {cause}"),
            (got, expected) => panic!("{name}: {got:?} instead of {expected:?}"),
        }
    }
}
