//! `replay --memory` and `ledger show`.

use crate::common::Folder;

const MEMORY_BYTES: usize = 65_600;

/// A trace at 1 Hz: `(seconds, rpm)` one after the other, with water, a warm head and a charging supply.
fn trace(plan: &[(u32, u32)]) -> String {
    let mut text = "t_s,rpm,head_c,flow_lpm,supply_v\n".to_owned();
    let mut second = 0;
    for (seconds, rpm) in plan {
        for _ in 0..*seconds {
            text.push_str(&format!("{second},{rpm},65.0,3.0,14.1\n"));
            second += 1;
        }
    }
    text
}

fn shown(folder: &Folder, memory: &str) -> serde_json::Value {
    let done = folder.run(&format!("ledger show {memory} --format json"));
    assert_eq!((done.code, done.err.as_str()), (Some(0), ""), "{}", done.out);
    serde_json::from_str(&done.out).unwrap_or_else(|error| panic!("{error}: {}", done.out))
}

fn replay(folder: &Folder, arguments: &str) -> crate::common::Done {
    folder.run(&format!("replay --profile engine.toml --format jsonl {arguments}"))
}

#[test]
fn every_replay_counts_to_the_second() {
    let folder = Folder::new();
    folder.write("a.csv", trace(&[(5, 0), (101, 3_000), (10, 0)]));
    folder.write("b.csv", trace(&[(407, 800)]));
    for (times, running_s, starts) in [(1, 506, 2), (2, 1_012, 4), (3, 1_518, 6)] {
        let done = replay(&folder, "a.csv b.csv --memory m.bin");
        assert_eq!(done.code, Some(0), "{}", done.err);
        let book = shown(&folder, "m.bin");
        assert_eq!((book["running_s"].as_u64(), book["starts"].as_u64()), (Some(running_s), Some(starts)), "{times}");
    }
    let file = std::fs::read(folder.path().join("m.bin")).unwrap();
    assert_eq!(file.len(), MEMORY_BYTES);
    assert_eq!(&file[..12], b"LKASTERN\x01\x00\x40\x00");
}

#[test]
fn two_replays_with_a_memory_say_what_one_says_with_both_traces() {
    let folder = Folder::new();
    folder.write("a.csv", trace(&[(60, 3_000), (30, 6_400)]));
    folder.write("b.csv", trace(&[(60, 3_000), (90, 6_400), (60, 3_000)]));
    assert_eq!(replay(&folder, "a.csv b.csv --memory one.bin").code, Some(0));
    assert_eq!(replay(&folder, "a.csv --memory two.bin").code, Some(0));
    assert_eq!(replay(&folder, "b.csv --memory two.bin").code, Some(0));
    let (one, two) = (shown(&folder, "one.bin"), shown(&folder, "two.bin"));
    for key in ["running_s", "starts", "over_speed_s", "over_limit_s", "dry_run_s", "bands"] {
        assert_eq!(one[key], two[key], "{key}");
    }
    let story = |book: &serde_json::Value| -> Vec<_> {
        let events = book["events"].as_array().unwrap();
        events.iter().map(|event| (event["id"].clone(), event["state"].clone(), event["t_s"].clone())).collect()
    };
    assert_eq!(story(&one), story(&two));
}

#[test]
fn a_finding_that_was_open_goes_on_and_does_not_fail_the_next_replay() {
    let folder = Folder::new();
    folder.write("a.csv", trace(&[(60, 6_400)]));
    folder.write("b.csv", trace(&[(60, 3_000)]));
    let first = replay(&folder, "a.csv --memory m.bin --fail-on warning");
    assert_eq!(first.code, Some(1), "{}", first.err);
    let second = replay(&folder, "b.csv --memory m.bin --fail-on caution");
    assert_eq!(second.code, Some(0), "{}", second.err);
    let (raised, cleared) = (&first.events()[0], &second.events()[0]);
    assert_eq!((cleared["state"].as_str(), &cleared["id"]), (Some("cleared"), &raised["id"]));
    let without = replay(&folder, "b.csv");
    assert_eq!(without.out, "", "nothing is kept without a memory");
}

#[test]
fn the_book_has_its_keys_in_order_and_the_bands_of_the_profile() {
    let folder = Folder::new();
    folder.write("a.csv", trace(&[(100, 800), (100, 3_000), (41, 6_400)]));
    assert_eq!(replay(&folder, "a.csv --memory m.bin").code, Some(0));
    let json = folder.run("ledger show m.bin --format json").out;
    let keys = ["running_s", "starts", "over_speed_s", "over_limit_s", "dry_run_s", "bands", "items", "events"];
    let places: Vec<_> = keys.iter().map(|key| json.find(&format!("\"{key}\":")).expect(key)).collect();
    assert!(places.is_sorted(), "{json}");
    let book = shown(&folder, "m.bin");
    assert_eq!(book["running_s"], 240);
    assert_eq!(book["over_speed_s"], 40);
    let bands = book["bands"].as_array().unwrap();
    let (first, last) = (&bands[0], &bands[6]);
    assert_eq!((&first["band"], &first["from_rpm"], &first["to_rpm"]), (&"idle".into(), &0.into(), &937.into()));
    assert_eq!((&last["band"], last["to_rpm"].is_null(), &last["seconds"]), (&"over".into(), true, &40.into()));
    let event = &book["events"][0];
    assert_eq!((&event["finding"], &event["boot"]), (&"over-speed".into(), &1.into()));
    assert_eq!(event["evidence"]["rpm_limit"], 6_000.0);
    assert!(event["run_on_s"].as_u64().is_some_and(|seconds| (35..=40).contains(&seconds)), "{event}");
    let page = folder.run("ledger show m.bin");
    assert!(page.out.contains("over 6000 rpm") && page.out.contains("0:04:00"), "{}", page.out);
    assert!(page.err.contains("Beware of hot water"), "the cautions stand once on standard error");
}

#[test]
fn a_memory_that_is_none_is_left_alone() {
    let folder = Folder::new();
    folder.write("a.csv", trace(&[(60, 3_000)]));
    assert_eq!(replay(&folder, "a.csv --memory good.bin").code, Some(0));
    let good = std::fs::read(folder.path().join("good.bin")).unwrap();
    let mut broken = good.clone();
    broken[20] ^= 1;
    let cases: [(&str, &[u8], &str); 4] = [
        ("an empty file", b"", "0 bytes"),
        ("a trace", b"t_s,rpm\n0,0\n", "bytes"),
        ("a flipped bit in the header", &broken, "damaged"),
        ("cut off", &good[..60_000], "60000 bytes"),
    ];
    for (name, bytes, said) in cases {
        folder.write("m.bin", bytes);
        for command in ["ledger show m.bin", "replay --profile engine.toml a.csv --memory m.bin"] {
            let done = folder.run(command);
            assert_eq!(done.code, Some(3), "{name}: {command}: {}", done.err);
            assert!(done.err.contains(said) && done.err.contains("ledger recover"), "{name}: {}", done.err);
            assert_eq!(std::fs::read(folder.path().join("m.bin")).unwrap(), bytes, "{name}");
        }
    }
    assert_eq!(folder.run("ledger show nowhere.bin").code, Some(3));
}

#[test]
fn a_trace_that_cannot_be_used_leaves_the_memory_as_it_was() {
    let folder = Folder::new();
    folder.write("a.csv", trace(&[(60, 3_000)]));
    folder.write("bad.csv", "t_s,head_c\n0,20\n");
    assert_eq!(replay(&folder, "a.csv --memory m.bin").code, Some(0));
    let before = std::fs::read(folder.path().join("m.bin")).unwrap();
    let done = replay(&folder, "a.csv bad.csv --memory m.bin");
    assert_eq!(done.code, Some(3));
    assert!(done.err.contains("the memory was left as it was"), "{}", done.err);
    assert_eq!(std::fs::read(folder.path().join("m.bin")).unwrap(), before);
}

#[test]
fn a_place_that_cannot_be_written_to_is_said_before_anything_is_done() {
    let folder = Folder::new();
    folder.write("a.csv", trace(&[(60, 6_400)]));
    let done = replay(&folder, "a.csv --memory nowhere/m.bin");
    assert_eq!((done.code, done.out.as_str()), (Some(4), ""), "{}", done.err);
    assert!(done.err.contains("The memory cannot be written"), "{}", done.err);
    let done = replay(&folder, "a.csv --memory a.csv");
    assert_eq!(done.code, Some(2), "{}", done.err);
}

#[test]
fn damage_is_counted_and_what_is_left_is_shown() {
    let folder = Folder::new();
    folder.write("a.csv", trace(&[(300, 3_000), (20, 6_400)]));
    assert_eq!(replay(&folder, "a.csv --memory m.bin").code, Some(0));
    let mut file = std::fs::read(folder.path().join("m.bin")).unwrap();
    // A byte of the first journal entry.
    let at = 64 + 32 * 1_024 + 12;
    file[at] = !file[at];
    folder.write("m.bin", &file);
    let done = folder.run("ledger show m.bin --format json");
    assert_eq!(done.code, Some(0), "{}", done.err);
    assert!(done.err.contains("1 damaged record"), "{}", done.err);
    assert!(done.out.contains("\"running_s\":319"), "{}", done.out);
}

/// The region of a memory with hours, events and snapshots, as a board's flash would be read out.
fn dump(folder: &Folder) -> Vec<u8> {
    folder.write("a.csv", trace(&[(300, 3_000), (20, 6_400), (60, 3_000)]));
    for _ in 0..3 {
        assert_eq!(replay(folder, "a.csv --memory whole.bin").code, Some(0));
    }
    std::fs::read(folder.path().join("whole.bin")).unwrap()[64..].to_vec()
}

const SECTOR: usize = 4_096;

#[test]
fn a_dump_is_recovered_whole_wherever_its_sectors_stand() {
    let folder = Folder::new();
    let raw = dump(&folder);
    let whole = shown(&folder, "whole.bin");
    let swapped = |pairs: &[(usize, usize)]| {
        let mut bytes = raw.clone();
        for (one, other) in pairs {
            for at in 0..SECTOR {
                bytes.swap(one * SECTOR + at, other * SECTOR + at);
            }
        }
        bytes
    };
    let cases = [
        ("as it was", raw.clone(), ""),
        ("with a header", std::fs::read(folder.path().join("whole.bin")).unwrap(), "header of a memory file"),
        ("too long", [&raw[..], &[7; 100]].concat(), "100 bytes behind the region"),
        ("hours and journal swapped", swapped(&[(0, 8)]), "2 sectors stood at a wrong place"),
        ("all areas swapped", swapped(&[(0, 15), (2, 9), (6, 3), (8, 14)]), "put back"),
    ];
    for (number, (name, bytes, said)) in cases.into_iter().enumerate() {
        folder.write("dump.bin", bytes);
        let done = folder.run(&format!("ledger recover dump.bin -o m{number}.bin"));
        assert_eq!((done.code, done.out.as_str()), (Some(0), ""), "{name}: {}", done.err);
        assert!(done.err.contains(said), "{name}: {}", done.err);
        assert_eq!(shown(&folder, &format!("m{number}.bin")), whole, "{name}");
    }
    let again = folder.run("ledger recover dump.bin -o m0.bin");
    assert_eq!(again.code, Some(2), "never replaced: {}", again.err);
}

#[test]
fn what_is_lost_of_a_dump_is_said() {
    let folder = Folder::new();
    let raw = dump(&folder);
    let with = |from: usize, to: usize, value: u8| {
        let mut bytes = raw.clone();
        bytes[from..to].fill(value);
        bytes
    };
    let cases = [
        ("hours overwritten", with(0, 2 * SECTOR, 0), "only older hours can be read: 0 s"),
        ("the beginning of the hours", with(0, 80, 0), "hours records were left out"),
        ("a hole in the journal", with(8 * SECTOR + 64, 8 * SECTOR + 96, 0xA5), "damaged record"),
        ("the journal overwritten", with(8 * SECTOR, 14 * SECTOR, 0), "in a sector of: journal"),
        ("cut off after the hours", raw[..2 * SECTOR].to_vec(), "57344 bytes short"),
    ];
    for (number, (name, bytes, said)) in cases.into_iter().enumerate() {
        folder.write("dump.bin", bytes);
        let done = folder.run(&format!("ledger recover dump.bin -o m{number}.bin"));
        assert_eq!(done.code, Some(0), "{name}: {}", done.err);
        // Long notes are broken into lines.
        let told = done.err.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(told.contains(said), "{name}: {}", done.err);
    }
}

#[test]
fn a_dump_of_nothing_gives_no_memory() {
    let folder = Folder::new();
    let cases: [(&str, Vec<u8>); 4] = [
        ("all zeros", vec![0; 65_536]),
        ("erased", vec![0xFF; 65_536]),
        ("empty", Vec::new()),
        ("text", b"not flash".repeat(4_000)),
    ];
    for (name, bytes) in cases {
        folder.write("dump.bin", bytes);
        let done = folder.run("ledger recover dump.bin -o m.bin");
        assert_eq!(done.code, Some(3), "{name}: {}", done.err);
        assert!(!folder.path().join("m.bin").exists(), "{name}");
    }
    assert_eq!(folder.run("ledger recover nowhere.bin -o m.bin").code, Some(3));
}
