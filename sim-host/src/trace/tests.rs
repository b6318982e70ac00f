//! Tests of the reader as a whole, on files.

use std::fs;
use std::io::Write as _;

use flate2::Compression;
use flate2::write::GzEncoder;
use monitor_core::acquire::Channel;
use ruzstd::encoding::{CompressionLevel, compress_to_vec};
use tempfile::TempDir;

use super::*;

/// A trace in a directory of its own.
pub(super) struct TraceFile {
    directory: TempDir,
    path: PathBuf,
}

impl TraceFile {
    pub(super) fn new(name: &str, content: impl AsRef<[u8]>) -> Self {
        let directory = TempDir::new().unwrap();
        let path = directory.path().join(name);
        fs::write(&path, content).unwrap();
        Self { directory, path }
    }

    pub(super) fn open(&self) -> Result<TraceReader, Problem> {
        TraceReader::open(&self.path, None)
    }

    fn open_with(&self, map: &str) -> Result<TraceReader, Problem> {
        TraceReader::open(&self.path, Some(&ColumnMap::from_toml(Path::new("map.toml"), map)?))
    }

    fn read(&self) -> Result<(Vec<Row>, TraceReader), Problem> {
        read_all(self.open()?)
    }
}

pub(super) fn read_all(mut reader: TraceReader) -> Result<(Vec<Row>, TraceReader), Problem> {
    let mut rows = Vec::new();
    while let Some(row) = reader.next_row()? {
        rows.push(row);
    }
    Ok((rows, reader))
}

pub(super) fn gzip(text: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(text).unwrap();
    encoder.finish().unwrap()
}

pub(super) fn zstd(text: &[u8]) -> Vec<u8> {
    compress_to_vec(text, CompressionLevel::Fastest)
}

/// Values of one channel, in steps of the core; `None` where the reading is missing.
fn column(rows: &[Row], channel: Channel) -> Vec<Option<i32>> {
    let reading = |row: &Row| row.readings.raw(channel);
    rows.iter().map(|row| (reading(row).quality == Quality::Good).then(|| reading(row).raw)).collect()
}

fn stamps(rows: &[Row]) -> Vec<i64> {
    rows.iter().map(|row| row.stamp.as_millis()).collect()
}

fn skipped(reader: &TraceReader) -> Vec<(&'static str, u64)> {
    reader.rows_skipped().iter().map(|(cause, count)| (*cause, *count)).collect()
}

/// A trace of `count` rows, one a second.
fn long_trace(count: u32) -> String {
    let rows = (0..count).map(|second| format!("{second},{},{}.5\n", 3_000 + second % 7, 60 + second % 3));
    std::iter::once("t_s,rpm,head_c\n".to_owned()).chain(rows).collect()
}

#[test]
fn every_channel_of_the_layout_is_read_in_the_units_of_the_core() {
    let text = "t_s,rpm,head_c,flow_lpm,supply_v,speed_kn,water_c,oil_kpa,note\n\
                0.5,804.5,71.25,2.4,13.03,12.5,-1.8,158,hot\n\
                1.5,,,,,,,,\n";
    let (rows, reader) = TraceFile::new("a.csv", text).read().unwrap();
    assert_eq!(stamps(&rows), [500, 1_500]);
    assert_eq!(reader.channels(), ChannelSet::ALL);
    assert_eq!(reader.unknown_columns(), ["note"]);
    let expected = [3_218, 71_250, 2_400, 13_030, 12_500, -1_800, 158_000];
    for (channel, value) in Channel::ALL.into_iter().zip(expected) {
        assert_eq!(column(&rows, channel), [Some(value), None], "{channel:?}");
    }
    assert_eq!((reader.rows_read(), skipped(&reader)), (2, vec![]));
}

#[test]
fn impossible_values_are_left_to_the_core() {
    let text = "t_s,rpm,head_c\n0,-5,-300\n1,1e99,-1e99\n";
    let (rows, _) = TraceFile::new("a.csv", text).read().unwrap();
    assert_eq!(column(&rows, Channel::Rpm), [Some(-20), Some(i32::MAX)]);
    assert_eq!(column(&rows, Channel::Head), [Some(-300_000), Some(i32::MIN)]);
}

/// Name, rows under the header `t_s,rpm`, stamps of the good ones, counts of the skipped, line and part of complaints.
type BadRows =
    (&'static str, &'static str, &'static [i64], &'static [(&'static str, u64)], &'static [(u64, &'static str)]);

#[test]
fn bad_rows_are_skipped_counted_and_named() {
    let cases: [BadRows; 16] = [
        ("text in a number", "0,1\n1,warm\n2,3\n", &[0, 2_000], &[("not a number", 1)], &[(3, "rpm is \"warm\"")]),
        ("not finite", "0,1\n1,NaN\n2,inf\n", &[0], &[("not a number", 2)], &[(3, "\"NaN\""), (4, "\"inf\"")]),
        ("text in the time", "0,1\nsoon,1\n", &[0], &[("not a number", 1)], &[(3, "t_s is \"soon\", not a number")]),
        ("no time", "0,1\n,1\n", &[0], &[("no time", 1)], &[(3, "t_s is blank")]),
        ("too few cells", "0,1\n1\n2,1\n", &[0, 2_000], &[("cell count", 1)], &[(3, "1 cell where the header has 2")]),
        ("too many cells", "0,1\n1,1,1\n", &[0], &[("cell count", 1)], &[(3, "3 cells where the header has 2")]),
        ("blank cells behind", "0,1,, \n", &[0], &[], &[]),
        ("cut off", "0,1\n1", &[0], &[("cut off", 1)], &[(3, "ends in the middle")]),
        ("whole last row without line feed", "0,1\n1,2", &[0, 1_000], &[], &[]),
        ("blank rows", "0,1\n,\n , \n\n,,,\n\"\",\n1,1\n", &[0, 1_000], &[("blank row", 4)], &[]),
        (
            "header again",
            "0,1\nt_s,rpm\n\"t_s\" , rpm\n\u{feff}t_s,rpm\n1,1\n",
            &[0, 1_000],
            &[("repeated header", 3)],
            &[(3, "header stands here again"), (4, "header"), (5, "header")],
        ),
        ("thousands separator in quotes", "0,1\n1,\"1,000\"\n", &[0], &[("not a number", 1)], &[(3, "\"1,000\"")]),
        ("quoted number", "0,\"1\"\n", &[0], &[], &[]),
        ("open quote", "0,1\n1,\"2\n2,3\n3,4\n", &[0, 2_000, 3_000], &[("open quote", 1)], &[(3, "a quote")]),
        ("comments and blank lines", "# a\n0,1\n\n  # b,\"\n1,1\n", &[0, 1_000], &[], &[]),
        ("steps back and equal stamps stay", "5,1\n5,1\n3,1\n", &[5_000, 5_000, 3_000], &[], &[]),
    ];
    for (name, text, expected_stamps, expected_skipped, complaints) in cases {
        let (rows, reader) = TraceFile::new("a.csv", format!("t_s,rpm\n{text}")).read().unwrap();
        assert_eq!(stamps(&rows), expected_stamps, "{name}");
        assert_eq!(skipped(&reader), expected_skipped, "{name}");
        assert_eq!(reader.complaints().len(), complaints.len(), "{name}");
        for (complaint, (line, part)) in reader.complaints().iter().zip(complaints) {
            assert_eq!(complaint.line, *line, "{name}");
            assert!(complaint.cause.contains(part), "{name}: {part:?} is not in {:?}", complaint.cause);
        }
    }
}

#[test]
fn long_line_is_one_bad_row_and_complaints_stay_few() {
    let long = "9".repeat(100_000);
    let bad = "x,y\n".repeat(500);
    let text = format!("t_s,rpm\n0,1\n{long}\n{bad}1,{long}\n2,1\n");
    let (rows, reader) = TraceFile::new("a.csv", text).read().unwrap();
    assert_eq!(stamps(&rows), [0, 2_000]);
    assert_eq!(skipped(&reader), [("line too long", 2), ("not a number", 500)]);
    assert_eq!(reader.complaints().len(), 10);
    assert_eq!(reader.complaints()[0], Complaint { line: 3, cause: "the line is longer than 64 KiB".to_owned() });
}

#[test]
fn compressed_traces_read_like_plain_ones() {
    let text = long_trace(20_000);
    let (expected, _) = TraceFile::new("a.csv", &text).read().unwrap();
    let halves = text.split_at(text.len() / 2);
    let (first, second) = (halves.0.as_bytes(), halves.1.as_bytes());
    let skippable = [&[0x5a, 0x2a, 0x4d, 0x18, 3, 0, 0, 0, 1, 2, 3][..], &zstd(text.as_bytes())].concat();
    let cases = [
        ("gzip", "a.csv.gz", gzip(text.as_bytes())),
        ("gzip under another name", "a.csv", gzip(text.as_bytes())),
        ("gzip in two members", "a.gz", [gzip(first), gzip(second)].concat()),
        ("zstd", "a.csv.zst", zstd(text.as_bytes())),
        ("zstd in two frames", "a.zst", [zstd(first), zstd(second)].concat()),
        ("zstd with a frame to skip", "a.zst", skippable),
        ("plain text under a wrong name", "a.csv.gz", text.clone().into_bytes()),
    ];
    for (name, file, bytes) in cases {
        let (rows, reader) = TraceFile::new(file, bytes).read().unwrap();
        assert!(rows == expected, "{name}");
        assert_eq!(skipped(&reader), [], "{name}");
    }
}

#[test]
fn compressed_trace_that_is_cut_off_or_damaged_keeps_its_rows_and_says_so() {
    let text = long_trace(100_000);
    let (plain, _) = TraceFile::new("a.csv", &text).read().unwrap();
    for (kind, whole) in [("gzip", gzip(text.as_bytes())), ("zstd", zstd(text.as_bytes()))] {
        let cut = &whole[..whole.len() * 2 / 3];
        let (rows, reader) = TraceFile::new("a", cut).read().unwrap();
        assert!(rows.len() > 10_000 && plain.starts_with(&rows), "{kind}: {} rows", rows.len());
        assert_eq!(skipped(&reader), [("cut off", 1)], "{kind}");
        let complaint = reader.complaints().last().unwrap();
        assert_eq!(complaint.line, rows.len() as u64 + 2, "{kind}");
        assert!(complaint.cause.contains("cut off"), "{kind}: {}", complaint.cause);

        let with_rest = [&whole[..], b"not compressed at all"].concat();
        let (rows, reader) = TraceFile::new("a", with_rest).read().unwrap();
        assert!(rows == plain, "{kind} with other bytes behind");
        assert_eq!(reader.rows_skipped().values().sum::<u64>(), 1, "{kind} with other bytes behind");
    }
    let mut bad_checksum = gzip(text.as_bytes());
    let place = bad_checksum.len() - 6;
    bad_checksum[place] ^= 1;
    let (rows, reader) = TraceFile::new("a", bad_checksum).read().unwrap();
    assert_eq!((rows.len(), skipped(&reader)), (plain.len(), vec![("damaged", 1)]));
}

#[test]
fn files_that_are_no_trace_are_refused_with_a_remedy() {
    let cases: [(&str, &[u8], &str); 20] = [
        ("empty", b"", "The trace is empty"),
        ("only a byte-order mark", b"\xef\xbb\xbf", "The trace is empty"),
        ("only comments", b"# a\n\n# b\n", "no header"),
        ("header only", b"t_s,rpm\n", "no rows"),
        ("header without line feed", b"t_s,rpm", "no rows"),
        ("no good row", b"t_s,rpm\na,b\n,\n", "skipped 1 blank row, 1 not a number; line 2: t_s is \"a\""),
        ("not UTF-8", b"t_s,rpm,\xff\n0,1,2\n", "not UTF-8"),
        ("zeros", &[0; 100], "not text"),
        ("UTF-16", b"\xff\xfet\0_\0s\0", "UTF-16"),
        ("picture", b"\x89PNG\r\n\x1a\n\0\0", "not UTF-8"),
        ("zip", b"PK\x03\x04abcd", "zip archive"),
        ("xz", b"\xfd7zXZ\0abcd", "compressed with xz"),
        ("Parquet", b"PAR1abcd", "Parquet file"),
        ("database", b"SQLite format 3\0", "database"),
        ("semicolons", b"t_s;rpm\n0;1\n", "separated by semicolons"),
        ("tabs", b"t_s\trpm\n0\t1\n", "separated by tabs"),
        ("carriage returns only", b"t_s,rpm\r0,1\r1,1\r", "carriage returns only"),
        ("gzip of nothing", &[0x1f, 0x8b], "damaged at its start"),
        ("zstd of nothing", &[0x28, 0xb5, 0x2f, 0xfd], "damaged at its start"),
        ("open quote in the header", b"t_s,\"rpm\n0,1\n", "quote in the header"),
    ];
    for (name, bytes, part) in cases {
        let file = TraceFile::new("trip.csv", bytes);
        let problem = file.read().map(|_| ()).unwrap_err();
        assert_eq!(problem.exit, Exit::Unreadable, "{name}");
        assert_eq!(problem.file.as_deref(), Some(file.path.as_path()), "{name}");
        assert!(problem.to_string().contains(part), "{name}: {part:?} is not in {problem}");
        assert!(!problem.remedy.is_empty(), "{name}");
    }
    let long_header = format!("t_s,rpm,{}\n0,1\n", "x".repeat(70_000));
    let problem = TraceFile::new("a.csv", long_header).open().unwrap_err();
    assert!(problem.to_string().contains("longer than 64 KiB"), "{problem}");
}

#[test]
fn paths_that_lead_to_no_file_are_refused() {
    let file = TraceFile::new("trip.csv", "");
    let cases = [
        ("directory", file.directory.path().to_owned(), "is a directory"),
        ("missing", file.directory.path().join("other.csv"), "cannot be read"),
        ("below a file", file.path.join("trip.csv"), "cannot be read"),
    ];
    for (name, path, part) in cases {
        let problem = TraceReader::open(&path, None).unwrap_err();
        assert_eq!(problem.exit, Exit::Unreadable, "{name}");
        assert!(problem.to_string().contains(part), "{name}: {problem}");
    }
}

#[test]
fn no_usable_row_is_said_every_time() {
    let mut reader = TraceFile::new("a.csv", "t_s,rpm\nx,1\n").open().unwrap();
    let first = reader.next_row().unwrap_err();
    assert_eq!(reader.next_row().unwrap_err(), first);
    assert_eq!(skipped(&reader), [("not a number", 1)]);
}

#[test]
fn map_chooses_columns_units_and_rows() {
    let text = "Time,voltage,id,Engine [RPM],°F,junk\n\
                19:23:27.775,13.03,3,915.0,212,x\n\
                19:23:27.775,26.57,0,915.0,32,\n\
                19:23:28.775,none,0 ,,,\n\
                19:23:29.775,none,3,,,\n";
    let map = "time = { column = \"Time\", unit = \"hh:mm:ss\" }\n\
               rpm = { column = \"Engine [RPM]\" }\n\
               head = { column = \"°F\", unit = \"F\" }\n\
               supply = { column = \"voltage\", where = { column = \"id\", equals = \"3\" } }\n";
    let (rows, reader) = read_all(TraceFile::new("a.csv", text).open_with(map).unwrap()).unwrap();
    assert_eq!(stamps(&rows), [0, 0, 1_000]);
    assert_eq!(column(&rows, Channel::Rpm), [Some(3_660), Some(3_660), None]);
    assert_eq!(column(&rows, Channel::Head), [Some(100_000), Some(0), None]);
    assert_eq!(column(&rows, Channel::Supply), [Some(13_030), None, None]);
    assert_eq!(skipped(&reader), [("not a number", 1)], "the cell that is read is no number");
    assert!(reader.unknown_columns().is_empty());
    assert!(!reader.channels().contains(Channel::Flow));
}

#[test]
fn where_on_the_time_leaves_other_rows_out() {
    let text = "t,rpm,bus\n0,1,a\n1,2,b\n2,3,a\n";
    let map = "time = { column = \"t\", where = { column = \"bus\", equals = \"a\" } }\nrpm = { column = \"rpm\" }\n";
    let (rows, reader) = read_all(TraceFile::new("a.csv", text).open_with(map).unwrap()).unwrap();
    assert_eq!(stamps(&rows), [0, 2_000]);
    assert_eq!(skipped(&reader), [("not picked", 1)]);
}

#[test]
fn map_that_does_not_fit_the_trace_is_refused() {
    let text = "t,rpm,rpm2,volt,volt\n0,1,2,3,4\n";
    let time = "time = { column = \"t\" }\n";
    let rpm = "rpm = { column = \"rpm\" }\n";
    let cases = [
        ("absent column", format!("{time}rpm = {{ column = \"RPM\" }}\n"), Exit::Usage, "Did you mean \"rpm\"?"),
        (
            "absent, nothing alike",
            format!("{time}rpm = {{ column = \"speed\" }}\n"),
            Exit::Usage,
            "columns there are: t, rpm",
        ),
        (
            "absent column of where",
            format!("{time}rpm = {{ column = \"rpm\", where = {{ column = \"id\", equals = \"1\" }} }}\n"),
            Exit::Usage,
            "\"id\" is not in the header",
        ),
        ("no time", rpm.to_owned(), Exit::Unreadable, "mapped to time"),
        ("no rpm", time.to_owned(), Exit::Unreadable, "mapped to rpm"),
        (
            "column twice in the header",
            format!("{time}{rpm}supply = {{ column = \"volt\" }}\n"),
            Exit::Unreadable,
            "(column 4)",
        ),
    ];
    let file = TraceFile::new("a.csv", text);
    for (name, map, exit, part) in cases {
        let problem = file.open_with(&map).unwrap_err();
        assert_eq!(problem.exit, exit, "{name}: {problem}");
        assert!(problem.to_string().contains(part), "{name}: {part:?} is not in {problem}");
        let about = problem.file.as_deref().and_then(Path::file_name).and_then(|name| name.to_str());
        assert_eq!(about, Some(if exit == Exit::Usage { "map.toml" } else { "a.csv" }), "{name}");
    }
}

#[test]
fn byte_order_mark_blanks_and_carriage_returns_do_not_matter() {
    let text = "\u{feff}# made by hand\r\n\r\n \"t_s\" , rpm ,\"he said \"\"head\"\"\", head_c,,\r\n 1 , 2 ,, 3 \r\n2,3,x,4,,\r\n";
    let (rows, reader) = TraceFile::new("a.csv", text).read().unwrap();
    assert_eq!(stamps(&rows), [1_000, 2_000]);
    assert_eq!(column(&rows, Channel::Head), [Some(3_000), Some(4_000)]);
    assert_eq!(reader.unknown_columns(), ["he said \"head\""]);
}

#[test]
fn debug_output_is_short() {
    let reader = TraceFile::new("a.csv", "t_s,rpm\n0,1\n").open().unwrap();
    assert!(format!("{reader:?}").len() < 2_000, "the buffer is left out");
}
