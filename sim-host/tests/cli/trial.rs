//! `lookastern trial`: what it counts is what the files would show, and nothing depends on chance.

use std::path::{Path, PathBuf};

use monitor_core::Monitor;
use monitor_core::advise::write_event_json;
use sha2::{Digest, Sha256};
use sim_host::profile::HostProfile;
use sim_host::simulate::{Scenario, Variation};
use sim_host::trace::TraceReader;
use sim_host::trial::{self, Plan, events_of, json, run_seed};

use crate::common::Folder;

/// A blocked intake, then a dead rectifier.
const TROUBLE: &str = r#"
seed = 42
[plant]
kind = ["mid-four-stroke", "large-four-stroke"]
spread = 0.1
[[trip]]
water_c = [10, 20]
plan = [[120, 800], [600, 3500], [60, 800]]
[[trip]]
water_c = [10, 20]
plan = [[60, 800], [600, 4000]]
[[fault]]
finding = "intake-blocked"
trip = 0
onset_s = [300, 400]
end_s = 600
severity = 1.0
[[fault]]
finding = "charge-lost"
trip = 1
onset_s = [100, 200]
severity = 1.0
"#;

const HEALTHY: &str = r#"
seed = 7
commission = true
[plant]
kind = "mid-four-stroke"
[[trip]]
water_c = 15
plan = [[120, 800], [900, 3500], [60, 800]]
"#;

fn folder() -> Folder {
    let folder = Folder::new();
    folder.write("trouble.toml", TROUBLE);
    folder.write("healthy.toml", HEALTHY);
    folder
}

fn scenario(folder: &Folder, name: &str) -> Scenario {
    Scenario::read(&folder.path().join(name)).unwrap_or_else(|problem| panic!("{problem}"))
}

#[test]
fn what_is_judged_is_what_replaying_the_files_says() {
    let folder = folder();
    let trouble = scenario(&folder, "trouble.toml");
    let mut some = false;
    for run in 0..3 {
        let seed = run_seed(42, run);
        let done = folder.run(&format!("simulate trouble.toml --seed {seed} -o case"));
        assert_eq!(done.code, Some(0), "{}", done.err);
        let replayed =
            folder.run("replay case/trace-000.csv case/trace-001.csv --profile case/profile.toml --format jsonl");
        assert_eq!(replayed.code, Some(0), "{}", replayed.err);
        let judged = events_of(&trouble, seed);
        assert_eq!(judged, replayed.out, "seed {seed}");
        some |= !judged.is_empty();
    }
    assert!(some, "a trial in which nothing is ever said proves nothing");
}

/// The commissioning trace as trip −1 and the others after it, in one monitor, as a replay drives it.
fn events_of_the_files(folder: &Path) -> String {
    let profile = HostProfile::load(&folder.join("profile.toml")).unwrap_or_else(|problem| panic!("{problem}"));
    let mut monitor = Box::new(Monitor::new());
    monitor.begin(&profile.core).unwrap();
    let mut lines = String::new();
    for (trip, file) in [(-1, "commission.csv"), (0, "trace-000.csv"), (1, "trace-001.csv")] {
        let mut trace = TraceReader::open(&folder.join(file), None).unwrap_or_else(|problem| panic!("{problem}"));
        let mut begun = false;
        while let Some(row) = trace.next_row().unwrap_or_else(|problem| panic!("{problem}")) {
            if !std::mem::replace(&mut begun, true) {
                monitor.begin_trip(row.stamp, trip);
                monitor.expect_channels(trace.channels());
            }
            monitor.step(row.stamp, &row.readings);
            while let Some(event) = monitor.next_event() {
                write_event_json(&event, &mut lines).unwrap();
            }
        }
        monitor.end_trip();
        while let Some(event) = monitor.next_event() {
            write_event_json(&event, &mut lines).unwrap();
        }
    }
    lines
}

#[test]
fn what_is_judged_of_a_commissioned_engine_is_what_its_files_say() {
    let folder = folder();
    folder.write("taught.toml", TROUBLE.replacen("seed", "commission = true\nseed", 1));
    let taught = scenario(&folder, "taught.toml");
    for run in 0..3 {
        let seed = run_seed(42, run);
        let done = folder.run(&format!("simulate taught.toml --seed {seed} -o case"));
        assert_eq!(done.code, Some(0), "{}", done.err);
        let judged = events_of(&taught, seed);
        assert!(!judged.is_empty());
        assert_eq!(judged, events_of_the_files(&folder.path().join("case")), "seed {seed}");
    }
}

/// A cold engine on which the limit is set under what it reaches at work: the switch trips in every trip.
const HOT: &str = r#"
seed = 3
[engine]
strokes = 4
rated_kw = 44
idle_rpm = 750
rated_rpm = 5500
max_rpm = 6000
thermostat_opens_c = 62
head_limit_c = 64
[channels]
fitted = ["rpm", "head", "flow"]
[[trip]]
water_c = 15
plan = [[60, 750], [900, 2500], [60, 750]]
"#;

#[test]
fn the_commissioning_run_comes_before_trip_0_and_is_not_scored() {
    let folder = folder();
    folder.write("hot.toml", HOT);
    folder.write("taught.toml", HOT.replacen("seed", "commission = true\nseed", 1));
    let trips = |name: &str| -> Vec<i64> {
        let events = events_of(&scenario(&folder, name), 5);
        let trip = |line: &str| serde_json::from_str::<serde_json::Value>(line).unwrap()["trip"].as_i64().unwrap();
        let mut trips: Vec<i64> = events.lines().map(trip).collect();
        trips.dedup();
        trips
    };
    assert_eq!(trips("hot.toml"), [0]);
    assert_eq!(trips("taught.toml"), [-1, 0], "the monitor sees the commissioning run first");
    let counted = |name: &str| {
        let done = folder.run(&format!("trial {name} --runs 2 --format json"));
        let report: serde_json::Value = serde_json::from_str(&done.out).unwrap();
        let part = |part: &str| {
            let scenario = &report[part][0];
            (scenario["running_h"].as_f64().unwrap(), scenario["false_in_health"].as_u64().unwrap())
        };
        (part("scenarios"), part("baseline"))
    };
    let ((plain_h, plain_false), (_, plain_switch)) = counted("hot.toml");
    let ((taught_h, taught_false), (_, taught_switch)) = counted("taught.toml");
    assert!(plain_false >= 2 && plain_switch >= 2, "{plain_false} {plain_switch}");
    assert!((plain_h - taught_h).abs() < 0.01, "hours of commissioning are counted: {plain_h} and {taught_h}");
    assert_eq!((taught_false, taught_switch), (plain_false, plain_switch), "what is said in it is counted");
}

#[test]
fn the_same_whatever_the_threads_and_again() {
    let folder = folder();
    let report = |threads| {
        let scenarios = ["trouble.toml", "healthy.toml"].map(|name| folder.path().join(name)).to_vec();
        let plan = Plan::read(&scenarios, None, 5, threads).unwrap_or_else(|problem| panic!("{problem}"));
        json::to_json(&trial::run(&plan, &|_, _| {})).unwrap()
    };
    let one = report(1);
    assert_eq!(one, report(3));
    assert_eq!(one, report(1));
}

#[test]
fn the_keys_of_the_design_page_and_sums_that_agree() {
    let folder = folder();
    let done = folder.run("trial trouble.toml healthy.toml --runs 4 --format json -o page.html");
    assert_eq!((done.code, done.err.as_str()), (Some(0), ""));
    let report: serde_json::Value = serde_json::from_str(&done.out).unwrap();
    for part in ["scenarios", "baseline"] {
        for (index, file) in ["trouble.toml", "healthy.toml"].into_iter().enumerate() {
            let scenario = &report[part][index];
            assert_eq!((scenario["file"].as_str(), scenario["runs"].as_u64()), (Some(file), Some(4)), "{part}");
            for finding in scenario["findings"].as_array().unwrap() {
                let number = |key: &str| finding[key].as_u64().unwrap_or_else(|| panic!("{key}: {finding}"));
                assert!(finding["lead_s"].is_number() || finding["lead_s"].is_null(), "{finding}");
                assert!(number("first_cause_right") <= number("found"), "{finding}");
                assert!(number("found") <= number("detectable"), "{finding}");
                assert!(number("detectable") <= number("labels"), "{finding}");
                assert!(number("false_in_health") <= number("false"), "{finding}");
            }
        }
    }
    let charge = finding(&report["scenarios"][0], "charge-lost");
    assert_eq!((charge["labels"].as_u64(), charge["found"].as_u64()), (Some(4), Some(4)), "{charge}");
    let blocked = finding(&report["scenarios"][0], "intake-blocked");
    assert_eq!(blocked["labels"], 4, "{blocked}");
    let page = folder.read("page.html");
    for part in ["<svg", "charge-lost", "lookastern simulate trouble.toml --seed "] {
        assert!(page.contains(part), "{part}");
    }
    for outside in ["<script", "src=", "<link", "@import", "url("] {
        assert!(!page.contains(outside), "nothing from outside: {outside}");
    }
}

fn finding<'r>(scenario: &'r serde_json::Value, name: &str) -> &'r serde_json::Value {
    let mut findings = scenario["findings"].as_array().unwrap().iter();
    findings.find(|finding| finding["finding"] == name).unwrap_or_else(|| panic!("no {name}: {scenario}"))
}

#[test]
fn a_variation_is_laid_over_every_scenario() {
    let folder = folder();
    folder.write("cold.toml", "commission = false\n[sensors]\nhead = { step = 1.0 }\n[trip]\nwater_c = 4\n");
    for (options, raw_water) in [("", "14.9 15.1"), ("--vary cold.toml", "3.9 4.1")] {
        let done = folder.run(&format!("simulate healthy.toml {options} -o out"));
        assert_eq!(done.code, Some(0), "{}", done.err);
        let trace = folder.read("out/trace-000.csv");
        let column = |name: &str| trace.lines().next().unwrap().split(',').position(|column| column == name).unwrap();
        let (head, water) = (column("head_c"), column("water_c"));
        let mut waters: Vec<f64> = Vec::new();
        let mut is_whole = true;
        for row in trace.lines().skip(1) {
            let cells: Vec<&str> = row.split(',').collect();
            waters.push(cells[water].parse().unwrap());
            is_whole &= !cells[head].contains('.');
        }
        let mean = waters.iter().sum::<f64>() / waters.len() as f64;
        let bounds: Vec<f64> = raw_water.split(' ').map(|bound| bound.parse().unwrap()).collect();
        assert!((bounds[0]..bounds[1]).contains(&mean), "{options}: {mean} °C");
        assert_eq!(is_whole, !options.is_empty(), "{options}");
    }
    let done = folder.run("trial trouble.toml healthy.toml --runs 2 --vary cold.toml --format line -o page.html");
    assert_eq!((done.code, done.err.as_str()), (Some(0), ""));
    let lines: Vec<_> = done.out.lines().collect();
    assert!(lines.len() == 2 && lines[0].contains("water") && lines[0].ends_with("hours"), "{}", done.out);
    assert!(folder.read("page.html").contains(" --vary cold.toml -o case-"));
}

#[test]
fn the_variations_of_the_project_fit_every_scenario() {
    let scenarios = judge_set().join("..");
    for variation in std::fs::read_dir(scenarios.join("vary")).unwrap() {
        let variation = Variation::read(&variation.unwrap().path()).unwrap_or_else(|problem| panic!("{problem}"));
        for set in ["judge", "tune"] {
            for file in std::fs::read_dir(scenarios.join(set)).unwrap() {
                let file = file.unwrap().path();
                if file.extension().is_some_and(|extension| extension == "toml") {
                    let read = Scenario::read_varied(&file, Some(&variation));
                    assert!(read.is_ok(), "{}", read.unwrap_err());
                }
            }
        }
    }
}

#[test]
fn text_is_a_table_for_each_family() {
    let done = folder().run("trial trouble.toml --runs 2");
    assert_eq!((done.code, done.err.as_str()), (Some(0), ""));
    for part in ["water\n", "electric\n", "  intake-blocked ", "  all of the family ", "monitor: ", "baseline: "] {
        assert!(done.out.contains(part), "{part}\n{}", done.out);
    }
}

#[test]
fn refusals_name_the_remedy() {
    let folder = folder();
    folder.write("bad.toml", TROUBLE.replace("finding = \"charge-lost\"", "finding = \"charge-lots\""));
    folder.write("odd.toml", "[sensors]\nnoyse = 2\n");
    let cases = [
        ("no runs", "trial trouble.toml", 2, "--runs"),
        ("runs of nothing", "trial trouble.toml --runs 0", 2, "--runs"),
        ("a bad scenario", "trial trouble.toml bad.toml --runs 1", 2, "charge-lost"),
        ("no such scenario", "trial nowhere.toml --runs 1", 2, "nowhere.toml"),
        ("no such variation", "trial trouble.toml --runs 1 --vary nowhere.toml", 2, "nowhere.toml"),
        ("a variation that does not fit", "trial trouble.toml --runs 1 --vary odd.toml", 2, "odd.toml: The variation"),
        ("nowhere to write", "trial trouble.toml --runs 1 -o no/such/page.html", 4, "page.html"),
    ];
    for (name, command, code, said) in cases {
        let done = folder.run(command);
        assert_eq!((done.code, done.out.as_str()), (Some(code), ""), "{name}: {}", done.err);
        assert!(done.err.contains(said), "{name}: {}", done.err);
    }
    assert_eq!(folder.run("trial bad.toml --runs 1 -o page.html").code, Some(2));
    assert!(!folder.path().join("page.html").exists(), "a refused trial leaves no page behind");
}

fn judge_set() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../scenarios/judge")
}

#[test]
fn the_judge_set_is_as_it_was_hashed() {
    let sums = std::fs::read_to_string(judge_set().join("SHA256SUMS")).unwrap();
    let mut hashed: Vec<String> = Vec::new();
    for line in sums.lines() {
        let (sum, name) = line.split_once("  ").unwrap();
        let bytes = std::fs::read(judge_set().join(name)).unwrap();
        let found: String = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(found, sum, "{name} was changed after it was hashed");
        hashed.push(name.to_owned());
    }
    let mut there: Vec<String> = std::fs::read_dir(judge_set())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|name| name.ends_with(".toml"))
        .collect();
    there.sort();
    assert_eq!(there, hashed, "every file is hashed");
}

#[test]
fn the_judge_set_can_be_read_and_shares_no_seed_with_tune() {
    let seeds = |folder: PathBuf| -> Vec<u64> {
        let files = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
        let scenarios = files.filter(|path| path.extension().is_some_and(|extension| extension == "toml"));
        scenarios.map(|path| Scenario::read(&path).unwrap_or_else(|problem| panic!("{problem}")).seed).collect()
    };
    let judge = seeds(judge_set());
    let tune = seeds(judge_set().join("../tune"));
    assert!(judge.len() >= 30 && !tune.is_empty());
    assert!(judge.iter().all(|seed| !tune.contains(seed)), "{judge:?}");
}

/// `cargo test --release -p sim-host --test cli -- --ignored --nocapture a_thousand_hours`
#[test]
#[ignore = "a measurement"]
fn a_thousand_hours() {
    const DAYS: &str = r#"
[plant]
kind = ["small-two-stroke", "mid-four-stroke", "large-four-stroke"]
spread = 0.1
[[trip]]
water_c = [5, 28]
plan = "cruise"
minutes = 1500
[[trip]]
water_c = [5, 28]
plan = "e4-mix"
minutes = 1500
"#;
    // Worn from the first second, so that the twin runs all the time and doubles the plant's work.
    let worn = "[[fault]]\nfinding = \"impeller-worn\"\ntrip = 0\nonset_s = 0\nseverity = 0.5\n";
    let folder = Folder::new();
    for (name, fault) in [("healthy", ""), ("with a twin", worn)] {
        folder.write("days.toml", format!("{DAYS}{fault}"));
        let plan =
            Plan::read(&[folder.path().join("days.toml")], None, 20, 2).unwrap_or_else(|problem| panic!("{problem}"));
        let (started, cpu_s) = (std::time::Instant::now(), cpu_seconds());
        let report = json::to_json(&trial::run(&plan, &|_, _| {})).unwrap();
        let report: serde_json::Value = serde_json::from_str(&report).unwrap();
        let hours = report["scenarios"][0]["running_h"].as_f64().unwrap();
        println!(
            "{name}: {hours:.0} h at 1 Hz on two threads: {:.1} s, of the processor {:.1} s",
            started.elapsed().as_secs_f64(),
            cpu_seconds() - cpu_s
        );
    }
}

/// Processor time of this process so far; not a number where the system does not tell (Linux does, in hundredths).
fn cpu_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // The name of the command may hold blanks; user and system time are the 12th and 13th field behind it.
    let fields = stat.rsplit(')').next().unwrap_or_default().split_whitespace().skip(11).take(2);
    let ticks: Vec<f64> = fields.filter_map(|field| field.parse().ok()).collect();
    if let [user, system] = ticks[..] { (user + system) / 100.0 } else { f64::NAN }
}
