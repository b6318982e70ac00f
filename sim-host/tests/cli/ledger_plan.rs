//! `ledger plan`: what is due, what the record adds, on a sheet to tick.

use crate::common::{Folder, PROFILE, Trace, flowing};

const CARE: &str = "[care]
engine-oil = { hours = 1, run_in_hours = 0 }
impeller = { hours = 200, months = 36 }
thermostat = { months = 12 }
fuel-fill = { hours = 500 }
grease = { hours = 3 }
";

/// A folder whose memory `m.bin` has run over an hour.
fn boat(strokes: &str) -> Folder {
    let folder = Folder::new();
    folder.write("engine.toml", format!("{PROFILE}{CARE}").replace("strokes = 4", strokes));
    run(&folder, &Trace::started().at(3_600, 3_000, 62.0));
    folder
}

fn run(folder: &Folder, trace: &Trace) {
    folder.write("a.csv", trace.csv());
    let done = folder.replay("a.csv --memory m.bin --format jsonl");
    assert_eq!(done.code, Some(0), "{}", done.err);
}

fn sign(folder: &Folder, arguments: &str) {
    let done = folder.run(&format!("ledger sign m.bin --role mechanic {arguments}"));
    assert_eq!(done.code, Some(0), "{}", done.err);
}

fn sheet(folder: &Folder, arguments: &str) -> String {
    let done = folder.run(&format!("ledger plan m.bin {arguments}"));
    assert_eq!(done.code, Some(0), "{}", done.err);
    assert!(flowing(&done.err).contains("Beware of hot water"), "the cautions stand once on standard error");
    assert!(done.out.lines().all(|line| line.chars().count() <= 80 || line.contains("ledger sign")), "{}", done.out);
    flowing(&done.out)
}

#[test]
fn the_plan_says_what_is_due_what_is_unknown_and_why() {
    let folder = boat("strokes = 4");
    let page = sheet(&folder, "--today 2026-11-25");
    for said in [
        "[ ] engine-oil: DUE at 1.0 h; never signed, hours counted from 0, date unknown",
        "[ ] impeller: unknown, or at 200.0 h; never signed",
        "[ ] thermostat: unknown; never signed",
        "Not in this engine's plan: intervals of common practice, the handbook comes first [ ] oil-filter: 100 to 200 h",
        "Use: not known; two sign-offs with dates at least 14 days apart tell it",
        "lookastern ledger sign m.bin --item engine-oil --role mechanic --date 2026-11-25",
    ] {
        assert!(page.contains(said), "{said}: {page}");
    }
    sign(&folder, "--item engine-oil --date 2026-11-25");
    sign(&folder, "--item thermostat --date 2025-12-24");
    sign(&folder, "--item impeller --at-hours 0.5 --date 2026-11-01");
    sign(&folder, "--item grease --at-hours 0 --date 2026-10-01");
    let page = sheet(&folder, "--today 2026-11-25");
    for said in [
        "[ ] engine-oil: next at 2.0 h (hours over about 2027-01-18 if used as before); last at 1.0 h, 2026-11-25",
        "[ ] thermostat: due soon, on 2026-12-24; last at 1.0 h, 2025-12-24",
        "[ ] impeller: next at 200.5 h or on 2029-11-01; last at 0.5 h, 2026-11-01",
        "Use: 0.1 h a week",
    ] {
        assert!(page.contains(said), "{said}: {page}");
    }
    let later = sheet(&folder, "--today 2026-12-24");
    assert!(later.contains("[ ] thermostat: DUE on 2026-12-24"), "on the day itself: {later}");
    assert!(!sheet(&folder, "--today 2026-12-23").contains("thermostat: DUE"));
    let sand = sheet(&folder, "--today 2026-11-25 --water sand");
    let shorter =
        "impeller: next at 66.5 h or on 2027-10-01; last at 0.5 h, 2026-11-01; interval shortened to 33 %: sand";
    assert!(sand.contains(shorter), "{sand}");
    assert!(
        sheet(&folder, "--today 2026-11-25 --water salt").contains("grease: DUE at 1.0 h"),
        "half of 3 h, rounded down"
    );
}

#[test]
fn fuel_is_old_after_ten_weeks_and_after_eight_with_oil_in_it() {
    for (strokes, last_good, old) in
        [("strokes = 4", "2026-03-11", "2026-03-12"), ("strokes = 2", "2026-02-25", "2026-02-26")]
    {
        let folder = boat(strokes);
        assert!(sheet(&folder, "--today 2026-11-25").contains("fuel-fill: unknown, or at 500.0 h"), "never 1970");
        sign(&folder, "--item fuel-fill --date 2026-01-01");
        let page = sheet(&folder, &format!("--today {last_good}"));
        assert!(page.contains(&format!("fuel-fill: due soon, at 501.0 h or on {old}")), "{strokes}: {page}");
        assert!(sheet(&folder, &format!("--today {old}")).contains("fuel-fill: DUE at 501.0 h or on"), "{strokes}");
    }
}

#[test]
fn what_happened_opens_lines_that_a_sign_off_closes() {
    let folder = boat("strokes = 4");
    let before = sheet(&folder, "");
    assert!(!before.contains("From this engine's record"), "{before}");
    run(&folder, &Trace::started().at(20, 3_000, 101.0).at(60, 3_000, 62.0));
    let loom = "Loom and coils: look at wires and coil feet next to the block";
    let page = sheet(&folder, "--today 2026-11-25");
    assert!(page.contains(&format!("[ ] {loom}, their insulation may have melted. [spark-plugs]")), "{page}");
    assert!(page.contains("takes a line off the sheet The head is too hot: once, last in power-up 2 at 0:01:08; run on 0:00:27 in all [ ]"), "{page}");
    for item in ["spark-plugs", "thermostat", "impeller"] {
        assert!(page.contains(&format!("sign m.bin --item {item} --role")), "{item}: {page}");
    }
    sign(&folder, "--item spark-plugs");
    let page = sheet(&folder, "--today 2026-11-25");
    assert!(!page.contains(loom) && page.contains("Does the thermostat open in hot water?"), "{page}");
    sign(&folder, "--item thermostat --date 2026-11-25");
    sign(&folder, "--item impeller");
    assert!(!sheet(&folder, "").contains("From this engine's record"));
    run(&folder, &Trace::started().at(20, 3_000, 101.0).at(60, 3_000, 62.0));
    let page = sheet(&folder, "--today 2026-11-25");
    assert!(page.contains(loom), "it happened again: {page}");
    let shortened =
        "thermostat: next on 2027-05-25; last at 1.0 h, 2026-11-25; interval shortened to 50 %: the head was over";
    assert!(page.contains(shortened), "{page}");
}

#[test]
fn a_dry_start_asks_for_the_impeller() {
    let folder = boat("strokes = 4");
    let dry: String =
        (0..80).map(|second| format!("{second},{},62.0,0.0,14.1\n", if second < 5 { 0 } else { 3_000 })).collect();
    folder.write("a.csv", format!("t_s,rpm,head_c,flow_lpm,supply_v\n{dry}"));
    assert_eq!(folder.replay("a.csv --memory m.bin --format jsonl").code, Some(0));
    let page = sheet(&folder, "");
    assert!(page.contains("Inspect the impeller: it has run without water."), "{page}");
    assert!(page.contains("impeller: unknown, or at 100.0 h; never signed"), "the interval is halved: {page}");
}

#[test]
fn the_sheet_for_paper_holds_the_same() {
    let folder = boat("strokes = 4");
    run(&folder, &Trace::started().at(20, 3_000, 101.0).at(60, 3_000, 62.0));
    let done = folder.run("ledger plan m.bin --today 2026-11-25 --format html -o sheet.html");
    assert_eq!((done.code, done.out.as_str(), done.err.as_str()), (Some(0), "", ""));
    let page = folder.read("sheet.html");
    for said in
        ["@page{size:A4", "<b>engine-oil: DUE at 1.0 h", "Loom and coils", "<h3>Steering</h3>", "Beware of hot water"]
    {
        assert!(page.contains(said), "{said}");
    }
    assert!(!page.contains("http") && !page.contains("<script"), "it needs nothing from outside");
    for tag in ["ul", "section", "h2", "h3", "p", "small", "pre", "b"] {
        let opened = page.matches(&format!("<{tag}>")).count() + page.matches(&format!("<{tag} ")).count();
        assert_eq!(opened, page.matches(&format!("</{tag}>")).count(), "{tag}");
    }
    assert_eq!(folder.run("ledger plan m.bin --format html --today 2026-11-25").out, page);
}

#[test]
fn what_cannot_be_planned_is_refused() {
    let folder = boat("strokes = 4");
    for (arguments, code, said) in [
        ("plan m.bin --today tomorrow", 2, "--today tomorrow is no day"),
        ("plan m.bin -o m.bin", 2, "The output would replace the memory"),
        ("plan m.bin -o nowhere/sheet.txt", 4, "The output cannot be written"),
        ("plan m.bin --water brackish", 2, "salt"),
        ("plan nowhere.bin", 3, "There is no such file"),
        ("export m.bin -o ./m.bin", 2, "The output would replace the memory"),
        ("export nowhere.bin", 3, "There is no such file"),
    ] {
        let done = folder.run(&format!("ledger {arguments}"));
        assert_eq!((done.code, done.out.as_str()), (Some(code), ""), "{arguments}: {}", done.err);
        assert!(done.err.contains(said), "{arguments}: {}", done.err);
    }
    assert_eq!(std::fs::metadata(folder.path().join("m.bin")).unwrap().len(), 65_600);
}
