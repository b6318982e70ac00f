//! `service-due` and `fuel-old`: raised by hours, ended by a sign-off.

use crate::common::{Folder, PROFILE, Trace, flowing};

/// A trace of `boat` runs for an hour and a half.
const CARE: &str = "[care]
engine-oil = { hours = 2 }
impeller = { hours = 200, run_in_hours = 1 }
fuel-fill = { hours = 1 }
thermostat = { months = 12 }
";

fn boat() -> Folder {
    let folder = Folder::new();
    folder.write("engine.toml", format!("{PROFILE}{CARE}"));
    folder.write("a.csv", Trace::started().at(5_400, 3_000, 62.0).csv());
    folder
}

/// `(finding, item, state, level)` of the care events of a replay.
fn care(folder: &Folder, arguments: &str) -> Vec<[String; 4]> {
    let done = folder.replay(&format!("{arguments} --format jsonl"));
    assert_eq!(done.code, Some(0), "{}", done.err);
    let word = |event: &serde_json::Value, key: &str| event[key].as_str().unwrap_or("none").to_owned();
    let events = done.events();
    let care = events.iter().filter(|event| event["family"] == "care");
    care.map(|event| ["finding", "item", "state", "level"].map(|key| word(event, key))).collect()
}

fn raised(finding: &str, item: &str) -> [String; 4] {
    [finding, item, "raised", "caution"].map(str::to_owned)
}

#[test]
fn what_is_due_is_raised_once_with_its_item_with_and_without_a_memory() {
    let folder = boat();
    let expected = [raised("fuel-old", "fuel-fill"), raised("service-due", "impeller")];
    assert_eq!(care(&folder, "a.csv"), expected);
    assert_eq!(care(&folder, "a.csv --memory m.bin"), expected);
    assert_eq!(care(&folder, "a.csv --memory m.bin"), [raised("service-due", "engine-oil")], "the others go on");
    assert_eq!(care(&folder, "a.csv --memory m.bin"), Vec::<[String; 4]>::new());
    let line = folder.replay("a.csv --format jsonl").out;
    let begin = "\"finding\":\"fuel-old\",\"family\":\"care\",\"channel\":null,\"item\":\"fuel-fill\",\"level\":\"caution\",\
                 \"state\":\"raised\",\"alarm_state\":\"acknowledged\"";
    assert!(line.contains(begin), "{line}");
    assert!(folder.replay("a.csv").out.contains("Service is due: impeller: caution [service-due]"));
}

#[test]
fn a_sign_off_ends_it_with_the_old_id() {
    let folder = boat();
    care(&folder, "a.csv --memory m.bin");
    assert_eq!(folder.run("ledger sign m.bin --item impeller --role yard").code, Some(0));
    let [cleared] = &care(&folder, "a.csv --memory m.bin")[..1] else { panic!() };
    assert_eq!(*cleared, ["service-due", "impeller", "cleared", "caution"].map(str::to_owned));
    let book: serde_json::Value = serde_json::from_str(&folder.run("ledger show m.bin --format json").out).unwrap();
    let events: Vec<_> =
        book["events"].as_array().unwrap().iter().filter(|event| event["item"] == "impeller").collect();
    assert_eq!(events.len(), 2, "{events:?}");
    assert_eq!(events[0]["id"], events[1]["id"], "the journal keeps the item too");
}

#[test]
fn without_a_plan_it_is_said_that_nothing_can_be_due() {
    let folder = boat();
    folder.write("engine.toml", PROFILE);
    let done = folder.replay("a.csv --summary s.json");
    let said = flowing(&done.err);
    assert!(said.contains("service-due (the profile has no section care)"), "{said}");
    assert!(said.contains("fuel-old (nobody tells the time of day)"), "{said}");
    assert!(folder.read("s.json").contains("service-due"));
}

#[test]
fn no_more_than_four_items_stand_at_once_and_the_engine_keeps_its_slots() {
    let folder = boat();
    let items: String = ["engine-oil", "oil-filter", "gear-oil", "spark-plugs", "anodes", "impeller", "battery"]
        .map(|item| format!("{item} = {{ hours = 1 }}\n"))
        .concat();
    folder.write("engine.toml", format!("{PROFILE}[care]\n{items}"));
    assert_eq!(care(&folder, "a.csv --memory m.bin").len(), 4);
    assert_eq!(folder.run("ledger sign m.bin --item engine-oil --role yard").code, Some(0));
    folder.write("b.csv", Trace::started().at(90, 3_000, 62.0).csv());
    let after = care(&folder, "b.csv --memory m.bin");
    assert_eq!(
        after,
        [["service-due", "engine-oil", "cleared", "caution"].map(str::to_owned), raised("service-due", "anodes"),]
    );
}
