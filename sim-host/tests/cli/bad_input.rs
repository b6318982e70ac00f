//! Traces as loggers really write them: each oddity is a clear message or a counted skip, and the rest of the replay is
//! what it would be without it.

use std::fmt::Write as _;
use std::io::Write as _;
use std::process::Stdio;

use crate::common::{Done, Folder, flowing};

const HEADER: &str = "t_s,rpm,head_c,flow_lpm,supply_v\n";

/// One row a second of an engine that is well.
fn rows(seconds: std::ops::Range<u32>) -> String {
    rows_with(seconds, |_| (62.0, 2.4))
}

/// The same with another head temperature and flow. Readings breathe a little: no sensor is stuck.
fn rows_with(seconds: std::ops::Range<u32>, head_and_flow: impl Fn(u32) -> (f64, f64)) -> String {
    let mut text = String::new();
    for second in seconds {
        let breath = f64::from(second * 7 % 5) - 2.0;
        let (head, flow) = head_and_flow(second);
        let (rpm, head, flow, supply) =
            (3_000.0 + breath * 4.0, head + breath * 0.1, flow + breath * 0.02, 14.1 + breath * 0.02);
        writeln!(text, "{second},{rpm:.0},{head:.1},{flow:.2},{supply:.2}").unwrap();
    }
    text
}

/// What a replay of one trace must come to.
struct Case<'a> {
    name: &'a str,
    text: String,
    /// Rows used, rows skipped by cause, whole seconds of running, starts.
    rows_read: u64,
    skipped: &'a [(&'a str, u64)],
    running_s: u64,
    starts: u64,
    /// What standard error must say.
    says: &'a [&'a str],
}

fn summary(folder: &Folder) -> serde_json::Value {
    serde_json::from_str(&folder.read("s.json")).unwrap()
}

fn check(folder: &Folder, case: &Case<'_>, done: &Done) {
    let name = case.name;
    assert_eq!((done.code, done.out.as_str()), (Some(0), ""), "{name}: nothing is invented: {}", done.err);
    let summary = summary(folder);
    assert_eq!(summary["rows_read"], case.rows_read, "{name}: {}", done.err);
    let skipped: serde_json::Map<_, _> =
        case.skipped.iter().map(|(cause, rows)| ((*cause).to_owned(), (*rows).into())).collect();
    assert_eq!(summary["rows_skipped"], serde_json::Value::Object(skipped), "{name}: {}", done.err);
    let trip = &summary["trips"][0];
    assert_eq!((&trip["running_s"], &trip["starts"]), (&case.running_s.into(), &case.starts.into()), "{name}");
    let said = flowing(&done.err);
    for words in case.says {
        assert!(said.contains(words), "{name}: no `{words}` in {}", done.err);
    }
}

fn check_all(cases: &[Case<'_>], options: &str) {
    let folder = Folder::new();
    for case in cases {
        folder.write("t.csv", &case.text);
        let done = folder.replay(&format!("t.csv --format jsonl --summary s.json {options}"));
        check(&folder, case, &done);
    }
}

#[test]
fn rows_that_are_no_rows_are_counted_and_the_others_used() {
    let whole = |bad: &str| format!("{HEADER}{}{bad}{}", rows(0..30), rows(30..60));
    let case = |name, text, skipped, says| Case { name, text, rows_read: 60, skipped, running_s: 59, starts: 1, says };
    let other_order = "t_s,head_c,rpm,flow_lpm,supply_v\n30,62,3000,2.4,14\n31,62,3000,2.4,14\n";
    check_all(
        &[
            case(
                "truncated last line",
                format!("{HEADER}{}60,30", rows(0..60)),
                &[("cut off", 1)],
                &["t.csv:62: row not used: the file ends in the middle of this row"],
            ),
            case("repeated header", whole(HEADER), &[("repeated header", 1)], &["t.csv:32:", "stands here again"]),
            case(
                "another header, then the first again",
                whole(&format!("{other_order}{HEADER}")),
                &[("other layout", 3), ("repeated header", 1)],
                &["t.csv:32: row not used: here begins another header", "Split the file there"],
            ),
            case(
                "NaN and infinity",
                whole("29.5,NaN,62,2.4,14\n29.6,3000,inf,2.4,14\n"),
                &[("not a number", 2)],
                &["t.csv:32: row not used: rpm is \"NaN\", not a number; leave the cell empty"],
            ),
            case(
                "units under the header",
                format!("{HEADER}s,1/min,°C,L/min,V\n{}", rows(0..60)),
                &[("not a number", 1)],
                &["t.csv:2: row not used: t_s is \"s\""],
            ),
            case("all-blank rows", whole(&",,,,\n".repeat(38)), &[("blank row", 38)], &["38 rows skipped"]),
            case(
                "trailing commas and spaces",
                format!("{HEADER}{}", rows(0..60)).replace('\n', " , ,\r\n").replace(',', " , "),
                &[],
                &[],
            ),
            case(
                "fewer and more cells",
                whole("29.2,3000\n29.4,3000,62,2.4,14,7,8\n"),
                &[("cell count", 2)],
                &[
                    "t.csv:32: row not used: 2 cells where the header has 5",
                    "t.csv:33: row not used: 7 cells where the header has 5; a number with a decimal comma counts as two",
                ],
            ),
            case(
                "semicolons in one row",
                whole("29.5;3000;62;2.4;14\n"),
                &[("cell count", 1)],
                &["1 cell where the header has 5; cells are separated by commas, not by semicolons"],
            ),
            case("binary junk", whole("\0\u{1}\u{7f}junk\n"), &[("cell count", 1)], &["t.csv:32: row not used"]),
            case("text in the time", whole("soon,3000,62,2.4,14\n"), &[("not a number", 1)], &["t_s is \"soon\""]),
        ],
        "",
    );
}

#[test]
fn bytes_that_are_no_text_are_counted_where_they_are_read_and_passed_over_where_not() {
    let folder = Folder::new();
    let line = |bytes: &[u8]| [format!("t_s,rpm,note\n{}", "0,3000,\n1,3004,\n").as_bytes(), bytes].concat();
    folder.write("t.csv", line(b"2,3008,\xb0C\n3,3000,\n"));
    let done = folder.replay("t.csv --format jsonl --summary s.json");
    assert_eq!((done.code, summary(&folder)["rows_read"].as_u64()), (Some(0), Some(4)), "{}", done.err);
    folder.write("t.csv", line(b"2,\xff\xfe,\n3,3000,\n"));
    let done = folder.replay("t.csv --format jsonl --summary s.json");
    assert_eq!((done.code, summary(&folder)["rows_skipped"]["not a number"].as_u64()), (Some(0), Some(1)));
    assert!(done.err.contains("t.csv:4: row not used: rpm is"), "{}", done.err);
}

#[test]
fn odd_clocks_count_no_time_twice_and_none_that_was_not_seen() {
    let minutes = |from: u32, to: u32| {
        let row =
            |s: u32| format!("{:02}:{:02}.0,{},{:.1}\n", s / 60 % 60, s % 60, 3_000 + s % 5, 62.0 + f64::from(s % 3));
        (from..to).map(row).collect::<String>()
    };
    let clocks = |from: u32, to: u32| {
        let row = |s: u32| {
            let s = s % 86_400;
            format!(
                "{:02}:{:02}:{:02},{},{:.1}\n",
                s / 3_600,
                s / 60 % 60,
                s % 60,
                3_000 + s % 5,
                62.0 + f64::from(s % 3)
            )
        };
        (from..to).map(row).collect::<String>()
    };
    let short = "time,rpm,head_c\n";
    let stamps = |text: String| format!("{HEADER}{text}");
    check_all(
        &[
            Case {
                name: "duplicate and backward stamps",
                text: stamps(format!("{}{}{}{}", rows(0..30), rows(29..30).repeat(3), rows(30..60), rows(55..90))),
                rows_read: 98,
                skipped: &[],
                running_s: 93,
                starts: 1,
                says: &["the clock stepped back 1 time: no time was counted there"],
            },
            Case {
                name: "a row timed 0 among the others",
                text: stamps(format!("{}0,3000,62,2.4,14\n{}", rows(100..130), rows(131..160))),
                rows_read: 60,
                skipped: &[],
                running_s: 57,
                starts: 2,
                says: &["the clock stepped back 1 time", "1 hole of more than 5 s"],
            },
            Case {
                name: "milliseconds for seconds",
                text: stamps((0..60).map(|s| format!("{},3000,62,2.4,14\n", s * 1_000)).collect()),
                rows_read: 60,
                skipped: &[],
                running_s: 0,
                starts: 0,
                says: &["come more than 5 s after the one before", "unit = \"ms\""],
            },
            Case {
                name: "live values at both ends of a hole of ten minutes",
                text: stamps(format!("{}{}", rows(0..60), rows_with(660..720, |_| (72.0, 2.4)))),
                rows_read: 120,
                skipped: &[],
                running_s: 118,
                starts: 2,
                says: &["1 hole of more than 5 s"],
            },
        ],
        "",
    );
    let folder = Folder::new();
    for (unit, text, running_s, starts) in [
        ("mm:ss", format!("{short}{}0,3000,62\n{}", minutes(3_300, 3_900), minutes(3_900, 4_500)), 1_199, 1),
        ("hh:mm:ss", format!("{short}{}", clocks(86_000, 87_000)), 999, 1),
    ] {
        let map = format!("time = {{ column = \"time\", unit = \"{unit}\" }}\nrpm = {{ column = \"rpm\" }}\n");
        folder.write("map.toml", format!("{map}head = {{ column = \"head_c\" }}\n"));
        folder.write("t.csv", text);
        let done = folder.replay("t.csv --format jsonl --summary s.json --columns map.toml");
        assert_eq!((done.code, done.out.as_str()), (Some(0), ""), "{unit}: {}", done.err);
        let trip = &summary(&folder)["trips"][0];
        assert_eq!((&trip["running_s"], &trip["starts"]), (&running_s.into(), &starts.into()), "{unit} rolls over");
        if unit == "mm:ss" {
            assert!(done.err.contains("time is \"0\", not minutes and seconds such as 30:00"), "{}", done.err);
        }
    }
}

#[test]
fn values_that_stand_still_or_are_not_there_invent_nothing() {
    let frozen =
        |seconds: std::ops::Range<u32>| seconds.map(|s| format!("{s},3008,62.2,2.44,14.14\n")).collect::<String>();
    let cell = |second: u32, channel: u32| match (second % 4 == channel, channel) {
        (false, _) => String::new(),
        (true, 0) => (3_000 + second % 7 * 4).to_string(),
        (true, 1) => format!("62.{}", second % 3),
        (true, 2) => format!("2.4{}", second % 5),
        (true, _) => format!("14.1{}", second % 3),
    };
    let polled = |step: u32| {
        let cells: Vec<_> = (0..4).map(|channel| cell(step, channel)).collect();
        format!("{}.{},{}\n", step / 5, step % 5 * 2, cells.join(","))
    };
    let case = |name, text, rows_read, running_s, says| Case {
        name,
        text,
        rows_read,
        skipped: &[],
        running_s,
        starts: 1,
        says,
    };
    check_all(
        &[
            case(
                "frozen over a hole of four minutes, then a jump",
                format!("{HEADER}{}{}{}", rows(0..60), frozen(60..300), rows_with(300..420, |_| (71.0, 2.4))),
                420,
                419,
                &[],
            ),
            case(
                "blank columns at the start",
                format!("{HEADER}{}{}", (0..40).map(|s| format!("{s},,,,\n")).collect::<String>(), rows(40..100)),
                100,
                59,
                &[],
            ),
            case(
                "one channel a row is new",
                format!("{HEADER}{}", (0..600).map(polled).collect::<String>()),
                600,
                119,
                &[],
            ),
        ],
        "",
    );
}

#[test]
fn values_that_stand_for_nothing_measured_are_named() {
    let folder = Folder::new();
    let with = |from: &str, to: &str| {
        let mut text = HEADER.to_owned();
        for row in rows(0..120).lines() {
            let second: u32 = row.split(',').next().unwrap().parse().unwrap();
            let cells: Vec<_> = row.split(',').collect();
            let place = HEADER.trim().split(',').position(|name| name == from).unwrap();
            let shown = |at: usize| if at == place && (60..64).contains(&second) { to } else { cells[at] };
            writeln!(text, "{}", (0..cells.len()).map(shown).collect::<Vec<_>>().join(",")).unwrap();
        }
        text
    };
    let cases = [
        ("lead off by a driver's table", "head_c", "-40", "head temperature is exactly -40 in 4 rows"),
        ("thermometer that does not answer", "head_c", "-127", "head temperature is exactly -127 in 4 rows"),
        ("thermometer before its first measurement", "head_c", "85", "head temperature is exactly 85 in 4 rows"),
        ("field of 16 bits not filled", "flow_lpm", "65535", "telltale flow is exactly 65535 in 4 rows"),
        ("speed not filled", "rpm", "65535", "engine speed is exactly 65535 in 4 rows"),
        ("supply not filled", "supply_v", "65535", "supply voltage is exactly 65535 in 4 rows"),
    ];
    for (name, column, value, words) in cases {
        folder.write("t.csv", with(column, value));
        let done = folder.replay("t.csv --format jsonl --summary s.json");
        assert_eq!(done.code, Some(0), "{name}: {}", done.err);
        assert!(flowing(&done.err).contains(words), "{name}: no `{words}` in {}", done.err);
        assert_eq!(summary(&folder)["rows_read"], 120, "{name}: a bad reading takes no row with it");
        assert_eq!(done.out, "", "{name}: four seconds are no finding");
    }
    folder.write("t.csv", format!("{HEADER}{}", rows_with(0..600, |s| (62.0 + f64::from(s.min(240)) * 0.1, 2.4))));
    let done = folder.replay("t.csv --format jsonl");
    assert!(!done.err.contains("is exactly 85"), "85 °C that came gradually is a temperature: {}", done.err);
}

#[test]
fn layouts_that_are_not_ours_are_refused_with_a_remedy() {
    let folder = Folder::new();
    let trace = format!("{HEADER}{}", rows(0..10));
    let cases: [(&str, Vec<u8>, &str); 9] = [
        ("semicolons", trace.replace(',', ";").into_bytes(), "t.csv:1: Its cells are separated by semicolons"),
        ("tabs", trace.replace(',', "\t").into_bytes(), "t.csv:1: Its cells are separated by tabs"),
        ("bars", trace.replace(',', "|").into_bytes(), "t.csv:1: Its cells are separated by bars"),
        ("blanks", trace.replace(',', " ").into_bytes(), "t.csv:1: Its cells are separated by blanks"),
        ("decimal commas", trace.replace('.', ",").into_bytes(), "a number with a decimal comma counts as two"),
        ("units in the names", trace.replace("rpm,", "Engine RPM [1/min],").into_bytes(), "--columns"),
        ("not UTF-8", b"t_s,rpm,head [\xb0C]\n0,1,2\n".to_vec(), "t.csv:1: The header is not UTF-8 text"),
        ("UTF-16", b"\xff\xfet\0_\0s\0".to_vec(), "UTF-16 text. Save it as UTF-8"),
        ("binary", (0..=255).cycle().take(5_000).collect(), "t.csv:"),
    ];
    for (name, bytes, words) in cases {
        folder.write("t.csv", bytes);
        let done = folder.replay("t.csv --format jsonl");
        assert_eq!((done.code, done.out.as_str()), (Some(3), ""), "{name}: {}", done.err);
        assert!(done.err.contains(words), "{name}: no `{words}` in {}", done.err);
    }
    let done = folder.replay("- --format jsonl");
    assert_eq!(done.code, Some(3), "{}", done.err);
    assert!(done.err.contains("give /dev/stdin"), "{}", done.err);
}

/// Runs a replay of standard input, which `feed` writes.
#[cfg(unix)]
fn replay_of_a_pipe(folder: &Folder, feed: impl FnOnce(&mut dyn std::io::Write)) -> Done {
    let mut command = folder.command("replay --profile engine.toml /dev/stdin --format jsonl --summary s.json");
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut pipe = std::io::BufWriter::new(child.stdin.take().unwrap());
    feed(&mut pipe);
    pipe.flush().unwrap();
    drop(pipe);
    let output = child.wait_with_output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    Done { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
}

#[cfg(unix)]
#[test]
fn a_pipe_is_read_like_a_file() {
    let folder = Folder::new();
    let text = format!("{HEADER}{}", rows(0..600));
    let done = replay_of_a_pipe(&folder, |pipe| {
        // In crumbs, as a slow writer would.
        for crumb in text.as_bytes().chunks(7) {
            pipe.write_all(crumb).unwrap();
        }
    });
    assert_eq!((done.code, done.out.as_str()), (Some(0), ""), "{}", done.err);
    assert_eq!(
        (&summary(&folder)["rows_read"], &summary(&folder)["trips"][0]["running_s"]),
        (&600.into(), &599.into())
    );
    let done = replay_of_a_pipe(&folder, |_| {});
    assert_eq!(done.code, Some(3));
    assert!(done.err.contains("The trace is empty"), "{}", done.err);
}

/// Most memory that the process of `id` ever held, in KiB.
#[cfg(target_os = "linux")]
fn peak_memory_kib(id: u32) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).ok()?;
    status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?.split_whitespace().next()?.parse().ok()
}

/// `cargo test --release -p sim-host --test cli -- --ignored --nocapture any_size`; `LOOKASTERN_PIPE_MB=10000` tries 10 GB.
#[cfg(target_os = "linux")]
#[test]
#[ignore = "writes some hundred megabytes through a pipe; run it with --release"]
fn a_trace_of_any_size_is_read_in_the_same_memory() {
    let folder = Folder::new();
    let megabytes: usize = std::env::var("LOOKASTERN_PIPE_MB").map_or(200, |text| text.parse().unwrap());
    let mut command = folder.command("replay --profile engine.toml /dev/stdin --format jsonl --summary s.json");
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let mut pipe = child.stdin.take().unwrap();
    let (mut second, mut sent, mut peaks) = (0, 0, Vec::new());
    pipe.write_all(HEADER.as_bytes()).unwrap();
    for part in 1..=20 {
        while sent < megabytes * 1_000_000 / 20 * part {
            let text = rows(second..second + 1_000);
            pipe.write_all(text.as_bytes()).unwrap();
            second += 1_000;
            sent += text.len();
        }
        peaks.push(peak_memory_kib(child.id()).unwrap());
    }
    drop(pipe);
    assert_eq!(child.wait().unwrap().code(), Some(0));
    assert_eq!(summary(&folder)["rows_read"], second);
    println!("{megabytes} MB, {second} rows; peak memory in KiB after each twentieth: {peaks:?}");
    let (first, last) = (peaks[0], peaks[peaks.len() - 1]);
    assert!(last < first + 1_024 && last < 16 * 1_024, "memory grows with the file: {peaks:?}");
}
