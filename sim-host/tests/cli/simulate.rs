//! `simulate`: what it writes, that it is always the same, and what it refuses.

use std::collections::BTreeSet;

use monitor_core::acquire::{Channel, ChannelSet, Readings};
use monitor_core::finding::Finding;
use monitor_core::time::Instant;
use sim_host::simulate::{Scenario, Simulated, TripSink, simulate};
use sim_host::trace::TraceReader;

use crate::common::{Folder, flowing};

const ENGINE: &str = r#"seed = 7
name = "Skiff 3"
[plant]
kind = "mid-four-stroke"
"#;

const TRIP: &str = "[[trip]]\nwater_c = 18.0\nplan = [[240, 750], [600, 3500], [120, 750], [60, 0]]\n";

fn fault(finding: &str, trip: i16, onset_s: f64, severity: f64, more: &str) -> String {
    format!(
        "[[fault]]\nfinding = \"{finding}\"\ntrip = {trip}\nonset_s = {onset_s:?}\nseverity = {severity:?}\n{more}\n"
    )
}

type KeptTrip = (i16, ChannelSet, Vec<(Instant, Readings)>);

/// Keeps every sample of every trip.
#[derive(Debug, Default, PartialEq)]
struct Kept(Vec<KeptTrip>);

impl TripSink for Kept {
    fn begin_trip(&mut self, trip: i16, channels: ChannelSet) {
        self.0.push((trip, channels, Vec::new()));
    }

    fn sample(&mut self, at: Instant, readings: &Readings) {
        self.0.last_mut().unwrap().2.push((at, *readings));
    }

    fn end_trip(&mut self) {}
}

fn in_memory(text: &str, seed: u64) -> (Kept, Simulated) {
    let scenario = Scenario::from_toml("s.toml".as_ref(), text).unwrap_or_else(|problem| panic!("{problem}"));
    let mut kept = Kept::default();
    let simulated = simulate(&scenario, seed, &mut kept);
    (kept, simulated)
}

#[test]
fn a_run_writes_its_files_and_names_them() {
    let folder = Folder::new();
    let text = format!("{ENGINE}{TRIP}{TRIP}{}", fault("intake-blocked", 1, 400.0, 0.9, "end_s = 500"));
    folder.write("s.toml", text.replacen("seed", "commission = true\nseed", 1));
    let done = folder.run("simulate s.toml -o out");
    assert_eq!((done.code, done.out.as_str()), (Some(0), ""), "{}", done.err);
    for name in ["commission.csv", "trace-000.csv", "trace-001.csv", "profile.toml", "labels.jsonl"] {
        assert!(done.err.contains(&format!("written: out/{name}\n")), "{name}: {}", done.err);
    }
    let trace = folder.read("out/trace-000.csv");
    assert!(trace.starts_with("t_s,rpm,head_c,flow_lpm,supply_v,speed_kn,water_c,oil_kpa\n0,0,"), "{trace:.80}");
    assert_eq!(trace.lines().count(), 1 + 1_020);
    let labels = folder.read("out/labels.jsonl");
    let label: serde_json::Value = serde_json::from_str(labels.trim_end()).unwrap();
    let keys: Vec<_> = label.as_object().unwrap().keys().map(String::as_str).collect();
    let expected: BTreeSet<_> = ["trip", "finding", "channel", "onset_s", "detectable_s", "end_s", "severity"].into();
    assert_eq!(keys.into_iter().collect::<BTreeSet<_>>(), expected);
    assert_eq!((label["trip"].as_i64(), label["finding"].as_str()), (Some(1), Some("intake-blocked")));
    assert_eq!((label["onset_s"].as_f64(), label["end_s"].as_f64()), (Some(400.0), Some(500.0)));
    let detectable_s = label["detectable_s"].as_f64().unwrap();
    assert!((400.0..440.0).contains(&detectable_s), "{detectable_s}");
    let done = folder.run("replay out/trace-000.csv out/trace-001.csv --profile out/profile.toml --format jsonl");
    assert_eq!(done.code, Some(0), "{}", done.err);
    let lost = |trip: i64| done.states().iter().any(|(of, what, _)| *of == trip && what == "stream-lost");
    assert!(!lost(0) && lost(1), "{}", done.out);
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_one_does_not() {
    let folder = Folder::new();
    folder
        .write("s.toml", format!("{ENGINE}spread = 0.1\n[[trip]]\nwater_c = [8, 24]\nplan = \"hire\"\nminutes = 10\n"));
    for (seed, out) in [("", "a"), ("--seed 7", "b"), ("--seed 8", "c")] {
        let done = folder.run(&format!("simulate s.toml -o {out} {seed}"));
        assert_eq!(done.code, Some(0), "{}", done.err);
    }
    for name in ["trace-000.csv", "profile.toml", "labels.jsonl"] {
        assert_eq!(folder.read(&format!("a/{name}")), folder.read(&format!("b/{name}")), "{name}");
    }
    assert_ne!(folder.read("a/trace-000.csv"), folder.read("c/trace-000.csv"));
}

#[test]
fn only_files_of_its_own_names_are_replaced() {
    let folder = Folder::new();
    folder.write("s.toml", format!("{ENGINE}{TRIP}"));
    std::fs::create_dir(folder.path().join("out")).unwrap();
    folder.write("out/notes.txt", "mine");
    folder.write("out/trace-000.csv", "old");
    folder.write("out/trace-009.csv", "older");
    let done = folder.run("simulate s.toml -o out");
    assert_eq!(done.code, Some(0), "{}", done.err);
    assert_eq!(folder.read("out/notes.txt"), "mine");
    assert_ne!(folder.read("out/trace-000.csv"), "old");
    assert_eq!(folder.read("out/trace-009.csv"), "older");
    assert!(done.err.contains("note: out/trace-009.csv: not of this run"), "{}", done.err);
}

#[test]
fn the_page_shows_every_trip_and_where_faults_stand() {
    let folder = Folder::new();
    let text = format!("{ENGINE}{TRIP}{TRIP}{}", fault("intake-blocked", 1, 400.0, 0.9, "end_s = 500"));
    let text = text.replacen("Skiff 3", "<Skiff>", 1).replacen("seed", "commission = true\nseed", 1);
    folder.write("s.toml", text);
    let done = folder.run("simulate s.toml -o out --plot days.html");
    assert_eq!(done.code, Some(0), "{}", done.err);
    let page = folder.read("days.html");
    for part in ["&lt;Skiff&gt;, seed 7", "Commissioning", "Trip 0", "Trip 1", "intake-blocked", "from 400 s on", "°C"]
    {
        assert!(page.contains(part), "{part}");
    }
    assert_eq!(page.matches("<svg").count(), 3 * 6, "one chart for each panel and trip");
    for outside in ["<script", "src=", "<link", "@import", "url("] {
        assert!(!page.contains(outside), "nothing from outside: {outside}");
    }
    let done = folder.run("simulate s.toml -o other --plot no/such/page.html");
    assert_eq!(done.code, Some(4), "{}", done.err);
    assert!(done.err.contains("page.html"), "{}", done.err);
}

#[test]
fn an_engine_stands_in_the_water_of_the_next_trip() {
    let text = format!("{ENGINE}{TRIP}{}", TRIP.replace("water_c = 18.0", "water_c = 5.0\nrest_h = 40"));
    let (kept, _) = in_memory(&text, 2);
    let first = kept.0[1].2[0].1;
    for (channel, least, most) in [(Channel::Water, 4_500, 5_500), (Channel::Head, 5_000, 9_000)] {
        let shown = first.raw(channel).raw;
        assert!((least..=most).contains(&shown), "{}: {shown}", channel.name());
    }
}

#[test]
fn samples_in_memory_are_those_of_the_files() {
    let faults = fault("sensor-open", 0, 300.0, 1.0, "channel = \"head\"\nend_s = 320")
        + &fault("sensor-noisy", 0, 200.0, 1.0, "channel = \"supply\"")
        + "[[near_miss]]\nkind = \"dropouts\"\ntrip = 0\nonset_s = 350\n[[near_miss]]\nkind = \"brown-out\"\ntrip = 0\nonset_s = 700\n";
    let text = format!("{ENGINE}[sensors]\ninterval_s = 0.4\n{TRIP}{faults}");
    let folder = Folder::new();
    folder.write("s.toml", &text);
    let done = folder.run("simulate s.toml -o out --seed 3");
    assert_eq!(done.code, Some(0), "{}", done.err);
    let (kept, _) = in_memory(&text, 3);
    let (_, channels, samples) = &kept.0[0];
    let mut reader = TraceReader::open(&folder.path().join("out/trace-000.csv"), None).unwrap();
    assert_eq!(reader.channels(), *channels);
    for (place, (at, readings)) in samples.iter().enumerate() {
        let row = reader.next_row().unwrap().unwrap();
        assert_eq!((row.stamp, row.readings), (*at, *readings), "row {place}");
    }
    assert_eq!(reader.next_row(), Ok(None));
}

#[test]
fn a_fault_changes_nothing_before_its_onset() {
    let (healthy, _) = in_memory(&format!("{ENGINE}{TRIP}"), 5);
    let (faulty, simulated) = in_memory(&format!("{ENGINE}{TRIP}{}", fault("vane-lost", 0, 500.0, 1.0, "")), 5);
    let (before, after): (Vec<_>, Vec<_>) =
        healthy.0[0].2.iter().zip(&faulty.0[0].2).partition(|((at, _), _)| at.as_millis() <= 500_000);
    assert!(before.iter().all(|(one, other)| one == other));
    assert!(after.iter().any(|(one, other)| one != other));
    let [label] = simulated.labels[..] else { panic!("{:?}", simulated.labels) };
    assert!(label.detectable_s.is_some_and(|detectable_s| detectable_s >= 500.0), "{label:?}");
    assert_eq!(label.end_s, None);
}

/// The mean of a channel over the seconds of a trip.
fn mean(kept: &Kept, trip: usize, channel: Channel, from_s: i64, to_s: i64) -> f64 {
    let within = |at: &Instant| (from_s * 1_000..to_s * 1_000).contains(&at.as_millis());
    let values: Vec<_> = kept.0[trip].2.iter().filter(|(at, _)| within(at)).collect();
    let sum: f64 = values.iter().map(|(_, readings)| f64::from(readings.raw(channel).raw)).sum();
    sum / values.len() as f64
}

/// A flow meter whose scale is the same in every trip.
const STEADY_METER: &str = "[sensors]\nflow = { trip_share = 0 }\n";

#[test]
fn wear_grows_over_the_hours_that_are_not_written_and_ends_where_it_is_mended() {
    let worn = fault("impeller-worn", 0, 0.0, 1.0, "growth_s = 540000\nend_trip = 2\nend_s = 0");
    let gap = TRIP.replace("plan", "gap_h = 100\nplan");
    let (kept, simulated) = in_memory(&format!("{ENGINE}{STEADY_METER}{TRIP}{gap}{TRIP}{worn}"), 1);
    let [fresh, half, mended] = [0, 1, 2].map(|trip| mean(&kept, trip, Channel::Flow, 900, 960));
    assert!(half < 0.9 * fresh, "{half} of {fresh}");
    assert!((mended / fresh - 1.0).abs() < 0.05, "{mended} of {fresh}");
    let trips: Vec<_> = simulated.labels.iter().map(|label| (label.trip, label.end_s)).collect();
    assert_eq!(trips, [(0, None), (1, None)]);
}

/// Oil that is due after a quarter of an hour of running, and fuel ten weeks old.
const BOOK: &str = "[care]\nengine-oil = { hours = 100 }\n[book]\nrun_h = 150\ndate = 2026-06-01\n\
                    engine-oil = { hours_ago = 99.75 }\nfuel-fill = { days_ago = 70 }\n";

#[test]
fn what_the_book_says_is_due_at_its_hour_and_on_its_day() {
    let faults = fault("service-due", 0, 0.0, 1.0, "") + &fault("fuel-old", 0, 0.0, 1.0, "");
    let later = BOOK.replace("days_ago = 70", "days_ago = 69");
    // The second trip begins twelve hours after the first, which begins at noon: on the next day.
    let cases = [
        ("as it is", BOOK.to_owned(), [Some(0.0), Some(0.0)]),
        ("a day younger", later.clone(), [None, Some(0.0)]),
        ("without a date", later.replace("date = 2026-06-01\n", ""), [None, None]),
    ];
    for (name, book, fuel) in cases {
        let (_, simulated) = in_memory(&format!("{ENGINE}{book}{TRIP}{TRIP}{faults}"), 1);
        let found = |finding| -> Vec<Option<f64>> {
            let labels = simulated.labels.iter().filter(|label| label.finding == finding);
            labels.map(|label| label.detectable_s).collect()
        };
        assert_eq!(found(Finding::FuelOld), fuel, "{name}");
        let [first, second] = found(Finding::ServiceDue)[..] else { panic!("{name}: {:?}", simulated.labels) };
        // It runs some 955 of the 960 s before its lever goes to off.
        assert!(first.is_some_and(|at_s| (900.0..910.0).contains(&at_s)), "{name}: {first:?}");
        assert_eq!(second, Some(0.0), "{name}");
    }
}

#[test]
fn the_scale_of_a_meter_is_not_the_same_from_trip_to_trip() {
    let flows = |trip_share: &str| {
        let text = format!("{ENGINE}[sensors]\nflow = {{ trip_share = {trip_share} }}\n{}", TRIP.repeat(4));
        let (kept, _) = in_memory(&text, 3);
        [0, 1, 2, 3].map(|trip| mean(&kept, trip, Channel::Flow, 500, 800))
    };
    let spread = |flows: [f64; 4]| {
        flows.iter().copied().fold(0.0, f64::max) / flows.iter().copied().fold(f64::INFINITY, f64::min) - 1.0
    };
    let (steady, wandering) = (spread(flows("0")), spread(flows("0.05")));
    assert!(steady < 0.01 && wandering > 0.03, "{steady} {wandering}");
}

#[test]
fn every_finding_can_be_provoked_and_noticed() {
    for finding in Finding::ALL {
        let sensor = finding.name().strip_prefix("sensor-");
        let channel = match sensor {
            Some("miscount") => "channel = \"rpm\"",
            Some(_) => "channel = \"head\"",
            None => "",
        };
        // A dry start and a tired connection are there before the engine is.
        let onset_s = if matches!(finding, Finding::DryStart | Finding::WeakConnection) { 0.0 } else { 300.0 };
        let text = format!(
            "{ENGINE}{BOOK}[[trip]]\nwater_c = 18.0\nplan = [[300, 750], [900, 5200], [600, 750], [60, 0]]\n{}",
            fault(finding.name(), 0, onset_s, 1.0, channel)
        );
        let (_, simulated) = in_memory(&text, 11);
        let [label] = simulated.labels[..] else { panic!("{:?}", simulated.labels) };
        assert_eq!((label.finding, label.onset_s), (finding, onset_s));
        assert!(label.detectable_s.is_some_and(|at_s| at_s >= onset_s), "{}: {label:?}", finding.name());
    }
}

#[test]
fn near_misses_leave_no_label_and_a_hole_where_the_board_was_dark() {
    let dark = "[[near_miss]]\nkind = \"power-cut\"\ntrip = 0\nonset_s = 400\nend_s = 460\n";
    let (kept, simulated) = in_memory(&format!("{ENGINE}{TRIP}{dark}"), 1);
    assert_eq!(simulated.labels, []);
    let [near_miss] = simulated.near_misses[..] else { panic!("{:?}", simulated.near_misses) };
    assert_eq!((near_miss.kind, near_miss.onset_s, near_miss.end_s), ("power-cut", 400.0, Some(460.0)));
    let stamps: Vec<_> = kept.0[0].2.iter().map(|(at, _)| at.as_millis()).collect();
    assert!(stamps.contains(&399_000) && stamps.contains(&460_000));
    assert!(!stamps.iter().any(|at| (400_000..460_000).contains(at)));
}

#[test]
fn the_profile_of_the_scenario_is_the_profile_of_the_traces() {
    let own = "seed = 1\nname = \"Skiff \\\"3\\\"\"\n[engine]\nstrokes = 4\nidle_rpm = 800\nmax_rpm = 6_000\nthermostat_opens_c = 60.0\n\
               [electric]\n[channels]\nfitted = [\"rpm\", \"supply\"]\n[care]\nimpeller = { hours = 200 }\n[care.anodes]\nmonths = 6\n";
    let folder = Folder::new();
    folder.write("s.toml", format!("{own}{TRIP}"));
    let done = folder.run("simulate s.toml -o out");
    assert_eq!(done.code, Some(0), "{}", done.err);
    assert!(folder.read("out/trace-000.csv").starts_with("t_s,rpm,supply_v\n"));
    let expected = "name = \"Skiff \\\"3\\\"\"\n[engine]\nstrokes = 4\nidle_rpm = 800\nmax_rpm = 6000\nthermostat_opens_c = 60.0\n\
                    [electric]\n[channels]\nfitted = [\"rpm\", \"supply\"]\n[care]\nimpeller = { hours = 200 }\nanodes = { months = 6 }\n";
    assert_eq!(folder.read("out/profile.toml"), expected);
}

#[test]
fn an_unusable_scenario_is_named_with_line_and_remedy() {
    let good = format!("{ENGINE}{TRIP}{}", fault("intake-blocked", 0, 400.0, 0.9, "end_s = 500"));
    let cases: &[(&str, &str, &str, &[&str])] = &[
        ("not TOML", "seed = 7", "seed 7", &["s.toml:1:", "not valid TOML"]),
        ("key", "seed = 7", "sed = 7", &["s.toml:1:", "sed", "seed"]),
        ("seed", "seed = 7", "seed = -7", &["s.toml:1:", "out of range"]),
        ("kind", "mid-four", "mit-four", &["s.toml:4:", "mid-four-stroke"]),
        ("plant key", "kind =", "spraed = 0.1\nkind =", &["s.toml:4:", "spraed", "spread"]),
        ("no engine", "kind =", "spread = 0.1 #", &["[engine] is missing", "kind"]),
        (
            "profile key",
            "[plant]",
            "[engine]\nstrokes = 4\nidle_rpm = 750\nmax_rmp = 6000\n[plant]",
            &["s.toml:6:", "max_rpm"],
        ),
        (
            "profile value",
            "[plant]",
            "[engine]\nstrokes = 3\nidle_rpm = 750\nmax_rpm = 6000\n[plant]",
            &["s.toml:4:", "2 or 4"],
        ),
        ("no trip", TRIP, "", &["no trip"]),
        ("trip key", "water_c", "watr_c", &["s.toml:6:", "water_c"]),
        ("no water", "water_c = 18.0\n", "", &["s.toml:5:", "water_c is missing"]),
        ("hot water", "18.0", "180.0", &["s.toml:6:", "-2 to 40"]),
        ("range", "18.0", "[20, 10]", &["s.toml:6:", "begins above its end"]),
        ("day", "[[240, 750], [600, 3500], [120, 750], [60, 0]]", "\"trawling\"", &["s.toml:7:", "trolling"]),
        ("plan", "[240, 750]", "[240, 750, 1]", &["s.toml:7:", "3 numbers"]),
        ("item", "[plant]", "[book]\nimpelle = { days_ago = 3 }\n[plant]", &["s.toml:4:", "impeller"]),
        ("date", "[plant]", "[book]\ndate = \"1 June\"\n[plant]", &["s.toml:4:", "not a date", "2026-06-01"]),
        ("finding", "intake-blocked", "intake-bloked", &["s.toml:9:", "intake-blocked"]),
        ("no such trip", "trip = 0", "trip = 1", &["s.toml:10:", "no such trip"]),
        ("onset too late", "400.0", "4000.0", &["s.toml:11:", "after the end of trip"]),
        ("severity", "severity = 0.9", "severity = 1.1", &["s.toml:12:", "0 to 1"]),
        ("no severity", "severity = 0.9", "", &["severity is missing"]),
        ("end", "end_s = 500", "end_s = 300", &["s.toml:13:", "not after onset_s"]),
        ("fault key", "end_s", "ends", &["s.toml:13:", "end_s"]),
        ("channel", "end_s = 500", "channel = \"head\"", &["s.toml:13:", "sensor findings only"]),
        ("no channel", "intake-blocked", "sensor-open", &["channel is missing"]),
        ("miscount", "intake-blocked\"", "sensor-miscount\"\nchannel = \"oil\"", &["s.toml:10:", "flow"]),
    ];
    let folder = Folder::new();
    for (name, from, to, words) in cases {
        assert!(good.contains(from), "{name}");
        folder.write("s.toml", good.replacen(from, to, 1));
        let done = folder.run("simulate s.toml -o out");
        assert_eq!((done.code, done.out.as_str()), (Some(2), ""), "{name}: {}", done.err);
        for word in *words {
            assert!(flowing(&done.err).contains(word), "{name}: no `{word}` in {}", done.err);
        }
        assert!(!folder.path().join("out").exists(), "{name}: nothing is written");
    }
}

#[test]
fn a_folder_that_cannot_be_written_is_named() {
    let folder = Folder::new();
    folder.write("s.toml", format!("{ENGINE}{TRIP}"));
    folder.write("out", "a file");
    let done = folder.run("simulate s.toml -o out");
    assert_eq!(done.code, Some(4), "{}", done.err);
    assert!(done.err.contains("error: out: It cannot be written"), "{}", done.err);
    folder.write("profile.toml", format!("{ENGINE}{TRIP}"));
    let done = folder.run("simulate profile.toml -o .");
    assert_eq!(done.code, Some(2), "{}", done.err);
    assert!(folder.read("profile.toml").contains("[[trip]]"));
}

#[test]
fn the_scenarios_of_the_project_and_of_its_page_are_accepted() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
    let mut seen: BTreeSet<Finding> = BTreeSet::new();
    for entry in std::fs::read_dir(root.join("scenarios/tune")).unwrap() {
        let path = entry.unwrap().path();
        let scenario = Scenario::read(&path).unwrap_or_else(|problem| panic!("{problem}"));
        assert_eq!(scenario.name.as_deref(), path.file_stem().and_then(|stem| stem.to_str()), "{}", path.display());
        seen.extend(scenario.findings());
    }
    let missing: Vec<_> = Finding::ALL.into_iter().filter(|finding| !seen.contains(finding)).collect();
    assert_eq!(missing, []);
    let page = std::fs::read_to_string(root.join("docs/scenario.md")).unwrap();
    let example = page.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    Scenario::from_toml("docs/scenario.md".as_ref(), example).unwrap_or_else(|problem| panic!("{problem}"));
}

/// Counts samples and drops them.
#[derive(Debug, Default)]
struct Counted(u64);

impl TripSink for Counted {
    fn begin_trip(&mut self, _trip: i16, _channels: ChannelSet) {}

    fn sample(&mut self, _at: Instant, _readings: &Readings) {
        self.0 += 1;
    }

    fn end_trip(&mut self) {}
}

/// `cargo test --release -p sim-host --test cli -- --ignored --nocapture microseconds_a_second`
#[test]
#[ignore = "a measurement"]
fn microseconds_a_second() {
    let days = "[[trip]]\nwater_c = 18.0\nplan = \"cruise\"\nminutes = 600\n".repeat(6);
    for (name, fault) in [("healthy", String::new()), ("with a twin", fault("impeller-worn", 0, 0.0, 1.0, ""))] {
        let scenario = Scenario::from_toml("s.toml".as_ref(), &format!("{ENGINE}{days}{fault}")).unwrap();
        let mut counted = Counted::default();
        let start = std::time::Instant::now();
        simulate(&scenario, 1, &mut counted);
        println!("{name}: {:.2} µs for each second", start.elapsed().as_secs_f64() * 1e6 / counted.0 as f64);
    }
}
