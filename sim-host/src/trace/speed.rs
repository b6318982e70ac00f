//! A measurement, run by hand: how fast rows are read, beside the records of the `csv` crate without any parsing.
//!
//! `cargo test --release -p sim-host --lib -- --ignored --nocapture rows_a_second`

use std::fmt::Write as _;
use std::time::Instant as Stopwatch;

use super::tests::TraceFile;

/// 500 h at one row a second.
const ROWS: u64 = 1_800_000;

#[test]
#[ignore = "a measurement; run it with --release"]
fn rows_a_second() {
    let mut text = String::from("t_s,rpm,head_c,flow_lpm\n");
    for second in 0..ROWS {
        let (rpm, head, flow) = (700 + second % 4_000, 600 + second % 90, 180 + second % 70);
        writeln!(text, "{second}.0,{rpm}.5,{}.{},{}.{:02}", head / 10, head % 10, flow / 100, flow % 100).unwrap();
    }
    let file = TraceFile::new("speed.csv", &text);
    let mut best = [f64::INFINITY; 2];
    for _ in 0..5 {
        let watch = Stopwatch::now();
        let mut reader = file.open().unwrap();
        while reader.next_row().unwrap().is_some() {}
        best[0] = best[0].min(watch.elapsed().as_secs_f64());
        assert_eq!(reader.rows_read(), ROWS);

        let watch = Stopwatch::now();
        let mut reader = csv::Reader::from_path(file.path()).unwrap();
        let mut record = csv::ByteRecord::new();
        let mut rows = 0;
        while reader.read_byte_record(&mut record).unwrap() {
            rows += 1;
        }
        best[1] = best[1].min(watch.elapsed().as_secs_f64());
        assert_eq!(rows, ROWS);
    }
    let rate = |seconds: f64| ROWS as f64 / seconds / 1e6;
    println!("rows with readings: {:.3} s, {:.2} million rows a second", best[0], rate(best[0]));
    println!("byte records of the csv crate: {:.3} s, {:.2} million rows a second", best[1], rate(best[1]));
    println!("ratio: {:.2}", best[1] / best[0]);
}
