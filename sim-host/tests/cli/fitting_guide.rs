//! The fitting guide: each of its commands is run, each of its tables is calculated anew, its cautions are the program's.

use std::fs;
use std::path::{Path, PathBuf};

use monitor_core::acquire::{Channel, Readings};
use monitor_core::monitor::Monitor;
use monitor_core::time::Instant;
use sim_host::texts;

use crate::common::{Folder, flowing};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn guide() -> String {
    fs::read_to_string(root().join("docs/fitting.md")).expect("docs/fitting.md")
}

/// The fenced blocks in their order: language and contents.
fn blocks(text: &str) -> Vec<(String, String)> {
    let mut blocks = Vec::new();
    let mut open: Option<(String, String)> = None;
    for line in text.lines() {
        match (line.strip_prefix("```"), &mut open) {
            (Some(language), None) => open = Some((language.to_owned(), String::new())),
            (Some(_), Some(_)) => blocks.extend(open.take()),
            (None, Some((_, contents))) => *contents += &format!("{line}\n"),
            (None, None) => {}
        }
    }
    blocks
}

/// Runs every `sh` block line by line in a copy of the examples; a `text` block behind it is what its last line prints.
#[test]
fn every_command_of_the_guide_does_what_the_guide_shows() {
    let folder = Folder::new();
    for file in fs::read_dir(root().join("examples/fitting")).unwrap() {
        let file = file.unwrap();
        folder.write(&file.file_name().into_string().unwrap(), fs::read(file.path()).unwrap());
    }
    let blocks = blocks(&guide());
    let mut commands = 0;
    for (place, (language, contents)) in blocks.iter().enumerate() {
        if language != "sh" {
            continue;
        }
        let mut printed = String::new();
        for line in contents.lines() {
            commands += 1;
            let (line, target) = line.split_once(" >> ").map_or((line, None), |(line, target)| (line, Some(target)));
            let arguments = line.strip_prefix("lookastern ").unwrap_or_else(|| panic!("`{line}` is not ours"));
            let done = folder.run(arguments);
            assert_eq!(done.code, Some(0), "{line}: {}", done.err);
            match target {
                Some(target) => folder.write(target, folder.read(target) + &done.out),
                None => printed = done.out,
            }
        }
        if let Some((_, expected)) = blocks.get(place + 1).filter(|(language, _)| language == "text") {
            assert_eq!(&printed, expected, "{contents}");
        }
    }
    assert!(commands >= 8, "only {commands} commands");
}

#[test]
fn the_cautions_of_the_guide_are_those_of_the_program() {
    let said = flowing(&guide().replace("\n> ", "\n"));
    assert!(said.contains(&flowing(texts::CAUTIONS)), "the guide must carry texts::CAUTIONS word for word");
}

#[test]
fn every_picture_of_the_guide_is_there_and_says_what_it_shows() {
    let guide = guide();
    let pictures: Vec<_> = guide.split("](pictures/").skip(1).filter_map(|rest| rest.split_once(')')).collect();
    assert!(pictures.len() >= 7, "{}", pictures.len());
    for (name, _) in pictures {
        let picture = fs::read_to_string(root().join("docs/pictures").join(name))
            .unwrap_or_else(|error| panic!("{name}: {error}"));
        assert!(picture.contains("<title id=\"title\">") && picture.contains("<desc id=\"desc\">"), "{name}");
        assert!(!picture.contains("<image") && !picture.contains("<script"), "{name} is a drawing and nothing else");
    }
}

/// A table of the guide, as it must stand there.
struct Table(&'static str, Vec<String>);

#[test]
fn every_table_of_values_is_what_its_formula_gives() {
    let guide = guide();
    let tables = [
        supply_dividers(),
        load_dump(),
        head_resistors(),
        filters(),
        tacho_input(),
        flow_meters(),
        wires(),
        sounders(),
    ];
    let wrong: Vec<_> = tables
        .into_iter()
        .filter(|Table(_, rows)| !guide.contains(&rows.join("\n")))
        .map(|Table(name, rows)| format!("the table of {name} must be:\n{}\n", rows.join("\n")))
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Voltage at which a two-way suppressor of 24 V stand-off holds the line: 38.9 V in every maker's table of this kind.
const CLAMPED_V: f64 = 39.0;
/// What a pin's own diode adds to the chip's supply.
const DIODE_V: f64 = 0.3;

/// Current in mA into the clamp of a chip at `chip_v` from `line_v` through `upper` over `lower` kilohms.
fn clamp_ma(line_v: f64, upper: f64, lower: f64, chip_v: f64) -> f64 {
    let held = chip_v + DIODE_V;
    ((line_v - held) / upper - held / lower).max(0.0)
}

/// Corner in Hz of `kilohms` and `nanofarads`.
fn corner_hz(kilohms: f64, nanofarads: f64) -> f64 {
    1e6 / (2.0 * std::f64::consts::PI * kilohms * nanofarads)
}

fn parallel(a: f64, b: f64) -> f64 {
    a * b / (a + b)
}

fn supply_dividers() -> Table {
    let mut rows = vec![
        "| reference | R1 | R2 | `ratio` | reads up to | one of 4,095 counts | at the pin at 14.4 V | into the pin at 39 V | corner with 100 nF |"
            .to_owned(),
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |".to_owned(),
    ];
    for (reference, upper, lower, chip) in
        [(1.1, 160.0, 10.0, 3.3), (2.5, 68.0, 10.0, 3.3), (3.3, 47.0, 10.0, 3.3), (5.0, 33.0, 12.0, 5.0)]
    {
        let ratio = (upper + lower) / lower;
        rows.push(format!(
            "| {reference} V | {upper} kΩ | {lower} kΩ | {ratio} | {:.1} V | {:.1} mV | {:.2} V | {:.2} mA | {:.0} Hz |",
            reference * ratio,
            reference * ratio / 4_095.0 * 1_000.0,
            14.4 / ratio,
            clamp_ma(CLAMPED_V, upper, lower, chip),
            corner_hz(parallel(upper, lower), 100.0)
        ));
    }
    Table("supply dividers", rows)
}

/// A pulse that falls in a straight line carries half of what it would at its peak.
fn load_dump() -> Table {
    let mut rows = vec![
        "| pulse | peak | source | lasts | through the suppressor | energy in it |".to_owned(),
        "| --- | --- | --- | --- | --- | --- |".to_owned(),
    ];
    for (name, peak, ohm, ms) in [
        ("suppressed", 35.0, 0.5, 400.0),
        ("unsuppressed, mildest", 79.0, 4.0, 40.0),
        ("unsuppressed, harshest", 101.0, 0.5, 400.0),
    ] {
        let amperes = ((peak - CLAMPED_V) / ohm).max(0.0_f64);
        let joules = amperes * CLAMPED_V * ms / 1_000.0 / 2.0;
        rows.push(format!("| {name} | {peak} V | {ohm} Ω | {ms} ms | {amperes:.0} A | {joules:.1} J |"));
    }
    Table("load dumps", rows)
}

/// Steps from `fit check` for the profile of the examples with other resistors; self-heating V² R / (R + R1)² over
/// 2 mW/K at its worst between 20 and 120 °C.
fn head_resistors() -> Table {
    let mut rows = vec![
        "| R1 | step at 20 °C | 60 °C | 95 °C | 120 °C | 1 % of R1 at 95 °C | warms itself by |".to_owned(),
        "| --- | --- | --- | --- | --- | --- | --- |".to_owned(),
    ];
    let folder = Folder::new();
    let profile = fs::read_to_string(root().join("examples/fitting/profile.toml")).unwrap();
    for ohms in [1_000, 2_200, 4_700, 10_000] {
        let head = "[calibration.head]\na = 1.12924e-3\nb = 2.34108e-4\nc = 8.7755e-8\n";
        folder.write("head.toml", format!("{profile}{head}pull_up_ohm = {ohms}\n"));
        let done = folder.run("fit check head.toml --format json");
        let answer: serde_json::Value = serde_json::from_str(&done.out).unwrap();
        let at = |celsius: f64| {
            let places = answer["channels"].as_array().unwrap();
            let place = places.iter().find(|place| place["channel"] == "head" && place["at"] == celsius).unwrap();
            let sensor = place["signal"].as_str().unwrap().split(' ').next().unwrap().parse::<f64>().unwrap();
            (place["step"].as_f64().unwrap(), place["error"].as_f64().unwrap(), sensor)
        };
        let pull_up = f64::from(ohms);
        let warms = |(_, _, sensor): (f64, f64, f64)| 3.3_f64.powi(2) * sensor / (sensor + pull_up).powi(2) / 0.002;
        let steps = [20.0, 60.0, 95.0, 120.0].map(at);
        let warmest = steps.into_iter().map(warms).fold(0.0, f64::max);
        let [a, b, c, d] = steps.map(|(step, _, _)| format!("{step:.3} K"));
        rows.push(format!(
            "| {} kΩ | {a} | {b} | {c} | {d} | {:.2} K | {warmest:.2} K |",
            pull_up / 1_000.0,
            steps[2].1
        ));
    }
    Table("head resistors", rows)
}

fn filters() -> Table {
    let mut rows = vec![
        "| input | resistance | C | corner | fastest signal | left of it | left of 5 µs of ignition noise |".to_owned(),
        "| --- | --- | --- | --- | --- | --- | --- |".to_owned(),
    ];
    let six_pulses_hz = 6_000.0 / 60.0 * 6.0;
    let fine_meter_hz = 3_900.0 * 2.5 / 60.0;
    for (name, kilohms, nanofarads, wanted) in [
        ("supply", parallel(47.0, 10.0), 100.0, 1.0),
        ("head, at 20 °C", 1.0 + parallel(2.2, 12.49), 1_000.0, 1.0),
        ("flow, output low", 4.7, 10.0, fine_meter_hz),
        ("flow, output high", 4.7 + 4.7, 10.0, fine_meter_hz),
        ("tachometer", parallel(33.0, 10.0), 10.0, six_pulses_hz),
    ] {
        let corner = corner_hz(kilohms, nanofarads);
        let left = 1.0 / (wanted / corner).hypot(1.0);
        let noise = 1.0 - (-5.0 / (kilohms * nanofarads)).exp();
        rows.push(format!(
            "| {name} | {kilohms:.2} kΩ | {nanofarads} nF | {corner:.0} Hz | {wanted:.0} Hz | {:.0} % | {:.1} % |",
            left * 100.0,
            noise * 100.0
        ));
    }
    Table("filters", rows)
}

fn tacho_input() -> Table {
    let mut rows =
        vec!["| peak at the tap | at the pin | into the clamp |".to_owned(), "| --- | --- | --- |".to_owned()];
    for peak in [11.0_f64, 15.0, 30.0, 60.0] {
        // The series diode takes 0.7 V.
        let behind = peak - 0.7;
        let pin = (behind * 10.0 / 43.0).min(3.3 + DIODE_V);
        rows.push(format!("| {peak} V | {pin:.1} V | {:.2} mA |", clamp_ma(behind, 33.0, 10.0, 3.3)));
    }
    Table("the tachometer input", rows)
}

/// A meter with a pull-up of its own to 12 V, through 4.7 kΩ into a pin that is held at 3.6 V.
#[test]
fn the_current_of_a_pull_up_inside_the_meter_is_as_stated() {
    let milliamperes = (12.0 - 3.3 - DIODE_V) / 4.7;
    assert!(flowing(&guide()).contains(&format!("{milliamperes:.1} mA at 12 V")), "{milliamperes}");
}

fn flow_meters() -> Table {
    let mut rows = vec![
        "| pulses per litre | hertz at 1 L/min | at its minimum | no water shows after | one pulse is |".to_owned(),
        "| --- | --- | --- | --- | --- |".to_owned(),
    ];
    for (per_litre, least) in [(270.0, 0.5), (450.0, 0.5), (450.0, 0.3), (3_900.0, 0.15)] {
        let hertz: f64 = per_litre * least / 60.0;
        rows.push(format!(
            "| {per_litre} | {} Hz | {hertz:.2} Hz at {least} L/min | {:.1} s | {:.2} mL |",
            per_litre / 60.0,
            2.5 / hertz,
            1_000.0 / per_litre
        ));
    }
    Table("flow meters", rows)
}

/// 10.75 circular mils ohm a foot of copper, in Ω mm²/m.
const COPPER: f64 = 10.75 * 5.067_075e-4 / 0.304_8;

fn wires() -> Table {
    let mut rows = vec![
        "| draws | one way | area for 3 % | take | drop with it |".to_owned(),
        "| --- | --- | --- | --- | --- |".to_owned(),
    ];
    for (amperes, metres, taken) in [(0.15, 4.0, 1.0), (0.5, 8.0, 1.0), (1.5, 8.0, 1.5)] {
        let both_ways = 2.0 * metres;
        let area = COPPER * amperes * both_ways / (0.03 * 12.0);
        let drop = COPPER * amperes * both_ways / taken / 12.0 * 100.0;
        rows.push(format!("| {amperes} A | {metres} m | {area:.2} mm² | {taken} mm² | {drop:.1} % |"));
    }
    Table("wires", rows)
}

fn sounders() -> Table {
    let mut rows = vec![
        "| sounder at 1 m | at 0.5 m | at 1 m | at 2 m | over 85 dB(A) of engine at 1 m |".to_owned(),
        "| --- | --- | --- | --- | --- |".to_owned(),
    ];
    for level in [85.0, 95.0, 100.0, 105.0] {
        let at = |metres: f64| level - 20.0 * metres.log10();
        rows.push(format!("| {level} dB(A) | {:.0} | {level} | {:.0} | {:+.0} |", at(0.5), at(2.0), level - 85.0));
    }
    Table("sounders", rows)
}

/// The published example of the formula: 10 A, 21 ft both ways, 10 % of 12 V take 1,881 circular mils, wire of AWG 16
/// (2,583 circular mils).
#[test]
fn the_wire_formula_is_the_published_one() {
    let circular_mils = 10.75 * 10.0 * 21.0 / 1.2;
    assert!((circular_mils - 1_881.0_f64).abs() < 0.5, "{circular_mils}");
    let area = COPPER * 10.0 * 21.0 * 0.304_8 / 1.2;
    assert!((area - circular_mils * 5.067_075e-4).abs() < 1e-9, "{area}");
}

/// What the helm card draws: lamp and sound of an alarm, second by second.
#[test]
fn the_helm_card_draws_what_the_monitor_does() {
    let folder = Folder::new();
    let profile = sim_host::profile::HostProfile::load(&folder.path().join("engine.toml")).unwrap().core;
    let mut monitor = Monitor::new();
    monitor.begin(&profile).unwrap();
    monitor.begin_trip(Instant::from_millis(0), 0);
    let at_power_up: Vec<_> = (0..60).map(|step| monitor.signals(Instant::from_millis(step * 50))).collect();
    assert_eq!(at_power_up.iter().filter(|signals| signals.lamp).count(), 40, "lamp for 2 s");
    assert_eq!(at_power_up.iter().filter(|signals| signals.sound).count(), 6, "one sound of 0.3 s");
    let mut readings = Readings::default();
    for (channel, raw) in
        [(Channel::Rpm, 3_000 * 4), (Channel::Head, 99_000), (Channel::Flow, 2_400), (Channel::Supply, 14_100)]
    {
        readings.set_raw(channel, raw, monitor_core::acquire::Quality::Good);
    }
    let (mut sounds, mut blinks, mut before) = (0, 0, monitor_core::advise::Signals::default());
    for step in 0..(40 * 20) {
        let now = Instant::from_millis(3_000 + step * 50);
        if step % 20 == 0 {
            monitor.step(now, &readings);
        }
        let signals = monitor.signals(now);
        // The last 14 s, when the alarm has long stood.
        if step >= 26 * 20 {
            sounds += i32::from(signals.sound && !before.sound);
            blinks += i32::from(signals.lamp && !before.lamp);
        }
        before = signals;
    }
    assert!((5..=7).contains(&sounds), "three sounds every 7 s, not {sounds} in 14 s");
    assert!((13..=15).contains(&blinks), "a blink every second, not {blinks} in 14 s");
}
