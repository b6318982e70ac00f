//! How fast traces are read and replayed, in how much memory.
//!
//! `cargo bench -p sim-host --bench replay` (with `--features parquet` for that line too). Each figure is the best of five
//! runs. Peak memory is asked of the system while the command runs, on Linux only.

use std::fmt::Write as _;
use std::fs;
use std::hint::black_box;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant as Stopwatch};

use flate2::Compression;
use flate2::write::GzEncoder;
use monitor_core::Monitor;
use monitor_core::profile::Profile;
use monitor_core::units::Rpm;
use sim_host::trace::{Row, TraceReader};

const RUNS: usize = 5;
const HOURS: u32 = 500;
const HEADER: &str = "t_s,rpm,head_c,flow_lpm,supply_v\n";
const PROFILE: &str = "[engine]\nstrokes = 4\nidle_rpm = 750\nrated_rpm = 5500\nmax_rpm = 6000\n\
    thermostat_opens_c = 60.0\nhead_limit_c = 95.0\n[electric]\ncharging_min_v = 13.0\n\
    [channels]\nfitted = [\"rpm\", \"head\", \"flow\", \"supply\"]\n";

/// Days of two hours at 1 Hz: off, idle, three speeds, off. Readings breathe, so that no sensor is stuck.
fn write_trace(path: &Path, hours: u32) {
    let mut text = String::from(HEADER);
    for second in 0..hours * 3_600 {
        let breath = second * 37 % 23;
        let rpm = match second % 7_200 {
            60..600 => 790 + breath,
            600..6_900 => 3_000 + second / 600 % 3 * 800 + breath,
            _ => 0,
        };
        let (head, flow, supply) = if rpm > 0 {
            (68_000 + breath * 20, rpm * 4 / 5 + breath, 13_900 + breath * 4)
        } else {
            (40_000 + breath * 20, 0, 12_500 + breath * 4)
        };
        let head = format_args!("{}.{:02}", head / 1_000, head % 1_000 / 10);
        writeln!(
            text,
            "{second}.0,{rpm}.00,{head},{}.{:03},{}.{:03}",
            flow / 1_000,
            flow % 1_000,
            supply / 1_000,
            supply % 1_000
        )
        .expect("a text takes anything");
    }
    fs::write(path, text).expect("the folder for the benchmark can be written to");
}

/// The best of [`RUNS`] runs.
fn best(mut run: impl FnMut()) -> Duration {
    let times = (0..RUNS).map(|_| {
        let watch = Stopwatch::now();
        run();
        watch.elapsed()
    });
    times.min().unwrap_or_default()
}

/// One line of the table.
fn report(what: &str, took: Duration, rows: u64, bytes: u64, peak_kib: Option<u64>) {
    let seconds = took.as_secs_f64();
    let rate = |amount: u64| amount as f64 / seconds / 1e6;
    let peak = peak_kib.map_or_else(String::new, |kib| format!("{kib:>8} KiB"));
    println!("{what:<44} {seconds:>7.3} s {:>7.2} M rows/s {:>7.1} MB/s {peak}", rate(rows), rate(bytes));
}

/// Most memory the process of `id` has held so far, in KiB.
fn peak_memory_kib(id: u32) -> Option<u64> {
    let status = fs::read_to_string(format!("/proc/{id}/status")).ok()?;
    status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?.split_whitespace().next()?.parse().ok()
}

/// Replays `trace` by the command; gives the time of the best run and the greatest memory of all.
fn replay(folder: &Path, trace: &Path) -> (Duration, Option<u64>) {
    let mut peak = None;
    let took = best(|| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lookastern"));
        command.args(["replay", "--profile", "engine.toml", "--format", "jsonl"]).arg(trace).current_dir(folder);
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("the command starts");
        let code = loop {
            peak = peak.max(peak_memory_kib(child.id()));
            match child.try_wait().expect("the command can be waited for") {
                Some(status) => break status.code(),
                None => std::thread::sleep(Duration::from_micros(500)),
            }
        };
        assert_eq!(code, Some(0), "{}", trace.display());
    });
    (took, peak)
}

fn rows_of(path: &Path) -> Vec<Row> {
    let mut reader = TraceReader::open(path, None).expect("the trace opens");
    let mut rows = Vec::new();
    while let Some(row) = reader.next_row().expect("the trace is whole") {
        rows.push(row);
    }
    rows
}

/// `Monitor::step` alone, with rows that lie in memory.
fn step_alone(path: &Path) {
    let rows = rows_of(path);
    let profile = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
    let took = best(|| {
        let mut monitor = Box::new(Monitor::new());
        monitor.begin(&profile).expect("the profile is sound");
        monitor.begin_trip(rows.first().map_or_else(Default::default, |row| row.stamp), 0);
        for row in &rows {
            black_box(monitor.step(row.stamp, &row.readings));
            while let Some(event) = monitor.next_event() {
                black_box(event);
            }
        }
    });
    let nanos = took.as_nanos() / rows.len() as u128;
    println!(
        "{:<44} {:>7.3} s for {} steps: {nanos} ns a step",
        "step alone, rows in memory",
        took.as_secs_f64(),
        rows.len()
    );
}

fn compress(path: &Path, target: &Path) {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(&fs::read(path).expect("the trace was written")).expect("memory takes it");
    fs::write(target, encoder.finish().expect("memory takes it")).expect("the folder can be written to");
}

/// The Parquet file beside `csv`, where Parquet is built in: made by the product's own `simulate --parquet`, so with the
/// columns of a simulated day, as often as fills the hours.
#[cfg(feature = "parquet")]
fn parquet(folder: &Path) -> Option<PathBuf> {
    let plan = format!("[[{}, 3500]]", HOURS * 3_600);
    let scenario = format!("[plant]\nkind = \"mid-four-stroke\"\n[[trip]]\nwater_c = 18.0\nplan = {plan}\n");
    fs::write(folder.join("day.toml"), scenario).ok()?;
    let mut command = Command::new(env!("CARGO_BIN_EXE_lookastern"));
    command.args(["simulate", "day.toml", "-o", "simulated", "--parquet"]).current_dir(folder).stderr(Stdio::null());
    assert!(command.status().is_ok_and(|status| status.success()), "simulate");
    Some(folder.join("simulated/trace-000.parquet"))
}

#[cfg(not(feature = "parquet"))]
fn parquet(_folder: &Path) -> Option<PathBuf> {
    println!("Parquet is left out: run it with --features parquet");
    None
}

fn main() {
    let folder = std::env::temp_dir().join(format!("lookastern-bench-{}", std::process::id()));
    fs::create_dir_all(&folder).expect("the system has a folder for temporary files");
    fs::write(folder.join("engine.toml"), PROFILE).expect("the folder can be written to");
    let (long, short, zipped) = (folder.join("500h.csv"), folder.join("1h.csv"), folder.join("500h.csv.gz"));
    write_trace(&long, HOURS);
    write_trace(&short, 1);
    compress(&long, &zipped);
    let rows = u64::from(HOURS) * 3_600;
    let size = |path: &Path| fs::metadata(path).map_or(0, |about| about.len());

    println!("{HOURS} h at 1 Hz: {rows} rows, {:.1} MB as CSV; best of {RUNS} runs", size(&long) as f64 / 1e6);
    let plain = best(|| {
        let mut reader = csv::Reader::from_path(&long).expect("the trace opens");
        let mut record = csv::ByteRecord::new();
        while reader.read_byte_record(&mut record).expect("the trace is whole") {
            black_box(&record);
        }
    });
    report("byte records of the csv crate, no numbers", plain, rows, size(&long), None);
    let read = best(|| {
        let mut reader = TraceReader::open(&long, None).expect("the trace opens");
        while let Some(row) = reader.next_row().expect("the trace is whole") {
            black_box(row);
        }
    });
    report("rows with readings, one thread", read, rows, size(&long), None);
    println!("ratio to the byte records: {:.2}", plain.as_secs_f64() / read.as_secs_f64());
    step_alone(&long);
    for (what, trace, hours) in
        [("replay, CSV", &long, HOURS), ("replay, CSV in gzip", &zipped, HOURS), ("replay, 1 h of CSV", &short, 1)]
    {
        let (took, peak) = replay(&folder, trace);
        report(what, took, u64::from(hours) * 3_600, size(trace), peak);
    }
    if let Some(trace) = parquet(&folder) {
        let (took, peak) = replay(&folder, &trace);
        report("replay, Parquet of a simulated engine", took, rows, size(&trace), peak);
    }
    if let Err(error) = fs::remove_dir_all(&folder) {
        println!("{} is left behind: {error}", folder.display());
    }
}
