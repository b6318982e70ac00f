//! The service book: `ledger sign`, and what `ledger show` says of it.

use crate::common::{Done, Folder, PROFILE, flowing};

/// Two hours, one minute and forty seconds of running.
const RUNNING_S: u32 = 7_300;

const CARE: &str = "[care]
impeller = { hours = 200, months = 12, run_in_hours = 0 }
engine-oil = { hours = 100, run_in_hours = 20 }
fuel-fill = { months = 3 }
";

/// A folder with a memory `m.bin` of an engine that has run for a while and has a service plan.
fn yard() -> Folder {
    let folder = Folder::new();
    folder.write("engine.toml", format!("{PROFILE}{CARE}"));
    let rows: String = (0..=RUNNING_S).map(|second| format!("{second},3000,65.0,3.0,14.1\n")).collect();
    folder.write("a.csv", format!("t_s,rpm,head_c,flow_lpm,supply_v\n{rows}"));
    let done = folder.replay("a.csv --memory m.bin --format jsonl");
    assert_eq!(done.code, Some(0), "{}", done.err);
    folder
}

fn sign(folder: &Folder, arguments: &[&str]) -> Done {
    let output = folder.command("ledger sign m.bin").args(arguments).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    Done { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
}

fn show(folder: &Folder) -> serde_json::Value {
    let done = folder.run("ledger show m.bin --format json");
    assert_eq!((done.code, done.err.as_str()), (Some(0), ""));
    serde_json::from_str(&done.out).unwrap()
}

#[test]
fn the_items_are_those_of_the_profile_in_its_order_and_unknown_until_they_are_signed() {
    let folder = yard();
    let done = folder.run("ledger show m.bin --format json");
    let items = "\"items\":[\
        {\"item\":\"impeller\",\"last_done_s\":null,\"last_done_date\":null,\"due_s\":720000,\"due_date\":null,\"unknown\":true},\
        {\"item\":\"engine-oil\",\"last_done_s\":null,\"last_done_date\":null,\"due_s\":360000,\"due_date\":null,\"unknown\":true},\
        {\"item\":\"fuel-fill\",\"last_done_s\":null,\"last_done_date\":null,\"due_s\":null,\"due_date\":null,\"unknown\":true}],";
    assert!(done.out.contains(items), "{}", done.out);
    let page = folder.run("ledger show m.bin").out;
    assert!(page.contains("impeller       unknown, never signed   at 200.0 h, counted from 0, date unknown"), "{page}");
    assert!(page.contains("at 100.0 h, counted from 0; a new engine first at 20.0 h"), "{page}");
}

#[test]
fn what_is_signed_is_in_the_book() {
    let folder = yard();
    let cases: [(&str, &[&str], &str); 5] = [
        (
            "hours and day",
            &["--item", "impeller", "--role", "mechanic", "--at-hours", "1.5", "--date", "2024-02-29"],
            "{\"item\":\"impeller\",\"last_done_s\":5400,\"last_done_date\":\"2024-02-29\",\"due_s\":725400,\
             \"due_date\":\"2025-02-28\",\"unknown\":false}",
        ),
        (
            "a correction without a day",
            &["--item", "impeller", "--role", "yard", "--at-hours", "0"],
            "{\"item\":\"impeller\",\"last_done_s\":0,\"last_done_date\":null,\"due_s\":720000,\"due_date\":null,\
             \"unknown\":false}",
        ),
        (
            "present hours",
            &["--item", "engine-oil", "--role", "owner", "--date", "2026-05-31"],
            "{\"item\":\"engine-oil\",\"last_done_s\":7300,\"last_done_date\":\"2026-05-31\",\"due_s\":367300,\
             \"due_date\":null,\"unknown\":false}",
        ),
        (
            "by months only",
            &["--item", "fuel-fill", "--role", "owner", "--date", "2026-11-30"],
            "{\"item\":\"fuel-fill\",\"last_done_s\":7300,\"last_done_date\":\"2026-11-30\",\"due_s\":null,\
             \"due_date\":\"2027-02-28\",\"unknown\":false}",
        ),
        (
            "rounded to a second",
            &["--item", "fuel-fill", "--role", "owner", "--at-hours", "0.00041"],
            "\"item\":\"fuel-fill\",\"last_done_s\":1,\"last_done_date\":null",
        ),
    ];
    let before = show(&folder);
    for (name, arguments, expected) in cases {
        let done = sign(&folder, arguments);
        assert_eq!((done.code, done.err.as_str()), (Some(0), ""), "{name}");
        assert!(done.out.starts_with("Signed: ") && done.out.ends_with('\n'), "{name}: {}", done.out);
        let json = folder.run("ledger show m.bin --format json").out;
        assert!(json.contains(expected), "{name}: {json}");
    }
    let after = show(&folder);
    for key in ["running_s", "starts", "bands", "events"] {
        assert_eq!(before[key], after[key], "{key}: signing is neither running nor a power-up");
    }
    let page = folder.run("ledger show m.bin").out;
    assert!(page.contains("Power-ups                  1"), "{page}");
    assert_eq!(page.matches("impeller        at").count(), 2, "both entries stay: {page}");
}

#[test]
fn hours_go_on_after_a_sign_off_and_another_profile_keeps_it() {
    let folder = yard();
    assert_eq!(sign(&folder, &["--item", "impeller", "--role", "yard"]).code, Some(0));
    folder.write("engine.toml", format!("{PROFILE}[care]\nanodes = {{ months = 12 }}\nimpeller = {{ hours = 150 }}\n"));
    let done = folder.replay("a.csv --memory m.bin --format jsonl");
    assert_eq!(done.code, Some(0), "{}", done.err);
    let book = show(&folder);
    assert_eq!(book["running_s"], 2 * RUNNING_S);
    let names: Vec<_> = book["items"].as_array().unwrap().iter().map(|item| item["item"].as_str().unwrap()).collect();
    assert_eq!(names, ["anodes", "impeller"]);
    assert_eq!(book["items"][1]["due_s"], RUNNING_S + 150 * 3_600);
    folder.write("engine.toml", PROFILE);
    assert_eq!(folder.replay("a.csv --memory m.bin").code, Some(0));
    assert_eq!(show(&folder)["items"], book["items"], "a profile without a plan says nothing about it");
}

#[test]
fn a_note_is_kept_with_the_sign_off() {
    let folder = yard();
    let longest = format!("vanes: {}é", "x".repeat(103));
    for note in ["all six vanes there; housing slightly grooved", longest.as_str(), ""] {
        let done = sign(&folder, &["--item", "impeller", "--role", "mechanic", "--note", note]);
        assert_eq!(done.code, Some(0), "{}", done.err);
        let page = folder.run("ledger show m.bin").out;
        assert!(page.contains(&format!("date unknown, mechanic: {note}\n")) != note.is_empty(), "{page}");
    }
}

#[test]
fn what_cannot_be_signed_is_refused_and_leaves_the_memory_alone() {
    let folder = yard();
    let before = std::fs::read(folder.path().join("m.bin")).unwrap();
    let long = "x".repeat(113);
    let cases: [(&str, [&str; 2], &str); 14] = [
        ("unknown item", ["--item", "impellor"], "Did you mean impeller?"),
        ("no item", ["--item", ""], "Use one of: engine-oil"),
        ("unknown role", ["--role", "skipper"], "Use one of: owner, mechanic, yard"),
        ("more than it has run", ["--at-hours", "2.1"], "Give decimal hours from 0 to the present 2.0"),
        ("a second more", ["--at-hours", "2.028056"], "--at-hours 2.028056 cannot be"),
        ("negative", ["--at-hours", "-1"], "--at-hours -1 cannot be"),
        ("far too many", ["--at-hours", "1e300"], "cannot be"),
        ("no number", ["--at-hours", "NaN"], "cannot be"),
        ("hours and minutes", ["--at-hours", "1:30"], "cannot be"),
        ("no such day", ["--date", "2025-02-29"], "Write year, month and day as 2026-05-31"),
        ("no date", ["--date", "yesterday"], "is no day"),
        ("a moment", ["--date", "2026-05-31T10:00:00Z"], "is no day"),
        ("too long a note", ["--note", &long], "Keep it to one line of 112 bytes"),
        ("two lines", ["--note", "one\ntwo"], "more than one line"),
    ];
    for (name, [option, value], said) in cases {
        let mut arguments = vec![option, value];
        for (other, good) in [("--item", "impeller"), ("--role", "yard")] {
            if option != other {
                arguments.extend([other, good]);
            }
        }
        let done = sign(&folder, &arguments);
        assert_eq!((done.code, done.out.as_str()), (Some(2), ""), "{name}: {}", done.err);
        assert!(flowing(&done.err).contains(said), "{name}: {}", done.err);
        assert_eq!(std::fs::read(folder.path().join("m.bin")).unwrap(), before, "{name}");
    }
    assert_eq!(sign(&folder, &["--item", "impeller"]).code, Some(2), "somebody must sign");
    let exact = sign(&folder, &["--item", "impeller", "--role", "yard", "--at-hours", "2.027777778"]);
    assert_eq!(exact.code, Some(0), "the present second: {}", exact.err);
    assert_eq!(folder.run("ledger sign nowhere.bin --item impeller --role yard").code, Some(3));
    assert!(!folder.path().join("nowhere.bin").exists());
    folder.write("bad.bin", "no memory");
    assert_eq!(folder.run("ledger sign bad.bin --item impeller --role yard").code, Some(3));
}

#[test]
fn an_item_outside_the_plan_is_signed_and_that_is_said() {
    let folder = yard();
    let done = sign(&folder, &["--item", "anodes", "--role", "yard"]);
    assert_eq!(done.code, Some(0));
    assert!(flowing(&done.err).contains("anodes is not in this engine's plan"), "{}", done.err);
    assert_eq!(show(&folder)["items"].as_array().unwrap().len(), 3);
    assert!(folder.run("ledger show m.bin").out.contains("anodes          at 2.0 h, date unknown, yard"));
}
