//! What the command says when something is wrong: file, line, cause, remedy; exit codes 2, 3 and 4.

use crate::common::{Folder, PROFILE, flowing, healthy};

/// Runs a replay with one file replaced and checks exit code and words.
fn refused(folder: &Folder, arguments: &str, code: i32, words: &[&str]) {
    let done = folder.replay(arguments);
    assert_eq!(done.code, Some(code), "{arguments}: {}", done.err);
    assert_eq!(done.out, "", "{arguments}");
    let said = flowing(&done.err);
    for word in words {
        assert!(said.contains(word), "{arguments}: no `{word}` in {}", done.err);
    }
}

#[test]
fn an_unusable_profile_is_named_with_line_and_remedy() {
    let cases: &[(&str, &str, &str, &[&str])] = &[
        ("not TOML", "max_rpm = 6000", "max_rpm 6000", &[":6:", "not valid TOML"]),
        ("unknown key", "idle_rpm", "idel_rpm", &[":4:", "engine.idel_rpm", "idle_rpm"]),
        ("unknown section", "[electric]", "[electrics]", &[":9:", "electrics", "electric"]),
        ("unknown top key", "name =", "names =", &[":1:", "names", "name"]),
        ("missing", "max_rpm = 6000\n", "", &["engine.max_rpm is missing", "max_rpm = 6000"]),
        ("text for a number", "= 6000", "= \"6000\"", &[":6:", "a text, not a number", "without quotes"]),
        ("true for a number", "= 6000", "= true", &[":6:", "not a number"]),
        ("decimal for strokes", "strokes = 4", "strokes = 4.0", &[":3:", "not a whole number"]),
        ("strokes", "strokes = 4", "strokes = 3", &[":3:", "strokes must be 2 or 4"]),
        ("not finite", "= 95.0", "= nan", &[":8:", "not a finite number"]),
        ("infinite", "= 95.0", "= -inf", &[":8:", "not a finite number"]),
        ("out of range", "= 95.0", "= 950.0", &[":8:", "950.0", "-40 to 200"]),
        ("huge", "= 6000", "= 1e300", &[":6:", "out of range", "30000"]),
        ("idle 0", "idle_rpm = 750", "idle_rpm = 0", &[":4:", "idle_rpm"]),
        ("idle over rated", "idle_rpm = 750", "idle_rpm = 5600", &[":5:", "rated_rpm must be above idle_rpm"]),
        ("rated over max", "max_rpm = 6000", "max_rpm = 5400", &[":6:", "max_rpm must be above"]),
        ("thermostat over limit", "= 60.0", "= 95", &[":7:", "thermostat_opens_c must be below head_limit_c"]),
        ("no rpm", "\"rpm\", ", "", &[":12:", "must contain \"rpm\""]),
        ("unknown channel", "\"flow\"", "\"flwo\"", &[":12:", "flwo", "flow"]),
        ("channel twice", "\"flow\"", "\"head\"", &[":12:", "twice"]),
        ("24 V", "[electric]", "[electric]\nnominal_v = 24", &[":10:", "12"]),
        ("telltale", "[electric]", "[water]\ntelltale = \"behind\"\n[electric]", &[":10:", "behind", "thermostat"]),
        ("flag", "[electric]", "[water]\nrelief_valve = 1\n[electric]", &[":10:", "true or false"]),
        ("ratio 0", "[electric]", "[drive]\ngear_ratio = 0\n[electric]", &[":10:", "above 0"]),
        ("pulses", "[electric]", "[calibration.rpm]\npulses_per_rev = 0\n[electric]", &[":10:", "above 0"]),
        ("kind", "[electric]", "[calibration.head]\nkind = \"thermister\"\n[electric]", &[":10:", "thermistor"]),
        ("divider", "[electric]", "[calibration.supply]\nratio = 0.2\n[electric]", &[":10:", "1 to 100"]),
        ("table", "[electric]", "[calibration.head]\ntable = [[1, 2]]\n[electric]", &[":10:", "two at least"]),
        ("both", "[electric]", "[calibration.head]\na = 1\ntable = [[1, 2], [3, 4]]\n[electric]", &[":11:", "both"]),
        ("care item", "[electric]", "[care]\nimpeler = { hours = 1 }\n[electric]", &[":10:", "impeller"]),
        ("care key", "[electric]", "[care]\nimpeller = { hour = 1 }\n[electric]", &[":10:", "hours"]),
        ("care range", "[electric]", "[care]\nimpeller = { hours = -1 }\n[electric]", &[":10:", "out of range"]),
        ("care empty", "[electric]", "[care]\nimpeller = { run_in_hours = 1 }\n[electric]", &[":10:", "neither hours"]),
        ("section as value", "[electric]\ncharging_min_v = 13.0", "electric = 12", &["engine.electric"]),
    ];
    let folder = Folder::new();
    folder.write("t.csv", healthy());
    for (name, from, to, words) in cases {
        assert!(PROFILE.contains(from), "{name}");
        folder.write("engine.toml", PROFILE.replacen(from, to, 1));
        let done = folder.replay("t.csv");
        assert_eq!((done.code, done.out.as_str()), (Some(2), ""), "{name}: {}", done.err);
        assert!(done.err.starts_with("error: engine.toml:"), "{name}: {}", done.err);
        for word in *words {
            assert!(done.err.contains(word), "{name}: no `{word}` in {}", done.err);
        }
    }
}

#[test]
fn a_profile_that_is_no_text_file_is_refused() {
    let folder = Folder::new();
    folder.write("t.csv", healthy());
    folder.write("engine.toml", [0xff, 0xfe, 0x00]);
    refused(&folder, "t.csv", 2, &["engine.toml", "not UTF-8"]);
    folder.write("engine.toml", "x".repeat(2 << 20));
    refused(&folder, "t.csv", 2, &["engine.toml", "longer than 1 MiB"]);
    folder.write("engine.toml", "");
    refused(&folder, "t.csv", 2, &["engine.toml", "[engine] is missing"]);
    std::fs::remove_file(folder.path().join("engine.toml")).unwrap();
    refused(&folder, "t.csv", 2, &["engine.toml", "cannot be read"]);
}

#[test]
fn a_full_profile_with_every_key_is_accepted() {
    let folder = Folder::new();
    folder.write("t.csv", healthy());
    folder.write(
        "engine.toml",
        "\u{feff}name = \"Skiff 3\"\r\n[engine]\r\nstrokes = 4\r\ncylinders = 4\r\nrated_kw = 44.0\r\nidle_rpm = 750\r\n\
         rated_rpm = 5_500\r\nmax_rpm = 6e3\r\nthermostat_opens_c = 62.0\r\nhead_limit_c = 95.0\r\noil_min_kpa = 100.0\r\n\
         [water]\r\ntelltale = \"before-thermostat\"\r\nrelief_valve = true\r\nflow_min_lpm = 0.3\r\n\
         [drive]\r\ngear_ratio = 1.85\r\nprop_pitch_in = 13.0\r\n[electric]\r\nnominal_v = 12.0\r\ncharging_min_v = 13.0\r\n\
         [channels]\r\nfitted = [\"rpm\", \"head\", \"flow\", \"supply\", \"speed\", \"water\", \"oil\"]\r\n\
         [calibration.rpm]\r\npulses_per_rev = 6\r\n[calibration.flow]\r\npulses_per_litre = 450\r\noffset_hz = -0.5\r\n\
         [calibration.head]\r\nkind = \"thermistor\"\r\na = 1.1e-3\r\nb = 2.4e-4\r\nc = 7.5e-8\r\npull_up_ohm = 10000\r\n\
         [calibration.supply]\r\nratio = 5.7\r\n[care]\r\nimpeller = { hours = 200, months = 12, run_in_hours = 0 }\r\n\
         engine-oil = { hours = 100 }\r\n[care.fuel-fill]\r\nmonths = 2\r\n",
    );
    let done = folder.replay("t.csv --format jsonl");
    assert_eq!((done.code, done.out.as_str()), (Some(0), ""), "{}", done.err);
    assert!(!done.err.contains("is not given"), "{}", done.err);
}

#[test]
fn an_unusable_actions_file_is_named_with_line_and_remedy() {
    let cases: &[(&str, &str, &[&str])] = &[
        ("empty", "", &["do.csv:", "empty"]),
        ("no header", "0,1,reset,\n", &["do.csv:1:", "trip,t_s,action,finding"]),
        ("cells", "trip,t_s,action,finding\n0,1,reset\n", &["do.csv:2:", "3 cells, not 4"]),
        ("trip", "trip,t_s,action,finding\nx,1,reset,\n", &["do.csv:2:", "trip `x`"]),
        ("time", "trip,t_s,action,finding\n0,,reset,\n", &["do.csv:2:", "time ``"]),
        ("action", "trip,t_s,action,finding\n\n0,1,rest,\n", &["do.csv:3:", "`rest`", "reset"]),
        ("finding", "trip,t_s,action,finding\n0,1,reset,steam-lost\n", &["do.csv:2:", "`steam-lost`", "stream-lost"]),
        ("shelve:31", "trip,t_s,action,finding\n0,1,shelve:31,\n", &["do.csv:2:", "`31`", "1 to 30"]),
    ];
    let folder = Folder::new();
    folder.write("t.csv", healthy());
    for (name, text, words) in cases {
        folder.write("do.csv", text);
        let done = folder.replay("t.csv --actions do.csv");
        assert_eq!((done.code, done.out.as_str()), (Some(2), ""), "{name}: {}", done.err);
        for word in *words {
            assert!(done.err.contains(word), "{name}: no `{word}` in {}", done.err);
        }
    }
    refused(&folder, "t.csv --actions nowhere.csv", 2, &["nowhere.csv", "cannot be read"]);
}

#[test]
fn an_unusable_mapping_is_refused_before_any_trace_is_opened() {
    let folder = Folder::new();
    folder.write("map.toml", "time = { column = \"t_s\", unit = \"weeks\" }\nrpm = { column = \"rpm\" }\n");
    refused(&folder, "missing.csv --columns map.toml", 2, &["map.toml:1:", "weeks"]);
    refused(&folder, "missing.csv --columns nowhere.toml", 2, &["nowhere.toml"]);
    folder.write("map.toml", "time = { column = \"t_s\" }\nrpm = { column = \"revs\" }\n");
    folder.write("t.csv", healthy());
    refused(&folder, "t.csv --columns map.toml", 2, &["t.csv", "revs"]);
}

#[test]
fn what_a_later_version_will_do_is_answered_honestly() {
    let folder = Folder::new();
    folder.write("t.csv", healthy());
    for line in ["report m", "board watch --port P", "fleet due", "demo", "demo --help"] {
        let done = folder.run(line);
        assert_eq!((done.code, done.out.as_str()), (Some(2), ""), "{line}: {}", done.err);
        assert!(done.err.contains("this version cannot do that yet"), "{line}: {}", done.err);
    }
}

#[test]
fn an_unusable_command_line_exits_with_2() {
    let folder = Folder::new();
    folder.write("t.csv", healthy());
    let cases = [
        ("", "Usage"),
        ("replay", "--profile"),
        ("replay t.csv", "--profile"),
        ("replay --profile engine.toml", "TRACE"),
        ("replay t.csv --profile engine.toml --format xml", "jsonl"),
        ("replay t.csv --profile engine.toml --fail-on emergency", "warning"),
        ("replay t.csv --profile engine.toml --colums m", "--columns"),
        ("reply t.csv", "replay"),
        ("completions tcsh", "bash"),
    ];
    for (line, word) in cases {
        let done = folder.run(line);
        assert_eq!((done.code, done.out.as_str()), (Some(2), ""), "`{line}`: {}", done.err);
        assert!(done.err.contains(word), "`{line}`: no `{word}` in {}", done.err);
    }
}

#[test]
fn a_trace_of_which_nothing_can_be_read_exits_with_3() {
    let folder = Folder::new();
    folder.write("empty.csv", "");
    folder.write("norpm.csv", "t_s,head_c\n0,60\n");
    folder.write("norows.csv", "t_s,rpm\n");
    folder.write("bad.csv", "t_s,rpm\nx,1\ny,2\n");
    std::fs::create_dir(folder.path().join("dir.csv")).unwrap();
    for name in ["missing", "empty", "norpm", "norows", "bad", "dir"] {
        refused(&folder, &format!("{name}.csv"), 3, &[&format!("error: {name}.csv")]);
        refused(&folder, &format!("{name}.csv --fail-on caution"), 3, &[]);
    }
}

#[test]
fn an_output_that_cannot_be_written_exits_with_4() {
    let folder = Folder::new();
    folder.write("t.csv", healthy());
    std::fs::create_dir(folder.path().join("s.json")).unwrap();
    refused(&folder, "t.csv --summary s.json", 4, &["error: s.json", "cannot be written", "--summary"]);
    refused(&folder, "t.csv --summary nowhere/s.json", 4, &["nowhere", "cannot be written"]);
    refused(&folder, "missing.csv --summary nowhere/s.json --fail-on caution", 4, &["nowhere"]);
}

#[test]
fn a_summary_never_replaces_an_input() {
    let folder = Folder::new();
    folder.write("t.csv", healthy());
    for input in ["t.csv", "./engine.toml"] {
        refused(&folder, &format!("t.csv --summary {input}"), 2, &["would replace", "another name"]);
    }
    assert_eq!((folder.read("t.csv"), folder.read("engine.toml")), (healthy(), PROFILE.to_owned()));
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_behind_standard_output_exits_with_4() {
    let folder = Folder::new();
    folder.write("t.csv", crate::common::over_speed());
    let full = std::fs::File::options().write(true).open("/dev/full").unwrap();
    let mut command = folder.command("replay --profile engine.toml t.csv --format jsonl");
    let output = command.stdout(full).output().unwrap();
    assert_eq!(output.status.code(), Some(4), "{output:?}");
    assert!(String::from_utf8_lossy(&output.stderr).contains("Standard output cannot be written"), "{output:?}");
}
