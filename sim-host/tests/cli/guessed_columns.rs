//! `--columns auto` and `--write-columns`: what is guessed, what is refused, what is written.

use std::fmt::Write as _;

use crate::common::{Folder, PROFILE, flowing};

/// A trace of ten minutes under that header; `row` makes the cells of a second.
fn trace(header: &str, row: impl Fn(u32) -> String) -> String {
    let mut text = format!("{header}\n");
    for second in 0..600 {
        writeln!(text, "{}", row(second)).unwrap();
    }
    text
}

fn rpm(second: u32) -> u32 {
    3_000 + second * 7 % 5 * 4
}

fn head_c(second: u32) -> f64 {
    20.0 + f64::from(second.min(200)) * 0.21 + f64::from(second * 7 % 5) * 0.1
}

#[test]
fn common_layouts_are_guessed_and_the_written_map_reads_the_same() {
    let folder = Folder::new();
    let own = trace("t_s,rpm,head_c,flow_lpm,supply_v", |s| {
        format!("{s},{},{:.1},2.{},14.{}", rpm(s), head_c(s), s % 5, s % 3)
    });
    let cases = [
        (
            "own layout",
            own,
            vec!["\"t_s\", unit = \"s\"", "\"flow_lpm\", unit = \"L/min\"", "\"supply_v\", unit = \"V\""],
        ),
        (
            "units in brackets, milliseconds",
            trace("Time (ms),Engine Speed (rpm),Coolant Temp (°F),Boat Speed [mph],Ambient Temp (°F)", |s| {
                format!("{},{},{:.1},20.{},70", s * 1_000, rpm(s), head_c(s) * 1.8 + 32.0, s % 7)
            }),
            vec![
                "time   = { column = \"Time (ms)\", unit = \"ms\" }",
                "rpm    = { column = \"Engine Speed (rpm)\", unit = \"rpm\" }",
                "head   = { column = \"Coolant Temp (°F)\", unit = \"F\" }",
                "speed  = { column = \"Boat Speed [mph]\", unit = \"mph\" }",
                "# not used: Ambient Temp (°F)",
            ],
        ),
        (
            "no units at all, told by values",
            trace("timestamp,RPM,CHT,Battery", |s| {
                format!("{},{},{:.1},14{:03}", s * 1_000, rpm(s), head_c(s), s % 90)
            }),
            vec![
                "unit = \"ms\" }  # likely: named so, by the steps between rows",
                "head   = { column = \"CHT\", unit = \"C\" }  # likely: named so, its unit told by its values",
                "supply = { column = \"Battery\", unit = \"mV\" }  # likely",
            ],
        ),
        (
            "clock, other words, marks among the values",
            trace("Clock,Tach,Cylinder Head Temperature [K],Telltale [gpm],Oil Press psi,SOG kn,Sea temp C", |s| {
                let head = if s == 50 { -127.0 } else { head_c(s) + 273.15 };
                format!("10:{:02}:{:02},{},{head:.1},0.6{},35,12.{},18.{}", s / 60, s % 60, rpm(s), s % 5, s % 7, s % 3)
            }),
            vec![
                "time   = { column = \"Clock\", unit = \"hh:mm:ss\" }",
                "unit = \"K\" }",
                "unit = \"gal/min\" }",
                "unit = \"psi\" }",
                "unit = \"kn\" }",
                "water  = { column = \"Sea temp C\", unit = \"C\" }",
            ],
        ),
    ];
    for (name, text, words) in cases {
        folder.write("t.csv", text);
        let guessed = folder.replay("t.csv --columns auto --write-columns map.toml --format jsonl --summary a.json");
        assert_eq!(guessed.code, Some(0), "{name}: {}", guessed.err);
        for word in words {
            assert!(guessed.err.contains(word), "{name}: no `{word}` in {}", guessed.err);
        }
        assert!(guessed.err.starts_with("columns: guessed from 600 rows of t.csv"), "{name}: {}", guessed.err);
        let mapped =
            folder.replay("t.csv --columns map.toml --write-columns again.toml --format jsonl --summary b.json");
        assert_eq!((mapped.code, &mapped.out), (Some(0), &guessed.out), "{name}: {}", mapped.err);
        assert_eq!(folder.read("a.json"), folder.read("b.json"), "{name}");
        assert_eq!(
            folder.read("map.toml"),
            folder.read("again.toml"),
            "{name}: a map that is read is written as it is"
        );
        assert!(guessed.err.ends_with(&mapped.err), "{name}: beside the map nothing else is said\n{}", mapped.err);
    }
}

#[test]
fn what_leaves_a_choice_is_refused_with_a_map_to_choose_from() {
    let folder = Folder::new();
    let row = |s: u32| format!("{s},{},{:.1},{:.1}", rpm(s), head_c(s), 2.0 + f64::from(s % 5) * 0.1);
    let cases: [(&str, &str, &[&str]); 8] = [
        (
            "two heads",
            "t_s,rpm,coolant_c,CHT [C]",
            &["several columns can be head", "# head   = { column = \"CHT [C]\""],
        ),
        ("two engine speeds", "t_s,rpm1,x,rpm2", &["several columns can be rpm", "# rpm    = { column = \"rpm2\""]),
        (
            "flow without a unit",
            "t_s,rpm,coolant_c,flow",
            &[
                "the unit of \"flow\" cannot be told",
                "  rpm    = { column = \"rpm\", unit = \"rpm\" }",
                "# flow   = { column = \"flow\", unit = \"gal/min\" }",
            ],
        ),
        ("speed without a unit", "t_s,rpm,coolant_c,SOG", &["the unit of \"SOG\" cannot be told", "unit = \"km/h\""]),
        (
            "plain temperature",
            "t_s,rpm,Temp [C],x",
            &["can be the head or the raw water", "# water  = { column = \"Temp [C]\""],
        ),
        ("water temperature", "t_s,rpm,Water Temp [C],x", &["can be the head or the raw water"]),
        ("unit that cannot be", "t_s,rpm,coolant_c,Oil Pressure [MPa]", &["cannot be oil in MPa"]),
        ("two clocks", "time_s,rpm,coolant_c,elapsed", &["several columns can be the time"]),
    ];
    for (name, header, words) in cases {
        folder.write("t.csv", trace(header, row));
        let done = folder.replay("t.csv --columns auto --write-columns map.toml --format jsonl");
        assert_eq!((done.code, done.out.as_str()), (Some(2), ""), "{name}: {}", done.err);
        assert!(done.err.starts_with("error: t.csv:1: --columns auto is not sure: "), "{name}: {}", done.err);
        for word in words {
            assert!(done.err.contains(word), "{name}: no `{word}` in {}", done.err);
        }
        assert!(done.err.contains("give it with --columns MAP.toml"), "{name}: {}", done.err);
        assert!(!folder.path().join("map.toml").exists(), "{name}: no map is written");
    }
    folder.write("t.csv", trace("t_s,instance,rpm,voltage_v", |s| format!("{s},{},{},14.{}", s % 3, rpm(s), s % 5)));
    let done = folder.replay("t.csv --columns auto");
    assert_eq!(done.code, Some(2), "{}", done.err);
    assert!(done.err.contains("where = { column = \"instance\", equals = \"0\" }"), "{}", done.err);
}

#[test]
fn the_chosen_lines_of_a_refusal_make_a_map() {
    let folder = Folder::new();
    folder.write("t.csv", trace("t_s,rpm,coolant_c,flow", |s| format!("{s},{},{:.1},2.{}", rpm(s), head_c(s), s % 5)));
    let refused = folder.replay("t.csv --columns auto");
    let lines = refused.err.lines().filter_map(|line| line.strip_prefix("  "));
    let chosen = lines.filter(|line| !line.starts_with('#') || line.contains("L/min"));
    folder.write("map.toml", chosen.map(|line| format!("{}\n", line.trim_start_matches("# "))).collect::<String>());
    let done = folder.replay("t.csv --columns map.toml --format jsonl --summary s.json");
    assert_eq!(done.code, Some(0), "{}{}", done.err, folder.read("map.toml"));
    assert!(!flowing(&done.err).contains("no column for flow"), "{}", done.err);
}

#[test]
fn traces_without_time_or_engine_speed_and_pipes_are_refused() {
    let folder = Folder::new();
    for (name, header, words) in [
        ("no rpm", "t_s,coolant_c", "No column looks like the engine speed; the columns are: t_s, coolant_c"),
        ("no time", "rpm,coolant_c", "No column looks like the time; the columns are: rpm, coolant_c"),
        ("neither", "a,b", "No column looks like the time or the engine speed"),
    ] {
        folder.write("t.csv", trace(header, |s| format!("{},{:.1}", rpm(s), head_c(s))));
        let done = folder.replay("t.csv --columns auto");
        assert_eq!((done.code, done.out.as_str()), (Some(3), ""), "{name}: {}", done.err);
        assert!(done.err.contains(words) && done.err.contains("--columns MAP.toml"), "{name}: {}", done.err);
    }
    folder.write("t.csv", trace("time,rpm", |s| format!("2026/05/01 12:{:02}:{:02},{}", s / 60, s % 60, rpm(s))));
    let done = folder.replay("t.csv --columns auto");
    assert_eq!(done.code, Some(3), "{}", done.err);
    assert!(done.err.contains("\"time\" is named like one, but \"2026/05/01 12:00:00\""), "{}", done.err);
    for arguments in ["missing.csv --columns auto", "engine.toml --columns auto"] {
        let done = folder.replay(arguments);
        assert_eq!(done.code, Some(3), "{arguments}: {}", done.err);
    }
}

#[cfg(unix)]
#[test]
fn a_pipe_cannot_be_guessed_from() {
    let folder = Folder::new();
    let mut command = folder.command("replay --profile engine.toml /dev/stdin --columns auto");
    command.stdin(std::process::Stdio::piped());
    let output = command.output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("Write it to a file first"), "{output:?}");
}

#[test]
fn one_map_is_guessed_for_all_traces_and_a_trace_that_differs_is_named() {
    let folder = Folder::new();
    folder.write("empty.csv", "");
    folder.write("a.csv", trace("ms,revs,ECT [C]", |s| format!("{},{},{:.1}", s * 1_000, rpm(s), head_c(s))));
    folder.write("b.csv", trace("ms,rpm,ECT [C]", |s| format!("{},{},{:.1}", s * 1_000, rpm(s), head_c(s))));
    let done = folder.replay("empty.csv a.csv --columns auto --format jsonl --summary s.json");
    assert_eq!(done.code, Some(3), "the first cannot be read, the second is: {}", done.err);
    assert!(done.err.contains("guessed from 600 rows of a.csv"), "{}", done.err);
    assert!(folder.read("s.json").contains("\"rows_read\":600"), "{}", done.err);
    let done = folder.replay("a.csv b.csv --columns auto --format jsonl");
    assert_eq!(done.code, Some(2), "{}", done.err);
    assert!(done.err.contains("--columns auto: The column \"revs\" is not in the header of b.csv"), "{}", done.err);
}

#[test]
fn a_map_is_written_where_it_replaces_nothing_that_is_read() {
    let folder = Folder::new();
    folder.write("t.csv", trace("t_s,rpm", |s| format!("{s},{}", rpm(s))));
    for (arguments, code, words) in [
        ("t.csv --write-columns m.toml", 2, "--columns"),
        ("t.csv --columns auto --write-columns t.csv", 2, "would replace a file that is read here"),
        ("t.csv --columns auto --write-columns engine.toml", 2, "would replace a file that is read here"),
        ("t.csv --columns auto --write-columns nowhere/m.toml", 4, "The column map cannot be written"),
    ] {
        let done = folder.replay(arguments);
        assert_eq!((done.code, done.out.as_str()), (Some(code), ""), "{arguments}: {}", done.err);
        assert!(done.err.contains(words), "{arguments}: {}", done.err);
    }
    assert_eq!(folder.read("engine.toml"), PROFILE);
}
