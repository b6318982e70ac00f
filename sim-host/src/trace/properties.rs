//! Properties of the reader: nothing it is given makes it fail in another way than it says, and no line is lost.

use proptest::prelude::*;

use super::tests::{TraceFile, gzip, read_all, zstd};
use super::*;

/// Pieces of text that traces are made of, and such as break them.
fn fragment() -> impl Strategy<Value = String> {
    prop_oneof![
        4 => "[0-9]{1,4}(\\.[0-9]{1,3})?",
        2 => Just(",".to_owned()),
        2 => Just("\n".to_owned()),
        1 => prop_oneof![
            Just("\""), Just("\"\""), Just("\r\n"), Just("\r"), Just("#"), Just("\n#"), Just(" "), Just("t_s,rpm\n"),
            Just("NaN"), Just("1e9"), Just("-"), Just("\u{feff}"), Just("é"), Just("\0")
        ].prop_map(str::to_owned),
    ]
}

/// A row that can be written and read back: stamp in ms and a value for rpm (¼) and head (m°C).
fn row() -> impl Strategy<Value = (i64, Option<i32>, Option<i32>)> {
    (-1_000_000_000_i64..1_000_000_000, proptest::option::of(0..120_000), proptest::option::of(-100_000..300_000))
}

fn thousandths(value: i64) -> String {
    format!("{}{}.{:03}", if value < 0 { "-" } else { "" }, value.abs() / 1_000, value.abs() % 1_000)
}

fn write(rows: &[(i64, Option<i32>, Option<i32>)], quote: bool, line_end: &str) -> String {
    let mut text = format!("t_s,rpm,head_c{line_end}");
    for (stamp, rpm, head) in rows {
        let rpm = rpm.map(|rpm| format!("{}.{:02}", rpm / 4, rpm % 4 * 25)).unwrap_or_default();
        let head = head.map(|head| thousandths(i64::from(head))).unwrap_or_default();
        let cells = [thousandths(*stamp), rpm, head];
        let cells = cells.map(|cell| if quote { format!("\"{cell}\"") } else { cell });
        text.push_str(&cells.join(","));
        text.push_str(line_end);
    }
    text
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(192))]

    #[test]
    fn any_bytes_end_in_rows_or_in_a_problem(mut bytes: Vec<u8>, with_header: bool, kind in 0..3_u8) {
        if with_header {
            bytes.splice(0..0, *b"t_s,rpm\n");
        }
        let bytes = match kind {
            0 => bytes,
            1 => gzip(&bytes),
            _ => zstd(&bytes),
        };
        if let Ok(reader) = TraceFile::new("a", bytes).open() {
            let _ = read_all(reader);
        }
    }

    #[test]
    fn damaged_compression_ends_in_rows_or_in_a_problem(place: prop::sample::Index, bit in 0..8_u32, use_zstd: bool) {
        let text = format!("t_s,rpm\n{}", "1,2\n3,4.5\n".repeat(500));
        let mut bytes = if use_zstd { zstd(text.as_bytes()) } else { gzip(text.as_bytes()) };
        let place = place.index(bytes.len());
        bytes[place] ^= 1_u8 << bit;
        if let Ok(reader) = TraceFile::new("a", bytes).open() {
            let _ = read_all(reader);
        }
    }

    /// Without quotes every line is a row, a comment, empty, or counted.
    #[test]
    fn every_line_is_accounted_for(fragments in proptest::collection::vec(fragment(), 0..60)) {
        let body = fragments.concat().replace('"', "");
        let is_silent = |line: &str| {
            let line = line.strip_suffix('\r').unwrap_or(line);
            line.is_empty() || line.trim_start_matches([' ', '\t']).starts_with('#')
        };
        let expected = body.lines_with_carriage_returns().filter(|line| !is_silent(line)).count() as u64;
        let mut reader = TraceFile::new("a", format!("t_s,rpm\n{body}")).open().unwrap();
        while let Ok(Some(_)) = reader.next_row() {}
        let counted = reader.rows_read() + reader.rows_skipped().values().sum::<u64>();
        prop_assert_eq!(counted, expected, "{:?}", body);
    }

    /// With quotes a record may take several lines, but good lines behind a bad one are never lost.
    #[test]
    fn rows_behind_broken_ones_are_found(fragments in proptest::collection::vec(fragment(), 0..60)) {
        let body = fragments.concat();
        let text = format!("t_s,rpm\n{body}\nx\n123456.5,7\n");
        let rows = match read_all(TraceFile::new("a", text).open().unwrap()) {
            Ok((rows, _)) => rows,
            Err(problem) => panic!("{problem}"),
        };
        prop_assert_eq!(rows.last().map(|row| row.stamp.as_millis()), Some(123_456_500), "{:?}", body);
    }

    #[test]
    fn written_rows_are_read_back(
        rows in proptest::collection::vec(row(), 1..80), quote: bool, carriage_return: bool, kind in 0..3_u8,
    ) {
        let text = write(&rows, quote, if carriage_return { "\r\n" } else { "\n" }).into_bytes();
        let bytes = match kind {
            0 => text,
            1 => gzip(&text),
            _ => zstd(&text),
        };
        let (read, reader) = read_all(TraceFile::new("a", bytes).open().unwrap()).unwrap();
        prop_assert!(reader.rows_skipped().is_empty());
        let value = |reading: monitor_core::acquire::RawReading| (reading.quality == Quality::Good).then_some(reading.raw);
        let read: Vec<_> = read.iter().map(|row| {
            let reading = |channel| value(row.readings.raw(channel));
            let (rpm, head) = (monitor_core::acquire::Channel::Rpm, monitor_core::acquire::Channel::Head);
            (row.stamp.as_millis(), reading(rpm), reading(head))
        }).collect();
        prop_assert_eq!(read, rows);
    }
}

/// Lines as the reader counts them: a carriage return alone ends none.
trait Lines {
    fn lines_with_carriage_returns(&self) -> std::str::SplitTerminator<'_, char>;
}

impl Lines for String {
    fn lines_with_carriage_returns(&self) -> std::str::SplitTerminator<'_, char> {
        self.split_terminator('\n')
    }
}
