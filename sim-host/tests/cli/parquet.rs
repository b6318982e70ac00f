//! Parquet traces, where they are built in and where not.

use crate::common::Folder;

#[cfg(not(feature = "parquet"))]
#[test]
fn without_the_feature_parquet_is_refused_with_a_remedy() {
    let folder = Folder::new();
    folder.write("t.parquet", b"PAR1 and more");
    let done = folder.replay("t.parquet --format jsonl");
    assert_eq!((done.code, done.out.as_str()), (Some(3), ""), "{}", done.err);
    assert!(
        done.err.contains("t.parquet: This is a Parquet file, and this lookastern was built without"),
        "{}",
        done.err
    );
    assert!(done.err.contains("--features parquet"), "{}", done.err);
    let done = folder.run("simulate day.toml -o out --parquet");
    assert_eq!((done.code, done.out.as_str()), (Some(2), ""), "{}", done.err);
    assert!(done.err.contains("--features parquet") && !folder.path().join("out").exists(), "{}", done.err);
}

#[cfg(feature = "parquet")]
mod with_the_feature {
    use std::sync::Arc;

    use parquet::basic::{Compression, ConvertedType, LogicalType, Repetition, TimeUnit, Type as Physical};
    use parquet::data_type::{ByteArray, ByteArrayType, FloatType, Int32Type, Int64Type};
    use parquet::file::properties::WriterProperties;
    use parquet::file::writer::SerializedFileWriter;
    use parquet::schema::types::{Type, TypePtr};

    use super::Folder;

    const SCENARIO: &str = "seed = 7\n[plant]\nkind = \"mid-four-stroke\"\n\
        [[trip]]\nwater_c = 18.0\nplan = [[240, 750], [600, 3500], [60, 0]]\n";

    #[test]
    fn what_simulate_writes_is_read_alike_in_either_form() {
        let folder = Folder::new();
        folder.write("day.toml", SCENARIO);
        let csv = folder.run("simulate day.toml -o csv");
        let parquet = folder.run("simulate day.toml -o parquet --parquet");
        assert_eq!((csv.code, parquet.code), (Some(0), Some(0)), "{}{}", csv.err, parquet.err);
        assert!(parquet.err.contains("trace-000.parquet") && !parquet.err.contains(".csv"), "{}", parquet.err);
        assert!(!folder.path().join("parquet/trace-000.csv").exists());
        let replay = |name: &str| {
            let done = folder.run(&format!("replay --profile csv/profile.toml --format jsonl --summary s.json {name}"));
            assert_eq!(done.code, Some(0), "{name}: {}", done.err);
            let summary: serde_json::Value = serde_json::from_str(&folder.read("s.json")).unwrap();
            (done.out, summary["rows_read"].clone(), summary["trips"][0]["running_s"].clone())
        };
        let from_csv = replay("csv/trace-000.csv");
        assert_eq!(from_csv, replay("parquet/trace-000.parquet"));
        assert!(from_csv.1.as_u64() > Some(100), "there is something to compare");
    }

    fn column(name: &str, physical: Physical, logical: Option<LogicalType>) -> TypePtr {
        let builder = Type::primitive_type_builder(name, physical).with_repetition(Repetition::OPTIONAL);
        let builder = builder.with_logical_type(logical).with_converted_type(ConvertedType::NONE);
        Arc::new(builder.build().unwrap())
    }

    /// A table as a spreadsheet or a script would write it: dates, whole and binary numbers, texts, holes.
    fn table(folder: &Folder, compression: Compression) {
        let date = LogicalType::timestamp(true, TimeUnit::MICROS);
        let fields = vec![
            column("time", Physical::INT64, Some(date)),
            column("rpm", Physical::INT32, None),
            column("head_c", Physical::FLOAT, None),
            column("note", Physical::BYTE_ARRAY, Some(LogicalType::String)),
        ];
        let schema = Arc::new(Type::group_type_builder("schema").with_fields(fields).build().unwrap());
        let properties = Arc::new(WriterProperties::builder().set_compression(compression).build());
        let file = std::fs::File::create(folder.path().join("t.parquet")).unwrap();
        let mut writer = SerializedFileWriter::new(file, schema, properties).unwrap();
        for group in 0..2_i64 {
            let seconds: Vec<i64> = (group * 1_500..group * 1_500 + 1_500).collect();
            let mut rows = writer.next_row_group().unwrap();
            let all = vec![1_i16; seconds.len()];
            let mut out = rows.next_column().unwrap().unwrap();
            let stamps: Vec<i64> = seconds.iter().map(|second| 1_778_000_000_000_000 + second * 1_000_000).collect();
            out.typed::<Int64Type>().write_batch(&stamps, Some(&all), None).unwrap();
            out.close().unwrap();
            // Every seventh engine speed is missing.
            let levels: Vec<i16> = seconds.iter().map(|second| i16::from(second % 7 != 0)).collect();
            let speeds: Vec<i32> =
                seconds.iter().filter(|second| *second % 7 != 0).map(|second| 3_000 + (second % 5) as i32).collect();
            let mut out = rows.next_column().unwrap().unwrap();
            out.typed::<Int32Type>().write_batch(&speeds, Some(&levels), None).unwrap();
            out.close().unwrap();
            let heads: Vec<f32> = seconds.iter().map(|second| 62.1 + (second % 3) as f32 * 0.1).collect();
            let mut out = rows.next_column().unwrap().unwrap();
            out.typed::<FloatType>().write_batch(&heads, Some(&all), None).unwrap();
            out.close().unwrap();
            let notes = vec![ByteArray::from("a, \"b\"\nc"); seconds.len()];
            let mut out = rows.next_column().unwrap().unwrap();
            out.typed::<ByteArrayType>().write_batch(&notes, Some(&all), None).unwrap();
            out.close().unwrap();
            rows.close().unwrap();
        }
        writer.close().unwrap();
    }

    #[test]
    fn tables_of_others_are_read_with_their_types_and_holes() {
        let folder = Folder::new();
        for compression in [Compression::UNCOMPRESSED, Compression::SNAPPY, Compression::LZ4_RAW] {
            table(&folder, compression);
            let done = folder.replay("t.parquet --format jsonl --summary s.json");
            assert_eq!((done.code, done.out.as_str()), (Some(0), ""), "{compression:?}: {}", done.err);
            let summary: serde_json::Value = serde_json::from_str(&folder.read("s.json")).unwrap();
            assert_eq!(summary["rows_read"], 3_000, "{compression:?}: {}", done.err);
            assert_eq!(summary["rows_skipped"], serde_json::json!({}), "{compression:?}: {}", done.err);
            assert_eq!((&summary["trips"][0]["running_s"], &summary["trips"][0]["starts"]), (&2_998.into(), &1.into()));
            assert!(done.err.contains("passed over: note"), "{compression:?}: {}", done.err);
        }
        let done = folder.replay("t.parquet --columns auto --write-columns m.toml --format jsonl");
        assert_eq!(done.code, Some(0), "{}", done.err);
        assert!(folder.read("m.toml").contains("time   = { column = \"time\", unit = \"rfc3339\" }"), "{}", done.err);
    }

    #[test]
    fn damaged_tables_are_refused_or_counted_and_never_end_the_command() {
        let folder = Folder::new();
        table(&folder, Compression::SNAPPY);
        let whole = std::fs::read(folder.path().join("t.parquet")).unwrap();
        let mut cases = vec![("mark only", b"PAR1".to_vec()), ("cut off", whole[..whole.len() / 2].to_vec())];
        for place in (4..whole.len()).step_by(whole.len() / 97) {
            let mut damaged = whole.clone();
            damaged[place] ^= 0x55;
            cases.push(("one byte changed", damaged));
        }
        for (name, bytes) in cases {
            folder.write("t.parquet", bytes);
            let done = folder.replay("t.parquet --format jsonl");
            assert!(matches!(done.code, Some(0 | 3)), "{name}: {:?} {}", done.code, done.err);
            assert!(done.code == Some(0) || done.err.contains("error: t.parquet"), "{name}: {}", done.err);
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_table_cannot_come_through_a_pipe() {
        let folder = Folder::new();
        let mut command = folder.command("replay --profile engine.toml /dev/stdin");
        let mut child = command
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        std::io::Write::write_all(&mut child.stdin.take().unwrap(), b"PAR1 and more").unwrap();
        let output = child.wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(3));
        assert!(String::from_utf8_lossy(&output.stderr).contains("from a pipe"), "{output:?}");
    }
}
