//! Captured tooth signals with false edges, replayed through the tachometer driver.
//!
//! The recordings are not part of the project: the tests read them where `LOOKASTERN_RECORDINGS` points. What is true in
//! them is known from the toothed wheels: a gap of missing teeth passes once in each turn, so the time from gap to gap
//! is the turn, whatever happens to single edges.

use std::path::PathBuf;

use monitor_core::acquire::Quality;
use monitor_core::acquire::pulse::{
    EdgeTimes, LevelSink, Micros, PulsesPerRevolution, Tachometer, TachometerCalibration,
};
use monitor_core::units::Rpm;

const RECORDINGS: &str = "LOOKASTERN_RECORDINGS";

/// A level change: microseconds from the first one, and whether the line is high after it.
type Edge = (u32, bool);

/// The level changes of column `column` of a capture (the time is column 0), or none where there are no recordings.
fn edges(name: &str, column: usize) -> Option<Vec<Edge>> {
    let Some(folder) = std::env::var_os(RECORDINGS) else {
        println!("left out: {RECORDINGS} is not set");
        return None;
    };
    let path = PathBuf::from(folder).join("tach").join(name);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut edges: Vec<Edge> = Vec::new();
    let mut first_s = None;
    for line in text.lines() {
        let cells: Vec<f64> = line.split(',').filter_map(|cell| cell.trim().parse().ok()).collect();
        let (Some(&time_s), Some(&level)) = (cells.first(), cells.get(column)) else { continue };
        let from_s = *first_s.get_or_insert(time_s);
        let high = level > 0.5;
        if edges.last().is_none_or(|&(_, before)| before != high) {
            edges.push((((time_s - from_s) * 1e6).round() as u32, high));
        }
    }
    assert!(edges.len() > 30, "{}: only {} edges", path.display(), edges.len());
    Some(edges)
}

/// A wheel with this many teeth, gaps included.
fn tachometer(teeth: u32) -> Tachometer {
    let pulses = PulsesPerRevolution::new(teeth, 1).expect("a sound ratio");
    let calibration =
        TachometerCalibration::new(pulses, Rpm::from_whole_rpm(30), Rpm::from_whole_rpm(7_000)).expect("sound");
    let times = EdgeTimes::new(40, 40).expect("sound");
    Tachometer::new(calibration.with_edge_times(times).expect("sound"))
}

/// Replays the edges from just before the wrap of the counter and reads every tenth of a second: (s, rpm where good).
fn replay(tachometer: &mut Tachometer, edges: &[Edge]) -> Vec<(f64, Option<f64>)> {
    let start = Micros::from_counter(u32::MAX - 700_000);
    let end_us = edges.last().map_or(0, |&(at, _)| at);
    let mut edges = edges.iter().peekable();
    let mut shown = Vec::new();
    for now_us in (0..=end_us).step_by(100_000) {
        while let Some(&(at, high)) = edges.next_if(|&&(at, _)| at <= now_us) {
            tachometer.level(high, start.wrapping_add_micros(at));
        }
        let reading = tachometer.read(start.wrapping_add_micros(now_us));
        let rpm = f64::from(reading.value.as_quarter_rpm()) / 4.0;
        shown.push((f64::from(now_us) / 1e6, (reading.quality == Quality::Good).then_some(rpm)));
    }
    shown
}

/// Turns as (begin, end) in seconds: from gap to gap, for the gaps that follow one another by `pulses` rises. A gap is
/// a period over 1.7 times as long as both its neighbours.
fn turns(edges: &[Edge], pulses: usize) -> Vec<(f64, f64)> {
    let rises: Vec<f64> = edges.iter().filter(|edge| edge.1).map(|edge| f64::from(edge.0) / 1e6).collect();
    let period = |index: usize| rises[index + 1] - rises[index];
    let gaps: Vec<usize> =
        (1..rises.len() - 2).filter(|&index| period(index) > 1.7 * period(index - 1).max(period(index + 1))).collect();
    gaps.windows(2).filter(|pair| pair[1] - pair[0] == pulses).map(|pair| (rises[pair[0]], rises[pair[1]])).collect()
}

/// The speed of the turn that was under way at `at_s`.
fn true_rpm(turns: &[(f64, f64)], at_s: f64) -> Option<f64> {
    turns.iter().find(|(begin, end)| (*begin..*end).contains(&at_s)).map(|(begin, end)| 60.0 / (end - begin))
}

#[test]
fn noisy_1_a_cranking_engine() {
    let Some(edges) = edges("tachpulse_noisy_1.csv", 1) else { return };
    // 36 teeth less 2: 34 rises from gap to gap in every turn, 180 to 200 ms a turn. The starter's compression strokes
    // make single periods differ by a third either way. False edge: a low of 80 µs at the very beginning.
    let turns = turns(&edges, 34);
    assert_eq!(turns.len(), 7);
    let shown = replay(&mut tachometer(36), &edges);
    let mut compared = 0;
    for &(at_s, rpm) in &shown {
        let (Some(rpm), Some(truth)) = (rpm, true_rpm(&turns, at_s - 0.05)) else { continue };
        // A tenth of a second is about half a turn, so single readings breathe with the strokes.
        assert!((rpm / truth - 1.0).abs() < 0.12, "{at_s} s: {rpm} rpm, truly {truth:.0}");
        compared += 1;
    }
    assert!(compared >= 11, "{compared} readings of {}", shown.len());
}

#[test]
fn noisy_2_starting_attempts_with_a_false_gap() {
    let Some(edges) = edges("tachpulse_noisy_2.csv", 1) else { return };
    // The same kind of wheel: the starter turns the engine, lets go at 1.1 s until it has almost stopped, and turns it
    // again at 210 to 260 rpm. No turn between two gaps of 34 rises is faster than 421 rpm. False edges: a gap in the
    // middle of a turn at 3.47 s that looks like 1,537 rpm from gap to gap, and a high of 570 µs at 5.64 s.
    let turns = turns(&edges, 34);
    assert!(turns.len() >= 15, "{}", turns.len());
    let shown = replay(&mut tachometer(36), &edges);
    let mut compared = 0;
    for &(at_s, rpm) in &shown {
        let Some(rpm) = rpm else { continue };
        assert!(rpm < 500.0, "{at_s} s: {rpm} rpm is not physical here");
        if at_s < 2.6 {
            continue;
        }
        if let Some(truth) = true_rpm(&turns, at_s - 0.05) {
            assert!((rpm / truth - 1.0).abs() < 0.15, "{at_s} s: {rpm} rpm, truly {truth:.0}");
            compared += 1;
        }
    }
    assert!(compared >= 30, "{compared} readings of {}", shown.len());
}

#[test]
fn doubled_edge_a_running_engine() {
    let Some(crank) = edges("tachpulse_doubled_edge.csv", 1) else { return };
    let Some(cam) = edges("tachpulse_doubled_edge.csv", 2) else { return };
    // 36 teeth with a gap of two and a gap of one in each turn, 1,400 to 1,440 rpm. The camshaft line, one long pulse in
    // two turns of the crankshaft, says so independently. False edges: a low of 1 µs in the crank line at 0.176 s, highs
    // of 0.3 µs in the cam line.
    let clean_rises: Vec<f64> = cam
        .windows(2)
        .filter(|pair| pair[0].1 && pair[1].0 - pair[0].0 > 20_000)
        .map(|pair| f64::from(pair[0].0) / 1e6)
        .collect();
    let truth: Vec<(f64, f64)> =
        clean_rises.windows(2).map(|pair| (pair[0], pair[1])).filter(|(begin, end)| end - begin < 0.1).collect();
    assert!(truth.len() >= 8, "{truth:?}");
    let mut tachometer = tachometer(36);
    let shown = replay(&mut tachometer, &crank);
    let mut compared = 0;
    for &(at_s, rpm) in &shown {
        let (Some(rpm), Some(turns)) = (rpm, true_rpm(&truth, at_s - 0.05)) else { continue };
        let truth = 2.0 * turns;
        assert!((1_400.0..1_450.0).contains(&truth), "{truth}");
        assert!((rpm / truth - 1.0).abs() < 0.02, "{at_s} s: {rpm} rpm, truly {truth:.0}");
        compared += 1;
    }
    assert!(compared >= 8, "{compared} readings of {}", shown.len());
    assert_eq!(tachometer.statistics().glitches, 1, "the doubled edge, and nothing else, is filtered");
    assert_eq!(tachometer.suspect_ratio(), None);
}

#[test]
fn without_the_edge_filter_the_doubled_edge_is_still_not_believed() {
    let Some(crank) = edges("tachpulse_doubled_edge.csv", 1) else { return };
    let pulses = PulsesPerRevolution::new(36, 1).expect("a sound ratio");
    let calibration =
        TachometerCalibration::new(pulses, Rpm::from_whole_rpm(30), Rpm::from_whole_rpm(7_000)).expect("sound");
    let unfiltered = calibration.with_edge_times(EdgeTimes::new(0, 0).expect("sound")).expect("sound");
    let mut tachometer = Tachometer::new(unfiltered);
    let shown = replay(&mut tachometer, &crank);
    assert_eq!(tachometer.statistics().too_close, 1);
    assert!(shown.iter().filter_map(|reading| reading.1).all(|rpm| rpm < 1_480.0));
}
