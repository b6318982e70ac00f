//! The service book without a clock, with clocks that were told, and with hours that went back.

use monitor_core::ledger::store::{Area, Conditions, Journal, NewRecord, Progress, Work};
use monitor_core::ledger::{ClockAnchor, ClockQuality};
use sim_host::memory::Memory;

use crate::common::{Folder, Trace};

/// 2026-07-01T12:00:00Z.
const NOON: i64 = 1_782_907_200;
const STANDING: Conditions = Conditions { engine_runs: false, supply_is_good: true };

/// A folder with a memory of two power-ups, an over-speed at second 68 in each.
fn boat() -> Folder {
    let folder = Folder::new();
    folder.write("a.csv", Trace::started().at(20, 6_400, 62.0).at(30, 3_000, 62.0).csv());
    assert_eq!(folder.replay("a.csv a.csv --memory m.bin --format jsonl").code, Some(0));
    folder
}

/// Appends records to the journal in the memory, each with a power-up and running seconds.
fn append(folder: &Folder, records: &[(u32, u32, NewRecord)]) {
    let mut memory = Memory::open(&folder.path().join("m.bin")).unwrap();
    for (boot, running_s, record) in records {
        let mut journal = Journal::new();
        journal.open(&mut memory.region, Area::JOURNAL.start, *boot).unwrap();
        while journal.service(&mut memory.region, STANDING).unwrap() != Work::Nothing {}
        while journal.append(&mut memory.region, *running_s, record).unwrap() == Progress::Again {}
    }
    memory.save().unwrap();
}

fn clock(unix_s: i64, stamp_s: i64, quality: ClockQuality) -> NewRecord {
    NewRecord::Clock(ClockAnchor::new(unix_s, stamp_s * 1_000, quality).unwrap())
}

fn page(folder: &Folder) -> String {
    let done = folder.run("ledger show m.bin");
    assert_eq!(done.code, Some(0), "{}", done.err);
    done.out
}

fn exported(folder: &Folder) -> serde_json::Value {
    serde_json::from_str(&folder.run("ledger export m.bin --format json").out).unwrap()
}

/// `(power-up, said of its time)` of every event that was raised.
fn dates(page: &str) -> Vec<(String, String)> {
    let raised = page.lines().filter(|line| line.contains("warning, raised"));
    raised
        .map(|line| {
            let boot = line.split("power-up ").nth(1).and_then(|rest| rest.split(' ').next()).unwrap();
            let date = line.split("; about ").nth(1).map_or("", |rest| rest.split(';').next().unwrap());
            (boot.to_owned(), date.to_owned())
        })
        .collect()
}

#[test]
fn events_are_dated_by_the_best_clock_of_their_power_up_and_by_no_other() {
    let folder = boat();
    let dated = |boot: &str, date: &str| (boot.to_owned(), date.to_owned());
    assert_eq!(dates(&page(&folder)), [dated("1", ""), dated("2", "")], "nobody told a time: no 1970");
    append(&folder, &[(2, 214, clock(NOON, 100, ClockQuality::Host))]);
    assert_eq!(dates(&page(&folder)), [dated("1", ""), dated("2", "2026-07-01T11:59:28Z (host)")]);
    // Somebody typed another hour later: the better clock stands.
    append(&folder, &[(2, 214, clock(NOON + 3_600, 101, ClockQuality::Typed))]);
    let said = page(&folder);
    assert_eq!(dates(&said)[1], dated("2", "2026-07-01T11:59:28Z (host)"));
    assert!(said.contains("was forward by 3599 s against the one before; dates are unsure"), "{said}");
    append(&folder, &[(2, 214, clock(NOON + 2, 102, ClockQuality::Bus))]);
    let said = page(&folder);
    assert_eq!(dates(&said)[1], dated("2", "2026-07-01T11:59:28Z (bus)"));
    assert!(said.contains("was back by 3599 s"), "{said}");
}

#[test]
fn a_clock_that_runs_back_from_one_power_up_to_the_next_is_said_and_months_without_one_are_nothing() {
    let folder = boat();
    let (winter, spring) = (NOON + 180 * 86_400, NOON + 270 * 86_400);
    append(&folder, &[(1, 107, clock(NOON, 5, ClockQuality::Bus)), (2, 214, clock(winter, 5, ClockQuality::Bus))]);
    let said = page(&folder);
    assert!(!said.contains("dates are unsure"), "{said}");
    let expected = ["2026-07-01T12:01:03Z (bus)", "2026-12-28T12:01:03Z (bus)"];
    assert_eq!(dates(&said).iter().map(|(_, date)| date.as_str()).collect::<Vec<_>>(), expected);
    append(&folder, &[(3, 214, clock(NOON, 5, ClockQuality::Typed)), (4, 214, clock(spring, 5, ClockQuality::Bus))]);
    let said = page(&folder);
    assert_eq!(said.matches("dates are unsure").count(), 1, "{said}");
    assert!(said.contains(&format!("was back by {} s", 180 * 86_400)), "{said}");
}

#[test]
fn hours_that_went_back_are_said() {
    let folder = boat();
    assert!(!page(&folder).contains("went back"));
    // As if a chip had been put in that had seen less.
    append(&folder, &[(3, 214, NewRecord::Hole { seconds: 6 }), (4, 90, NewRecord::Hole { seconds: 7 })]);
    let said = page(&folder);
    assert_eq!(said.matches("shows fewer running hours than the one before it").count(), 1, "{said}");
    let all = exported(&folder);
    assert_eq!(all["went_back"].as_array().unwrap().len(), 1);
    // As if the area of the hours were that of another board.
    append(&folder, &[(5, 5_000, NewRecord::Hole { seconds: 8 })]);
    let said = page(&folder);
    assert!(said.contains("the journal shows at least 5000 s of running"), "{said}");
}

#[test]
fn the_hours_of_an_older_meter_are_carried_and_outlive_the_journal() {
    let folder = boat();
    let running_s = exported(&folder)["running_s"].as_u64().unwrap();
    let signed = folder.run("ledger sign m.bin --role yard --engine-hours 512.5");
    assert_eq!((signed.code, signed.err.as_str()), (Some(0), ""));
    let said = "Signed: the engine has run 512.5 h by the meter before this one, which shows 0.0 h now, by yard.\n";
    assert_eq!(signed.out, said);
    let holes: Vec<_> =
        (0..900).map(|number| (3, u32::try_from(running_s).unwrap(), NewRecord::Hole { seconds: number })).collect();
    append(&folder, &holes);
    assert_eq!(folder.replay("a.csv --memory m.bin --format jsonl").code, Some(0));
    let all = exported(&folder);
    let now_s = all["running_s"].as_u64().unwrap();
    assert!(now_s > running_s, "{now_s}");
    assert_eq!(all["engine_s"], 1_845_000 + now_s - running_s);
    assert_eq!(all["meters"], serde_json::json!([]), "its entry has been summed up");
    assert!(
        page(&folder).contains("512.5 h by an older meter when this one showed 0.0 h, signed by yard"),
        "{}",
        page(&folder)
    );
    for (hours, code) in [("-1", 2), ("100000.1", 2), ("0", 0), ("100000", 0), ("", 2)] {
        let done = folder.command("ledger sign m.bin --role yard --engine-hours").arg(hours).output().unwrap();
        assert_eq!(done.status.code(), Some(code), "{hours}");
    }
}
