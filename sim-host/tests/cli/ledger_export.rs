//! `ledger export`: read back by libraries that have nothing to do with this program.

use std::io::BufReader;

use monitor_core::ledger::store::{Area, Conditions, Key, Progress, Settings, SettingsArea, Work};
use sim_host::memory::{Memory, RegionFlash};

use crate::common::{Folder, PROFILE, Trace, flowing};

const CARE: &str = "[care]
impeller = { hours = 200, months = 12 }
engine-oil = { hours = 100 }
thermostat = { months = 12 }
";

/// A note with all that tables and calendars trip over.
const NOTE: &str = "=sum, \"kit\"; \\n é";

fn boat() -> Folder {
    let folder = Folder::new();
    folder.write("engine.toml", format!("{PROFILE}{CARE}"));
    folder.write("a.csv", Trace::started().at(3_600, 3_000, 62.0).at(20, 6_400, 62.0).at(30, 3_000, 62.0).csv());
    assert_eq!(folder.replay("a.csv --memory m.bin --format jsonl").code, Some(0));
    folder
}

fn sign(folder: &Folder, item: &str, more: &[&str]) {
    let signed = folder.command(&format!("ledger sign m.bin --role yard --item {item}")).args(more).output().unwrap();
    assert!(signed.status.success());
}

fn export(folder: &Folder, format: &str) -> String {
    let done = folder.run(&format!("ledger export m.bin --today 2026-11-25 --format {format}"));
    assert_eq!(done.code, Some(0), "{}", done.err);
    done.out
}

#[test]
fn the_table_is_read_back_by_the_csv_crate() {
    let folder = boat();
    sign(&folder, "impeller", &["--at-hours", "0.5", "--date", "2026-05-31", "--note", NOTE]);
    let table = export(&folder, "csv");
    assert_eq!(table, folder.run("ledger export m.bin").out, "it is what comes where no format is given");
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let header = reader.headers().unwrap().clone();
    let rows: Vec<_> = reader.records().map(Result::unwrap).collect();
    let cell =
        |row: &csv::StringRecord, name: &str| row[header.iter().position(|column| column == name).unwrap()].to_owned();
    let records: Vec<_> =
        rows.iter().map(|row| [cell(row, "record"), cell(row, "what"), cell(row, "state")].join(" ")).collect();
    assert_eq!(records, ["event over-speed raised", "event over-speed cleared", "sign-off impeller "]);
    let signed = rows.last().unwrap();
    assert_eq!(cell(signed, "note"), format!(" {NOTE}"), "no spreadsheet runs it");
    assert_eq!((cell(signed, "done_at_s"), cell(signed, "date")), ("1800".to_owned(), "2026-05-31".to_owned()));
    let order: Vec<u32> = rows.iter().map(|row| cell(row, "seq").parse().unwrap()).collect();
    assert!(order.is_sorted(), "{order:?}");
    let book: serde_json::Value = serde_json::from_str(&folder.run("ledger show m.bin --format json").out).unwrap();
    assert_eq!(cell(&rows[0], "run_on_s"), book["events"][0]["run_on_s"].to_string());
}

#[test]
fn the_object_holds_what_show_says_and_more() {
    let folder = boat();
    sign(&folder, "impeller", &["--note", NOTE]);
    let all: serde_json::Value = serde_json::from_str(&export(&folder, "json")).unwrap();
    let shown: serde_json::Value = serde_json::from_str(&folder.run("ledger show m.bin --format json").out).unwrap();
    for (key, value) in shown.as_object().unwrap() {
        assert_eq!(&all[key], value, "{key}");
    }
    assert_eq!(all["sign_offs"][0]["note"], NOTE);
    assert_eq!((&all["engine_s"], &all["boots"], &all["chain"]), (&shown["running_s"], &1.into(), &"sound".into()));
}

/// The properties of each event of a calendar, by another implementation.
fn events(calendar: &str) -> Vec<Vec<(String, String)>> {
    let parsed: Vec<_> = ical::IcalParser::new(BufReader::new(calendar.as_bytes())).map(Result::unwrap).collect();
    assert_eq!(parsed.len(), 1);
    let properties = |event: &ical::parser::ical::component::IcalEvent| {
        event.properties.iter().map(|one| (one.name.clone(), one.value.clone().unwrap_or_default())).collect()
    };
    parsed[0].events.iter().map(properties).collect()
}

#[test]
fn the_calendar_is_read_back_by_the_ical_crate() {
    let folder = boat();
    sign(&folder, "impeller", &["--at-hours", "0", "--date", "2024-02-29"]);
    sign(&folder, "engine-oil", &["--at-hours", "1", "--date", "2026-11-01"]);
    let done = folder.run("ledger export m.bin --format ical --today 2026-11-25");
    assert!(
        flowing(&done.err).contains("not in the calendar, because no date can be told: thermostat, engine-oil"),
        "{}",
        done.err
    );
    assert!(done.out.lines().all(|line| line.len() <= 75), "RFC 5545, 3.1");
    assert!(done.out.split_inclusive('\n').all(|line| line.ends_with("\r\n")));
    let found = events(&done.out);
    let [impeller] = &found[..] else { panic!("{found:?}") };
    let value = |name: &str| impeller.iter().find(|(found, _)| found == name).map(|(_, value)| value.as_str());
    assert_eq!(value("DTSTART"), Some("20250228"), "12 months after a leap day");
    assert_eq!(value("DTSTAMP"), Some("20261125T000000Z"));
    assert_eq!(value("SUMMARY"), Some("impeller: service due (m)"));
    let uid = value("UID").unwrap().to_owned();
    sign(&folder, "impeller", &["--date", "2026-11-25"]);
    let again = events(&export(&folder, "ics"));
    assert!(again[0].contains(&("UID".to_owned(), uid)), "the same event is replaced: {again:?}");
    assert!(again[0].contains(&("DTSTART".to_owned(), "20271125".to_owned())), "{again:?}");
}

#[test]
fn the_keys_of_the_board_are_in_no_output() {
    let folder = boat();
    let pairing = *b"pair-key-secrets";
    let mut memory = Memory::open(&folder.path().join("m.bin")).unwrap();
    let chain = save_pairing_key(&mut memory.region, Key::from_bytes(pairing));
    memory.save().unwrap();
    sign(&folder, "impeller", &["--date", "2026-11-25"]);
    let all: serde_json::Value = serde_json::from_str(&export(&folder, "json")).unwrap();
    assert_eq!(all["chain"], "sound", "what was signed is tagged");
    let head = all["chain_head"].as_str().unwrap();
    assert_eq!(head.len(), 8);
    let sheet = folder.run("ledger plan m.bin").out;
    assert!(sheet.contains(&format!("Hand-over slip: 1.0 h, {head}")), "{sheet}");
    let hex = |key: &[u8]| key.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    let list = |key: &[u8]| format!("{key:?}");
    for command in [
        "show m.bin",
        "show m.bin --format json",
        "plan m.bin",
        "plan m.bin --format html",
        "export m.bin",
        "export m.bin --format json",
        "export m.bin --format ical",
        "sign m.bin --item impeller --role yard",
    ] {
        let done = folder.run(&format!("ledger {command}"));
        let said = (done.out + &done.err).to_lowercase();
        for key in [chain, pairing] {
            let text = String::from_utf8_lossy(&key).to_lowercase();
            for secret in [text, hex(&key), list(&key), hex(&key[..8])] {
                assert!(!said.contains(&secret), "{command}: {secret}");
            }
        }
    }
}

/// Saves a pairing key; tells the chain key that the memory has.
fn save_pairing_key(region: &mut RegionFlash, pairing_key: Key) -> [u8; 16] {
    let standing = Conditions { engine_runs: false, supply_is_good: true };
    let mut area = SettingsArea::new();
    area.open(region, Area::SETTINGS.start).unwrap();
    while area.service(region, standing).unwrap() != Work::Nothing {}
    let kept = area.load(region).unwrap().unwrap();
    let settings = Settings { pairing_key: Some(pairing_key), ..kept };
    while area.save(region, &settings).unwrap() == Progress::Again {}
    *kept.chain_key.unwrap().as_bytes()
}
